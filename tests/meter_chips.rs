//! The production drivers against the simulated chips, register by register.

use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;
use signproof::build::{
    Adapter, AdsPart, Buffer, Build, Chip, Conductor, Controller, Divider, Feed, Lead, Limits, Node, Quantity, SensePoint, Sign, Supply,
};
use signproof::fault::Fault;
use signproof::meter::{Converters, point_uncertainty, stats};
use signproof::rig::sim::chips::{Analog, SimBus, SimDelay, SimFiles, SimSpi};
use signproof::rig::sim::scenario::TimedFault;
use signproof::units::{Amps, NoReading, Ohms, Volts};
use std::cell::RefCell;
use std::rc::Rc;

struct Bench {
    values: Vec<f64>,
    now: u64,
}

impl Analog for Bench {
    fn volts(&mut self, point: usize) -> f64 {
        self.values[point]
    }
    fn advance(&mut self, ns: u64) {
        self.now += ns;
    }
    fn now_ns(&self) -> u64 {
        self.now
    }
}

fn ads(channel: u8, range_v: f64) -> Chip {
    Chip::Ads1115 { part: AdsPart::Ads1115, bus: 1, address: 0x48, channel, range_v, supply_v: 3.3 }
}

fn point(name: &str, quantity: Quantity, chip: Chip, divider: bool) -> SensePoint {
    let divider = divider.then_some(Divider { top: Ohms::new(10e3), bottom: Ohms::new(10e3), tolerance_pct: 0.1 });
    SensePoint { name: name.into(), quantity, node: Node::Distribution(0), reference: Node::Controller, chip, divider }
}

fn build(sense: Vec<SensePoint>) -> Build {
    let lead = Lead { conductor: Conductor::Mm2(1.5), length_m: 0.5, rated_a: None, joints: Ohms::new(0.002) };
    Build {
        sign: Sign::default(),
        panel_types: vec![],
        supplies: vec![Supply {
            name: "main".into(),
            set_v: Volts::new(5.1),
            rated_a: Amps::new(40.0),
            accept_v: [Volts::new(4.9), Volts::new(5.25)],
            source: Ohms::new(0.001),
            limit_factor: 1.2,
            derate_from_c: 50.0,
            derate_pct_per_k: 2.5,
            input_lead: lead,
            maker: None,
        }],
        feeds: vec![Feed { name: "F1".into(), supply: 0, fuse_a: Amps::new(10.0), fuse_ohm: None, lead }],
        controller: Controller { model: "board".into(), feed: 0, draw_a: Amps::new(3.0), min_v: Volts::new(4.75) },
        adapter: Adapter {
            model: "adapter".into(),
            buffer: Buffer::Hct,
            oe_pull_up: true,
            clk: 17,
            lat: 4,
            oe: 18,
            address: vec![22, 23],
            ports: vec![],
        },
        chains: vec![],
        panels: vec![],
        limits: Limits {
            trip_low_v: vec![Volts::new(4.65); sense.len()],
            trip_high_v: Volts::new(5.4),
            hold_s: 1.0,
            fuse_load_pct: 75.0,
            supply_load_pct: 90.0,
            drop_v: Volts::new(0.3),
            refresh_hz: 100.0,
            ambient_max_c: 40.0,
            cell_pct: 20.0,
            rest_v: Volts::new(0.02),
            hold_drift_v_per_min: Volts::new(0.01),
            climb_pct: 30.0,
            joint_max_c: 60.0,
        },
        sense,
    }
}

fn demo() -> Build {
    build(vec![
        point("distribution", Quantity::Volts, ads(0, 4.096), true),
        point("f1", Quantity::Volts, ads(1, 4.096), true),
        point("main", Quantity::Volts, Chip::Ina226 { bus: 1, address: 0x40, shunt_ohm: Some(0.002) }, false),
        point("main-a", Quantity::Amps, Chip::Ina226 { bus: 1, address: 0x40, shunt_ohm: Some(0.002) }, false),
    ])
}

/// One point of each further kind.
fn others() -> Build {
    let ina219 = Chip::Ina219 { bus: 1, address: 0x41, shunt_ohm: Some(0.01) };
    let ina228 = Chip::Ina228 { bus: 1, address: 0x42, shunt_ohm: Some(0.002) };
    let ads = |part, address, channel, range_v| Chip::Ads1115 { part, bus: 1, address, channel, range_v, supply_v: 3.3 };
    let spi = |channel| Chip::Mcp3208 { bus: 0, select: 1, channel, reference_v: 3.3, accuracy_pct: 0.2, supply_v: 3.3 };
    let file = Chip::Iio { device: "ads1015".into(), file: "voltage0".into(), step: 125e-6, accuracy_pct: 0.15, highest: Some(4.096) };
    build(vec![
        point("219", Quantity::Volts, ina219.clone(), false),
        point("219-a", Quantity::Amps, ina219, false),
        point("228", Quantity::Volts, ina228.clone(), false),
        point("228-a", Quantity::Amps, ina228, false),
        point("1114", Quantity::Volts, ads(AdsPart::Ads1114, 0x48, 0, 4.096), true),
        point("1015", Quantity::Volts, ads(AdsPart::Ads1015, 0x49, 2, 4.096), true),
        point("1013", Quantity::Volts, ads(AdsPart::Ads1013, 0x4a, 0, 2.048), true),
        point("3208", Quantity::Volts, spi(0), true),
        point("3208-7", Quantity::Volts, spi(7), true),
        point("file", Quantity::Volts, file, true),
    ])
}

type AllConverters = Converters<SimBus<Bench>, SimDelay<Bench>, SimFiles<Bench>, SimSpi<Bench>>;

const OTHERS: [f64; 10] = [5.1, 7.0, 5.1, 10.0, 5.0, 4.9, 3.9, 5.0, 4.8, 5.05];

fn other_rig(build: &Build, seed: u64, faults: &[TimedFault], tolerances: bool) -> (Rc<RefCell<Bench>>, AllConverters) {
    let bench = Rc::new(RefCell::new(Bench { values: OTHERS.to_vec(), now: 0 }));
    let bus = SimBus::with_tolerances(build, 1, Rc::clone(&bench), seed, faults, tolerances);
    let files = SimFiles::new(build, Rc::clone(&bench), seed, faults, tolerances);
    let spi = SimSpi::new(build, (0, 1), Rc::clone(&bench), seed, faults, tolerances);
    let converters = Converters::new(build, vec![(1, bus)], SimDelay(Rc::clone(&bench))).with_files(files).with_spi(vec![((0, 1), spi)]);
    (bench, converters)
}

fn mean_of(c: &mut AllConverters, point: usize, n: usize) -> f64 {
    let xs: Vec<f64> = (0..n).map(|_| c.read(point).unwrap()).collect();
    stats::mean(&xs).unwrap()
}

#[test]
fn every_kind_is_identified() {
    let b = others();
    let (_, mut c) = other_rig(&b, 1, &[], true);
    let names: Vec<String> = (0..b.sense.len()).map(|p| c.identify(p).unwrap()).collect();
    assert_eq!(names[0], "ina219 at 0x41 on bus 1");
    assert_eq!(names[2], "ina228 at 0x42 on bus 1");
    assert_eq!(names[6], "ads1013 at 0x4a on bus 1");
    assert_eq!(names[8], "mcp3208 at select 1 of SPI bus 0");
    assert_eq!(names[9], "voltage0 of the kernel's device ads1015 (simulated)");
}

#[test]
fn power_monitors_are_told_from_one_another() {
    type Make = fn(u8) -> Chip;
    let kinds: [Make; 3] = [
        |address| Chip::Ina219 { bus: 1, address, shunt_ohm: None },
        |address| Chip::Ina226 { bus: 1, address, shunt_ohm: None },
        |address| Chip::Ina228 { bus: 1, address, shunt_ohm: None },
    ];
    for (i, there) in kinds.iter().enumerate() {
        for (j, expected) in kinds.iter().enumerate() {
            let at = |make: &Make| build(vec![point("x", Quantity::Volts, make(0x40), false)]);
            let bench = Rc::new(RefCell::new(Bench { values: vec![5.0], now: 0 }));
            let bus = SimBus::new(&at(there), 1, Rc::clone(&bench), 1, &[]);
            let mut c = Converters::new(&at(expected), vec![(1, bus)], SimDelay(bench));
            assert_eq!(c.identify(0).is_ok(), i == j, "{i} {j}");
        }
    }
}

#[test]
fn nominal_parts_of_every_kind_read_true() {
    let b = others();
    let (_, mut c) = other_rig(&b, 3, &[], false);
    for (p, v) in OTHERS.into_iter().enumerate() {
        let u = point_uncertainty(&b, &b.sense[p]);
        let got = mean_of(&mut c, p, 400);
        // a twelfth of a step is left of rounding where noise is small against a step
        assert!((got - v).abs() < 0.2 * u.lsb + 1e-5, "{}: {got} for {v}, a step is {}", b.sense[p].name, u.lsb);
    }
}

#[test]
fn real_parts_of_every_kind_read_within_the_stated_uncertainty() {
    let b = others();
    let (mut beyond, mut spread) = (0, [0.0_f64; OTHERS.len()]);
    for seed in 0..60 {
        let (_, mut c) = other_rig(&b, seed, &[], true);
        for (p, v) in OTHERS.into_iter().enumerate() {
            let u = point_uncertainty(&b, &b.sense[p]);
            let standard = (u.gain_rel * v).hypot(u.offset);
            let error = mean_of(&mut c, p, 16) - v;
            beyond += usize::from(error.abs() > 2.0 * standard);
            spread[p] = spread[p].max((error / standard).abs());
        }
    }
    assert!(beyond < 30, "{beyond} of 600");
    assert!(spread.iter().all(|&s| s > 0.3), "a part has no tolerance: {spread:?}");
}

#[test]
fn ends_of_every_range_are_reasons_not_values() {
    let (bench, mut c) = other_rig(&others(), 1, &[], true);
    bench.borrow_mut().values = vec![20.0, 40.0, 90.0, -90.0, 9.0, -9.0, 4.5, 9.0, -0.1, 9.0];
    let (high, low) = (Err(NoReading::SaturatedHigh), Err(NoReading::SaturatedLow));
    let expected = [high, high, high, low, high, low, high, high, low, high];
    for (p, expected) in expected.into_iter().enumerate() {
        assert_eq!(c.read(p), expected, "{p}");
    }
}

#[test]
fn a_reading_of_every_kind_takes_its_time() {
    let b = others();
    let (bench, mut c) = other_rig(&b, 1, &[], true);
    for p in 0..b.sense.len() {
        let before = bench.borrow().now;
        c.read(p).unwrap();
        let took = (bench.borrow().now - before) as f64;
        let stated = c.read_time(p).as_nanos() as f64;
        assert!(took <= 1.25 * stated, "{p}: {took} {stated}");
    }
}

#[test]
fn silence_of_every_kind_is_seen() {
    let b = others();
    for sense in 0..b.sense.len() {
        let fault = [TimedFault { fault: Fault::ConverterSilent { sense }, at_s: 1.0, for_s: None }];
        let (bench, mut c) = other_rig(&b, 1, &fault, true);
        assert!(c.read(sense).is_ok(), "{sense}");
        bench.borrow_mut().now = 2_000_000_000;
        assert_eq!(c.read(sense), Err(NoReading::NoAnswer), "{sense}");
        assert_eq!(c.identify(sense), Err(NoReading::NoAnswer), "{sense}");
    }
}

type SimConverters = Converters<SimBus<Bench>, SimDelay<Bench>>;

fn rig(build: &Build, seed: u64, faults: &[TimedFault], tolerances: bool) -> (Rc<RefCell<Bench>>, SimConverters) {
    let bench = Rc::new(RefCell::new(Bench { values: vec![5.0, 4.9, 5.1, 10.0], now: 0 }));
    let bus = SimBus::with_tolerances(build, 1, Rc::clone(&bench), seed, faults, tolerances);
    let converters = Converters::new(build, vec![(1, bus)], SimDelay(Rc::clone(&bench)));
    (bench, converters)
}

fn average(c: &mut SimConverters, point: usize, n: usize) -> f64 {
    let xs: Vec<f64> = (0..n).map(|_| c.read(point).unwrap()).collect();
    stats::mean(&xs).unwrap()
}

#[test]
fn chips_are_identified_and_strangers_refused() {
    let b = demo();
    let (_, mut c) = rig(&b, 1, &[], true);
    assert_eq!(c.identify(0).unwrap(), "ads1115 at 0x48 on bus 1");
    assert_eq!(c.identify(3).unwrap(), "ina226 at 0x40 on bus 1");
    assert_eq!(c.identify(4), Err(NoReading::NotPresent));
    // The simulated bus carries one kind, the driver expects the other.
    let at = |chip| build(vec![point("x", Quantity::Volts, chip, false)]);
    let ina_48 = at(Chip::Ina226 { bus: 1, address: 0x48, shunt_ohm: None });
    let ads_48 = at(ads(0, 4.096));
    for (there, expected) in [(&ina_48, &ads_48), (&ads_48, &ina_48)] {
        let bench = Rc::new(RefCell::new(Bench { values: vec![3.0], now: 0 }));
        let bus = SimBus::new(there, 1, Rc::clone(&bench), 1, &[]);
        let mut c = Converters::new(expected, vec![(1, bus)], SimDelay(bench));
        assert_eq!(c.identify(0), Err(NoReading::WrongChip));
    }
}

#[test]
fn nominal_parts_read_true() {
    let (_, mut c) = rig(&demo(), 3, &[], false);
    for (p, v, within) in [(0, 5.0, 100e-6), (1, 4.9, 100e-6), (2, 5.1, 300e-6), (3, 10.0, 300e-6)] {
        let got = average(&mut c, p, 400);
        assert!((got - v).abs() < within, "{p}: {got}");
    }
}

#[test]
fn real_parts_read_within_the_stated_uncertainty() {
    let b = demo();
    let truth = [5.0, 4.9, 5.1, 10.0];
    let (mut beyond, mut spread) = (0, 0.0_f64);
    for seed in 0..100 {
        let (_, mut c) = rig(&b, seed, &[], true);
        for (p, v) in truth.into_iter().enumerate() {
            let u = point_uncertainty(&b, &b.sense[p]);
            let standard = (u.gain_rel * v).hypot(u.offset);
            let error = average(&mut c, p, 16) - v;
            beyond += usize::from(error.abs() > 2.0 * standard);
            spread = spread.max((error / standard).abs());
        }
    }
    assert!(beyond < 20, "{beyond} of 400");
    assert!(spread > 0.3, "the parts have no tolerance: {spread}");
}

#[test]
fn noise_is_one_step_and_repeats_with_the_seed() {
    let b = demo();
    let xs = |seed| {
        let (_, mut c) = rig(&b, seed, &[], true);
        (0..2000).map(|_| c.read(0).unwrap()).collect::<Vec<_>>()
    };
    // 1 LSB rms of noise and the quantisation's 1/√12 LSB; an LSB is 250 µV behind the divider.
    let s = stats::sd(&xs(5)).unwrap() / 250e-6;
    assert!((0.95..1.15).contains(&s), "{s}");
    assert_eq!(xs(5), xs(5));
    assert_ne!(xs(5), xs(6));
}

#[test]
fn ends_of_the_range_are_reasons_not_values() {
    let (bench, mut c) = rig(&demo(), 1, &[], true);
    bench.borrow_mut().values = vec![9.0, -9.0, 45.0, -50.0];
    assert_eq!(c.read(0), Err(NoReading::SaturatedHigh));
    assert_eq!(c.read(1), Err(NoReading::SaturatedLow));
    assert_eq!(c.read(2), Err(NoReading::SaturatedHigh));
    assert_eq!(c.read(3), Err(NoReading::SaturatedLow));
}

#[test]
fn a_reading_takes_its_time() {
    let b = demo();
    let (bench, mut c) = rig(&b, 1, &[], true);
    for p in 0..4 {
        let before = bench.borrow().now;
        c.read(p).unwrap();
        let took = (bench.borrow().now - before) as f64;
        let stated = c.read_time(p).as_nanos() as f64;
        assert!((took / stated - 1.0).abs() < 0.05, "{p}: {took} {stated}");
    }
}

#[test]
fn registers_after_reset() {
    let bench = Rc::new(RefCell::new(Bench { values: vec![1.0; 4], now: 0 }));
    let mut bus = SimBus::new(&demo(), 1, Rc::clone(&bench), 1, &[]);
    let mut word = |address, register| {
        let mut bytes = [0; 2];
        bus.write_read(address, &[register], &mut bytes).unwrap();
        u16::from_be_bytes(bytes)
    };
    // JAJS373D: configuration 8583h; thresholds 8000h and 7FFFh from memory.
    assert_eq!([0, 1, 2, 3].map(|r| word(0x48, r)), [0, 0x8583, 0x8000, 0x7fff]);
    // SBOS547B table 7-1.
    assert_eq!([0, 1, 2, 3, 4, 5, 6, 7].map(|r| word(0x40, r)), [0x4127, 0, 0, 0, 0, 0, 0, 0]);
    assert_eq!([0xfe, 0xff].map(|r| word(0x40, r)), [0x5449, 0x2260]);
    assert!(bus.write(0x49, &[0]).is_err());
}

#[test]
fn os_bit_is_low_while_converting() {
    let bench = Rc::new(RefCell::new(Bench { values: vec![5.0; 4], now: 0 }));
    let mut bus = SimBus::new(&demo(), 1, Rc::clone(&bench), 1, &[]);
    bus.write(0x48, &[1, 0xc3, 0xe3]).unwrap();
    let mut b = [0; 2];
    bus.write_read(0x48, &[1], &mut b).unwrap();
    assert_eq!(b, [0x43, 0xe3]);
    SimDelay(Rc::clone(&bench)).delay_us(1300);
    bus.write_read(0x48, &[1], &mut b).unwrap();
    assert_eq!(b, [0xc3, 0xe3]);
}

#[test]
fn converter_faults_come_and_go() {
    let b = demo();
    let timed = |fault| [TimedFault { fault, at_s: 1.0, for_s: Some(1.0) }];
    let at = |bench: &Rc<RefCell<Bench>>, s: f64| bench.borrow_mut().now = (s * 1e9) as u64;

    let (bench, mut c) = rig(&b, 1, &timed(Fault::ConverterSilent { sense: 0 }), true);
    assert!(c.read(0).is_ok());
    at(&bench, 1.1);
    // Both inputs are on the same chip; the other chip answers.
    assert_eq!((c.read(0), c.read(1)), (Err(NoReading::NoAnswer), Err(NoReading::NoAnswer)));
    assert!(c.read(2).is_ok());
    at(&bench, 2.1);
    assert!(c.read(0).is_ok());

    let (bench, mut c) = rig(&b, 1, &timed(Fault::ConverterStuck { sense: 0 }), true);
    let last = c.read(0).unwrap();
    at(&bench, 1.1);
    bench.borrow_mut().values[0] = 4.5;
    assert_eq!((c.read(0), c.read(0)), (Ok(last), Ok(last)));
    at(&bench, 2.1);
    assert!((c.read(0).unwrap() - 4.5).abs() < 0.02);

    for (fault, expected) in
        [(Fault::ConverterOffset { sense: 0, millivolt: -80.0 }, 4.92), (Fault::DividerOff { sense: 0, percent: 3.0 }, 5.15)]
    {
        let (bench, mut c) = rig(&b, 1, &timed(fault), false);
        assert!((average(&mut c, 0, 100) - 5.0).abs() < 2e-4);
        at(&bench, 1.1);
        assert!((average(&mut c, 0, 100) - expected).abs() < 2e-4);
        at(&bench, 2.1);
        assert!((average(&mut c, 0, 100) - 5.0).abs() < 2e-4);
    }
}

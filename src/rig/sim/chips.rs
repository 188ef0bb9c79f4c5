//! Converter chips at register level, on simulated I²C buses.
//!
//! Noise: 0.6 codes rms for the ADS111x at 860 samples a second, 0.5 steps for the INA226 (assumed, no source). Gain and
//! offset errors are drawn once per chip within a third of the data sheets' limits.

use super::scenario::{Scenario, TimedFault};
use crate::build::{Build, Chip, Quantity, SensePoint};
use crate::fault::Fault;
use crate::meter::{ads1115, ina226, loaded_ratio_of};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::{ErrorKind, ErrorType, I2c, NoAcknowledgeSource, Operation, SevenBitAddress};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use std::cell::RefCell;
use std::rc::Rc;

/// The analogue side of the sense points, and time.
pub trait Analog {
    /// True value at a sense point: volts, or amperes for an amps point.
    fn volts(&mut self, point: usize) -> f64;
    /// Time goes on.
    fn advance(&mut self, ns: u64);
    /// Virtual time.
    fn now_ns(&self) -> u64;
}

/// One byte with its acknowledge bit at 400 kHz.
const BYTE_NS: u64 = 22_500;

struct Wire {
    point: usize,
    sense: SensePoint,
    ratio: f64,
}

struct SimChip {
    address: u8,
    ads: bool,
    wires: Vec<Wire>,
    gain: f64,
    offset_codes: f64,
    slow: f64,
    pointer: u8,
    config: u16,
    ready_ns: u64,
    pending: Option<u16>,
    result: u16,
    shunt: u16,
    stuck: Vec<Option<f64>>,
}

/// A simulated I²C bus.
pub struct SimBus<A> {
    world: Rc<RefCell<A>>,
    chips: Vec<SimChip>,
    faults: Vec<TimedFault>,
    rng: StdRng,
}

/// Waiting on the simulated bus: virtual time goes on.
pub struct SimDelay<A>(Rc<RefCell<A>>);

impl<A> SimDelay<A> {
    /// Over this world.
    pub fn new(world: Rc<RefCell<A>>) -> Self {
        Self(world)
    }
}

impl<A: Analog> DelayNs for SimDelay<A> {
    fn delay_ns(&mut self, ns: u32) {
        self.0.borrow_mut().advance(u64::from(ns));
    }
}

impl<A: Analog> SimBus<A> {
    /// The chips of a build on bus `number`.
    pub fn new(build: &Build, number: u8, world: Rc<RefCell<A>>, seed: u64, scenario: &Scenario) -> Self {
        let mut rng = StdRng::seed_from_u64(seed ^ 0x0c0d_e5e7 ^ u64::from(number) << 40);
        let mut chips: Vec<SimChip> = Vec::new();
        for (point, sense) in build.sense.iter().enumerate() {
            let (bus, address) = sense.chip.place();
            if bus != number {
                continue;
            }
            let spread = |rng: &mut StdRng, limit: f64| if scenario.tolerances { rng.random_range(-limit..limit) } else { 0.0 };
            let ratio = sense.divider.map_or(1.0, |d| {
                let tolerance = d.tolerance_pct / 100.0;
                let top = d.top.value() * (1.0 + spread(&mut rng, tolerance.max(1e-12)));
                let bottom = d.bottom.value() * (1.0 + spread(&mut rng, tolerance.max(1e-12)));
                loaded_ratio_of(sense, top, bottom)
            });
            let at = chips.iter().position(|c| c.address == address).unwrap_or_else(|| {
                chips.push(SimChip {
                    address,
                    ads: matches!(sense.chip, Chip::Ads1115 { .. }),
                    wires: Vec::new(),
                    gain: 1.0 + spread(&mut rng, 0.0005),
                    offset_codes: spread(&mut rng, 1.0),
                    slow: 1.0 + spread(&mut rng, 0.09),
                    pointer: 0,
                    config: if matches!(sense.chip, Chip::Ads1115 { .. }) { 0x8583 } else { 0x4127 },
                    ready_ns: 0,
                    pending: None,
                    result: 0,
                    shunt: 0,
                    stuck: vec![None; build.sense.len()],
                });
                chips.len() - 1
            });
            chips[at].wires.push(Wire { point, sense: sense.clone(), ratio });
        }
        let faults = scenario
            .faults
            .iter()
            .filter(|f| {
                matches!(
                    f.fault,
                    Fault::ConverterSilent { .. } | Fault::ConverterStuck { .. } | Fault::ConverterOffset { .. } | Fault::DividerOff { .. }
                )
            })
            .cloned()
            .collect();
        Self { world, chips, faults, rng }
    }

    fn active(&self, now_ns: u64) -> impl Iterator<Item = &Fault> {
        let now_s = now_ns as f64 * 1e-9;
        self.faults.iter().filter(move |f| now_s >= f.at_s && f.for_s.is_none_or(|d| now_s < f.at_s + d)).map(|f| &f.fault)
    }

    /// A chip is silent where a point on it is said to be.
    fn silent(&self, chip: usize, now_ns: u64) -> bool {
        self.active(now_ns)
            .any(|f| matches!(f, Fault::ConverterSilent { sense } if self.chips[chip].wires.iter().any(|w| w.point == *sense)))
    }

    /// Volts at the chip's pin (or amperes), with the faults of its point.
    fn input(&mut self, chip: usize, wire: usize, now_ns: u64) -> f64 {
        let (point, ratio) = (self.chips[chip].wires[wire].point, self.chips[chip].wires[wire].ratio);
        let mut value = self.world.borrow_mut().volts(point);
        let mut stuck = false;
        for fault in self.active(now_ns) {
            match *fault {
                Fault::ConverterOffset { sense, millivolt } if sense == point => value += millivolt * 1e-3,
                Fault::DividerOff { sense, percent } if sense == point => value *= 1.0 + percent / 100.0,
                Fault::ConverterStuck { sense } if sense == point => stuck = true,
                _ => {}
            }
        }
        let kept = &mut self.chips[chip].stuck[point];
        if stuck {
            value = *kept.get_or_insert(value);
        } else {
            *kept = None;
        }
        value / ratio
    }

    fn noise(&mut self, chip: usize, wire: usize, rms: f64) -> f64 {
        let draw: f64 = StandardNormal.sample(&mut self.rng);
        let point = self.chips[chip].wires[wire].point;
        if self.chips[chip].stuck[point].is_some() { 0.0 } else { draw * rms }
    }

    fn start_ads(&mut self, chip: usize, config: u16, now_ns: u64) {
        let c = &mut self.chips[chip];
        c.config = config;
        if config & 0x8000 == 0 {
            return;
        }
        let (mux, gain) = (config >> 12 & 7, usize::from(config >> 9 & 7).min(5));
        let range = ads1115::RANGES[gain];
        c.ready_ns = now_ns + (f64::from(ads1115::CONVERSION_US) * 1000.0 * c.slow) as u64;
        let wire =
            c.wires.iter().position(|w| matches!(w.sense.chip, Chip::Ads1115 { channel, .. } if mux >= 4 && u16::from(channel) == mux - 4));
        let volts = wire.map_or(0.0, |w| self.input(chip, w, now_ns));
        let noise = wire.map_or(0.0, |w| self.noise(chip, w, 0.6));
        let c = &mut self.chips[chip];
        let code = volts * c.gain / range * 32768.0 + c.offset_codes + noise;
        c.pending = Some((code.round().clamp(-32768.0, 32767.0) as i16) as u16);
    }

    fn start_ina(&mut self, chip: usize, config: u16, now_ns: u64) {
        self.chips[chip].config = config;
        self.chips[chip].ready_ns = now_ns + (f64::from(ina226::CONVERSION_US) * 1000.0 * self.chips[chip].slow) as u64;
        for wire in 0..self.chips[chip].wires.len() {
            let value = self.input(chip, wire, now_ns);
            let noise = self.noise(chip, wire, 0.5);
            let c = &mut self.chips[chip];
            let gain = c.gain;
            match c.wires[wire].sense.chip {
                Chip::Ina226 { shunt_ohm: Some(ohm), .. } if c.wires[wire].sense.quantity == Quantity::Amps => {
                    c.shunt = ((value * ohm * gain / 2.5e-6 + noise).round().clamp(-32768.0, 32767.0) as i16) as u16;
                }
                _ => c.pending = Some((value * gain / 1.25e-3 + noise).round().clamp(0.0, 32767.0) as u16),
            }
        }
    }

    fn register(&mut self, chip: usize, now_ns: u64) -> u16 {
        let c = &mut self.chips[chip];
        let done = now_ns >= c.ready_ns;
        if done && let Some(code) = c.pending.take() {
            c.result = code;
        }
        match (c.ads, c.pointer) {
            (true, 0) => c.result,
            (true, 1) => c.config & 0x7fff | u16::from(done) << 15,
            (true, 2) => 0x8000,
            (true, _) => 0x7fff,
            (false, 0) => c.config,
            (false, 1) => c.shunt,
            (false, 2) => c.result,
            (false, 6) => u16::from(done) << 3,
            (false, 0xfe) => 0x5449,
            (false, 0xff) => 0x2260,
            (false, _) => 0,
        }
    }
}

impl<A: Analog> ErrorType for SimBus<A> {
    type Error = ErrorKind;
}

impl<A: Analog> I2c<SevenBitAddress> for SimBus<A> {
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), ErrorKind> {
        self.world.borrow_mut().advance(BYTE_NS);
        let now = self.world.borrow().now_ns();
        let chip = self.chips.iter().position(|c| c.address == address).filter(|&c| !self.silent(c, now));
        let Some(chip) = chip else { return Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address)) };
        for operation in operations {
            match operation {
                Operation::Write(bytes) => {
                    self.world.borrow_mut().advance(BYTE_NS * bytes.len() as u64);
                    let now = self.world.borrow().now_ns();
                    if let Some(&pointer) = bytes.first() {
                        self.chips[chip].pointer = pointer;
                    }
                    if let [pointer, high, low] = **bytes {
                        let word = u16::from_be_bytes([high, low]);
                        match (self.chips[chip].ads, pointer) {
                            (true, 1) => self.start_ads(chip, word, now),
                            (false, 0) => self.start_ina(chip, word, now),
                            _ => {}
                        }
                    }
                }
                Operation::Read(bytes) => {
                    self.world.borrow_mut().advance(BYTE_NS * bytes.len() as u64);
                    let now = self.world.borrow().now_ns();
                    let value = self.register(chip, now).to_be_bytes();
                    for (i, byte) in bytes.iter_mut().enumerate() {
                        *byte = value[i % 2];
                    }
                }
            }
        }
        Ok(())
    }
}

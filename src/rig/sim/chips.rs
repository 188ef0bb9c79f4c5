//! Simulated converter chips, answering register by register at [`embedded_hal::i2c::I2c`].
//!
//! Assumed of a part drawn from the seed (standard deviations, from data-sheet typical values as
//! remembered, limits at three of them): ADS1115 gain 0.01 %, offset 1 LSB, clock 3 %, noise 1 LSB rms (at
//! 860 SPS and ±4.096 V); INA226 gain 0.02 %, bus offset 1.25 mV, shunt offset 2.5 µV, clock 2 %, noise
//! half a step. Those of the other chips stand beside their models. A conversion samples its input when it starts: the supply moves little in a millisecond.

mod monitor;
mod spi;

use super::scenario::TimedFault;
use crate::build::{AdsPart, Build, Chip, Quantity, SensePoint};
use crate::fault::Fault;
use crate::meter::iio::Files;
use crate::meter::{SHUNT_TOLERANCE_PCT, ads1115, ina226, input_ohm};
use crate::units::{NoReading, Reading};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::{ErrorKind, ErrorType, I2c, NoAcknowledgeSource, Operation};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use std::cell::RefCell;
use std::rc::Rc;

pub use spi::SimSpi;

/// Nanoseconds of a byte with its acknowledge at 400 kHz.
const BYTE_NS: u64 = 22_500;
/// Nanoseconds of a start or stop condition (about one bit).
const CONDITION_NS: u64 = 2_500;
/// Nanoseconds that a file of the kernel takes (assumed, no source).
const FILE_NS: u64 = 1_000_000;

/// What the chips are connected to, and its time.
pub trait Analog {
    /// True value at a sense point now: volts, or amperes where the point measures amperes.
    fn volts(&mut self, channel_place: usize) -> f64;
    /// Lets time pass.
    fn advance(&mut self, ns: u64);
    /// Now.
    fn now_ns(&self) -> u64;
}

/// A delay that passes virtual time.
pub struct SimDelay<A>(pub Rc<RefCell<A>>);

impl<A: Analog> DelayNs for SimDelay<A> {
    fn delay_ns(&mut self, ns: u32) {
        self.0.borrow_mut().advance(u64::from(ns));
    }
    fn delay_us(&mut self, us: u32) {
        self.0.borrow_mut().advance(u64::from(us) * 1_000);
    }
    fn delay_ms(&mut self, ms: u32) {
        self.0.borrow_mut().advance(u64::from(ms) * 1_000_000);
    }
}

/// A chip or an address did not acknowledge.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SimI2cError(NoAcknowledgeSource);

impl embedded_hal::i2c::Error for SimI2cError {
    fn kind(&self) -> ErrorKind {
        ErrorKind::NoAcknowledge(self.0)
    }
}

/// One input of a chip with what is before it.
struct Front {
    point: usize,
    /// Volts at the chip's input per unit at the sense point, true parts.
    ratio: f64,
    /// Last code, which a stuck converter repeats.
    last: Option<i32>,
}

enum Model {
    Ads {
        part: AdsPart,
        fronts: [Option<Front>; 4],
    },
    /// INA219 or INA228.
    Monitor(monitor::Monitor),
    Ina226 {
        bus: Option<Front>,
        shunt: Option<Front>,
        ready: bool,
        bus_code: u16,
        shunt_code: u16,
    },
}

struct SimChip {
    address: u8,
    model: Model,
    pointer: u8,
    config: u16,
    /// ADS1115: conversion, Lo_thresh, Hi_thresh. INA226: calibration, mask/enable, alert limit.
    registers: [u16; 3],
    /// End of the running conversion.
    done_ns: Option<u64>,
    /// Code that it will deliver.
    pending: i32,
    gain: f64,
    offset: [f64; 2],
    clock: f64,
    rng: StdRng,
}

/// One I²C bus with the chips that the build puts on it.
pub struct SimBus<A> {
    chips: Vec<SimChip>,
    faults: Vec<TimedFault>,
    analog: Rc<RefCell<A>>,
}

impl<A: Analog> SimBus<A> {
    /// The chips of bus `number`, parts drawn from `seed` with tolerances on.
    pub fn new(build: &Build, number: u8, analog: Rc<RefCell<A>>, seed: u64, faults: &[TimedFault]) -> Self {
        Self::with_tolerances(build, number, analog, seed, faults, true)
    }

    /// As [`Self::new`]; without tolerances all parts are nominal, and only noise and steps remain.
    pub fn with_tolerances(build: &Build, number: u8, analog: Rc<RefCell<A>>, seed: u64, faults: &[TimedFault], tolerances: bool) -> Self {
        let mut chips: Vec<SimChip> = Vec::new();
        for (point, sense) in build.sense.iter().enumerate() {
            let Some((_, address)) = sense.chip.place().filter(|(bus, _)| *bus == number) else { continue };
            let at = chips.iter().position(|c| c.address == address).or_else(|| {
                chips.push(SimChip::new(&sense.chip, address, seed ^ (u64::from(number) << 8 | u64::from(address)), tolerances)?);
                Some(chips.len() - 1)
            });
            let Some(chip) = at.map(|at| &mut chips[at]) else { continue };
            let amps = sense.quantity == Quantity::Amps;
            let front = Some(Front::new(sense, point, seed, tolerances));
            match (&mut chip.model, &sense.chip) {
                (Model::Ads { fronts, .. }, Chip::Ads1115 { channel, .. }) => fronts[usize::from(*channel) & 3] = front,
                (Model::Monitor(m), Chip::Ina219 { .. } | Chip::Ina228 { .. }) if m.is(&sense.chip) => m.put(front, amps),
                (Model::Ina226 { bus, shunt, .. }, Chip::Ina226 { .. }) => *(if amps { shunt } else { bus }) = front,
                // Two kinds at one address: the first one is there, and identification tells.
                _ => {}
            }
        }
        Self { chips, faults: of_converters(faults), analog }
    }
}

fn of_converters(faults: &[TimedFault]) -> Vec<TimedFault> {
    let theirs = |f: &&TimedFault| {
        matches!(
            f.fault,
            Fault::ConverterSilent { .. } | Fault::ConverterStuck { .. } | Fault::ConverterOffset { .. } | Fault::DividerOff { .. }
        )
    };
    faults.iter().filter(theirs).cloned().collect()
}

impl Front {
    /// The parts before the chip's input, drawn around what the build says.
    fn new(sense: &SensePoint, point: usize, seed: u64, tolerances: bool) -> Self {
        // Its own stream, so that a part does not change when another point is added.
        let mut parts = StdRng::seed_from_u64(seed.wrapping_add(0x9e37_79b9_7f4a_7c15_u64.wrapping_mul(point as u64 + 1)));
        let mut part = |percent: f64| if tolerances { 1.0 + percent / 100.0 * parts.random_range(-1.0..=1.0) } else { 1.0 };
        let ratio = match (&sense.chip, sense.quantity == Quantity::Amps, sense.divider) {
            (Chip::Ina219 { shunt_ohm, .. } | Chip::Ina226 { shunt_ohm, .. } | Chip::Ina228 { shunt_ohm, .. }, true, _) => {
                shunt_ohm.unwrap_or(0.0) * part(SHUNT_TOLERANCE_PCT)
            }
            (_, _, Some(d)) => {
                let top = d.top.value() * part(d.tolerance_pct);
                let bottom = d.bottom.value() * part(d.tolerance_pct);
                // Input resistance within 15 % of typical: assumed.
                let input = input_ohm(&sense.chip) * part(15.0);
                let loaded = bottom * input / (bottom + input);
                loaded / (top + loaded)
            }
            _ => 1.0,
        };
        Self { point, ratio, last: None }
    }
}

/// The kernel's files of converters that its own drivers read. Assumed of a part (no source): gain with a third of the build's accuracy as its
/// standard deviation, an offset of one step, noise of half a step; a file gives its value after 1 ms.
pub struct SimFiles<A> {
    analog: Rc<RefCell<A>>,
    faults: Vec<TimedFault>,
    /// By sense point.
    channels: Vec<Option<FileChannel>>,
}

struct FileChannel {
    front: Front,
    step: f64,
    gain: f64,
    offset: f64,
    rng: StdRng,
}

impl<A: Analog> SimFiles<A> {
    /// Those that the build names; without `tolerances` all parts are nominal, and only noise and steps remain.
    pub fn new(build: &Build, analog: Rc<RefCell<A>>, seed: u64, faults: &[TimedFault], tolerances: bool) -> Self {
        let channels = build.sense.iter().enumerate().map(|(point, sense)| {
            let Chip::Iio { step, accuracy_pct, .. } = sense.chip else { return None };
            let mut rng = StdRng::seed_from_u64(seed ^ (0x1_0000 + point as u64));
            let mut draw = |sigma: f64| {
                let z: f64 = rng.sample(StandardNormal);
                if tolerances { sigma * z.clamp(-3.0, 3.0) } else { 0.0 }
            };
            let (gain, offset) = (1.0 + draw(accuracy_pct / 300.0), draw(1.0));
            Some(FileChannel { front: Front::new(sense, point, seed, tolerances), step, gain, offset, rng })
        });
        Self { channels: channels.collect(), analog, faults: of_converters(faults) }
    }
}

impl<A: Analog> Files for SimFiles<A> {
    fn identify(&mut self, point: usize, chip: &Chip) -> Reading<String> {
        self.read(point, chip)?;
        Ok("simulated".to_owned())
    }
    fn read(&mut self, point: usize, _: &Chip) -> Reading<f64> {
        let channel = self.channels.get_mut(point).and_then(Option::as_mut).ok_or(NoReading::NotPresent)?;
        let mut analog = self.analog.borrow_mut();
        analog.advance(FILE_NS);
        let now = analog.now_ns();
        if self.faults.iter().any(|f| matches!(f.fault, Fault::ConverterSilent { sense } if sense == point && f.active(now))) {
            return Err(NoReading::NoAnswer);
        }
        let FileChannel { front, step, gain, offset, rng } = channel;
        Ok(f64::from(convert(Some(front), &mut *analog, &self.faults, *step, *gain, *offset, 0.5, rng)) * *step)
    }
}

impl<A> ErrorType for SimBus<A> {
    type Error = SimI2cError;
}

impl<A: Analog> I2c for SimBus<A> {
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), SimI2cError> {
        let mut analog = self.analog.borrow_mut();
        // Start and address byte: they take their time whether answered or not.
        analog.advance(CONDITION_NS + BYTE_NS);
        let now = analog.now_ns();
        let Some(chip) = self.chips.iter_mut().find(|c| c.address == address) else {
            return Err(SimI2cError(NoAcknowledgeSource::Address));
        };
        let silent = |f: &TimedFault| matches!(f.fault, Fault::ConverterSilent { sense } if f.active(now) && chip.has(sense));
        if self.faults.iter().any(silent) {
            return Err(SimI2cError(NoAcknowledgeSource::Address));
        }
        for (i, operation) in operations.iter_mut().enumerate() {
            let start = if i > 0 { CONDITION_NS + BYTE_NS } else { 0 }; // repeated start
            match operation {
                Operation::Write(bytes) => {
                    analog.advance(start + BYTE_NS * bytes.len() as u64);
                    if let Some((&pointer, rest)) = bytes.split_first() {
                        chip.pointer = pointer;
                        if let [high, low] = *rest {
                            chip.write(u16::from_be_bytes([high, low]), &mut *analog, &self.faults);
                        }
                    }
                }
                Operation::Read(bytes) => {
                    // The register is taken when the chip is addressed, before its bytes go out.
                    analog.advance(start);
                    let word = chip.read(&mut *analog);
                    analog.advance(BYTE_NS * bytes.len() as u64);
                    for (i, byte) in bytes.iter_mut().enumerate() {
                        *byte = word.get(i).copied().unwrap_or(0xff);
                    }
                }
            }
        }
        analog.advance(CONDITION_NS);
        Ok(())
    }
}

impl SimChip {
    fn new(chip: &Chip, address: u8, seed: u64, tolerances: bool) -> Option<Self> {
        let mut rng = StdRng::seed_from_u64(seed);
        let mut draw = |sigma: f64| {
            let z: f64 = rng.sample(StandardNormal);
            if tolerances { sigma * z.clamp(-3.0, 3.0) } else { 0.0 }
        };
        let (model, gain, offset, clock, config, registers) = match chip {
            Chip::Ads1115 { part, .. } => (
                Model::Ads { part: *part, fronts: [None, None, None, None] },
                1.0 + draw(1e-4),
                [draw(1.0), 0.0],
                1.0 + draw(0.03),
                0x0583, // JAJS373D: 8583h after reset; OS is computed on reading
                [0, 0x8000, 0x7fff],
            ),
            Chip::Ina226 { .. } => (
                Model::Ina226 { bus: None, shunt: None, ready: false, bus_code: 0, shunt_code: 0 },
                1.0 + draw(2e-4),
                [draw(1.0), draw(1.0)],
                1.0 + draw(0.02),
                0x4127, // SBOS547B table 7-1
                [0, 0, 0],
            ),
            Chip::Ina219 { .. } | Chip::Ina228 { .. } => {
                let monitor = monitor::Monitor::new(chip, &mut draw);
                (Model::Monitor(monitor), 1.0, [0.0; 2], 1.0 + draw(0.02), 0, [0; 3])
            }
            Chip::Mcp3208 { .. } | Chip::Iio { .. } => return None,
        };
        Some(Self { address, model, pointer: 0, config, registers, done_ns: None, pending: 0, gain, offset, clock, rng })
    }

    fn has(&self, sense: usize) -> bool {
        match &self.model {
            Model::Monitor(m) => m.has(sense),
            Model::Ads { fronts, .. } => fronts.iter().flatten().any(|f| f.point == sense),
            Model::Ina226 { bus, shunt, .. } => [bus, shunt].into_iter().flatten().any(|f| f.point == sense),
        }
    }

    fn write<A: Analog>(&mut self, value: u16, analog: &mut A, faults: &[TimedFault]) {
        self.finish(analog.now_ns());
        match &mut self.model {
            Model::Monitor(m) => {
                if let Some(ns) = m.write(self.pointer, value, analog, faults, &mut self.rng) {
                    self.done_ns = (ns > 0).then(|| analog.now_ns() + (ns as f64 * self.clock) as u64);
                }
            }
            Model::Ads { part, fronts } => match self.pointer & 3 {
                1 => {
                    // bits without a function stay at zero (assumed)
                    self.config = value & ads1115::Input { part: *part, channel: 0, range_v: 2.048 }.kept();
                    // Single-shot only: the driver uses nothing else. A write while converting is ignored.
                    if value & 0x8000 != 0 && self.done_ns.is_none() {
                        let range = if part.has_ranges() { ads1115::range_of(value >> 9) } else { 2.048 };
                        let mux = value >> 12 & 7;
                        let front = match mux {
                            // input 1, the other end of this pair, is at ground
                            _ if !part.selects() => fronts[0].as_mut(),
                            4.. => fronts[usize::from(mux - 4)].as_mut(),
                            _ => None,
                        };
                        // The noise in volts is that of 1 LSB at ±4.096 V, and grows with smaller ranges in steps.
                        let bits = part.bits();
                        let step = range / f64::from(1_u32 << (bits - 1));
                        // of a 12-bit part most is below its step
                        let noise = if bits == 16 { (125e-6 / step).clamp(1.0, 4.0) } else { 0.3 };
                        let end = 1_i32 << (bits - 1);
                        let code =
                            convert(front, analog, faults, step, self.gain, self.offset[0], noise, &mut self.rng).clamp(-end, end - 1);
                        self.pending = code << (16 - bits);
                        let nominal = 1e9 / f64::from(ads1115::sps(*part, value >> 5));
                        self.done_ns = Some(analog.now_ns() + 25_000 + (nominal * self.clock) as u64);
                    }
                }
                2 => self.registers[1] = value,
                3 => self.registers[2] = value,
                _ => {} // the conversion register is read-only
            },
            Model::Ina226 { bus, shunt, ready, bus_code, shunt_code } => match self.pointer {
                0 if value & 0x8000 != 0 => {
                    self.config = 0x4127;
                    self.registers = [0; 3];
                    (*ready, *bus_code, *shunt_code) = (false, 0, 0);
                    self.done_ns = None;
                }
                0 => {
                    self.config = value;
                    *ready = false; // writing the configuration clears conversion-ready
                    let average = ina226::AVERAGES[usize::from(value >> 9 & 7)];
                    let noise = 0.5 / f64::from(average).sqrt();
                    let mut time_us = 0;
                    // Triggered modes only: 1 shunt, 2 bus, 3 both. The driver uses nothing else.
                    let mode = value & 7;
                    if mode & 1 != 0 {
                        let code = convert(shunt.as_mut(), analog, faults, 2.5e-6, self.gain, self.offset[1], noise, &mut self.rng);
                        *shunt_code = code.clamp(-32768, 32767) as i16 as u16;
                        time_us += ina226::TIMES_US[usize::from(value >> 3 & 7)];
                    }
                    if mode & 2 != 0 {
                        let code = convert(bus.as_mut(), analog, faults, 1.25e-3, self.gain, self.offset[0], noise, &mut self.rng);
                        *bus_code = code.clamp(0, 32767) as u16;
                        time_us += ina226::TIMES_US[usize::from(value >> 6 & 7)];
                    }
                    let ns = f64::from(time_us) * f64::from(average) * 1e3 * self.clock;
                    self.done_ns = (time_us > 0).then(|| analog.now_ns() + ns as u64);
                }
                5..=7 => self.registers[usize::from(self.pointer - 5)] = value,
                _ => {}
            },
        }
    }

    /// Ends a conversion whose time has passed.
    fn finish(&mut self, now: u64) {
        if self.done_ns.is_some_and(|done| now >= done) {
            self.done_ns = None;
            match &mut self.model {
                Model::Monitor(m) => m.finish(),
                Model::Ads { .. } => self.registers[0] = self.pending as i16 as u16,
                Model::Ina226 { ready, .. } => *ready = true,
            }
        }
    }

    fn read<A: Analog>(&mut self, analog: &mut A) -> [u8; 3] {
        self.finish(analog.now_ns());
        let busy = self.done_ns.is_some();
        let word = match &mut self.model {
            Model::Monitor(m) => return m.read(self.pointer),
            Model::Ads { .. } => match self.pointer & 3 {
                0 => self.registers[0],
                1 => self.config | if busy { 0 } else { 0x8000 },
                n => self.registers[usize::from(n) - 1],
            },
            Model::Ina226 { ready, bus_code, shunt_code, .. } => match self.pointer {
                0 => self.config,
                1 => *shunt_code,
                2 => *bus_code,
                6 => {
                    let flags = self.registers[1] & !8 | u16::from(*ready) << 3;
                    *ready = false; // reading clears it
                    flags
                }
                5 | 7 => self.registers[usize::from(self.pointer - 5)],
                0xfe => 0x5449,
                0xff => 0x2260,
                _ => 0, // current and power stay zero without calibration
            },
        };
        let [high, low] = word.to_be_bytes();
        [high, low, 0xff]
    }
}

/// One conversion in steps of `step` volts; an input with nothing on it reads its offset and noise.
#[expect(clippy::too_many_arguments, reason = "the parts of one formula")]
fn convert<A: Analog>(
    front: Option<&mut Front>,
    analog: &mut A,
    faults: &[TimedFault],
    step: f64,
    gain: f64,
    offset: f64,
    noise: f64,
    rng: &mut StdRng,
) -> i32 {
    let z: f64 = rng.sample(StandardNormal);
    let Some(front) = front else { return (offset + noise * z).round() as i32 };
    let now = analog.now_ns();
    let (mut factor, mut added, mut stuck) = (1.0, 0.0, false);
    for f in faults.iter().filter(|f| f.active(now)) {
        match f.fault {
            Fault::ConverterStuck { sense } if sense == front.point => stuck = true,
            Fault::ConverterOffset { sense, millivolt } if sense == front.point => added += millivolt / 1000.0,
            Fault::DividerOff { sense, percent } if sense == front.point => factor *= 1.0 + percent / 100.0,
            _ => {}
        }
    }
    if let (true, Some(last)) = (stuck, front.last) {
        return last;
    }
    let input = (analog.volts(front.point) * factor + added) * front.ratio;
    let code = (input * gain / step + offset + noise * z).round() as i32; // `as` saturates
    front.last = Some(code);
    code
}

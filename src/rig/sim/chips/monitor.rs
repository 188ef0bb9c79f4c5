//! Simulated power monitors INA219 and INA228, register by register; triggered modes only: the drivers use nothing else.
//!
//! Assumed of a part (no source; a third of the data sheets' limits as remembered, as standard deviation): INA219 gain 0.15 %, bus offset half a
//! step, shunt offset 60 µV, noise 0.3 of a step; INA228 gain 0.015 %, bus offset 0.8 mV, shunt offset 0.3 µV, noise 4 steps.

use super::super::scenario::TimedFault;
use super::{Analog, Front, convert};
use crate::build::Chip;
use crate::meter::{ina219, ina228};
use rand::rngs::StdRng;

#[derive(Clone, Copy, PartialEq)]
enum Part {
    Ina219,
    Ina228,
}

/// One of them.
pub(super) struct Monitor {
    part: Part,
    bus: Option<Front>,
    shunt: Option<Front>,
    /// Configuration; of the INA228 that of its converter.
    config: u16,
    /// INA219: calibration. INA228: CONFIG.
    other: u16,
    ready: bool,
    bus_code: i32,
    shunt_code: i32,
    gain: f64,
    offset: [f64; 2],
}

/// Conversion times of the INA228's fields, microseconds (SLYS021, ADC_CONFIG register).
const TIMES_US: [u64; 8] = [50, 84, 150, 280, 540, 1052, 2074, 4120];

impl Monitor {
    pub fn new(chip: &Chip, draw: &mut impl FnMut(f64) -> f64) -> Self {
        let part = if matches!(chip, Chip::Ina219 { .. }) { Part::Ina219 } else { Part::Ina228 };
        let (gain, offset) = match part {
            Part::Ina219 => (1.5e-3, [0.5, 6.0]),
            Part::Ina228 => (1.5e-4, [4.0, 1.0]),
        };
        let config = Self::reset(part);
        let (gain, offset) = (1.0 + draw(gain), offset.map(&mut *draw));
        Self { part, bus: None, shunt: None, config, other: 0, ready: false, bus_code: 0, shunt_code: 0, gain, offset }
    }

    /// Configuration after reset (SBOS448: 399Fh; SLYS021: FB68h).
    fn reset(part: Part) -> u16 {
        if part == Part::Ina219 { 0x399f } else { 0xfb68 }
    }

    pub fn is(&self, chip: &Chip) -> bool {
        (self.part == Part::Ina219) == matches!(chip, Chip::Ina219 { .. })
    }
    pub fn put(&mut self, front: Option<Front>, amps: bool) {
        *(if amps { &mut self.shunt } else { &mut self.bus }) = front;
    }
    pub fn has(&self, sense: usize) -> bool {
        [&self.bus, &self.shunt].into_iter().flatten().any(|f| f.point == sense)
    }
    pub fn finish(&mut self) {
        self.ready = true;
    }

    /// A write; nominal nanoseconds of the conversion that it starts (0 ends a running one), `None` where it touches none.
    pub fn write<A: Analog>(&mut self, pointer: u8, value: u16, analog: &mut A, faults: &[TimedFault], rng: &mut StdRng) -> Option<u64> {
        match (self.part, pointer) {
            (Part::Ina219, 0) | (Part::Ina228, 1) => {}
            (Part::Ina219, 5) => {
                self.other = value & 0xfffe;
                return None;
            }
            (Part::Ina228, 0) => {
                self.other = value & 0x7fff;
                return None;
            }
            _ => return None,
        }
        self.ready = false;
        if self.part == Part::Ina219 && value & 0x8000 != 0 {
            (self.config, self.other) = (Self::reset(self.part), 0);
            return Some(0);
        }
        self.config = value;
        let (bus, shunt, times) = match self.part {
            // mode 1 shunt, 2 bus, 3 both; 12 bits
            Part::Ina219 => (value & 2 != 0, value & 1 != 0, [532, 532]),
            // mode 1 bus, 2 shunt, 3 both
            Part::Ina228 => {
                let time = |shift: u16| TIMES_US[usize::from(value >> shift & 7)];
                (value >> 12 & 1 != 0, value >> 12 & 2 != 0, [time(9), time(6)])
            }
        };
        let (steps, noise, ends) = match self.part {
            Part::Ina219 => ([ina219::BUS_STEP_V, ina219::SHUNT_STEP_V], 0.3, [(0, 4000), (-32_000, 32_000)]),
            Part::Ina228 => ([ina228::BUS_STEP_V, ina228::SHUNT_STEP_V], 4.0, [(0, 0x7_ffff), (-0x8_0000, 0x7_ffff)]),
        };
        let mut us = 0;
        let inputs = [(bus, &mut self.bus, &mut self.bus_code), (shunt, &mut self.shunt, &mut self.shunt_code)];
        for (i, (wanted, front, code)) in inputs.into_iter().enumerate() {
            if wanted {
                *code =
                    convert(front.as_mut(), analog, faults, steps[i], self.gain, self.offset[i], noise, rng).clamp(ends[i].0, ends[i].1);
                us += times[i];
            }
        }
        Some(us * 1000)
    }

    pub fn read(&mut self, pointer: u8) -> [u8; 3] {
        let word = |value: u16| [(value >> 8) as u8, value as u8, 0xff];
        let wide = |code: i32| {
            let [a, b, c, _] = (code << 12).to_be_bytes();
            [a, b, c]
        };
        match (self.part, pointer) {
            (Part::Ina219, 0) | (Part::Ina228, 1) => word(self.config),
            (Part::Ina219, 1) => word(self.shunt_code as i16 as u16),
            (Part::Ina219, 2) => word((self.bus_code as u16) << 3 | u16::from(self.ready) << 1),
            (Part::Ina219, 5) | (Part::Ina228, 0) => word(self.other),
            (Part::Ina228, 4) => wide(self.shunt_code),
            (Part::Ina228, 5) => wide(self.bus_code),
            // bit 0: its memory is sound
            (Part::Ina228, 0x0b) => word(u16::from(std::mem::take(&mut self.ready)) << 1 | 1),
            (Part::Ina228, 0x3e) => word(0x5449),
            (Part::Ina228, 0x3f) => word(0x2281),
            _ => word(0),
        }
    }
}

//! Driver of the INA226 power monitor (TI SBOS547): raw shunt and bus registers, triggered mode.

use super::{read_register, write_register};
use crate::units::{NoReading, Reading};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;

const CONFIG: u8 = 0x00;
const SHUNT: u8 = 0x01;
const BUS: u8 = 0x02;
const MASK_ENABLE: u8 = 0x06;
const CONVERSION_READY: u16 = 1 << 3;

/// Resistance of the bus-voltage input, ohms (SBOS547, typical, from memory).
pub const BUS_INPUT_OHM: f64 = 830e3;
/// Averages of the AVG field (SBOS547 table 3).
pub const AVERAGES: [u32; 8] = [1, 4, 16, 64, 128, 256, 512, 1024];
/// Conversion times of the CT fields, microseconds, typical (SBOS547, from memory).
pub const TIMES_US: [u32; 8] = [140, 204, 332, 588, 1100, 2116, 4156, 8244];

/// Which input is converted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// Shunt volts.
    Shunt,
    /// Bus volts.
    Bus,
}

/// Averaging and conversion time, as register fields 0 to 7.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Setup {
    /// AVG field.
    pub average: u8,
    /// VBUSCT and VSHCT fields.
    pub time: u8,
}

impl Setup {
    /// One conversion of 1.1 ms, as after reset.
    pub const DEFAULT: Self = Self { average: 0, time: 4 };
    /// Configuration word that triggers one conversion.
    pub const fn config(self, input: Input) -> u16 {
        let mode = match input {
            Input::Shunt => 1,
            Input::Bus => 2,
        };
        let time = self.time as u16 & 7;
        0x4000 | (self.average as u16 & 7) << 9 | time << 6 | time << 3 | mode
    }
    /// Nominal conversion time with 10 % allowance, nanoseconds.
    pub const fn wait_ns(self, _input: Input) -> u32 {
        let ns = TIMES_US[(self.time & 7) as usize] as u64 * AVERAGES[(self.average & 7) as usize] as u64 * 1100;
        if ns > u32::MAX as u64 { u32::MAX } else { ns as u32 }
    }
}

/// Checks manufacturer (FEh = 5449h) and die (FFh = 2260h), SBOS547B table 7-1.
pub fn identify<I: I2c>(bus: &mut I, address: u8) -> Reading<()> {
    let right = read_register(bus, address, 0xfe)? == 0x5449 && read_register(bus, address, 0xff)? == 0x2260;
    if right { Ok(()) } else { Err(NoReading::WrongChip) }
}

/// Microvolts of a bus code, 1.25 mV a step; the field has 15 bits.
pub fn bus_uv(code: u16) -> Reading<i32> {
    if code >= 0x7fff { Err(NoReading::SaturatedHigh) } else { Ok(i32::from(code) * 1250) }
}

/// Nanovolts of a shunt code, 2.5 µV a step.
pub fn shunt_nv(code: u16) -> Reading<i32> {
    match code {
        0x7fff => Err(NoReading::SaturatedHigh),
        0x8000 => Err(NoReading::SaturatedLow),
        _ => Ok(i32::from(code as i16) * 2500),
    }
}

fn convert<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8, setup: Setup, input: Input) -> Reading<()> {
    write_register(bus, address, CONFIG, setup.config(input))?;
    let wait = setup.wait_ns(input);
    delay.delay_ns(wait);
    for _ in 0..8 {
        if read_register(bus, address, MASK_ENABLE)? & CONVERSION_READY != 0 {
            return Ok(());
        }
        delay.delay_ns(wait / 8);
    }
    Err(NoReading::TimedOut)
}

/// One triggered conversion of the bus input, microvolts.
pub fn read_bus_uv<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8, setup: Setup) -> Reading<i32> {
    convert(bus, delay, address, setup, Input::Bus)?;
    bus_uv(read_register(bus, address, BUS)?)
}

/// One triggered conversion of the shunt input, nanovolts.
pub fn read_shunt_nv<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8, setup: Setup) -> Reading<i32> {
    convert(bus, delay, address, setup, Input::Shunt)?;
    shunt_nv(read_register(bus, address, SHUNT)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_example_of_the_data_sheet() {
        // SBOS547 (June 2011) table 1: shunt 1F40h = 20 mV, bus 2570h = 11.98 V, 2 mΩ, 10 A.
        assert_eq!(shunt_nv(0x1f40), Ok(20_000_000));
        assert_eq!(bus_uv(0x2570), Ok(11_980_000));
        assert!((20e-3 / 2e-3 - f64::from(shunt_nv(0x1f40).unwrap()) * 1e-9 / 2e-3).abs() < 1e-9);
        assert_eq!(shunt_nv(0x8000), Err(NoReading::SaturatedLow));
    }

    #[test]
    fn configuration_differs_from_reset_only_in_its_mode() {
        // SBOS547B table 7-1: reset 4127h, mode 7.
        assert_eq!(Setup::DEFAULT.config(Input::Bus) | 7, 0x4127);
        assert_eq!(Setup::DEFAULT.config(Input::Shunt) & 7, 1);
        assert_eq!(Setup { average: 7, time: 7 }.config(Input::Bus), 0x4ffa);
    }
}

//! Driver of the INA219 power monitor (TI SBOS448): raw shunt and bus registers, triggered mode, 12 bits.

use super::{read_register, write_register};
use crate::units::{NoReading, Reading};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;

const CONFIG: u8 = 0x00;
const SHUNT: u8 = 0x01;
const BUS: u8 = 0x02;
const CALIBRATION: u8 = 0x05;
const CONVERSION_READY: u16 = 1 << 1;

/// Resistance of the bus-voltage input, ohms (SBOS448, typical, from memory).
pub const BUS_INPUT_OHM: f64 = 320e3;
/// Volts of a bus step (SBOS448, bus voltage register).
pub const BUS_STEP_V: f64 = 4e-3;
/// Volts of a shunt step (SBOS448, shunt voltage register).
pub const SHUNT_STEP_V: f64 = 10e-6;
/// Longest 12-bit conversion, nanoseconds: 532 µs typical, 586 µs at most (SBOS448 electrical characteristics, from memory).
pub const WAIT_NS: u32 = 586_000;
/// Bus range 16 V, shunt ±320 mV, both converters 12 bits; the mode is added (SBOS448, configuration register).
const SETUP: u16 = 3 << 11 | 3 << 7 | 3 << 3;
const SHUNT_TRIGGERED: u16 = 1;
const BUS_TRIGGERED: u16 = 2;

/// Bit 0 of the calibration register can't be set (SBOS448, calibration register): the chip has no identity register, and this tells it
/// from its successors.
pub fn identify<I: I2c>(bus: &mut I, address: u8) -> Reading<()> {
    write_register(bus, address, CALIBRATION, 0xffff)?;
    let calibration = read_register(bus, address, CALIBRATION)?;
    write_register(bus, address, CALIBRATION, 0)?;
    write_register(bus, address, CONFIG, SETUP)?;
    let right = calibration == 0xfffe && read_register(bus, address, CONFIG)? == SETUP;
    if right { Ok(()) } else { Err(NoReading::WrongChip) }
}

/// Volts of a bus register: the value in bits 15 to 3; 16 V is the end of this range.
pub fn bus_v(register: u16) -> Reading<f64> {
    let code = register >> 3;
    if code >= 4000 { Err(NoReading::SaturatedHigh) } else { Ok(f64::from(code) * BUS_STEP_V) }
}

/// Volts of a shunt register; ±320 mV are the ends of this range.
pub fn shunt_v(register: u16) -> Reading<f64> {
    match register as i16 {
        32_000.. => Err(NoReading::SaturatedHigh),
        ..=-32_000 => Err(NoReading::SaturatedLow),
        code => Ok(f64::from(code) * SHUNT_STEP_V),
    }
}

/// Starts a conversion and waits for it; the bus register, in which the ready flag is.
fn convert<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8, mode: u16) -> Reading<u16> {
    write_register(bus, address, CONFIG, SETUP | mode)?;
    delay.delay_ns(WAIT_NS);
    for _ in 0..8 {
        let register = read_register(bus, address, BUS)?;
        if register & CONVERSION_READY != 0 {
            return Ok(register);
        }
        delay.delay_ns(WAIT_NS / 8);
    }
    Err(NoReading::TimedOut)
}

/// One triggered conversion of the bus input, volts.
pub fn read_bus_v<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8) -> Reading<f64> {
    bus_v(convert(bus, delay, address, BUS_TRIGGERED)?)
}

/// One triggered conversion of the shunt input, volts.
pub fn read_shunt_v<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8) -> Reading<f64> {
    convert(bus, delay, address, SHUNT_TRIGGERED)?;
    shunt_v(read_register(bus, address, SHUNT)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_example_of_the_data_sheet() {
        // SBOS448, "Programming the power measurement engine", its table: shunt 07D0h = 20 mV, bus 5D98h = 11.98 V, 2 mΩ, 10 A.
        assert!((shunt_v(0x07d0).unwrap() - 20e-3).abs() < 1e-12);
        assert!((bus_v(0x5d98).unwrap() - 11.98).abs() < 1e-12);
        assert!((shunt_v(0x07d0).unwrap() / 2e-3 - 10.0).abs() < 1e-9);
        // flags in the low bits are no part of the value
        assert_eq!(bus_v(0x5d98 | 3), bus_v(0x5d98));
        // SBOS448, shunt voltage register: ±320 mV are 7D00h and 8300h, −40 mV F060h
        assert_eq!(shunt_v(0x7d00), Err(NoReading::SaturatedHigh));
        assert_eq!(shunt_v(0x8300), Err(NoReading::SaturatedLow));
        assert!((shunt_v(0xf060).unwrap() + 40e-3).abs() < 1e-12);
        // 16 V are the end of the range: 7D00h
        assert_eq!(bus_v(0x7d00), Err(NoReading::SaturatedHigh));
    }

    #[test]
    fn configuration_is_the_one_after_reset_but_for_bus_range_and_mode() {
        // SBOS448, configuration register: 399Fh after reset: 32 V, ±320 mV, 12 bits, both continuous
        assert_eq!(SETUP, 0x399f & !(1 << 13) & !7);
    }
}

//! Driver of the INA228 power monitor (TI SLYS021): raw shunt and bus registers of 20 bits, triggered mode.

use super::{no_reading, read_register, write_register};
use crate::units::{NoReading, Reading};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;

const CONFIG: u8 = 0x00;
const ADC_CONFIG: u8 = 0x01;
const SHUNT: u8 = 0x04;
const BUS: u8 = 0x05;
const FLAGS: u8 = 0x0b;
const MANUFACTURER: u8 = 0x3e;
const DEVICE: u8 = 0x3f;
const CONVERSION_READY: u16 = 1 << 1;

/// Resistance of the bus-voltage input, ohms (SLYS021, typical, from memory).
pub const BUS_INPUT_OHM: f64 = 1e6;
/// Volts of a bus step (SLYS021, VBUS register).
pub const BUS_STEP_V: f64 = 195.3125e-6;
/// Volts of a shunt step in the ±163.84 mV range (SLYS021, VSHUNT register).
pub const SHUNT_STEP_V: f64 = 312.5e-9;
/// Highest bus volts (SLYS021).
pub const BUS_FULL_V: f64 = 85.0;
/// One conversion of 1052 µs, the time after reset, with 10 % allowance, nanoseconds.
pub const WAIT_NS: u32 = 1_157_200;
/// 1052 µs for each input, no averages (SLYS021, ADC_CONFIG register); the mode is added.
const SETUP: u16 = 5 << 9 | 5 << 6 | 5 << 3;
const BUS_TRIGGERED: u16 = 1 << 12;
const SHUNT_TRIGGERED: u16 = 2 << 12;

/// Checks manufacturer (3Eh = 5449h) and device (3Fh = 228xh) and sets the ±163.84 mV range.
pub fn identify<I: I2c>(bus: &mut I, address: u8) -> Reading<()> {
    let right = read_register(bus, address, MANUFACTURER)? == 0x5449 && read_register(bus, address, DEVICE)? >> 4 == 0x228;
    if !right {
        return Err(NoReading::WrongChip);
    }
    write_register(bus, address, CONFIG, 0)
}

/// The 20 bits of a register of 24, with sign.
fn code(bytes: [u8; 3]) -> i32 {
    i32::from_be_bytes([bytes[0], bytes[1], bytes[2], 0]) >> 12
}

/// Volts of a bus register.
pub fn bus_v(bytes: [u8; 3]) -> Reading<f64> {
    let volts = f64::from(code(bytes)) * BUS_STEP_V;
    if volts >= BUS_FULL_V { Err(NoReading::SaturatedHigh) } else { Ok(volts) }
}

/// Volts of a shunt register.
pub fn shunt_v(bytes: [u8; 3]) -> Reading<f64> {
    match code(bytes) {
        0x7_ffff => Err(NoReading::SaturatedHigh),
        -0x8_0000 => Err(NoReading::SaturatedLow),
        code => Ok(f64::from(code) * SHUNT_STEP_V),
    }
}

fn convert<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8, mode: u16, register: u8) -> Reading<[u8; 3]> {
    write_register(bus, address, ADC_CONFIG, SETUP | mode)?;
    delay.delay_ns(WAIT_NS);
    for _ in 0..8 {
        if read_register(bus, address, FLAGS)? & CONVERSION_READY != 0 {
            let mut bytes = [0; 3];
            bus.write_read(address, &[register], &mut bytes).map_err(|e| no_reading(&e))?;
            return Ok(bytes);
        }
        delay.delay_ns(WAIT_NS / 8);
    }
    Err(NoReading::TimedOut)
}

/// One triggered conversion of the bus input, volts.
pub fn read_bus_v<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8) -> Reading<f64> {
    bus_v(convert(bus, delay, address, BUS_TRIGGERED, BUS)?)
}

/// One triggered conversion of the shunt input, volts.
pub fn read_shunt_v<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8) -> Reading<f64> {
    shunt_v(convert(bus, delay, address, SHUNT_TRIGGERED, SHUNT)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A code as it stands in a register of 24 bits.
    fn register(code: i32) -> [u8; 3] {
        let [a, b, c, _] = (code << 12).to_be_bytes();
        [a, b, c]
    }

    #[test]
    fn worked_example_of_the_data_sheet() {
        // SLYS021, application example (48 V, 6 A through 16.2 mΩ): VSHUNT 311040d = 97.2 mV, VBUS 245760d = 48 V (codes from memory,
        // and by the register descriptions' step sizes)
        assert!((shunt_v(register(311_040)).unwrap() - 97.2e-3).abs() < 1e-9);
        assert!((shunt_v(register(311_040)).unwrap() / 16.2e-3 - 6.0).abs() < 1e-6);
        assert!((bus_v(register(245_760)).unwrap() - 48.0).abs() < 1e-9);
        assert_eq!(register(245_760), [0x3c, 0, 0]);
        // ends of the ±163.84 mV range
        assert!((shunt_v(register(-524_287)).unwrap() + 163.839_687_5e-3).abs() < 1e-12);
        assert_eq!(shunt_v([0x7f, 0xff, 0xf0]), Err(NoReading::SaturatedHigh));
        assert_eq!(shunt_v([0x80, 0, 0]), Err(NoReading::SaturatedLow));
        assert_eq!(bus_v(register(435_200)), Err(NoReading::SaturatedHigh));
    }

    #[test]
    fn configuration_differs_from_reset_only_in_its_mode() {
        // SLYS021: ADC_CONFIG is FB68h after reset
        assert_eq!(SETUP | 0xf000, 0xfb68);
    }
}

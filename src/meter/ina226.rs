//! The I²C power monitor of the INA226 family. Source: TI SBOS547, register map and equations. Only the raw shunt
//! and bus registers are read; amperes are computed here, not in the chip.

use super::ads1115::reason;
use crate::units::{NoReading, Reading};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;

const CONFIG: u8 = 0x00;
const SHUNT: u8 = 0x01;
const BUS: u8 = 0x02;
const MASK_ENABLE: u8 = 0x06;
const READY: u16 = 1 << 3;
const MAKER: (u8, u16) = (0xfe, 0x5449);
const DIE: (u8, u16) = (0xff, 0x2260);
/// No averaging, 588 µs each for bus and shunt, triggered.
const TRIGGER: u16 = 0x4000 | 0b011 << 6 | 0b011 << 3 | 0b011;
/// Nominal time of one triggered bus and shunt conversion.
pub const CONVERSION_US: u32 = 1176;
const SLOW_CLOCK_US: u32 = 1294;
const POLLS: u32 = 5;

/// Bus volts of a register value: 1.25 mV a step.
pub fn bus_volts(code: u16) -> f64 {
    f64::from(code) * 1.25e-3
}

/// Shunt volts of a register value: 2.5 µV a step.
pub fn shunt_volts(code: i16) -> f64 {
    f64::from(code) * 2.5e-6
}

fn register<I: I2c>(bus: &mut I, address: u8, register: u8) -> Reading<u16> {
    let mut bytes = [0; 2];
    bus.write_read(address, &[register], &mut bytes).map_err(reason)?;
    Ok(u16::from_be_bytes(bytes))
}

/// Checks maker and die identification.
///
/// # Errors
/// No answer, or another chip at the address.
pub fn identify<I: I2c>(bus: &mut I, address: u8) -> Reading<()> {
    for (number, expected) in [MAKER, DIE] {
        if register(bus, address, number)? != expected {
            return Err(NoReading::WrongChip);
        }
    }
    Ok(())
}

/// One triggered conversion: bus volts, or shunt amperes where a shunt is given.
///
/// # Errors
/// No answer, late conversion, saturation.
pub fn read<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8, shunt_ohm: Option<f64>) -> Reading<f64> {
    let [high, low] = TRIGGER.to_be_bytes();
    bus.write(address, &[CONFIG, high, low]).map_err(reason)?;
    delay.delay_us(CONVERSION_US);
    let mut polls = 0;
    while register(bus, address, MASK_ENABLE)? & READY == 0 {
        if polls == POLLS {
            return Err(NoReading::TimedOut);
        }
        polls += 1;
        delay.delay_us(SLOW_CLOCK_US - CONVERSION_US);
    }
    if let Some(ohm) = shunt_ohm {
        match register(bus, address, SHUNT)? as i16 {
            i16::MAX => Err(NoReading::SaturatedHigh),
            i16::MIN => Err(NoReading::SaturatedLow),
            code => Ok(shunt_volts(code) / ohm),
        }
    } else {
        match register(bus, address, BUS)? {
            0x7fff.. => Err(NoReading::SaturatedHigh),
            code => Ok(bus_volts(code)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_example_of_the_data_sheet() {
        // TI SBOS547 table 1: 10 A through 2 mΩ at 12 V: shunt 1F40h = 20 mV, bus 2570h = 11.98 V
        assert!((shunt_volts(0x1f40) - 0.020).abs() < 1e-12);
        assert!((shunt_volts(0x1f40) / 0.002 - 10.0).abs() < 1e-9);
        assert!((bus_volts(0x2570) - 11.98).abs() < 1e-12);
    }
}

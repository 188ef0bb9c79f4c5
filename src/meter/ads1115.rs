//! The 16-bit I²C converter of the ADS111x family. Source: TI SBAS444, register map and data format.

use crate::units::{NoReading, Reading};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::{I2c, SevenBitAddress};

const CONVERSION: u8 = 0;
const CONFIG: u8 = 1;
const OS: u16 = 1 << 15;
const SINGLE_SHOT: u16 = 1 << 8;
const COMPARATOR_OFF: u16 = 0b11;
/// 860 samples a second.
const RATE_860: u16 = 0b111 << 5;
/// Nominal conversion time; the chip's clock may be 10 % slow.
pub const CONVERSION_US: u32 = 1163;
const SLOW_CLOCK_US: u32 = 1280;
/// Extra polls before a conversion counts as late.
const POLLS: u32 = 5;

/// Full scale in volts by gain bits.
pub const RANGES: [f64; 6] = [6.144, 4.096, 2.048, 1.024, 0.512, 0.256];

/// Gain bits of a full scale; `None` for a range the chip does not have.
pub fn gain_bits(range_v: f64) -> Option<u16> {
    RANGES.iter().position(|r| (r - range_v).abs() < 1e-9).map(|i| i as u16)
}

/// Volts of a code: full scale / 2^15 a step.
pub fn volts(code: i16, range_v: f64) -> f64 {
    f64::from(code) * range_v / 32768.0
}

fn missing<E: embedded_hal::i2c::Error>(error: &E) -> NoReading {
    match error.kind() {
        embedded_hal::i2c::ErrorKind::NoAcknowledge(_) => NoReading::NoAnswer,
        _ => NoReading::BusFault,
    }
}

/// Maps any bus error to its typed reason.
pub(super) fn reason<E: embedded_hal::i2c::Error>(error: E) -> NoReading {
    missing(&error)
}

fn read_register<I: I2c<SevenBitAddress>>(bus: &mut I, address: u8, register: u8) -> Reading<u16> {
    let mut bytes = [0; 2];
    bus.write_read(address, &[register], &mut bytes).map_err(reason)?;
    Ok(u16::from_be_bytes(bytes))
}

fn config(channel: u8, gain: u16) -> u16 {
    OS | (0b100 | u16::from(channel)) << 12 | gain << 9 | SINGLE_SHOT | RATE_860 | COMPARATOR_OFF
}

/// Checks that the configuration register keeps what it is given, all but the busy bit: what this chip does.
///
/// # Errors
/// No answer, bus fault, or another chip at the address.
pub fn identify<I: I2c>(bus: &mut I, address: u8, channel: u8, range_v: f64) -> Reading<()> {
    let wanted = config(channel, gain_bits(range_v).ok_or(NoReading::NotPresent)?) & !OS;
    let [high, low] = wanted.to_be_bytes();
    bus.write(address, &[CONFIG, high, low]).map_err(reason)?;
    if read_register(bus, address, CONFIG)? & !OS == wanted { Ok(()) } else { Err(NoReading::WrongChip) }
}

/// One single-shot conversion of a channel against ground, in volts at the input pin.
///
/// # Errors
/// No answer, late conversion, saturation.
pub fn read<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8, channel: u8, range_v: f64) -> Reading<f64> {
    let word = config(channel, gain_bits(range_v).ok_or(NoReading::NotPresent)?);
    let [high, low] = word.to_be_bytes();
    bus.write(address, &[CONFIG, high, low]).map_err(reason)?;
    delay.delay_us(CONVERSION_US);
    let mut polls = 0;
    while read_register(bus, address, CONFIG)? & OS == 0 {
        if polls == POLLS {
            return Err(NoReading::TimedOut);
        }
        polls += 1;
        delay.delay_us(SLOW_CLOCK_US - CONVERSION_US);
    }
    match read_register(bus, address, CONVERSION)? as i16 {
        i16::MAX => Err(NoReading::SaturatedHigh),
        i16::MIN => Err(NoReading::SaturatedLow),
        code => Ok(volts(code, range_v)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_of_the_data_sheet() {
        // TI SBAS444: LSB = FSR / 2^15; codes computed by that rule
        assert!((volts(26667, 6.144) - 5.0).abs() < 1e-4);
        assert!((volts(0x6720, 4.096) - 3.3).abs() < 1e-9);
        assert!((volts(0x3e80, 2.048) - 1.0).abs() < 1e-12);
        assert!((volts(0xc180_u16 as i16, 2.048) + 1.0).abs() < 1e-12);
    }

    #[test]
    fn config_word_is_laid_out_as_documented() {
        // MUX 100 = input 0 to ground, PGA 001 = 4.096 V, single shot, 860 SPS, comparator off (SBAS444 config register)
        assert_eq!(config(0, 1), 0b1100_0011_1110_0011);
    }
}

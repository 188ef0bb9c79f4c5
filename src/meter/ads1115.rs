//! Driver of the ADS1115 converter (TI SBAS444) in single-shot mode, single-ended inputs.

use super::{read_register, write_register};
use crate::units::{NoReading, Reading};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;

const CONVERSION: u8 = 0;
const CONFIG: u8 = 1;
const OS: u16 = 0x8000;

/// Data rate (DR field, SBAS444 from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "the names are the samples per second")]
pub enum Rate {
    Sps8,
    Sps16,
    Sps32,
    Sps64,
    Sps128,
    Sps250,
    Sps475,
    Sps860,
}

impl Rate {
    /// Every rate in order of its DR field.
    pub const ALL: [Self; 8] = [Self::Sps8, Self::Sps16, Self::Sps32, Self::Sps64, Self::Sps128, Self::Sps250, Self::Sps475, Self::Sps860];
    /// Samples per second.
    pub const fn sps(self) -> u32 {
        [8, 16, 32, 64, 128, 250, 475, 860][self as usize]
    }
    /// The rate of a DR field (0 to 7).
    pub const fn from_field(field: u16) -> Self {
        Self::ALL[(field & 7) as usize]
    }
    /// Time after which a conversion is done on the slowest clock (−10 %), nanoseconds, with the
    /// 25 µs of wake-up from single-shot sleep (from memory).
    pub const fn wait_ns(self) -> u32 {
        1_100_000_000 / self.sps() + 25_000
    }
}

/// PGA field of a full scale in volts, if the chip has it (SBAS444E table 7-1).
pub fn pga(range_v: f64) -> Option<u16> {
    [6.144, 4.096, 2.048, 1.024, 0.512, 0.256].iter().position(|r| (r - range_v).abs() < 1e-6).map(|i| i as u16)
}

/// Full scale in volts of a PGA field; 6 and 7 repeat 0.256 V (SBAS444E table 7-1).
pub const fn range_of(field: u16) -> f64 {
    [6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256][(field & 7) as usize]
}

/// Typical resistance of a single-ended input to ground: differential and common-mode impedance side
/// by side (SBAS444, typical values, from memory).
pub fn input_ohm(range_v: f64) -> f64 {
    let (differential, common): (f64, f64) = match pga(range_v) {
        Some(0) => (22e6, 10e6),
        Some(1) => (15e6, 6e6),
        Some(2) => (4.9e6, 6e6),
        Some(3) => (2.4e6, 3e6),
        _ => (0.71e6, 100e6),
    };
    differential * common / (differential + common)
}

/// The configuration word without the OS bit: one input against ground, single-shot, comparator off.
pub fn config(channel: u8, range_v: f64, rate: Rate) -> Option<u16> {
    (channel < 4).then_some(())?;
    Some((4 + u16::from(channel)) << 12 | pga(range_v)? << 9 | 1 << 8 | (rate as u16) << 5 | 3)
}

/// Volts at the chip's input. The end codes mean that the input is at or beyond the range.
pub fn volts(code: u16, range_v: f64) -> Reading<f64> {
    match code {
        0x7fff => Err(NoReading::SaturatedHigh),
        0x8000 => Err(NoReading::SaturatedLow),
        _ => Ok(f64::from(code as i16) * range_v / 32768.0),
    }
}

/// Writes two configurations without starting a conversion and reads them back. The chip has no
/// identity register, so this is what can be known.
pub fn identify<I: I2c>(bus: &mut I, address: u8, channel: u8, range_v: f64) -> Reading<()> {
    for rate in [Rate::Sps128, Rate::Sps860] {
        let word = config(channel, range_v, rate).ok_or(NoReading::NotPresent)?;
        write_register(bus, address, CONFIG, word)?;
        if read_register(bus, address, CONFIG)? & !OS != word {
            return Err(NoReading::WrongChip);
        }
    }
    Ok(())
}

/// One conversion; volts at the chip's input.
pub fn read<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8, channel: u8, range_v: f64, rate: Rate) -> Reading<f64> {
    let word = config(channel, range_v, rate).ok_or(NoReading::NotPresent)?;
    write_register(bus, address, CONFIG, word | OS)?;
    delay.delay_ns(rate.wait_ns());
    // As long again, in eight polls, before the chip is called late.
    for _ in 0..8 {
        let state = read_register(bus, address, CONFIG)?;
        if state & !OS != word {
            return Err(NoReading::WrongChip); // it was reset or another program has it
        }
        if state & OS != 0 {
            return volts(read_register(bus, address, CONVERSION)?, range_v);
        }
        delay.delay_ns(rate.wait_ns() / 8);
    }
    Err(NoReading::TimedOut)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_of_the_data_sheet() {
        // Codes computed from the LSB rule FSR / 2^15 (SBAS444E table 7-1).
        for (code, range, v) in [
            (0x682b, 6.144, 5.000),
            (0x62f5, 6.144, 4.750),
            (0x6075, 6.144, 4.630),
            (0x6720, 4.096, 3.3),
            (0x3e80, 2.048, 1.0),
            (0xc180, 2.048, -1.0),
        ] {
            assert!((volts(code, range).unwrap() - v).abs() <= range / 65536.0 + 1e-12, "{code:04x}");
        }
        // TI SBAS740B table 5 (same core).
        assert_eq!(volts(0x7fff, 4.096), Err(NoReading::SaturatedHigh));
        assert_eq!(volts(0x8000, 4.096), Err(NoReading::SaturatedLow));
        assert_eq!(volts(0, 4.096), Ok(0.0));
        assert_eq!(volts(0xffff, 4.096), Ok(-125e-6));
    }

    #[test]
    fn configuration_fields() {
        // JAJS373D register table: MUX 14:12, PGA 11:9, MODE 8, DR 7:5, QUE 1:0.
        assert_eq!(config(0, 2.048, Rate::Sps128), Some(0x4583));
        assert_eq!(config(3, 4.096, Rate::Sps860), Some(0x73e3));
        assert_eq!(config(4, 4.096, Rate::Sps860), None);
        assert_eq!(config(0, 5.0, Rate::Sps860), None);
        assert_eq!(Rate::ALL.map(Rate::sps), [8, 16, 32, 64, 128, 250, 475, 860]);
    }
}

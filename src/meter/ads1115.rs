//! Driver of the ADS111x converters of 16 bits (TI SBAS444) and the ADS101x of 12 (TI SBAS473) in single-shot mode, single-ended inputs.

use super::{read_register, write_register};
use crate::build::AdsPart;
use crate::units::{NoReading, Reading};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;

const CONVERSION: u8 = 0;
const CONFIG: u8 = 1;
const OS: u16 = 0x8000;
const MUX: u16 = 0x7000;
const PGA: u16 = 0x0e00;
const COMPARATOR: u16 = 0x001f;

/// Samples per second of the DR field (SBAS444 and SBAS473, from memory).
pub const fn sps(part: AdsPart, field: u16) -> u32 {
    let field = (field & 7) as usize;
    if part.bits() == 16 { [8, 16, 32, 64, 128, 250, 475, 860][field] } else { [128, 250, 490, 920, 1600, 2400, 3300, 3300][field] }
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

/// One input of a chip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Input {
    /// Which of the family.
    pub part: AdsPart,
    /// Input 0 to 3 against ground. A part without a selector has input 0 alone, and its input 1 at ground.
    pub channel: u8,
    /// Full scale in volts.
    pub range_v: f64,
}

impl Input {
    /// The fastest rate of the 16-bit parts; of the 12-bit ones their rate after reset.
    pub const fn rate(self) -> u16 {
        if self.part.bits() == 16 { 7 } else { 4 }
    }

    /// Time after which a conversion is done on the slowest clock (−10 %), nanoseconds, with the
    /// 25 µs of wake-up from single-shot sleep (from memory).
    pub const fn wait_ns(self) -> u32 {
        1_100_000_000 / sps(self.part, self.rate()) + 25_000
    }

    /// The configuration word without the OS bit: one input against ground, single-shot, comparator off. `None` where the part can't do it.
    pub fn config(self, rate: u16) -> Option<u16> {
        let mux = if self.part.selects() {
            (self.channel < 4).then_some(4 + u16::from(self.channel))?
        } else {
            (self.channel == 0).then_some(0)?
        };
        let pga = pga(self.range_v).filter(|&field| self.part.has_ranges() || field == 2)?;
        Some(mux << 12 | pga << 9 | 1 << 8 | (rate & 7) << 5 | 3)
    }

    /// The bits of the configuration that this part must give back as they were written; the others have no function in it.
    pub const fn kept(self) -> u16 {
        let mut mask = !OS;
        if !self.part.selects() {
            mask &= !MUX;
        }
        if !self.part.has_ranges() {
            mask &= !(PGA | COMPARATOR);
        }
        mask
    }

    /// Volts at the chip's input. The end codes mean that the input is at or beyond the range.
    pub fn volts(self, register: u16) -> Reading<f64> {
        // 12-bit results stand in the register's upper bits
        let shift = 16 - self.part.bits();
        let code = (register as i16) >> shift;
        match code {
            _ if code == i16::MAX >> shift => Err(NoReading::SaturatedHigh),
            _ if code == i16::MIN >> shift => Err(NoReading::SaturatedLow),
            _ => Ok(f64::from(code) * self.range_v / f64::from(1_u32 << (self.part.bits() - 1))),
        }
    }
}

/// Writes two configurations without starting a conversion and reads them back. The chip has no
/// identity register, so this is what can be known.
pub fn identify<I: I2c>(bus: &mut I, address: u8, input: Input) -> Reading<()> {
    for rate in [0, input.rate()] {
        let word = input.config(rate).ok_or(NoReading::NotPresent)?;
        write_register(bus, address, CONFIG, word)?;
        if (read_register(bus, address, CONFIG)? ^ word) & input.kept() != 0 {
            return Err(NoReading::WrongChip);
        }
    }
    Ok(())
}

/// One conversion; volts at the chip's input.
pub fn read<I: I2c, D: DelayNs>(bus: &mut I, delay: &mut D, address: u8, input: Input) -> Reading<f64> {
    let word = input.config(input.rate()).ok_or(NoReading::NotPresent)?;
    write_register(bus, address, CONFIG, word | OS)?;
    delay.delay_ns(input.wait_ns());
    // As long again, in eight polls, before the chip is called late.
    for _ in 0..8 {
        let state = read_register(bus, address, CONFIG)?;
        if (state ^ word) & input.kept() != 0 {
            return Err(NoReading::WrongChip); // it was reset or another program has it
        }
        if state & OS != 0 {
            return input.volts(read_register(bus, address, CONVERSION)?);
        }
        delay.delay_ns(input.wait_ns() / 8);
    }
    Err(NoReading::TimedOut)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(part: AdsPart, channel: u8, range_v: f64) -> Input {
        Input { part, channel, range_v }
    }

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
            assert!((of(AdsPart::Ads1115, 0, range).volts(code).unwrap() - v).abs() <= range / 65536.0 + 1e-12, "{code:04x}");
        }
        // TI SBAS740B table 5 (same core).
        let input = of(AdsPart::Ads1115, 0, 4.096);
        assert_eq!(input.volts(0x7fff), Err(NoReading::SaturatedHigh));
        assert_eq!(input.volts(0x8000), Err(NoReading::SaturatedLow));
        assert_eq!(input.volts(0), Ok(0.0));
        assert_eq!(input.volts(0xffff), Ok(-125e-6));
    }

    #[test]
    fn codes_of_twelve_bits_stand_in_the_upper_bits() {
        // SBAS473, input signal against output code: 7FF0h at the upper end, 0010h one step, FFF0h minus one, 8000h at the lower end;
        // a step is range / 2^11 (2 mV at ±4.096 V)
        let input = of(AdsPart::Ads1015, 0, 4.096);
        assert_eq!(input.volts(0x7ff0), Err(NoReading::SaturatedHigh));
        assert_eq!(input.volts(0x8000), Err(NoReading::SaturatedLow));
        assert_eq!(input.volts(0x0010), Ok(2e-3));
        assert_eq!(input.volts(0xfff0), Ok(-2e-3));
        assert_eq!(of(AdsPart::Ads1013, 0, 2.048).volts(0x3e80), Ok(1.0));
    }

    #[test]
    fn configuration_fields() {
        // JAJS373D register table: MUX 14:12, PGA 11:9, MODE 8, DR 7:5, QUE 1:0.
        assert_eq!(of(AdsPart::Ads1115, 0, 2.048).config(4), Some(0x4583));
        assert_eq!(of(AdsPart::Ads1115, 3, 4.096).config(7), Some(0x73e3));
        assert_eq!(of(AdsPart::Ads1115, 4, 4.096).config(7), None);
        assert_eq!(of(AdsPart::Ads1115, 0, 5.0).config(7), None);
        assert_eq!((0..8).map(|f| sps(AdsPart::Ads1115, f)).collect::<Vec<_>>(), [8, 16, 32, 64, 128, 250, 475, 860]);
        // without a selector the field is 0: input 0 against input 1; without ranges ±2.048 V
        assert_eq!(of(AdsPart::Ads1114, 0, 4.096).config(7), Some(0x03e3));
        assert_eq!(of(AdsPart::Ads1114, 1, 4.096).config(7), None);
        assert_eq!(of(AdsPart::Ads1113, 0, 2.048).config(7), Some(0x05e3));
        assert_eq!(of(AdsPart::Ads1113, 0, 4.096).config(7), None);
        // after reset 8583h: bits of the reset value that a part keeps are those of the driver's own words at ±2.048 V
        assert_eq!(of(AdsPart::Ads1113, 0, 2.048).config(4), Some(0x8583 & !OS));
    }
}

//! Driver of the MCP3208 converter (Microchip DS21298): eight inputs, 12 bits, SPI mode 0, against its reference.

use crate::units::{NoReading, Reading};
use embedded_hal::spi::{Operation, SpiDevice};
use std::time::Duration;

/// Clock, hertz. DS21298 allows 10 kHz (the sample leaks away) to 1 MHz at 2.7 V; at this speed the 1.5 clocks of sampling are 3 µs, enough
/// for a divider of 10 kΩ over 10 kΩ: nine times 20 pF through 5 kΩ and the switch's 1 kΩ are 1.1 µs (DS21298 figure 4-1).
pub const CLOCK_HZ: u32 = 500_000;
/// Leakage of an input is below 1 µA (DS21298): no load beside a divider, ohms.
pub const INPUT_OHM: f64 = 1e12;
/// Three bytes at the clock, and the transfer's own time.
pub const READ_TIME: Duration = Duration::from_micros(100);

/// The three bytes that ask for one input against ground, eight bits at a time (DS21298 figure 6-1).
pub const fn command(channel: u8) -> [u8; 3] {
    [0b110 | (channel >> 2 & 1), channel << 6, 0]
}

/// The 12 bits of an answer. The bit before them is a zero that the chip sends; where it is none, no chip drives the line.
pub fn code(answer: [u8; 3]) -> Reading<u16> {
    if answer[1] & 0x10 != 0 {
        return Err(NoReading::NoAnswer);
    }
    Ok(u16::from(answer[1] & 0x0f) << 8 | u16::from(answer[2]))
}

/// Volts of a code: `code · reference / 4096` (DS21298 equation 4-2). The ends mean that the input is at or beyond the range.
pub fn volts(code: u16, reference_v: f64) -> Reading<f64> {
    match code {
        0 => Err(NoReading::SaturatedLow),
        0xfff => Err(NoReading::SaturatedHigh),
        _ => Ok(f64::from(code) * reference_v / 4096.0),
    }
}

fn transfer<S: SpiDevice>(device: &mut S, channel: u8) -> Reading<u16> {
    let mut answer = command(channel);
    device.transaction(&mut [Operation::TransferInPlace(&mut answer)]).map_err(|_| NoReading::BusFault)?;
    code(answer)
}

/// The chip has no identity register: two readings of the input must come with the chip's own zero bit.
pub fn identify<S: SpiDevice>(device: &mut S, channel: u8) -> Reading<()> {
    for _ in 0..2 {
        transfer(device, channel)?;
    }
    Ok(())
}

/// One conversion; volts at the chip's input.
pub fn read<S: SpiDevice>(device: &mut S, channel: u8, reference_v: f64) -> Reading<f64> {
    volts(transfer(device, channel)?, reference_v)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bits_of_the_data_sheet() {
        // DS21298 table 5-2: single-ended, D2 D1 D0 are the channel; figure 6-1: 00000 1 1 D2, D1 D0 xxxxxx
        assert_eq!(command(0), [0b0000_0110, 0b0000_0000, 0]);
        assert_eq!(command(3), [0b0000_0110, 0b1100_0000, 0]);
        assert_eq!(command(4), [0b0000_0111, 0b0000_0000, 0]);
        assert_eq!(command(7), [0b0000_0111, 0b1100_0000, 0]);
        assert_eq!(code([0xff, 0xe7, 0x5a]), Ok(0x75a), "the first bits are not driven");
        assert_eq!(code([0xff, 0xff, 0xff]), Err(NoReading::NoAnswer));
    }

    #[test]
    fn codes_of_the_data_sheet() {
        // DS21298 equations 4-1 and 4-2: a step is reference / 4096; code = 4096 · input / reference
        assert_eq!(volts(2048, 5.0), Ok(2.5));
        assert_eq!(volts(1, 4.096), Ok(1e-3));
        assert_eq!(volts(0xffe, 4.096), Ok(4.094));
        assert_eq!(volts(0xfff, 5.0), Err(NoReading::SaturatedHigh));
        assert_eq!(volts(0, 5.0), Err(NoReading::SaturatedLow));
    }
}

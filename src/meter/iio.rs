//! Channels that a driver of the kernel reads: its IIO and hwmon files below `/sys`.
//!
//! Units by the kernel's ABI documents (`sysfs-bus-iio`, hwmon `sysfs-interface`): millivolts, milliamperes, thousandths of a degree;
//! for IIO `(raw + offset) · scale`, or the `_input` file where the driver works it out.

use crate::build::Chip;
use crate::units::{NoReading, Reading};
use std::time::Duration;

/// What a channel's input puts across a divider, ohms: not known, so taken as next to nothing; a build that knows better includes it in
/// `bottom_ohm`.
pub const INPUT_OHM: f64 = 1e12;
/// Limits of the offset in steps (assumed, no source: the order of the chips whose sheets are known).
pub const OFFSET_STEPS: f64 = 3.0;
/// One conversion at the 128 samples per second that the drivers of this kind of chip begin with (from memory), and the file's own time.
pub const READ_TIME: Duration = Duration::from_millis(10);

/// Where the files are: the kernel's own, or those of a simulation.
pub trait Files {
    /// What was found for a chip of kind `iio`, for the record.
    fn identify(&mut self, point: usize, chip: &Chip) -> Reading<String>;
    /// One value at the chip's input: volts, amperes or degrees Celsius.
    fn read(&mut self, point: usize, chip: &Chip) -> Reading<f64>;
}

/// None at all.
pub struct NoFiles;

impl Files for NoFiles {
    fn identify(&mut self, _: usize, _: &Chip) -> Reading<String> {
        Err(NoReading::NotPresent)
    }
    fn read(&mut self, _: usize, _: &Chip) -> Reading<f64> {
        Err(NoReading::NotPresent)
    }
}

/// A value below the highest that the channel can read.
pub(super) fn within(value: f64, highest: Option<f64>) -> Reading<f64> {
    if highest.is_some_and(|h| value >= h) { Err(NoReading::SaturatedHigh) } else { Ok(value) }
}

/// The value of an IIO channel from its files: `(raw + offset) · scale`, thousandths. Text that is no finite number is no value.
pub fn of_raw(raw: &str, offset: Option<&str>, scale: Option<&str>) -> Option<f64> {
    let offset = offset.map_or(Some(0.0), number)?;
    let scale = scale.map_or(Some(1.0), number)?;
    Some((number(raw)? + offset) * scale * 1e-3).filter(|v| v.is_finite())
}

/// The value of a file that is already in thousandths.
pub fn of_input(text: &str) -> Option<f64> {
    Some(number(text)? * 1e-3)
}

fn number(text: &str) -> Option<f64> {
    text.trim().parse::<f64>().ok().filter(|v| v.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_of_the_kernels_files() {
        // sysfs-bus-iio: "after application of scale and offset are millivolts"; a 16-bit chip at ±4.096 V has the scale 0.125
        assert_eq!(of_raw("20276", None, Some("0.125000000")), Some(2.5345));
        // an on-chip thermometer with 12 bits, 503.975 °C of span and an offset (the sysfs documents give (raw + offset) · scale)
        let c = of_raw("2584", Some("-2219"), Some("123.040771484")).unwrap();
        assert!((c - 44.909_881_6).abs() < 1e-6, "{c}");
        assert_eq!(of_raw("-8", None, Some("3")), Some(-0.024));
        assert_eq!(of_input("5090\n"), Some(5.09));
        for bad in ["", "nan", "inf", "five", "1e999", "0x10"] {
            assert_eq!(of_input(bad), None, "{bad}");
            assert_eq!(of_raw("1", Some(bad), None), None);
        }
    }

    #[test]
    fn the_end_of_the_range_is_no_value() {
        assert_eq!(within(4.1, Some(4.096)), Err(NoReading::SaturatedHigh));
        assert_eq!(within(4.0, Some(4.096)), Ok(4.0));
        assert_eq!(within(400.0, None), Ok(400.0));
    }
}

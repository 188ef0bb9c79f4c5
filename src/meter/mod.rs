//! Converter chips behind the sense points, and how well they know what they say.

pub mod ads1115;
pub mod ina226;

use crate::build::{Build, Chip, Quantity, SensePoint};
use crate::check::PointUncertainty;
use crate::units::{NoReading, Reading};
use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;
use std::time::Duration;

/// Input resistance of an ADS111x channel against ground by range, Ω (TI SBAS444 common-mode impedances, from memory).
fn input_ohm(chip: &Chip) -> f64 {
    match chip {
        Chip::Ads1115 { range_v, .. } if *range_v > 5.0 => 10e6,
        Chip::Ads1115 { range_v, .. } if *range_v > 1.5 => 6e6,
        Chip::Ads1115 { range_v, .. } if *range_v > 0.9 => 3e6,
        Chip::Ads1115 { .. } => 100e6,
        // TI SBOS547: bus input 830 kΩ
        Chip::Ina226 { .. } => 830e3,
    }
}

/// Volts at the sense point per volt at the chip, the chip's own input resistance included.
pub fn divider_ratio(point: &SensePoint) -> f64 {
    point.divider.map_or(1.0, |d| loaded_ratio(d.top.value(), d.bottom.value(), input_ohm(&point.chip)))
}

/// Ratio of a divider whose lower resistor is loaded by `input` ohms.
pub fn loaded_ratio(top: f64, bottom: f64, input: f64) -> f64 {
    let lower = bottom * input / (bottom + input);
    (top + lower) / lower
}

/// [`loaded_ratio`] with the input resistance of the point's chip.
pub fn loaded_ratio_of(point: &SensePoint, top: f64, bottom: f64) -> f64 {
    loaded_ratio(top, bottom, input_ohm(&point.chip))
}

/// Type-B standard uncertainties of a point (JCGM 100, 4.3: rectangular limits divided by √3): the chip's gain and
/// offset limits of its data sheet, the divider's tolerance.
pub fn point_uncertainty(_build: &Build, point: &SensePoint) -> PointUncertainty {
    let root3 = 3.0_f64.sqrt();
    let ratio = divider_ratio(point);
    // both resistors move the ratio by tolerance · (1 − 1/ratio)
    let divider = point.divider.map_or(0.0, |d| d.tolerance_pct / 100.0 * (1.0 - 1.0 / ratio) * 2.0_f64.sqrt() / root3);
    let (gain, offset, lsb) = match &point.chip {
        // TI SBAS444 limits (from memory): gain 0.15 %, offset 3 LSB
        Chip::Ads1115 { range_v, .. } => (0.0015 / root3, 3.0 * range_v / 32768.0 / root3, range_v / 32768.0),
        // TI SBOS547: gain 0.1 %, bus offset 7.5 mV, shunt offset 10 µV
        Chip::Ina226 { shunt_ohm: Some(ohm), .. } if point.quantity == Quantity::Amps => (0.001 / root3, 10e-6 / ohm / root3, 2.5e-6 / ohm),
        Chip::Ina226 { .. } => (0.001 / root3, 7.5e-3 / root3, 1.25e-3),
    };
    PointUncertainty { gain_rel: gain.hypot(divider), offset: offset * ratio, lsb: lsb * ratio }
}

/// All converters of a rig.
pub struct Converters<I, D> {
    points: Vec<(SensePoint, f64)>,
    buses: Vec<(u8, I)>,
    delay: D,
}

impl<I: I2c, D: DelayNs> Converters<I, D> {
    /// Converters of a build's sense points on these buses (by number).
    pub fn new(build: &Build, buses: Vec<(u8, I)>, delay: D) -> Self {
        Self { points: build.sense.iter().map(|p| (p.clone(), divider_ratio(p))).collect(), buses, delay }
    }

    /// Checks that the named chip is what answers; its kind and place.
    ///
    /// # Errors
    /// Why it is not.
    pub fn identify(&mut self, point: usize) -> Reading<String> {
        let (sense, _) = self.points.get(point).ok_or(NoReading::NotPresent)?;
        let (number, address) = sense.chip.place();
        let bus = &mut self.buses.iter_mut().find(|(n, _)| *n == number).ok_or(NoReading::NotPresent)?.1;
        match sense.chip {
            Chip::Ads1115 { channel, range_v, .. } => ads1115::identify(bus, address, channel, range_v)?,
            Chip::Ina226 { .. } => ina226::identify(bus, address)?,
        }
        Ok(format!("{} at 0x{address:02x} on bus {number}", sense.chip.word()))
    }

    /// One conversion, scaled to the sense point.
    ///
    /// # Errors
    /// Why there is no reading.
    pub fn read(&mut self, point: usize) -> Reading<f64> {
        let (sense, ratio) = self.points.get(point).ok_or(NoReading::NotPresent)?;
        let (number, address) = sense.chip.place();
        let bus = &mut self.buses.iter_mut().find(|(n, _)| *n == number).ok_or(NoReading::NotPresent)?.1;
        match sense.chip {
            Chip::Ads1115 { channel, range_v, .. } => Ok(ads1115::read(bus, &mut self.delay, address, channel, range_v)? * ratio),
            Chip::Ina226 { shunt_ohm, .. } if sense.quantity == Quantity::Amps => {
                ina226::read(bus, &mut self.delay, address, Some(shunt_ohm.ok_or(NoReading::NotPresent)?))
            }
            Chip::Ina226 { .. } => Ok(ina226::read(bus, &mut self.delay, address, None)? * ratio),
        }
    }

    /// Nominal time of one [`Converters::read`].
    pub fn read_time(&self, point: usize) -> Duration {
        let micros = match self.points.get(point).map(|(p, _)| &p.chip) {
            Some(Chip::Ina226 { .. }) => ina226::CONVERSION_US,
            _ => ads1115::CONVERSION_US,
        };
        // three short transactions at 400 kHz
        Duration::from_micros(u64::from(micros) + 250)
    }
}

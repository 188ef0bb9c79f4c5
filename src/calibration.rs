//! Corrections of sense points by a hand meter: one or two points each, dated, kept in the state directory, used and cited by later
//! runs.
//!
//! One reading corrects the gain (divider and converter gain are what is off at 5 V); two readings at different volts correct gain and
//! offset. A correction is refused where it is larger than what the converter, its divider and the meter can explain together, and
//! where two readings contradict each other.

use crate::build::Build;
use crate::check::PointUncertainty;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Stated accuracy of a hand meter: percent of reading plus digits of its last place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MeterAccuracy {
    /// Percent of the reading.
    pub percent: f64,
    /// Digits of the last place.
    pub digits: f64,
    /// Volts of one digit.
    pub digit_v: f64,
}

impl MeterAccuracy {
    /// Limit of error at a reading, volts.
    pub fn limit(self, volts: f64) -> f64 {
        self.percent / 100.0 * volts.abs() + self.digits * self.digit_v
    }
    /// Standard uncertainty: the limit as a rectangular distribution (JCGM 100, 4.3.7).
    pub fn standard(self, volts: f64) -> f64 {
        self.limit(volts) / 3.0_f64.sqrt()
    }
}

/// One comparison of the converter with a hand meter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "MeterComparison")]
pub struct Comparison {
    /// When, RFC 3339.
    pub at: String,
    /// What the hand meter showed, volts.
    pub meter_v: f64,
    /// Its stated accuracy.
    pub accuracy: MeterAccuracy,
    /// What the converter read, uncorrected, volts.
    pub converter_v: f64,
    /// Standard uncertainty of that mean, volts.
    pub converter_standard_v: f64,
}

/// Correction of one sense point: corrected = gain · reading + offset.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Correction {
    /// Sense point.
    pub sense: String,
    /// Factor.
    pub gain: f64,
    /// Volts added.
    pub offset_v: f64,
    /// Standard uncertainty of a corrected level near 5 V, volts.
    pub standard_v: f64,
    /// The comparisons it comes from.
    pub comparisons: Vec<Comparison>,
}

/// Readings at least this far apart make two points.
const APART_V: f64 = 0.1;
/// Two-sided 99.7 % coverage.
const COVERAGE: f64 = 3.0;

/// Why comparisons give no correction.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refused {
    /// Nothing to go by.
    #[error("there is no comparison")]
    Empty,
    /// The converter and the meter differ by more than both can explain.
    #[error(
        "the meter shows {meter_v:.3} V where the converter reads {converter_v:.3} V: more apart than converter, divider and meter explain (±{allowed_v:.3} V). Check the meter's leads and range, and the divider's resistors; nothing was stored"
    )]
    Implausible {
        /// Hand meter.
        meter_v: f64,
        /// Converter.
        converter_v: f64,
        /// Greatest difference explained.
        allowed_v: f64,
    },
    /// Two comparisons do not go together.
    #[error(
        "the comparisons contradict each other: corrections of {first:+.4} V and {second:+.4} V near the same volts. Repeat both with the meter held still; nothing was stored"
    )]
    Contradict {
        /// Meter minus converter of one.
        first: f64,
        /// Of the other.
        second: f64,
    },
}

/// Correction of a point from one or more comparisons; `instrument` is what the point is known to without any.
///
/// # Errors
/// See [`Refused`].
pub fn correction(sense: &str, comparisons: &[Comparison], instrument: PointUncertainty) -> Result<Correction, Refused> {
    let own = |c: &Comparison| c.accuracy.standard(c.meter_v).hypot(c.converter_standard_v);
    let of = |c: &Comparison| (c.meter_v - c.converter_v, own(c));
    for c in comparisons {
        let (difference, standard) = of(c);
        let type_b = (instrument.gain_rel * c.meter_v).hypot(instrument.offset);
        let allowed_v = COVERAGE * standard.hypot(type_b);
        if difference.abs() > allowed_v {
            return Err(Refused::Implausible { meter_v: c.meter_v, converter_v: c.converter_v, allowed_v });
        }
    }
    for (i, a) in comparisons.iter().enumerate() {
        for b in &comparisons[i + 1..] {
            let ((da, ua), (db, ub)) = (of(a), of(b));
            // nearby readings must agree; those apart may differ by the gain that is still to be found
            let gain =
                if (a.meter_v - b.meter_v).abs() < APART_V { 0.0 } else { COVERAGE * instrument.gain_rel * (a.meter_v - b.meter_v).abs() };
            if (da - db).abs() > COVERAGE * ua.hypot(ub) + gain {
                return Err(Refused::Contradict { first: da, second: db });
            }
        }
    }
    let newest = comparisons.last().ok_or(Refused::Empty)?;
    let far = comparisons.iter().rev().find(|c| (c.meter_v - newest.meter_v).abs() >= APART_V);
    let (gain, offset_v) = match far {
        Some(c) => {
            let gain = (newest.meter_v - c.meter_v) / (newest.converter_v - c.converter_v);
            (gain, newest.meter_v - gain * newest.converter_v)
        }
        None => (newest.meter_v / newest.converter_v, 0.0),
    };
    Ok(Correction { sense: sense.to_owned(), gain, offset_v, standard_v: own(newest), comparisons: comparisons.to_vec() })
}

impl Correction {
    /// What the corrected point is known to: the meter's uncertainty stands in for the chip's and the divider's where it is smaller.
    pub fn uncertainty(&self, before: PointUncertainty) -> PointUncertainty {
        let type_b = (before.gain_rel * 5.0).hypot(before.offset);
        if self.standard_v < type_b { PointUncertainty { gain_rel: 0.0, offset: self.standard_v, ..before } } else { before }
    }
    /// In words, for reports.
    pub fn text(&self) -> String {
        let newest = self.comparisons.last();
        format!(
            "{}: × {:.5} {:+.1} mV, by hand meter ± {:.1} mV standard, {}",
            self.sense,
            self.gain,
            self.offset_v * 1e3,
            self.standard_v * 1e3,
            newest.map_or("undated", |c| c.at.as_str())
        )
    }
}

/// File of a build's corrections in a state directory; those of simulated converters apart, so that they can never correct a real one.
pub fn file(state: &Path, build: &Build, simulated: bool) -> PathBuf {
    let kind = if simulated { ".simulated" } else { "" };
    state.join(format!("calibration-{}{kind}.json", &build.digest()[..16]))
}

/// Corrections kept for a build; none where there is no file.
///
/// # Errors
/// Where the file is there and cannot be read or understood.
pub fn load(state: &Path, build: &Build, simulated: bool) -> Result<Vec<Correction>, String> {
    let path = file(state, build, simulated);
    match std::fs::read(&path) {
        Ok(bytes) => serde_json::from_slice(&bytes).map_err(|e| format!("{}: {e}; move the file away or calibrate anew", path.display())),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(e) => Err(format!("{}: {e}", path.display())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 0.5 % + 2 digits on the 20 V range (common practice, no source).
    const METER: MeterAccuracy = MeterAccuracy { percent: 0.5, digits: 2.0, digit_v: 0.01 };
    const CHIP: PointUncertainty = PointUncertainty { gain_rel: 0.001, offset: 0.0005, lsb: 0.00025 };

    fn at(meter_v: f64, converter_v: f64) -> Comparison {
        Comparison { at: "2026-03-01T10:00:00Z".to_owned(), meter_v, accuracy: METER, converter_v, converter_standard_v: 1e-4 }
    }

    #[test]
    fn one_point_corrects_the_gain_and_two_gain_and_offset() {
        let one = correction("a", &[at(5.00, 4.95)], CHIP).unwrap();
        assert!((one.gain * 4.95 + one.offset_v - 5.0).abs() < 1e-12 && one.offset_v == 0.0);
        let two = correction("a", &[at(4.50, 4.51), at(5.00, 5.02)], CHIP).unwrap();
        assert!((two.gain * 4.51 + two.offset_v - 4.5).abs() < 1e-9 && (two.gain * 5.02 + two.offset_v - 5.0).abs() < 1e-9);
    }

    #[test]
    fn what_no_instrument_explains_is_refused() {
        assert!(matches!(correction("a", &[at(5.00, 4.60)], CHIP), Err(Refused::Implausible { .. })));
        let fine = MeterAccuracy { percent: 0.05, digits: 1.0, digit_v: 0.001 };
        let with = |m, c| Comparison { accuracy: fine, ..at(m, c) };
        let coarse = PointUncertainty { gain_rel: 0.01, ..CHIP };
        assert!(matches!(correction("a", &[with(5.00, 4.95), with(5.00, 5.04)], coarse), Err(Refused::Contradict { .. })));
        assert_eq!(correction("a", &[], CHIP), Err(Refused::Empty));
    }

    #[test]
    fn a_poor_meter_does_not_make_a_good_converter_worse() {
        let c = correction("a", &[at(5.00, 5.00)], CHIP).unwrap();
        assert_eq!(c.uncertainty(CHIP), CHIP);
        let fine = Comparison { accuracy: MeterAccuracy { percent: 0.02, digits: 1.0, digit_v: 0.001 }, ..at(5.0, 5.0) };
        assert!(correction("a", &[fine], CHIP).unwrap().uncertainty(CHIP).offset < 0.002);
    }
}

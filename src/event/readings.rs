//! A block of readings, and how it is written.
//!
//! A converter gives whole multiples of its step, so a block of one picture is written as that step, the lowest code, and a letter
//! a reading: `a` is the lowest code, then to `z`, `A` to `Z`:
//!
//! ```text
//! {"point":0,"step":0.00025005,"first":20001,"order":"abbac"}
//! ```
//!
//! stands for the values 20001 · 0.00025005, 20002 · 0.00025005 … in IEEE 754 double precision. Nothing is lost: what does not come back
//! bit for bit that way (a wide spread, a corrected offset) is written as `"values":[…]`, as format 1 did; both are read.

use crate::units::NoReading;
use serde::{Deserialize, Serialize};

const LETTERS: &[u8; 52] = b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ";

/// Readings of one sense point, in the order taken.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(into = "Written", try_from = "Written")]
pub struct PointReadings {
    /// Index of the sense point in the build.
    pub point: usize,
    /// Good readings: volts, amperes or °C.
    pub values: Vec<f64>,
    /// Readings that are missing, with their index in the order taken.
    pub missing: Vec<(u32, NoReading)>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    point: usize,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    values: Vec<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    step: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    first: Option<i32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    order: Option<String>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    missing: Vec<(u32, NoReading)>,
}

struct Codes {
    step: f64,
    first: i32,
    order: String,
}

impl Codes {
    /// `None` where the values are not multiples of one step within the letters' reach.
    fn of(values: &[f64]) -> Option<Self> {
        let mut levels = values.to_vec();
        levels.sort_by(f64::total_cmp);
        levels.dedup();
        let (low, high) = (*levels.first()?, *levels.last()?);
        let nearest = levels.windows(2).map(|w| w[1] - w[0]).fold(f64::INFINITY, f64::min);
        // neighbouring codes need not both occur: the step may be a part of the smallest difference
        (1..=3).find_map(|part| {
            let steps = ((high - low) / nearest * f64::from(part)).round();
            let about = (high - low) / steps;
            // no −0: it would come back as 0
            let code = |v: f64| (v / about).round() + 0.0;
            // product and quotient are rounded: the step itself lies within two units in the last place
            let around = |s: f64| [s, s.next_up(), s.next_down(), s.next_up().next_up(), s.next_down().next_down()];
            let mut candidates = levels.iter().map(|v| v / code(*v)).filter(|s| s.is_finite() && *s > 0.0).flat_map(around);
            let step = candidates.find(|s| values.iter().all(|v| (code(*v) * s).to_bits() == v.to_bits()))?;
            let first = code(low);
            let order =
                values.iter().map(|v| LETTERS.get((code(*v) - first) as usize).map(|c| char::from(*c))).collect::<Option<String>>()?;
            (first.abs() < 1e9).then_some(Self { step, first: first as i32, order })
        })
    }

    fn values(&self) -> Result<Vec<f64>, &'static str> {
        let at = |letter: u8| LETTERS.iter().position(|l| *l == letter).ok_or("`order` has what is no letter");
        self.order.bytes().map(|letter| Ok((f64::from(self.first) + at(letter)? as f64) * self.step)).collect()
    }
}

impl From<PointReadings> for Written {
    fn from(PointReadings { point, values, missing }: PointReadings) -> Self {
        match Codes::of(&values) {
            Some(Codes { step, first, order }) => {
                Self { point, values: Vec::new(), step: Some(step), first: Some(first), order: Some(order), missing }
            }
            None => Self { point, values, step: None, first: None, order: None, missing },
        }
    }
}

impl TryFrom<Written> for PointReadings {
    type Error = &'static str;

    fn try_from(w: Written) -> Result<Self, Self::Error> {
        let values = match (w.step, w.first, w.order) {
            (None, None, None) => w.values,
            (Some(step), Some(first), Some(order)) if w.values.is_empty() => Codes { step, first, order }.values()?,
            _ => return Err("readings are either `values` or `step`, `first` and `order`"),
        };
        Ok(Self { point: w.point, values, missing: w.missing })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn of(values: Vec<f64>) -> PointReadings {
        PointReadings { point: 3, values, missing: vec![(1, NoReading::TimedOut)] }
    }
    fn bits(p: &PointReadings) -> Vec<u64> {
        p.values.iter().map(|v| v.to_bits()).collect()
    }
    fn back(p: &PointReadings) -> PointReadings {
        serde_json::from_str(&serde_json::to_string(p).unwrap()).unwrap()
    }

    #[test]
    fn multiples_of_a_step_are_written_as_codes() {
        let values = [20_001, 20_003, 20_000, 20_000].map(|c: i32| f64::from(c) * 0.000_250_05);
        let p = PointReadings { missing: Vec::new(), ..of(values.to_vec()) };
        let text = serde_json::to_string(&p).unwrap();
        assert_eq!(text, r#"{"point":3,"step":0.00025005,"first":20000,"order":"bdaa"}"#);
        assert_eq!(bits(&back(&p)), bits(&p));
    }

    #[test]
    fn format_1_is_read() {
        let text = r#"{"point":3,"values":[5.1,5.0],"missing":[[1,"timed-out"]]}"#;
        assert_eq!(serde_json::from_str::<PointReadings>(text).unwrap(), of(vec![5.1, 5.0]));
    }

    #[test]
    fn what_is_no_letter_is_an_error() {
        for order in ["é", "1", " "] {
            let text = format!(r#"{{"point":0,"step":1.0,"first":0,"order":"{order}"}}"#);
            assert!(serde_json::from_str::<PointReadings>(&text).is_err(), "{order}");
        }
        assert!(serde_json::from_str::<PointReadings>(r#"{"point":0,"step":1.0,"first":0}"#).is_err());
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// A converter's codes come back bit for bit and, where neighbouring codes occur, take a letter each.
        #[test]
        fn codes_are_short_and_exact(first in -32768_i32..32000, codes in prop::collection::vec(0_i32..50, 24..60), step in 1e-6..1e-2_f64) {
            let p = of(codes.iter().chain(&[0, 1]).map(|c| f64::from(first + c) * step).collect());
            let text = serde_json::to_string(&p).unwrap();
            prop_assert_eq!(bits(&back(&p)), bits(&p));
            prop_assert!(text.len() < codes.len() + 130, "{}", text);
        }

        /// Whatever the values are, also −0 beside 0, nothing is lost.
        #[test]
        fn nothing_is_lost(codes in prop::collection::vec(-40_i32..40, 0..120), off in 0.0..1e-4_f64, zeros in any::<bool>()) {
            let mut values: Vec<f64> = codes.iter().enumerate().map(|(i, c)| f64::from(*c) * 0.00025005 + i as f64 * off).collect();
            if zeros {
                values.extend([0.0, -0.0]);
            }
            let p = of(values);
            prop_assert_eq!(bits(&back(&p)), bits(&p));
            prop_assert_eq!(back(&p).missing, p.missing);
        }
    }
}

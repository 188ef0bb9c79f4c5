//! The decision rule: a value is inside or outside its limits only by its guard band (JCGM 106:2012, 8.3; ISO 14253-1).

use crate::check::{CheckResult, Limit};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Two-sided quantile of Student's t for a probability `p` (JCGM 100 table G.2), infinite degrees of freedom allowed.
pub fn t_quantile(p: f64, dof: f64) -> f64 {
    let dof = dof.clamp(1.0, 1e6);
    StudentsT::new(0.0, 1.0, dof).map_or(f64::INFINITY, |t| t.inverse_cdf(f64::midpoint(1.0, p)))
}

/// Probability for each of `n` decisions so that all together hold with `p` (Šidák).
pub fn family(p: f64, n: usize) -> f64 {
    p.powf(1.0 / n.max(1) as f64)
}

/// Decides by guard bands of this width.
pub fn decide(value: f64, guard: f64, limit: Limit) -> CheckResult {
    let above = |low: f64, g: f64| value >= low + g;
    let below = |high: f64, g: f64| value <= high - g;
    let inside = limit.low.is_none_or(|l| above(l, guard)) && limit.high.is_none_or(|h| below(h, guard));
    let outside = limit.low.is_some_and(|l| value < l - guard) || limit.high.is_some_and(|h| value > h + guard);
    if !value.is_finite() || !guard.is_finite() {
        CheckResult::NotProven
    } else if inside {
        CheckResult::Pass
    } else if outside {
        CheckResult::Fail
    } else {
        CheckResult::Marginal
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_those_of_table_g2() {
        // JCGM 100:2008 table G.2
        for (dof, p, t) in [(1.0, 0.95, 12.71), (5.0, 0.95, 2.57), (16.0, 0.99, 2.92), (19.0, 0.95, 2.09), (50.0, 0.9973, 3.16)] {
            assert!((t_quantile(p, dof) - t).abs() < 0.006, "{dof} {p}");
        }
        assert!((t_quantile(0.95, f64::INFINITY) - 1.960).abs() < 1e-3);
    }

    #[test]
    fn a_hand_meter_reading_of_5_02_v_passes_and_4_93_v_is_not_decided() {
        // window 4.90–5.25 V (common practice, no source); meter 0.5 % + 2 digits of 10 mV
        let window = Limit { low: Some(4.90), high: Some(5.25) };
        let guard = |v: f64| 0.005 * v + 0.02;
        assert_eq!(decide(5.02, guard(5.02), window), CheckResult::Pass);
        assert_eq!(decide(4.93, guard(4.93), window), CheckResult::Marginal);
        assert_eq!(decide(5.31, guard(5.31), window), CheckResult::Fail);
    }
}

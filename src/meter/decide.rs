//! Decision with a guard band (JCGM 106:2012, 8.3; ISO 14253-1) and coverage factors.

use crate::check::{CheckResult, Limit};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// `pass` inside the limits by the guard, `fail` outside by it, else `marginal`; `not-proven` where a
/// number is missing (not finite) or there is no limit. `expanded_guard` is the guard band's width, ≥ 0.
pub fn decide(value: f64, expanded_guard: f64, limit: Limit) -> CheckResult {
    if !value.is_finite() || expanded_guard.is_nan() || expanded_guard < 0.0 || (limit.low.is_none() && limit.high.is_none()) {
        return CheckResult::NotProven;
    }
    let low = limit.low.unwrap_or(f64::NEG_INFINITY);
    let high = limit.high.unwrap_or(f64::INFINITY);
    let g = expanded_guard;
    if g.is_infinite() {
        CheckResult::Marginal
    } else if value >= low + g && value <= high - g {
        CheckResult::Pass
    } else if value < low - g || value > high + g {
        CheckResult::Fail
    } else {
        CheckResult::Marginal
    }
}

/// Two-sided coverage factor t_p(ν) (JCGM 100 table G.2); `p` in 0..1, `dof` > 0, may be infinite and
/// need not be whole.
pub fn t_quantile(p: f64, dof: f64) -> f64 {
    let upper = f64::midpoint(1.0, p.clamp(0.0, 1.0 - 1e-12));
    if dof.is_nan() || dof <= 0.0 {
        return f64::INFINITY; // nothing is known about the spread
    }
    if dof < 1e6
        && let Ok(t) = StudentsT::new(0.0, 1.0, dof)
    {
        return t.inverse_cdf(upper);
    }
    Normal::standard().inverse_cdf(upper)
}

/// Probability that the true value lies inside the limits, normal (JCGM 106, 7.2 to 7.4).
pub fn conformance_probability(value: f64, standard: f64, limit: Limit) -> f64 {
    let normal = Normal::standard();
    let below = |edge: f64| normal.cdf((edge - value) / standard);
    limit.high.map_or(1.0, below) - limit.low.map_or(0.0, below)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limit(low: Option<f64>, high: Option<f64>) -> Limit {
        Limit { low, high }
    }

    #[test]
    fn three_zones() {
        // JCGM 106 resistor production: T 1499.80..1500.20 Ω, A 1499.82..1500.18 Ω, so w = 0.02 Ω.
        let t = limit(Some(1499.80), Some(1500.20));
        for (y, expected) in [
            (1500.0, CheckResult::Pass),
            (1499.8201, CheckResult::Pass),
            (1500.1801, CheckResult::Marginal),
            (1500.2199, CheckResult::Marginal),
            (1500.2201, CheckResult::Fail),
            (1499.7799, CheckResult::Fail),
        ] {
            assert_eq!(decide(y, 0.02, t), expected, "{y}");
        }
        // JCGM 106 8.3.2: speed limit 100 km/h, 2 %: 107 km/h proves it exceeded at 99.9 % (from memory).
        assert_eq!(decide(107.0, 3.0902 * 0.02 * 106.59, limit(None, Some(100.0))), CheckResult::Fail);
        assert_eq!(decide(106.0, 3.0902 * 0.02 * 106.59, limit(None, Some(100.0))), CheckResult::Marginal);
        assert_eq!(decide(f64::NAN, 0.1, t), CheckResult::NotProven);
        assert_eq!(decide(1500.0, 0.1, limit(None, None)), CheckResult::NotProven);
        assert_eq!(decide(1500.0, 0.5, t), CheckResult::Marginal);
    }

    #[test]
    fn published_conformance_probabilities() {
        // JCGM 106 7.2.2 and 7.4 (inputs from memory, results computed): 0.92, 0.99, 0.66.
        for (y, u, l, p) in [
            (-5.47, 0.05, limit(None, Some(-5.40)), 0.919_243),
            (509.7, 8.6, limit(Some(490.0), None), 0.989_010),
            (13.6, 1.8, limit(Some(12.5), Some(16.3)), 0.662_630),
        ] {
            assert!((conformance_probability(y, u, l) - p).abs() < 1e-5, "{y}");
        }
    }

    #[test]
    fn table_g2() {
        // JCGM 100 table G.2 (row 16 read; others computed), two decimals.
        let p = [0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973];
        for (nu, row) in [
            (1.0, [1.84, 6.31, 12.71, 13.97, 63.66, 235.78]),
            (2.0, [1.32, 2.92, 4.30, 4.53, 9.92, 19.21]),
            (5.0, [1.11, 2.02, 2.57, 2.65, 4.03, 5.51]),
            (16.0, [1.03, 1.75, 2.12, 2.17, 2.92, 3.54]),
            (19.0, [1.03, 1.73, 2.09, 2.14, 2.86, 3.45]),
            (50.0, [1.01, 1.68, 2.01, 2.05, 2.68, 3.16]),
            (f64::INFINITY, [1.00, 1.645, 1.960, 2.000, 2.576, 3.000]),
        ] {
            for (p, t) in p.iter().zip(row) {
                assert!((t_quantile(*p, nu) - t).abs() < if t > 200.0 { 0.1 } else { 0.0051 }, "{nu} {p}");
            }
        }
    }
}

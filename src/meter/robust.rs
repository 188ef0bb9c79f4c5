//! Robust means and coverage factors.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// An estimate with its standard error (infinite where it is not known) and the degrees of freedom of that.
pub type Estimate = crate::units::Measured<f64>;

/// Mean with `fraction` of the values cut at each end; standard error from the winsorised
/// variance (Yuen 1974, Biometrika 61:165). `fraction` 0 is the plain mean. `None` where empty.
pub fn trimmed(values: &[f64], fraction: f64) -> Option<Estimate> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let cut = (fraction * n as f64).floor() as usize;
    let mut sorted = values.to_vec();
    if cut > 0 {
        sorted.sort_unstable_by(f64::total_cmp);
    }
    let kept = &sorted[cut..n - cut];
    let h = kept.len() as f64;
    let value = kept.iter().sum::<f64>() / h;
    if kept.len() < 2 {
        return Some(Estimate { value, standard: f64::INFINITY, dof: 0.0 });
    }
    let ends = if cut > 0 { [kept[0], kept[kept.len() - 1]] } else { [f64::MIN, f64::MAX] };
    let winsorised = || sorted.iter().map(|v| v.clamp(ends[0], ends[1]));
    let mean = winsorised().sum::<f64>() / n as f64;
    let squares = winsorised().map(|v| (v - mean).powi(2)).sum::<f64>();
    Some(Estimate { value, standard: (squares / (h * (h - 1.0))).sqrt(), dof: h - 1.0 })
}

/// Two-sided coverage factor for 95 % over a family of `members` checks (Šidák 1967): each is held at
/// `1 − 0.95^(1/members)`. Normal quantile beyond 200 degrees of freedom is near enough to Student's.
pub fn coverage_factor(dof: f64, members: usize) -> f64 {
    let alpha = 1.0 - 0.95_f64.powf(1.0 / members.max(1) as f64);
    let dof = if dof.is_finite() { dof.clamp(1.0, 1e4) } else { 1e4 };
    StudentsT::new(0.0, 1.0, dof).map_or(2.0, |t| t.inverse_cdf(1.0 - alpha / 2.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coverage_factors_agree_with_tables() {
        // t quantiles 97.5 %: 2.228 (10), 1.960 (infinite); JCGM 100:2008 table G.2
        assert!((coverage_factor(10.0, 1) - 2.228).abs() < 1e-2);
        assert!((coverage_factor(f64::INFINITY, 1) - 1.960).abs() < 1e-2);
        assert!(coverage_factor(1e6, 72) > 3.2, "a family needs a wider guard");
    }

    #[test]
    fn trimming_ignores_a_burst() {
        let mut values = vec![1.0; 18];
        values.extend([9.0, 9.0]);
        assert_eq!(trimmed(&values, 0.2).map(|e| e.value), Some(1.0));
        assert!((trimmed(&values, 0.0).map_or(0.0, |e| e.value) - 1.8).abs() < 1e-12);
        assert!(trimmed(&[], 0.2).is_none());
    }
}

//! Welch's test.

use crate::meter::stats::combine;
use crate::units::Measured;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Welch's test of two means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Welch {
    /// First minus second.
    pub difference: f64,
    /// Standard uncertainty of the difference.
    pub standard: f64,
    /// Difference over its standard uncertainty.
    pub t: f64,
    /// Degrees of freedom (Welch 1947, Satterthwaite 1946).
    pub dof: f64,
}

/// Welch's test of two estimates, each with its standard error and degrees of freedom. `None` where neither has any
/// uncertainty, or one has no degrees of freedom: then nothing can be tested.
pub fn welch(a: Measured<f64>, b: Measured<f64>) -> Option<Welch> {
    let usable = |m: Measured<f64>| m.standard.is_finite() && m.dof > 0.0;
    if !usable(a) || !usable(b) {
        return None;
    }
    let (standard, dof) = combine(&[(a.standard, a.dof), (b.standard, b.dof)]);
    let difference = a.value - b.value;
    (standard > 0.0).then(|| Welch { difference, standard, t: difference / standard, dof })
}

/// Two-sided coverage factor at 95 % over a family of `members` (Šidák 1967): each is held at `1 − 0.95^(1/members)`.
pub fn two_sided_factor(dof: f64, members: usize) -> f64 {
    let alpha = 1.0 - 0.95_f64.powf(1.0 / members.max(1) as f64);
    let dof = if dof.is_finite() { dof.clamp(1.0, 1e6) } else { 1e6 };
    StudentsT::new(0.0, 1.0, dof).map_or(f64::INFINITY, |t| t.inverse_cdf(1.0 - alpha / 2.0))
}

//! Statistics of readings: means, spread, standard errors, and responses between references.

use crate::units::Measured;

/// Mean; `None` of nothing. Shifted by the first value, which keeps the digits of a small spread on a
/// large level.
pub fn mean(xs: &[f64]) -> Option<f64> {
    let first = *xs.first()?;
    let n = xs.len() as f64;
    let rough = first + xs.iter().map(|x| x - first).sum::<f64>() / n;
    Some(rough + xs.iter().map(|x| x - rough).sum::<f64>() / n)
}

/// Experimental standard deviation (n − 1), corrected two-pass; `None` below two values.
pub fn sd(xs: &[f64]) -> Option<f64> {
    if xs.len() < 2 {
        return None;
    }
    let m = mean(xs)?;
    let n = xs.len() as f64;
    let (sum, squares) = xs.iter().fold((0.0, 0.0), |(s, q), x| (s + (x - m), q + (x - m) * (x - m)));
    Some(((squares - sum * sum / n) / (n - 1.0)).max(0.0).sqrt())
}

/// Median; `None` of nothing.
pub fn median(xs: &[f64]) -> Option<f64> {
    let mut sorted = xs.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    (n > 0).then(|| f64::midpoint(sorted[(n - 1) / 2], sorted[n / 2]))
}

/// Mean of what lies within 3.5 robust standard deviations (1.4826 · MAD) of the median: bursts of the
/// controller's load do not pull it.
pub fn robust_mean(xs: &[f64]) -> Option<f64> {
    let centre = median(xs)?;
    let deviations: Vec<f64> = xs.iter().map(|x| (x - centre).abs()).collect();
    let reach = 3.5 * 1.4826 * median(&deviations)?;
    if reach == 0.0 {
        return Some(centre); // more than half are equal, as coarse steps make them
    }
    let kept: Vec<f64> = xs.iter().copied().filter(|x| (x - centre).abs() <= reach).collect();
    mean(&kept)
}

/// Mean with its standard error. Neighbouring readings resemble one another, so the error is also
/// computed from means of blocks of about √n readings, and the larger of both is taken with its degrees
/// of freedom. `None` below two values.
pub fn standard_error(xs: &[f64]) -> Option<Measured<f64>> {
    let value = mean(xs)?;
    let n = xs.len();
    let plain = Measured { value, standard: sd(xs)? / (n as f64).sqrt(), dof: n as f64 - 1.0 };
    let length = (n as f64).sqrt() as usize;
    if n < 16 {
        return Some(plain);
    }
    let means: Vec<f64> = xs.chunks_exact(length).filter_map(mean).collect();
    let blocks = means.len() as f64;
    let blocked = Measured { value, standard: sd(&means)? / blocks.sqrt(), dof: blocks - 1.0 };
    Some(if blocked.standard > plain.standard { blocked } else { plain })
}

/// Response of a lit frame between black references.
#[derive(Clone, Debug, PartialEq)]
pub struct Bracket {
    /// Response of each cycle: lit minus the mean of its two neighbouring references.
    pub cycles: Vec<f64>,
    /// Their mean with its Type A standard uncertainty.
    pub response: Measured<f64>,
}

/// From window means in the order reference, lit, reference, …, reference: one more reference than lit.
/// A drift that is linear over a cycle cancels. `None` where the counts do not fit or nothing is lit;
/// one cycle alone has an infinite uncertainty with zero degrees of freedom.
pub fn bracket(references: &[f64], lit: &[f64]) -> Option<Bracket> {
    if lit.is_empty() || references.len() != lit.len() + 1 {
        return None;
    }
    let cycles: Vec<f64> = lit.iter().zip(references.windows(2)).map(|(l, r)| l - f64::midpoint(r[0], r[1])).collect();
    let n = cycles.len() as f64;
    let value = mean(&cycles)?;
    // With window variance v a cycle has 1.5 v and neighbours, which share a reference, covary by v/4:
    // E(s²) = v (1.5 − 0.5/n) and var(mean) = v (2 n − 0.5) / n².
    let standard = sd(&cycles).map_or(f64::INFINITY, |s| s * ((2.0 * n - 0.5) / (1.5 - 0.5 / n)).sqrt() / n);
    Some(Bracket { cycles, response: Measured { value, standard, dof: n - 1.0 } })
}

/// Combined standard uncertainty and effective degrees of freedom of independent contributions given as
/// (standard uncertainty, degrees of freedom) (Welch–Satterthwaite, JCGM 100 G.4.1).
pub fn combine(parts: &[(f64, f64)]) -> (f64, f64) {
    let square: f64 = parts.iter().map(|(u, _)| u * u).sum();
    // A part without uncertainty contributes nothing, even with zero degrees of freedom.
    let denominator: f64 = parts.iter().filter(|(u, _)| *u != 0.0).map(|(u, nu)| u.powi(4) / nu).sum();
    (square.sqrt(), if denominator > 0.0 { square * square / denominator } else { f64::INFINITY })
}

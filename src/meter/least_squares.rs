//! Linear least squares by Householder QR of the scaled columns; a straight line is its simplest case.

use super::robust::Estimate;
use nalgebra::{DMatrix, DVector};

/// Fitted coefficients.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Each with its standard error; rows − columns degrees of freedom.
    pub coefficients: Vec<Estimate>,
    /// Residual standard deviation.
    pub residual: f64,
}

/// Fits `y ≈ Σ cⱼ · columns[j]`. `None` where there are not more rows than columns, a column's length differs, or columns depend on one
/// another.
pub fn least_squares(columns: &[Vec<f64>], y: &[f64]) -> Option<Fit> {
    let (n, m) = (y.len(), columns.len());
    if m == 0 || n <= m || columns.iter().any(|c| c.len() != n) {
        return None;
    }
    // unit columns keep the digits of powers of a large x
    let norms: Vec<f64> = columns.iter().map(|c| c.iter().map(|x| x * x).sum::<f64>().sqrt()).collect();
    if norms.iter().any(|s| !s.is_finite() || *s <= 0.0) {
        return None;
    }
    let design = DMatrix::from_fn(n, m, |i, j| columns[j][i] / norms[j]);
    let target = DVector::from_column_slice(y);
    let qr = design.clone().qr();
    let r = qr.r();
    if (0..m).any(|j| r[(j, j)].abs() < 1e-13) {
        return None;
    }
    let solve = |b: &DVector<f64>| r.solve_upper_triangular(&(qr.q().transpose() * b));
    let mut c = solve(&target)?;
    // one step of refinement regains what rounding lost
    c += solve(&(&target - &design * &c))?;
    let squares = (&target - &design * &c).norm_squared();
    let dof = (n - m) as f64;
    let residual = (squares / dof).sqrt();
    let inverse = r.solve_upper_triangular(&DMatrix::identity(m, m))?;
    let coefficients =
        (0..m).map(|j| Estimate { value: c[j] / norms[j], standard: residual * inverse.row(j).norm() / norms[j], dof }).collect();
    Some(Fit { coefficients, residual })
}

/// A straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Slope with standard error; n − 2 degrees of freedom.
    pub slope: Estimate,
    /// Value at x = 0 with standard error.
    pub intercept: Estimate,
    /// Residual standard deviation.
    pub residual: f64,
}

/// The line through `(x, y)`; `None` below three points or where all x are equal.
pub fn line(points: &[(f64, f64)]) -> Option<Line> {
    let (xs, ys): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    let fit = least_squares(&[vec![1.0; xs.len()], xs], &ys)?;
    Some(Line { intercept: fit.coefficients[0], slope: fit.coefficients[1], residual: fit.residual })
}

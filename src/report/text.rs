//! Stable figures, and escaping.

pub use crate::drawing::escape;

/// Rounded to six significant figures, so that another machine's last bits don't matter; no `-0`.
pub(crate) fn round(value: f64) -> f64 {
    let rounded = format!("{value:.5e}").parse::<f64>().unwrap_or(value);
    // differences of nearly equal levels leave residues far below any reading
    if rounded.abs() < 1e-9 { 0.0 } else { rounded }
}

/// A figure for people: four decimals at most, no trailing zeros.
pub(crate) fn figure(value: f64) -> String {
    let text = format!("{value:.4}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_stable() {
        assert_eq!(round(5.020_000_000_000_1), 5.02);
        assert_eq!(round(-1e-17), 0.0);
        assert!(round(-1e-17).is_sign_positive());
        assert_eq!((figure(-0.00001), figure(5.10), figure(3.0)), ("0".into(), "5.1".into(), "3".into()));
    }
}

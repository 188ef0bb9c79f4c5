//! Blade fuses as resistive elements.

use crate::build::Feed;

/// A fuse need not open below this multiple of its rating (conventional fusing current; ISO 8820-3 by way of maker
/// tables).
pub const CONVENTIONAL_FUSING: f64 = 1.35;
/// A warm fuse has this much more resistance than a cold one (maker table, from memory).
pub const HOT_FACTOR: f64 = 1.4;
/// Contacts of one holder, Ω (from memory, 1–3 mΩ per blade pair).
const HOLDER_OHM: f64 = 0.002;
/// Typical cold resistance by rating, A → mΩ (maker table, from memory; 10 A also from a published measurement:
/// 1 mV at 130 mA).
const COLD: [(f64, f64); 8] = [(3.0, 31.1), (5.0, 17.9), (7.5, 10.9), (10.0, 7.7), (15.0, 4.8), (20.0, 3.4), (25.0, 2.5), (30.0, 2.0)];

/// Cold resistance of a feed's fuse with its holder, Ω.
pub fn cold_ohm(feed: &Feed) -> f64 {
    feed.fuse_ohm.map_or_else(|| typical_cold_ohm(feed.fuse_a.value()) + HOLDER_OHM, crate::units::Ohms::value)
}

/// Between listed ratings resistance goes by a power of the rating (straight line in logarithms).
fn typical_cold_ohm(rating: f64) -> f64 {
    let last = COLD.len() - 1;
    let i = COLD.iter().position(|(a, _)| rating <= *a).unwrap_or(last).clamp(1, last);
    let ((a0, r0), (a1, r1)) = (COLD[i - 1], COLD[i]);
    let t = (rating / a0).ln() / (a1 / a0).ln();
    r0 * (r1 / r0).powf(t) / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn listed_ratings_are_met_and_others_lie_between() {
        assert!((typical_cold_ohm(10.0) - 0.0077).abs() < 1e-9);
        assert!((typical_cold_ohm(5.0) - 0.0179).abs() < 1e-9);
        let between = typical_cold_ohm(12.0);
        assert!(between < 0.0077 && between > 0.0048);
        assert!(typical_cold_ohm(1.0) > 0.0311);
    }
}

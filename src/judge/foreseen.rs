//! Whether a run of a plan would be sure enough to find a fault, before anything is measured.

use super::dictionary::{Effect, Hypothesis};
use super::explain::{CONVINCED, FAULTY};
use super::pattern::{Metric, Pattern};
use statrs::distribution::{ContinuousCDF, Normal};
use std::collections::BTreeMap;

/// Share of runs in which a fault that counts as proven may be missed.
const MISSED: f64 = 0.005;
/// How many standard deviations below its expectation a fault's evidence then may fall and still convince.
const UNLUCKY: f64 = 2.6;

/// What may be expected of the evidence for a fault.
pub(super) struct Foreseen {
    /// Found in all but [`MISSED`] of the runs.
    pub sure: bool,
    /// Would be found in a sign of nominal parts, but tolerances may even it out.
    pub evens_out: bool,
    /// Standard deviations by which it stands out of a sound sign.
    pub sigmas: f64,
}

/// Of a fault of this size, in the unit of the hypothesis' slope, in a sound sign.
pub(super) fn foreseen(pattern: &Pattern, metric: &Metric, h: &Hypothesis, magnitude: f64) -> Foreseen {
    let prior = h.ln_prior + (FAULTY / 12.0_f64).ln();
    let (shift, occam) = match &h.effect {
        Effect::Gains(rows) => (rows.iter().map(|&(i, g)| (i, pattern.rows[i].mean * (g - 1.0))).collect::<Vec<_>>(), 0.0),
        Effect::Shifts(rows) => (rows.clone(), 0.0),
        Effect::Slope { rows, low, high } => (rows.iter().map(|&(i, d)| (i, d * magnitude)).collect(), -((high - low).ln())),
        Effect::Weaker { rows, low, high } => {
            (rows.iter().map(|&i| (i, -pattern.rows[i].mean * magnitude)).collect(), -((high - low).ln()))
        }
    };
    let square = metric.square(&shift).max(0.0);
    let occam = match h.effect {
        Effect::Gains(_) | Effect::Shifts(_) => 0.0,
        _ => (0.5 * (2.0 * std::f64::consts::PI * magnitude * magnitude / square.max(1e-12)).ln() + occam).min(0.0),
    };
    let sigmas = square.sqrt();
    let needed = UNLUCKY + (2.0 * (CONVINCED - prior - occam)).sqrt();
    let enough = sigmas >= needed;
    let evens_out = enough && evened_out(pattern, metric, h, &shift, needed) > MISSED;
    Foreseen { sure: enough && !evens_out, evens_out, sigmas }
}

/// Probability that what a panel shows in another colour's place draws the same as its own, because their tolerances even out: above the
/// true one, since every panel alone must stay below what is needed.
fn evened_out(pattern: &Pattern, metric: &Metric, h: &Hypothesis, shift: &[(usize, f64)], needed: f64) -> f64 {
    if h.colours.is_empty() {
        return 0.0;
    }
    let normal = Normal::standard();
    // a panel's three colours are neighbours among the unknowns
    let mut panels: BTreeMap<usize, Vec<(usize, f64)>> = BTreeMap::new();
    for &(row, moved) in shift {
        panels.entry(pattern.rows[row].loads[0].0 / 3).or_default().push((row, moved));
    }
    panels
        .values()
        .map(|rows| {
            let (row, moved) = rows[0];
            let mean = pattern.rows[row].mean;
            let shown = h.colours.iter().find(|c| c.0 == row).map_or(0.0, |c| pattern.spread(c.1));
            let own = pattern.spread(pattern.rows[row].loads[0].0);
            // of the shift, in units of its expectation
            let spread = ((mean + moved) * shown).hypot(mean * own) / moved.abs().max(1e-9);
            let near = needed / metric.square(rows).max(1e-12).sqrt();
            if spread > 0.0 { normal.cdf((near - 1.0) / spread) - normal.cdf((-near - 1.0) / spread) } else { 0.0 }
        })
        .product()
}

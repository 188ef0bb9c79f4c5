//! Which faults explain a pattern: hypotheses compared by likelihood, each unknown magnitude paid for by Occam's factor,
//! the best taken, its look-alikes kept beside it, and the rest explained in the same way.

use super::checks::Judge;
use super::dictionary::{Effect, Hypothesis, dictionary};
use super::pattern::{Metric, Pattern, measured};
use crate::check::CheckResult;

/// A sign has some fault of the dictionary this often before anything is measured (assumed, no source).
const FAULTY: f64 = 0.2;
/// A fault is named where it is this much more probable than none (natural logarithm of the odds).
pub(crate) const CONVINCED: f64 = 4.0;
/// Look-alikes down to this share of the best are kept.
const KEPT: f64 = 0.04;
/// Most faults named in one run.
const MOST: usize = 6;

/// A fault that explains part of a pattern.
#[derive(Clone, Debug)]
pub(crate) struct Explanation {
    pub best: Hypothesis,
    /// Probability among its look-alikes.
    pub probability: f64,
    pub alternatives: Vec<(Hypothesis, f64)>,
    /// Logarithm of the odds against no (further) fault.
    pub odds: f64,
    /// Magnitude where one was fitted: volts, ohms, amperes, a share.
    pub magnitude: Option<f64>,
}

/// Everything that was found.
pub(crate) struct Explained {
    pub found: Vec<Explanation>,
    /// Odds of the best fault, convincing or not; 0 where there is nothing to explain.
    pub odds: f64,
    /// Rows, and the residual χ² under what was found.
    pub rows: usize,
    pub chi_square: f64,
}

struct State {
    mean: Vec<f64>,
    scale: Vec<f64>,
}

/// A hypothesis applied to the current means: what is added, and the fitted magnitude.
struct Fit {
    score: f64,
    shift: Vec<(usize, f64)>,
    magnitude: Option<f64>,
}

fn fit(h: &Hypothesis, state: &State, metric: &Metric, weighted: &[f64]) -> Fit {
    let prior = h.ln_prior + (FAULTY / 12.0_f64).ln();
    let dot = |a: &[(usize, f64)]| a.iter().map(|&(i, x)| x * weighted[i]).sum::<f64>();
    let slope = |direction: Vec<(usize, f64)>, low: f64, high: f64| {
        let (g, curvature) = (dot(&direction), metric.square(&direction).max(1e-12));
        let x = (g / curvature).clamp(low, high);
        let gain = x * g - 0.5 * x * x * curvature;
        // Occam: what is left of the magnitude's range after measuring
        let occam = (0.5 * (2.0 * std::f64::consts::PI / curvature).ln() - (high - low).ln()).min(0.0);
        let shift = direction.into_iter().map(|(i, d)| (i, d * x)).collect();
        Fit { score: gain + occam + prior, shift, magnitude: Some(x) }
    };
    match &h.effect {
        Effect::Gains(rows) => {
            let shift: Vec<(usize, f64)> = rows.iter().map(|&(i, g)| (i, state.mean[i] * (g - 1.0))).collect();
            let score = dot(&shift) - 0.5 * metric.square(&shift) + prior;
            Fit { score, shift, magnitude: None }
        }
        Effect::Shifts(rows) => {
            let score = dot(rows) - 0.5 * metric.square(rows) + prior;
            Fit { score, shift: rows.clone(), magnitude: None }
        }
        Effect::Slope { rows, low, high } => slope(rows.iter().map(|&(i, d)| (i, d * state.scale[i].max(0.0))).collect(), *low, *high),
        Effect::Weaker { rows, low, high } => slope(rows.iter().map(|&i| (i, -state.mean[i])).collect(), *low, *high),
    }
}

fn residual(pattern: &Pattern, state: &State) -> Vec<f64> {
    pattern.rows.iter().zip(&state.mean).map(|(r, m)| r.value - m).collect()
}

fn apply(state: &State, shift: &[(usize, f64)], pattern: &Pattern) -> State {
    let mut mean = state.mean.clone();
    for &(i, d) in shift {
        mean[i] += d;
    }
    // what is dead has no tolerance left; levels keep theirs
    let scale = mean.iter().zip(&pattern.rows).map(|(m, r)| if r.mean == 0.0 { 1.0 } else { (m / r.mean).clamp(0.0, 3.0) }).collect();
    State { mean, scale }
}

/// Explains a judged run's pattern. `None` where nothing was measured.
pub(crate) fn explain(judge: &Judge<'_>) -> Option<Explained> {
    let pattern = measured(judge);
    if pattern.rows.is_empty() {
        return None;
    }
    let mut state = State { mean: pattern.rows.iter().map(|r| r.mean).collect(), scale: vec![1.0; pattern.rows.len()] };
    let mut metric = Metric::new(&pattern, &state.scale)?;
    let mut left = residual(&pattern, &state);
    let mut weighted = metric.solve(&left);
    let chi_square = |left: &[f64], weighted: &[f64]| left.iter().zip(weighted).map(|(a, b)| a * b).sum::<f64>();
    let rows = pattern.rows.len();
    // solving the network anew pays only where something is odd
    let odd = chi_square(&left, &weighted) > rows as f64 + 3.0 * (2.0 * rows as f64).sqrt()
        || judge.checks.iter().any(|c| c.result == CheckResult::Fail)
        || judge.record.stop().is_some();
    let hypotheses = dictionary(judge.build, judge.plan, &pattern, odd);
    let mut found: Vec<Explanation> = Vec::new();
    let mut first_odds = None;
    while found.len() < MOST {
        let fits: Vec<Fit> = hypotheses.iter().map(|h| fit(h, &state, &metric, &weighted)).collect();
        let Some(best) = (0..fits.len()).max_by(|&a, &b| fits[a].score.total_cmp(&fits[b].score)) else { break };
        first_odds.get_or_insert(fits[best].score);
        if fits[best].score < CONVINCED {
            break;
        }
        let next = apply(&state, &fits[best].shift, &pattern);
        let next_metric = Metric::new(&pattern, &next.scale)?;
        let next_left = residual(&pattern, &next);
        let next_weighted = next_metric.solve(&next_left);
        // a look-alike explains what the best explains, and has nothing left to explain after it
        let alike: Vec<usize> = (0..fits.len())
            .filter(|&i| i != best && fits[i].score > fits[best].score + KEPT.ln())
            .filter(|&i| fit(&hypotheses[i], &next, &next_metric, &next_weighted).score < CONVINCED)
            .collect();
        let weight = |i: usize| (fits[i].score - fits[best].score).exp();
        let total = 1.0 + alike.iter().map(|&i| weight(i)).sum::<f64>();
        let mut alternatives: Vec<(Hypothesis, f64)> = alike.iter().map(|&i| (hypotheses[i].clone(), weight(i) / total)).collect();
        alternatives.sort_by(|a, b| b.1.total_cmp(&a.1));
        found.push(Explanation {
            best: hypotheses[best].clone(),
            probability: 1.0 / total,
            alternatives,
            odds: fits[best].score,
            magnitude: fits[best].magnitude,
        });
        (state, metric, left, weighted) = (next, next_metric, next_left, next_weighted);
    }
    let chi_square = chi_square(&left, &weighted);
    Some(Explained { found, odds: first_odds.unwrap_or(0.0).max(0.0), rows, chi_square })
}

/// How many standard deviations below its expectation a fault's evidence may fall and still convince: 99.5 % of runs.
const UNLUCKY: f64 = 2.6;

/// Whether a run of this plan is sure enough to find a fault of this size in a sound sign, and by how many standard deviations it
/// would stand out. `magnitude` in the unit of the hypothesis' slope.
pub(crate) fn foreseen(pattern: &Pattern, metric: &Metric, h: &Hypothesis, magnitude: f64) -> (bool, f64) {
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
    let unlucky = (sigmas - UNLUCKY).max(0.0);
    (0.5 * unlucky * unlucky + occam + prior >= CONVINCED, sigmas)
}

//! Which faults explain a pattern: hypotheses compared by likelihood, each unknown magnitude paid for by Occam's factor,
//! the best taken, its look-alikes kept beside it, and the rest explained in the same way.

use super::checks::Judge;
use super::dictionary::{Effect, Hypothesis, dictionary};
use super::pattern::{Metric, Pattern, What, measured};
use crate::check::CheckResult;
use crate::frame::Cell;
use std::cmp::Reverse;
use std::collections::BTreeSet;

/// A sign has some fault of the dictionary this often before anything is measured (assumed, no source).
pub(super) const FAULTY: f64 = 0.2;
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
    /// Place in the dictionary.
    number: usize,
    /// What it costs beforehand.
    cost: f64,
}

/// Everything that was found.
pub(crate) struct Explained {
    pub found: Vec<Explanation>,
    /// Odds of the best fault, convincing or not; 0 where there is nothing to explain.
    pub odds: f64,
    /// Rows, and the residual χ² under what was found.
    pub rows: usize,
    pub chi_square: f64,
    /// Responses that stay far from what all of this would give: nothing in the dictionary does it. With their share of the expected one.
    pub misfits: Vec<(Cell, Option<u16>, f64)>,
}

#[derive(Clone)]
struct State {
    mean: Vec<f64>,
    scale: Vec<f64>,
    colours: Vec<(usize, usize)>,
}

/// A hypothesis applied to the current means: what is added, and the fitted magnitude.
#[derive(Clone)]
struct Fit {
    score: f64,
    /// What the hypothesis costs beforehand: its prior, and Occam's factor of its magnitude.
    cost: f64,
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
        Fit { score: gain + occam + prior, cost: occam + prior, shift, magnitude: Some(x) }
    };
    match &h.effect {
        Effect::Gains(rows) => {
            let shift: Vec<(usize, f64)> = rows.iter().map(|&(i, g)| (i, state.mean[i] * (g - 1.0))).collect();
            let score = dot(&shift) - 0.5 * metric.square(&shift) + prior;
            Fit { score, cost: prior, shift, magnitude: None }
        }
        Effect::Shifts(rows) => {
            let score = dot(rows) - 0.5 * metric.square(rows) + prior;
            Fit { score, cost: prior, shift: rows.clone(), magnitude: None }
        }
        Effect::Slope { rows, low, high } => slope(rows.iter().map(|&(i, d)| (i, d * state.scale[i].max(0.0))).collect(), *low, *high),
        Effect::Weaker { rows, low, high } => slope(rows.iter().map(|&i| (i, -state.mean[i])).collect(), *low, *high),
    }
}

fn residual(pattern: &Pattern, state: &State) -> Vec<f64> {
    pattern.rows.iter().zip(&state.mean).map(|(r, m)| r.value - m).collect()
}

fn apply(state: &State, shift: &[(usize, f64)], colours: &[(usize, usize)], pattern: &Pattern) -> State {
    let mut mean = state.mean.clone();
    for &(i, d) in shift {
        mean[i] += d;
    }
    // what is dead has no tolerance left; levels keep theirs
    let scale = mean.iter().zip(&pattern.rows).map(|(m, r)| if r.mean == 0.0 { 1.0 } else { (m / r.mean).clamp(0.0, 3.0) }).collect();
    State { mean, scale, colours: [&state.colours, colours].concat() }
}

/// Everything known after some faults are taken as given.
#[derive(Clone)]
struct Node {
    state: State,
    metric: Metric,
    weighted: Vec<f64>,
    /// Residual χ².
    chi_square: f64,
    /// Logarithm of the likelihood, but for a constant of the pattern.
    likelihood: f64,
}

/// A pattern and what may explain it.
struct Scene<'a> {
    pattern: &'a Pattern,
    hypotheses: &'a [Hypothesis],
}

impl Scene<'_> {
    fn node(&self, state: State) -> Option<Node> {
        let metric = Metric::new(self.pattern, &state.scale, &state.colours)?;
        let left = residual(self.pattern, &state);
        let weighted = metric.solve(&left);
        let chi_square = left.iter().zip(&weighted).map(|(a, b)| a * b).sum::<f64>();
        let likelihood = -0.5 * (chi_square + metric.ln_det());
        Some(Node { state, metric, weighted, chi_square, likelihood })
    }

    fn sound(&self) -> Option<Node> {
        let rows = &self.pattern.rows;
        self.node(State { mean: rows.iter().map(|r| r.mean).collect(), scale: vec![1.0; rows.len()], colours: Vec::new() })
    }

    /// Scores of all hypotheses at a node; exact for the most promising ones, whose own covariance is computed.
    fn fits(&self, node: &Node) -> Vec<Fit> {
        let mut fits: Vec<Fit> = self.hypotheses.iter().map(|h| fit(h, &node.state, &node.metric, &node.weighted)).collect();
        let mut order: Vec<usize> = (0..fits.len()).filter(|&i| fits[i].score > CONVINCED - 4.0).collect();
        order.sort_by(|&a, &b| fits[b].score.total_cmp(&fits[a].score));
        let promising = order.first().map_or(0.0, |&i| fits[i].score * PROMISING);
        for (rank, &i) in order.iter().enumerate() {
            if rank < EXACT && fits[i].score >= promising {
                fits[i] = self.settled(node, i, fits[i].clone()).0;
            } else {
                fits[i].score = fits[i].score.min(0.0);
            }
        }
        fits
    }

    fn after(&self, node: &Node, number: usize, f: &Fit) -> State {
        apply(&node.state, &f.shift, &self.hypotheses[number].colours, self.pattern)
    }

    /// A fit with its exact score, and what is known after it. What a fault multiplies it multiplies with its tolerance, so a magnitude is
    /// fitted again under the covariance that it makes.
    fn settled(&self, node: &Node, number: usize, mut f: Fit) -> (Fit, Option<Node>) {
        let (low, high) = match self.hypotheses[number].effect {
            Effect::Slope { low, high, .. } | Effect::Weaker { low, high, .. } => (low, high),
            Effect::Gains(_) | Effect::Shifts(_) => (0.0, 0.0),
        };
        let mut next = self.node(self.after(node, number, &f));
        for _ in 0..SETTLED {
            let (Some(x), Some(now)) = (f.magnitude.filter(|x| *x != 0.0), &next) else { break };
            let unit: Vec<(usize, f64)> = f.shift.iter().map(|&(i, d)| (i, d / x)).collect();
            let pull = unit.iter().map(|&(i, d)| d * now.weighted[i]).sum::<f64>();
            let better = (x + pull / now.metric.square(&unit).max(1e-12)).clamp(low, high);
            if (better - x).abs() < SAME * x.abs() {
                break;
            }
            f.shift = unit.into_iter().map(|(i, d)| (i, d * better)).collect();
            f.magnitude = Some(better);
            next = self.node(self.after(node, number, &f));
        }
        f.score = next.as_ref().map_or(f64::NEG_INFINITY, |n| n.likelihood - node.likelihood + f.cost);
        (f, next)
    }

    /// Takes hypothesis `best` as given, with its look-alikes: those that explain what it explains, and have nothing left to explain
    /// after it.
    fn take(&self, node: &Node, fits: &[Fit], best: usize) -> Option<(Explanation, Node)> {
        let (best_fit, next) = self.settled(node, best, fits[best].clone());
        let next = next?;
        let alike: Vec<usize> = (0..fits.len())
            .filter(|&i| i != best && fits[i].score > fits[best].score + KEPT.ln())
            .filter(|&i| fit(&self.hypotheses[i], &next.state, &next.metric, &next.weighted).score < CONVINCED)
            .collect();
        let weight = |i: usize| (fits[i].score - fits[best].score).exp();
        let total = 1.0 + alike.iter().map(|&i| weight(i)).sum::<f64>();
        let mut alternatives: Vec<(Hypothesis, f64)> = alike.iter().map(|&i| (self.hypotheses[i].clone(), weight(i) / total)).collect();
        alternatives.sort_by(|a, b| b.1.total_cmp(&a.1));
        let explanation = Explanation {
            best: self.hypotheses[best].clone(),
            probability: 1.0 / total,
            alternatives,
            odds: fits[best].score,
            magnitude: best_fit.magnitude,
            number: best,
            cost: best_fit.cost,
        };
        Some((explanation, next))
    }

    /// Faults that together account for everything dead, the largest first. Where a whole feed or the whole wall is dark, no single one
    /// of them makes the rest more likely, so that going step by step would not find them.
    fn cover(&self) -> Vec<usize> {
        let dead = |i: usize| {
            let r = &self.pattern.rows[i];
            r.mean > 0.0 && r.value < DEAD * r.mean && r.mean - r.value > 5.0 * r.variance.sqrt()
        };
        let may_be_dead = |i: usize| {
            let r = &self.pattern.rows[i];
            r.mean > 0.0 && r.value < DEAD * r.mean + 4.0 * r.variance.sqrt()
        };
        let mut left: BTreeSet<usize> = (0..self.pattern.rows.len()).filter(|&i| dead(i)).collect();
        let mut out = Vec::new();
        while !left.is_empty() && out.len() < MOST {
            let covered = |h: &Hypothesis| match &h.effect {
                Effect::Gains(rows) if rows.iter().all(|&(i, gain)| gain == 0.0 && may_be_dead(i)) => {
                    rows.iter().filter(|(i, _)| left.contains(i)).count()
                }
                _ => 0,
            };
            let Some((count, best)) =
                self.hypotheses.iter().enumerate().map(|(i, h)| (covered(h), i)).max_by_key(|&(n, i)| (n, Reverse(i)))
            else {
                break;
            };
            if count == 0 {
                break;
            }
            if let Effect::Gains(rows) = &self.hypotheses[best].effect {
                rows.iter().for_each(|(i, _)| _ = left.remove(i));
            }
            out.push(best);
        }
        out
    }

    /// Goes on from a node, the best next, until nothing convinces.
    fn complete(&self, mut node: Node, mut found: Vec<Explanation>) -> Option<(Vec<Explanation>, Node)> {
        while found.len() < MOST {
            let fits = self.fits(&node);
            let Some(best) = top(&fits).filter(|&b| fits[b].score >= CONVINCED) else { break };
            let (explanation, next) = self.take(&node, &fits, best)?;
            found.push(explanation);
            node = next;
        }
        Some((found, node))
    }

    /// Looks again at each fault in the light of all the others.
    fn again(&self, found: &[Explanation]) -> Option<(Vec<Explanation>, Node)> {
        let mut out = found.to_vec();
        let with = |numbers: Vec<usize>| -> Option<Node> {
            numbers.into_iter().try_fold(self.sound()?, |node, n| {
                let f = fit(&self.hypotheses[n], &node.state, &node.metric, &node.weighted);
                self.settled(&node, n, f).1
            })
        };
        for turn in 0..out.len() {
            let node = with(out.iter().enumerate().filter(|(i, _)| *i != turn).map(|(_, e)| e.number).collect())?;
            let fits = self.fits(&node);
            if let Some(best) = top(&fits).filter(|&b| fits[b].score >= CONVINCED) {
                out[turn] = self.take(&node, &fits, best)?.0;
            }
        }
        let node = with(out.iter().map(|e| e.number).collect())?;
        Some((out, node))
    }
}

fn top(fits: &[Fit]) -> Option<usize> {
    (0..fits.len()).max_by(|&a, &b| fits[a].score.total_cmp(&fits[b].score))
}

/// A response is not explained where it stays further than this share of it, and its noise, from what the faults found would give
/// (assumed: tolerances are a third of it).
const MISFIT: f64 = 0.3;
/// A response below this share of the expected one is dead (assumed: the weakest panel is well above it).
const DEAD: f64 = 0.2;
/// Hypotheses that are scored exactly.
const EXACT: usize = 40;
/// … down to this share of the best approximate score.
const PROMISING: f64 = 0.3;
/// Times that a magnitude is fitted again, until it changes by less than this share of itself.
const SETTLED: usize = 4;
const SAME: f64 = 0.02;
/// Beginnings that are tried where one fault does not explain everything: the best of each group of look-alikes.
const BEGINNINGS: usize = 10;

fn beginnings(fits: &[Fit]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..fits.len()).filter(|&i| fits[i].score >= CONVINCED).collect();
    order.sort_by(|&a, &b| fits[b].score.total_cmp(&fits[a].score));
    let mut out: Vec<usize> = Vec::new();
    for i in order {
        let same = |&j: &usize| {
            let (a, b) = (&fits[i].shift, &fits[j].shift);
            a.len() == b.len() && a.iter().zip(b).all(|(x, y)| x.0 == y.0 && (x.1 - y.1).abs() < 0.2 * x.1.abs().max(y.1.abs()) + 1e-9)
        };
        if !out.iter().any(same) {
            out.push(i);
        }
        if out.len() == BEGINNINGS {
            break;
        }
    }
    out
}

/// Explains a judged run's pattern. `None` where nothing was measured.
pub(crate) fn explain(judge: &Judge<'_>) -> Option<Explained> {
    let pattern = measured(judge);
    if pattern.rows.is_empty() {
        return None;
    }
    let rows = pattern.rows.len();
    let start = Scene { pattern: &pattern, hypotheses: &[] }.sound()?;
    // solving the network anew pays only where something is odd
    let odd = start.chi_square > rows as f64 + 3.0 * (2.0 * rows as f64).sqrt()
        || judge.checks.iter().any(|c| c.result == CheckResult::Fail)
        || judge.record.stop().is_some();
    let hypotheses = dictionary(judge.build, judge.plan, &pattern, odd);
    let scene = Scene { pattern: &pattern, hypotheses: &hypotheses };
    let fits = scene.fits(&start);
    let first_odds = top(&fits).map_or(0.0, |b| fits[b].score.max(0.0));
    let (mut found, mut node) = scene.complete(start.clone(), Vec::new())?;
    let far = |node: &Node, i: usize| {
        let (row, mean) = (&pattern.rows[i], node.state.mean[i]);
        (row.value - mean).abs() > MISFIT * mean.abs().max(row.mean) + 6.0 * row.variance.sqrt()
    };
    if found.len() > 1 || (0..rows).any(|i| far(&node, i)) {
        // the best first fault may be a wrong one that covers parts of two: other beginnings are tried to their ends
        let evidence = |found: &[Explanation], n: &Node| n.likelihood + found.iter().map(|e| e.cost).sum::<f64>();
        let single = beginnings(&fits).into_iter().map(|b| vec![b]);
        for begin in single.chain([scene.cover()]) {
            let (mut other, mut after) = (Vec::new(), start.clone());
            for hypothesis in begin {
                let fits = scene.fits(&after);
                let (explanation, next) = scene.take(&after, &fits, hypothesis)?;
                other.push(explanation);
                after = next;
            }
            let (other, after) = scene.complete(after, other)?;
            if evidence(&other, &after) > evidence(&found, &node) + 1e-9 {
                (found, node) = (other, after);
            }
        }
        if found.len() > 1
            && let Some((other, after)) = scene.again(&found)
        {
            (found, node) = (other, after);
        }
    }
    let misfit = |i: usize| far(&node, i);
    let cell = |i: usize| match pattern.rows[i].what {
        What::Common(c) | What::Own(c) => Some((c, None, pattern.rows[i].value / pattern.rows[i].mean)),
        What::Block(c, b) => Some((c, Some(b), pattern.rows[i].value / pattern.rows[i].mean)),
        What::Current(c, b) => Some((c, b, pattern.rows[i].value)),
        What::Level(_) | What::Idle(_) => None,
    };
    let misfits: Vec<_> = (0..rows).filter(|&i| misfit(i)).filter_map(cell).collect();
    if !misfits.is_empty() {
        // what was taken to come near them is no explanation
        found.retain(|e| !e.best.rows().any(|i| cell(i).is_some() && misfit(i)));
    }
    Some(Explained { misfits, found, odds: first_odds, rows, chi_square: node.chi_square })
}

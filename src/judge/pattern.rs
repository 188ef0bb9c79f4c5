//! The pattern of a run: every response and level as a row with its noise, and what may legitimately differ from sign to
//! sign (part tolerance, lead resistance, setting, draw) as shared, unknown loads on those rows.
//!
//! Model (a linear Gaussian one; JCGM 100:2008 for the parts, Bayes' theorem for the comparison): row = mean of a hypothesis +
//! Σ load · nuisance + noise. Nuisances have known spreads, so a row's residuals are compared under the covariance
//! `D + L Σ Lᵀ`, inverted by Woodbury's identity.

use super::checks::Judge;
use super::stats::trimmed;
use crate::build::{Build, Node, PanelType};
use crate::event::{Role, Stage, StopCause};
use crate::frame::{Cell, FrameSpec};
use crate::plan::Step;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Spread of the resistance of a lead with its fuse against the stated one, relative (assumed, no source: conductors are up to
/// 10 % below their table value, fuses ± 5 to 15 %).
const RESISTANCE_SD: f64 = 0.09;
/// Conductors lie below their table value, which is a limit, on average by this (assumed, no source).
const RESISTANCE_BIAS: f64 = -0.04;
/// Spread of the controller's steady draw against the stated one, relative (assumed, no source).
const DRAW_SD: f64 = 0.12;

/// A supply trimmed with a hand meter of 0.5 % + 2 digits (common practice, no source), half of that limit.
const TRIM_SD_V: f64 = 0.023;

/// What a row measures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum What {
    /// Response of a cell over the expected one, at a point that the cell's supply has in common.
    Common(Cell),
    /// Response of a cell over the expected one, of its feed's own lead.
    Own(Cell),
    /// Response of a driver chip over the expected one.
    Block(Cell, u16),
    /// Level of a sense point with nothing lit, minus the expected one, volts.
    Level(usize),
}

/// One measured quantity.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    pub what: What,
    /// Measured value.
    pub value: f64,
    /// Noise variance.
    pub variance: f64,
    /// Expected value where nothing is wrong.
    pub mean: f64,
    /// Volts of one unit of the row (expected response), for resistances; 1 for levels.
    pub volts: f64,
    /// Expected response at `point` itself, volts (`volts` less what `base` moves by).
    pub total: f64,
    /// Sense point whose response was taken off.
    pub base: Option<usize>,
    /// Current of the expected response, amperes.
    pub amps: f64,
    /// Sense point of a common or level row, of the own lead otherwise.
    pub point: usize,
    loads: Vec<(usize, f64)>,
}

/// All rows with their shared unknowns.
pub(crate) struct Pattern {
    pub rows: Vec<Row>,
    priors: Vec<f64>,
}

/// Sense points that a panel's response is read at: a common one of its supply, and its own feed's end.
pub(crate) fn channels(build: &Build, usable: &[usize], feed: usize) -> (Option<usize>, Option<usize>) {
    let supply = build.feeds[feed].supply;
    let at = |want: &dyn Fn(Node) -> bool| usable.iter().copied().find(|&p| want(build.sense[p].node));
    let own = at(&|n| match n {
        Node::FeedEnd(f) => f == feed,
        Node::Panel(p) => build.panels[p].feed == feed,
        _ => false,
    });
    let common = at(&|n| n == Node::Distribution(supply))
        .or_else(|| at(&|n| n == Node::Supply(supply)))
        .or_else(|| at(&|n| matches!(n, Node::FeedEnd(f) if f != feed && build.feeds[f].supply == supply)));
    (common, own)
}

struct Unknowns<'a> {
    build: &'a Build,
}

impl Unknowns<'_> {
    fn colour(&self, panel: usize, colour: usize) -> usize {
        panel * 3 + colour
    }
    fn common(&self, supply: usize) -> usize {
        self.build.panels.len() * 3 + supply
    }
    fn feed(&self, feed: usize) -> usize {
        self.common(self.build.supplies.len()) + feed
    }
    fn set(&self, supply: usize) -> usize {
        self.feed(self.build.feeds.len()) + supply
    }
    fn draw(&self) -> usize {
        self.set(self.build.supplies.len())
    }
    fn spreads(&self, level_in_doubt: bool) -> Vec<f64> {
        let b = self.build;
        let mut out = Vec::new();
        for p in &b.panels {
            out.extend([b.panel_types[p.kind].tolerance_pct / 200.0; 3]);
        }
        out.extend(vec![RESISTANCE_SD; b.supplies.len() + b.feeds.len()]);
        // any setting within the accepted window is legitimate; once a level is outside it, a setting is what a hand meter trims it to
        out.extend(b.supplies.iter().map(|s| if level_in_doubt { TRIM_SD_V } else { (s.accept_v[1] - s.accept_v[0]).value() / 4.0 }));
        out.push(DRAW_SD);
        out
    }
}

/// Collects the rows of a judged run.
pub(crate) fn pattern(judge: &Judge<'_>) -> Pattern {
    let build = judge.build;
    let unknowns = Unknowns { build };
    let mut rows = Vec::new();
    let usable: Vec<usize> = judge.volts_points().into_iter().filter(|&p| !judge.record.stuck(p)).collect();
    if let Some(responses) = &judge.responses {
        for step in judge.plan.steps.iter().filter(|s| s.stage == Stage::Sweep) {
            let (cell, block) = match step.frame {
                FrameSpec::Cell(cell) => (cell, None),
                FrameSpec::Block { cell, block } => (cell, Some(block)),
                _ => continue,
            };
            let Some(panel) = build.panel_at(cell.port, cell.position) else { continue };
            let feed = build.panels[panel].feed;
            let supply = build.feeds[feed].supply;
            let (common, own) = channels(build, &usable, feed);
            let index = |p: usize| responses.points.iter().position(|&q| q == p);
            let t = build.panel_type(panel);
            let share = if block.is_some() { f64::from(PanelType::DRIVER_OUTPUTS) / f64::from(t.width) } else { 1.0 };
            let amps = t.full_a[cell.colour.index()].value() / 2.0 * share;
            let colour = (unknowns.colour(panel, cell.colour.index()), 1.0);
            let mut push = |what: What,
                            weights: &[(usize, f64)],
                            [total, expected]: [f64; 2],
                            point: usize,
                            base: Option<usize>,
                            load: (usize, f64)| {
                if expected.abs() < 5e-5 {
                    return;
                }
                if let Some((value, variance)) = responses.weighted(step.number, weights) {
                    let instrument = judge.instruments.get(point).copied().unwrap_or_default();
                    let variance = variance / (expected * expected) + instrument.gain_rel.powi(2);
                    rows.push(Row {
                        what,
                        value: value / expected,
                        variance,
                        mean: 1.0 + RESISTANCE_BIAS,
                        volts: expected.abs(),
                        total: total.abs(),
                        base,
                        amps,
                        point,
                        loads: vec![colour, load],
                    });
                }
            };
            let expected = |p: usize| step.expected[p];
            if block.is_none()
                && let Some(p) = common
                && let (Some(k), Some(e)) = (index(p), expected(p))
            {
                push(What::Common(cell), &[(k, 1.0)], [e; 2], p, None, (unknowns.common(supply), 1.0));
            }
            let what = block.map_or(What::Own(cell), |b| What::Block(cell, b));
            let feed_load = (unknowns.feed(feed), 1.0);
            match (own.and_then(|p| Some((p, index(p)?, expected(p)?))), common.and_then(|p| Some((p, index(p)?, expected(p)?)))) {
                (Some((p, k, e)), Some((q, c, base))) => push(what, &[(k, 1.0), (c, -1.0)], [e, e - base], p, Some(q), feed_load),
                (Some((p, k, e)), None) => push(what, &[(k, 1.0)], [e; 2], p, None, feed_load),
                (None, Some((p, k, e))) if block.is_some() => push(what, &[(k, 1.0)], [e; 2], p, None, (unknowns.common(supply), 1.0)),
                _ => {}
            }
        }
    }
    levels(judge, &usable, &unknowns, &mut rows);
    Pattern { rows, priors: unknowns.spreads(judge.level_in_doubt()) }
}

/// Levels with nothing lit: of the black frames where they were run, of the open stage otherwise, of the readings after a
/// trip where that is all there is.
fn levels(judge: &Judge<'_>, usable: &[usize], unknowns: &Unknowns<'_>, rows: &mut Vec<Row>) {
    let build = judge.build;
    let step = |stage: Stage| judge.plan.steps.iter().find(|s| s.stage == stage);
    for &point in usable {
        let readings = |s: Option<&Step>| -> Vec<f64> { s.map(|s| judge.record.steady(s.number, point)).unwrap_or_default() };
        let mut values = readings(step(Stage::Idle));
        if values.is_empty() {
            values = readings(step(Stage::Open));
        }
        if values.is_empty() && judge.stopped_dark() {
            values = judge.record.windows.iter().filter(|w| w.role == Role::After).flat_map(|w| w.values(point).iter().copied()).collect();
        }
        if values.is_empty()
            && judge.stopped_dark()
            && let Some(StopCause::Volts { point: p, value, .. }) = judge.record.stop()
            && *p == point
        {
            values = vec![*value];
        }
        let expected = step(Stage::Idle).or(step(Stage::Open)).and_then(|s| s.expected[point]);
        let (Some(e), Some(expected)) = (trimmed(&values, 0.2), expected) else { continue };
        let instrument = judge.instruments.get(point).copied().unwrap_or_default();
        let noise = if e.standard.is_finite() { e.standard } else { 5.0 * instrument.lsb };
        // the controller's draw wanders by milliamperes times milliohms over a short window
        let variance = noise.powi(2) + instrument.offset.powi(2) + (instrument.gain_rel * expected).powi(2) + 1e-6;
        let supply = judge.supply_of(point).unwrap_or(0);
        rows.push(Row {
            what: What::Level(point),
            value: e.value - expected,
            variance,
            mean: 0.0,
            volts: 1.0,
            total: 1.0,
            base: None,
            amps: 0.0,
            point,
            loads: vec![(unknowns.set(supply), 1.0), (unknowns.draw(), -0.03 * build.controller.draw_a.value() / 3.0)],
        });
    }
}

/// Inverse of the covariance, ready for residuals.
pub(crate) struct Metric {
    weights: Vec<f64>,
    loads: Vec<Vec<(usize, f64)>>,
    inner: Cholesky<f64, Dyn>,
    unknowns: usize,
}

impl Metric {
    /// Of a pattern; `scale` is the current mean over the healthy one, per row: what is dead has no tolerance either.
    pub fn new(pattern: &Pattern, scale: &[f64]) -> Option<Self> {
        let q = pattern.priors.len();
        let weights: Vec<f64> = pattern.rows.iter().map(|r| 1.0 / r.variance.max(1e-12)).collect();
        let loads: Vec<Vec<(usize, f64)>> =
            pattern.rows.iter().zip(scale).map(|(r, s)| r.loads.iter().map(|(i, l)| (*i, l * s)).collect()).collect();
        let mut inner = DMatrix::zeros(q, q);
        for (i, sd) in pattern.priors.iter().enumerate() {
            inner[(i, i)] = 1.0 / sd.powi(2).max(1e-12);
        }
        for (row, w) in loads.iter().zip(&weights) {
            for &(i, a) in row {
                for &(j, b) in row {
                    inner[(i, j)] += w * a * b;
                }
            }
        }
        Some(Self { weights, loads, inner: inner.cholesky()?, unknowns: q })
    }

    fn project(&self, v: &[(usize, f64)]) -> DVector<f64> {
        let mut out = DVector::zeros(self.unknowns);
        for &(row, x) in v {
            for &(i, l) in &self.loads[row] {
                out[i] += self.weights[row] * x * l;
            }
        }
        out
    }

    /// `C⁻¹ v` as a dense vector.
    pub fn solve(&self, v: &[f64]) -> Vec<f64> {
        let sparse: Vec<(usize, f64)> = v.iter().copied().enumerate().collect();
        let inside = self.inner.solve(&self.project(&sparse));
        v.iter()
            .zip(&self.weights)
            .zip(&self.loads)
            .map(|((x, w), load)| w * (x - load.iter().map(|(i, l)| l * inside[*i]).sum::<f64>()))
            .collect()
    }

    /// `aᵀ C⁻¹ a` for a vector that is zero but in a few rows.
    pub fn square(&self, a: &[(usize, f64)]) -> f64 {
        let direct: f64 = a.iter().map(|&(row, x)| self.weights[row] * x * x).sum();
        let u = self.project(a);
        direct - u.dot(&self.inner.solve(&u))
    }
}

//! The pattern of a run: every response and level as a row with its noise, and what may legitimately differ from sign to
//! sign (part tolerance, lead resistance, setting, draw) as shared, unknown loads on those rows.
//!
//! Model (a linear Gaussian one; JCGM 100:2008 for the parts, Bayes' theorem for the comparison): row = mean of a hypothesis +
//! Σ load · nuisance + noise. Nuisances have known spreads, so a row's residuals are compared under the covariance
//! `D + L Σ Lᵀ`, inverted by Woodbury's identity.

use super::checks::Judge;
use crate::build::{Build, Node, PanelType, Quantity};
use crate::check::PointUncertainty;
use crate::event::{Role, Stage, StopCause};
use crate::frame::{Cell, FrameSpec};
use crate::meter::robust::trimmed;
use crate::plan::{Action, Plan, Step};
use crate::power::network::{Network, Parts};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Spread of the resistance of a lead with its fuse against the stated one, relative (assumed, no source: conductors are up to
/// 10 % below their table value, fuses ± 5 to 15 %).
pub(super) const RESISTANCE_SD: f64 = 0.09;
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
    /// Current of a cell or of a driver chip over the expected one, where current is sensed.
    Current(Cell, Option<u16>),
    /// Level of a sense point with nothing lit, minus the expected one, volts.
    Level(usize),
    /// Current with nothing lit, minus the expected one, amperes.
    Idle(usize),
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
    /// Unknowns that move it, of a cell its panel's colour first.
    pub loads: Vec<(usize, f64)>,
}

/// All rows with their shared unknowns.
pub(crate) struct Pattern {
    pub rows: Vec<Row>,
    priors: Vec<f64>,
}

impl Pattern {
    /// Standard deviation of an unknown from sign to sign.
    pub fn spread(&self, unknown: usize) -> f64 {
        self.priors[unknown]
    }
}

/// Sense points that a panel's response is read at: a common one of its supply, and its own feed's end.
pub(crate) fn channels(build: &Build, usable: &[usize], feed: usize) -> (Option<usize>, Option<usize>) {
    let supply = build.feeds[feed].supply;
    let at = |want: &dyn Fn(Node) -> bool| usable.iter().copied().find(|&p| want(build.sense[p].node));
    let own = usable.iter().copied().find(|&p| build.feed_end_of(p) == Some(feed));
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

/// How a row is measured.
enum Source {
    /// A weighted sum of the responses of sense points in a step.
    Step { step: u32, weights: Vec<(usize, f64)> },
    /// The level of the row's point.
    Level,
}

/// Every row that these sense points and this plan give, each at its mean.
fn layout(build: &Build, plan: &Plan, usable: &[usize], currents: &[usize]) -> Vec<(Row, Source)> {
    let unknowns = Unknowns { build };
    let mut out = Vec::new();
    for step in plan.steps.iter().filter(|s| s.stage == Stage::Sweep) {
        let (cell, block) = match step.frame {
            FrameSpec::Cell(cell) => (cell, None),
            FrameSpec::Block { cell, block } => (cell, Some(block)),
            _ => continue,
        };
        let Some(panel) = build.panel_at(cell.port, cell.position) else { continue };
        let feed = build.panels[panel].feed;
        let supply = build.feeds[feed].supply;
        let (common, own) = channels(build, usable, feed);
        let t = build.panel_type(panel);
        let share = if block.is_some() { f64::from(PanelType::DRIVER_OUTPUTS) / f64::from(t.width) } else { 1.0 };
        let amps = t.full_a[cell.colour.index()].value() / 2.0 * share;
        let colour = (unknowns.colour(panel, cell.colour.index()), 1.0);
        let mut push = |what: What, weights: Vec<(usize, f64)>, [total, expected]: [f64; 2], load: usize| {
            if expected.abs() < 5e-5 {
                return;
            }
            let mean = 1.0 + RESISTANCE_BIAS;
            let base = weights.get(1).map(|w| w.0);
            let point = weights[0].0;
            let row = Row {
                what,
                value: mean,
                variance: 0.0,
                mean,
                volts: expected.abs(),
                total: total.abs(),
                base,
                amps,
                point,
                loads: vec![colour, (load, 1.0)],
            };
            out.push((row, Source::Step { step: step.number, weights: weights.into_iter().map(|(p, w)| (p, w / expected)).collect() }));
        };
        let with = |p: Option<usize>| p.and_then(|p| Some((p, step.expected[p]?)));
        let sensed = currents.iter().copied().filter(|&p| match build.sense[p].node {
            Node::FeedEnd(f) => f == feed,
            _ => build.supply_of(p) == Some(supply),
        });
        let (common, own) = (with(common), with(own));
        let (of_supply, of_feed) = (unknowns.common(supply), unknowns.feed(feed));
        if let (None, Some((p, e))) = (block, common) {
            push(What::Common(cell), vec![(p, 1.0)], [e; 2], of_supply);
        }
        let what = block.map_or(What::Own(cell), |b| What::Block(cell, b));
        match (own, common) {
            (Some((p, e)), Some((q, base))) => push(what, vec![(p, 1.0), (q, -1.0)], [e, e - base], of_feed),
            (Some((p, e)), None) => push(what, vec![(p, 1.0)], [e; 2], of_feed),
            (None, Some((p, e))) if block.is_some() => push(what, vec![(p, 1.0)], [e; 2], of_supply),
            _ => {}
        }
        for (p, e) in sensed.filter_map(|p| with(Some(p))).filter(|(_, e)| *e > 0.01) {
            let row = Row {
                what: What::Current(cell, block),
                value: 1.0,
                variance: 0.0,
                mean: 1.0,
                volts: e,
                total: e,
                base: None,
                amps,
                point: p,
                loads: vec![colour],
            };
            out.push((row, Source::Step { step: step.number, weights: vec![(p, 1.0 / e)] }));
        }
    }
    for &point in currents {
        let draw = (unknowns.draw(), build.controller.draw_a.value());
        let row = Row {
            what: What::Idle(point),
            value: 0.0,
            variance: 0.0,
            mean: 0.0,
            volts: 1.0,
            total: 1.0,
            base: None,
            amps: 0.0,
            point,
            loads: if build.supply_of(point) == Some(build.feeds[build.controller.feed].supply) { vec![draw] } else { Vec::new() },
        };
        out.push((row, Source::Level));
    }
    for &point in usable {
        let supply = build.supply_of(point).unwrap_or(0);
        let row = Row {
            what: What::Level(point),
            value: 0.0,
            variance: 0.0,
            mean: 0.0,
            volts: 1.0,
            total: 1.0,
            base: None,
            amps: 0.0,
            point,
            loads: vec![(unknowns.set(supply), 1.0), (unknowns.draw(), -0.03 * build.controller.draw_a.value() / 3.0)],
        };
        out.push((row, Source::Level));
    }
    out
}

/// Type B variance of a level.
fn level_type_b(build: &Build, point: usize, instrument: PointUncertainty, value: f64) -> f64 {
    // the controller's draw wanders: over a short window by a tenth of an ampere, times milliohms where volts are read
    let wander = if build.sense[point].quantity == Quantity::Amps { IDLE_A } else { 1e-3 };
    instrument.offset.powi(2) + (instrument.gain_rel * value).powi(2) + wander * wander
}

/// Amperes by which the current with nothing lit differs from the build's for reasons of the parts: the panels' idle draw, the wander
/// (assumed, no source).
const IDLE_A: f64 = 0.15;

fn of_quantity(build: &Build, quantity: Quantity) -> Vec<usize> {
    (0..build.sense.len()).filter(|&p| build.sense[p].quantity == quantity).collect()
}

/// Collects the rows of a judged run.
pub(crate) fn measured(judge: &Judge<'_>) -> Pattern {
    let build = judge.build;
    let usable: Vec<usize> = judge.volts_points().into_iter().filter(|&p| !judge.record.stuck(p)).collect();
    let currents: Vec<usize> = of_quantity(build, Quantity::Amps).into_iter().filter(|&p| !judge.record.stuck(p)).collect();
    let mut rows = Vec::new();
    for (mut row, source) in layout(build, judge.plan, &usable, &currents) {
        let instrument = judge.instruments.get(row.point).copied().unwrap_or_default();
        let found = match source {
            Source::Step { step, weights } => judge.responses.as_ref().and_then(|responses| {
                let index = |p: usize| responses.points.iter().position(|&q| q == p);
                let weights: Option<Vec<(usize, f64)>> = weights.into_iter().map(|(p, w)| Some((index(p)?, w))).collect();
                let (value, variance) = responses.weighted(step, &weights?)?;
                Some((value, variance + instrument.gain_rel.powi(2)))
            }),
            Source::Level => level(judge, row.point)
                .map(|(value, expected, noise)| (value - expected, noise + level_type_b(build, row.point, instrument, expected))),
        };
        if let Some((value, variance)) = found {
            (row.value, row.variance) = (value, variance);
            rows.push(row);
        }
    }
    Pattern { rows, priors: Unknowns { build }.spreads(judge.level_in_doubt()) }
}

/// Amperes rms by which the controller's load moves a window's mean: 0.15 A between 0.1 and 10 Hz over 0.19 s, and a burst now and
/// then (assumed, no source).
const WINDOW_LOAD_A: f64 = 0.09;
/// Noise of a reading in converter steps (assumed, no source).
const READING_STEPS: f64 = 0.8;

/// Amperes rms by which the controller's load moves between the readings of two points, which one converter takes in turn (assumed, no
/// source).
const READING_LOAD_A: f64 = 0.07;

/// The rows that a run of this plan would give for a sound sign, with the noise to be expected.
pub(crate) fn planned(build: &Build, plan: &Plan, instruments: &[PointUncertainty]) -> Pattern {
    let usable = of_quantity(build, Quantity::Volts);
    let mut network = Network::new(build);
    let slopes: Vec<f64> = network
        .solve(&Parts::nominal(build, 30.0), &vec![[0.0; 3]; build.panels.len()])
        .map(|s| build.sense.iter().map(|p| s.sense_per_controller_amp(p)).collect())
        .unwrap_or_else(|_| vec![0.0; build.sense.len()]);
    let mut rows = Vec::new();
    for (mut row, source) in layout(build, plan, &usable, &of_quantity(build, Quantity::Amps)) {
        let instrument = |p: usize| instruments.get(p).copied().unwrap_or_default();
        row.variance = match source {
            Source::Step { step, weights } => {
                let Some(step) = plan.steps.iter().find(|s| s.number == step) else { continue };
                let Action::Bracket { wanted, .. } = step.action else { continue };
                let load: f64 = weights.iter().map(|&(p, w)| w * slopes[p] * WINDOW_LOAD_A).sum();
                let noise: f64 = weights
                    .iter()
                    .map(|&(p, w)| w * w * ((instrument(p).lsb * READING_STEPS).powi(2) + (slopes[p] * READING_LOAD_A).powi(2)))
                    .sum::<f64>()
                    / f64::from(step.samples.max(1));
                // lit minus the mean of two references: 1.5 windows' variance; half as much again for what was not thought of
                let one = 1.5 * 1.5 * (load * load + noise);
                let cycles = (one / wanted.precision.powi(2)).clamp(f64::from(wanted.least), f64::from(wanted.usual));
                one / cycles + instrument(row.point).gain_rel.powi(2)
            }
            Source::Level => level_type_b(build, row.point, instrument(row.point), 5.0),
        };
        rows.push(row);
    }
    Pattern { rows, priors: Unknowns { build }.spreads(false) }
}

/// Level with nothing lit, the expected one, and the variance of its noise: of the black frames where they were run, of the open
/// stage otherwise, of the readings after a trip where that is all there is.
fn level(judge: &Judge<'_>, point: usize) -> Option<(f64, f64, f64)> {
    let step = |stage: Stage| judge.plan.steps.iter().find(|s| s.stage == stage);
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
    let expected = step(Stage::Idle).or(step(Stage::Open)).and_then(|s| s.expected[point])?;
    let e = trimmed(&values, 0.2)?;
    let instrument = judge.instruments.get(point).copied().unwrap_or_default();
    let noise = if e.standard.is_finite() { e.standard } else { 5.0 * instrument.lsb };
    Some((e.value, expected, noise * noise))
}

/// Inverse of the covariance, ready for residuals.
#[derive(Clone)]
pub(crate) struct Metric {
    weights: Vec<f64>,
    loads: Vec<Vec<(usize, f64)>>,
    inner: Cholesky<f64, Dyn>,
    unknowns: usize,
}

impl Metric {
    /// Of a pattern; `scale` is the current mean over the healthy one, per row: what is dead has no tolerance either. `colours` are rows
    /// that show another colour's tolerance than their own.
    pub fn new(pattern: &Pattern, scale: &[f64], colours: &[(usize, usize)]) -> Option<Self> {
        let q = pattern.priors.len();
        let weights: Vec<f64> = pattern.rows.iter().map(|r| 1.0 / r.variance.max(1e-12)).collect();
        let mut loads: Vec<Vec<(usize, f64)>> =
            pattern.rows.iter().zip(scale).map(|(r, s)| r.loads.iter().map(|(i, l)| (*i, l * s)).collect()).collect();
        for &(row, unknown) in colours {
            loads[row][0].0 = unknown;
        }
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

    /// Logarithm of the covariance's determinant, but for a constant of the pattern (matrix determinant lemma).
    pub fn ln_det(&self) -> f64 {
        2.0 * self.inner.l_dirty().diagonal().iter().map(|x| x.ln()).sum::<f64>()
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

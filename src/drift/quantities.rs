//! The quantities of one run, each with its standard uncertainty and degrees of freedom.
//!
//! Only the spread of the readings (Type A) is counted: the same instruments on the same sign share their Type B errors,
//! which cancel between runs. Exchange a converter or a divider, and a comparison sees that too.

use crate::build::{Build, Node, Quantity as What};
use crate::check::Place;
use crate::event::{BoardFacts, Entry, Event, Role, Stage};
use crate::frame::{self, FrameSpec};
use crate::meter::least_squares::line;
use crate::meter::{point_uncertainty, stats};
use crate::plan::{Action, Plan, Step};
use crate::power::network::{Network, Parts, Solution};
use crate::scan;
use crate::units::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Conductors are expected at this temperature (a bench in shade and their own warmth; common practice, no source).
pub const WIRE_C: f64 = 30.0;

/// What sort of thing a quantity is; decides its practical threshold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Volts of a sense point with nothing lit and nothing clocked.
    OpenVolts,
    /// Volts of a sense point under black frames.
    IdleVolts,
    /// Idle current where current is sensed.
    IdleAmps,
    /// Volts lost along a feed under black frames.
    IdleDrop,
    /// Resistance of a path, from the climb.
    Resistance,
    /// Response of a cell over the expected one.
    Cell,
    /// Spread of neighbouring readings.
    Noise,
    /// Temperature.
    Temperature,
}

/// One quantity of a run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Quantity {
    /// Stable id, e.g. `resistance/feed/F2`.
    pub id: String,
    /// In words.
    pub title: String,
    /// What sort.
    pub kind: Kind,
    /// Where.
    #[serde(rename = "where")]
    pub place: Place,
    /// `V`, `A`, `mΩ`, `°C`; empty for ratios.
    pub unit: String,
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty, Type A; `null` where a single reading says nothing of its spread.
    pub standard: Option<f64>,
    /// Its degrees of freedom.
    pub dof: f64,
    /// What the build leads one to expect.
    pub expected: Option<f64>,
    /// Id of the resistance that this response is in proportion to.
    pub through: Option<String>,
}

impl Quantity {
    /// As a value with uncertainty; infinite where it is not known.
    pub fn measured(&self) -> Measured<f64> {
        Measured { value: self.value, standard: self.standard.unwrap_or(f64::INFINITY), dof: self.dof }
    }
}

/// A feed as the build expects it, and as the climb measured it at the highest level reached.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FeedFacts {
    /// Name of the feed.
    pub feed: String,
    /// Fuse rating, A.
    pub fuse_a: f64,
    /// Lead in words.
    pub lead: String,
    /// Expected current at the permitted level, nominal parts, A.
    pub load_a: f64,
    /// Expected volts lost between the distribution and the feed's end at that level, as the sense points see it.
    pub drop_expected_v: Option<f64>,
    /// The same, measured at the top of the climb.
    pub drop_measured_v: Option<f64>,
    /// Expected resistance of the path between the two sense points, mΩ.
    pub resistance_expected_mohm: Option<f64>,
    /// Measured, with the build's currents, mΩ.
    pub resistance_mohm: Option<f64>,
    /// Standard uncertainty from the readings' spread alone, mΩ: what matters between two runs of one sign.
    pub resistance_standard_mohm: Option<f64>,
    /// Expanded uncertainty (coverage factor 2, JCGM 100 6.3.3), mΩ: the spread, the gains of both sense points, and the
    /// tolerance of the panels' currents, which are the build's and not measured.
    pub resistance_expanded_mohm: Option<f64>,
}

/// Volts of a sense point over the current of its supply in the climb.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClimbLine {
    /// Name of the sense point.
    pub sense: String,
    /// Expected supply current in A (nominal parts) and measured volts, one pair a level.
    pub points: Vec<[f64; 2]>,
    /// Volts at no current, from the straight line; `null` below three levels.
    pub volts_at_rest: Option<f64>,
    /// Volts lost per ampere of the supply, mΩ.
    pub slope_mohm: Option<f64>,
    /// Current at full white, A: the line is drawn out to it.
    pub full_white_a: f64,
    /// Volts that the line foretells there.
    pub volts_at_full_white: Option<f64>,
}

/// Everything that a comparison needs of a run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Numbers {
    /// Id of the run.
    pub run_id: String,
    /// True where no real sign was attached.
    pub simulated: bool,
    /// Digest of the checked build.
    pub build_digest: String,
    /// Start in milliseconds since 1970 UTC.
    pub started_unix_ms: i64,
    /// True where the wall clock was synchronised at the start.
    pub clock_synchronised: bool,
    /// `bench`, `outdoors` or `service`.
    pub place: crate::event::PlaceOfRun,
    /// Ambient temperature in °C.
    pub ambient_c: Option<f64>,
    /// Greatest difference that counts as the same volts: `rest_v` of the build.
    pub same_v: f64,
    /// The quantities.
    pub quantities: Vec<Quantity>,
    /// The feeds.
    pub feeds: Vec<FeedFacts>,
    /// The climb.
    pub climb: Vec<ClimbLine>,
}

/// Step, role, and readings per sense point of one window.
type Window<'a> = (u32, Role, BTreeMap<usize, &'a [f64]>);

/// Readings of a run sorted by step.
struct Windows<'a> {
    list: Vec<Window<'a>>,
}

impl<'a> Windows<'a> {
    fn new(entries: &'a [Entry]) -> Self {
        let list = entries
            .iter()
            .filter_map(|e| match &e.event {
                Event::Readings { step, role, points, .. } => {
                    Some((*step, *role, points.iter().map(|p| (p.point, p.values.as_slice())).collect()))
                }
                _ => None,
            })
            .collect();
        Self { list }
    }
    fn steady(&self, step: u32, point: usize) -> Vec<f64> {
        let own = self.list.iter().filter(|w| w.0 == step && w.1 == Role::Steady);
        own.filter_map(|w| w.2.get(&point)).flat_map(|v| v.iter().copied()).collect()
    }
    /// Readings of one point minus those of another taken beside them.
    fn between(&self, step: u32, plus: usize, minus: usize) -> Vec<f64> {
        let (a, b) = (self.steady(step, plus), self.steady(step, minus));
        if a.len() == b.len() { a.iter().zip(&b).map(|(a, b)| a - b).collect() } else { Vec::new() }
    }
}

/// A cell that scatters by more than this multiple of the others goes by its own scatter.
const NOISIER: f64 = 2.5;

/// Sense point, and the one whose reading is taken off.
type Way = (usize, Option<usize>);

/// Response of a cell over the expected one, cycle by cycle.
struct CellResponse {
    cell: frame::Cell,
    place: Place,
    through: Option<String>,
    value: f64,
    n: f64,
    squares: f64,
    quantum: f64,
}

struct Maker<'a> {
    build: &'a Build,
    plan: &'a Plan,
    windows: Windows<'a>,
    out: Vec<Quantity>,
}

/// A rounded figure: six significant digits, as everywhere in a report.
fn round(value: f64) -> f64 {
    let rounded = format!("{value:.5e}").parse::<f64>().unwrap_or(value);
    if rounded.abs() < 1e-9 { 0.0 } else { rounded }
}

impl<'a> Maker<'a> {
    fn step(&self, stage: Stage) -> Option<&'a Step> {
        self.plan.steps.iter().find(|s| s.stage == stage)
    }

    #[expect(clippy::too_many_arguments, reason = "the fields of one quantity")]
    fn push(
        &mut self,
        id: String,
        title: String,
        kind: Kind,
        place: Place,
        unit: &str,
        m: Measured<f64>,
        expected: Option<f64>,
        through: Option<String>,
    ) {
        if !m.value.is_finite() {
            return;
        }
        let known = m.standard.is_finite() && m.dof > 0.0;
        let dof = if m.dof.is_finite() { (m.dof * 10.0).round() / 10.0 } else { 1e6 };
        self.out.push(Quantity {
            id,
            title,
            kind,
            place,
            unit: unit.into(),
            value: round(m.value),
            standard: known.then(|| round(m.standard)),
            dof,
            expected: expected.map(round),
            through,
        });
    }

    fn place(&self, point: usize) -> Place {
        let s = &self.build.sense[point];
        let feed = match s.node {
            Node::FeedEnd(f) => self.build.feeds.get(f).map(|f| f.name.clone()),
            _ => None,
        };
        Place { sense: Some(s.name.clone()), feed, ..Place::default() }
    }

    fn of(&self, quantity: What) -> Vec<usize> {
        (0..self.build.sense.len()).filter(|&i| self.build.sense[i].quantity == quantity).collect()
    }

    /// Mean of the first temperature sensor of the build over the whole run.
    fn sensed_celsius(&self, entries: &[Entry]) -> Option<f64> {
        let point = self.of(What::Celsius).into_iter().next()?;
        let blocks = entries.iter().filter_map(|e| if let Event::Readings { points, .. } = &e.event { Some(points) } else { None });
        let values: Vec<f64> = blocks.flatten().filter(|p| p.point == point).flat_map(|p| p.values.iter().copied()).collect();
        stats::mean(&values)
    }

    fn sensed(&self, node: Node) -> Option<usize> {
        self.of(What::Volts).into_iter().find(|&i| self.build.sense[i].node == node)
    }

    /// Distribution and far end of a feed, where both are sensed against the same reference.
    fn ends(&self, feed: usize) -> Option<(usize, usize)> {
        let (d, e) = (self.sensed(Node::Distribution(self.build.feeds[feed].supply))?, self.sensed(Node::FeedEnd(feed))?);
        (self.build.sense[d].reference == self.build.sense[e].reference).then_some((d, e))
    }

    fn levels(&mut self, stage: Stage, kind: Kind, word: &str, title: &str) {
        let Some(step) = self.step(stage) else { return };
        for point in self.of(What::Volts) {
            let values = self.windows.steady(step.number, point);
            let Some(mut m) = stats::standard_error(&values) else { continue };
            // many equal codes have no spread of their own: a code step over √12 stands in for it
            let quantum = point_uncertainty(self.build, &self.build.sense[point]).lsb / (12.0 * values.len() as f64).sqrt();
            m.standard = m.standard.max(quantum);
            let name = self.build.sense[point].name.clone();
            let expected = step.expected.get(point).copied().flatten();
            self.push(format!("{word}/volts/{name}"), format!("{name}, {title}"), kind, self.place(point), "V", m, expected, None);
        }
    }

    fn noise(&mut self) {
        let Some(step) = self.step(Stage::Idle) else { return };
        for point in self.of(What::Volts) {
            let values = self.windows.steady(step.number, point);
            if values.len() < 16 {
                continue;
            }
            let squares: f64 = values.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
            let n = values.len() as f64 - 1.0;
            // half the mean square of neighbours' differences is the variance free of slow change (von Neumann 1941);
            // below a code step over √12 it says nothing
            let floor = point_uncertainty(self.build, &self.build.sense[point]).lsb / 12.0_f64.sqrt();
            let sd = (squares / (2.0 * n)).sqrt().max(floor);
            // about two thirds of the differences count as independent
            let dof = n * 2.0 / 3.0;
            let m = Measured { value: sd, standard: sd / (2.0 * dof).sqrt(), dof };
            let name = self.build.sense[point].name.clone();
            let id = format!("noise/{name}");
            self.push(id, format!("{name}, spread of neighbouring readings"), Kind::Noise, self.place(point), "V", m, None, None);
        }
    }

    fn idle_amps(&mut self) {
        let Some(step) = self.step(Stage::Idle) else { return };
        for point in self.of(What::Amps) {
            let Some(m) = stats::standard_error(&self.windows.steady(step.number, point)) else { continue };
            let name = self.build.sense[point].name.clone();
            let expected = step.expected.get(point).copied().flatten();
            self.push(format!("idle/amps/{name}"), format!("{name}, idle draw"), Kind::IdleAmps, self.place(point), "A", m, expected, None);
        }
    }

    /// Resistances of the climb with the build's currents, and the table of feeds.
    fn resistances(&mut self) -> (Vec<FeedFacts>, Vec<ClimbLine>) {
        let build = self.build;
        let parts = Parts::nominal(build, WIRE_C);
        let mut network = Network::new(build);
        let steps: Vec<&Step> =
            self.plan.steps.iter().filter(|s| s.stage == Stage::Climb && matches!(s.frame, FrameSpec::Level(_))).collect();
        // the OE duty of all levels is the same, so the share of time lit is too
        let share = steps.first().map_or(1.0, |s| scan::compile(build, &s.frame.draw(build), s.duty).lit_share());
        let solved: Vec<_> = steps
            .iter()
            .filter_map(|s| {
                let lit: Vec<[f64; 3]> =
                    frame::lit_fractions(build, &s.frame.draw(build)).into_iter().map(|p| p.map(|c| c * share)).collect();
                Some((*s, network.solve(&parts, &lit).ok()?))
            })
            .collect();
        for supply in 0..build.supplies.len() {
            let Some(point) = self.sensed(Node::Distribution(supply)).or_else(|| self.sensed(Node::Supply(supply))) else { continue };
            let pairs: Vec<(f64, f64, f64)> = solved
                .iter()
                .filter_map(|(s, x)| {
                    let v = stats::robust_mean(&self.windows.steady(s.number, point))?;
                    Some((x.supply_a(supply), -v, -x.sense(&build.sense[point])))
                })
                .collect();
            let name = build.supplies[supply].name.clone();
            let title = format!("supply {name}: resistance up to the sense point {}", build.sense[point].name);
            let place = Place { supply: Some(name.clone()), ..Place::default() };
            self.resistance(format!("resistance/supply/{name}"), title, place, &pairs);
        }
        let mut feeds = Vec::new();
        for feed in 0..build.feeds.len() {
            let f = &build.feeds[feed];
            let mut facts = FeedFacts {
                feed: f.name.clone(),
                fuse_a: f.fuse_a.value(),
                lead: lead_text(f),
                load_a: round(solved.last().map_or(0.0, |(_, x)| x.feed_a(feed))),
                drop_expected_v: None,
                drop_measured_v: None,
                resistance_expected_mohm: None,
                resistance_mohm: None,
                resistance_standard_mohm: None,
                resistance_expanded_mohm: None,
            };
            if let Some((d, e)) = self.ends(feed) {
                let pairs: Vec<(f64, f64, f64)> = solved
                    .iter()
                    .filter_map(|(s, x)| {
                        let v = stats::robust_mean(&self.windows.between(s.number, d, e))?;
                        Some((x.feed_a(feed), v, x.sense(&build.sense[d]) - x.sense(&build.sense[e])))
                    })
                    .collect();
                let id = format!("resistance/feed/{}", f.name);
                let title =
                    format!("feed {}: resistance between the sense points {} and {}", f.name, build.sense[d].name, build.sense[e].name);
                let place = Place { feed: Some(f.name.clone()), ..Place::default() };
                self.resistance(id.clone(), title, place, &pairs);
                facts.drop_expected_v = solved.last().map(|(_, x)| round(x.sense(&build.sense[d]) - x.sense(&build.sense[e])));
                facts.drop_measured_v =
                    solved.last().and_then(|(s, _)| stats::robust_mean(&self.windows.between(s.number, d, e))).map(round);
                if let Some(q) = self.out.iter().find(|q| q.id == id) {
                    facts.resistance_mohm = Some(q.value);
                    facts.resistance_expected_mohm = q.expected;
                    facts.resistance_standard_mohm = q.standard;
                    let slope = |point: usize| {
                        let of = |(s, x): &(&Step, _)| {
                            Some((Solution::feed_a(x, feed), stats::robust_mean(&self.windows.steady(s.number, point))?))
                        };
                        line(&solved.iter().filter_map(of).collect::<Vec<_>>()).map_or(0.0, |l| l.slope.value * 1e3)
                    };
                    let gain = |point: usize| point_uncertainty(build, &build.sense[point]).gain_rel * slope(point);
                    let parts = [q.standard.unwrap_or(0.0), gain(d), gain(e), q.value * current_tolerance(build, feed)];
                    facts.resistance_expanded_mohm = Some(round(2.0 * parts.iter().map(|u| u * u).sum::<f64>().sqrt()));
                }
                if let Some(m) = self.step(Stage::Idle).and_then(|s| stats::standard_error(&self.windows.between(s.number, d, e))) {
                    let title = format!("feed {}: volts lost under black frames", f.name);
                    let place = Place { feed: Some(f.name.clone()), ..Place::default() };
                    self.push(format!("idle/drop/{}", f.name), title, Kind::IdleDrop, place, "V", m, None, Some(id));
                }
            }
            feeds.push(facts);
        }
        let white: Vec<[f64; 3]> = vec![[share; 3]; build.panels.len()];
        let full = network.solve(&parts, &white).ok();
        let climb = self
            .of(What::Volts)
            .into_iter()
            .filter_map(|point| {
                let supply = build.supply_of(point)?;
                let points: Vec<(f64, f64)> = solved
                    .iter()
                    .filter_map(|(s, x)| Some((x.supply_a(supply), stats::robust_mean(&self.windows.steady(s.number, point))?)))
                    .collect();
                let fit = line(&points);
                let full_white_a = full.as_ref().map_or(0.0, |x| x.supply_a(supply));
                (!points.is_empty()).then(|| ClimbLine {
                    sense: build.sense[point].name.clone(),
                    points: points.iter().map(|p| [round(p.0), round(p.1)]).collect(),
                    volts_at_rest: fit.map(|l| round(l.intercept.value)),
                    slope_mohm: fit.map(|l| round(-1e3 * l.slope.value)),
                    full_white_a: round(full_white_a),
                    volts_at_full_white: fit.map(|l| round(l.intercept.value + l.slope.value * full_white_a)),
                })
            })
            .collect();
        (feeds, climb)
    }

    /// Slope of volts lost over current; `pairs` are (expected amperes, measured volts, expected volts).
    fn resistance(&mut self, id: String, title: String, place: Place, pairs: &[(f64, f64, f64)]) {
        let measured: Vec<(f64, f64)> = pairs.iter().map(|p| (p.0, p.1)).collect();
        let expected: Vec<(f64, f64)> = pairs.iter().map(|p| (p.0, p.2)).collect();
        // a feed whose current hardly moves in the climb (the controller's) says nothing of its resistance
        let spread = pairs.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max) - pairs.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
        let (Some(m), true) = (line(&measured), spread > 0.3) else { return };
        let milli = Measured { value: m.slope.value * 1e3, standard: m.slope.standard * 1e3, dof: m.slope.dof };
        let expected = line(&expected).map(|l| l.slope.value * 1e3);
        self.push(id, title, Kind::Resistance, place, "mΩ", milli, expected, None);
    }

    /// Responses of the cells: between distribution and feed's end where both are sensed (the controller's own load
    /// cancels), else at the point that moves most.
    fn cells(&mut self) {
        let steps: BTreeMap<u32, &Step> = self.plan.steps.iter().filter(|s| s.stage == Stage::Sweep).map(|s| (s.number, s)).collect();
        let windows: Vec<_> = self.windows.list.iter().filter(|w| steps.contains_key(&w.0)).collect();
        // way of measuring, volts per unit of the ratio, and what will be a quantity
        let mut made: Vec<(Way, f64, CellResponse)> = Vec::new();
        for (number, step) in &steps {
            let (FrameSpec::Cell(cell), Action::Bracket { .. }) = (step.frame, &step.action) else { continue };
            let Some(panel) = self.build.panel_at(cell.port, cell.position) else { continue };
            let feed = self.build.panels[panel].feed;
            let expected = |p: usize| step.expected.get(p).copied().flatten();
            let (plus, minus, through) = match self.ends(feed) {
                Some((d, e)) => (d, Some(e), Some(format!("resistance/feed/{}", self.build.feeds[feed].name))),
                None => {
                    let most = self.of(What::Volts).into_iter().filter(|&p| expected(p).is_some());
                    let Some(p) = most.max_by(|&a, &b| expected(a).unwrap_or(0.0).abs().total_cmp(&expected(b).unwrap_or(0.0).abs()))
                    else {
                        continue;
                    };
                    let supply = match self.build.sense[p].node {
                        Node::Distribution(s) | Node::Supply(s) => Some(format!("resistance/supply/{}", self.build.supplies[s].name)),
                        _ => None,
                    };
                    (p, None, supply)
                }
            };
            let Some(nominal) = expected(plus).map(|e| e - minus.and_then(expected).unwrap_or(0.0)).filter(|e| e.abs() > 1e-6) else {
                continue;
            };
            let level = |i: usize| -> Option<f64> {
                let one = |p: usize| windows[i].2.get(&p).and_then(|v| stats::mean(v));
                Some(one(plus)? - minus.map_or(Some(0.0), one)?)
            };
            let cycles: Vec<f64> = (0..windows.len())
                .filter(|&i| windows[i].0 == *number && windows[i].1 == Role::Lit)
                .filter_map(|i| {
                    let before = (0..i).rev().find(|&j| windows[j].1 == Role::Reference);
                    let after = (i + 1..windows.len()).find(|&j| windows[j].1 == Role::Reference);
                    let dark: Vec<f64> = [before, after].into_iter().flatten().filter_map(level).collect();
                    Some((level(i)? - stats::mean(&dark)?) / nominal)
                })
                .collect();
            let Some(value) = stats::mean(&cycles) else { continue };
            let n = cycles.len() as f64;
            let squares: f64 = cycles.iter().map(|c| (c - value).powi(2)).sum();
            let lsb = point_uncertainty(self.build, &self.build.sense[plus]).lsb;
            let quantum = lsb / (12.0 * n * f64::from(step.samples.max(1))).sqrt() / nominal.abs();
            let place = Place {
                port: Some(cell.port),
                position: Some(cell.position),
                colour: Some(cell.colour.word().into()),
                half: Some(cell.half.word().into()),
                feed: Some(self.build.feeds[feed].name.clone()),
                ..Place::default()
            };
            made.push(((plus, minus), nominal.abs(), CellResponse { cell, place, through, value, n, squares, quantum }));
        }
        // a few cycles a cell say little of their spread; all cells seen by the same way say it together
        let mut noise: BTreeMap<Way, (f64, f64)> = BTreeMap::new();
        for (way, nominal, r) in &made {
            let own = noise.entry(*way).or_default();
            *own = (own.0 + r.squares * nominal * nominal, own.1 + r.n - 1.0);
        }
        for (way, nominal, CellResponse { cell, place, through, value, n, squares, quantum }) in made {
            let (sum, dof) = noise[&way];
            // neighbouring cycles share a reference: see meter::stats::bracket
            let of_mean = ((2.0 * n - 0.5) / (1.5 - 0.5 / n)).sqrt() / n;
            let pooled = (sum / dof).sqrt() / nominal * of_mean;
            let own = if n > 1.0 { (squares / (n - 1.0)).sqrt() * of_mean } else { 0.0 };
            let (standard, dof) = if dof <= 0.0 {
                (f64::INFINITY, 0.0)
            } else if own > NOISIER * pooled {
                (own, n - 1.0)
            } else {
                (pooled, dof)
            };
            let m = Measured { value, standard: standard.max(quantum), dof };
            let words = format!("{}-{}-{}-{}", cell.port, cell.position, cell.colour.word(), cell.half.word());
            let title = format!("{}·{} {} {}: response over expected", cell.port, cell.position, cell.colour.word(), cell.half.word());
            self.push(format!("cell/{words}"), title, Kind::Cell, place, "", m, Some(1.0), through);
        }
    }
}

/// Relative standard uncertainty of a feed's current where its panels are only known by the build: each panel's
/// tolerance is two standard deviations, and panels are independent of one another.
fn current_tolerance(build: &Build, feed: usize) -> f64 {
    let own = (0..build.panels.len()).filter(|&p| build.panels[p].feed == feed);
    let (amps, squares) = own.fold((0.0, 0.0), |(sum, squares), p| {
        let kind = build.panel_type(p);
        let full: f64 = kind.full_a.iter().map(|a| a.value()).sum();
        (sum + full, squares + (full * kind.tolerance_pct / 200.0).powi(2))
    });
    if amps > 0.0 { squares.sqrt() / amps } else { 0.0 }
}

/// A feed's lead in words.
fn lead_text(f: &crate::build::Feed) -> String {
    let conductor = match f.lead.conductor {
        crate::build::Conductor::Mm2(a) => format!("{a}\u{a0}mm²"),
        crate::build::Conductor::Awg(n) => format!("AWG {n}"),
    };
    format!("{conductor}, {}\u{a0}m", f.lead.length_m)
}

/// The quantities of a run. `plan` is the plan of this build with the run's own selection.
pub fn numbers(build: &Build, plan: &Plan, entries: &[Entry]) -> Numbers {
    let mut maker = Maker { build, plan, windows: Windows::new(entries), out: Vec::new() };
    maker.levels(Stage::Open, Kind::OpenVolts, "open", "nothing lit");
    maker.levels(Stage::Idle, Kind::IdleVolts, "idle", "black frames");
    maker.idle_amps();
    let (feeds, climb) = maker.resistances();
    maker.cells();
    maker.noise();
    let mut out = Numbers {
        run_id: String::new(),
        simulated: false,
        build_digest: String::new(),
        started_unix_ms: 0,
        clock_synchronised: false,
        place: crate::event::PlaceOfRun::Bench,
        ambient_c: None,
        same_v: round(build.limits.rest_v.value()),
        quantities: Vec::new(),
        feeds,
        climb,
    };
    let mut board: Option<&BoardFacts> = None;
    for e in entries {
        match &e.event {
            Event::RunStarted { run_id, simulated, build_digest, place, ambient_c, .. } => {
                out.run_id.clone_from(run_id);
                out.simulated = *simulated;
                out.build_digest.clone_from(build_digest);
                out.started_unix_ms = e.at.unix_ms;
                out.clock_synchronised = e.at.synced;
                out.place = *place;
                out.ambient_c = *ambient_c;
            }
            Event::Board(facts) => board = Some(facts),
            _ => {}
        }
    }
    // typed, else the mean of a sensor of the build, else what the board knows: as in the report
    out.ambient_c = out.ambient_c.or_else(|| maker.sensed_celsius(entries)).or(board.and_then(|b| b.ambient_c)).map(round);
    let single = |value: Option<f64>| value.map(|value| Measured { value, standard: f64::INFINITY, dof: 0.0 });
    for (id, title, m) in [
        ("temperature/ambient", "ambient temperature", single(out.ambient_c)),
        ("temperature/controller", "the controller's own temperature, last report", single(board.and_then(|b| b.soc_c))),
    ] {
        if let Some(m) = m {
            maker.push(id.into(), title.into(), Kind::Temperature, Place::default(), "°C", m, None, None);
        }
    }
    out.quantities = maker.out;
    out
}

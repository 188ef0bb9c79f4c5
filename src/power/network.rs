//! The DC network of a sign: supplies, input leads, distributions, feeds, panels, controller, the ribbons'
//! ground wires, solved by Newton's method on a nodal model with out and return sides.
//!
//! Every place has a + and a − node. The − terminal of the first supply is 0 V. Panels of a feed sit at the feed's
//! end, and so does the controller. A panel without 5 V is half fed from its upstream neighbour through the
//! protection diodes of its data lines: a branch that conducts above 0.6 V (30 Ω; assumed, no source).

use crate::build::{Build, Lead, Node, Quantity, SensePoint};
use crate::power::linear::{Nodal, Unknown};
use crate::power::{conductor, fuse};
use nalgebra::{DVector, Dyn, LU};

/// Ground wires of a 16-way ribbon: three conductors of 28 AWG in parallel, and two contacts.
const RIBBON_GROUND_WIRES: f64 = 3.0;
const RIBBON_CONTACTS_OHM: f64 = 0.010;
/// Half feeding through data lines.
const DIODE_V: f64 = 0.6;
const DATA_LINES_OHM: f64 = 30.0;
/// A panel's colour goes from full to nothing over this span below its knee (assumed, no source).
const KNEE_SPAN_V: f64 = 1.5;
/// Logic currents fall in proportion below this.
const LOGIC_V: f64 = 2.5;
/// The controller's power load becomes a resistor below this.
const POWER_LOAD_V: f64 = 3.0;
/// Beyond its limit a supply gives this share of what its source resistance would allow.
const LIMIT_SLOPE: f64 = 0.002;
/// Keeps a node that everything was taken from defined, siemens.
const G_MIN: f64 = 1e-9;
const MAX_ITERATIONS: usize = 60;
/// Currents balance to this at an answer, amperes.
const SOLVED_A: f64 = 1e-7;
/// Capacitor over time step at the start of settling, siemens; turns at most, and turns between two tries of Newton's
/// method.
const SETTLE_FROM_S: f64 = 100.0;
const SETTLE_TURNS: usize = 600;
const SETTLE_TRY: usize = 20;

/// Real values of one supply and its input lead.
#[derive(Clone, Debug)]
pub struct SupplyPart {
    /// Unloaded volts.
    pub set_v: f64,
    /// Internal resistance.
    pub source_ohm: f64,
    /// Current limit.
    pub limit_a: f64,
    /// Out conductor of the input lead with its joints.
    pub input_out_ohm: f64,
    /// Return conductor.
    pub input_return_ohm: f64,
}

/// Real values of one feed.
#[derive(Clone, Debug)]
pub struct FeedPart {
    /// Fuse and holder; infinite where open.
    pub fuse_ohm: f64,
    /// Out conductor with its joints.
    pub out_ohm: f64,
    /// Return conductor; infinite where open.
    pub return_ohm: f64,
    /// Leak across its end, siemens.
    pub leak_s: f64,
}

/// Real currents of one panel.
#[derive(Clone, Debug)]
pub struct PanelPart {
    /// Dark.
    pub idle_a: f64,
    /// One colour fully lit.
    pub full_a: [f64; 3],
    /// Knee per colour.
    pub knee_v: [f64; 3],
}

/// Real values of everything in the network.
#[derive(Clone, Debug)]
pub struct Parts {
    /// By supply.
    pub supplies: Vec<SupplyPart>,
    /// By feed.
    pub feeds: Vec<FeedPart>,
    /// By panel.
    pub panels: Vec<PanelPart>,
    /// Ground of the ribbon ahead of each panel; infinite where open.
    pub ribbon_ohm: Vec<f64>,
    /// Steady power of the controller.
    pub controller_w: f64,
    /// Current on top of that, may be negative.
    pub controller_extra_a: f64,
}

/// A hand meter of 0.5 % + 2 digits on the 20 V range trims the supply (common practice, no source).
const TRIM_REL: f64 = 0.005;
const TRIM_V: f64 = 0.02;

impl Parts {
    /// Everything as the build states, conductors at this temperature, fuses warm in proportion to nothing (cold).
    pub fn nominal(build: &Build, wire_c: f64) -> Self {
        Self::with(build, wire_c, 1.0)
    }

    /// Tolerances against us: panels at the top of their tolerance, supply trimmed low, conductors and fuses hot.
    pub fn worst(build: &Build) -> Self {
        let mut parts = Self::with(build, build.limits.ambient_max_c + 10.0, fuse::HOT_FACTOR);
        for (part, panel) in parts.panels.iter_mut().zip(&build.panels) {
            let more = 1.0 + build.panel_types[panel.kind].tolerance_pct / 100.0;
            for amps in &mut part.full_a {
                *amps *= more;
            }
        }
        for supply in &mut parts.supplies {
            supply.set_v -= TRIM_REL * supply.set_v + TRIM_V;
        }
        parts
    }

    fn with(build: &Build, wire_c: f64, fuse_factor: f64) -> Self {
        let half = |lead: &Lead| {
            // the build's checks only let listed conductors through
            let metre = conductor::ohm_per_m(lead.conductor, wire_c).unwrap_or(f64::INFINITY);
            metre * lead.length_m + lead.joints.value() / 2.0
        };
        Self {
            supplies: build
                .supplies
                .iter()
                .map(|s| SupplyPart {
                    set_v: s.set_v.value(),
                    source_ohm: s.source.value(),
                    limit_a: s.rated_a.value() * s.limit_factor,
                    input_out_ohm: half(&s.input_lead),
                    input_return_ohm: half(&s.input_lead),
                })
                .collect(),
            feeds: build
                .feeds
                .iter()
                .map(|f| FeedPart {
                    fuse_ohm: fuse::cold_ohm(f) * fuse_factor,
                    out_ohm: half(&f.lead),
                    return_ohm: half(&f.lead),
                    leak_s: 0.0,
                })
                .collect(),
            panels: build
                .panels
                .iter()
                .map(|p| {
                    let t = &build.panel_types[p.kind];
                    PanelPart {
                        idle_a: t.idle_a.value(),
                        full_a: t.full_a.map(crate::units::Amps::value),
                        knee_v: t.knee_v.map(crate::units::Volts::value),
                    }
                })
                .collect(),
            ribbon_ohm: build
                .panels
                .iter()
                .map(|p| {
                    let metre = conductor::ohm_per_m(crate::build::Conductor::Awg(28), wire_c).unwrap_or(f64::INFINITY);
                    metre * p.ribbon_m / RIBBON_GROUND_WIRES + RIBBON_CONTACTS_OHM
                })
                .collect(),
            controller_w: build.controller.draw_a.value() * 5.0,
            controller_extra_a: 0.0,
        }
    }
}

/// The network has no operating point that Newton's method could find.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the supply network has no operating point")]
pub struct SolveError;

/// + and − unknown of a place; `None` is 0 V.
type Pair = (Unknown, Unknown);

/// Topology of a build's network; keeps its last solution as the next start.
#[derive(Clone, Debug)]
pub struct Network {
    size: usize,
    terminals: Vec<Pair>,
    distributions: Vec<Pair>,
    ends: Vec<Pair>,
    feed_supply: Vec<usize>,
    panel_feed: Vec<usize>,
    /// Feed of the place upstream of each panel: the panel before, or the controller.
    upstream_feed: Vec<usize>,
    controller_feed: usize,
    start: Option<DVector<f64>>,
}

struct Assembly<'a> {
    v: &'a DVector<f64>,
    nodal: Nodal,
}

impl Assembly<'_> {
    fn at(&self, node: Unknown) -> f64 {
        node.map_or(0.0, |i| self.v[i])
    }
    /// Volts across a place.
    fn across(&self, (plus, minus): Pair) -> f64 {
        self.at(plus) - self.at(minus)
    }
    fn branch(&mut self, pair: Pair, amps: f64, siemens: f64) {
        self.nodal.branch(pair, amps, siemens);
    }
    fn resistor(&mut self, pair: Pair, ohm: f64) {
        let siemens = conductance(ohm);
        let amps = self.across(pair) * siemens;
        self.branch(pair, amps, siemens);
    }
}

fn conductance(ohm: f64) -> f64 {
    if ohm.is_finite() { 1.0 / ohm.max(1e-6) } else { G_MIN }
}

/// Share of a colour's current left at these volts, and its slope.
fn knee(v: f64, knee_v: f64) -> (f64, f64) {
    let x = (knee_v - v) / KNEE_SPAN_V;
    if x <= 0.0 {
        (1.0, 0.0)
    } else if x >= 1.0 {
        (0.0, 0.0)
    } else {
        let y = 1.0 - x * x;
        (y * y, 4.0 * y * x / KNEE_SPAN_V)
    }
}

fn panel_current(part: &PanelPart, lit: [f64; 3], v: f64) -> (f64, f64) {
    if v <= 0.0 {
        return (0.0, part.idle_a / LOGIC_V);
    }
    let (mut amps, mut slope) = if v >= LOGIC_V { (part.idle_a, 0.0) } else { (part.idle_a * v / LOGIC_V, part.idle_a / LOGIC_V) };
    for ((full, knee_v), lit) in part.full_a.iter().zip(part.knee_v).zip(lit) {
        let (g, dg) = knee(v, knee_v);
        amps += full * lit * g;
        slope += full * lit * dg;
    }
    (amps, slope)
}

fn controller_current(parts: &Parts, v: f64) -> (f64, f64) {
    if v >= POWER_LOAD_V {
        (parts.controller_w / v + parts.controller_extra_a, -parts.controller_w / (v * v))
    } else {
        let siemens = parts.controller_w / (POWER_LOAD_V * POWER_LOAD_V) + parts.controller_extra_a / POWER_LOAD_V;
        (siemens * v, siemens)
    }
}

fn source_current(part: &SupplyPart, v: f64) -> (f64, f64) {
    let siemens = conductance(part.source_ohm);
    let amps = (part.set_v - v) * siemens;
    if amps <= part.limit_a { (amps, siemens) } else { (part.limit_a + (amps - part.limit_a) * LIMIT_SLOPE, siemens * LIMIT_SLOPE) }
}

fn diode(v: f64) -> (f64, f64) {
    if v > DIODE_V { ((v - DIODE_V) / DATA_LINES_OHM, 1.0 / DATA_LINES_OHM) } else { (0.0, 0.0) }
}

impl Network {
    /// Lays out the nodes of a build.
    pub fn new(build: &Build) -> Self {
        let mut size = 0;
        let mut node = || {
            size += 1;
            Some(size - 1)
        };
        let terminals: Vec<Pair> = (0..build.supplies.len()).map(|s| if s == 0 { (node(), None) } else { (node(), node()) }).collect();
        let distributions: Vec<Pair> = build.supplies.iter().map(|_| (node(), node())).collect();
        let ends: Vec<Pair> = build.feeds.iter().map(|_| (node(), node())).collect();
        let panel_feed: Vec<usize> = build.panels.iter().map(|p| p.feed).collect();
        let mut upstream_feed = vec![build.controller.feed; build.panels.len()];
        for chain in &build.chains {
            for pair in chain.panels.windows(2) {
                upstream_feed[pair[1]] = build.panels[pair[0]].feed;
            }
        }
        Self {
            size,
            terminals,
            distributions,
            ends,
            feed_supply: build.feeds.iter().map(|f| f.supply).collect(),
            panel_feed,
            upstream_feed,
            controller_feed: build.controller.feed,
            start: None,
        }
    }

    fn assemble(&self, parts: &Parts, lit: &[[f64; 3]], v: &DVector<f64>) -> Nodal {
        let mut a = Assembly { v, nodal: Nodal::new(self.size) };
        for i in 0..self.size {
            a.branch((Some(i), None), v[i] * G_MIN, G_MIN);
        }
        for (s, part) in parts.supplies.iter().enumerate() {
            let (t, d) = (self.terminals[s], self.distributions[s]);
            let (amps, siemens) = source_current(part, a.across(t));
            a.branch(t, -amps, siemens);
            a.resistor((t.0, d.0), part.input_out_ohm);
            a.resistor((d.1, t.1), part.input_return_ohm);
        }
        for (f, part) in parts.feeds.iter().enumerate() {
            let (d, e) = (self.distributions[self.feed_supply[f]], self.ends[f]);
            a.resistor((d.0, e.0), part.fuse_ohm + part.out_ohm);
            a.resistor((e.1, d.1), part.return_ohm);
            let leak = a.across(e) * part.leak_s;
            a.branch(e, leak, part.leak_s);
        }
        for (p, part) in parts.panels.iter().enumerate() {
            let (own, up) = (self.ends[self.panel_feed[p]], self.ends[self.upstream_feed[p]]);
            let (amps, slope) = panel_current(part, lit[p], a.across(own));
            a.branch(own, amps, slope);
            if self.panel_feed[p] != self.upstream_feed[p] {
                a.resistor((up.1, own.1), parts.ribbon_ohm[p]);
                let pair = (up.0, own.0);
                let (amps, slope) = diode(a.across(pair));
                a.branch(pair, amps, slope);
            }
        }
        let end = self.ends[self.controller_feed];
        let (amps, slope) = controller_current(parts, a.across(end));
        a.branch(end, amps, slope);
        a.nodal
    }

    /// Solves for the lit fraction per panel and colour.
    ///
    /// # Errors
    /// [`SolveError`] where no operating point is found.
    pub fn solve(&mut self, parts: &Parts, lit: &[[f64; 3]]) -> Result<Solution, SolveError> {
        let fresh = || {
            let mut v = DVector::zeros(self.size);
            for pair in self.terminals.iter().chain(&self.distributions).chain(&self.ends) {
                if let Some(plus) = pair.0 {
                    v[plus] = 5.0;
                }
            }
            v
        };
        let warm = self.start.take();
        let found = warm
            .and_then(|v| self.newton(parts, lit, v))
            .or_else(|| self.newton(parts, lit, fresh()))
            .or_else(|| self.settle(parts, lit, fresh()))
            // where nearly everything is cut off, from rest
            .or_else(|| self.newton(parts, lit, DVector::zeros(self.size)))
            .or_else(|| self.settle(parts, lit, DVector::zeros(self.size)));
        let (v, factors) = found.ok_or(SolveError)?;
        self.start = Some(v.clone());
        Ok(Solution { network: self.clone_layout(), parts: parts.clone(), lit: lit.to_vec(), v, factors })
    }

    fn clone_layout(&self) -> Self {
        Self { start: None, ..self.clone() }
    }

    fn newton(&self, parts: &Parts, lit: &[[f64; 3]], mut v: DVector<f64>) -> Option<(DVector<f64>, LU<f64, Dyn, Dyn>)> {
        let mut nodal = self.assemble(parts, lit, &v);
        let mut size = nodal.residual.norm();
        for _ in 0..MAX_ITERATIONS {
            let (step, factors) = nodal.step()?;
            let small = step.amax() < 1e-12 * v.amax().max(1.0);
            // the plain step is right wherever no knee or limit is crossed; otherwise it is shortened
            let mut share = 1.0;
            let mut next = &v + &step;
            let mut trial = self.assemble(parts, lit, &next);
            while trial.residual.norm() > size * 1.0001 + 1e-9 && share > 1e-3 {
                share *= 0.5;
                next = &v + &step * share;
                trial = self.assemble(parts, lit, &next);
            }
            size = trial.residual.norm();
            v = next;
            if !size.is_finite() {
                return None;
            }
            if size < SOLVED_A && (small || (share == 1.0 && step.amax() < 1e-10)) {
                // the step was too small for the slopes to have changed: its factors are those of the answer
                return Some((v, factors));
            }
            nodal = trial;
        }
        None
    }

    /// Where Newton's method goes round in circles between two kinks, the way that the real sign takes: capacitors at
    /// every node, implicit steps in time that lengthen as the currents balance, then Newton's method from there.
    fn settle(&self, parts: &Parts, lit: &[[f64; 3]], mut v: DVector<f64>) -> Option<(DVector<f64>, LU<f64, Dyn, Dyn>)> {
        let mut hold_s = SETTLE_FROM_S;
        let mut size = self.assemble(parts, lit, &v).residual.norm();
        for turn in 1..=SETTLE_TURNS {
            let mut nodal = self.assemble(parts, lit, &v);
            for i in 0..self.size {
                nodal.jacobian[(i, i)] += hold_s;
            }
            v += nodal.step()?.0;
            let now = self.assemble(parts, lit, &v).residual.norm();
            hold_s = if now < size { hold_s * 0.7 } else { (hold_s * 2.0).min(SETTLE_FROM_S) };
            size = now;
            if turn % SETTLE_TRY == 0
                && let Some(found) = self.newton(parts, lit, v.clone())
            {
                return Some(found);
            }
        }
        None
    }
}

/// Node volts and branch currents of one operating point.
#[derive(Clone, Debug)]
pub struct Solution {
    network: Network,
    parts: Parts,
    lit: Vec<[f64; 3]>,
    v: DVector<f64>,
    factors: LU<f64, Dyn, Dyn>,
}

impl Solution {
    fn at(&self, node: Option<usize>) -> f64 {
        node.map_or(0.0, |i| self.v[i])
    }
    fn pair(&self, node: Node) -> Pair {
        let n = &self.network;
        match node {
            Node::Supply(s) => n.terminals[s],
            Node::Distribution(s) => n.distributions[s],
            Node::FeedEnd(f) => n.ends[f],
            Node::Panel(p) => n.ends[n.panel_feed[p]],
            Node::Controller => n.ends[n.controller_feed],
        }
    }
    /// Volts between + and − of a place.
    pub fn volts(&self, node: Node) -> f64 {
        let (plus, minus) = self.pair(node);
        self.at(plus) - self.at(minus)
    }
    /// Amperes from a supply.
    pub fn supply_a(&self, supply: usize) -> f64 {
        source_current(&self.parts.supplies[supply], self.volts(Node::Supply(supply))).0
    }
    /// Amperes through a feed's fuse.
    pub fn feed_a(&self, feed: usize) -> f64 {
        let n = &self.network;
        let part = &self.parts.feeds[feed];
        (self.at(n.distributions[n.feed_supply[feed]].0) - self.at(n.ends[feed].0)) * conductance(part.fuse_ohm + part.out_ohm)
    }
    /// Amperes through a feed's return conductor, towards the distribution.
    pub fn return_a(&self, feed: usize) -> f64 {
        let n = &self.network;
        (self.at(n.ends[feed].1) - self.at(n.distributions[n.feed_supply[feed]].1)) * conductance(self.parts.feeds[feed].return_ohm)
    }
    /// Amperes that a panel takes.
    pub fn panel_a(&self, panel: usize) -> f64 {
        panel_current(&self.parts.panels[panel], self.lit[panel], self.volts(Node::Panel(panel))).0
    }
    /// Share of the full current left, per colour.
    pub fn panel_lit_factor(&self, panel: usize) -> [f64; 3] {
        let v = self.volts(Node::Panel(panel));
        self.parts.panels[panel].knee_v.map(|k| knee(v, k).0)
    }
    /// Amperes in the ground wires of the ribbon ahead of a panel, away from the controller.
    pub fn ribbon_a(&self, panel: usize) -> f64 {
        let n = &self.network;
        let (own, up) = (n.panel_feed[panel], n.upstream_feed[panel]);
        if own == up { 0.0 } else { (self.at(n.ends[up].1) - self.at(n.ends[own].1)) * conductance(self.parts.ribbon_ohm[panel]) }
    }
    /// Amperes of the controller.
    pub fn controller_a(&self) -> f64 {
        controller_current(&self.parts, self.volts(Node::Controller)).0
    }
    /// What an ideal meter at this sense point shows: volts, or amperes through the place.
    pub fn sense(&self, point: &SensePoint) -> f64 {
        match point.quantity {
            Quantity::Amps => match point.node {
                Node::Supply(s) | Node::Distribution(s) => self.supply_a(s),
                Node::FeedEnd(f) => self.feed_a(f),
                Node::Panel(p) => self.feed_a(self.network.panel_feed[p]),
                Node::Controller => self.controller_a(),
            },
            _ => self.at(self.pair(point.node).0) - self.at(self.pair(point.reference).1),
        }
    }
    /// Change of [`Solution::sense`] per ampere of additional controller current.
    pub fn sense_per_controller_amp(&self, point: &SensePoint) -> f64 {
        let mut push = DVector::zeros(self.network.size);
        let (plus, minus) = self.network.ends[self.network.controller_feed];
        if let Some(i) = plus {
            push[i] -= 1.0;
        }
        if let Some(i) = minus {
            push[i] += 1.0;
        }
        let Some(change) = self.factors.solve(&push) else { return 0.0 };
        let moved = |node: Option<usize>| node.map_or(0.0, |i| change[i]);
        let across = |(plus, minus): Pair| moved(plus) - moved(minus);
        let n = &self.network;
        let through_feed = |f: usize| {
            let part = &self.parts.feeds[f];
            (moved(n.distributions[n.feed_supply[f]].0) - moved(n.ends[f].0)) * conductance(part.fuse_ohm + part.out_ohm)
        };
        match (point.quantity, point.node) {
            (Quantity::Amps, Node::Supply(s) | Node::Distribution(s)) => {
                -across(n.terminals[s]) * source_current(&self.parts.supplies[s], self.volts(Node::Supply(s))).1
            }
            (Quantity::Amps, Node::FeedEnd(f)) => through_feed(f),
            (Quantity::Amps, Node::Panel(p)) => through_feed(n.panel_feed[p]),
            (Quantity::Amps, Node::Controller) => 1.0,
            _ => moved(self.pair(point.node).0) - moved(self.pair(point.reference).1),
        }
    }
    /// Sum of currents left over at the worst node: how well Kirchhoff's law holds, amperes.
    pub fn kirchhoff_a(&self) -> f64 {
        self.network.assemble(&self.parts, &self.lit, &self.v).residual.amax()
    }
}

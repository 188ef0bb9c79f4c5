//! The physical world behind the simulated rig: what is on the panels, what that draws, what volts
//! result, and virtual time.

use super::chips::Analog;
use super::panels::{Light, Panels};
use super::scenario::{Scenario, TimedFault};
use crate::build::{Build, Node, Quantity, SensePoint};
use crate::fault::Fault;
use crate::power::network::{Network, Parts};
use crate::scan::{self, ScanProgram};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, Exp1, StandardNormal};
use std::cell::RefCell;
use std::collections::HashMap;
use std::rc::Rc;
use std::sync::Arc;

/// The controller's draw wanders by this much, 0.1 to 10 Hz (assumed, no source).
const WANDER_RMS_A: f64 = 0.15;
/// Correlation time of a 10 Hz first-order corner, seconds.
const WANDER_TAU_S: f64 = 1.0 / (2.0 * std::f64::consts::PI * 10.0);
/// Bursts of work: this much more, for 50 to 200 ms, every few seconds (assumed, no source).
const BURST_A: f64 = 0.4;
const BURST_EVERY_S: f64 = 4.0;
/// Below this a panel's logic does not work (assumed, no source).
const LOGIC_V: f64 = 2.5;
/// Conductors run this much above ambient (assumed, no source).
const WIRE_RISE_K: f64 = 10.0;

/// The controller's fluctuating extra current.
struct Wander {
    rng: StdRng,
    at_ns: u64,
    slow_a: f64,
    burst_from_ns: u64,
    burst_to_ns: u64,
    /// The last interval, and what of the slow part is kept and added over it: readings come at equal intervals.
    decay: (u64, f64, f64),
}

impl Wander {
    fn new(seed: u64) -> Self {
        let mut rng = StdRng::seed_from_u64(seed ^ 0x57a4_d3e1);
        let first: f64 = Exp1.sample(&mut rng);
        let burst_from_ns = (first * BURST_EVERY_S * 1e9) as u64;
        Self { rng, at_ns: 0, slow_a: 0.0, burst_from_ns, burst_to_ns: burst_from_ns + 100_000_000, decay: (0, 1.0, 0.0) }
    }

    fn amps(&mut self, now_ns: u64) -> f64 {
        let passed_ns = now_ns.saturating_sub(self.at_ns);
        if passed_ns > 0 {
            if self.decay.0 != passed_ns {
                let keep = (passed_ns as f64 * -1e-9 / WANDER_TAU_S).exp();
                self.decay = (passed_ns, keep, WANDER_RMS_A * (1.0 - keep * keep).sqrt());
            }
            let draw: f64 = StandardNormal.sample(&mut self.rng);
            self.slow_a = self.slow_a * self.decay.1 + self.decay.2 * draw;
            self.at_ns = now_ns;
        }
        while now_ns >= self.burst_to_ns {
            let gap: f64 = Exp1.sample(&mut self.rng);
            self.burst_from_ns = self.burst_to_ns + (gap * BURST_EVERY_S * 1e9) as u64;
            self.burst_to_ns = self.burst_from_ns + self.rng.random_range(50_000_000..200_000_000);
        }
        self.slow_a + if now_ns >= self.burst_from_ns { BURST_A } else { 0.0 }
    }
}

/// [`Light`] with its dark pixels left out: most of the hundreds of pictures of a run light a small part of the wall.
struct Glow {
    lit: Vec<[f64; 3]>,
    pixels: Vec<(u32, [f32; 3])>,
    count: usize,
    blanked: bool,
}

impl From<Light> for Glow {
    fn from(light: Light) -> Self {
        let pixels = (0..).zip(&light.pixels).filter(|(_, p)| **p != [0.0; 3]).map(|(i, p)| (i, *p)).collect();
        Self { lit: light.lit, pixels, count: light.pixels.len(), blanked: light.blanked }
    }
}

impl Glow {
    fn light(&self) -> Light {
        let mut pixels = vec![[0.0; 3]; self.count];
        for (i, pixel) in &self.pixels {
            pixels[*i as usize] = *pixel;
        }
        Light { lit: self.lit.clone(), pixels, blanked: self.blanked }
    }
}

/// Pictures on walls whose panels and lines are all sound: the same on every such sign of a build, so that many of them can share them.
#[derive(Clone)]
pub struct Seen(Option<Rc<RefCell<HashMap<usize, SeenPicture>>>>);

impl Default for Seen {
    fn default() -> Self {
        Self(Some(Rc::default()))
    }
}

type SeenPicture = (Arc<ScanProgram>, Rc<Glow>);

impl Seen {
    /// Keeps nothing: for a sign of its own, which shows each picture for a while and then never again.
    pub fn nothing() -> Self {
        Self(None)
    }
    fn get(&self, program: &Arc<ScanProgram>) -> Option<Rc<Glow>> {
        self.0.as_ref()?.borrow().get(&(Arc::as_ptr(program) as usize)).map(|(_, glow)| Rc::clone(glow))
    }
    /// Keeps the program too, so that its address stays its own.
    fn keep(&self, program: &Arc<ScanProgram>, glow: &Rc<Glow>) {
        if let Some(kept) = &self.0 {
            kept.borrow_mut().insert(Arc::as_ptr(program) as usize, (Arc::clone(program), Rc::clone(glow)));
        }
    }
}

/// Distinct frames kept: a step shows its own in turn with black, and does not come back.
const KNOWN_MOST: usize = 32;

/// What a program does to the sign, kept so that each distinct frame is decoded and solved once per set of active faults.
struct Known {
    /// `None` for the blanked wall.
    program: Option<Arc<ScanProgram>>,
    /// What someone outside clocked in, word by word.
    clocked: bool,
    light: Rc<Glow>,
    /// By sense point.
    points: Vec<Sensed>,
    controller_v: f64,
}

/// What a sense point reads.
#[derive(Clone, Copy)]
struct Sensed {
    level: f64,
    /// Per ampere of additional controller current.
    slope: f64,
    /// A supply at its limit is a steep line only on one side: volts never rise above its setting.
    most: f64,
}

/// Everything that exists physically.
pub struct World {
    build: Build,
    parts: Parts,
    network: Network,
    faults: Vec<TimedFault>,
    /// When faults come or go, the latest first.
    edges_ns: Vec<u64>,
    next_edge_ns: u64,
    panels: Panels,
    /// Panels and lines are sound and powered.
    intact: bool,
    seen: Seen,
    known: Vec<Known>,
    /// Index into `known` of what is on the wall.
    now: usize,
    wander: Wander,
    now_ns: u64,
    start_unix_ms: i64,
    ambient_c: f64,
    claimed: bool,
}

impl World {
    /// A sign as built (with `scenario`'s faults and tolerances), all dark.
    pub fn new(build: &Build, scenario: &Scenario, seed: u64, start_unix_ms: i64, seen: Seen) -> Self {
        let mut parts = Parts::nominal(build, scenario.ambient_c + WIRE_RISE_K);
        if scenario.tolerances {
            draw_tolerances(build, &mut parts, seed);
        }
        let mut edges_ns: Vec<u64> = scenario
            .faults
            .iter()
            .flat_map(|f| [Some(f.at_s), f.for_s.map(|d| f.at_s + d)])
            .flatten()
            .filter(|&t| t > 0.0)
            .map(|t| (t * 1e9) as u64)
            .collect();
        edges_ns.sort_unstable_by(|a, b| b.cmp(a));
        let next_edge_ns = edges_ns.pop().unwrap_or(u64::MAX);
        let active = active_faults(&scenario.faults, 0);
        let panels = Panels::new(build, &active);
        let mut world = Self {
            network: Network::new(build),
            build: build.clone(),
            parts,
            faults: scenario.faults.clone(),
            edges_ns,
            next_edge_ns,
            panels,
            intact: false,
            seen,
            known: Vec::new(),
            now: 0,
            wander: Wander::new(seed),
            now_ns: 0,
            start_unix_ms,
            ambient_c: scenario.ambient_c,
            claimed: false,
        };
        world.power_panels();
        world.put(None);
        world
    }

    /// Wall time of virtual zero, milliseconds since 1970.
    pub fn unix_ms(&self) -> i64 {
        self.start_unix_ms + (self.now_ns / 1_000_000) as i64
    }
    /// Ambient temperature.
    pub fn ambient_c(&self) -> f64 {
        self.ambient_c
    }
    /// Volts at the controller's power input, without its fluctuation.
    pub fn controller_v(&self) -> f64 {
        self.known[self.now].controller_v
    }
    /// Rules of the panel interface broken so far.
    pub fn hazards(&self) -> super::panels::Hazards {
        self.panels.hazards()
    }
    /// What can be seen on the wall.
    pub fn light(&self) -> Light {
        self.known[self.now].light.light()
    }
    /// True once the lines were taken.
    pub fn claimed(&self) -> bool {
        self.claimed
    }
    /// Takes the lines.
    pub fn claim(&mut self) {
        self.claimed = true;
    }

    /// Puts a program on the wall.
    pub fn show(&mut self, program: &Arc<ScanProgram>) {
        self.put(Some(program));
        self.advance((program.refresh_s() * 1e9) as u64);
    }

    /// One word from outside, for those who clock the panels themselves.
    pub fn word(&mut self, clear: u32, set: u32) {
        scan::Lines::write(&mut self.panels, clear, set);
    }

    /// Takes what was lit by the words since the last call as what is on the wall now.
    pub fn look(&mut self) {
        let light = self.panels.light();
        self.panels.begin_refresh();
        let known = Known { clocked: true, ..self.solve(None, Rc::new(light.into())) };
        self.known.retain(|k| !k.clocked);
        self.known.push(known);
        self.now = self.known.len() - 1;
    }

    /// Drives the wall dark.
    pub fn blank(&mut self) {
        self.put(None);
    }

    fn put(&mut self, program: Option<&Arc<ScanProgram>>) {
        let same = |k: &Known| match (&k.program, program) {
            (Some(a), Some(b)) => Arc::ptr_eq(a, b),
            (None, None) => !k.clocked,
            _ => false,
        };
        self.now = self.known.iter().position(same).unwrap_or_else(|| {
            let light = self.picture(program);
            let known = self.solve(program.cloned(), light);
            if self.known.len() >= KNOWN_MOST {
                self.known.clear();
            }
            self.known.push(known);
            self.known.len() - 1
        });
    }

    fn picture(&mut self, program: Option<&Arc<ScanProgram>>) -> Rc<Glow> {
        let shared = program.filter(|_| self.intact);
        if let Some(glow) = shared.and_then(|p| self.seen.get(p)) {
            return glow;
        }
        let glow = Rc::new(Glow::from(self.decode(program)));
        if let Some(program) = shared {
            self.seen.keep(program, &glow);
        }
        glow
    }

    fn decode(&mut self, program: Option<&Arc<ScanProgram>>) -> Light {
        match program {
            Some(program) => {
                scan::replay_prepare(program, &mut self.panels);
                self.panels.begin_refresh();
                scan::replay_refresh(program, &mut self.panels);
            }
            None => {
                for pass in 0..2 {
                    if pass == 1 {
                        self.panels.begin_refresh();
                    }
                    for word in scan::blank_words(&self.build) {
                        scan::Lines::write(&mut self.panels, word.clear, word.set);
                    }
                }
            }
        }
        self.panels.light()
    }

    /// Solves the network for a picture.
    fn solve(&mut self, program: Option<Arc<ScanProgram>>, light: Rc<Glow>) -> Known {
        let mut parts = self.parts.clone();
        for fault in active_faults(&self.faults, self.now_ns) {
            apply(&self.build, &mut parts, &fault);
        }
        let (points, controller_v) = match self.network.solve(&parts, &light.lit) {
            Ok(solution) => {
                let sensed = |(i, p): (usize, &SensePoint)| match p.quantity {
                    Quantity::Celsius => Sensed { level: self.ambient_c, slope: 0.0, most: f64::INFINITY },
                    quantity => {
                        let setting = self.build.supply_of(i).filter(|_| quantity == Quantity::Volts).map(|s| parts.supplies[s].set_v);
                        let (level, slope) = (solution.sense(p), solution.sense_per_controller_amp(p));
                        Sensed { level, slope, most: setting.unwrap_or(f64::INFINITY).max(level) }
                    }
                };
                (self.build.sense.iter().enumerate().map(sensed).collect(), solution.volts(Node::Controller))
            }
            // no operating point: the supply has collapsed
            Err(_) => (vec![Sensed { level: 0.0, slope: 0.0, most: 0.0 }; self.build.sense.len()], 0.0),
        };
        Known { program, clocked: false, light, points, controller_v }
    }

    /// A panel with fewer volts than its logic needs neither lights nor passes data on.
    fn power_panels(&mut self) {
        let mut parts = self.parts.clone();
        let active = active_faults(&self.faults, self.now_ns);
        for fault in &active {
            apply(&self.build, &mut parts, fault);
        }
        self.intact = active.iter().all(electric);
        let count = self.build.panels.len();
        if let Ok(solution) = self.network.solve(&parts, &vec![[0.0; 3]; count]) {
            let powered: Vec<bool> = (0..count).map(|p| solution.volts(Node::Panel(p)) > LOGIC_V).collect();
            self.intact &= powered.iter().all(|p| *p);
            self.panels.set_powered(&powered);
        }
    }

    /// Faults came or went: panels are rebuilt, what was known is forgotten.
    #[cold]
    fn faults_changed(&mut self) {
        while self.next_edge_ns <= self.now_ns {
            self.next_edge_ns = self.edges_ns.pop().unwrap_or(u64::MAX);
        }
        let showing = self.known[self.now].program.clone();
        self.panels = Panels::new(&self.build, &active_faults(&self.faults, self.now_ns));
        self.known.clear();
        self.power_panels();
        self.put(showing.as_ref());
    }
}

impl Analog for World {
    fn volts(&mut self, point: usize) -> f64 {
        let extra = self.wander.amps(self.now_ns);
        let Sensed { level, slope, most } = self.known[self.now].points[point];
        (level + slope * extra).min(most)
    }
    #[inline]
    fn advance(&mut self, ns: u64) {
        self.now_ns += ns;
        if self.now_ns >= self.next_edge_ns {
            self.faults_changed();
        }
    }
    #[inline]
    fn now_ns(&self) -> u64 {
        self.now_ns
    }
}

fn active_faults(faults: &[TimedFault], now_ns: u64) -> Vec<Fault> {
    faults.iter().filter(|f| f.active(now_ns)).map(|f| f.fault.clone()).collect()
}

/// Whether a fault leaves panels and lines as they are.
fn electric(fault: &Fault) -> bool {
    matches!(
        fault,
        Fault::SupplySet { .. }
            | Fault::SupplySoft { .. }
            | Fault::SupplyLimit { .. }
            | Fault::JointFeed { .. }
            | Fault::JointInput { .. }
            | Fault::Leak { .. }
            | Fault::ConverterSilent { .. }
            | Fault::ConverterStuck { .. }
            | Fault::ConverterOffset { .. }
            | Fault::DividerOff { .. }
    )
}

/// Draws real parts around the expected ones. Spreads are assumptions of the simulator (no source), but
/// for the panels' currents, whose tolerance the build states.
fn draw_tolerances(build: &Build, parts: &mut Parts, seed: u64) {
    let mut rng = StdRng::seed_from_u64(seed ^ 0x9a3c_55f1);
    let mut normal = |sd: f64| -> f64 {
        let x: f64 = StandardNormal.sample(&mut rng);
        1.0 + sd * x.clamp(-3.0, 3.0)
    };
    for (part, panel) in parts.panels.iter_mut().zip(&build.panels) {
        let sd = build.panel_types[panel.kind].tolerance_pct / 200.0;
        part.idle_a *= normal(0.1);
        for amps in &mut part.full_a {
            *amps *= normal(sd);
        }
        for knee in &mut part.knee_v {
            *knee *= normal(0.01);
        }
    }
    for supply in &mut parts.supplies {
        // trimmed by hand with a meter
        supply.set_v *= normal(0.002);
        supply.source_ohm *= normal(0.1);
        // a conductor may not exceed its table value, and is seldom more than 10 % below
        let wire = 1.0 - 0.05 * (2.0 - normal(0.3)).clamp(0.0, 2.0);
        supply.input_out_ohm *= wire;
        supply.input_return_ohm *= wire;
    }
    for feed in &mut parts.feeds {
        feed.fuse_ohm *= normal(0.05);
        let wire = 1.0 - 0.05 * (2.0 - normal(0.3)).clamp(0.0, 2.0);
        feed.out_ohm *= wire;
        feed.return_ohm *= wire;
    }
    parts.controller_w *= normal(0.1);
}

/// What an electric fault does to the parts; faults of lines and pictures live in the panels.
fn apply(build: &Build, parts: &mut Parts, fault: &Fault) {
    match *fault {
        Fault::SupplySet { supply, volts } => parts.supplies[supply].set_v = volts,
        Fault::SupplySoft { supply, milliohm } => parts.supplies[supply].source_ohm += milliohm * 1e-3,
        Fault::SupplyLimit { supply, amps } => parts.supplies[supply].limit_a = amps,
        Fault::JointFeed { feed, milliohm } => parts.feeds[feed].out_ohm += milliohm * 1e-3,
        Fault::JointInput { supply, milliohm } => parts.supplies[supply].input_out_ohm += milliohm * 1e-3,
        Fault::FuseOpen { feed } => parts.feeds[feed].fuse_ohm = f64::INFINITY,
        Fault::Leak { feed, amps } => parts.feeds[feed].leak_s += amps / 5.0,
        Fault::ReturnOpen { feed } => parts.feeds[feed].return_ohm = f64::INFINITY,
        Fault::PanelDark { port, position } => {
            if let Some(i) = build.panel_at(port, position) {
                parts.panels[i].idle_a = 0.0;
                parts.panels[i].full_a = [0.0; 3];
            }
        }
        Fault::PanelWeak { port, position, factor } => {
            if let Some(i) = build.panel_at(port, position) {
                for amps in &mut parts.panels[i].full_a {
                    *amps *= factor;
                }
            }
        }
        // the ribbon's ground wires go with it
        Fault::RibbonOpen { port, after } => {
            if let Some(i) = build.panel_at(port, after + 1) {
                parts.ribbon_ohm[i] = f64::INFINITY;
            }
        }
        _ => {}
    }
}

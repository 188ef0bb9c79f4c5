//! Build → ordered stages and steps. Pure: planning touches nothing.

use crate::build::{Build, Colour, Half, Node, PanelType, Quantity};
use crate::event::{Selection, Stage, WitnessMode};
use crate::frame::{Cell, Frame, FrameSpec};
use crate::meter::sequential::Wanted;
use crate::scan::ScanProgram;
use serde::Serialize;
use std::sync::Arc;

#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;

/// What a step does while its frame is chosen.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// Identify chips and read the board, then take a steady window with the lines dark (nothing clocked).
    Open,
    /// Show the frame and take one steady window.
    Steady,
    /// Black, frame, black, frame … black: `cycles` lit windows between `cycles + 1` references.
    Bracket {
        /// Most lit windows.
        cycles: u32,
        /// When fewer are enough.
        wanted: Wanted,
    },
    /// Show the frame, take one steady window and ask the witness.
    Ask {
        /// The question.
        text: String,
    },
    /// Show the frame for `seconds` and take a reading of each point every `interval_s`.
    Hold {
        /// How long.
        seconds: f64,
        /// Time between readings.
        interval_s: f64,
    },
}

/// Show one frame and take readings, or ask.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Step {
    /// Number in the plan, from 0.
    pub number: u32,
    /// Stage it belongs to.
    pub stage: Stage,
    /// In words, e.g. `port 1 position 2 red upper`.
    pub title: String,
    /// What is lit.
    pub frame: FrameSpec,
    /// OE duty in thousandths.
    pub duty: u16,
    /// What is done.
    pub action: Action,
    /// Readings of each point in one window.
    pub samples: u32,
    /// Expected value per sense point: the level of steady windows, the response (lit minus reference)
    /// of brackets. `None` for points that say nothing here.
    pub expected: Vec<Option<f64>>,
    /// Nominal seconds.
    pub seconds: f64,
}

impl Step {
    /// Seconds after which the step counts as hung: four times its longest nominal time and 5 s more. `None` where a person
    /// is waited for.
    pub fn deadline_s(&self) -> Option<f64> {
        let longest = match &self.action {
            Action::Ask { .. } => return None,
            Action::Bracket { cycles, wanted } => self.seconds * f64::from(2 * cycles + 1) / f64::from(2 * wanted.least + 1),
            _ => self.seconds,
        };
        Some(4.0 * longest + 5.0)
    }
}

/// A whole run, ordered.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Plan {
    /// Steps in running order.
    pub steps: Vec<Step>,
    /// Highest lit fraction of white allowed, 0 to 1.
    pub level_permitted: f64,
    /// What binds it, in words; empty where full white is allowed.
    pub level_binds: String,
    /// Trip window per sense point (volts points only).
    pub trips: Vec<Option<[f64; 2]>>,
    /// Nominal seconds of the whole run.
    pub seconds: f64,
}

/// What planning asks of the sign's physics.
pub trait Physics {
    /// Highest permitted lit fraction of white, and what binds it.
    fn permitted(&self) -> (f64, String);
    /// Expected value per sense point for a lit share per panel and colour.
    fn predict(&mut self, lit: &[[f64; 3]]) -> Vec<Option<f64>>;
}

/// Frames and scan programs of a build.
pub trait Pictures {
    /// Share of each panel lit per colour, OE duty and latch gaps included.
    fn lit(&mut self, spec: &FrameSpec, duty: u16) -> Vec<[f64; 3]>;
    /// The picture on the wall.
    fn frame(&self, spec: &FrameSpec) -> Frame;
    /// The words that show it.
    fn program(&mut self, spec: &FrameSpec, duty: u16) -> Arc<ScanProgram>;
}

/// Most lit windows of a step; where only one point is sensed, the controller's own load moves it by as much as a cell does.
const MOST_CYCLES: u32 = 160;
/// When a cell is known well enough.
const CELL: Wanted = Wanted { least: 4, precision: 0.02, limits: [0.65, 1.35], usual: 16 };
/// When a driver chip is.
const BLOCK: Wanted = Wanted { least: 4, precision: 0.06, limits: [0.4, 1.7], usual: 12 };
/// A block is run where some point is expected to move by this many converter steps.
const BLOCK_STEPS: f64 = 6.0;
/// Nothing lit alternates above 3 Hz (WCAG 2.3.1): at least this long lit and this long dark.
pub const WINDOW_S: f64 = 0.170;
/// Nominal seconds of one reading.
const READING_S: f64 = 0.00145;
/// Shares of the permitted level in the climb.
const CLIMB: [f64; 8] = [0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0];
const HOLD_INTERVAL_S: f64 = 0.1;
/// OE duty of pictures for the witness, thousandths.
const MARKS_DUTY: u16 = 300;

/// Highest OE duty in thousandths, at most `wanted`, at which no panel draws more above its idle current than it would at
/// the permitted level of white. With it no feed and no supply can either. `lit` is the lit share per panel and colour at full
/// duty.
pub fn safe_duty(build: &Build, lit: &[[f64; 3]], permitted: f64, wanted: u16) -> u16 {
    (0..build.panels.len())
        .map(|panel| {
            let (all, asked) = amps(build, panel, lit);
            if asked > 0.0 { (1000.0 * permitted * all / asked + 1e-9).floor() } else { 1000.0 }
        })
        .fold(f64::from(wanted), f64::min)
        .max(0.0) as u16
}

/// Highest duty, at most 1000, at which the whole wall takes no more than its permitted total: for the sweep, whose few LEDs
/// are at full level.
fn wall_duty(build: &Build, lit: &[[f64; 3]], permitted: f64) -> u16 {
    let (all, asked) =
        (0..build.panels.len()).map(|p| amps(build, p, lit)).fold((0.0, 0.0), |sum: (f64, f64), a| (sum.0 + a.0, sum.1 + a.1));
    if asked > 0.0 { (1000.0 * permitted * all / asked + 1e-9).floor().clamp(0.0, 1000.0) as u16 } else { 1000 }
}

/// Amperes above idle of a panel at full white, and with these lit shares.
fn amps(build: &Build, panel: usize, lit: &[[f64; 3]]) -> (f64, f64) {
    let full = build.panel_type(panel).full_a;
    (full.iter().map(|a| a.value()).sum(), full.iter().zip(&lit[panel]).map(|(a, l)| a.value() * l).sum())
}

struct Planner<'a> {
    build: &'a Build,
    physics: &'a mut dyn Physics,
    pictures: &'a mut dyn Pictures,
    permitted: f64,
    samples: u32,
    dark: Vec<Option<f64>>,
    steps: Vec<Step>,
}

impl Planner<'_> {
    fn levels(&mut self, frame: &FrameSpec, duty: u16) -> Vec<Option<f64>> {
        let lit = self.pictures.lit(frame, duty);
        self.physics.predict(&lit)
    }

    fn push(&mut self, stage: Stage, title: String, frame: FrameSpec, duty: u16, action: Action, samples: u32) {
        let mut expected = self.levels(&frame, duty);
        let window = (f64::from(samples) * READING_S * self.build.sense.len() as f64).max(WINDOW_S);
        let seconds = match &action {
            Action::Bracket { wanted, .. } => f64::from(2 * wanted.least + 1) * window,
            Action::Hold { seconds, .. } => *seconds,
            Action::Ask { .. } => 10.0,
            _ => window,
        };
        if let Action::Bracket { .. } = action {
            for (lit, dark) in expected.iter_mut().zip(&self.dark) {
                *lit = lit.zip(*dark).map(|(l, d)| l - d);
            }
        }
        let number = self.steps.len() as u32;
        self.steps.push(Step { number, stage, title, frame, duty, action, samples, expected, seconds });
    }

    fn sweep(&mut self, panels: &[usize]) {
        let share = self.build.limits.cell_pct / 100.0;
        let cell_wanted = Wanted { limits: [1.0 - share, 1.0 + share], ..CELL };
        for &p in panels {
            let (port, position) = (self.build.panels[p].port, self.build.panels[p].position);
            for colour in Colour::ALL {
                for half in Half::ALL {
                    let cell = Cell { port, position, colour, half };
                    let frame = FrameSpec::Cell(cell);
                    self.bracket(frame, cell_wanted);
                }
            }
        }
        for &p in panels {
            let (port, position) = (self.build.panels[p].port, self.build.panels[p].position);
            let blocks = self.build.panel_type(p).width.div_ceil(PanelType::DRIVER_OUTPUTS);
            for colour in Colour::ALL {
                for half in Half::ALL {
                    for block in 0..blocks {
                        let frame = FrameSpec::Block { cell: Cell { port, position, colour, half }, block };
                        if self.resolves(&frame) {
                            self.bracket(frame, BLOCK);
                        }
                    }
                }
            }
        }
    }

    fn bracket(&mut self, frame: FrameSpec, wanted: Wanted) {
        let duty = wall_duty(self.build, &self.pictures.lit(&frame, 1000), self.permitted);
        self.push(Stage::Sweep, frame.title(), frame, duty, Action::Bracket { cycles: MOST_CYCLES, wanted }, self.samples);
    }

    /// Whether some sense point is expected to move by enough converter steps.
    fn resolves(&mut self, frame: &FrameSpec) -> bool {
        let lit = self.levels(frame, 1000);
        self.build.sense.iter().zip(lit.iter().zip(&self.dark)).any(|(point, (lit, dark))| {
            let steps = match (point.quantity, lit.zip(*dark)) {
                (crate::build::Quantity::Volts, Some((l, d))) => {
                    let ratio = point.divider.map_or(1.0, |x| (x.top.value() + x.bottom.value()) / x.bottom.value());
                    (l - d).abs() / (ratio * point.chip.step())
                }
                _ => 0.0,
            };
            steps >= BLOCK_STEPS && !matches!(point.node, Node::Distribution(_) | Node::Supply(_))
        })
    }

    /// Where panels are left out, the chosen ones show their marks one by one: the others stay dark.
    fn marks(&mut self, panels: &[usize]) {
        if panels.len() < self.build.panels.len() {
            for &p in panels {
                let (port, position) = (self.build.panels[p].port, self.build.panels[p].position);
                let text = format!("Does one panel alone show {port}.{position}, upright, at the place shown, and every other stay dark?");
                self.ask(FrameSpec::MarkOf { port, position }, text);
            }
            return;
        }
        let tallest = self.build.panel_types.iter().map(|t| t.height).max().unwrap_or(0);
        let widest = self.build.panel_types.iter().map(|t| t.width).max().unwrap_or(0);
        let mut frames = vec![(
            FrameSpec::Marks,
            "Does every panel show its own port.position, upright, red corner top left, green top right, blue bottom left?".to_owned(),
        )];
        for colour in Colour::ALL {
            frames.push((FrameSpec::Field(colour), format!("Is the whole wall evenly {} and nothing else?", colour.word())));
        }
        let mut rows = vec![0];
        rows.extend((0..16).map(|b| 1_u16 << b).take_while(|r| *r < tallest));
        for row in rows {
            frames.push((FrameSpec::Row(row), format!("Is exactly row {row} of each panel lit, counted from 0 at its own top?")));
        }
        for column in (0..widest).step_by(usize::from(PanelType::DRIVER_OUTPUTS)) {
            frames.push((
                FrameSpec::Column(column),
                format!("Is exactly column {column} of each panel lit, counted from 0 at its own left?"),
            ));
        }
        for (frame, text) in frames {
            self.ask(frame, text);
        }
    }

    fn ask(&mut self, frame: FrameSpec, text: String) {
        let duty = safe_duty(self.build, &self.pictures.lit(&frame, 1000), self.permitted, MARKS_DUTY);
        self.push(Stage::Marks, frame.title(), frame, duty, Action::Ask { text }, self.samples);
    }
}

/// Readings of each of so many points in a window.
fn samples(points: usize) -> u32 {
    (WINDOW_S / (READING_S * points.max(1) as f64)).ceil().max(32.0) as u32
}

/// Plans a run. `Selection` cuts it; a question is planned even where nobody will answer, so that what was not proven shows.
pub fn plan(build: &Build, selection: &Selection, _witness: WitnessMode, physics: &mut dyn Physics, pictures: &mut dyn Pictures) -> Plan {
    let (level_permitted, level_binds) = physics.permitted();
    let samples = samples(build.sense.len());
    let black = pictures.lit(&FrameSpec::Black, 1000);
    let dark = physics.predict(&black);
    let mut planner = Planner { build, physics, pictures, permitted: level_permitted, samples, dark, steps: Vec::new() };
    let wanted = |stage: Stage| selection.stages.as_ref().is_none_or(|s| s.contains(&stage));
    let panels: Vec<usize> = (0..build.panels.len())
        .filter(|&p| {
            let panel = &build.panels[p];
            selection.ports.as_ref().is_none_or(|ports| ports.contains(&panel.port))
                && selection.feeds.as_ref().is_none_or(|feeds| feeds.contains(&build.feeds[panel.feed].name))
        })
        .collect();
    // what follows needs the supply to have been seen right
    planner.push(Stage::Open, "nothing lit, supply read".to_owned(), FrameSpec::Black, 1000, Action::Open, samples * 4);
    if wanted(Stage::Idle) {
        planner.push(Stage::Idle, "black frames clocked".to_owned(), FrameSpec::Black, 1000, Action::Steady, samples * 8);
    }
    if wanted(Stage::Sweep) {
        planner.sweep(&panels);
    }
    if wanted(Stage::Marks) {
        planner.marks(&panels);
    }
    let whole_wall = panels.len() == build.panels.len();
    let thousandths = |share: f64| FrameSpec::Level((level_permitted * share * 1000.0 + 1e-9).floor() as u16);
    if wanted(Stage::Climb) && whole_wall && level_permitted > 0.0 {
        for share in CLIMB {
            let frame = thousandths(share);
            planner.push(Stage::Climb, frame.title(), frame, 1000, Action::Steady, samples * 8);
        }
    }
    if wanted(Stage::Hold) && whole_wall && level_permitted > 0.0 {
        let frame = thousandths(1.0);
        let action = Action::Hold { seconds: build.limits.hold_s, interval_s: HOLD_INTERVAL_S };
        planner.push(Stage::Hold, format!("{} held", frame.title()), frame, 1000, action, 1);
    }
    if wanted(Stage::Rest) {
        planner.push(Stage::Rest, "black again".to_owned(), FrameSpec::Black, 1000, Action::Steady, samples * 8);
    }
    let steps = planner.steps;
    let trips = build
        .sense
        .iter()
        .zip(&build.limits.trip_low_v)
        .map(|(p, low)| (p.quantity == Quantity::Volts).then(|| [low.value(), build.limits.trip_high_v.value()]))
        .collect();
    let seconds = steps.iter().map(|s| s.seconds).sum();
    Plan { steps, level_permitted, level_binds, trips, seconds }
}

impl Plan {
    /// The steps of one stage, in order.
    pub fn stage(&self, stage: Stage) -> impl Iterator<Item = &Step> {
        self.steps.iter().filter(move |s| s.stage == stage)
    }

    /// A table for people.
    pub fn text(&self) -> String {
        let mut out =
            format!("{} steps, about {:.0} s; permitted level {:.1} %", self.steps.len(), self.seconds, self.level_permitted * 100.0);
        if !self.level_binds.is_empty() {
            out.push_str(&format!(" ({})", self.level_binds));
        }
        out.push_str("\n\nstage  step    s  expected per sense point (mV where a change, V where a level)  what\n");
        for s in &self.steps {
            let change = matches!(s.action, Action::Bracket { .. });
            let values: Vec<String> = s
                .expected
                .iter()
                .map(|e| match e {
                    Some(v) if change => format!("{:+.2}", v * 1000.0),
                    Some(v) => format!("{v:.3}"),
                    None => "–".to_owned(),
                })
                .collect();
            out.push_str(&format!("{:<6} {:>4} {:>5.0}  {}  {}\n", s.stage.word(), s.number, s.seconds, values.join(" "), s.title));
        }
        out
    }
}

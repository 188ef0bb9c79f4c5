//! A small harbour sign, its plan, and journals as a run would leave them; no rig involved.
#![allow(dead_code, reason = "each test file uses a part of it")]

const WANTED: signproof::meter::sequential::Wanted =
    signproof::meter::sequential::Wanted { least: 4, precision: 0.02, limits: [0.65, 1.35], usual: 4 };

use signproof::build::*;
use signproof::check::PointUncertainty;
use signproof::event::*;
use signproof::frame::{Cell, FrameSpec};
use signproof::plan::{Action, Plan, Step};
use signproof::units::{Amps, Ohms, Volts};

const LEAD: Lead = Lead { conductor: Conductor::Mm2(1.5), length_m: 0.45, rated_a: None, joints: Ohms::new(0.001) };
/// Ohms from the source to the distribution, and of one feed, out and return.
const COMMON: f64 = 0.0055;
const FEED: f64 = 0.02;

fn sense(name: &str, node: Node, channel: u8) -> SensePoint {
    SensePoint {
        name: name.into(),
        quantity: Quantity::Volts,
        node,
        reference: Node::Controller,
        chip: Chip::Ads1115 { part: Default::default(), bus: 1, address: 0x48, channel, range_v: 4.096, supply_v: 3.3 },
        divider: Some(Divider { top: Ohms::new(1e4), bottom: Ohms::new(1e4), tolerance_pct: 0.1 }),
    }
}

/// Two chains of two panels, two panel feeds (one a chain), distribution and both feed ends sensed.
pub fn build() -> Build {
    let kind = PanelType {
        name: "p4-64x32".into(),
        width: 64,
        height: 32,
        pitch_mm: 4.0,
        scheme: RowScheme::plain(16, 64),
        input_side: InputSide::Right,
        min_v: Volts::new(4.5),
        idle_a: Amps::new(0.1),
        full_a: [Amps::new(1.45), Amps::new(1.10), Amps::new(1.05)],
        tolerance_pct: 10.0,
        knee_v: [Volts::new(3.2); 3],
        clock_mhz: 20.0,
        startup: vec![],
        maker: None,
        batch: None,
    };
    let feed = |name: &str| Feed { name: name.into(), supply: 0, fuse_a: Amps::new(10.0), fuse_ohm: None, lead: LEAD };
    let panel = |port: u8, position: u8| Panel {
        port,
        position,
        kind: 0,
        at: [64 * u16::from(2 - position), 32 * u16::from(port - 1)],
        up: Up::Up,
        feed: usize::from(port - 1),
        serial: None,
        ribbon_m: 0.3,
    };
    Build {
        sign: Sign {
            name: "Harbour steps water-taxi board".into(),
            serial: "WT-0003".into(),
            place: Some("lower steps".into()),
            notes: None,
        },
        panel_types: vec![kind],
        supplies: vec![Supply {
            name: "main".into(),
            set_v: Volts::new(5.1),
            rated_a: Amps::new(40.0),
            accept_v: [Volts::new(4.9), Volts::new(5.25)],
            source: Ohms::new(0.001),
            limit_factor: 1.2,
            derate_from_c: 50.0,
            derate_pct_per_k: 2.5,
            input_lead: LEAD,
            maker: None,
        }],
        feeds: vec![feed("F1"), feed("F2"), feed("F3")],
        controller: Controller { model: "single-board".into(), feed: 2, draw_a: Amps::new(3.0), min_v: Volts::new(4.75) },
        adapter: Adapter {
            model: "two ports".into(),
            buffer: Buffer::Hct,
            oe_pull_up: true,
            clk: 17,
            lat: 4,
            oe: 18,
            address: vec![22, 23, 24, 25],
            ports: vec![PortPins { port: 1, data: [[11, 27, 7], [8, 9, 10]] }, PortPins { port: 2, data: [[12, 5, 6], [19, 13, 20]] }],
        },
        chains: vec![Chain { port: 1, panels: vec![0, 1] }, Chain { port: 2, panels: vec![2, 3] }],
        panels: vec![panel(1, 1), panel(1, 2), panel(2, 1), panel(2, 2)],
        sense: vec![
            sense("distribution", Node::Distribution(0), 0),
            sense("F1 end", Node::FeedEnd(0), 1),
            sense("F2 end", Node::FeedEnd(1), 2),
        ],
        limits: Limits {
            trip_low_v: vec![Volts::new(4.65); 3],
            trip_high_v: Volts::new(5.4),
            hold_s: 180.0,
            fuse_load_pct: 75.0,
            supply_load_pct: 80.0,
            drop_v: Volts::new(0.4),
            refresh_hz: 100.0,
            ambient_max_c: 45.0,
            cell_pct: 20.0,
            rest_v: Volts::new(0.02),
            hold_drift_v_per_min: Volts::new(0.01),
            climb_pct: 25.0,
            joint_max_c: 60.0,
        },
    }
}

/// Volts at the three points with these amperes on F1 and F2.
fn volts(amps: [f64; 2]) -> [f64; 3] {
    let d = 5.09 - COMMON * (amps[0] + amps[1]);
    [d, d - FEED * amps[0], d - FEED * amps[1]]
}

fn cell_amps(cell: Cell) -> [f64; 2] {
    let half = [1.45, 1.10, 1.05][cell.colour.index()] / 2.0;
    if cell.port == 1 { [half, 0.0] } else { [0.0, half] }
}

fn level_amps(level: u16) -> [f64; 2] {
    [2.0 * 3.6 * f64::from(level) / 1000.0; 2]
}

pub fn plan() -> Plan {
    let mut steps: Vec<Step> = Vec::new();
    let mut add = |stage, title: &str, frame, action, expected: [f64; 3]| {
        let number = u32::try_from(steps.len()).expect("few steps");
        let expected = expected.into_iter().map(Some).collect();
        steps.push(Step { number, stage, title: title.into(), frame, duty: 1000, action, samples: 16, expected, seconds: 1.0 });
    };
    add(Stage::Open, "nothing lit", FrameSpec::Black, Action::Open, volts([0.2; 2]));
    add(Stage::Idle, "black frames", FrameSpec::Black, Action::Steady, volts([0.2; 2]));
    for (port, position) in [(1, 1), (1, 2), (2, 1), (2, 2)] {
        for colour in Colour::ALL {
            for half in Half::ALL {
                let cell = Cell { port, position, colour, half };
                let (lit, dark) = (volts(cell_amps(cell)), volts([0.0; 2]));
                let response = [lit[0] - dark[0], lit[1] - dark[1], lit[2] - dark[2]];
                add(Stage::Sweep, "a cell", FrameSpec::Cell(cell), Action::Bracket { cycles: 4, wanted: WANTED }, response);
            }
        }
    }
    for (frame, text) in [(FrameSpec::Marks, "Does every panel show its mark?"), (FrameSpec::Field(Colour::Red), "Is everything red?")] {
        add(Stage::Marks, text, frame, Action::Ask { text: text.into() }, volts([0.2; 2]));
    }
    for level in [100, 200, 300, 400, 500] {
        let amps = level_amps(level);
        add(Stage::Climb, "a level", FrameSpec::Level(level), Action::Steady, volts(amps));
    }
    add(Stage::Hold, "permitted level", FrameSpec::Level(500), Action::Hold { seconds: 180.0, interval_s: 0.5 }, volts(level_amps(500)));
    add(Stage::Rest, "black", FrameSpec::Black, Action::Steady, volts([0.2; 2]));
    Plan { steps, level_permitted: 0.5, level_binds: "fuse F1".into(), trips: vec![Some([4.65, 5.4]); 3], seconds: 400.0 }
}

pub fn instruments() -> Vec<PointUncertainty> {
    vec![PointUncertainty { gain_rel: 0.001, offset: 0.0003, lsb: 0.00025 }; 3]
}

/// What goes wrong in a synthetic run.
pub struct Story<'a> {
    /// Factor of a cell's current.
    pub cell: &'a dyn Fn(Cell) -> f64,
    pub answer: &'a dyn Fn(&Question) -> Answer,
    pub ending: Option<Ending>,
    /// Added to every reading.
    pub shift: f64,
}

pub fn healthy() -> Story<'static> {
    Story { cell: &|_| 1.0, answer: &|_| Answer::AsShown, ending: Some(Ending::Completed), shift: 0.0 }
}

struct Writer {
    entries: Vec<Entry>,
    ms: u64,
    noise: u64,
}

impl Writer {
    fn stamp(&self) -> Stamp {
        Stamp { mono_ns: self.ms * 1_000_000, unix_ms: 1_780_000_000_000 + i64::try_from(self.ms).expect("short"), synced: true }
    }
    fn emit(&mut self, event: Event) {
        let entry = Entry { seq: self.entries.len() as u64, at: self.stamp(), event };
        self.entries.push(entry);
    }
    /// Uniform, deviation about 0.3 mV, a fixed sequence.
    fn noise(&mut self) -> f64 {
        self.noise = self.noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.noise >> 33) as f64 / f64::from(1u32 << 31) - 0.5) * 0.001
    }
    fn window(&mut self, step: u32, cycle: u32, role: Role, level: [f64; 3], count: usize, step_ms: u64) {
        let from = self.stamp();
        let mut points: Vec<PointReadings> = (0..3).map(|point| PointReadings { point, values: vec![], missing: vec![] }).collect();
        for i in 0..count {
            if i > 0 {
                self.ms += step_ms;
            }
            for p in &mut points {
                let value = level[p.point] + self.noise();
                p.values.push((value / 0.00025).round() * 0.00025);
            }
        }
        let to = self.stamp();
        self.emit(Event::Readings { step, cycle, role, from, to, points });
        self.ms += step_ms;
    }
}

pub fn entries(plan: &Plan, story: &Story<'_>) -> Vec<Entry> {
    let mut w = Writer { entries: vec![], ms: 0, noise: 7 };
    w.emit(Event::RunStarted {
        format: FORMAT,
        tool: "signproof 0.1.0".into(),
        run_id: "20260601T080000Z-0001".into(),
        rig: "sim".into(),
        simulated: true,
        place: PlaceOfRun::Bench,
        build_file: String::new(),
        build_digest: "00".into(),
        selection: Selection::default(),
        witness: WitnessMode::Simulated,
        seed: Some(1),
        scenario: None,
        ambient_c: Some(20.0),
    });
    let at = |amps| volts(amps).map(|v| v + story.shift);
    for step in &plan.steps {
        let n = step.number;
        w.emit(Event::StepStarted { step: n, frame: step.frame, duty: step.duty });
        let lit = match step.frame {
            FrameSpec::Cell(c) => cell_amps(c).map(|a| a * (story.cell)(c) + 0.2),
            FrameSpec::Level(l) => level_amps(l),
            _ => [0.2; 2],
        };
        match &step.action {
            Action::Open => {
                for point in 0..3 {
                    w.emit(Event::Converter { point, found: Ok("ads1115 at 0x48 on bus 1".into()) });
                }
                w.emit(Event::Board(BoardFacts { undervoltage: Some(false), ..BoardFacts::default() }));
                w.window(n, 0, Role::Steady, at(lit), 32, 10);
            }
            Action::Steady => w.window(n, 0, Role::Steady, at(lit), 32, 10),
            Action::Bracket { cycles, .. } => {
                w.window(n, 0, Role::Reference, at([0.2; 2]), 16, 10);
                for cycle in 0..*cycles {
                    w.window(n, cycle, Role::Lit, at(lit), 16, 10);
                    w.window(n, cycle + 1, Role::Reference, at([0.2; 2]), 16, 10);
                }
            }
            Action::Ask { text } => {
                let question = Question { frame: step.frame, text: text.clone() };
                let answer = (story.answer)(&question);
                w.emit(Event::Witnessed { step: n, question, answer });
            }
            Action::Hold { seconds, interval_s } => {
                let count = (seconds / interval_s) as usize + 1;
                w.window(n, 0, Role::Steady, at(lit), count, (interval_s * 1000.0) as u64);
            }
        }
    }
    if let Some(ending) = &story.ending {
        w.emit(Event::RunEnded { ending: ending.clone() });
    }
    w.entries
}

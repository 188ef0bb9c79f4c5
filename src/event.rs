//! What crosses from doing to judging. The executor emits events, the journal keeps them, the judge
//! reads nothing else.

use crate::frame::FrameSpec;
use crate::units::NoReading;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

mod readings;

pub use readings::PointReadings;

/// Version of the event and journal format. Readers accept this and older ones. 2: readings as codes of a step.
pub const FORMAT: u32 = 2;

/// A moment: monotonic time of this boot, wall time, and whether the wall clock was synchronised.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Stamp {
    /// Nanoseconds since an arbitrary start, never going back.
    pub mono_ns: u64,
    /// Milliseconds since 1970-01-01T00:00:00Z.
    pub unix_ms: i64,
    /// True where the wall clock was synchronised.
    pub synced: bool,
}

impl Stamp {
    /// Seconds from `earlier` to this, by the monotonic clock; negative if it was later.
    pub fn since(self, earlier: Self) -> f64 {
        (self.mono_ns as f64 - earlier.mono_ns as f64) * 1e-9
    }
}

/// A group of steps with one purpose, in running order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Stage {
    /// Nothing lit; chips identified; supply read.
    Open,
    /// Black frames clocked.
    Idle,
    /// Every cell alone, bracketed.
    Sweep,
    /// Pictures for the witness.
    Marks,
    /// Level up in steps.
    Climb,
    /// Permitted level held.
    Hold,
    /// Black again.
    Rest,
}

impl Stage {
    /// All seven, in running order.
    pub const ALL: [Self; 7] = [Self::Open, Self::Idle, Self::Sweep, Self::Marks, Self::Climb, Self::Hold, Self::Rest];
    /// Lower-case word.
    pub const fn word(self) -> &'static str {
        ["open", "idle", "sweep", "marks", "climb", "hold", "rest"][self as usize]
    }
    /// The stage of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.word() == word)
    }
}

/// Which parts of a run are wanted; a cut run is never `pass`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Selection {
    /// Only these stages; all where absent.
    pub stages: Option<Vec<Stage>>,
    /// Only these ports.
    pub ports: Option<Vec<u8>>,
    /// Only panels on these feeds, by name.
    pub feeds: Option<Vec<String>>,
}

impl Selection {
    /// True where nothing was left out.
    pub fn is_whole(&self) -> bool {
        self.stages.is_none() && self.ports.is_none() && self.feeds.is_none()
    }
}

/// Where the sign is while it is tested.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum PlaceOfRun {
    /// On the bench.
    #[default]
    Bench,
    /// Where it stands outdoors.
    Outdoors,
    /// During service.
    Service,
}

/// Who is asked what is on the wall.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum WitnessMode {
    /// A person.
    Ask,
    /// Nobody.
    None,
    /// The simulated person of the sim rig.
    Simulated,
}

/// State of the controller; absent facts are `None`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct BoardFacts {
    /// Board model.
    pub model: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// SoC temperature in °C.
    pub soc_c: Option<f64>,
    /// Undervoltage at this moment.
    pub undervoltage: Option<bool>,
    /// Clock reduced by heat at this moment.
    pub throttled: Option<bool>,
    /// Seconds since boot.
    pub uptime_s: Option<f64>,
    /// Ambient temperature in °C, sensed or typed.
    pub ambient_c: Option<f64>,
    /// Whether the wall clock was synchronised.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_synced: Option<bool>,
    /// Storage left where the journal is, MiB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub free_mib: Option<u64>,
    /// How the panels were clocked so far.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scan: Option<ScanFacts>,
}

/// How the panels were clocked: measured by the scan thread.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct ScanFacts {
    /// How words reach the pins.
    pub path: String,
    /// Priority, locked memory, core: as permitted.
    pub manner: String,
    /// Refreshes since the lines were claimed.
    pub refreshes: u64,
    /// Mean refresh rate, hertz.
    pub refresh_hz: f64,
    /// Standard deviation of the time of a refresh, microseconds.
    pub jitter_us: f64,
    /// Longest refresh, microseconds.
    pub worst_us: f64,
    /// Times that the guard blanked because no refresh came.
    pub stalls: u32,
}

/// A reading taken by hand.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HandReading {
    /// What was measured: `volts/main`, `ohms/main`, `joint`.
    pub item: String,
    /// Volts, ohms or °C.
    pub value: f64,
    /// Greatest error by the meter's stated accuracy, in the same unit.
    pub error: f64,
    /// The meter.
    pub meter: String,
}

/// A before-power checklist as filled in on paper, on another machine or at the terminal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Checklist {
    /// Who looked and measured.
    pub who: String,
    /// When, as written down.
    pub when: String,
    /// Who is licensed and did what only they may do.
    pub licensed: Option<String>,
    /// Yes or no, by name of the question.
    pub answers: BTreeMap<String, bool>,
    /// Readings.
    pub readings: Vec<HandReading>,
}

impl Checklist {
    /// The reading of a name.
    pub fn reading(&self, item: &str) -> Option<&HandReading> {
        self.readings.iter().find(|r| r.item == item)
    }
}

/// Where a witness sees a panel's mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Whereabouts {
    /// At the place whose top-left corner is here, turned clockwise by this many degrees.
    At {
        /// Wall pixels, front view.
        at: [u16; 2],
        /// 0, 90, 180 or 270.
        degrees: u16,
    },
    /// Nowhere on the wall.
    Nowhere,
    /// Nobody answered.
    Absent,
}

/// What the witness is asked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Question {
    /// The picture that should be on the wall.
    pub frame: FrameSpec,
    /// The question in words.
    pub text: String,
}

/// What the witness says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// The wall is as shown.
    AsShown,
    /// Something differs.
    Differs(Vec<Difference>),
    /// Nobody answered.
    Absent,
}

/// One thing that differs, at the wall place where panel `port`·`position` should be.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Difference {
    /// Port of the panel that should be there.
    pub port: u8,
    /// Position of the panel that should be there.
    pub position: u8,
    /// What is seen.
    pub seen: Seen,
}

/// What a witness sees at a panel's place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Seen {
    /// Nothing lit.
    Dark,
    /// The right picture, turned clockwise by 90, 180 or 270 degrees.
    Turned {
        /// Degrees clockwise.
        degrees: u16,
    },
    /// The picture that belongs to another panel.
    PictureOf {
        /// Its port.
        port: u8,
        /// Its position.
        position: u8,
    },
    /// Other colours than expected.
    WrongColour {
        /// Expected, as words, e.g. `red`.
        expected: String,
        /// Seen, as words, `dark` where nothing is lit.
        seen: String,
    },
    /// Rows (panel's own frame) that should be lit and are not, or are lit and should not be.
    Rows(Vec<u16>),
    /// Columns (panel's own frame) likewise.
    Columns(Vec<u16>),
    /// Part of the panel: a half, a block.
    Part {
        /// First and last column, first and last row, own frame, inclusive.
        columns: [u16; 2],
        /// Rows.
        rows: [u16; 2],
    },
    /// Anything else, in words.
    Other(String),
}

/// Whether a block of readings was taken in the dark, lit, or steadily.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Black reference before or after a lit window.
    Reference,
    /// Lit window of a bracket.
    Lit,
    /// Neither: open, idle, climb, hold, rest.
    Steady,
    /// After the wall was blanked by the interlock.
    After,
}

/// Why a run was stopped before its end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum StopCause {
    /// A sense point left the trip window.
    Volts {
        /// Index of the sense point.
        point: usize,
        /// The reading.
        value: f64,
        /// The window's low and high edge.
        window: [f64; 2],
    },
    /// The next level would have taken a sense point out of the trip window; it was never lit.
    Predicted {
        /// Index of the sense point.
        point: usize,
        /// What it would have read, from the levels before.
        value: f64,
        /// The window's low and high edge.
        window: [f64; 2],
    },
    /// A converter was silent for too long.
    Silent {
        /// Index of the sense point.
        point: usize,
        /// Why there was no reading.
        reason: NoReading,
        /// For how long, seconds.
        seconds: f64,
    },
    /// The board's undervoltage flag.
    Undervoltage,
    /// A response far above prediction.
    Response {
        /// Index of the sense point.
        point: usize,
        /// Measured response.
        value: f64,
        /// Expected response.
        expected: f64,
    },
    /// A person or a signal.
    Cancelled {
        /// e.g. `SIGINT`.
        by: String,
    },
    /// What was found by hand before power.
    ByHand {
        /// In words, with what to do.
        why: String,
    },
}

/// How a run came to its end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Ending {
    /// Every planned step was run.
    Completed,
    /// Interlock or person.
    Stopped(StopCause),
    /// Tool, instrument or storage broke.
    Broken {
        /// What, for the person at the bench.
        message: String,
    },
}

/// One event of a run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum Event {
    /// First event of every run.
    RunStarted {
        /// [`FORMAT`] of the writer.
        format: u32,
        /// Tool name and version.
        tool: String,
        /// Unique id: the start in UTC and a random part.
        run_id: String,
        /// `board`, `sim` or `replay`.
        rig: String,
        /// True where no real sign was attached.
        simulated: bool,
        /// Where the sign is.
        place: PlaceOfRun,
        /// Whole text of the expected-build file.
        build_file: String,
        /// Digest of the checked build.
        build_digest: String,
        /// What was cut.
        selection: Selection,
        /// Who is asked.
        witness: WitnessMode,
        /// Seed of a simulated run.
        seed: Option<u64>,
        /// Text of the scenario file of a simulated run.
        scenario: Option<String>,
        /// Ambient temperature typed by the person.
        ambient_c: Option<f64>,
    },
    /// A chip was identified, or not.
    Converter {
        /// Index of the sense point.
        point: usize,
        /// The chip as found.
        found: Result<String, NoReading>,
    },
    /// Readings of a sense point are corrected, as stated.
    Calibrated(crate::calibration::Correction),
    /// State of the controller.
    Board(BoardFacts),
    /// The before-power checklist.
    Checklist(Checklist),
    /// A reading by hand during the run.
    ByHand {
        /// The reading.
        reading: HandReading,
        /// Who took it.
        who: String,
    },
    /// A stage begins.
    StageStarted {
        /// Which.
        stage: Stage,
    },
    /// A step begins.
    StepStarted {
        /// Number of the step in the plan.
        step: u32,
        /// What is lit.
        frame: FrameSpec,
        /// OE duty in thousandths.
        duty: u16,
    },
    /// A frame went onto the wall.
    Shown {
        /// Step number.
        step: u32,
        /// What.
        frame: FrameSpec,
    },
    /// A window of readings.
    Readings {
        /// Step number.
        step: u32,
        /// Bracket number within the step, from 0.
        cycle: u32,
        /// Dark, lit or steady.
        role: Role,
        /// When the first reading returned.
        from: Stamp,
        /// When the last one returned.
        to: Stamp,
        /// Per sense point.
        points: Vec<PointReadings>,
    },
    /// The witness answered.
    Witnessed {
        /// Step number.
        step: u32,
        /// What was asked.
        question: Question,
        /// The answer.
        answer: Answer,
    },
    /// A step was not run, with the reason.
    StepSkipped {
        /// Step number.
        step: u32,
        /// Why.
        why: String,
    },
    /// A stage is over.
    StageEnded {
        /// Which.
        stage: Stage,
    },
    /// The wall was blanked because of an interlock, a signal or an error.
    Blanked {
        /// Seconds from the reading or signal that caused it to OE high.
        after_s: f64,
        /// Why.
        cause: StopCause,
    },
    /// Last event of every run that was not cut off.
    RunEnded {
        /// How.
        ending: Ending,
    },
}

/// An event with its place in the journal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Sequence number from 0, without gaps.
    pub seq: u64,
    /// When it was emitted.
    pub at: Stamp,
    /// What happened.
    pub event: Event,
}

impl StopCause {
    /// In words for the person at the bench.
    pub fn text(&self, build: &crate::build::Build) -> String {
        let name = |p: &usize| build.sense.get(*p).map_or("an unknown sense point", |s| s.name.as_str());
        let outside = |window: &[f64; 2]| format!("outside {:.2} to {:.2} V", window[0], window[1]);
        match self {
            Self::Volts { point, value, window } => format!("{} read {value:.3} V, {}", name(point), outside(window)),
            Self::Predicted { point, value, window } => {
                format!("{} would have read {value:.3} V at the next level, {}; it was not lit", name(point), outside(window))
            }
            Self::Silent { point, reason, seconds } => format!("{} was silent for {seconds:.2} s: {}", name(point), reason.text()),
            Self::Undervoltage => "the controller reported undervoltage".to_owned(),
            Self::Response { point, value, expected } => match build.sense.get(*point).map(|s| s.quantity) {
                Some(crate::build::Quantity::Amps) => format!("{} moved by {value:.2} A where {expected:.2} A was expected", name(point)),
                _ => format!("{} moved by {:.0} mV where {:.0} mV was expected", name(point), value * 1e3, expected * 1e3),
            },
            Self::Cancelled { by } => format!("by {by}"),
            Self::ByHand { why } => why.clone(),
        }
    }
}

impl Seen {
    /// In words.
    pub fn text(&self) -> String {
        let list = |v: &[u16]| v.iter().map(u16::to_string).collect::<Vec<_>>().join(", ");
        match self {
            Self::Dark => "dark".to_owned(),
            Self::Turned { degrees } => format!("turned by {degrees}° clockwise"),
            Self::PictureOf { port, position } => format!("shows the picture of port {port} position {position}"),
            Self::WrongColour { expected, seen } => format!("{seen} instead of {expected}"),
            Self::Rows(rows) => format!("rows {} differ", list(rows)),
            Self::Columns(columns) => format!("columns {} differ", list(columns)),
            Self::Part { columns, rows } => format!("differs in columns {} to {}, rows {} to {}", columns[0], columns[1], rows[0], rows[1]),
            Self::Other(words) => words.clone(),
        }
    }
}

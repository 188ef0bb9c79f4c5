//! What the API takes and gives, as JSON.

use super::handed_in::HandedInView;
use super::live::{FindingNow, KeptRun, Phase, PointNow, RunNow};
use super::map::FoundMap;
use crate::checklist::Accuracy;
use crate::event::{Answer, PlaceOfRun, Stage};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What is going on now.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Status {
    /// Tool and version.
    pub tool: String,
    /// True where no real sign is attached.
    pub simulated: bool,
    /// Name of the sign.
    pub sign: String,
    /// Its serial number.
    pub serial: String,
    /// Digest of the build.
    pub build_digest: String,
    /// Where the daemon is.
    pub phase: Phase,
    /// What a person is needed for.
    pub need: Option<String>,
    /// True where whoever asks may act.
    pub may_act: bool,
    /// True where runs may be begun at all.
    pub may_begin: bool,
    /// State of the output lines, in words.
    pub lines: String,
    /// The run that goes on.
    pub run: Option<RunNow>,
    /// Sense points.
    pub points: Vec<PointNow>,
    /// Findings of the run that goes on, or of the last one.
    pub findings: Vec<FindingNow>,
    /// Outcome word of the last run that ended.
    pub last: Option<String>,
    /// Run that may be accepted as the baseline now, for a reason.
    pub acceptable: Option<String>,
    /// The before-power checklist that waits, or that the run which goes on has taken.
    pub handed_in: Option<HandedInView>,
    /// True where a witness or a finding says that things are in the wrong place: `find-map` tells where.
    pub misplaced: bool,
    /// Run that was accepted as the baseline.
    pub accepted: Option<String>,
    /// Id of the newest event.
    pub last_event: String,
}

/// The kept runs.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RunList {
    /// Oldest first.
    pub runs: Vec<KeptRun>,
}

/// One run.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RunView {
    /// While it goes on.
    pub now: Option<RunNow>,
    /// Once it is kept.
    pub kept: Option<KeptRun>,
}

/// A run that was begun.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Begun {
    /// Its id.
    pub id: String,
}

/// Days with rows.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WatchDays {
    /// `YYYY-MM-DD`, oldest first.
    pub days: Vec<String>,
}

/// A run that is wanted.
#[derive(Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct StartBody {
    /// `bench`, `outdoors` or `service`.
    #[schemars(with = "String")]
    pub place: PlaceOfRun,
    /// A note for the list of runs, at most 500 characters.
    pub note: String,
    /// Ambient temperature in °C, −60 to 100.
    pub ambient_c: Option<f64>,
    /// Only these stages; such a run is never a pass.
    #[schemars(with = "Option<Vec<String>>")]
    pub stages: Option<Vec<Stage>>,
}

/// An answer of the witness.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WitnessBody {
    /// Number of the question.
    pub question: u64,
    /// `"as-shown"`, `"absent"`, or `{"differs": [{"port": 1, "position": 2, "seen": "dark"}]}` with what is seen:
    /// `"dark"`, `{"turned": {"degrees": 180}}`, `{"picture-of": {"port": 1, "position": 3}}`,
    /// `{"wrong-colour": {"expected": "red", "seen": "green"}}`, `{"rows": [0, 1]}`, `{"columns": [5]}`,
    /// `{"part": {"columns": [0, 15], "rows": [0, 7]}}`, `{"other": "in words"}`.
    #[schemars(with = "serde_json::Value")]
    pub answer: Answer,
}

/// The hottest joint.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct JointBody {
    /// Number of the question.
    pub question: u64,
    /// `null` where it was not measured.
    pub reading: Option<JointReading>,
}

/// A temperature taken by hand.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct JointReading {
    /// °C.
    pub celsius: f64,
    /// The thermometer, and its accuracy.
    pub meter: String,
    /// Likewise.
    pub accuracy: Accuracy,
    /// Who measured.
    pub who: String,
}

/// A file's text.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FileBody {
    /// The whole text (TOML).
    pub text: String,
}

/// Nothing more is needed.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NothingBody {}

/// Where a mark appears.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PlaceBody {
    /// Number of the question.
    pub question: u64,
    /// Top-left corner of the panel that shows it, in wall pixels, as in `build`; `null` where none does.
    pub at: Option<[u16; 2]>,
    /// How far its arrow is turned clockwise from upright, from the front: 0, 90, 180 or 270.
    #[serde(default)]
    pub degrees: u16,
}

/// The map found last.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MapView {
    /// `null` where none was looked for yet.
    pub found: Option<FoundMap>,
}

/// Why a run is accepted.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AcceptBody {
    /// In words, for the record.
    pub reason: String,
}

/// A panel of the build.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PanelView {
    /// Port.
    pub port: u8,
    /// Position, 1 nearest the port.
    pub position: u8,
    /// Top-left corner in wall pixels.
    pub at: [u16; 2],
    /// Width and height on the wall.
    pub size: [u16; 2],
    /// Where its arrow points.
    pub up: String,
    /// Its feed.
    pub feed: String,
    /// Number of its place on the wall, from 1: row by row from the top left, from the front.
    pub place: usize,
}

/// The build in use.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BuildView {
    /// Name of the sign.
    pub name: String,
    /// Its serial number.
    pub serial: String,
    /// Digest of the build.
    pub digest: String,
    /// Wall width and height in pixels.
    pub wall: [u16; 2],
    /// Panels.
    pub panels: Vec<PanelView>,
    /// The build file.
    pub text: String,
}

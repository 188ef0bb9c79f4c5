//! The record of a rig: every call of a run and what came back, one JSON line each.

use super::RigError;
use crate::event::{Answer, BoardFacts, Checklist, HandReading, Stamp};
use crate::scan::ScanProgram;
use crate::units::Reading;
use serde::{Deserialize, Serialize};

/// Version of the format. 2: what was found by hand, and what was read while a person was asked.
pub(super) const FORMAT: u32 = 2;
/// Longest line that is read, bytes.
pub(super) const LINE_MAX: u64 = 64 * 1024;

/// What a call that returns nothing came to.
pub(super) type Done = Result<(), RigError>;

/// One line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Line {
    /// The first one.
    RigRecord {
        /// See [`FORMAT`].
        format: u32,
        /// Digest of the build.
        build: String,
        /// Name of the rig that was recorded.
        rig: String,
        /// Nominal time of a reading by sense point, nanoseconds.
        read_ns: Vec<u64>,
    },
    /// Lines were taken.
    Claim(Done),
    /// A program, by its checksum, was shown.
    Show(u32, Done),
    /// The wall was driven dark.
    Blank(Done),
    /// It was asked whether the program is still shown.
    Check(Done),
    /// A converter was identified.
    Identify(usize, Reading<String>),
    /// A converter was read.
    Read(usize, Reading<f64>),
    /// The time was asked.
    Now(Stamp),
    /// It was waited for this many nanoseconds.
    Sleep(u64),
    /// The controller's state was read.
    Health(Box<BoardFacts>),
    /// A person was asked; what the rig was asked for meanwhile stands before it.
    Ask(String, Answer),
    /// The before-power checklist was handed in; nothing stands here where nobody did.
    BeforePower(Box<Checklist>),
    /// The hottest joint was asked for, likewise.
    Joint(Option<(HandReading, String)>),
}

impl Line {
    /// What it is, in words.
    pub fn words(&self) -> String {
        match self {
            Self::RigRecord { .. } => "its first line".to_owned(),
            Self::Claim(_) => "taking the lines".to_owned(),
            Self::Show(sum, _) => format!("showing the frame {sum:08x}"),
            Self::Blank(_) => "blanking".to_owned(),
            Self::Check(_) => "looking whether the frame is shown".to_owned(),
            Self::Identify(point, _) => format!("identifying sense point {point}"),
            Self::Read(point, _) => format!("reading sense point {point}"),
            Self::Now(_) => "asking the time".to_owned(),
            Self::Sleep(ns) => format!("waiting {:.3} s", *ns as f64 * 1e-9),
            Self::Health(_) => "reading the controller's state".to_owned(),
            Self::Ask(question, _) => format!("asking {question:?}"),
            Self::BeforePower(_) => "taking the checklist".to_owned(),
            Self::Joint(_) => "asking for the hottest joint".to_owned(),
        }
    }
}

/// Checksum of a program's words.
pub(super) fn checksum(program: &ScanProgram) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    for word in program.prepare.iter().chain(&program.refresh) {
        hasher.update(&word.clear.to_le_bytes());
        hasher.update(&word.set.to_le_bytes());
    }
    hasher.finalize()
}

/// A time as it stands in the record.
pub(super) fn ns(time: std::time::Duration) -> u64 {
    u64::try_from(time.as_nanos()).unwrap_or(u64::MAX)
}

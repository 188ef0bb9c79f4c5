//! (build, events) → checks, findings, coverage, outcome. Pure; never touches a rig.

use crate::check::{Check, Place};
use serde::{Deserialize, Serialize};

/// What a run says about the sign; the number is the process exit code.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// Everything required was proven.
    Pass,
    /// The sign is wrong.
    Fail,
    /// The instrument cannot decide.
    Marginal,
    /// Something required was not proven.
    Incomplete,
    /// A person or the interlock ended it.
    Stopped,
    /// Tool, instrument or storage broke: says nothing about the sign.
    Error,
}

impl Outcome {
    /// Exit code of the process. 2 is kept for usage errors and invalid builds, 70 for bugs.
    pub const fn exit_code(self) -> u8 {
        match self {
            Self::Pass => 0,
            Self::Fail => 1,
            Self::Marginal => 3,
            Self::Incomplete => 4,
            Self::Stopped => 5,
            Self::Error => 6,
        }
    }
    /// Lower-case word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Marginal => "marginal",
            Self::Incomplete => "incomplete",
            Self::Stopped => "stopped",
            Self::Error => "error",
        }
    }
}

/// A located fault.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Kind word of [`crate::fault::Fault::KINDS`], or `unknown`.
    pub kind: String,
    /// Where.
    #[serde(rename = "where")]
    pub place: Place,
    /// 0 to 1.
    pub probability: f64,
    /// What else would look the same.
    pub alternatives: Vec<Alternative>,
    /// What speaks for it.
    pub evidence: Vec<String>,
    /// What to do, in order.
    pub remedy: Vec<String>,
}

/// Another explanation of the same pattern.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Alternative {
    /// Kind word.
    pub kind: String,
    /// Where.
    #[serde(rename = "where")]
    pub place: Place,
    /// 0 to 1.
    pub probability: f64,
}

/// How a fault kind is covered by this build's sense points.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Proof {
    /// By measurement alone.
    Measured,
    /// Only if a person looks.
    Witness,
    /// Not with these sense points.
    NotProven,
}

/// One line of the coverage table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Coverage {
    /// Kind word.
    pub kind: String,
    /// Where.
    #[serde(rename = "where")]
    pub place: Place,
    /// How.
    pub proof: Proof,
    /// Why.
    pub reason: String,
}

/// Everything the judge says about a run.
#[derive(Clone, Debug, PartialEq)]
pub struct Judgement {
    /// The verdict.
    pub outcome: Outcome,
    /// Why that, in one or more sentences for the person at the bench.
    pub reasons: Vec<String>,
    /// Every check, in stage order.
    pub checks: Vec<Check>,
    /// Located faults, most probable first.
    pub findings: Vec<Finding>,
    /// What could be proven.
    pub coverage: Vec<Coverage>,
    /// Steps of the plan that never ran, in words.
    pub never_ran: Vec<String>,
}

//! (build, events) → checks, findings, coverage, outcome. Pure; never touches a rig.

mod checks;
mod coverage;
mod evidence;
mod findings;

use crate::build::Build;
use crate::check::{Check, CheckResult, Place, PointUncertainty};
use crate::event::{Answer, Ending, Entry, StopCause};
use crate::plan::Plan;
pub use coverage::coverage;
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

/// Judges a run. `plan` is the plan of the build and the selection that the journal's first entry names;
/// `instruments` has one entry per sense point.
pub fn judge(build: &Build, plan: &Plan, entries: &[Entry], instruments: &[PointUncertainty]) -> Judgement {
    let evidence = evidence::gather(entries);
    let checks = checks::Case { build, plan, evidence: &evidence, instruments }.all();
    let answers: Vec<&Answer> = evidence.answers.values().copied().collect();
    let stop: Option<&StopCause> = match evidence.ending {
        Some(Ending::Stopped(cause)) => Some(cause),
        _ => None,
    };
    let findings = findings::find(
        build,
        &checks,
        &answers,
        stop,
        plan.steps.iter().any(|s| s.frame != crate::frame::FrameSpec::Black && evidence.started.contains(&s.number)),
    );
    let never_ran: Vec<String> = plan
        .steps
        .iter()
        .filter_map(|s| {
            if let Some(why) = evidence.skipped.get(&s.number) {
                Some(format!("{}: {} ({why})", s.stage.word(), s.title))
            } else if evidence.started.contains(&s.number) {
                None
            } else {
                Some(format!("{}: {}", s.stage.word(), s.title))
            }
        })
        .collect();
    let (outcome, reasons) = outcome(build, &evidence, &checks, &never_ran);
    Judgement { outcome, reasons, checks, findings, coverage: coverage(build), never_ran }
}

fn outcome(build: &Build, evidence: &evidence::Evidence<'_>, checks: &[Check], never_ran: &[String]) -> (Outcome, Vec<String>) {
    let of = |result: CheckResult| checks.iter().filter(|c| c.result == result).collect::<Vec<_>>();
    let failed = of(CheckResult::Fail);
    let some = |list: &[&Check], word: &str| {
        let mut reasons: Vec<String> = list.iter().take(5).map(|c| format!("{word}: {}", c.title)).collect();
        if list.len() > 5 {
            reasons.push(format!("and {} more", list.len() - 5));
        }
        reasons
    };
    match evidence.ending {
        Some(Ending::Broken { message }) => return (Outcome::Error, vec![message.clone(), "this says nothing about the sign".to_owned()]),
        // a converter that fell silent is the instrument's fault, not the sign's
        Some(Ending::Stopped(cause @ StopCause::Silent { .. })) => {
            return (Outcome::Error, vec![cause.text(build), "the wall was blanked; this says nothing about the sign".to_owned()]);
        }
        Some(Ending::Stopped(cause)) => return (Outcome::Stopped, vec![cause.text(build), "the wall was blanked".to_owned()]),
        None => {
            let mut reasons = vec!["the record ends before the run did".to_owned()];
            reasons.extend(some(&failed, "failed so far"));
            return (Outcome::Incomplete, reasons);
        }
        Some(Ending::Completed) => {}
    }
    let missing = of(CheckResult::NotProven);
    let unsure = of(CheckResult::Marginal);
    if !failed.is_empty() {
        (Outcome::Fail, some(&failed, "failed"))
    } else if !evidence.whole {
        (Outcome::Incomplete, vec!["only part of the run was asked for; a cut run is never a pass".to_owned()])
    } else if !missing.is_empty() || !never_ran.is_empty() || checks.is_empty() {
        (Outcome::Incomplete, some(&missing, "not proven"))
    } else if !unsure.is_empty() {
        (Outcome::Marginal, some(&unsure, "cannot be decided"))
    } else {
        (Outcome::Pass, vec![format!("all {} checks hold", checks.len())])
    }
}

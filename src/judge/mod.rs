//! (build, events) → checks, findings, coverage, outcome. Pure; never touches a rig.

use crate::build::Build;
use crate::check::{Check, CheckResult, Place, PointUncertainty};
use crate::event::{Ending, Entry, StopCause};
use crate::plan::Plan;
use serde::{Deserialize, Serialize};

mod checks;
mod coverage;
mod dictionary;
mod explain;
mod findings;
mod foreseen;
mod pattern;
mod record;
mod response;
mod safe_level;
mod settle;
mod universe;
mod witnessed;

pub use coverage::coverage;
pub use dictionary::place_of;
pub use safe_level::SafeLevel;
pub use universe::{full_load, places, supply_limits};

/// What a run says about the sign; the number is the process exit code.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
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
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
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
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
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
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
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
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
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
    /// A level below the paper one, where the measured line is worse than the paper one.
    pub safe_level: Option<SafeLevel>,
    /// What could be proven.
    pub coverage: Vec<Coverage>,
    /// Steps of the plan that never ran, in words.
    pub never_ran: Vec<String>,
}

/// Checks that may be `not-proven` without making the run incomplete.
fn required(build: &Build, check: &Check) -> bool {
    let id = check.id.as_str();
    let short_hold = build.limits.hold_s < 120.0 && id.starts_with("hold/drift/");
    !(id == "open/board" || id.starts_with("sweep/block/") || id.starts_with("idle/amps/") || short_hold)
}

fn title(check: &Check) -> &str {
    check.title.trim_end_matches(['?', '.'])
}

/// The first three by their titles, and how many more; what a witness is asked, together.
fn named<'c>(checks: impl Iterator<Item = &'c Check>) -> String {
    let (asked, others): (Vec<&Check>, Vec<&Check>) = checks.partition(|c| c.id.starts_with("marks/"));
    let mut words: Vec<String> = others.iter().take(3).map(|c| title(c).to_owned()).collect();
    match others.len() {
        4 => words.push("one more".to_owned()),
        n if n > 4 => words.push(format!("{} more", n - 3)),
        _ => {}
    }
    match asked.len() {
        0 => {}
        1 => words.push("what a witness says of one picture".to_owned()),
        n => words.push(format!("what a witness says of {n} pictures")),
    }
    words.join("; ")
}

/// Judges a run. `plan` is the plan of this build with the run's own selection; `instruments` gives
/// the Type B uncertainties of the sense points, in the order of the build.
///
/// Pure: the same arguments give the same judgement.
pub fn judge(build: &Build, plan: &Plan, entries: &[Entry], instruments: &[PointUncertainty]) -> Judgement {
    Judgement { coverage: coverage(build, plan, instruments), ..assess(build, plan, entries, instruments) }
}

/// [`judge`] without the coverage, which depends on the build and its plan alone.
pub fn assess(build: &Build, plan: &Plan, entries: &[Entry], instruments: &[PointUncertainty]) -> Judgement {
    let record = record::Record::new(entries);
    let mut judge = checks::Judge {
        build,
        plan,
        record: &record,
        instruments,
        checks: crate::checklist::checks(build, entries),
        cells: Default::default(),
        responses: None,
    };
    judge.run();
    let explained = explain::explain(&judge);
    if let Some(explained) = &explained {
        judge.pattern(explained);
    }
    let findings = findings::findings(&judge, explained.as_ref());
    let safe_level = safe_level::safe_level(&judge);
    let never_ran = judge.never_ran();
    let count = |result: CheckResult| judge.checks.iter().filter(|c| c.result == result).count();
    let (fails, marginals) = (count(CheckResult::Fail), count(CheckResult::Marginal));
    let open: Vec<&Check> = judge.checks.iter().filter(|c| c.result == CheckResult::NotProven && required(build, c)).collect();
    let unproven = open.len();
    let cut = record.selection.is_some_and(|s| !s.is_whole());
    let mut reasons = Vec::new();
    let also = |reasons: &mut Vec<String>| {
        if fails > 0 {
            reasons.push(format!("Before that, {fails} {} failed.", if fails == 1 { "check" } else { "checks" }));
        }
    };
    let outcome = match record.ending {
        Some(Ending::Broken { message }) => {
            reasons.push(format!("The tool, an instrument or the storage broke: {message}. This says nothing about the sign."));
            also(&mut reasons);
            Outcome::Error
        }
        // a converter that fell silent is the instrument's failure, not the sign's
        Some(Ending::Stopped(cause @ StopCause::Silent { .. })) => {
            reasons.push(format!(
                "The instrument failed: {}; the wall was blanked. This says nothing about the sign.",
                cause.text(judge.build)
            ));
            also(&mut reasons);
            Outcome::Error
        }
        Some(Ending::Stopped(cause)) => {
            reasons.push(format!("The run was stopped: {}.", cause.text(judge.build)));
            also(&mut reasons);
            Outcome::Stopped
        }
        None => {
            reasons.push("The journal has no end: the run was cut off, so the sign is not proven.".into());
            also(&mut reasons);
            Outcome::Incomplete
        }
        Some(Ending::Completed) if plan.steps.is_empty() || never_ran.len() == plan.steps.len() => {
            reasons.push("Nothing was run.".into());
            Outcome::Incomplete
        }
        Some(Ending::Completed) if fails > 0 => {
            reasons.push(format!("{fails} of {} checks failed.", judge.checks.len()));
            let failed = judge.checks.iter().filter(|c| c.result == CheckResult::Fail);
            reasons.extend(failed.take(5).map(|c| format!("Failed: {}.", title(c))));
            if fails > 5 {
                reasons.push(format!("And {} more failed.", fails - 5));
            }
            Outcome::Fail
        }
        Some(Ending::Completed) if unproven > 0 || cut || !never_ran.is_empty() => {
            if cut {
                reasons.push("The run was cut to a part of the sign or of the stages.".into());
            }
            if unproven > 0 {
                // how the run itself ended is said apart
                let titles = Some(named(open.iter().copied().filter(|c| !c.id.starts_with("run/"))))
                    .filter(|t| !t.is_empty())
                    .map_or_else(String::new, |t| format!(": {t}"));
                reasons.push(format!("{unproven} required {} not proven{titles}.", if unproven == 1 { "check is" } else { "checks are" }));
            }
            Outcome::Incomplete
        }
        Some(Ending::Completed) if marginals > 0 => {
            reasons.push(format!("{marginals} checks lie so near a limit that the instrument can't decide."));
            let undecided = judge.checks.iter().filter(|c| c.result == CheckResult::Marginal);
            reasons.extend(undecided.take(3).map(|c| format!("{}: to settle it, {}.", title(c), settle::settle(&c.id))));
            Outcome::Marginal
        }
        Some(Ending::Completed) => {
            reasons.push(format!("All {} required checks passed.", count(CheckResult::Pass)));
            Outcome::Pass
        }
    };
    if let Some(safe) = &safe_level {
        let (level, paper) = (safe.level * 100.0, plan.level_permitted * 100.0);
        reasons.push(format!("Permitted level lowered from {paper:.1} to {level:.1} %: {}.", safe.because.join("; ")));
    }
    if !never_ran.is_empty() {
        reasons.push(format!("{} of {} planned steps never ran.", never_ran.len(), plan.steps.len()));
    }
    Judgement { outcome, reasons, checks: judge.checks, findings, safe_level, coverage: Vec::new(), never_ran }
}

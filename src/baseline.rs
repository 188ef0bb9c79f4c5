//! Accepted baselines: for each build, the run that later ones are compared with. Kept in a state directory by the
//! build's digest; simulated ones apart, so that they can never stand in for a real one.

use crate::commission::{CommissionError, Judged};
use crate::drift::Numbers;
use crate::event::{Ending, Event, Selection};
use crate::journal;
use crate::judge::Outcome;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Version of the file of an accepted baseline.
pub const FORMAT: u32 = 1;

/// An accepted run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Accepted {
    /// [`FORMAT`] of the writer.
    pub format: u32,
    /// Why it was accepted, in the person's words.
    pub reason: String,
    /// When, RFC 3339 in UTC.
    pub accepted: String,
    /// Outcome word of the run.
    pub outcome: String,
    /// Directory of the run when it was accepted.
    pub run: String,
    /// What it measured.
    pub numbers: Numbers,
}

/// Why a run is not accepted, or an accepted one not found.
#[derive(Debug, thiserror::Error)]
pub enum BaselineError {
    /// Its outcome does not allow it.
    #[error(
        "the run is `{0}`: a baseline is a whole run that is `pass`, `marginal` or `incomplete`. Put right what its report names, run the \
         sign again and accept that run"
    )]
    Outcome(&'static str),
    /// The run was cut to a part.
    #[error("the run was cut to a part of the sign or of the stages: accept a whole run")]
    Cut,
    /// No reason given.
    #[error("say why this run is accepted: --reason \"…\"")]
    Reason,
    /// Nothing accepted yet.
    #[error("no {kind} run of this build (digest {digest}…) is accepted in {}: `signproof accept RUN --reason …` accepts one", dir.display())]
    None {
        /// `real` or `simulated`.
        kind: &'static str,
        /// Start of the digest.
        digest: String,
        /// The directory.
        dir: PathBuf,
    },
    /// The file of it can't be read.
    #[error("{}: {why}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// Around the run.
    #[error(transparent)]
    Run(#[from] CommissionError),
}

/// Where the baseline of a build is kept.
pub fn path(state: &Path, digest: &str, simulated: bool) -> PathBuf {
    let name = if simulated { format!("{digest}.simulated.json") } else { format!("{digest}.json") };
    state.join("baselines").join(name)
}

/// Whether a run of this outcome and ending may be the baseline of its build.
///
/// # Errors
/// Where its outcome does not allow it, or it is not a whole run.
pub fn may_be_accepted(outcome: Outcome, selection: &Selection, ending: Option<&Ending>) -> Result<(), BaselineError> {
    if !matches!(outcome, Outcome::Pass | Outcome::Marginal | Outcome::Incomplete) {
        return Err(BaselineError::Outcome(outcome.word()));
    }
    if selection.is_whole() && ending == Some(&Ending::Completed) { Ok(()) } else { Err(BaselineError::Cut) }
}

/// What a run was cut to, from its first entry.
pub fn selection(entries: &[crate::event::Entry]) -> Option<&Selection> {
    entries.first().and_then(|e| if let Event::RunStarted { selection, .. } = &e.event { Some(selection) } else { None })
}

/// Accepts a judged run as the baseline of its build; an earlier one is replaced. `accepted` is the time, RFC 3339.
///
/// # Errors
/// Where the run is not one that may be accepted, was cut, or has no reason; where the state directory can't be written.
pub fn accept(state: &Path, judged: &Judged, dir: &Path, reason: &str, accepted: String) -> Result<PathBuf, BaselineError> {
    let outcome = judged.report.outcome;
    let selection = selection(&judged.entries).ok_or(BaselineError::Cut)?;
    may_be_accepted(outcome, selection, judged.report.ending.as_ref())?;
    if reason.trim().is_empty() {
        return Err(BaselineError::Reason);
    }
    let numbers = judged.numbers();
    let path = path(state, &numbers.build_digest, numbers.simulated);
    let record = Accepted {
        format: FORMAT,
        reason: reason.trim().to_owned(),
        accepted,
        outcome: outcome.word().to_owned(),
        run: dir.display().to_string(),
        numbers,
    };
    let trouble = |e: std::io::Error| BaselineError::File {
        path: path.clone(),
        why: format!("{e}; name a directory that may be written with --state-dir"),
    };
    std::fs::create_dir_all(path.parent().unwrap_or(state)).map_err(trouble)?;
    let mut text = serde_json::to_string_pretty(&record).expect("a baseline is plain data");
    text.push('\n');
    journal::write_whole(&path, text.as_bytes()).map_err(trouble)?;
    Ok(path)
}

/// The accepted baseline of a build, of the same kind (real or simulated) as the run it is for.
///
/// # Errors
/// Where none is accepted or its file can't be read.
pub fn find(state: &Path, digest: &str, simulated: bool) -> Result<Accepted, BaselineError> {
    let path = path(state, digest, simulated);
    let bytes = match std::fs::read(&path) {
        Ok(bytes) => bytes,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            let kind = if simulated { "simulated" } else { "real" };
            return Err(BaselineError::None { kind, digest: digest.chars().take(12).collect(), dir: state.to_owned() });
        }
        Err(e) => return Err(BaselineError::File { path, why: e.to_string() }),
    };
    let accepted: Accepted = serde_json::from_slice(&bytes)
        .map_err(|e| BaselineError::File { path: path.clone(), why: format!("not an accepted baseline ({e}); accept a run again") })?;
    // a file moved to another name is no baseline of this build, nor of the other kind
    if accepted.numbers.build_digest != digest || accepted.numbers.simulated != simulated || accepted.format > FORMAT {
        return Err(BaselineError::File {
            path,
            why: "this baseline is of another build, of the other kind (simulated or real), or of a newer signproof; accept a run again"
                .into(),
        });
    }
    Ok(accepted)
}

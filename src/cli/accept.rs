//! `signproof accept`, and which baseline a run is compared with.

use super::{Exit, print};
use crate::drift::Numbers;
use crate::{baseline, commission};
use clap::Args;
use std::path::{Path, PathBuf};

/// Arguments of `accept`.
#[derive(Args)]
pub struct AcceptArgs {
    /// Directory of the run.
    run: PathBuf,
    /// Why it is accepted.
    #[arg(long)]
    reason: String,
    #[command(flatten)]
    state: StateDir,
}

/// Where accepted baselines, corrections and the key are kept.
#[derive(Args)]
pub struct StateDir {
    /// Directory of accepted baselines, corrections and the signing key [default: $STATE_DIRECTORY, else ~/.local/state/signproof].
    #[arg(long, value_name = "DIR")]
    state_dir: Option<PathBuf>,
}

impl StateDir {
    /// As given on the command line.
    pub fn given(&self) -> Option<&Path> {
        self.state_dir.as_deref()
    }
    /// The directory asked for, else the service manager's, else the user's own.
    pub fn path(&self) -> Result<PathBuf, Exit> {
        super::state_dir_if_known(self.given()).ok_or_else(|| Exit::usage("--state-dir: no home directory is known; name a directory"))
    }
}

/// `signproof accept`.
pub fn accept(args: &AcceptArgs) -> Result<u8, Exit> {
    let judged = commission::read_run(&args.run).map_err(|e| Exit::error(e.to_string()))?;
    let dir = std::fs::canonicalize(&args.run).unwrap_or_else(|_| args.run.clone());
    let now = jiff::Timestamp::from_millisecond(crate::rig::wall_now_ms()).map(|t| format!("{t:.0}")).unwrap_or_default();
    let path = baseline::accept(&args.state.path()?, &judged, &dir, &args.reason, now).map_err(exit)?;
    let kind = if judged.report.simulated { "SIMULATED run" } else { "run" };
    print(&format!("{kind} {} is the baseline of build {}\n{}", judged.report.run_id, judged.report.build_digest, path.display()));
    Ok(0)
}

fn exit(e: baseline::BaselineError) -> Exit {
    match e {
        baseline::BaselineError::File { .. } | baseline::BaselineError::Run(_) => Exit::error(e.to_string()),
        _ => Exit::usage(e.to_string()),
    }
}

/// The baseline that a run is to be compared with: a run's directory, or the word `accepted`.
pub fn baseline(run: &Path, state: &StateDir, digest: &str, simulated: bool) -> Result<Numbers, Exit> {
    if run == Path::new("accepted") {
        return baseline::find(&state.path()?, digest, simulated).map(|a| a.numbers).map_err(exit);
    }
    let numbers = commission::read_run(run).map_err(|e| Exit::error(e.to_string()))?.numbers();
    if numbers.simulated != simulated {
        let (this, that) = if simulated { ("simulated", "real") } else { ("real", "simulated") };
        return Err(Exit::usage(format!("--baseline {}: that run is {that} and this one {this}: they are never compared", run.display())));
    }
    if numbers.build_digest != digest {
        return Err(Exit::usage(format!(
            "--baseline {}: that run is of another build; `signproof compare A B --different-builds` compares what both have",
            run.display()
        )));
    }
    Ok(numbers)
}

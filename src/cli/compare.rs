//! `signproof compare` and `signproof trend`.

use super::{Exit, Format, print};
use crate::commission::{self, JOURNAL};
use crate::drift::{self, Bounds};
use clap::Args;
use std::path::{Path, PathBuf};

/// Arguments of `compare`.
#[derive(Args)]
pub struct CompareArgs {
    /// Directory of the earlier run.
    before: PathBuf,
    /// Directory of the later run.
    after: PathBuf,
    /// Compare what both have even where the builds differ.
    #[arg(long)]
    different_builds: bool,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Arguments of `trend`.
#[derive(Args)]
pub struct TrendArgs {
    /// Directories of runs of one sign, or directories that hold such runs.
    #[arg(required = true)]
    runs: Vec<PathBuf>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

fn json(value: &impl serde::Serialize) -> Result<String, Exit> {
    serde_json::to_string_pretty(value).map_err(|e| Exit::error(format!("writing JSON: {e}")))
}

/// `signproof compare`.
pub fn compare(args: &CompareArgs) -> Result<u8, Exit> {
    let numbers = |run: &Path| commission::read_run(run).map(|j| j.numbers()).map_err(|e| Exit::error(e.to_string()));
    let comparison =
        drift::compare(&numbers(&args.before)?, &numbers(&args.after)?, args.different_builds).map_err(|e| Exit::usage(e.to_string()))?;
    match args.format {
        Format::Json => print(&json(&comparison)?),
        Format::Text => print(&comparison.text()),
    }
    Ok(0)
}

/// `signproof trend`.
pub fn trend(args: &TrendArgs) -> Result<u8, Exit> {
    let mut runs = Vec::new();
    for given in &args.runs {
        if given.is_file() || given.join(JOURNAL).is_file() {
            runs.push(given.clone());
            continue;
        }
        let list = std::fs::read_dir(given).map_err(|e| Exit::error(format!("{}: {e}; name directories of runs", given.display())))?;
        let mut found: Vec<PathBuf> = list.flatten().map(|e| e.path()).filter(|p| p.join(JOURNAL).is_file()).collect();
        if found.is_empty() {
            return Err(Exit::usage(format!("{}: holds no runs", given.display())));
        }
        found.sort();
        runs.extend(found);
    }
    let (mut numbers, mut bounds) = (Vec::new(), Bounds { resistance_over: 0.25, panel_under: 0.2 });
    for run in &runs {
        let judged = commission::read_run(run).map_err(|e| Exit::error(e.to_string()))?;
        bounds = Bounds { resistance_over: judged.build.limits.climb_pct / 100.0, panel_under: judged.build.limits.cell_pct / 100.0 };
        numbers.push(judged.numbers());
    }
    let trend = drift::trend(&numbers, bounds).map_err(|e| Exit::usage(e.to_string()))?;
    match args.format {
        Format::Json => print(&json(&trend)?),
        Format::Text => print(&trend.text()),
    }
    Ok(0)
}

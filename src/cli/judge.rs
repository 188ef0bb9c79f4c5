//! `signproof judge` and `signproof history`.

use super::{Exit, Format, print};
use crate::commission;
use clap::Args;
use std::path::PathBuf;

/// Arguments of `judge`.
#[derive(Args)]
pub struct JudgeArgs {
    /// Directory of the run, or its `journal.jsonl`.
    run: PathBuf,
    /// How to print the result.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Arguments of `history`.
#[derive(Args)]
pub struct HistoryArgs {
    /// Directory that holds run directories.
    #[arg(long = "in", default_value = "out", value_name = "DIR")]
    dir: PathBuf,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// `signproof judge`.
pub fn judge(args: &JudgeArgs) -> Result<u8, Exit> {
    let done = commission::judge_again(&args.run).map_err(|e| Exit::error(e.to_string()))?;
    match args.format {
        Format::Text => print(&done.report.summary(&done.dir)),
        Format::Json => print(&crate::report::json(&done.report)),
    }
    Ok(done.report.outcome.exit_code())
}

/// `signproof history`.
pub fn history(args: &HistoryArgs) -> Result<u8, Exit> {
    let runs = commission::history(&args.dir).map_err(|e| Exit::error(e.to_string()))?;
    match args.format {
        Format::Json => print(&serde_json::to_string_pretty(&runs).map_err(|e| Exit::error(format!("writing JSON: {e}")))?),
        Format::Text if runs.is_empty() => print(&format!("no runs in {}", args.dir.display())),
        Format::Text => {
            let mut text = format!("{:<25} {:<10} {:<9} {:<24} directory\n", "started", "outcome", "rig", "sign");
            for run in &runs {
                text.push_str(&format!("{:<25} {:<10} {:<9} {:<24} {}\n", run.started, run.outcome, run.rig, run.sign, run.dir));
            }
            print(&text);
        }
    }
    Ok(0)
}

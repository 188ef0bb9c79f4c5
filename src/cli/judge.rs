//! `signproof judge` and `signproof history`.

use super::{Exit, Format, print, print_bytes};
use crate::commission;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Arguments of `judge`.
#[derive(Args)]
pub struct JudgeArgs {
    /// Directory of the run, or its `journal.jsonl`.
    run: PathBuf,
    /// How to print the result.
    #[arg(long, value_enum, default_value_t)]
    format: ReportFormat,
    /// Write readings.csv as well: every reading of the journal, one a row.
    #[arg(long)]
    readings: bool,
    /// Print the result and write nothing.
    #[arg(long, conflicts_with = "readings")]
    print_only: bool,
}

/// How a report is printed.
#[derive(Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum ReportFormat {
    /// For people.
    #[default]
    Text,
    /// report.json.
    Json,
    /// JSON Lines of the OCP Test & Validation output specification 2.0.
    Ocp,
    /// readings.csv: every reading of the journal, one a row.
    Csv,
}

/// Prints a judged run.
pub fn print_report(done: &commission::Done, format: ReportFormat) -> Result<(), Exit> {
    match format {
        ReportFormat::Text => print(&done.report.summary(&done.dir)),
        ReportFormat::Json => print(&crate::report::json(&done.report)),
        ReportFormat::Ocp => {
            let judged = commission::read_run(&done.dir).map_err(|e| Exit::error(e.to_string()))?;
            print(&crate::report::ocp(&done.report, &judged.entries));
        }
        ReportFormat::Csv => {
            let judged = commission::read_run(&done.dir).map_err(|e| Exit::error(e.to_string()))?;
            print_bytes(&judged.csv());
        }
    }
    Ok(())
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
    if args.print_only {
        let judged = commission::read_run(&args.run).map_err(|e| Exit::error(e.to_string()))?;
        if args.format == ReportFormat::Csv {
            print_bytes(&judged.csv());
            return Ok(0);
        }
        let code = judged.report.outcome.exit_code();
        print_report(&commission::Done { report: judged.report, dir: args.run.clone() }, args.format)?;
        return Ok(code);
    }
    let done = commission::judge_again(&args.run).map_err(|e| Exit::error(e.to_string()))?;
    if args.readings {
        commission::write_readings(&args.run).map_err(|e| Exit::error(e.to_string()))?;
    }
    print_report(&done, args.format)?;
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

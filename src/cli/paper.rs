//! `desk`, `plan`, `pins`: everything that is known before anything is touched.

use super::{Exit, Format, Paper, PlanArgs, load_build, print};
use crate::{commission, event::WitnessMode, power};

/// `signproof desk`.
pub fn desk(args: &Paper) -> Result<u8, Exit> {
    let (_, build) = load_build(&args.build)?;
    let report = power::desk(&build);
    match args.format {
        Format::Text => print(&report.text()),
        Format::Json => print(&json(&report)?),
    }
    Ok(report.exit_code())
}

/// `signproof pins`.
pub fn pins(args: &Paper) -> Result<u8, Exit> {
    let (_, build) = load_build(&args.build)?;
    let pins = power::pins(&build);
    match args.format {
        Format::Text => print(&pins.text()),
        Format::Json => print(&json(&pins)?),
    }
    Ok(0)
}

/// `signproof plan`.
pub fn plan(args: &PlanArgs) -> Result<u8, Exit> {
    let (_, build) = load_build(&args.paper.build)?;
    let selection = args.cut.selection(&build)?;
    let plan = commission::plan(&build, &selection, WitnessMode::Ask);
    match args.paper.format {
        Format::Text => print(&plan.text()),
        Format::Json => print(&json(&plan)?),
    }
    Ok(0)
}

fn json<T: serde::Serialize>(value: &T) -> Result<String, Exit> {
    serde_json::to_string_pretty(value).map_err(|e| Exit::error(format!("writing JSON: {e}")))
}

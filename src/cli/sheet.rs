//! `signproof sheet`.

use super::{Exit, load_build, print};
use crate::{checklist, sheet};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Arguments of `sheet`.
#[derive(Args)]
pub struct SheetArgs {
    /// The expected-build file.
    build: PathBuf,
    /// Write to this file instead of stdout.
    #[arg(short, long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Print the panel map instead: what is connected where, for typing into whatever plays content on the sign.
    #[arg(long, value_enum, value_name = "FORMAT")]
    map: Option<MapFormat>,
    /// Print the empty before-power checklist file instead, for `run --checklist`.
    #[arg(long, conflicts_with = "map")]
    checklist: bool,
}

#[derive(Clone, Copy, ValueEnum)]
enum MapFormat {
    Csv,
    Json,
}

/// `signproof sheet`.
pub fn sheet(args: &SheetArgs) -> Result<u8, Exit> {
    let (_, build) = load_build(&args.build)?;
    let text = match (args.map, args.checklist) {
        (Some(MapFormat::Csv), _) => sheet::csv(&sheet::map(&build)),
        (Some(MapFormat::Json), _) => {
            serde_json::to_string_pretty(&sheet::map(&build)).map_err(|e| Exit::error(format!("writing JSON: {e}")))? + "\n"
        }
        (None, true) => checklist::form(&build),
        (None, false) => sheet::html(&build).map_err(|e| Exit::error(format!("writing the sheet: {e}")))?,
    };
    match &args.out {
        Some(path) => crate::journal::write_whole(path, text.as_bytes())
            .map_err(|e| Exit::error(format!("{}: {e}; check that the directory exists and may be written", path.display())))?,
        None => print(&text),
    }
    Ok(0)
}

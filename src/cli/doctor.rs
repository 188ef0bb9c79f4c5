//! `signproof doctor`: what a run on this controller would find.

use super::{EXIT_ERROR, Exit, Format, board::root, load_build, print};
use crate::rig::board::{self, Finding};
use clap::Args;
use std::path::PathBuf;

/// Arguments of `doctor`.
#[derive(Args)]
pub struct DoctorArgs {
    /// The expected-build file: its lines and converters are looked at too.
    build: Option<PathBuf>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
    /// Print the board's serial number, which otherwise is left out.
    #[arg(long)]
    serial: bool,
    /// Where /dev, /sys, /proc and /run are.
    #[arg(long, hide = true, value_name = "DIR")]
    root: Option<PathBuf>,
}

/// `signproof doctor`.
pub fn doctor(args: &DoctorArgs) -> Result<u8, Exit> {
    let build = args.build.as_deref().map(load_build).transpose()?.map(|(_, build)| build);
    let findings = board::doctor(&root(args.root.as_deref()), build.as_ref(), args.serial);
    match args.format {
        Format::Text => {
            let word = |f: &Finding| match f.good {
                Some(true) => "ok     ",
                Some(false) => "TROUBLE",
                None => "       ",
            };
            print(&findings.iter().map(|f| format!("{} {:<14} {}\n", word(f), f.what, f.text)).collect::<String>());
        }
        Format::Json => print(&serde_json::to_string_pretty(&findings).unwrap_or_default()),
    }
    Ok(if findings.iter().any(|f| f.good == Some(false)) { EXIT_ERROR } else { 0 })
}

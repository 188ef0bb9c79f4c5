//! `signproof blank`.

use super::{Exit, board::root, load_build, print};
use crate::rig::board::{self, lock, pins::PinSet};
use clap::Args;
use std::path::PathBuf;

/// Arguments of `blank`.
#[derive(Args)]
pub struct BlankArgs {
    /// The expected-build file; may be left out after a run, whose lines are remembered until power-off.
    build: Option<PathBuf>,
    /// Also where another program holds the lines.
    #[arg(long)]
    force: bool,
    /// Where /dev, /sys, /proc and /run are.
    #[arg(long, hide = true, value_name = "DIR")]
    root: Option<PathBuf>,
}

/// `signproof blank`.
pub fn blank(args: &BlankArgs) -> Result<u8, Exit> {
    let root = root(args.root.as_deref());
    let set = match &args.build {
        Some(path) => PinSet::of(&load_build(path)?.1),
        None => lock::last(&root).and_then(|note| note.pins()).ok_or_else(|| {
            Exit::usage("no run is remembered since power-on, so the lines are not known: name the build file, `signproof blank BUILD`")
        })?,
    };
    board::blank(&root, &set, args.force).map_err(|e| Exit::error(format!("{e}. If the sign is lit, switch its supply off.")))?;
    print(&format!("dark: OE (GPIO {}) is driven high, the other {} lines low", set.oe, set.others.len()));
    Ok(0)
}

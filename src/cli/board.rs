//! Arguments of the board rig, and opening it.

use super::{Exit, witness::Terminal};
use crate::build::Build;
use crate::rig::Rig;
use crate::rig::board::{self, BoardOptions, Root, soc};
use clap::{Args, ValueEnum};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// What only the board rig knows.
#[derive(Args, Default)]
pub struct BoardArgs {
    /// How the board's lines are written; default: by the kind of board.
    #[arg(long, value_enum, value_name = "PATH")]
    lines: Option<LinesArg>,
    /// Bind the clocking of the panels to this core of the board.
    #[arg(long, value_name = "CORE")]
    scan_core: Option<usize>,
    /// Where /dev, /sys, /proc and /run are.
    #[arg(long, hide = true, value_name = "DIR")]
    root: Option<PathBuf>,
    /// Readings begin this long after a frame is on the wall.
    #[arg(long, hide = true, value_name = "MS")]
    settle_ms: Option<u64>,
    /// The guard's limit.
    #[arg(long, hide = true, value_name = "MS")]
    guard_ms: Option<u64>,
    /// A pause in the dark after each refresh.
    #[arg(long, hide = true, value_name = "MS", default_value_t = 0)]
    rest_ms: u64,
}

impl BoardArgs {
    /// Where the system's files are.
    pub fn root(&self) -> Root {
        root(self.root.as_deref())
    }
}

#[derive(Clone, Copy, ValueEnum)]
enum LinesArg {
    /// Mapped set and clear registers.
    Registers,
    /// One line after the other.
    PerPin,
}

/// The board rig as one command wants it.
pub struct Use<'a> {
    /// Its arguments.
    pub args: &'a BoardArgs,
    /// For the lock, e.g. `run`.
    pub doing: &'static str,
    /// A directory on the storage that the record goes to.
    pub storage: Option<&'a Path>,
}

/// The system's files, or those of a test.
pub fn root(dir: Option<&Path>) -> Root {
    dir.map_or_else(Root::default, Root::new)
}

/// Opens the board rig; drives nothing.
pub fn open(build: &Build, wanted: &Use<'_>) -> Result<Rig, Exit> {
    let args = wanted.args;
    let options = BoardOptions {
        root: root(args.root.as_deref()),
        path: args.lines.map(|l| match l {
            LinesArg::Registers => soc::Path::Bank,
            LinesArg::PerPin => soc::Path::PerPin,
        }),
        core: args.scan_core,
        settle: args.settle_ms.map(Duration::from_millis),
        stall: args.guard_ms.map(Duration::from_millis),
        rest: Duration::from_millis(args.rest_ms),
        doing: wanted.doing,
        storage: wanted.storage.unwrap_or(Path::new(".")).to_owned(),
        witness: Box::<Terminal>::default(),
    };
    board::rig(build, options).map_err(|e| Exit::error(format!("{e}. Nothing was driven.")))
}

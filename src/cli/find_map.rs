//! `signproof find-map`.

use super::board::{self, BoardArgs};
use super::run::{RigName, open_rig};
use super::{Exit, cancel, load_build, print};
use crate::event::{Ending, WitnessMode};
use crate::{drawing, find_map, judge};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Arguments of `find-map`.
#[derive(Args)]
pub struct FindMapArgs {
    /// The expected-build file; its places, feeds and pins count, its chains are a first guess.
    build: PathBuf,
    /// What to run on; never chosen by itself.
    #[arg(long, value_name = "sim|board", value_parser = RigName::parse_live)]
    rig: RigName,
    /// Who says where each mark is.
    #[arg(long, value_enum, default_value = "ask")]
    witness: Who,
    /// Simulated faults (TOML); sim rig only.
    #[arg(long, value_name = "FILE")]
    scenario: Option<PathBuf>,
    /// Draws part tolerances and noise of the sim rig.
    #[arg(long)]
    seed: Option<u64>,
    /// Write the build file with the chains as found here; it may be BUILD itself.
    #[arg(short, long, value_name = "FILE")]
    out: Option<PathBuf>,
    #[command(flatten)]
    board: BoardArgs,
}

#[derive(Clone, Copy, ValueEnum)]
enum Who {
    Ask,
    Simulated,
}

/// `signproof find-map`.
pub fn find_map(args: &FindMapArgs) -> Result<u8, Exit> {
    let (source, build) = load_build(&args.build)?;
    let witness = match args.witness {
        Who::Ask => WitnessMode::Ask,
        Who::Simulated => WitnessMode::Simulated,
    };
    let board = board::Use { args: &args.board, doing: "find-map", storage: None };
    let (mut rig, _, _) = open_rig(&args.rig, &build, args.scenario.as_deref(), args.seed, witness, &board)?;
    let cancelled = cancel::listen().map_err(|e| Exit::error(format!("listening for signals: {e}")))?;
    let simulated = if rig.simulated { "SIMULATED: no real sign was looked at; " } else { "" };
    if rig.simulated {
        say!("SIMULATED: no real sign is looked at");
    }
    let note = format!("{simulated}{}", crate::rig::wall_now());
    let found = match find_map::find(&build, &mut rig, &cancelled) {
        Ok(Ok(found)) => found,
        Ok(Err(reasons)) => {
            say!("no complete map, nothing was written:\n  {}", reasons.join("\n  "));
            return Ok(judge::Outcome::Incomplete.exit_code());
        }
        Err(Ending::Stopped(cause)) => {
            say!("stopped, wall blanked, nothing was written: {}", cause.text(&build));
            return Ok(judge::Outcome::Stopped.exit_code());
        }
        Err(Ending::Broken { message }) => return Err(Exit::error(message)),
        Err(Ending::Completed) => return Err(Exit::error("the search ended without a result".to_owned())),
    };
    let places = drawing::places(&build);
    for (port, chain) in &found {
        let seats = chain.iter().enumerate().map(|(i, seat)| {
            let place = places.iter().position(|p| *p == seat.panel).map_or(0, |k| k + 1);
            format!("{port}·{} place {place}, arrow {}", i + 1, seat.up.word())
        });
        print(&seats.collect::<Vec<_>>().join("; "));
    }
    let advice = find_map::advice(&build, &found);
    if advice.is_empty() {
        print("The wall is connected as the build file says.");
        return Ok(0);
    }
    print(&advice.join("\n"));
    let written = find_map::write(&source, &build, &found, &note).map_err(Exit::error)?;
    print(&written.diff);
    match &args.out {
        Some(path) => {
            crate::journal::write_whole(path, written.text.as_bytes())
                .map_err(|e| Exit::error(format!("{}: {e}; check that the directory exists and may be written", path.display())))?;
            say!("written to {}; check it: signproof desk {}", path.display(), path.display());
        }
        None => say!("nothing was written; give -o FILE for the build file with this map"),
    }
    Ok(0)
}

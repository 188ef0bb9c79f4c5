//! `signproof show`: one chosen frame, held for tracing with a meter.

use super::board::{self, BoardArgs};
use super::run::{RigName, open_rig};
use super::{Exit, cancel, load_build, print};
use crate::build::{Build, Colour, Half};
use crate::commission::{self, Album};
use crate::event::{Selection, WitnessMode};
use crate::frame::{Cell, FrameSpec};
use crate::{plan, run};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Arguments of `show`.
#[derive(Args)]
pub struct ShowArgs {
    /// The expected-build file.
    build: PathBuf,
    /// What to run on; never chosen by itself.
    #[arg(long, value_name = "sim|board", value_parser = RigName::parse_live)]
    rig: RigName,
    /// Simulated faults (TOML); sim rig only.
    #[arg(long, value_name = "FILE")]
    scenario: Option<PathBuf>,
    /// Draws part tolerances and noise of the sim rig.
    #[arg(long)]
    seed: Option<u64>,
    /// Show one cell of this port (with --position, --colour, --half).
    #[arg(long, requires = "position")]
    port: Option<u8>,
    /// Position in the chain, 1 nearest the port.
    #[arg(long, requires = "port")]
    position: Option<u8>,
    /// Colour of the cell.
    #[arg(long, value_enum, default_value = "red")]
    colour: ColourArg,
    /// Half of the cell.
    #[arg(long, value_enum, default_value = "upper")]
    half: HalfArg,
    /// Show white on this percentage of the pixels, at most the permitted level.
    #[arg(long, value_name = "PERCENT", conflicts_with_all = ["port", "marks"])]
    level: Option<f64>,
    /// Show every panel's mark.
    #[arg(long, conflicts_with = "port")]
    marks: bool,
    /// Stop by itself after this many seconds.
    #[arg(long = "for", value_name = "SECONDS")]
    for_s: Option<f64>,
    #[command(flatten)]
    board: BoardArgs,
}

#[derive(Clone, Copy, ValueEnum)]
enum ColourArg {
    Red,
    Green,
    Blue,
}

#[derive(Clone, Copy, ValueEnum)]
enum HalfArg {
    Upper,
    Lower,
}

/// `signproof show`.
pub fn show(args: &ShowArgs) -> Result<u8, Exit> {
    let (_, build) = load_build(&args.build)?;
    let plan = commission::plan(&build, &Selection::default(), WitnessMode::None);
    let frame = chosen(args, &build, plan.level_permitted)?;
    if args.rig == RigName::Sim && args.for_s.is_none() {
        return Err(Exit::usage("show on the sim rig: virtual time does not wait for you; give --for SECONDS"));
    }
    let board = board::Use { args: &args.board, doing: "show", storage: None };
    let (mut rig, _, _) = open_rig(&args.rig, &build, args.scenario.as_deref(), args.seed, WitnessMode::None, &board)?;
    let cancelled = cancel::listen().map_err(|e| Exit::error(format!("listening for signals: {e}")))?;
    let mut album = Album::new(&build);
    let lit = plan::Pictures::lit(&mut album, &frame, 1000);
    let duty = plan::safe_duty(&build, &lit, plan.level_permitted, 1000);
    print(&format!("{} — showing {}; Ctrl-C stops", build.sign.name, frame.title()));
    let ending = run::show_hold(&build, &plan, frame, duty, args.for_s, &mut rig, &mut album, &cancelled, &mut |seconds, values| {
        let mut line = format!("{seconds:8.1} s");
        for (point, value) in build.sense.iter().zip(values) {
            let text = match value {
                Ok(v) => format!("{v:.3}"),
                Err(reason) => reason.text().to_owned(),
            };
            line.push_str(&format!("  {} {text}", point.name));
        }
        print(&line);
    });
    match ending {
        crate::event::Ending::Completed => Ok(0),
        crate::event::Ending::Stopped(cause) => {
            say!("stopped, wall blanked: {}", cause.text(&build));
            Ok(crate::judge::Outcome::Stopped.exit_code())
        }
        crate::event::Ending::Broken { message } => Err(Exit::error(message)),
    }
}

fn chosen(args: &ShowArgs, build: &Build, permitted: f64) -> Result<FrameSpec, Exit> {
    if let (Some(port), Some(position)) = (args.port, args.position) {
        if build.panel_at(port, position).is_none() {
            return Err(Exit::usage(format!("--port {port} --position {position}: the build has no panel there")));
        }
        let colour = match args.colour {
            ColourArg::Red => Colour::Red,
            ColourArg::Green => Colour::Green,
            ColourArg::Blue => Colour::Blue,
        };
        let half = match args.half {
            HalfArg::Upper => Half::Upper,
            HalfArg::Lower => Half::Lower,
        };
        return Ok(FrameSpec::Cell(Cell { port, position, colour, half }));
    }
    if let Some(percent) = args.level {
        let level = percent / 100.0;
        if !(0.0..=permitted).contains(&level) {
            return Err(Exit::usage(format!(
                "--level {percent}: this build's permitted level is {:.1} %; nothing was lit",
                permitted * 100.0
            )));
        }
        return Ok(FrameSpec::Level((level * 1000.0).floor() as u16));
    }
    Ok(if args.marks { FrameSpec::Marks } else { FrameSpec::Black })
}

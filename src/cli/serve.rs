//! `signproof serve`.

use super::run::{RigName, open_rig};
use super::{Exit, colour, print};
use crate::event::WitnessMode;
use crate::rig::paced::paced;
use crate::service::config::{Config, RigWord};
use crate::service::live::Loaded;
use crate::service::token::Tokens;
use crate::service::worker::{OpenRig, Opened, Purpose};
use crate::service::{self, Options, Trouble};
use clap::{Args, ValueEnum};
use std::io::IsTerminal;
use std::path::PathBuf;
use tracing_subscriber::EnvFilter;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

/// Arguments of `serve`.
#[derive(Args)]
pub struct ServeArgs {
    /// The daemon's configuration file.
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
    /// What to drive; the configuration says it otherwise.
    #[arg(long, value_enum)]
    rig: Option<RigName>,
    /// Simulated faults (TOML); sim rig only.
    #[arg(long, value_name = "FILE")]
    scenario: Option<PathBuf>,
    /// Draws part tolerances and noise of the sim rig.
    #[arg(long)]
    seed: Option<u64>,
    /// Virtual seconds in a real one while a simulated run goes on.
    #[arg(long, value_name = "N", default_value_t = 1.0)]
    pace: f64,
    /// Print the tokens of this board, made where there are none yet, and end.
    #[arg(long)]
    show_token: bool,
    /// How the log on stderr is written; under systemd it goes to the journal with its fields.
    #[arg(long, value_enum, default_value_t)]
    log_format: LogFormat,
}

#[derive(Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
enum LogFormat {
    #[default]
    Text,
    Json,
}

/// The log of a daemon: to the journal under systemd, else to stderr.
pub fn start_log(args: &ServeArgs, filter: &str) {
    let filter = EnvFilter::try_new(filter).unwrap_or_else(|_| EnvFilter::new("info"));
    let log = tracing_subscriber::registry().with(filter);
    if std::env::var_os("JOURNAL_STREAM").is_some()
        && args.log_format == LogFormat::Text
        && let Ok(journal) = tracing_journald::layer()
    {
        log.with(journal).init();
    } else if args.log_format == LogFormat::Json {
        log.with(tracing_subscriber::fmt::layer().json().with_writer(std::io::stderr)).init();
    } else {
        log.with(tracing_subscriber::fmt::layer().with_writer(std::io::stderr).with_ansi(colour())).init();
    }
}

/// `signproof serve`.
pub fn serve(args: ServeArgs) -> Result<u8, Exit> {
    crate::rig::since_start();
    if !(args.pace > 0.0 && args.pace.is_finite()) {
        return Err(Exit::usage(format!("--pace {}: expected a number above 0", args.pace)));
    }
    let config = Config::read(&args.config).map_err(Exit::usage)?;
    if args.show_token {
        let (tokens, _) = Tokens::load_or_make(&service::token_file(&config)).map_err(Exit::error)?;
        print(&tokens.show());
        return Ok(0);
    }
    let rig = args.rig.unwrap_or(match config.rig {
        RigWord::Board => RigName::Board,
        RigWord::Sim => RigName::Sim,
    });
    let simulated = rig == RigName::Sim;
    if !simulated && (args.scenario.is_some() || args.seed.is_some()) {
        return Err(Exit::usage("--scenario and --seed are for `--rig sim`"));
    }
    let loaded = Loaded::read(&config.build).map_err(Exit::usage)?;
    let (scenario, seed, pace) = (args.scenario, args.seed, args.pace);
    let open: OpenRig = Box::new(move |build, purpose| {
        let (rig, seed, scenario) = open_rig(rig, build, scenario.as_deref(), seed, WitnessMode::Ask).map_err(|e| e.message)?;
        let slow = rig.simulated && purpose == Purpose::Run;
        Ok(Opened { rig: if slow { paced(rig, pace) } else { rig }, seed, scenario })
    });
    let console = std::io::stderr().is_terminal() || std::env::var_os("JOURNAL_STREAM").is_none();
    match service::serve(Options { file: args.config, config, loaded, simulated, open, console }) {
        Ok(()) => Ok(0),
        Err(Trouble::Outside(message)) => Err(Exit::error(message)),
        Err(Trouble::Bug(message)) => panic!("{message}"),
    }
}

//! `signproof serve`.

use super::board::{self, BoardArgs};
use super::journald::Journald;
use super::run::{RigName, open_rig};
use super::{Exit, by_hand, cancel, colour, print};
use crate::build::Build;
use crate::commission;
use crate::event::{Ending, Selection, StopCause, WitnessMode};
use crate::frame::FrameSpec;
use crate::plan;
use crate::rig::board::pins::PinSet;
use crate::rig::paced::paced;
use crate::run;
use crate::service::config::{Config, RigWord};
use crate::service::live::Loaded;
use crate::service::token::Tokens;
use crate::service::worker::{Hands, Opened, Watched};
use crate::service::{self, Options, Trouble, code};
use clap::{Args, ValueEnum};
use std::io::IsTerminal;
use std::path::PathBuf;
use tracing_subscriber::EnvFilter;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

/// OE duty of the code, thousandths: a camera is blinded by more.
const CODE_DUTY: u16 = 200;

/// Arguments of `serve`.
#[derive(Args)]
pub struct ServeArgs {
    /// The daemon's configuration file.
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
    /// What to drive; the configuration says it otherwise.
    #[arg(long, value_name = "sim|board", value_parser = RigName::parse_live)]
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
    #[command(flatten)]
    board: BoardArgs,
    /// Check the configuration and the build it names, say what would be done, and end.
    #[arg(long)]
    check: bool,
    /// Print the tokens of this board, made where there are none yet, and end.
    #[arg(long)]
    show_token: bool,
    /// With --show-token: show the way to the page, token included, as a code on the sign for a phone's camera, until stopped.
    #[arg(long, requires = "show_token")]
    on_sign: bool,
    /// With --on-sign: stop by itself after this many seconds.
    #[arg(long = "for", value_name = "SECONDS", requires = "on_sign", default_value_t = 120.0)]
    for_s: f64,
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

/// The simulated sign.
struct Simulated {
    scenario: Option<PathBuf>,
    seed: Option<u64>,
    pace: f64,
}

impl Simulated {
    fn open(&self, build: &Build) -> Result<Opened, String> {
        let unused = BoardArgs::default();
        let board = board::Use { args: &unused, doing: "serve", storage: None };
        let (rig, seed, scenario) =
            open_rig(&RigName::Sim, build, self.scenario.as_deref(), self.seed, WitnessMode::Ask, &board).map_err(|e| e.message)?;
        Ok(Opened { rig, seed, scenario })
    }
}

impl Hands for Simulated {
    fn darken(&self, _build: &Build) -> Result<(), String> {
        // a simulated sign is there only while a run goes on
        Ok(())
    }
    fn watch(&self, build: &Build) -> Result<Watched, String> {
        let mut rig = self.open(build)?.rig;
        rig.output.claim().map_err(|e| e.to_string())?;
        Ok(Watched { meter: rig.meter, virtual_clock: Some(rig.clock) })
    }
    fn run(&self, build: &Build) -> Result<Opened, String> {
        let opened = self.open(build)?;
        Ok(Opened { rig: paced(opened.rig, self.pace), ..opened })
    }
}

/// The sign on this controller.
struct OnBoard {
    args: BoardArgs,
    storage: PathBuf,
}

impl Hands for OnBoard {
    fn darken(&self, build: &Build) -> Result<(), String> {
        crate::rig::board::blank(&self.args.root(), &PinSet::of(build), false).map_err(|e| e.to_string())
    }
    fn watch(&self, build: &Build) -> Result<Watched, String> {
        let meter = crate::rig::board::converters(build, &self.args.root()).map_err(|e| e.to_string())?;
        Ok(Watched { meter, virtual_clock: None })
    }
    fn run(&self, build: &Build) -> Result<Opened, String> {
        let board = board::Use { args: &self.args, doing: "serve", storage: Some(&self.storage) };
        let (rig, seed, scenario) = open_rig(&RigName::Board, build, None, None, WitnessMode::Ask, &board).map_err(|e| e.message)?;
        Ok(Opened { rig, seed, scenario })
    }
}

/// The log of a daemon: to the journal under systemd, else to stderr.
pub fn start_log(args: &ServeArgs, filter: &str) {
    let filter = EnvFilter::try_new(filter).unwrap_or_else(|_| EnvFilter::new("info"));
    let log = tracing_subscriber::registry().with(filter);
    if std::env::var_os("JOURNAL_STREAM").is_some()
        && args.log_format == LogFormat::Text
        && let Ok(journal) = Journald::open()
    {
        log.with(journal).init();
    } else if args.log_format == LogFormat::Json {
        log.with(tracing_subscriber::fmt::layer().json().with_writer(std::io::stderr)).init();
    } else {
        log.with(tracing_subscriber::fmt::layer().with_writer(std::io::stderr).with_ansi(colour())).init();
    }
}

/// What `--check` says of a configuration and build that can be used.
fn checked(config: &Config, loaded: &Loaded) -> String {
    let paper = match loaded.desk.exit_code() {
        0 => format!("{}, permitted level {:.1} %", loaded.desk.result, loaded.desk.level_permitted * 100.0),
        _ => format!("{}: nothing is lit by itself; `signproof desk` says why", loaded.desk.result),
    };
    let door = if config.http.needs_token() { "with the token" } else { "without a token" };
    let list = match &config.first_power.checklist {
        Some(path) => match by_hand::load(path, &loaded.build) {
            Ok(list) => format!("\nchecklist of {}, {}, for the first run", list.who, list.when),
            Err(e) => format!("\nthe checklist is not usable, so no first run begins by itself: {}", e.message),
        },
        None => String::new(),
    };
    format!("{}: {paper}\npage on {} {door}; state in {}{list}", loaded.build.sign.name, config.http.listen, config.state().display())
}

/// The way to the page as a code on the sign, with the interlock on.
fn on_sign(args: &ServeArgs, config: &Config, tokens: &Tokens) -> Result<u8, Exit> {
    let build = Loaded::read(&config.build).map_err(Exit::usage)?.build;
    let address = code::address(config, tokens).map_err(Exit::usage)?;
    let frame = code::on_wall(&build, &address).map_err(Exit::usage)?;
    let rig = rig_of(args, config);
    let board = board::Use { args: &args.board, doing: "serve", storage: None };
    let (mut rig, _, _) = open_rig(&rig, &build, args.scenario.as_deref(), args.seed, WitnessMode::None, &board)?;
    let cancelled = cancel::listen().map_err(|e| Exit::error(format!("listening for signals: {e}")))?;
    let plan = commission::plan(&build, &Selection::default(), WitnessMode::None);
    let mut pictures = code::One { build: &build, frame };
    let lit = plan::Pictures::lit(&mut pictures, &FrameSpec::Marks, 1000);
    let duty = plan::safe_duty(&build, &lit, plan.level_permitted, CODE_DUTY);
    say!("the code is on the sign for {:.0} s; whoever reads it may act. Ctrl-C stops", args.for_s);
    let ending =
        run::show_hold(&build, &plan, FrameSpec::Marks, duty, Some(args.for_s), &mut rig, &mut pictures, &cancelled, &mut |_, _| {});
    match ending {
        Ending::Completed => Ok(0),
        Ending::Stopped(StopCause::Cancelled { .. }) => Ok(0),
        Ending::Stopped(cause) => {
            say!("stopped, wall blanked: {}", cause.text(&build));
            Ok(crate::judge::Outcome::Stopped.exit_code())
        }
        Ending::Broken { message } => Err(Exit::error(message)),
    }
}

fn rig_of(args: &ServeArgs, config: &Config) -> RigName {
    args.rig.clone().unwrap_or(match config.rig {
        RigWord::Board => RigName::Board,
        RigWord::Sim => RigName::Sim,
    })
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
        if args.on_sign {
            return on_sign(&args, &config, &tokens);
        }
        print(&tokens.show());
        return Ok(0);
    }
    let rig = rig_of(&args, &config);
    let simulated = rig == RigName::Sim;
    if !simulated && (args.scenario.is_some() || args.seed.is_some()) {
        return Err(Exit::usage("--scenario and --seed are for `--rig sim`"));
    }
    let loaded = Loaded::read(&config.build).map_err(Exit::usage)?;
    if args.check {
        print(&checked(&config, &loaded));
        return Ok(0);
    }
    let hands: Box<dyn Hands> = match rig {
        RigName::Sim => Box::new(Simulated { scenario: args.scenario, seed: args.seed, pace: args.pace }),
        // a record is refused where the argument is read
        RigName::Board | RigName::Replay(_) => Box::new(OnBoard { args: args.board, storage: config.state().to_owned() }),
    };
    let console = std::io::stderr().is_terminal() || std::env::var_os("JOURNAL_STREAM").is_none();
    match service::serve(Options { file: args.config, config, loaded, simulated, hands, console }) {
        Ok(()) => Ok(0),
        Err(Trouble::Outside(message)) => Err(Exit::error(message)),
        Err(Trouble::Bug(message)) => panic!("{message}"),
    }
}

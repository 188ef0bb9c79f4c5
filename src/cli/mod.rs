//! Arguments, exit codes, progress. No logic of the trade lives here.
//!
//! Exit codes: those of [`crate::judge::Outcome::exit_code`]; 2 for usage errors and invalid builds, 70
//! for a bug. Data goes to stdout, everything else to stderr.

/// A line to stderr; where that is closed nobody reads, which is no reason to leave a run half done.
macro_rules! say {
    ($($text:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stderr(), $($text)*);
    }};
}

mod accept;
mod blank;
mod board;
mod by_hand;
mod calibrate;
mod campaign;
mod cancel;
mod compare;
mod doctor;
mod find_map;
mod journald;
mod judge;
mod key;
mod paper;
mod progress;
mod run;
mod serve;
mod sheet;
mod show;
mod ticket;
mod verify;
mod witness;

use clap::{Args, Parser, Subcommand, ValueEnum};
use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

/// Exit code of usage errors and invalid builds.
pub const EXIT_USAGE: u8 = 2;
/// Exit code where the tool, the instrument or the storage broke.
pub const EXIT_ERROR: u8 = 6;
/// Exit code of a bug.
pub const EXIT_BUG: u8 = 70;

/// Prove that a small LED-matrix sign was built as intended.
#[derive(Parser)]
#[command(version, about, arg_required_else_help = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
    /// What goes to the log on stderr, e.g. `info` or `signproof=debug`.
    #[arg(long, global = true, default_value = "warn", value_name = "FILTER")]
    log: String,
}

#[derive(Subcommand)]
enum Command {
    /// Check the build on paper: loads, fuses, leads, volts, pins; state the highest permitted level.
    Desk(Paper),
    /// Print the stages and steps of a run with what is expected; touches nothing.
    Plan(PlanArgs),
    /// Print which GPIO line does what, and conflicts.
    Pins(Paper),
    /// Print what the builder works from: the wall from behind and in front, cut list, fuses, pins, before-power checklist; or the panel map.
    Sheet(sheet::SheetArgs),
    /// Light each port and position alone, ask where it appears, and write the chains as found.
    FindMap(find_map::FindMapArgs),
    /// Commission the sign: all stages, journal, report.
    Run(Box<run::RunArgs>),
    /// Hold one chosen frame with the interlock on and live readings, until stopped.
    Show(show::ShowArgs),
    /// Drive the output lines dark, also after a run was killed.
    Blank(blank::BlankArgs),
    /// Look at this controller: what a run on it would find. Drives nothing.
    Doctor(doctor::DoctorArgs),
    /// Make the reports of a run again from its journal.
    Judge(judge::JudgeArgs),
    /// List the runs kept in a directory.
    History(judge::HistoryArgs),
    /// Live in the sign: first power-up, a page for the phone, a watch on the supply.
    Serve(serve::ServeArgs),
    /// Say what changed between two runs of a sign, and what that suggests.
    Compare(compare::CompareArgs),
    /// Find slow change over many runs of a sign, and when it leaves a limit.
    Trend(compare::TrendArgs),
    /// Accept a run as the baseline of its build.
    Accept(accept::AcceptArgs),
    /// Bundle a run for the service desk: report, journal, readings, build, manifest.
    Ticket(ticket::TicketArgs),
    /// Check a ticket and judge its journal again.
    Verify(verify::VerifyArgs),
    /// Make the key that signs tickets, or print its public half.
    Key(key::KeyArgs),
    /// Correct a sense point by a hand meter held to it.
    Calibrate(calibrate::CalibrateArgs),
    /// List, for every fault and place, whether this build's sense points prove it.
    Coverage(campaign::CoverageArgs),
    /// Measure the judge on thousands of simulated signs with random faults.
    Campaign(campaign::CampaignArgs),
}

/// A build file and how to print.
#[derive(Args)]
pub struct Paper {
    /// The expected-build file.
    build: PathBuf,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Arguments of `plan`.
#[derive(Args)]
pub struct PlanArgs {
    #[command(flatten)]
    paper: Paper,
    #[command(flatten)]
    cut: run::Cut,
}

/// Text for people, JSON for machines.
#[derive(Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people.
    #[default]
    Text,
    /// For machines.
    Json,
}

/// Ends the process with a message for the person and a code.
pub struct Exit {
    code: u8,
    message: String,
}

impl Exit {
    /// Usage error or invalid build.
    pub fn usage(message: impl Into<String>) -> Self {
        Self { code: EXIT_USAGE, message: message.into() }
    }
    /// Tool, instrument or storage broke.
    pub fn error(message: impl Into<String>) -> Self {
        Self { code: EXIT_ERROR, message: message.into() }
    }
}

/// Runs the command line of this process.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    match &cli.command {
        Command::Serve(args) => serve::start_log(args, &cli.log),
        _ => start_log(&cli.log),
    }
    let result = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| match cli.command {
        Command::Desk(args) => paper::desk(&args),
        Command::Plan(args) => paper::plan(&args),
        Command::Pins(args) => paper::pins(&args),
        Command::Sheet(args) => sheet::sheet(&args),
        Command::FindMap(args) => find_map::find_map(&args),
        Command::Run(args) => run::run(*args),
        Command::Show(args) => show::show(&args),
        Command::Blank(args) => blank::blank(&args),
        Command::Doctor(args) => doctor::doctor(&args),
        Command::Judge(args) => judge::judge(&args),
        Command::History(args) => judge::history(&args),
        Command::Serve(args) => serve::serve(args),
        Command::Compare(args) => compare::compare(&args),
        Command::Trend(args) => compare::trend(&args),
        Command::Accept(args) => accept::accept(&args),
        Command::Ticket(args) => ticket::ticket(&args),
        Command::Verify(args) => verify::verify(&args),
        Command::Key(args) => key::key(&args),
        Command::Calibrate(args) => calibrate::calibrate(&args),
        Command::Coverage(args) => campaign::coverage(&args),
        Command::Campaign(args) => campaign::campaign(&args),
    }));
    match result {
        Ok(Ok(code)) => ExitCode::from(code),
        Ok(Err(exit)) => {
            say!("{}", exit.message.trim_end());
            ExitCode::from(exit.code)
        }
        Err(_) => {
            say!("signproof: this is a bug in signproof, not a fault of the sign; please report it with the message above");
            ExitCode::from(EXIT_BUG)
        }
    }
}

fn start_log(filter: &str) {
    let filter = tracing_subscriber::EnvFilter::try_new(filter).unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("warn"));
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_ansi(colour()).init();
}

/// Colour on stderr: a terminal, and NO_COLOR not set.
fn colour() -> bool {
    std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
}

/// Where state is kept: as asked, as the service manager says, or below the user's own state directory.
fn state_dir_if_known(asked: Option<&std::path::Path>) -> Option<PathBuf> {
    let set = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty());
    asked
        .map(std::path::Path::to_owned)
        // systemd gives a list with colons where a unit has several
        .or_else(|| set("STATE_DIRECTORY").map(|list| PathBuf::from(list.to_string_lossy().split(':').next().unwrap_or_default())))
        .or_else(|| set("XDG_STATE_HOME").map(|d| PathBuf::from(d).join("signproof")))
        .or_else(|| set("HOME").map(|d| PathBuf::from(d).join(".local/state/signproof")))
}

/// The same, made if needed.
fn state_dir(asked: Option<&std::path::Path>) -> Result<PathBuf, Exit> {
    let dir = state_dir_if_known(asked).ok_or_else(|| Exit::usage("--state-dir: no home directory is known; name a directory"))?;
    std::fs::create_dir_all(&dir).map_err(|e| Exit::error(format!("{}: {e}", dir.display())))?;
    Ok(dir)
}

/// Data to stdout; a closed pipe is no error.
fn print(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes());
    if !text.ends_with('\n') {
        let _ = out.write_all(b"\n");
    }
    let _ = out.flush();
}

/// The same for what is no text.
fn print_bytes(bytes: &[u8]) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(bytes).and_then(|()| out.flush());
}

/// Reads and checks a build file; all its problems in one message.
fn load_build(path: &std::path::Path) -> Result<(String, crate::build::Build), Exit> {
    let name = path.display().to_string();
    let source = crate::build::read_source(path).map_err(|why| Exit::usage(format!("{name}: {why}")))?;
    let build = crate::build::load(&source, &name).map_err(|problems| Exit::usage(problems.render(colour())))?;
    Ok((source, build))
}

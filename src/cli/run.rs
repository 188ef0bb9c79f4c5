//! `signproof run`.

use super::board::{self, BoardArgs};
use super::judge::{ReportFormat, print_report};
use super::{Exit, cancel, load_build, progress::Progress, witness::Terminal};
use crate::build::Build;
use crate::commission::{self, Request};
use crate::event::{PlaceOfRun, Selection, Stage, WitnessMode};
use crate::rig::sim::{self, SimOptions, scenario::Scenario};
use clap::{Args, ValueEnum};
use std::path::{Path, PathBuf};

/// Arguments of `run`.
#[derive(Args)]
pub struct RunArgs {
    /// The expected-build file.
    build: PathBuf,
    /// What to run on; never chosen by itself.
    #[arg(long, value_name = "sim|board|replay:FILE", value_parser = RigName::parse)]
    rig: RigName,
    /// Write down all that the run asks of the rig and what comes back, for `--rig replay:FILE`.
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    /// Simulated faults (TOML); sim rig only.
    #[arg(long, value_name = "FILE")]
    scenario: Option<PathBuf>,
    /// Draws part tolerances and noise of the sim rig.
    #[arg(long)]
    seed: Option<u64>,
    /// Where the sign is.
    #[arg(long, value_enum, default_value = "bench")]
    place: PlaceArg,
    /// Who says what is on the wall.
    #[arg(long, value_enum, default_value = "ask")]
    witness: WitnessArg,
    /// Ambient temperature in °C, read from a thermometer.
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    ambient: Option<f64>,
    /// Directory of this run; an earlier run in it is moved aside.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Compare with this earlier run, or with the `accepted` baseline of this build, and append that to the report.
    #[arg(long, value_name = "RUN")]
    baseline: Option<PathBuf>,
    #[command(flatten)]
    state: super::accept::StateDir,
    /// Before-power checklist filled in elsewhere (TOML; `sheet BUILD --checklist` prints the empty form).
    #[arg(long, value_name = "FILE")]
    checklist: Option<PathBuf>,
    #[command(flatten)]
    by_hand: super::by_hand::ByHandArgs,
    #[command(flatten)]
    cut: Cut,
    #[command(flatten)]
    board: BoardArgs,
    /// How to print the result.
    #[arg(long, value_enum, default_value_t)]
    format: ReportFormat,
}

/// A run cut to parts, for fault-finding; never `pass`.
#[derive(Args)]
pub struct Cut {
    /// Only these stages, e.g. `open,sweep`.
    #[arg(long, value_delimiter = ',', value_name = "STAGE")]
    stages: Option<Vec<String>>,
    /// Only these ports.
    #[arg(long, value_delimiter = ',', value_name = "PORT")]
    ports: Option<Vec<u8>>,
    /// Only panels on these feeds.
    #[arg(long, value_delimiter = ',', value_name = "FEED")]
    feeds: Option<Vec<String>>,
}

impl Cut {
    /// Checks the words against the build.
    pub fn selection(&self, build: &Build) -> Result<Selection, Exit> {
        let mut selection = Selection { stages: None, ports: self.ports.clone(), feeds: self.feeds.clone() };
        if let Some(words) = &self.stages {
            let mut stages = Vec::new();
            for word in words {
                let stage = Stage::from_word(word).ok_or_else(|| {
                    Exit::usage(format!("--stages: there is no stage `{word}`; stages are {}", Stage::ALL.map(Stage::word).join(", ")))
                })?;
                stages.push(stage);
            }
            selection.stages = Some(stages);
        }
        for port in self.ports.iter().flatten() {
            if !build.chains.iter().any(|c| c.port == *port) {
                return Err(Exit::usage(format!("--ports: the build has no chain on port {port}")));
            }
        }
        for feed in self.feeds.iter().flatten() {
            if build.feed_named(feed).is_none() {
                let names: Vec<_> = build.feeds.iter().map(|f| f.name.as_str()).collect();
                return Err(Exit::usage(format!("--feeds: the build has no feed `{feed}`; feeds are {}", names.join(", "))));
            }
        }
        Ok(selection)
    }
}

/// The rigs of this version.
#[derive(Clone, PartialEq, Eq)]
pub enum RigName {
    /// A simulated sign.
    Sim,
    /// The real sign on this controller.
    Board,
    /// A record of an earlier run.
    Replay(PathBuf),
}

impl RigName {
    /// From the word of the command line.
    pub fn parse(word: &str) -> Result<Self, String> {
        match (word, word.strip_prefix("replay:")) {
            ("sim", _) => Ok(Self::Sim),
            ("board", _) => Ok(Self::Board),
            (_, Some(path)) if !path.is_empty() => Ok(Self::Replay(path.into())),
            _ => Err("expected sim, board or replay:FILE".to_owned()),
        }
    }
    /// The same where a record is of no use.
    pub fn parse_live(word: &str) -> Result<Self, String> {
        match Self::parse(word) {
            Ok(name @ (Self::Sim | Self::Board)) => Ok(name),
            _ => Err("expected sim or board".to_owned()),
        }
    }
}

#[derive(Clone, Copy, ValueEnum)]
enum PlaceArg {
    Bench,
    Outdoors,
    Service,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum WitnessArg {
    Ask,
    None,
    Simulated,
}

/// `signproof run`.
pub fn run(args: RunArgs) -> Result<u8, Exit> {
    let (source, build) = load_build(&args.build)?;
    let selection = args.cut.selection(&build)?;
    let witness = match args.witness {
        WitnessArg::Ask => WitnessMode::Ask,
        WitnessArg::None => WitnessMode::None,
        WitnessArg::Simulated => WitnessMode::Simulated,
    };
    let list = match args.checklist.as_deref() {
        Some(path) => Some(super::by_hand::load(path, &build)?),
        None => args.by_hand.checklist(&build, &crate::rig::wall_now())?,
    };
    let storage = args.out.as_deref().and_then(|p| p.ancestors().find(|p| p.is_dir()));
    let board = board::Use { args: &args.board, doing: "run", storage };
    let (mut rig, seed, scenario) = open_rig(&args.rig, &build, args.scenario.as_deref(), args.seed, witness, &board)?;
    if let Some(list) = list {
        if matches!(args.rig, RigName::Replay(_)) {
            return Err(Exit::usage("--checklist and --by-hand are for a run of now; a record has what was found by hand then"));
        }
        rig.witness = Box::new(crate::rig::WithChecklist { inner: rig.witness, list });
    }
    let rig = match &args.record {
        Some(path) => recorded(rig, &build, path)?,
        None => rig,
    };
    // what can't be compared is said before anything is lit
    let baseline =
        args.baseline.as_deref().map(|run| super::accept::baseline(run, &args.state, &build.digest(), rig.simulated)).transpose()?;
    let cancelled = cancel::listen().map_err(|e| Exit::error(format!("listening for signals: {e}")))?;
    let request = Request {
        build: &build,
        build_file: source,
        selection,
        witness,
        place: match args.place {
            PlaceArg::Bench => PlaceOfRun::Bench,
            PlaceArg::Outdoors => PlaceOfRun::Outdoors,
            PlaceArg::Service => PlaceOfRun::Service,
        },
        seed,
        scenario,
        ambient_c: args.ambient,
        corrections: corrections(args.state.given(), &build, rig.simulated)?,
        out: args.out,
    };
    let mut progress = Progress::new();
    let done = commission::commission(request, rig, &cancelled, &mut |p| progress.update(p));
    progress.finish();
    let done = done.map_err(|e| Exit::error(e.to_string()))?;
    let done = match baseline {
        Some(numbers) => commission::append_baseline(&done.dir, &numbers).map_err(|e| Exit::error(e.to_string()))?,
        None => done,
    };
    print_report(&done, args.format)?;
    Ok(done.report.outcome.exit_code())
}

/// The rig with a record of all that is asked of it. An earlier record is not written over.
fn recorded(rig: crate::rig::Rig, build: &Build, path: &Path) -> Result<crate::rig::Rig, Exit> {
    let refuse = |e: std::io::Error| Exit::error(format!("--record {}: {e}. Nothing was driven.", path.display()));
    let file = std::fs::File::create_new(path).map_err(refuse)?;
    crate::rig::record::record(rig, build, file).map_err(refuse)
}

/// The rig of a record.
fn replayed(path: &Path, build: &Build) -> Result<crate::rig::Rig, Exit> {
    let refuse = |why: String| Exit::usage(format!("--rig replay: {}: {why}", path.display()));
    let file = std::fs::File::open(path).map_err(|e| refuse(e.to_string()))?;
    crate::rig::replay::rig(build, std::io::BufReader::new(file)).map_err(refuse)
}

/// Corrections kept for a build; none where there is no state directory yet.
fn corrections(asked: Option<&Path>, build: &Build, simulated: bool) -> Result<Vec<crate::calibration::Correction>, Exit> {
    match super::state_dir_if_known(asked) {
        Some(dir) => crate::calibration::load(&dir, build, simulated).map_err(Exit::error),
        None => Ok(Vec::new()),
    }
}

/// A rig with the seed and scenario text it was made from.
pub type Opened = (crate::rig::Rig, Option<u64>, Option<String>);

/// Opens the named rig.
pub fn open_rig(
    name: &RigName,
    build: &Build,
    scenario: Option<&Path>,
    seed: Option<u64>,
    witness: WitnessMode,
    board: &board::Use<'_>,
) -> Result<Opened, Exit> {
    match name {
        RigName::Board => {
            if scenario.is_some() || seed.is_some() || witness == WitnessMode::Simulated {
                return Err(Exit::usage("--scenario, --seed and --witness simulated are for the sim rig; the board has a real sign"));
            }
            Ok((board::open(build, board)?, None, None))
        }
        RigName::Replay(path) => {
            if scenario.is_some() || seed.is_some() {
                return Err(Exit::usage("--scenario and --seed are for the sim rig; a record has what it was made with"));
            }
            Ok((replayed(path, build)?, None, None))
        }
        RigName::Sim => {
            let text = scenario
                .map(|path| {
                    crate::build::read_source(path)
                        .map_err(|why| Exit::usage(format!("{}: {why}", path.display())))
                        .map(|text| (path, text))
                })
                .transpose()?;
            let parsed = match &text {
                Some((path, text)) => Scenario::parse(text, &path.display().to_string(), build).map_err(Exit::usage)?,
                None => Scenario::default(),
            };
            let seed = seed.or(parsed.seed).unwrap_or_else(|| crate::rig::wall_now_ms().unsigned_abs());
            let options = SimOptions {
                scenario: parsed,
                seed,
                start_unix_ms: crate::rig::wall_now_ms(),
                witness,
                asked: Some(Box::<Terminal>::default()),
            };
            Ok((sim::rig(build, options), Some(seed), text.map(|(_, text)| text)))
        }
    }
}

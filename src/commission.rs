//! The calls a shell makes: plan a build, run it on a rig and report, judge a kept run again, list runs.

use crate::build::{self, Build};
use crate::calibration::Correction;
use crate::check::PointUncertainty;
use crate::drift::{self, Numbers};
use crate::event::{Entry, Event, FORMAT, PlaceOfRun, Selection, WitnessMode};
use crate::frame::{self, Frame, FrameSpec};
use crate::journal::{self, FileStorage, Journal, Sink};
use crate::judge;
use crate::plan::{self, Physics, Pictures, Plan};
use crate::power::network::{Network, Parts};
use crate::report::{self, Report};
use crate::rig::{Corrected, Rig};
use crate::run;
use crate::scan::{self, ScanProgram};
use serde::Serialize;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Name of the journal in a run's directory.
pub const JOURNAL: &str = "journal.jsonl";

/// What went wrong around a run: tool, instrument or storage.
#[derive(Debug, thiserror::Error)]
pub enum CommissionError {
    /// A file or directory could not be used.
    #[error("{}: {why}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why, and what to do.
        why: String,
    },
    /// The journal cannot be judged.
    #[error("{}: {why}", path.display())]
    Journal {
        /// Which.
        path: PathBuf,
        /// Why.
        why: String,
    },
}

impl CommissionError {
    fn file(path: &Path, error: &std::io::Error) -> Self {
        Self::File {
            path: path.to_owned(),
            why: format!("{error}; check that the directory exists, may be written, and that the disk is not full"),
        }
    }
}

/// The build's network as what the planner asks of physics.
struct Expected<'a> {
    build: &'a Build,
    network: Network,
    parts: Parts,
}

/// Conductors are expected at this temperature (a bench in shade and their own warmth; common practice, no source).
const WIRE_C: f64 = 30.0;

impl<'a> Expected<'a> {
    fn new(build: &'a Build) -> Self {
        Self { build, network: Network::new(build), parts: Parts::nominal(build, WIRE_C) }
    }
}

impl Physics for Expected<'_> {
    fn permitted(&self) -> (f64, String) {
        let permitted = crate::power::permitted(self.build);
        (permitted.level, permitted.binds)
    }
    fn predict(&mut self, lit: &[[f64; 3]]) -> Vec<Option<f64>> {
        match self.network.solve(&self.parts, lit) {
            Ok(solution) => self.build.sense.iter().map(|p| (p.quantity != build::Quantity::Celsius).then(|| solution.sense(p))).collect(),
            Err(_) => vec![None; self.build.sense.len()],
        }
    }
}

/// Frames and scan programs of a build, each computed once as long as it is kept.
pub struct Album<'a> {
    build: &'a Build,
    programs: HashMap<(FrameSpec, u16), (Arc<ScanProgram>, u64)>,
    most: usize,
    asked: u64,
}

/// Programs kept by one run: a step shows its own in turn with black, and does not come back. A program of the demo has 50 KB.
const RECENT: usize = 16;

impl<'a> Album<'a> {
    /// For one run: keeps what was used last.
    pub fn new(build: &'a Build) -> Self {
        Self { build, programs: HashMap::new(), most: RECENT, asked: 0 }
    }
    /// For many runs: keeps all.
    pub fn whole(build: &'a Build) -> Self {
        Self { most: usize::MAX, ..Self::new(build) }
    }
}

impl Pictures for Album<'_> {
    fn lit(&mut self, spec: &FrameSpec, duty: u16) -> Vec<[f64; 3]> {
        let share = self.program(spec, duty).lit_share();
        let lit = frame::lit_fractions(self.build, &spec.draw(self.build));
        lit.into_iter().map(|panel| panel.map(|c| c * share)).collect()
    }
    fn frame(&self, spec: &FrameSpec) -> Frame {
        spec.draw(self.build)
    }
    fn program(&mut self, spec: &FrameSpec, duty: u16) -> Arc<ScanProgram> {
        self.asked += 1;
        if let Some((program, last)) = self.programs.get_mut(&(*spec, duty)) {
            *last = self.asked;
            return Arc::clone(program);
        }
        if self.programs.len() >= self.most
            && let Some(oldest) = self.programs.iter().min_by_key(|(_, (_, last))| *last).map(|(key, _)| *key)
        {
            self.programs.remove(&oldest);
        }
        let program = Arc::new(scan::compile(self.build, &spec.draw(self.build), duty));
        self.programs.insert((*spec, duty), (Arc::clone(&program), self.asked));
        program
    }
}

/// The plan of a build.
pub fn plan(build: &Build, selection: &Selection, witness: WitnessMode) -> Plan {
    plan::plan(build, selection, witness, &mut Expected::new(build), &mut Album::new(build))
}

/// What a whole run of a build can and cannot prove.
pub fn coverage(build: &Build) -> Vec<judge::Coverage> {
    judge::coverage(build, &plan(build, &Selection::default(), WitnessMode::Ask), &instruments(build))
}

fn instruments(build: &Build) -> Vec<PointUncertainty> {
    build.sense.iter().map(|p| crate::meter::point_uncertainty(build, p)).collect()
}

/// What a run is asked to do.
pub struct Request<'a> {
    /// The checked build.
    pub build: &'a Build,
    /// Its text, kept in the journal.
    pub build_file: String,
    /// What is cut.
    pub selection: Selection,
    /// Who is asked.
    pub witness: WitnessMode,
    /// Where the sign is.
    pub place: PlaceOfRun,
    /// Seed of a simulated run.
    pub seed: Option<u64>,
    /// Scenario text of a simulated run.
    pub scenario: Option<String>,
    /// Typed ambient temperature.
    pub ambient_c: Option<f64>,
    /// Corrections of sense points; the rig's readings are corrected by them.
    pub corrections: Vec<Correction>,
    /// Directory of the run; `out/<run id>` where absent.
    pub out: Option<PathBuf>,
}

/// A judged run and where it is kept.
pub struct Done {
    /// The report.
    pub report: Report,
    /// Directory with journal and reports.
    pub dir: PathBuf,
}

/// Runs a build on a rig, judges the journal that was written, and writes the reports beside it.
///
/// # Errors
/// Where the run's directory, journal or reports cannot be written.
pub fn commission(
    request: Request<'_>,
    rig: Rig,
    cancelled: &dyn Fn() -> Option<String>,
    observer: &mut dyn FnMut(&run::Progress<'_>),
) -> Result<Done, CommissionError> {
    judge_again(&carry_out(request, crate::rig::new_run_id(), rig, cancelled, observer, &mut |_| {})?)
}

/// Keeps an entry in the journal, then lets another look at it.
struct Tee<'a, S>(Journal<S>, &'a mut dyn FnMut(&Entry));

impl<S: journal::Storage> Sink for Tee<'_, S> {
    fn record(&mut self, entry: &Entry) -> std::io::Result<()> {
        self.0.record(entry)?;
        (self.1)(entry);
        Ok(())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        self.0.flush()
    }
}

/// Runs a build on a rig under a run id of the caller's and leaves the journal in the directory given back, not judged yet; `tap` sees each
/// entry once it is in the journal.
///
/// # Errors
/// Where the run's directory or journal cannot be written.
pub fn carry_out(
    request: Request<'_>,
    run_id: String,
    mut rig: Rig,
    cancelled: &dyn Fn() -> Option<String>,
    observer: &mut dyn FnMut(&run::Progress<'_>),
    tap: &mut dyn FnMut(&Entry),
) -> Result<PathBuf, CommissionError> {
    let dir = request.out.clone().unwrap_or_else(|| Path::new("out").join(&run_id));
    make_room(&dir)?;
    let path = dir.join(JOURNAL);
    let storage = FileStorage::create(&path).map_err(|e| CommissionError::file(&path, &e))?;
    let journal = if rig.simulated { Journal::in_virtual_time(storage) } else { Journal::create(storage) };
    let mut journal = Tee(journal, tap);
    write(&dir, "build.toml", request.build_file.as_bytes())?;
    let mut album = Album::new(request.build);
    let plan = plan::plan(request.build, &request.selection, request.witness, &mut Expected::new(request.build), &mut album);
    let started = Event::RunStarted {
        format: FORMAT,
        tool: concat!("signproof ", env!("CARGO_PKG_VERSION")).to_owned(),
        run_id,
        rig: rig.name.clone(),
        simulated: rig.simulated,
        place: request.place,
        build_file: request.build_file,
        build_digest: request.build.digest(),
        selection: request.selection,
        witness: request.witness,
        seed: request.seed,
        scenario: request.scenario,
        ambient_c: request.ambient_c,
    };
    let by = request
        .build
        .sense
        .iter()
        .map(|s| request.corrections.iter().find(|c| c.sense == s.name).map_or((1.0, 0.0), |c| (c.gain, c.offset_v)));
    rig.meter = Box::new(Corrected::new(rig.meter, by.collect()));
    // how it ended stands in the journal, as far as that could be written
    let _ = run::run(request.build, &plan, started, &request.corrections, &mut rig, &mut album, &mut journal, cancelled, observer);
    Ok(dir)
}

/// Moves an earlier run in this directory aside: nothing recorded is ever lost.
fn make_room(dir: &Path) -> Result<(), CommissionError> {
    if dir.join(JOURNAL).exists() {
        let name = dir.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let aside = (1..).map(|n| dir.with_file_name(format!("{name}.{n}"))).find(|p| !p.exists());
        if let Some(aside) = aside {
            std::fs::rename(dir, &aside).map_err(|e| CommissionError::file(dir, &e))?;
            tracing::warn!(kept = %aside.display(), "an earlier run was moved aside");
        }
    }
    std::fs::create_dir_all(dir).map_err(|e| CommissionError::file(dir, &e))
}

fn write(dir: &Path, name: &str, bytes: &[u8]) -> Result<(), CommissionError> {
    let path = dir.join(name);
    journal::write_whole(&path, bytes).map_err(|e| CommissionError::file(&path, &e))
}

/// Judges a kept run again and rewrites its reports. Needs nothing but the journal.
///
/// # Errors
/// Where the journal is missing, has no start, or its build can no longer be read; where the reports cannot be written.
pub fn judge_again(run: &Path) -> Result<Done, CommissionError> {
    let path = if run.is_dir() { run.join(JOURNAL) } else { run.to_owned() };
    let dir = path.parent().map(Path::to_owned).unwrap_or_default();
    let bytes =
        std::fs::read(&path).map_err(|e| CommissionError::File { path: path.clone(), why: format!("{e}; name the directory of a run") })?;
    let recovered = journal::read(&bytes);
    let judged = judged(&path, recovered.entries)?;
    let baseline = read_baseline(&dir)?;
    let files = judged.files(baseline.as_ref())?;
    write(&dir, "report.json", files.json.as_bytes())?;
    write(&dir, "report.html", files.html.as_bytes())?;
    Ok(Done { report: files.report, dir })
}

/// Keeps the numbers of a baseline beside a run and makes its reports again with the comparison.
///
/// # Errors
/// As [`judge_again`].
pub fn append_baseline(run: &Path, baseline: &Numbers) -> Result<Done, CommissionError> {
    keep_baseline(run, baseline)?;
    judge_again(run)
}

/// Keeps the numbers of a baseline beside a run: its reports, once made, have the comparison.
///
/// # Errors
/// Where the file cannot be written.
pub fn keep_baseline(run: &Path, baseline: &Numbers) -> Result<(), CommissionError> {
    let text = serde_json::to_string_pretty(baseline).expect("numbers are plain data");
    write(run, BASELINE, text.as_bytes())
}

/// Writes `readings.csv` beside the journal of a kept run and names it. Not part of every run: it is several times as
/// large as the journal that it is made from.
///
/// # Errors
/// As [`judge_again`].
pub fn write_readings(run: &Path) -> Result<PathBuf, CommissionError> {
    let judged = read_run(run)?;
    let dir = judged.path.parent().map(Path::to_owned).unwrap_or_default();
    write(&dir, "readings.csv", &judged.csv())?;
    Ok(dir.join("readings.csv"))
}

/// Name of the file that holds the numbers of the run's baseline, where it has one.
pub const BASELINE: &str = "baseline.json";

/// The numbers of a run's baseline; `None` where it has none.
///
/// # Errors
/// Where the file is there and can't be read.
pub fn read_baseline(dir: &Path) -> Result<Option<Numbers>, CommissionError> {
    let path = dir.join(BASELINE);
    match std::fs::read(&path) {
        Ok(bytes) => parse_baseline(&path, &bytes).map(Some),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(CommissionError::file(&path, &e)),
    }
}

/// Reads the numbers of a baseline.
///
/// # Errors
/// Where they are not such numbers.
pub fn parse_baseline(path: &Path, bytes: &[u8]) -> Result<Numbers, CommissionError> {
    serde_json::from_slice(bytes).map_err(|e| CommissionError::File {
        path: path.to_owned(),
        why: format!("not the numbers of a baseline ({e}); make it again with `run --baseline`, or remove it"),
    })
}

/// A journal that was judged: everything that a report, a comparison or a ticket needs.
pub struct Judged {
    /// Where the journal came from, for messages.
    pub path: PathBuf,
    /// The build of the journal.
    pub build: Build,
    /// The plan that was run.
    pub plan: Plan,
    /// The entries.
    pub entries: Vec<Entry>,
    /// The report, without a comparison.
    pub report: Report,
}

/// The texts made from a judged journal.
pub struct Files {
    /// The report, with its comparison.
    pub report: Report,
    /// `report.json`.
    pub json: String,
    /// `report.html`.
    pub html: String,
}

impl Judged {
    /// What a comparison needs of the run.
    pub fn numbers(&self) -> Numbers {
        drift::numbers(&self.build, &self.plan, &self.entries)
    }
    /// `readings.csv`.
    pub fn csv(&self) -> Vec<u8> {
        report::readings_csv(&self.build, &self.entries)
    }
    /// `report.json` and `report.html`, with the comparison where there is a baseline.
    ///
    /// # Errors
    /// Where the baseline is of another build, or simulated and the run is real, or the other way round.
    pub fn files(&self, baseline: Option<&Numbers>) -> Result<Files, CommissionError> {
        let mut report = self.report.clone();
        if let Some(before) = baseline {
            let comparison = drift::compare(before, &self.numbers(), false);
            report.comparison = Some(comparison.map_err(|e| CommissionError::Journal { path: self.path.clone(), why: e.to_string() })?);
        }
        Ok(Files { json: report::json(&report), html: report::html(&report, &self.build, &self.entries), report })
    }
}

/// Reads and judges the journal of a kept run; writes nothing.
///
/// # Errors
/// As [`judge_again`].
pub fn read_run(run: &Path) -> Result<Judged, CommissionError> {
    let path = if run.is_dir() { run.join(JOURNAL) } else { run.to_owned() };
    let bytes =
        std::fs::read(&path).map_err(|e| CommissionError::File { path: path.clone(), why: format!("{e}; name the directory of a run") })?;
    judged(&path, journal::read(&bytes).entries)
}

/// Judges the entries of a journal; `path` is for messages.
///
/// # Errors
/// Where there is no start, or its build can no longer be read, or the journal is of a newer format.
pub fn judged(path: &Path, entries: Vec<Entry>) -> Result<Judged, CommissionError> {
    let trouble = |why: String| CommissionError::Journal { path: path.to_owned(), why };
    let Some(Event::RunStarted { format, build_file, selection, witness, tool, .. }) = entries.first().map(|e| &e.event) else {
        return Err(trouble("the journal has no readable first line, so it is not known which build was tested".to_owned()));
    };
    if *format > FORMAT {
        return Err(trouble(format!("format {format}, written by {tool}; this version reads up to {FORMAT}: judge it with a newer one")));
    }
    let build = build::load(build_file, "build.toml")
        .map_err(|p| trouble(format!("the build in the journal is not valid:\n{}", p.render(false))))?;
    let plan = plan(&build, selection, *witness);
    let mut instruments = instruments(&build);
    for entry in &entries {
        if let Event::Calibrated(correction) = &entry.event
            && let Some(point) = build.sense_named(&correction.sense)
        {
            instruments[point] = correction.uncertainty(instruments[point]);
        }
    }
    let judgement = judge::judge(&build, &plan, &entries, &instruments);
    let report = report::report(&build, &plan, &entries, &judgement, &instruments);
    Ok(Judged { path: path.to_owned(), build, plan, entries, report })
}

/// One kept run.
#[derive(Debug, Serialize)]
pub struct Kept {
    /// RFC 3339.
    pub started: String,
    /// Outcome word.
    pub outcome: String,
    /// Rig name.
    pub rig: String,
    /// Sign and serial.
    pub sign: String,
    /// Directory.
    pub dir: String,
}

/// The runs kept below a directory, oldest first. A run whose report is missing is judged from its journal.
///
/// # Errors
/// Where the directory cannot be read.
pub fn history(root: &Path) -> Result<Vec<Kept>, CommissionError> {
    let entries = std::fs::read_dir(root)
        .map_err(|e| CommissionError::File { path: root.to_owned(), why: format!("{e}; name a directory that holds runs") })?;
    let mut runs = Vec::new();
    for dir in entries.flatten().map(|e| e.path()).filter(|p| p.join(JOURNAL).is_file()) {
        let path = dir.join(JOURNAL);
        let Ok(bytes) = std::fs::read(&path) else { continue };
        let kept = match judged(&path, journal::read(&bytes).entries).map(|j| j.report) {
            Ok(report) => Kept {
                started: report.started.clone(),
                outcome: report.outcome.word().to_owned(),
                rig: report.rig.clone(),
                sign: format!("{} {}", report.sign.name, report.sign.serial),
                dir: dir.display().to_string(),
            },
            Err(error) => {
                tracing::warn!(%error, "a journal could not be judged");
                continue;
            }
        };
        runs.push(kept);
    }
    runs.sort_by(|a, b| a.started.cmp(&b.started));
    Ok(runs)
}

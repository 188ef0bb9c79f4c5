//! What is going on right now: written by the rig's thread, read by the page.

use super::config::Config;
use super::events::EventLog;
use super::handed_in::HandedIn;
use super::map::FoundMap;
use super::memory::Memory;
use super::metrics::Counters;
use crate::build::Build;
use crate::event::{Answer, HandReading, PlaceOfRun, Stage, Whereabouts};
use crate::frame::FrameSpec;
use crate::power::DeskReport;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, mpsc};

/// A build with what is derived from it once.
pub struct Loaded {
    /// The checked build.
    pub build: Build,
    /// Its text.
    pub source: String,
    /// Its digest.
    pub digest: String,
    /// Its paper checks.
    pub desk: DeskReport,
    /// Trip window per sense point.
    pub trips: Vec<Option<[f64; 2]>>,
}

impl Loaded {
    /// Reads and checks a build file.
    ///
    /// # Errors
    /// All its problems, for the person at the board.
    pub fn read(path: &Path) -> Result<Self, String> {
        let name = path.display().to_string();
        let source = crate::build::read_source(path).map_err(|why| format!("{name}: {why}"))?;
        let build = crate::build::load(&source, &name).map_err(|problems| problems.render(false))?;
        let (digest, desk) = (build.digest(), crate::power::desk(&build));
        let high = build.limits.trip_high_v.value();
        let volts = |p: usize| build.sense[p].quantity == crate::build::Quantity::Volts;
        let trips = (0..build.sense.len()).map(|p| volts(p).then(|| [build.limits.trip_low_v[p].value(), high])).collect();
        Ok(Self { build, source, digest, desk, trips })
    }
}

/// Where the daemon is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// Nothing is known yet.
    #[default]
    Starting,
    /// Between runs.
    Watching,
    /// A run goes on.
    Running,
    /// A run waits for an answer of the witness.
    Asking,
    /// A run is over and its journal is judged.
    Judging,
}

/// What a question is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum About {
    /// What is on the wall; answered at `witness`.
    Wall,
    /// How hot the hottest joint is; answered at `joint`.
    Joint,
    /// Where the mark appears; answered at `map/place`.
    Place,
}

/// What a person says to a question.
pub enum Said {
    /// What is on the wall.
    Wall(Answer),
    /// The hottest joint and who measured it; `None` where it was not measured.
    Joint(Option<(HandReading, String)>),
    /// Where the mark appears.
    Place(Whereabouts),
}

impl Said {
    const fn about(&self) -> About {
        match self {
            Self::Wall(_) => About::Wall,
            Self::Joint(_) => About::Joint,
            Self::Place(_) => About::Place,
        }
    }
}

/// A question that is open now.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct QuestionNow {
    /// Number to answer with.
    pub id: u64,
    /// In words.
    pub text: String,
    /// What it is about.
    pub about: About,
    /// Port and position whose mark is looked for.
    pub mark: Option<[u8; 2]>,
}

/// The run that goes on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RunNow {
    /// Its id.
    pub id: String,
    /// True where it is no run but the search for the map: it keeps no journal and judges nothing.
    pub search: bool,
    /// `bench`, `outdoors` or `service`.
    #[schemars(with = "String")]
    pub place: PlaceOfRun,
    /// What the person wrote.
    pub note: String,
    /// Stage word.
    #[schemars(with = "String")]
    pub stage: Stage,
    /// Step number, from 0.
    pub step: u32,
    /// Steps of the plan; 0 before the first.
    pub steps: u32,
    /// Step in words.
    pub title: String,
    /// Share done of the planned time, 0 to 1.
    pub done: f64,
    /// What should be on the wall, as `frame` of the picture.
    #[schemars(with = "serde_json::Value")]
    pub frame: FrameSpec,
    /// The same in words.
    pub frame_title: String,
    /// True where it alternates with black.
    pub alternating: bool,
    /// True once a stop was asked for.
    pub stopping: bool,
    /// The open question.
    pub question: Option<QuestionNow>,
}

impl RunNow {
    /// Before its first step.
    pub fn begun(id: String, stopping: bool) -> Self {
        Self {
            id,
            search: false,
            place: PlaceOfRun::default(),
            note: String::new(),
            stage: Stage::Open,
            step: 0,
            steps: 0,
            title: "setting up".to_owned(),
            done: 0.0,
            frame: FrameSpec::Black,
            frame_title: FrameSpec::Black.title(),
            alternating: false,
            stopping,
            question: None,
        }
    }
    /// Nothing is lit any more.
    pub fn dark(&mut self) {
        self.frame = FrameSpec::Black;
        self.frame_title = FrameSpec::Black.title();
        self.alternating = false;
    }
}

/// A sense point now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PointNow {
    /// Its name.
    pub sense: String,
    /// Unit.
    pub unit: String,
    /// Last good reading; `null` where there is none now.
    pub value: Option<f64>,
    /// Why there is none.
    pub missing: Option<String>,
    /// Window it must stay in.
    pub window: Option<[f64; 2]>,
    /// `low`, `high` or `silent` while an alarm is raised.
    pub alarm: Option<String>,
}

/// A finding so far.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FindingNow {
    /// Kind word.
    pub kind: String,
    /// Kind and place in the words of the report.
    pub title: String,
    /// Where, in words.
    pub place: String,
    /// 0 to 1.
    pub probability: f64,
    /// What to do, in order.
    pub remedy: Vec<String>,
}

/// A kept run in the list.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct KeptRun {
    /// Its id.
    pub id: String,
    /// Start, RFC 3339 in UTC.
    pub started: String,
    /// Outcome word, `interrupted` where it was cut off.
    pub outcome: String,
    /// True where no real sign was attached.
    pub simulated: bool,
    /// `bench`, `outdoors` or `service`.
    pub place: String,
    /// What the person wrote.
    pub note: String,
    /// Why that outcome.
    pub reasons: Vec<String>,
    /// Findings, the most probable first.
    pub findings: Vec<FindingNow>,
    /// Digest of the build that was tested.
    pub build_digest: String,
    /// True where it may be accepted as the baseline: a whole run that is `pass`, `marginal` or `incomplete`.
    pub acceptable: bool,
}

/// What changes all the time.
#[derive(Default)]
pub struct Live {
    /// Where the daemon is.
    pub phase: Phase,
    /// The run that goes on.
    pub run: Option<RunNow>,
    /// What a person is needed for.
    pub need: Option<String>,
    /// Sense points.
    pub points: Vec<PointNow>,
    /// State of the output lines, in words.
    pub lines: String,
    /// Findings of the run that goes on, or of the last one.
    pub findings: Vec<FindingNow>,
    /// What is remembered from boot to boot.
    pub memory: Memory,
    /// Kept runs, oldest first.
    pub kept: Vec<KeptRun>,
    /// The before-power checklist that waits for a run, or that the run which goes on has taken.
    pub handed_in: Option<HandedIn>,
    /// Why the checklist named in the configuration is not usable.
    pub checklist_trouble: Option<String>,
    /// The map found last.
    pub map: Option<FoundMap>,
    /// True once the witness said that things are in the wrong place.
    pub misplaced: bool,
}

/// What a person asks for.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted {
    /// Id of the run to be.
    pub id: String,
    /// Where the sign is.
    pub place: PlaceOfRun,
    /// A note for the list of runs.
    pub note: String,
    /// Ambient temperature, °C.
    pub ambient_c: Option<f64>,
    /// Only these stages.
    pub stages: Option<Vec<Stage>>,
}

/// What the rig's thread is told.
pub enum Command {
    /// Begin a run.
    Begin(Wanted),
    /// Find which port and position is where.
    FindMap,
    /// The build or the configuration changed.
    Reload,
    /// End.
    Quit,
}

/// An answer that cannot be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotAsked {
    /// Nothing is asked now.
    Nothing,
    /// Another question is open.
    Another,
    /// The open question is about something else.
    Otherwise,
}

/// Everything the threads share.
pub struct Shared {
    /// The build in use.
    loaded: Mutex<Arc<Loaded>>,
    /// The configuration in use.
    config: Mutex<Arc<Config>>,
    /// True where no real sign is attached.
    pub simulated: bool,
    /// Events of the page.
    pub events: EventLog,
    /// Counted for the metrics.
    pub counters: Counters,
    /// Grows with each round of readings that came back: what the watchdog is fed by.
    pub progress: AtomicU64,
    /// True while runs of earlier boots are judged.
    pub catching_up: AtomicBool,
    live: Mutex<Live>,
    stop: AtomicBool,
    stop_by: Mutex<String>,
    answers: Mutex<Option<mpsc::Sender<Said>>>,
    questions: AtomicU64,
    commands: Mutex<mpsc::Sender<Command>>,
}

fn held<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Shared {
    /// Nothing has happened yet; the receiver is for the rig's thread.
    pub fn new(config: Config, loaded: Loaded, simulated: bool) -> (Arc<Self>, mpsc::Receiver<Command>) {
        let (sender, receiver) = mpsc::channel();
        let shared = Self {
            live: Mutex::new(Live { points: points(&loaded, &config), lines: "not claimed yet".to_owned(), ..Live::default() }),
            loaded: Mutex::new(Arc::new(loaded)),
            config: Mutex::new(Arc::new(config)),
            simulated,
            events: EventLog::new(crate::rig::new_run_id()),
            counters: Counters::default(),
            progress: AtomicU64::new(0),
            catching_up: AtomicBool::new(false),
            stop: AtomicBool::new(false),
            stop_by: Mutex::default(),
            answers: Mutex::default(),
            questions: AtomicU64::new(0),
            commands: Mutex::new(sender),
        };
        (Arc::new(shared), receiver)
    }
    /// The build in use.
    pub fn loaded(&self) -> Arc<Loaded> {
        Arc::clone(&held(&self.loaded))
    }
    /// The configuration in use.
    pub fn config(&self) -> Arc<Config> {
        Arc::clone(&held(&self.config))
    }
    /// Takes another configuration and build.
    pub fn reload(&self, config: Config, loaded: Loaded) {
        self.live().points = points(&loaded, &config);
        *held(&self.loaded) = Arc::new(loaded);
        *held(&self.config) = Arc::new(config);
    }
    /// What changes all the time. Hold it briefly: the rig's thread needs it at each reading.
    pub fn live(&self) -> MutexGuard<'_, Live> {
        held(&self.live)
    }
    /// Something came back: what the watchdog is fed by.
    pub fn advance(&self) {
        self.progress.fetch_add(1, Ordering::Relaxed);
    }
    /// Directory of the runs.
    pub fn runs_dir(&self) -> PathBuf {
        self.config().state().join("runs")
    }
    /// Directory of the minute rows.
    pub fn watch_dir(&self) -> PathBuf {
        self.config().state().join("watch")
    }
    /// File of the memory; a simulated sign has its own.
    pub fn memory_file(&self) -> PathBuf {
        self.config().state().join(if self.simulated { "memory-sim.json" } else { "memory.json" })
    }
    /// File of the checklist that waits; a simulated sign has its own.
    pub fn checklist_file(&self) -> PathBuf {
        self.config().state().join(if self.simulated { "checklist-sim.json" } else { "checklist.json" })
    }
    /// File of the map found last; a simulated sign has its own.
    pub fn map_file(&self) -> PathBuf {
        self.config().state().join(if self.simulated { "map-sim.json" } else { "map.json" })
    }
    /// Asks for a run or a search; false where one goes on already, or the rig's thread is gone.
    pub fn begin(&self, command: Command) -> bool {
        {
            let mut live = self.live();
            if live.phase != Phase::Watching {
                return false;
            }
            live.phase = Phase::Running;
        }
        self.command(command)
    }
    /// Tells the rig's thread; false where it is gone.
    pub fn command(&self, command: Command) -> bool {
        held(&self.commands).send(command).is_ok()
    }

    /// Stops the run that goes on: the wall is dark within one reading.
    pub fn stop(&self, by: &str) {
        *held(&self.stop_by) = by.to_owned();
        self.stop.store(true, Ordering::SeqCst);
        if let Some(run) = &mut self.live().run {
            run.stopping = true;
        }
    }
    /// Forgets an earlier stop.
    pub fn clear_stop(&self) {
        self.stop.store(false, Ordering::SeqCst);
    }
    /// Who stopped the run; `None` while nobody has.
    pub fn stopped(&self) -> Option<String> {
        self.stop.load(Ordering::SeqCst).then(|| held(&self.stop_by).clone())
    }

    /// Puts a question on the page; the answer comes from the receiver.
    pub fn ask(&self, text: &str, about: About, mark: Option<[u8; 2]>) -> mpsc::Receiver<Said> {
        let (sender, receiver) = mpsc::channel();
        *held(&self.answers) = Some(sender);
        let id = self.questions.fetch_add(1, Ordering::SeqCst) + 1;
        let now = QuestionNow { id, text: text.to_owned(), about, mark };
        {
            let mut live = self.live();
            live.phase = Phase::Asking;
            if let Some(run) = &mut live.run {
                run.question = Some(now.clone());
            }
        }
        self.events.tell("question", &now);
        receiver
    }
    /// Takes the question off the page.
    pub fn asked(&self) {
        *held(&self.answers) = None;
        let mut live = self.live();
        live.phase = Phase::Running;
        if let Some(run) = &mut live.run {
            run.question = None;
        }
    }
    /// Answers question `id`.
    ///
    /// # Errors
    /// Where that question is not open.
    pub fn answer(&self, id: u64, said: Said) -> Result<(), NotAsked> {
        // taken under the lock, so that of two answers at once only one counts
        let mut answers = held(&self.answers);
        let open = self.live().run.as_ref().and_then(|r| r.question.as_ref()).map(|q| (q.id, q.about));
        match (open, answers.as_ref()) {
            (Some((open, _)), Some(_)) if open != id => Err(NotAsked::Another),
            (Some((_, about)), Some(_)) if about != said.about() => Err(NotAsked::Otherwise),
            (Some(_), Some(sender)) => {
                let sent = sender.send(said).map_err(|_| NotAsked::Nothing);
                *answers = None;
                sent
            }
            _ => Err(NotAsked::Nothing),
        }
    }
}

fn points(loaded: &Loaded, config: &Config) -> Vec<PointNow> {
    loaded
        .build
        .sense
        .iter()
        .zip(&loaded.trips)
        .map(|(sense, trip)| PointNow {
            sense: sense.name.clone(),
            unit: match sense.quantity {
                crate::build::Quantity::Volts => "V",
                crate::build::Quantity::Amps => "A",
                crate::build::Quantity::Celsius => "°C",
            }
            .to_owned(),
            value: None,
            missing: Some("not read yet".to_owned()),
            window: trip.map(|trip| config.watch.window_v.unwrap_or(trip)),
            alarm: None,
        })
        .collect()
}

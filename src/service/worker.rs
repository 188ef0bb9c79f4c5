//! The rig's own thread: drives the lines dark at start, watches the supply between runs, executes runs. Blocking.

use super::config::Config;
use super::live::{Command, Loaded, Phase, RunNow, Shared, Wanted};
use super::memory::{Memory, Next};
use super::person::PageWitness;
use super::watch::{Alarm, DayFiles, Rows};
use super::{handed_in, kept, map, tool};
use crate::baseline;
use crate::build::Build;
use crate::commission::{self, Request};
use crate::event::{Answer, Ending, Entry, Event, PlaceOfRun, Role, Seen, Selection, Stage, WitnessMode};
use crate::find_map;
use crate::frame::FrameSpec;
use crate::power::Verdict;
use crate::rig::{Clock, Meter, Rig};
use crate::units::Reading;
use serde_json::json;
use std::path::Path;
use std::sync::atomic::Ordering;
use std::sync::{Arc, mpsc};
use std::time::Duration;

/// A rig with the seed and the scenario text it was made from.
pub struct Opened {
    /// The rig; its witness is replaced by the page.
    pub rig: Rig,
    /// Seed of a simulated one.
    pub seed: Option<u64>,
    /// Scenario text of a simulated one.
    pub scenario: Option<String>,
}

/// The supply as it is read between runs; nothing is driven.
pub struct Watched {
    /// Sense points.
    pub meter: Box<dyn Meter>,
    /// Virtual time, where it does not pass by itself.
    pub virtual_clock: Option<Box<dyn Clock>>,
}

/// What the command line named, real or simulated. Errors are for the person at the board.
pub trait Hands: Send {
    /// Drives the lines dark and leaves them so, free for another program.
    ///
    /// # Errors
    /// Where another program holds them or they cannot be reached.
    fn darken(&self, build: &Build) -> Result<(), String>;
    /// The converters alone.
    ///
    /// # Errors
    /// Where they cannot be reached.
    fn watch(&self, build: &Build) -> Result<Watched, String>;
    /// The whole rig, for a run.
    ///
    /// # Errors
    /// Where a part of it cannot be had.
    fn run(&self, build: &Build) -> Result<Opened, String>;
}

/// Stop by the end of the daemon: the run counts as interrupted and is begun anew.
pub const DAEMON_ENDS: &str = "the end of the daemon";

/// Time between two rounds of the watch.
const ROUND: Duration = Duration::from_secs(1);
/// Converters that could not be had are tried again after this many rounds.
const RETRY_ROUNDS: u32 = 60;

/// A meter that shows each reading on the page.
struct SeenMeter {
    meter: Box<dyn Meter>,
    shared: Arc<Shared>,
    /// When each point was read last.
    last: Vec<Option<Duration>>,
}

impl Meter for SeenMeter {
    fn identify(&mut self, point: usize) -> Reading<String> {
        self.meter.identify(point)
    }
    fn read(&mut self, point: usize) -> Reading<f64> {
        let reading = self.meter.read(point);
        let now = crate::rig::since_start();
        if let Some(last) = self.last.get_mut(point)
            && let Some(before) = last.replace(now)
        {
            self.shared.counters.gap_us.fetch_max(now.saturating_sub(before).as_micros() as u64, Ordering::Relaxed);
        }
        see(&self.shared, point, &reading);
        reading
    }
    fn read_time(&self, point: usize) -> Duration {
        self.meter.read_time(point)
    }
}

fn see(shared: &Shared, point: usize, reading: &Reading<f64>) {
    let c = &shared.counters;
    let _ = if reading.is_ok() { c.readings.fetch_add(1, Ordering::Relaxed) } else { c.missing.fetch_add(1, Ordering::Relaxed) };
    if let Some(now) = shared.live().points.get_mut(point) {
        now.value = reading.as_ref().ok().copied();
        now.missing = reading.as_ref().err().map(|e| e.text().to_owned());
    }
    // a reason given in time is progress too: only a hang starves the watchdog
    shared.advance();
}

/// The supply between runs.
struct Watch {
    loaded: Arc<Loaded>,
    config: Arc<Config>,
    rows: Rows,
    files: DayFiles,
    alarms: Vec<Option<Alarm>>,
    unwritten: u32,
}

impl Watch {
    fn new(shared: &Shared) -> Self {
        let (loaded, config) = (shared.loaded(), shared.config());
        let c = &config.watch;
        let alarms =
            loaded.trips.iter().map(|trip| trip.map(|trip| Alarm::new(c.window_v.unwrap_or(trip), c.hysteresis_v, c.patience_s))).collect();
        let rows = Rows::new(loaded.build.sense.iter().map(|s| s.name.clone()).collect());
        let files = DayFiles::new(&shared.watch_dir());
        files.prune(crate::rig::wall_now_ms(), c.keep_days);
        Self { loaded, rows, files, alarms, unwritten: 0, config }
    }

    fn round(&mut self, shared: &Shared, watched: &mut Watched) {
        if let Some(clock) = &mut watched.virtual_clock {
            clock.sleep(ROUND);
        }
        if !self.config.watch.enabled || self.loaded.build.sense.is_empty() {
            shared.advance();
            return;
        }
        let readings: Vec<_> = (0..self.loaded.build.sense.len()).map(|p| watched.meter.read(p)).collect();
        let mut changed = false;
        for (point, (alarm, reading)) in self.alarms.iter_mut().zip(&readings).enumerate() {
            see(shared, point, reading);
            if let Some(alarm) = alarm
                && alarm.take(reading)
            {
                changed = true;
                tell_alarm(shared, point, alarm, reading);
            }
        }
        if let Some((start, text)) = self.rows.add(crate::rig::wall_now_ms(), &readings) {
            self.keep(start, &text);
        }
        if changed {
            self.write();
        }
    }

    fn keep(&mut self, start: i64, text: &str) {
        match self.files.add(start, text) {
            Ok(true) => tracing::warn!("the supply watch has written its share of this day; its rows go on tomorrow"),
            Ok(false) => {}
            Err(error) => tracing::error!(%error, "the supply watch cannot write; check the disk"),
        }
        self.unwritten += 1;
        if self.unwritten >= self.config.watch.flush_min {
            self.write();
            self.files.prune(start, self.config.watch.keep_days);
        }
    }

    fn write(&mut self) {
        self.unwritten = 0;
        if let Err(error) = self.files.flush() {
            tracing::error!(%error, "the supply watch cannot write; check the disk");
        }
    }

    fn close(&mut self) {
        if let Some((start, text)) = self.rows.close() {
            self.keep(start, &text);
        }
        self.write();
    }
}

fn tell_alarm(shared: &Shared, point: usize, alarm: &Alarm, reading: &Reading<f64>) {
    let raised = alarm.raised().map(|w| w.word());
    let name = {
        let mut live = shared.live();
        let Some(now) = live.points.get_mut(point) else { return };
        now.alarm = raised.map(str::to_owned);
        now.sense.clone()
    };
    match raised {
        Some(kind) => {
            shared.counters.alarms.fetch_add(1, Ordering::Relaxed);
            tracing::warn!(sense = name, kind, value = ?reading.as_ref().ok(), "supply alarm");
        }
        None => tracing::info!(sense = name, "supply alarm ended"),
    }
    shared.events.tell("alarm", &json!({ "sense": name, "alarm": raised, "value": reading.as_ref().ok() }));
}

/// Lines dark and free, whatever was before.
fn darken(shared: &Shared, hands: &dyn Hands) {
    match hands.darken(&shared.loaded().build) {
        Ok(()) => say_lines(shared, "left dark, and free for the player"),
        Err(why) => {
            tracing::warn!(why, "the output lines are not driven");
            say_lines(shared, &format!("not driven: {why}"));
        }
    }
}

fn say_lines(shared: &Shared, lines: &str) {
    lines.clone_into(&mut shared.live().lines);
    shared.events.tell("lines", &json!({ "lines": lines }));
}

/// Opens the converters between runs; `None` where they cannot be had, which is said at each sense point.
fn open_watch(shared: &Shared, hands: &dyn Hands) -> Option<Watched> {
    let loaded = shared.loaded();
    if !shared.config().watch.enabled {
        let mut live = shared.live();
        for point in &mut live.points {
            point.missing = Some("the watch is off between runs".to_owned());
        }
        return None;
    }
    match hands.watch(&loaded.build) {
        Ok(mut watched) => {
            for (point, sense) in loaded.build.sense.iter().enumerate() {
                if let Err(reason) = watched.meter.identify(point) {
                    tracing::warn!(sense = sense.name, reason = reason.text(), "a converter was not recognised");
                }
            }
            Some(watched)
        }
        Err(why) => {
            tracing::error!(why, "the supply cannot be watched");
            for point in &mut shared.live().points {
                point.value = None;
                point.missing = Some(why.clone());
            }
            None
        }
    }
}

/// What to do next, by the memory, the policy and the paper checks.
fn next(shared: &Shared) -> Next {
    let (next, trouble) = {
        let live = shared.live();
        (live.memory.next(&shared.config().first_power), live.checklist_trouble.clone())
    };
    let loaded = shared.loaded();
    if let (Next::Begin, Some(why)) = (&next, trouble) {
        return Next::Person(format!("the before-power checklist is not usable: {why}. Put it right, or begin the run without it"));
    }
    if next == Next::Begin && loaded.desk.exit_code() != 0 {
        let first = loaded.desk.checks.iter().find(|c| c.verdict == Verdict::Fail).map(|c| c.title.as_str());
        let first = first.unwrap_or("see below");
        return Next::Person(format!(
            "a paper check of this build fails ({first}), so nothing is lit by itself; look at the paper checks first"
        ));
    }
    next
}

/// What a person is needed for now.
fn settle(shared: &Shared) {
    let next = next(shared);
    let mut live = shared.live();
    live.phase = Phase::Watching;
    live.need = match next {
        Next::Person(why) => Some(why),
        Next::Begin | Next::Watch => None,
    };
    let need = live.need.clone();
    drop(live);
    if let Some(why) = &need {
        tracing::info!(why, "waiting for a person");
    }
    shared.events.tell("need", &json!({ "need": need }));
}

/// Loads the memory, closes a run that was cut off, and says what to do next.
fn remember(shared: &Shared) -> Next {
    let digest = shared.loaded().digest.clone();
    let mut memory = Memory::load(&shared.memory_file(), &digest, shared.simulated);
    if let Some(run) = memory.cut_off() {
        tracing::warn!(run, attempts = memory.interrupted, "the last run was interrupted");
        save(shared, &memory);
        let dir = shared.runs_dir().join(&run);
        if let Err(error) = tool::judge(&dir) {
            tracing::warn!(run, %error, "the interrupted run left no journal that can be judged");
        }
    }
    // also where it was accepted on the command line
    memory.accepted = match baseline::find(shared.config().state(), &digest, shared.simulated) {
        Ok(accepted) => Some(accepted.numbers.run_id),
        Err(baseline::BaselineError::None { .. }) => None,
        Err(error) => {
            tracing::warn!(%error, "the baseline is not usable");
            None
        }
    };
    let (handed_in, checklist_trouble) = handed_in::at_boot(shared, &memory);
    let map = map::load(shared, &digest);
    let mut live = shared.live();
    (live.memory, live.handed_in, live.checklist_trouble, live.map) = (memory, handed_in, checklist_trouble, map);
    drop(live);
    next(shared)
}

fn save(shared: &Shared, memory: &Memory) {
    let file = shared.memory_file();
    let made = file.parent().map_or(Ok(()), std::fs::create_dir_all);
    if let Err(error) = made.and_then(|()| memory.save(&file)) {
        tracing::error!(file = %file.display(), %error, "the memory of runs cannot be written; an interruption would go unnoticed");
    }
}

/// The thread. `ready` hears once the lines are dark, with what to do next.
pub fn work(shared: &Arc<Shared>, hands: &dyn Hands, commands: &mpsc::Receiver<Command>, ready: impl FnOnce(Next)) {
    darken(shared, hands);
    let next = remember(shared);
    settle(shared);
    ready(next);
    let kept = kept::all(&shared.runs_dir(), || shared.advance());
    shared.live().kept = kept;
    shared.events.tell("runs", &json!({}));
    let mut watched = None;
    let (mut watch, mut idle) = (Watch::new(shared), 0_u32);
    loop {
        match commands.recv_timeout(ROUND) {
            Ok(command @ (Command::Begin(_) | Command::FindMap)) => {
                watch.close();
                watched = None;
                match command {
                    Command::Begin(wanted) => run(shared, hands, wanted),
                    _ => search(shared, hands),
                }
                darken(shared, hands);
                settle(shared);
                watch = Watch::new(shared);
                idle = 0;
            }
            Ok(Command::Reload) => {
                watch.close();
                if watch.loaded.digest != shared.loaded().digest {
                    darken(shared, hands);
                    remember(shared);
                }
                watched = None;
                settle(shared);
                watch = Watch::new(shared);
                idle = 0;
            }
            Ok(Command::Quit) | Err(mpsc::RecvTimeoutError::Disconnected) => {
                watch.close();
                return;
            }
            Err(mpsc::RecvTimeoutError::Timeout) => {
                if watched.is_none() && idle.is_multiple_of(RETRY_ROUNDS) {
                    watched = open_watch(shared, hands);
                }
                idle = idle.wrapping_add(1);
                match &mut watched {
                    Some(watched) => watch.round(shared, watched),
                    // an answer, if not the one hoped for: nothing hangs
                    None => shared.advance(),
                }
            }
        }
    }
}

/// One run from its begin to its place in the list.
fn run(shared: &Arc<Shared>, hands: &dyn Hands, wanted: Wanted) {
    let loaded = shared.loaded();
    let id = wanted.id.clone();
    let dir = shared.runs_dir().join(&id);
    {
        let mut live = shared.live();
        live.memory.began(&id);
        live.phase = Phase::Running;
        live.need = None;
        live.findings.clear();
        live.misplaced = false;
        live.checklist_trouble = None;
        live.run = Some(RunNow { place: wanted.place, note: wanted.note.clone(), ..begun(shared, &id) });
        let memory = live.memory.clone();
        drop(live);
        save(shared, &memory);
    }
    say_lines(shared, "driven by the run that goes on");
    tracing::info!(run = id, "run begins");
    shared.events.tell("run", &json!({ "id": id, "state": "begun" }));
    let outcome = execute(shared, hands, wanted, &loaded, &id, &dir);
    let by_daemon = shared.stopped().is_some_and(|by| by == DAEMON_ENDS);
    let (outcome, trouble) = match outcome {
        Ok(outcome) => (outcome, None),
        Err(why) => {
            tracing::error!(run = id, why, "the run could not be carried out");
            ("error".to_owned(), Some(why))
        }
    };
    handed_in::run_ended(shared, &loaded.build, by_daemon);
    let kept = kept::one(&dir);
    let memory = {
        let mut live = shared.live();
        if by_daemon {
            live.memory.cut_off();
        } else {
            live.memory.ended(&outcome);
            live.memory.trouble.clone_from(&trouble);
        }
        if let Some(kept) = &kept {
            live.findings.clone_from(&kept.findings);
        }
        live.kept.extend(kept);
        live.run = None;
        live.memory.clone()
    };
    save(shared, &memory);
    shared.clear_stop();
    shared.counters.run(&outcome);
    tracing::info!(run = id, outcome, "run ended");
    shared.events.tell("run", &json!({ "id": id, "state": "ended", "outcome": outcome, "trouble": trouble }));
}

/// A run before its first step.
fn begun(shared: &Shared, id: &str) -> RunNow {
    RunNow {
        id: id.to_owned(),
        search: false,
        place: PlaceOfRun::default(),
        note: String::new(),
        stage: Stage::Open,
        step: 0,
        title: "setting up".to_owned(),
        done: 0.0,
        frame: FrameSpec::Black,
        frame_title: FrameSpec::Black.title(),
        alternating: false,
        stopping: shared.stopped().is_some(),
        question: None,
    }
}

/// Finds which port and position is where. No run: nothing is judged and nothing is remembered but what was found.
fn search(shared: &Arc<Shared>, hands: &dyn Hands) {
    let loaded = shared.loaded();
    let id = crate::rig::new_run_id();
    {
        let mut live = shared.live();
        live.phase = Phase::Running;
        live.need = None;
        let title = "each port and position in turn".to_owned();
        live.run = Some(RunNow { search: true, stage: Stage::Marks, title, ..begun(shared, &id) });
    }
    say_lines(shared, "driven by the search for the map");
    tracing::info!("the search for the map begins");
    shared.events.tell("search", &json!({ "state": "begun" }));
    let found = find(shared, hands, &loaded);
    let map = match found {
        Ok(map) => map,
        Err(why) => map::without(shared, vec![why]),
    };
    tracing::info!(wrong = map.wrong.len(), advice = map.advice.len(), "the search for the map ended");
    let told = json!({ "state": "ended", "wrong": map.wrong, "advice": map.advice });
    map::keep(shared, map);
    {
        let mut live = shared.live();
        live.run = None;
        live.misplaced = false;
    }
    shared.clear_stop();
    shared.events.tell("search", &told);
}

fn find(shared: &Arc<Shared>, hands: &dyn Hands, loaded: &Loaded) -> Result<map::FoundMap, String> {
    let mut rig = on_the_page(shared, hands.run(&loaded.build)?.rig);
    match find_map::find(&loaded.build, &mut rig, &|| shared.stopped()) {
        Ok(Ok(found)) => Ok(map::of(shared, &loaded.build, &loaded.source, &found)),
        Ok(Err(reasons)) => Ok(map::without(shared, reasons)),
        Err(Ending::Stopped(cause)) => Err(format!("stopped, wall dark: {}", cause.text(&loaded.build))),
        Err(Ending::Broken { message }) => Err(message),
        Err(Ending::Completed) => Err("the search ended without a result".to_owned()),
    }
}

/// The page as the person, and each reading on the page.
fn on_the_page(shared: &Arc<Shared>, rig: Rig) -> Rig {
    shared.counters.gap_us.store(0, Ordering::Relaxed);
    let last = vec![None; shared.loaded().build.sense.len()];
    let meter = Box::new(SeenMeter { meter: rig.meter, shared: Arc::clone(shared), last });
    Rig { meter, witness: Box::new(PageWitness(Arc::clone(shared))), ..rig }
}

fn execute(shared: &Arc<Shared>, hands: &dyn Hands, wanted: Wanted, loaded: &Loaded, id: &str, dir: &Path) -> Result<String, String> {
    std::fs::create_dir_all(dir).map_err(|e| format!("{}: {e}; check the state directory and the disk", dir.display()))?;
    if !wanted.note.is_empty() {
        crate::journal::write_whole(&dir.join(kept::NOTE), wanted.note.as_bytes()).map_err(|e| format!("{}: {e}", dir.display()))?;
    }
    let opened = hands.run(&loaded.build)?;
    let corrections = crate::calibration::load(shared.config().state(), &loaded.build)?;
    let rig = on_the_page(shared, opened.rig);
    let request = Request {
        build: &loaded.build,
        build_file: loaded.source.clone(),
        selection: Selection { stages: wanted.stages, ports: None, feeds: None },
        witness: WitnessMode::Ask,
        place: wanted.place,
        seed: opened.seed,
        scenario: opened.scenario,
        ambient_c: wanted.ambient_c,
        corrections,
        out: Some(dir.to_owned()),
    };
    let watcher = Arc::clone(shared);
    let mut observer = |p: &crate::run::Progress<'_>| {
        if let Some(run) = &mut watcher.live().run {
            run.stage = p.stage;
            p.title.clone_into(&mut run.title);
            run.done = p.done;
        }
    };
    let cancelled = || shared.stopped();
    commission::carry_out(request, id.to_owned(), rig, &cancelled, &mut observer, &mut |entry| tap(shared, loaded, dir, entry))
        .map_err(|e| e.to_string())?;
    // what the sign was when it was accepted goes into each later report
    match baseline::find(shared.config().state(), &loaded.digest, shared.simulated) {
        Ok(accepted) => {
            if let Err(error) = commission::keep_baseline(dir, &accepted.numbers) {
                tracing::warn!(%error, "the run could not be compared with the baseline");
            }
        }
        Err(baseline::BaselineError::None { .. }) => {}
        Err(error) => tracing::warn!(%error, "the baseline is not usable"),
    }
    tool::judge(dir).map_err(|e| format!("the run could not be judged: {e}"))?;
    kept::one(dir).map(|kept| kept.outcome).ok_or_else(|| "the report of the run cannot be read".to_owned())
}

/// Tells the page what went into the journal.
fn tap(shared: &Arc<Shared>, loaded: &Loaded, dir: &Path, entry: &Entry) {
    match &entry.event {
        Event::StageStarted { stage } => {
            tracing::info!(stage = stage.word(), "stage begins");
            shared.events.tell("stage", &json!({ "stage": stage, "state": "begun" }));
        }
        Event::StageEnded { stage } => {
            shared.events.tell("stage", &json!({ "stage": stage, "state": "ended" }));
            if matches!(stage, Stage::Sweep | Stage::Marks | Stage::Climb | Stage::Hold) {
                preview(shared, dir);
            }
        }
        Event::StepStarted { step, frame, .. } => {
            let told = {
                let mut live = shared.live();
                let Some(run) = &mut live.run else { return };
                run.step = *step;
                run.frame = *frame;
                run.frame_title = frame.title();
                run.alternating = run.stage == Stage::Sweep;
                json!({ "step": step, "stage": run.stage, "title": run.title, "frame": frame, "done": run.done })
            };
            shared.events.tell("step", &told);
        }
        Event::Readings { step, role: Role::Steady, points, .. } => {
            let means: Vec<_> = points.iter().map(|p| mean(&p.values)).collect();
            shared.events.tell("window", &json!({ "step": step, "means": means }));
        }
        Event::Witnessed { step, answer, .. } => {
            if is_misplaced(answer) {
                shared.live().misplaced = true;
            }
            shared.events.tell("answer", &json!({ "step": step, "answer": answer }));
        }
        Event::ByHand { reading, .. } => {
            shared.events.tell("by-hand", &json!({ "item": reading.item, "value": reading.value }));
        }
        Event::StepSkipped { step, why } => {
            shared.events.tell("skipped", &json!({ "step": step, "why": why }));
        }
        Event::Blanked { after_s, cause } => {
            let cause = cause.text(&loaded.build);
            tracing::warn!(cause, after_s, "wall blanked");
            shared.events.tell("blanked", &json!({ "cause": cause, "after_s": after_s }));
            dark(shared);
        }
        Event::RunEnded { .. } => {
            dark(shared);
            shared.live().phase = Phase::Judging;
            shared.events.tell("run", &json!({ "state": "judging" }));
        }
        _ => {}
    }
}

fn dark(shared: &Shared) {
    if let Some(run) = &mut shared.live().run {
        run.dark();
    }
}

/// Whether a witness says that a picture is not where it belongs.
fn is_misplaced(answer: &Answer) -> bool {
    let Answer::Differs(list) = answer else { return false };
    list.iter().any(|d| matches!(d.seen, Seen::PictureOf { .. } | Seen::Turned { .. }))
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Judges what the journal has so far, beside the run.
fn preview(shared: &Arc<Shared>, dir: &Path) {
    let (shared, dir) = (Arc::clone(shared), dir.to_owned());
    let spawned = std::thread::Builder::new().name("findings".to_owned()).spawn(move || {
        let judged = tool::report_so_far(&dir).map_err(|e| e.to_string());
        let findings = match judged.and_then(|report| kept::findings(&report).map_err(|e| e.to_string())) {
            Ok(findings) => findings,
            Err(error) => {
                tracing::warn!(error, "findings so far are not judged");
                return;
            }
        };
        let mut live = shared.live();
        if live.run.as_ref().is_some_and(|r| dir.ends_with(&r.id)) {
            live.findings.clone_from(&findings);
            drop(live);
            shared.events.tell("findings", &json!({ "findings": findings }));
        }
    });
    if let Err(error) = spawned {
        tracing::warn!(%error, "findings so far are not judged");
    }
}

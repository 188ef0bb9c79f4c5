//! The rig's own thread: drives the lines dark at start, watches the supply between runs, executes runs. Blocking.

use super::config::Config;
use super::live::{Command, Loaded, Phase, Shared};
use super::memory::{Memory, Next};
use super::on_page::see;
use super::watch::{Alarm, DayFiles, Rows};
use super::{execute, handed_in, kept, map, search, tool};
use crate::baseline;
use crate::build::Build;
use crate::power::Verdict;
use crate::rig::{Clock, Meter, Rig};
use crate::units::Reading;
use serde_json::json;
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
        Ok(()) => say_lines(shared, "left dark, and free for other programs"),
        Err(why) => {
            tracing::warn!(why, "the output lines are not driven");
            say_lines(shared, &format!("not driven: {why}"));
        }
    }
}

pub(super) fn say_lines(shared: &Shared, lines: &str) {
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

/// What is known at boot, or of another build.
struct Known {
    next: Next,
    /// A run that was cut off and is not judged yet.
    cut_off: Option<String>,
}

/// Loads the memory, counts a run that was cut off, and says what to do next. Quick: judging comes after.
fn remember(shared: &Shared) -> Known {
    let digest = shared.loaded().digest.clone();
    let mut memory = Memory::load(&shared.memory_file(), &digest, shared.simulated);
    let cut_off = memory.cut_off();
    if let Some(run) = &cut_off {
        tracing::warn!(run, attempts = memory.interrupted, "the last run was interrupted");
        save(shared, &memory);
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
    Known { next: next(shared), cut_off }
}

/// Judges what earlier boots left, and lists the kept runs. A slow board may take long for it: the daemon is ready meanwhile.
fn catch_up(shared: &Shared, cut_off: Option<String>) {
    shared.catching_up.store(true, Ordering::Relaxed);
    if let Some(run) = cut_off {
        // also where it left a report: the last of its files may be missing
        match tool::judge(&shared.runs_dir().join(&run)) {
            Ok(()) => tracing::info!(run, "the interrupted run is judged"),
            Err(error) => tracing::warn!(run, %error, "the interrupted run left no journal that can be judged"),
        }
        shared.advance();
    }
    let kept = kept::all(&shared.runs_dir(), || shared.advance());
    shared.live().kept = kept;
    shared.catching_up.store(false, Ordering::Relaxed);
    shared.events.tell("runs", &json!({}));
}

pub(super) fn save(shared: &Shared, memory: &Memory) {
    let file = shared.memory_file();
    let made = file.parent().map_or(Ok(()), std::fs::create_dir_all);
    if let Err(error) = made.and_then(|()| memory.save(&file)) {
        tracing::error!(file = %file.display(), %error, "the memory of runs cannot be written; an interruption would go unnoticed");
    }
}

/// The thread. `ready` hears once the lines are dark, with what to do next.
pub fn work(shared: &Arc<Shared>, hands: &dyn Hands, commands: &mpsc::Receiver<Command>, ready: impl FnOnce(Next)) {
    darken(shared, hands);
    tracing::info!(ms = crate::rig::since_start().as_secs_f64() * 1e3, lines = shared.live().lines, "lines are settled");
    let known = remember(shared);
    settle(shared);
    ready(known.next);
    catch_up(shared, known.cut_off);
    let mut watched = None;
    let (mut watch, mut idle) = (Watch::new(shared), 0_u32);
    loop {
        match commands.recv_timeout(ROUND) {
            Ok(command @ (Command::Begin(_) | Command::FindMap)) => {
                watch.close();
                watched = None;
                match command {
                    Command::Begin(wanted) => execute::run(shared, hands, wanted),
                    _ => search::search(shared, hands),
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
                    let known = remember(shared);
                    catch_up(shared, known.cut_off);
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

//! The executor: set-up, stages, tear-down that always happens, interlock, cancellation. Emits events, decides
//! nothing about the sign.

use crate::build::{Build, Quantity};
use crate::event::{Answer, Ending, Entry, Event, PointReadings, Question, Role, Stage, Stamp, StopCause, WitnessMode};
use crate::frame::FrameSpec;
use crate::journal::Sink;
use crate::plan::{Action, Pictures, Plan, Step};
use crate::rig::{Nobody, Rig};
use crate::units::Reading;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::time::Duration;

/// A converter may be silent for this long.
const SILENCE_S: f64 = 0.2;
/// A response beyond this multiple of the expected one, and this many volts, is far above prediction.
const RESPONSE_FACTOR: f64 = 3.0;
const RESPONSE_V: f64 = 0.25;
/// A written block of the hold covers this many rounds of readings.
const HOLD_BLOCK: usize = 40;

/// Where a run is, for a display.
pub struct Progress<'a> {
    /// Stage.
    pub stage: Stage,
    /// Step in words.
    pub title: &'a str,
    /// Last reading of the first volts point.
    pub volts: Option<f64>,
    /// Share of the planned time done, 0 to 1.
    pub done: f64,
}

/// Why a step could not go on.
enum Halt {
    Stop(StopCause, Stamp),
    Broken(String),
}

impl From<std::io::Error> for Halt {
    fn from(e: std::io::Error) -> Self {
        Self::Broken(format!("the journal cannot be written ({e}); check the disk: it may be full or read-only"))
    }
}

impl From<crate::rig::RigError> for Halt {
    fn from(e: crate::rig::RigError) -> Self {
        Self::Broken(e.to_string())
    }
}

struct Runner<'a> {
    build: &'a Build,
    plan: &'a Plan,
    rig: &'a mut Rig,
    pictures: &'a mut dyn Pictures,
    sink: &'a mut dyn Sink,
    cancelled: &'a dyn Fn() -> Option<String>,
    seq: u64,
    silent_since: Vec<Option<Stamp>>,
    last_volts: Option<f64>,
    /// Lit fraction and mean per point of the climb so far.
    climbed: Vec<(f64, Vec<Option<f64>>)>,
}

/// Runs a plan and returns how it ended; the same stands in the journal as far as that could be written. The wall
/// is dark when this returns, also where a part of the rig panics.
#[expect(clippy::too_many_arguments, reason = "each is one collaborator; a struct would only move the list")]
pub fn run(
    build: &Build,
    plan: &Plan,
    started: Event,
    rig: &mut Rig,
    pictures: &mut dyn Pictures,
    sink: &mut dyn Sink,
    cancelled: &dyn Fn() -> Option<String>,
    observer: &mut dyn FnMut(&Progress<'_>),
) -> Ending {
    let witness = match &started {
        Event::RunStarted { witness, .. } => *witness,
        _ => WitnessMode::None,
    };
    let silent_since = vec![None; build.sense.len()];
    let mut runner = Runner { build, plan, rig, pictures, sink, cancelled, seq: 0, silent_since, last_volts: None, climbed: Vec::new() };
    let result = catch_unwind(AssertUnwindSafe(|| runner.stages(started, witness, observer)));
    let blanked = runner.rig.output.blank();
    let result = match result {
        Ok(result) => result,
        Err(panic) => resume_unwind(panic),
    };
    let mut ending = match result {
        Ok(()) => Ending::Completed,
        Err(Halt::Broken(message)) => Ending::Broken { message },
        Err(Halt::Stop(cause, since)) => {
            let after_s = runner.rig.clock.now().since(since);
            match runner.emit(Event::Blanked { after_s, cause: cause.clone() }) {
                Ok(()) => Ending::Stopped(cause),
                Err(Halt::Broken(message)) => Ending::Broken { message },
                Err(Halt::Stop(..)) => Ending::Stopped(cause),
            }
        }
    };
    if let Err(error) = blanked {
        ending = Ending::Broken { message: format!("{error}; switch the supply off") };
    }
    if let Err(Halt::Broken(message)) = runner.emit(Event::RunEnded { ending: ending.clone() }) {
        ending = Ending::Broken { message };
    }
    ending
}

impl Runner<'_> {
    fn emit(&mut self, event: Event) -> Result<(), Halt> {
        let entry = Entry { seq: self.seq, at: self.rig.clock.now(), event };
        self.sink.record(&entry)?;
        self.seq += 1;
        Ok(())
    }

    fn stages(&mut self, started: Event, witness: WitnessMode, observer: &mut dyn FnMut(&Progress<'_>)) -> Result<(), Halt> {
        self.emit(started)?;
        self.rig.output.claim()?;
        self.rig.output.blank()?;
        let mut stage = None;
        let mut seconds = 0.0;
        let plan = self.plan;
        for step in &plan.steps {
            if stage != Some(step.stage) {
                if let Some(before) = stage {
                    self.rig.output.blank()?;
                    self.emit(Event::StageEnded { stage: before })?;
                }
                self.emit(Event::StageStarted { stage: step.stage })?;
                stage = Some(step.stage);
            }
            observer(&Progress { stage: step.stage, title: &step.title, volts: self.last_volts, done: seconds / plan.seconds.max(1e-9) });
            self.step(step, witness)?;
            seconds += step.seconds;
        }
        if let Some(last) = stage {
            self.rig.output.blank()?;
            self.emit(Event::StageEnded { stage: last })?;
        }
        Ok(())
    }

    fn step(&mut self, step: &Step, witness: WitnessMode) -> Result<(), Halt> {
        self.emit(Event::StepStarted { step: step.number, frame: step.frame, duty: step.duty })?;
        match &step.action {
            Action::Open => self.open(step),
            Action::Steady => {
                if step.stage == Stage::Climb {
                    self.predict(step)?;
                }
                self.show(step.number, step.frame, step.duty)?;
                let points = self.window(step, 0, Role::Steady)?;
                if step.stage == Stage::Climb {
                    self.climbed.push((lit_of(step.frame), points.iter().map(mean).collect()));
                }
                Ok(())
            }
            Action::Bracket { cycles } => self.bracket(step, *cycles),
            Action::Ask { text } => {
                if witness == WitnessMode::None {
                    return self.emit(Event::StepSkipped { step: step.number, why: "nobody was asked what is on the wall".to_owned() });
                }
                self.show(step.number, step.frame, step.duty)?;
                self.health()?;
                let question = Question { frame: step.frame, text: text.clone() };
                let answer = self.ask(&question)?;
                let absent = answer == Answer::Absent;
                self.round()?;
                self.emit(Event::Witnessed { step: step.number, question, answer })?;
                if absent { self.emit(Event::StepSkipped { step: step.number, why: "nobody answered".to_owned() }) } else { Ok(()) }
            }
            Action::Hold { seconds, interval_s } => self.hold(step, *seconds, *interval_s),
        }
    }

    /// Asks the witness with the interlock on: a person may take hours.
    fn ask(&mut self, question: &Question) -> Result<Answer, Halt> {
        let expected = self.pictures.frame(&question.frame);
        let mut person = std::mem::replace(&mut self.rig.witness, Box::new(Nobody));
        let mut halted = None;
        let answer = person.ask_while(question, &expected, &mut || {
            halted = self.round().and_then(|_| self.health()).and_then(|()| self.cancel()).err();
            halted.is_none()
        });
        self.rig.witness = person;
        halted.map_or(Ok(answer), Err)
    }

    fn open(&mut self, step: &Step) -> Result<(), Halt> {
        let mut found_any = self.build.sense.is_empty();
        for point in 0..self.build.sense.len() {
            let found = self.rig.meter.identify(point);
            found_any |= found.is_ok();
            self.emit(Event::Converter { point, found })?;
        }
        let facts = self.rig.health.read();
        self.emit(Event::Board(facts))?;
        if !found_any {
            return Err(Halt::Broken(
                "no converter answers; nothing was lit. Check its wiring and address, and that the I²C bus is enabled".to_owned(),
            ));
        }
        self.health()?;
        self.window(step, 0, Role::Steady).map(|_| ())
    }

    fn show(&mut self, step: u32, frame: FrameSpec, duty: u16) -> Result<(), Halt> {
        let program = self.pictures.program(&frame, duty);
        self.rig.output.show(&program)?;
        if frame != FrameSpec::Black {
            self.emit(Event::Shown { step, frame })?;
        }
        Ok(())
    }

    fn health(&mut self) -> Result<(), Halt> {
        if self.rig.health.read().undervoltage == Some(true) {
            return Err(Halt::Stop(StopCause::Undervoltage, self.rig.clock.now()));
        }
        Ok(())
    }

    fn cancel(&mut self) -> Result<(), Halt> {
        let Some(by) = (self.cancelled)() else { return Ok(()) };
        self.rig.output.blank()?;
        Err(Halt::Stop(StopCause::Cancelled { by }, self.rig.clock.now()))
    }

    /// One reading with the interlock on.
    fn read(&mut self, point: usize) -> Result<Reading<f64>, Halt> {
        let reading = self.rig.meter.read(point);
        let now = self.rig.clock.now();
        match reading {
            Ok(value) => {
                self.silent_since[point] = None;
                if let Some(window) = self.plan.trips[point] {
                    if !(window[0]..=window[1]).contains(&value) {
                        self.rig.output.blank()?;
                        return Err(Halt::Stop(StopCause::Volts { point, value, window }, now));
                    }
                    if point == 0 || self.last_volts.is_none() {
                        self.last_volts = Some(value);
                    }
                }
            }
            Err(reason) => {
                let since = *self.silent_since[point].get_or_insert(now);
                let seconds = now.since(since);
                if seconds > SILENCE_S {
                    self.rig.output.blank()?;
                    return Err(Halt::Stop(StopCause::Silent { point, reason, seconds }, now));
                }
            }
        }
        self.cancel()?;
        Ok(reading)
    }

    /// One reading of every point.
    fn round(&mut self) -> Result<Vec<Reading<f64>>, Halt> {
        (0..self.build.sense.len()).map(|p| self.read(p)).collect()
    }

    /// A window of readings, kept in the journal also where it was cut short by a trip.
    fn window(&mut self, step: &Step, cycle: u32, role: Role) -> Result<Vec<PointReadings>, Halt> {
        let mut block = Block::new(self.build.sense.len());
        let mut halted = None;
        for _ in 0..step.samples {
            match self.round() {
                Ok(readings) => block.add(self.rig.clock.now(), readings),
                Err(halt) => {
                    halted = Some(halt);
                    break;
                }
            }
        }
        let points = block.points.clone();
        if let Some(event) = block.event(step.number, cycle, role) {
            self.emit(event)?;
        }
        match halted {
            Some(halt) => Err(halt),
            None => {
                self.health()?;
                Ok(points)
            }
        }
    }

    fn bracket(&mut self, step: &Step, cycles: u32) -> Result<(), Halt> {
        self.show(step.number, FrameSpec::Black, step.duty)?;
        let mut before = self.window(step, 0, Role::Reference)?;
        for cycle in 0..cycles {
            self.show(step.number, step.frame, step.duty)?;
            let lit = self.window(step, cycle, Role::Lit)?;
            self.far_above(step, &before, &lit)?;
            self.show(step.number, FrameSpec::Black, step.duty)?;
            before = self.window(step, cycle + 1, Role::Reference)?;
        }
        Ok(())
    }

    fn far_above(&mut self, step: &Step, dark: &[PointReadings], lit: &[PointReadings]) -> Result<(), Halt> {
        for (point, (dark, lit)) in dark.iter().zip(lit).enumerate() {
            if let (Some(d), Some(l), Some(expected), Quantity::Volts) =
                (mean(dark), mean(lit), step.expected[point], self.build.sense[point].quantity)
            {
                let value = l - d;
                if value.abs() > expected.abs() * RESPONSE_FACTOR + RESPONSE_V {
                    self.rig.output.blank()?;
                    return Err(Halt::Stop(StopCause::Response { point, value, expected }, self.rig.clock.now()));
                }
            }
        }
        Ok(())
    }

    /// The next climb step by a straight line through the last two: refused where it would leave the trip window.
    fn predict(&mut self, step: &Step) -> Result<(), Halt> {
        let [.., (l0, v0), (l1, v1)] = &self.climbed[..] else { return Ok(()) };
        let level = lit_of(step.frame);
        for (point, trip) in self.plan.trips.iter().enumerate() {
            if let (Some(window), Some(a), Some(b)) = (trip, v0[point], v1[point])
                && l1 > l0
            {
                let value = b + (b - a) / (l1 - l0) * (level - l1);
                if value < window[0] {
                    let cause = StopCause::Volts { point, value, window: *window };
                    self.rig.output.blank()?;
                    return Err(Halt::Stop(cause, self.rig.clock.now()));
                }
            }
        }
        Ok(())
    }

    fn hold(&mut self, step: &Step, seconds: f64, interval_s: f64) -> Result<(), Halt> {
        self.show(step.number, step.frame, step.duty)?;
        let start = self.rig.clock.now();
        let mut block = Block::new(self.build.sense.len());
        let mut halted = None;
        let mut cycle = 0;
        let mut round = 0_u32;
        while self.rig.clock.now().since(start) < seconds {
            match self.round() {
                Ok(readings) => block.add(self.rig.clock.now(), readings),
                Err(halt) => {
                    halted = Some(halt);
                    break;
                }
            }
            round += 1;
            if block.rounds() == HOLD_BLOCK {
                let full = std::mem::replace(&mut block, Block::new(self.build.sense.len()));
                if let Some(event) = full.event(step.number, cycle, Role::Steady) {
                    self.emit(event)?;
                }
                cycle += 1;
                self.health()?;
            }
            let due = f64::from(round) * interval_s - self.rig.clock.now().since(start);
            if due > 0.0 {
                self.rig.clock.sleep(Duration::from_secs_f64(due));
            }
        }
        if let Some(event) = block.event(step.number, cycle, Role::Steady) {
            self.emit(event)?;
        }
        halted.map_or(Ok(()), Err)
    }
}

fn lit_of(frame: FrameSpec) -> f64 {
    if let FrameSpec::Level(thousandths) = frame { f64::from(thousandths) / 1000.0 } else { 0.0 }
}

fn mean(points: &PointReadings) -> Option<f64> {
    (!points.values.is_empty()).then(|| points.values.iter().sum::<f64>() / points.values.len() as f64)
}

/// Readings collected for one event.
struct Block {
    from: Option<Stamp>,
    to: Option<Stamp>,
    points: Vec<PointReadings>,
}

impl Block {
    fn new(points: usize) -> Self {
        let points = (0..points).map(|point| PointReadings { point, values: Vec::new(), missing: Vec::new() }).collect();
        Self { from: None, to: None, points }
    }
    fn rounds(&self) -> usize {
        self.points.first().map_or(0, |p| p.values.len() + p.missing.len())
    }
    fn add(&mut self, now: Stamp, readings: Vec<Reading<f64>>) {
        self.from.get_or_insert(now);
        self.to = Some(now);
        for (point, reading) in self.points.iter_mut().zip(readings) {
            match reading {
                // a hundredth of a microvolt is far below any converter's step
                Ok(value) => point.values.push((value * 1e8).round() / 1e8),
                Err(reason) => point.missing.push(((point.values.len() + point.missing.len()) as u32, reason)),
            }
        }
    }
    fn event(self, step: u32, cycle: u32, role: Role) -> Option<Event> {
        Some(Event::Readings { step, cycle, role, from: self.from?, to: self.to?, points: self.points })
    }
}

/// Shows one frame until cancelled or for `for_s` seconds, with the interlock on; readings every half second go to
/// `reader` with the seconds so far. The wall is dark when this returns.
#[expect(clippy::too_many_arguments, reason = "each is one collaborator; a struct would only move the list")]
pub fn show_hold(
    build: &Build,
    plan: &Plan,
    frame: FrameSpec,
    duty: u16,
    for_s: Option<f64>,
    rig: &mut Rig,
    pictures: &mut dyn Pictures,
    cancelled: &dyn Fn() -> Option<String>,
    reader: &mut dyn FnMut(f64, &[Reading<f64>]),
) -> Ending {
    struct Nowhere;
    impl Sink for Nowhere {
        fn record(&mut self, _: &Entry) -> std::io::Result<()> {
            Ok(())
        }
    }
    let silent_since = vec![None; build.sense.len()];
    let mut runner =
        Runner { build, plan, rig, pictures, sink: &mut Nowhere, cancelled, seq: 0, silent_since, last_volts: None, climbed: Vec::new() };
    let mut hold = || -> Result<(), Halt> {
        runner.rig.output.claim()?;
        for point in 0..build.sense.len() {
            let _ = runner.rig.meter.identify(point);
        }
        runner.show(0, frame, duty)?;
        let start = runner.rig.clock.now();
        let mut next = 0.0;
        loop {
            let readings = runner.round()?;
            let seconds = runner.rig.clock.now().since(start);
            if seconds >= next {
                reader(seconds, &readings);
                next += 0.5;
            }
            if for_s.is_some_and(|limit| seconds >= limit) {
                return Ok(());
            }
            if build.sense.is_empty() {
                runner.rig.clock.sleep(Duration::from_millis(50));
                if let Some(by) = (runner.cancelled)() {
                    return Err(Halt::Stop(StopCause::Cancelled { by }, runner.rig.clock.now()));
                }
            }
        }
    };
    let result = hold();
    let blanked = runner.rig.output.blank();
    match (result, blanked) {
        (_, Err(e)) => Ending::Broken { message: format!("{e}; switch the supply off") },
        (Ok(()), _) => Ending::Completed,
        (Err(Halt::Stop(cause, _)), _) => Ending::Stopped(cause),
        (Err(Halt::Broken(message)), _) => Ending::Broken { message },
    }
}

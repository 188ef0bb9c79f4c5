//! Runs the steps of a plan on a rig.

use super::interlock::{self, Interlock};
use super::{Progress, supply_point};
use crate::build::{Build, Quantity};
use crate::calibration::Correction;
use crate::checklist;
use crate::event::{Answer, Checklist, Entry, Event, PointReadings, Question, Role, Stage, Stamp, StopCause, WitnessMode};
use crate::frame::FrameSpec;
use crate::journal::Sink;
use crate::meter::{
    self,
    sequential::{Sequential, Wanted},
};
use crate::plan::{Action, Pictures, Plan, Step, WINDOW_S};
use crate::rig::{Nobody, Rig, RigError, Witness};
use crate::units::{NoReading, Reading};
use std::time::Duration;

/// Readings of the hold are recorded in blocks of this many seconds: the journal syncs each.
const HOLD_BLOCK_S: f64 = 4.0;
/// Rounds of readings after a change of picture within which they should settle.
const SETTLE_ROUNDS: usize = 8;
/// Two rounds that differ by less than this, in the point's unit, are settled.
const SETTLED: f64 = 0.003;
/// Rounds of readings after a trip.
const AFTER_ROUNDS: usize = 16;
/// Board health is read every this many rounds of the hold.
const HEALTH_ROUNDS: u64 = 10;

/// Why the steps ended early.
pub(super) enum Halt {
    Stop(StopCause),
    Broken(String),
}

impl From<std::io::Error> for Halt {
    fn from(e: std::io::Error) -> Self {
        Self::Broken(journal_broke(&e))
    }
}

/// A failed journal in words.
pub(super) fn journal_broke(error: &std::io::Error) -> String {
    format!("the journal cannot be written ({error}); check the disk: it may be full or read-only")
}

impl From<RigError> for Halt {
    fn from(e: RigError) -> Self {
        Self::Broken(e.to_string())
    }
}

/// What a run holds while it goes; the tear-down is its caller's.
pub(super) struct Executor<'a> {
    build: &'a Build,
    pub(super) rig: &'a mut Rig,
    pictures: &'a mut dyn Pictures,
    sink: &'a mut dyn Sink,
    cancel: &'a dyn Fn() -> Option<String>,
    seq: &'a mut u64,
    interlock: Interlock,
    /// The converters' steps at the sense points.
    steps: Vec<f64>,
    /// Last good reading of each point.
    last: Vec<Option<f64>>,
    /// Latest reading of each point, good or not.
    latest: Vec<Reading<f64>>,
    /// Per point, response limits while a bracket's lit window is read: reference mean and expected response.
    watch: Vec<Option<(f64, f64)>>,
    /// Mean levels read so far, by lit fraction of white: for predicting the next.
    levels: Vec<(f64, Vec<Option<f64>>)>,
    deadline: Option<(Stamp, f64)>,
    sequential: Sequential,
    /// Number of the step being run.
    number: u32,
}

impl<'a> Executor<'a> {
    #[expect(clippy::too_many_arguments, reason = "each is one collaborator; a struct would only move the list")]
    pub(super) fn new(
        build: &'a Build,
        trips: &[Option<[f64; 2]>],
        corrections: &[Correction],
        rig: &'a mut Rig,
        pictures: &'a mut dyn Pictures,
        sink: &'a mut dyn Sink,
        cancel: &'a dyn Fn() -> Option<String>,
        seq: &'a mut u64,
    ) -> Self {
        let points = build.sense.len();
        Self {
            build,
            rig,
            pictures,
            sink,
            cancel,
            seq,
            interlock: Interlock::new(build, trips),
            steps: build
                .sense
                .iter()
                .map(|p| meter::point_uncertainty(build, p).lsb * corrections.iter().find(|c| c.sense == p.name).map_or(1.0, |c| c.gain))
                .collect(),
            last: vec![None; points],
            latest: vec![Err(NoReading::NotPresent); points],
            watch: vec![None; points],
            levels: Vec::new(),
            deadline: None,
            sequential: Sequential::new(points),
            number: 0,
        }
    }

    pub(super) fn plan(
        &mut self,
        plan: &Plan,
        header: Event,
        corrections: &[Correction],
        witness: WitnessMode,
        observer: &mut dyn FnMut(&Progress<'_>),
    ) -> Result<(), Halt> {
        // dark before anything else, the record included
        self.rig.output.blank()?;
        self.emit(header)?;
        for correction in corrections {
            self.emit(Event::Calibrated(correction.clone()))?;
        }
        self.before_power()?;
        self.claim()?;
        let mut current = None;
        let mut before = 0.0;
        let point = supply_point(self.build);
        for step in &plan.steps {
            if let Some(list) = self.rig.witness.handed_in_late() {
                self.found_by_hand(list)?;
            }
            if current != Some(step.stage) {
                self.end_stage(current)?;
                self.emit(Event::StageStarted { stage: step.stage })?;
                current = Some(step.stage);
            }
            let report = |this: &Self, within: f64, observer: &mut dyn FnMut(&Progress<'_>)| {
                let done = if plan.seconds > 0.0 { ((before + within * step.seconds) / plan.seconds).clamp(0.0, 1.0) } else { 1.0 };
                let volts = point.and_then(|p| this.last[p]);
                let steps = plan.steps.len() as u32;
                observer(&Progress { stage: step.stage, step: step.number, steps, title: &step.title, volts, done });
            };
            report(self, 0.0, observer);
            self.step(step, witness, &mut |this, within| report(this, within, observer))?;
            report(self, 1.0, observer);
            before += step.seconds;
        }
        self.end_stage(current)?;
        // how the scan thread fared is known only now
        let facts = self.rig.health.read();
        if facts.scan.is_some() { self.emit(Event::Board(facts)) } else { Ok(()) }
    }

    /// What was found by hand before power: an answer or a reading outside its limits ends the run before a line is driven.
    fn before_power(&mut self) -> Result<(), Halt> {
        match self.rig.witness.before_power(self.build) {
            Some(list) => self.found_by_hand(list),
            None => Ok(()),
        }
    }

    fn found_by_hand(&mut self, list: Checklist) -> Result<(), Halt> {
        let stop = checklist::stop(self.build, &list);
        self.emit(Event::Checklist(list))?;
        stop.map_or(Ok(()), |why| Err(Halt::Stop(StopCause::ByHand { why })))
    }

    /// Asks for the hottest joint at the end of the hold. Dark: the person measures behind the wall.
    fn hottest_joint(&mut self) -> Result<(), Halt> {
        self.rig.output.blank()?;
        self.sink.flush()?;
        // a person takes their time
        self.deadline = None;
        match self.ask_person(|person, idle| person.hottest_joint(idle))? {
            Some((reading, who)) => self.emit(Event::ByHand { reading, who }),
            None => Ok(()),
        }
    }

    /// Takes the lines, dark.
    pub(super) fn claim(&mut self) -> Result<(), Halt> {
        if self.build.sense.is_empty() {
            return Err(Halt::Broken("the build has no sense point, so no interlock can watch the supply; add one to [[sense]]".into()));
        }
        self.rig.output.claim()?;
        Ok(self.rig.output.blank()?)
    }

    /// Asks every chip who it is.
    pub(super) fn identify(&mut self) -> Result<Vec<Reading<String>>, Halt> {
        (0..self.build.sense.len())
            .map(|point| {
                self.cancelled()?;
                Ok(self.rig.meter.identify(point))
            })
            .collect()
    }

    fn end_stage(&mut self, stage: Option<Stage>) -> Result<(), Halt> {
        let Some(stage) = stage else { return Ok(()) };
        self.rig.output.blank()?;
        self.emit(Event::StageEnded { stage })
    }

    fn step(&mut self, step: &Step, witness: WitnessMode, report: &mut dyn FnMut(&Self, f64)) -> Result<(), Halt> {
        if let (Action::Ask { .. }, WitnessMode::None) = (&step.action, witness) {
            self.cancelled()?;
            return self.emit(Event::StepSkipped { step: step.number, why: "no witness: nobody looks at the wall in this run".into() });
        }
        self.number = step.number;
        self.predict(step)?;
        self.emit(Event::StepStarted { step: step.number, frame: step.frame, duty: step.duty })?;
        self.deadline = step.deadline_s().map(|s| (self.rig.clock.now(), s));
        let result = match &step.action {
            Action::Open => self.open(step),
            Action::Steady => self.steady(step),
            Action::Bracket { cycles, wanted } => self.bracket(step, *cycles, wanted, report),
            Action::Ask { text } => self.ask(step, text),
            Action::Hold { seconds, interval_s } => self.hold(step, *seconds, *interval_s, report),
        };
        self.deadline = None;
        result
    }

    fn open(&mut self, step: &Step) -> Result<(), Halt> {
        let identified = self.identify()?;
        let found = identified.iter().filter(|i| i.is_ok()).count();
        for (point, found) in identified.into_iter().enumerate() {
            self.emit(Event::Converter { point, found })?;
        }
        let facts = self.rig.health.read();
        self.emit(Event::Board(facts))?;
        if found == 0 {
            let text = "no converter answers at any sense point; check that the bus is enabled, its two wires, the converter's supply and its address";
            return Err(Halt::Broken(text.into()));
        }
        // nothing is clocked here: the lines are dark since they were claimed
        let means = self.window(step, 0, Role::Steady, WINDOW_S)?;
        self.learn(step, means);
        Ok(())
    }

    fn steady(&mut self, step: &Step) -> Result<(), Halt> {
        self.show(step, step.frame, step.duty)?;
        let means = self.window(step, 0, Role::Steady, WINDOW_S)?;
        self.learn(step, means);
        Ok(())
    }

    /// References lie between the lit windows and are shared by both neighbours: cycle `k` is lit between
    /// references `k` and `k + 1`. Goes on until the response is known as wanted, at most `most` times.
    fn bracket(&mut self, step: &Step, most: u32, wanted: &Wanted, report: &mut dyn FnMut(&Self, f64)) -> Result<(), Halt> {
        let mut before = self.reference(step, 0)?;
        let mut responses: Vec<Vec<Option<f64>>> = Vec::new();
        for cycle in 0..most {
            self.watch = before.iter().zip(&step.expected).map(|(r, e)| r.zip(*e)).collect();
            let lit = self.show(step, step.frame, step.duty).and_then(|()| self.window(step, cycle, Role::Lit, WINDOW_S));
            self.watch.fill(None);
            let lit = lit?;
            let after = self.reference(step, cycle + 1)?;
            let response = |p: usize| Some(lit[p]? - f64::midpoint(before[p]?, after[p]?));
            responses.push((0..lit.len()).map(response).collect());
            before = after;
            if self.sequential.enough(wanted, &step.expected, &responses) {
                break;
            }
            report(self, (f64::from(cycle + 1) / f64::from(wanted.least.max(1) + 1)).min(1.0));
        }
        self.sequential.learn(&responses);
        Ok(())
    }

    fn reference(&mut self, step: &Step, cycle: u32) -> Result<Vec<Option<f64>>, Halt> {
        self.show(step, FrameSpec::Black, step.duty)?;
        self.window(step, cycle, Role::Reference, WINDOW_S)
    }

    fn ask(&mut self, step: &Step, text: &str) -> Result<(), Halt> {
        self.show(step, step.frame, step.duty)?;
        self.window(step, 0, Role::Steady, WINDOW_S)?;
        self.sink.flush()?;
        let question = Question { frame: step.frame, text: text.to_owned() };
        let expected = self.pictures.frame(&step.frame);
        let answer = self.ask_person(|person, idle| person.ask(&question, &expected, idle))?;
        if answer == Answer::Absent {
            // nobody looks: do not leave the picture on longer than needed
            self.rig.output.blank()?;
        }
        let absent = answer == Answer::Absent;
        self.emit(Event::Witnessed { step: step.number, question, answer })?;
        self.round(None)?;
        if absent { self.emit(Event::StepSkipped { step: step.number, why: "nobody answered".into() }) } else { Ok(()) }
    }

    /// Asks the witness with the interlock on: a person may take hours.
    pub(super) fn ask_person<T>(&mut self, ask: impl FnOnce(&mut dyn Witness, &mut dyn FnMut() -> bool) -> T) -> Result<T, Halt> {
        let mut person = std::mem::replace(&mut self.rig.witness, Box::new(Nobody));
        let (mut looks, mut halted) = (0_u64, None);
        let said = ask(person.as_mut(), &mut || {
            halted = self.round(None).and_then(|()| if looks.is_multiple_of(HEALTH_ROUNDS) { self.health() } else { Ok(()) }).err();
            looks += 1;
            halted.is_none()
        });
        self.rig.witness = person;
        halted.map_or(Ok(said), Err)
    }

    fn hold(&mut self, step: &Step, seconds: f64, interval_s: f64, report: &mut dyn FnMut(&Self, f64)) -> Result<(), Halt> {
        self.show(step, step.frame, step.duty)?;
        let start = self.rig.clock.now();
        let rounds = (seconds / interval_s).round().max(1.0) as u64;
        let per_block = (HOLD_BLOCK_S / interval_s).floor().max(1.0) as u64;
        let (mut block, mut from, mut cycle) = (self.empty(), start, 0);
        for round in 0..rounds {
            self.wait_until(start, round as f64 * interval_s);
            if round % HEALTH_ROUNDS == 0 {
                self.health()?;
            }
            if round % per_block == 0 {
                from = self.rig.clock.now();
            }
            let result = self.round(Some(&mut block));
            if result.is_err() || (round + 1) % per_block == 0 || round + 1 == rounds {
                let points = std::mem::replace(&mut block, self.empty());
                self.readings(step, cycle, Role::Steady, from, points, result)?;
                cycle += 1;
                report(self, (round + 1) as f64 / rounds as f64);
            }
        }
        // held to the full time, whatever the last interval left
        self.wait_until(start, seconds);
        self.round(None)?;
        self.hottest_joint()
    }

    /// One window: settle, then at least `step.samples` readings of each point and at least `least_s` with
    /// this picture. Gives the mean of each point.
    fn window(&mut self, step: &Step, cycle: u32, role: Role, least_s: f64) -> Result<Vec<Option<f64>>, Halt> {
        let shown = self.rig.clock.now();
        // readings first: a trip that names the volts tells more than the board's flag
        self.settle()?;
        self.health()?;
        let from = self.rig.clock.now();
        let mut points = self.empty();
        let mut result = Ok(());
        let mut taken = 0;
        while result.is_ok() && (taken < step.samples || self.rig.clock.now().since(shown) < least_s) {
            let before = self.rig.clock.now();
            result = self.round(Some(&mut points));
            taken += 1;
            if taken >= step.samples && self.rig.clock.now() == before {
                // a clock that stands still while reading must not spin here
                self.rig.clock.sleep(Duration::from_millis(1));
            }
        }
        let means = points.iter().map(|p| mean(&p.values)).collect();
        self.readings(step, cycle, role, from, points, result)?;
        Ok(means)
    }

    /// Records a block; where its last round tripped, what was read until then is kept too. The wall is dark
    /// already in that case.
    fn readings(
        &mut self,
        step: &Step,
        cycle: u32,
        role: Role,
        from: Stamp,
        points: Vec<PointReadings>,
        result: Result<(), Halt>,
    ) -> Result<(), Halt> {
        if matches!(result, Err(Halt::Broken(_))) {
            return result;
        }
        let to = self.rig.clock.now();
        self.emit(Event::Readings { step: step.number, cycle, role, from, to, points })?;
        result
    }

    fn settle(&mut self) -> Result<(), Halt> {
        let mut before = vec![None; self.last.len()];
        for _ in 0..SETTLE_ROUNDS {
            self.round(None)?;
            let calm = |(a, b): (&Option<f64>, &Option<f64>)| a.zip(*b).is_some_and(|(a, b): (f64, f64)| (a - b).abs() < SETTLED);
            if before.iter().zip(&self.last).all(calm) {
                break;
            }
            before.clone_from(&self.last);
        }
        Ok(())
    }

    /// One reading; what is no number is no reading.
    fn read(&mut self, point: usize) -> Reading<f64> {
        self.rig.meter.read(point).and_then(|v| if v.is_finite() { Ok(v) } else { Err(NoReading::BusFault) })
    }

    fn note(&self, point: usize, reading: Reading<f64>, into: &mut PointReadings) {
        match reading {
            Ok(value) => into.values.push(kept(value, self.steps[point])),
            Err(reason) => into.missing.push(((into.values.len() + into.missing.len()) as u32, reason)),
        }
    }

    /// Readings of the last round.
    pub(super) fn latest(&self) -> &[Reading<f64>] {
        &self.latest
    }

    /// Reads every point once, with the interlock on each reading.
    pub(super) fn round(&mut self, mut into: Option<&mut Vec<PointReadings>>) -> Result<(), Halt> {
        for point in 0..self.build.sense.len() {
            self.cancelled()?;
            let asked = self.rig.clock.now();
            let reading = self.read(point);
            self.rig.output.check()?;
            let now = self.rig.clock.now();
            self.latest[point] = reading;
            if let Some(points) = into.as_deref_mut() {
                self.note(point, reading, &mut points[point]);
            }
            let mut verdict = self.interlock.reading(point, reading, asked, now);
            if let Ok(value) = reading {
                self.last[point] = Some(value);
                if let (Ok(()), Some((reference, expected))) = (&verdict, self.watch[point]) {
                    verdict = interlock::response(point, self.build.sense[point].quantity, value - reference, expected);
                }
            }
            if let Err(cause) = verdict {
                return Err(self.trip(cause, now));
            }
            if let Some((start, limit)) = self.deadline
                && now.since(start) > limit
            {
                return Err(Halt::Broken(format!(
                    "a step took more than its {limit:.0} s; the converters answer far slower than planned, check their bus"
                )));
            }
        }
        Ok(())
    }

    fn cancelled(&mut self) -> Result<(), Halt> {
        match (self.cancel)() {
            Some(by) => {
                let now = self.rig.clock.now();
                Err(self.trip(StopCause::Cancelled { by }, now))
            }
            None => Ok(()),
        }
    }

    pub(super) fn health(&mut self) -> Result<(), Halt> {
        let since = self.rig.clock.now();
        if self.rig.health.read().undervoltage == Some(true) {
            return Err(self.trip(StopCause::Undervoltage, since));
        }
        Ok(())
    }

    /// Dark first, then the record.
    fn trip(&mut self, cause: StopCause, since: Stamp) -> Halt {
        if let Err(e) = self.rig.output.blank() {
            return e.into();
        }
        let after_s = self.rig.clock.now().since(since);
        match self.emit(Event::Blanked { after_s, cause: cause.clone() }) {
            Ok(()) => Halt::Stop(cause),
            Err(broken) => broken,
        }
    }

    fn show(&mut self, step: &Step, frame: FrameSpec, duty: u16) -> Result<(), Halt> {
        self.light(frame, duty)?;
        if frame == FrameSpec::Black { Ok(()) } else { self.emit(Event::Shown { step: step.number, frame }) }
    }

    pub(super) fn light(&mut self, frame: FrameSpec, duty: u16) -> Result<(), Halt> {
        let program = self.pictures.program(&frame, duty);
        Ok(self.rig.output.show(&program)?)
    }

    /// Keeps the means of a level for the prediction of the next.
    fn learn(&mut self, step: &Step, means: Vec<Option<f64>>) {
        let Some(level) = level(step.frame) else { return };
        if let Some(known) = self.levels.iter_mut().find(|(l, _)| *l == level) {
            known.1 = means;
        } else {
            self.levels.push((level, means));
        }
    }

    /// Before a level is shown: the line through the two nearest lower levels read so far, extended to it.
    /// Where it would leave the trip window the level is never lit.
    fn predict(&mut self, step: &Step) -> Result<(), Halt> {
        let Some(next) = level(step.frame).filter(|l| *l > 0.0) else { return Ok(()) };
        let mut known: Vec<_> = self.levels.iter().filter(|(l, _)| *l < next).collect();
        known.sort_by(|a, b| b.0.total_cmp(&a.0));
        let [(l1, means1), (l0, means0), ..] = known[..] else { return Ok(()) };
        let mut verdict = Ok(());
        for (point, sense) in self.build.sense.iter().enumerate() {
            if sense.quantity != Quantity::Volts {
                continue;
            }
            if let (Some(v1), Some(v0), Some(window)) = (means1[point], means0[point], self.interlock.window(point)) {
                let value = v1 + (v1 - v0) / (l1 - l0) * (next - l1);
                // light only takes current: a line that rises was drawn through a disturbance, and what is read will tell
                if value < window[0] && value < v1 {
                    verdict = verdict.and(Err(StopCause::Predicted { point, value, window }));
                }
            }
        }
        verdict.map_err(|cause| {
            let now = self.rig.clock.now();
            self.trip(cause, now)
        })
    }

    /// What every point reads in the dark after a trip: it tells a feed that dropped out from a supply that did.
    pub(super) fn after_trip(&mut self, cause: &StopCause) -> Result<(), Halt> {
        if matches!(cause, StopCause::Cancelled { .. } | StopCause::Silent { .. } | StopCause::ByHand { .. }) {
            return Ok(());
        }
        let from = self.rig.clock.now();
        let mut points = self.empty();
        for _ in 0..AFTER_ROUNDS {
            for (point, readings) in points.iter_mut().enumerate() {
                let reading = self.read(point);
                self.note(point, reading, readings);
            }
        }
        let to = self.rig.clock.now();
        self.emit(Event::Readings { step: self.number, cycle: 0, role: Role::After, from, to, points })
    }

    fn wait_until(&mut self, start: Stamp, seconds: f64) {
        let left = seconds - self.rig.clock.now().since(start);
        if left > 0.0 {
            self.rig.clock.sleep(Duration::from_secs_f64(left));
        }
    }

    fn empty(&self) -> Vec<PointReadings> {
        (0..self.build.sense.len()).map(|point| PointReadings { point, values: Vec::new(), missing: Vec::new() }).collect()
    }

    fn emit(&mut self, event: Event) -> Result<(), Halt> {
        let entry = Entry { seq: *self.seq, at: self.rig.clock.now(), event };
        self.sink.record(&entry)?;
        *self.seq += 1;
        Ok(())
    }
}

/// A reading as the record keeps it: the nearest multiple of the converter's step, or, where it is none (an offset was corrected), to a
/// tenth of a microvolt, far below any step.
fn kept(value: f64, step: f64) -> f64 {
    let codes = value / step;
    let whole = codes.round();
    if (codes - whole).abs() < 1e-6 { whole * step } else { (value * 1e7).round() / 1e7 }
}

/// Lit fraction of white of frames that are a level.
fn level(frame: FrameSpec) -> Option<f64> {
    match frame {
        FrameSpec::Black => Some(0.0),
        FrameSpec::Level(k) => Some(f64::from(k) / 1000.0),
        _ => None,
    }
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

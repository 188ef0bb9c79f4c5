//! The executor on a fake rig: a sign of ohmic leads whose readings a test may spoil.

use super::*;
use crate::event::{Answer, BoardFacts, Difference, PlaceOfRun, Question, Role, Seen, Selection, Stamp, StopCause};
use crate::frame::{Frame, FrameSpec};
use crate::plan::testing::{Ohmic, Sketches, build};
use crate::plan::{Physics, plan};
use crate::rig::{Clock, Health, Meter, RigError, Witness};
use crate::scan::ScanProgram;
use crate::units::{NoReading, Reading};
use std::cell::{Cell, RefCell};
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

/// What the rig was asked to do.
#[derive(Clone, Debug, PartialEq)]
enum Did {
    Claim,
    Blank(u64),
    Show(FrameSpec, u64),
    Read(usize),
}

type Spoil = Box<dyn FnMut(&World, usize, f64) -> Reading<f64>>;

/// A sign of ohmic leads on a clock that advances 1.25 ms a reading.
struct World {
    physics: Ohmic,
    now: u64,
    shown: Option<(FrameSpec, u16)>,
    programs: Vec<(FrameSpec, u16)>,
    did: Vec<Did>,
    undervoltage: bool,
    answers: bool,
    blank_fails: bool,
}

impl World {
    fn lit(&self) -> Vec<[f64; 3]> {
        let (spec, duty) = self.shown.unwrap_or((FrameSpec::Black, 0));
        Sketches::default().lit(&spec, duty)
    }
    fn is_dark(&self) -> bool {
        self.shown.is_none()
    }
    fn seconds(&self) -> f64 {
        self.now as f64 * 1e-9
    }
}

#[derive(Clone)]
struct Shared(Rc<RefCell<World>>);

struct Wires(Shared, Spoil);

impl Output for Shared {
    fn claim(&mut self) -> Result<(), RigError> {
        self.0.borrow_mut().did.push(Did::Claim);
        Ok(())
    }
    fn show(&mut self, program: &Arc<ScanProgram>) -> Result<(), RigError> {
        let mut w = self.0.borrow_mut();
        let picture = w.programs[program.mask as usize];
        let at = w.now;
        w.shown = Some(picture);
        w.did.push(Did::Show(picture.0, at));
        Ok(())
    }
    fn blank(&mut self) -> Result<(), RigError> {
        let mut w = self.0.borrow_mut();
        if w.blank_fails {
            return Err(RigError { what: "blanking".into(), why: "lines lost".into(), todo: "supply off".into() });
        }
        w.shown = None;
        let at = w.now;
        w.did.push(Did::Blank(at));
        Ok(())
    }
}
impl Clock for Shared {
    fn now(&self) -> Stamp {
        Stamp { mono_ns: self.0.borrow().now, unix_ms: 0, synced: false }
    }
    fn sleep(&mut self, time: Duration) {
        self.0.borrow_mut().now += time.as_nanos() as u64;
    }
}
impl Health for Shared {
    fn read(&mut self) -> BoardFacts {
        BoardFacts { undervoltage: Some(self.0.borrow().undervoltage), ..BoardFacts::default() }
    }
}
impl Witness for Shared {
    fn ask(&mut self, _: &Question, _: &Frame, _: &mut dyn FnMut() -> bool) -> Answer {
        if self.0.borrow().answers { Answer::AsShown } else { Answer::Differs(vec![Difference { port: 1, position: 1, seen: Seen::Dark }]) }
    }
}
impl Meter for Wires {
    fn identify(&mut self, point: usize) -> Reading<String> {
        let at = self.read(point);
        at.map(|_| format!("converter of point {point}"))
    }
    fn read(&mut self, point: usize) -> Reading<f64> {
        let sound = {
            let mut w = self.0.0.borrow_mut();
            w.now += 1_250_000;
            w.did.push(Did::Read(point));
            let lit = w.lit();
            w.physics.predict(&lit)[point].unwrap()
        };
        (self.1)(&self.0.0.borrow(), point, sound)
    }
    fn read_time(&self, _: usize) -> Duration {
        Duration::from_micros(1250)
    }
}
impl Pictures for Shared {
    fn lit(&mut self, spec: &FrameSpec, duty: u16) -> Vec<[f64; 3]> {
        Sketches::default().lit(spec, duty)
    }
    fn frame(&self, spec: &FrameSpec) -> Frame {
        Sketches::default().frame(spec)
    }
    fn program(&mut self, spec: &FrameSpec, duty: u16) -> Arc<ScanProgram> {
        let mut w = self.0.borrow_mut();
        w.programs.push((*spec, duty));
        Arc::new(ScanProgram { prepare: vec![], refresh: vec![], oe: 0, mask: w.programs.len() as u32 - 1, pulse_ns: 25.0 })
    }
}

struct Bench {
    shared: Shared,
    rig: Rig,
    build: Build,
    plan: Plan,
}

/// A bench where `spoil` may change each sound reading.
fn bench(level: f64, spoil: impl FnMut(&World, usize, f64) -> Reading<f64> + 'static) -> Bench {
    let build = build(true);
    let mut physics = Ohmic { build: build.clone(), level };
    let plan = plan(&build, &Selection::default(), WitnessMode::Simulated, &mut physics, &mut Sketches::default());
    let shared = Shared(Rc::new(RefCell::new(World {
        physics,
        now: 0,
        shown: None,
        programs: vec![],
        did: vec![],
        undervoltage: false,
        answers: true,
        blank_fails: false,
    })));
    let rig = Rig {
        name: "sim".into(),
        simulated: true,
        output: Box::new(shared.clone()),
        meter: Box::new(Wires(shared.clone(), Box::new(spoil))),
        clock: Box::new(shared.clone()),
        health: Box::new(shared.clone()),
        witness: Box::new(shared.clone()),
    };
    Bench { shared, rig, build, plan }
}

fn header(witness: WitnessMode) -> Event {
    Event::RunStarted {
        format: crate::event::FORMAT,
        tool: "signproof".into(),
        run_id: "r".into(),
        rig: "sim".into(),
        simulated: true,
        place: PlaceOfRun::Bench,
        build_file: String::new(),
        build_digest: String::new(),
        selection: Selection::default(),
        witness,
        seed: None,
        scenario: None,
        ambient_c: None,
    }
}

impl Bench {
    fn run_with(&mut self, witness: WitnessMode, sink: &mut dyn Sink, cancel: &dyn Fn() -> Option<String>) -> Ending {
        let mut pictures = self.shared.clone();
        let ending = run(&self.build, &self.plan, header(witness), &[], &mut self.rig, &mut pictures, sink, cancel, &mut |_| {});
        assert!(self.shared.0.borrow().is_dark() || self.shared.0.borrow().blank_fails, "lit after the run");
        ending
    }
    fn run(&mut self) -> (Ending, Vec<Entry>) {
        let mut events = Vec::new();
        let ending = self.run_with(WitnessMode::Simulated, &mut events, &|| None);
        assert!(events.iter().enumerate().all(|(i, e)| e.seq == i as u64));
        assert_eq!(events.last().unwrap().event, Event::RunEnded { ending: ending.clone() });
        (ending, events)
    }
    fn did(&self) -> Vec<Did> {
        self.shared.0.borrow().did.clone()
    }
}

fn sound(_: &World, _: usize, v: f64) -> Reading<f64> {
    Ok(v)
}

/// Once dark, nothing is lit again, and what is read is at most the sixteen rounds of both points that follow a trip.
fn assert_dark_at_once(did: &[Did]) {
    let shown = did.iter().rposition(|d| matches!(d, Did::Show(..))).unwrap();
    let after = &did[shown..];
    let dark = after.iter().position(|d| matches!(d, Did::Blank(_))).unwrap();
    assert!(matches!(after[dark - 1], Did::Read(_)), "{:?}", after[dark - 1]);
    let read = after[dark..].iter().filter(|d| matches!(d, Did::Read(_))).count();
    assert!(read == 0 || read == 32, "{:?}", &after[dark..]);
}

#[test]
fn a_sound_sign_completes_with_every_step_in_order() {
    let mut b = bench(0.5, sound);
    let (ending, events) = b.run();
    assert_eq!(ending, Ending::Completed);
    let steps: Vec<u32> =
        events.iter().filter_map(|e| if let Event::StepStarted { step, .. } = e.event { Some(step) } else { None }).collect();
    assert_eq!(steps, (0..b.plan.steps.len() as u32).collect::<Vec<_>>());
    let stages: Vec<Stage> =
        events.iter().filter_map(|e| if let Event::StageEnded { stage } = e.event { Some(stage) } else { None }).collect();
    assert_eq!(stages, Stage::ALL);
    // dark and claimed before the first reading
    assert!(matches!(b.did()[..3], [Did::Blank(_), Did::Claim, Did::Blank(_)]));
}

#[test]
fn brackets_alternate_and_every_picture_stays_for_its_least_time() {
    let mut b = bench(0.5, sound);
    let (_, events) = b.run();
    let first = b.plan.stage(Stage::Sweep).next().unwrap().number;
    let roles: Vec<_> = events
        .iter()
        .filter_map(|e| match &e.event {
            Event::Readings { step, role, cycle, .. } if *step == first => Some((*role, *cycle)),
            _ => None,
        })
        .collect();
    let cycles = roles.len() as u32 / 2;
    assert!((4..=160).contains(&cycles));
    let expected: Vec<_> =
        (0..cycles).flat_map(|k| [(Role::Reference, k), (Role::Lit, k)]).chain(std::iter::once((Role::Reference, cycles))).collect();
    assert_eq!(roles, expected);
    let last = b.plan.stage(Stage::Sweep).last().unwrap().number;
    let lit = |e: &&Entry| matches!(&e.event, Event::Readings { step, role: Role::Lit, .. } if *step == last);
    assert_eq!(events.iter().filter(lit).count(), 4, "noise is known by then, and there is none");
    let times: Vec<u64> = b.did().iter().filter_map(|d| if let Did::Show(_, at) = d { Some(*at) } else { None }).collect();
    assert!(times.windows(2).all(|w| w[1] - w[0] >= 170_000_000), "something alternated above 3 Hz");
}

#[test]
fn the_hold_lasts_as_long_as_its_build_asks_in_blocks_the_journal_can_sync() {
    let mut b = bench(0.5, sound);
    let (_, events) = b.run();
    let hold = b.plan.stage(Stage::Hold).next().unwrap().number;
    let blocks: Vec<(Stamp, Stamp, usize)> = events
        .iter()
        .filter_map(|e| match &e.event {
            Event::Readings { step, from, to, points, .. } if *step == hold => Some((*from, *to, points[0].values.len())),
            _ => None,
        })
        .collect();
    assert_eq!(blocks.iter().map(|b| b.2).sum::<usize>(), 200, "20 s at 10 Hz");
    assert!(blocks.iter().all(|b| b.1.since(b.0) <= 4.0));
    let shown = events.iter().find(|e| matches!(e.event, Event::Shown { step, .. } if step == hold)).unwrap().at;
    let ended = events.iter().find(|e| e.event == Event::StageEnded { stage: Stage::Hold }).unwrap().at;
    assert!(ended.since(shown) >= 20.0);
}

#[test]
fn a_reading_outside_the_trip_window_blanks_before_the_next_reading() {
    // falls only when the full level is on, by more than the climb foretells
    let mut b = bench(0.5, |w, _, v| Ok(if w.shown.is_some_and(|s| s.0 == FrameSpec::Level(500)) { 4.6 } else { v }));
    let (ending, events) = b.run();
    assert_eq!(ending, Ending::Stopped(StopCause::Volts { point: 0, value: 4.6, window: [4.65, 5.4] }));
    assert_dark_at_once(&b.did());
    let after = events.iter().find_map(|e| if let Event::Blanked { after_s, .. } = e.event { Some(after_s) } else { None }).unwrap();
    assert!((0.0..=0.00125).contains(&after));
    let kept = events.iter().rev().find_map(|e| if let Event::Readings { points, .. } = &e.event { Some(points.clone()) } else { None });
    assert!(!events.iter().any(|e| e.event == Event::StageEnded { stage: Stage::Climb }));
    assert!(kept.is_some());
}

/// A person who looks for as long as it takes to read the supply this often.
struct Thinking(u32);

impl Thinking {
    fn done(&self, idle: &mut dyn FnMut() -> bool) -> bool {
        (0..self.0).all(|_| idle())
    }
}

impl Witness for Thinking {
    fn ask(&mut self, _: &Question, _: &Frame, idle: &mut dyn FnMut() -> bool) -> Answer {
        if self.done(idle) { Answer::AsShown } else { Answer::Absent }
    }
    fn hottest_joint(&mut self, idle: &mut dyn FnMut() -> bool) -> Option<(crate::event::HandReading, String)> {
        let reading = crate::event::HandReading { item: "joint".into(), value: 40.0, error: 1.0, meter: "thermometer".into() };
        self.done(idle).then(|| (reading, "the builder".into()))
    }
}

#[test]
fn the_interlock_is_on_while_a_person_thinks_also_behind_a_checklist_and_in_a_record() {
    let empty = || crate::event::Checklist {
        who: "the builder".into(),
        when: "2026-03-01T10:15".into(),
        licensed: None,
        answers: Default::default(),
        readings: vec![],
    };
    // a window before the question has fewer readings of point 0 than this
    let falls = |joint: bool| {
        let mut seen = 0;
        move |w: &World, p: usize, v: f64| {
            let asked = if joint { w.shown.is_none() && w.seconds() > 40.0 } else { w.shown.is_some_and(|s| s.0 == FrameSpec::Marks) };
            seen = if asked { seen + 1 } else { 0 };
            Ok(if seen > 1500 && p == 0 { 4.6 } else { v })
        }
    };
    for joint in [false, true] {
        for behind in ["nothing", "checklist", "record"] {
            let mut b = bench(0.5, falls(joint));
            b.rig.witness = Box::new(Thinking(if joint { 0 } else { 2000 }));
            if joint {
                b.rig.witness = Box::new(JointOnly(Thinking(2000)));
            }
            let inner = std::mem::replace(&mut b.rig.witness, Box::new(crate::rig::Nobody));
            b.rig.witness = if behind == "checklist" { Box::new(crate::rig::WithChecklist { inner, list: empty() }) } else { inner };
            if behind == "record" {
                let build = b.build.clone();
                let rig = std::mem::replace(&mut b.rig, bench(0.5, sound).rig);
                b.rig = crate::rig::record::record(rig, &build, std::io::sink()).unwrap();
            }
            let (ending, events) = b.run();
            assert!(matches!(ending, Ending::Stopped(StopCause::Volts { point: 0, .. })), "{behind}, joint {joint}: {ending:?}");
            assert!(!events.iter().any(|e| matches!(e.event, Event::ByHand { .. })));
        }
    }
}

/// Answers about the wall at once.
struct JointOnly(Thinking);

impl Witness for JointOnly {
    fn ask(&mut self, _: &Question, _: &Frame, _: &mut dyn FnMut() -> bool) -> Answer {
        Answer::AsShown
    }
    fn hottest_joint(&mut self, idle: &mut dyn FnMut() -> bool) -> Option<(crate::event::HandReading, String)> {
        self.0.hottest_joint(idle)
    }
}

#[test]
fn what_was_read_while_a_person_thought_is_replayed() {
    let mut b = bench(0.5, sound);
    b.rig.witness = Box::new(Thinking(7));
    let file = tempfile::NamedTempFile::new().unwrap();
    let rig = std::mem::replace(&mut b.rig, bench(0.5, sound).rig);
    b.rig = crate::rig::record::record(rig, &b.build.clone(), file.reopen().unwrap()).unwrap();
    let (ending, events) = b.run();
    assert_eq!(ending, Ending::Completed);
    // the last lines go to the file with the rig
    drop(std::mem::replace(&mut b.rig, bench(0.5, sound).rig));
    b.rig = crate::rig::replay::rig(&b.build, std::io::BufReader::new(file.reopen().unwrap())).unwrap();
    b.shared.0.borrow_mut().shown = None;
    let (again, replayed) = b.run();
    assert_eq!(again, Ending::Completed);
    assert_eq!(replayed, events);
    assert!(events.iter().any(|e| matches!(&e.event, Event::ByHand { who, .. } if who == "the builder")));
}

#[test]
fn a_reading_that_trips_late_in_a_window_is_in_the_record() {
    let mut b = bench(0.5, |w, _, v| Ok(if w.seconds() > 1.0 { 5.6 } else { v }));
    let (_, events) = b.run();
    let blocks: Vec<_> = events
        .iter()
        .filter_map(|e| if let Event::Readings { role, points, .. } = &e.event { Some((*role, points)) } else { None })
        .collect();
    let [.., (role, last), (Role::After, after)] = &blocks[..] else { panic!("no readings after the trip") };
    assert!(*role != Role::After && last.iter().any(|p| p.values.last().is_some_and(|v| (v - 5.6).abs() < 1e-3)), "{last:?}");
    assert!(after.iter().all(|p| p.values.len() == 16), "{after:?}");
}

#[test]
fn a_silent_converter_blanks_after_200_ms() {
    let mut b = bench(0.5, |w, p, v| if p == 1 && w.seconds() > 5.0 { Err(NoReading::NoAnswer) } else { Ok(v) });
    let (ending, _) = b.run();
    let Ending::Stopped(StopCause::Silent { point: 1, reason: NoReading::NoAnswer, seconds }) = ending else { panic!("{ending:?}") };
    assert!((0.2..0.21).contains(&seconds), "{seconds}");
    assert_dark_at_once(&b.did());
}

#[test]
fn no_answer_at_all_is_the_instruments_fault_and_lights_nothing() {
    let mut b = bench(0.5, |_, _, _| Err(NoReading::NoAnswer));
    let (ending, _) = b.run();
    assert!(matches!(ending, Ending::Broken { message } if message.contains("no converter answers")));
    assert!(!b.did().iter().any(|d| matches!(d, Did::Show(..))));
}

#[test]
fn what_is_no_number_is_a_missing_reading() {
    let mut b = bench(0.5, |w, p, v| Ok(if p == 0 && w.seconds() > 1.0 && w.seconds() < 1.1 { f64::NAN } else { v }));
    let (ending, events) = b.run();
    assert_eq!(ending, Ending::Completed);
    let missing = events
        .iter()
        .any(|e| matches!(&e.event, Event::Readings { points, .. } if points[0].missing.iter().any(|m| m.1 == NoReading::BusFault)));
    assert!(missing);
}

#[test]
fn a_response_far_above_prediction_blanks() {
    let lit = |w: &World| matches!(w.shown, Some((FrameSpec::Cell(c), _)) if c.position == 2);
    let mut b = bench(0.5, move |w, p, v| Ok(if p == 0 && lit(w) { v - 0.12 } else { v }));
    let (ending, _) = b.run();
    assert!(matches!(ending, Ending::Stopped(StopCause::Response { point: 0, .. })), "{ending:?}");
    assert_dark_at_once(&b.did());
}

#[test]
fn undervoltage_of_the_board_blanks() {
    let mut b = bench(0.5, sound);
    b.shared.0.borrow_mut().undervoltage = true;
    assert_eq!(b.run().0, Ending::Stopped(StopCause::Undervoltage));
}

#[test]
fn a_level_that_would_leave_the_window_is_never_shown() {
    // 0.07 Ω more at every point: the end of F1 reads 4.68 V at 65 % and would read 4.59 V at 80 %
    let more = |w: &World| -> f64 {
        let Some((FrameSpec::Level(k), _)) = w.shown else { return 0.0 };
        0.07 * 7.2 * f64::from(k) / 1000.0
    };
    let mut b = bench(1.0, move |w, _, v| Ok(v - more(w)));
    let (ending, _) = b.run();
    let Ending::Stopped(StopCause::Predicted { value, .. }) = ending else { panic!("{ending:?}") };
    assert!(value < 4.65);
    let did = b.did();
    let levels: Vec<u16> = did.iter().filter_map(|d| if let Did::Show(FrameSpec::Level(k), _) = d { Some(*k) } else { None }).collect();
    assert_eq!(levels, [100, 200, 350, 500, 650], "0.8 is foretold to trip");
}

#[test]
fn a_rise_from_level_to_level_foretells_nothing() {
    // a disturbance at the first two levels only: a line through them would leave the window at its upper edge
    let sag = |w: &World| match w.shown {
        Some((FrameSpec::Level(100), _)) => 0.15,
        Some((FrameSpec::Level(200), _)) => -0.10,
        _ => 0.0,
    };
    let mut b = bench(0.5, move |w, _, v| Ok(v - sag(w)));
    assert_eq!(b.run().0, Ending::Completed);
}

#[test]
fn a_person_stops_it_at_the_next_reading() {
    let mut b = bench(0.5, sound);
    let shared = b.shared.clone();
    let cancel = move || (shared.0.borrow().seconds() > 3.0).then(|| "SIGINT".to_owned());
    let mut events = Vec::new();
    let ending = b.run_with(WitnessMode::Simulated, &mut events, &cancel);
    assert_eq!(ending, Ending::Stopped(StopCause::Cancelled { by: "SIGINT".into() }));
    assert!(b.shared.0.borrow().seconds() < 3.01);
    assert_dark_at_once(&b.did());
}

struct Full(usize);
impl Sink for Full {
    fn record(&mut self, _: &Entry) -> std::io::Result<()> {
        self.0 = self.0.checked_sub(1).ok_or_else(|| std::io::Error::other("the card is full"))?;
        Ok(())
    }
}

#[test]
fn a_journal_that_fails_at_any_event_breaks_the_run_in_the_dark() {
    let mut all = Vec::new();
    bench(0.5, sound).run_with(WitnessMode::Simulated, &mut all, &|| None);
    for n in (0..40).chain([all.len() / 2, all.len() - 1]) {
        let mut b = bench(0.5, sound);
        let ending = b.run_with(WitnessMode::Simulated, &mut Full(n), &|| None);
        assert!(matches!(&ending, Ending::Broken { message } if message.contains("the card is full")), "at event {n}: {ending:?}");
    }
}

#[test]
fn a_panic_in_the_rig_still_blanks_and_is_a_bug() {
    let mut b = bench(0.5, |w, _, v| {
        assert!(w.seconds() < 4.0, "driver bug");
        Ok(v)
    });
    let mut events = Vec::new();
    let run = std::panic::AssertUnwindSafe(|| b.run_with(WitnessMode::Simulated, &mut events, &|| None));
    let bug = std::panic::catch_unwind(run).unwrap_err();
    assert!(bug.downcast_ref::<&str>().is_some_and(|m| m.contains("driver bug")));
    assert!(b.shared.0.borrow().is_dark());
    assert!(
        matches!(&events.last().unwrap().event, Event::RunEnded { ending: Ending::Broken { message } } if message.contains("driver bug"))
    );
    assert_dark_at_once(&b.did());
}

#[test]
fn lines_that_cannot_be_blanked_are_said_so() {
    let mut b = bench(0.5, |w, _, v| Ok(if w.shown.is_some() { 4.0 } else { v }));
    let shared = b.shared.clone();
    let failing = Cell::new(false);
    let cancel = move || {
        if shared.0.borrow().shown.is_some() && !failing.replace(true) {
            shared.0.borrow_mut().blank_fails = true;
        }
        None
    };
    let ending = b.run_with(WitnessMode::Simulated, &mut Vec::new(), &cancel);
    assert!(matches!(ending, Ending::Broken { message } if message.contains("switch the supply off")));
}

#[test]
fn without_a_witness_every_question_is_skipped_on_the_record() {
    let mut b = bench(0.5, sound);
    let mut events = Vec::new();
    assert_eq!(b.run_with(WitnessMode::None, &mut events, &|| None), Ending::Completed);
    let skipped = events.iter().filter(|e| matches!(e.event, Event::StepSkipped { .. })).count();
    assert_eq!(skipped, b.plan.stage(Stage::Marks).count());
    assert!(!events.iter().any(|e| matches!(e.event, Event::Witnessed { .. })));
}

#[test]
fn answers_are_kept_as_given() {
    let mut b = bench(0.5, sound);
    b.shared.0.borrow_mut().answers = false;
    let (_, events) = b.run();
    let differs = events.iter().filter(|e| matches!(&e.event, Event::Witnessed { answer: Answer::Differs(d), .. } if d.len() == 1)).count();
    assert_eq!(differs, b.plan.stage(Stage::Marks).count());
}

#[test]
fn progress_grows_to_one_and_carries_the_supply() {
    let mut b = bench(0.5, sound);
    let mut seen = Vec::new();
    let mut pictures = b.shared.clone();
    let header = header(WitnessMode::Simulated);
    run(&b.build, &b.plan, header, &[], &mut b.rig, &mut pictures, &mut Vec::new(), &|| None, &mut |p| seen.push((p.done, p.volts)));
    assert!(seen.windows(2).all(|w| w[0].0 <= w[1].0 + 1e-12));
    assert!((seen.last().unwrap().0 - 1.0).abs() < 1e-9);
    assert!(seen.last().unwrap().1.is_some_and(|v| (5.0..5.1).contains(&v)));
}

fn held(b: &mut Bench, cancel: &dyn Fn() -> Option<String>, reader: &mut dyn FnMut(f64, &[Reading<f64>])) -> Ending {
    let mut pictures = b.shared.clone();
    let ending = show_hold(&b.build, &b.plan, FrameSpec::Marks, 300, None, &mut b.rig, &mut pictures, cancel, reader);
    assert!(b.shared.0.borrow().is_dark());
    ending
}

#[test]
fn a_held_frame_stays_until_cancelled_or_tripped() {
    let mut b = bench(0.5, sound);
    let shared = b.shared.clone();
    let cancel = move || (shared.0.borrow().seconds() > 2.0).then(|| "SIGINT".to_owned());
    let mut lines = 0;
    let ending = held(&mut b, &cancel, &mut |_, values| {
        assert!(values.iter().all(Result::is_ok));
        lines += 1;
    });
    assert_eq!(ending, Ending::Stopped(StopCause::Cancelled { by: "SIGINT".into() }));
    assert_eq!(lines, 4, "one each half second");

    let mut b = bench(0.5, |w, _, v| Ok(if w.shown.is_some() && w.seconds() > 1.0 { 4.0 } else { v }));
    let ending = held(&mut b, &|| None, &mut |_, _| {});
    assert!(matches!(ending, Ending::Stopped(StopCause::Volts { .. })));
    assert_dark_at_once(&b.did());
}

#[test]
fn a_frame_is_not_held_where_no_converter_answers() {
    let mut b = bench(0.5, |_, _, _| Err(NoReading::NoAnswer));
    let ending = held(&mut b, &|| None, &mut |_, _| {});
    assert!(matches!(ending, Ending::Broken { message } if message.contains("nothing is lit")));
    assert!(!b.did().iter().any(|d| matches!(d, Did::Show(..))));
}

#[test]
fn a_reading_beyond_the_converters_range_trips_like_one_outside_the_window() {
    // an ADS1115 at ±4.096 V behind a 2:1 divider ends at 8.19 V; half a second of silence would be too late
    let mut b = bench(0.5, |w, p, v| if p == 0 && w.seconds() > 5.0 { Err(NoReading::SaturatedHigh) } else { Ok(v) });
    let (ending, events) = b.run();
    let Ending::Stopped(StopCause::Volts { point: 0, value, .. }) = ending else { panic!("{ending:?}") };
    assert!((8.1..8.3).contains(&value), "{value}");
    let missing = events.iter().filter_map(|e| match &e.event {
        Event::Readings { role, points, .. } if *role != Role::After => Some(&points[0].missing),
        _ => None,
    });
    assert_eq!(missing.flatten().count(), 1, "the first one tripped");
    assert_dark_at_once(&b.did());
}

#[test]
fn a_window_of_readings_precedes_every_question() {
    let mut b = bench(0.5, sound);
    let (_, events) = b.run();
    let mut read = None;
    let mut asked = 0;
    for e in &events {
        match &e.event {
            Event::Readings { step, .. } => read = Some(*step),
            Event::Witnessed { step, .. } => {
                assert_eq!(read, Some(*step));
                asked += 1;
            }
            _ => {}
        }
    }
    assert_eq!(asked, b.plan.stage(Stage::Marks).count());
}

#[test]
fn a_build_without_sense_points_lights_nothing() {
    let mut b = bench(0.5, sound);
    b.build.sense.clear();
    b.plan.trips.clear();
    let (ending, _) = b.run();
    assert!(matches!(ending, Ending::Broken { message } if message.contains("no sense point")));
    assert!(!b.did().iter().any(|d| matches!(d, Did::Show(..))));
}

#[test]
fn what_is_read_while_a_picture_settles_is_not_measured() {
    // for 6 ms after each picture every point is off by 20 mV, falling
    let mut b = bench(0.5, |w, _, v| {
        let shown = w.did.iter().rev().find_map(|d| if let Did::Show(_, at) = d { Some(*at) } else { None });
        let since = shown.map_or(1.0, |at| (w.now - at) as f64 * 1e-9);
        Ok(if since < 0.006 { v + 0.02 * (1.0 - since / 0.006) } else { v })
    });
    let (ending, events) = b.run();
    assert_eq!(ending, Ending::Completed);
    for e in &events {
        let Event::Readings { step, role: Role::Lit, points, .. } = &e.event else { continue };
        for p in points {
            let spread = p.values.iter().fold(0.0_f64, |s, v| s.max((v - p.values[0]).abs()));
            assert!(spread < 1e-6, "step {step}, point {}: {spread} V", p.point);
        }
    }
}

#[test]
fn corrections_follow_the_start_on_the_record() {
    let mut b = bench(0.5, sound);
    let correction = Correction { sense: "distribution".into(), gain: 1.001, offset_v: 0.0, standard_v: 0.002, comparisons: Vec::new() };
    let mut pictures = b.shared.clone();
    let mut events = Vec::new();
    let started = header(WitnessMode::None);
    let corrections = std::slice::from_ref(&correction);
    run(&b.build, &b.plan, started, corrections, &mut b.rig, &mut pictures, &mut events, &|| None, &mut |_| {});
    assert!(matches!(events[0].event, Event::RunStarted { .. }));
    assert_eq!(events[1].event, Event::Calibrated(correction));
}

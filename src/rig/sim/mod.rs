//! The simulated rig: panels at pin level, converter chips at register level, the supply network between
//! them, a person in front of the wall, and virtual time. Same seed, same run.

pub mod chips;
pub mod panels;
mod person;
pub mod scenario;
mod scenario_text;
mod world;

pub use scenario_text::scenario_text;

use super::{Clock, Health, Nobody, Output, Rig, RigError, Witness};
use crate::build::Build;
use crate::event::{Answer, BoardFacts, Question, Stamp, Whereabouts, WitnessMode};
use crate::frame::Frame;
use crate::meter::Converters;
use crate::scan::ScanProgram;
use chips::{Analog, SimBus, SimDelay, SimFiles, SimSpi};
use scenario::Scenario;
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;
pub use world::{Seen, World};

/// Volts below which the simulated board raises its undervoltage flag (4.63 V, the nominal threshold
/// of the supervisor on common boards; from memory).
const UNDERVOLTAGE_V: f64 = 4.63;

struct SimOutput(Rc<RefCell<World>>);

impl Output for SimOutput {
    fn claim(&mut self) -> Result<(), RigError> {
        self.0.borrow_mut().claim();
        self.blank()
    }
    fn show(&mut self, program: &Arc<ScanProgram>) -> Result<(), RigError> {
        if !self.0.borrow().claimed() {
            return Err(RigError {
                what: "showing a frame".to_owned(),
                why: "the output lines were not claimed".to_owned(),
                todo: "claim them first".to_owned(),
            });
        }
        self.0.borrow_mut().show(program);
        Ok(())
    }
    fn blank(&mut self) -> Result<(), RigError> {
        self.0.borrow_mut().blank();
        Ok(())
    }
}

struct SimClock(Rc<RefCell<World>>);

impl Clock for SimClock {
    fn now(&self) -> Stamp {
        let world = self.0.borrow();
        Stamp { mono_ns: world.now_ns(), unix_ms: world.unix_ms(), synced: true }
    }
    fn sleep(&mut self, time: Duration) {
        self.0.borrow_mut().advance(u64::try_from(time.as_nanos()).unwrap_or(u64::MAX));
    }
}

struct SimHealth(Rc<RefCell<World>>);

impl Health for SimHealth {
    fn read(&mut self) -> BoardFacts {
        let world = self.0.borrow();
        BoardFacts {
            model: Some("simulated controller".to_owned()),
            undervoltage: Some(world.controller_v() < UNDERVOLTAGE_V),
            throttled: Some(false),
            uptime_s: Some(world.now_ns() as f64 * 1e-9),
            ambient_c: Some(world.ambient_c()),
            ..BoardFacts::default()
        }
    }
}

struct SimPerson {
    world: Rc<RefCell<World>>,
    build: Build,
}

impl Witness for SimPerson {
    fn ask(&mut self, question: &Question, expected: &Frame, _idle: &mut dyn FnMut() -> bool) -> Answer {
        // looking takes a moment
        self.world.borrow_mut().advance(2_000_000_000);
        let world = self.world.borrow();
        person::look(&self.build, question, expected, &world.light().pixels)
    }
    fn where_is(&mut self, build: &Build, _question: &Question, mark: &Frame, _idle: &mut dyn FnMut() -> bool) -> Whereabouts {
        self.world.borrow_mut().advance(2_000_000_000);
        let world = self.world.borrow();
        person::find(&self.build, build, mark, &world.light().pixels)
    }
}

/// What a simulated run needs to know.
pub struct SimOptions {
    /// Faults, tolerances, ambient.
    pub scenario: Scenario,
    /// Draws tolerances and noise.
    pub seed: u64,
    /// Wall time of virtual zero, milliseconds since 1970.
    pub start_unix_ms: i64,
    /// Who looks at the wall; `Ask` is answered by `asked`.
    pub witness: WitnessMode,
    /// A real person at the terminal, for [`WitnessMode::Ask`].
    pub asked: Option<Box<dyn Witness>>,
}

/// Assembles the simulated rig of a build.
pub fn rig(build: &Build, options: SimOptions) -> Rig {
    rig_of_many(build, options, Seen::nothing())
}

/// [`rig`] for one of many simulated signs of a build: they share what sound panels show.
pub fn rig_of_many(build: &Build, options: SimOptions, seen: Seen) -> Rig {
    let world = World::new(build, &options.scenario, options.seed, options.start_unix_ms, seen);
    let world = Rc::new(RefCell::new(world));
    let buses = build
        .buses()
        .into_iter()
        .map(|number| {
            (number, {
                let s = &options.scenario;
                SimBus::with_tolerances(build, number, Rc::clone(&world), options.seed, &s.faults, s.tolerances)
            })
        })
        .collect();
    let files = SimFiles::new(build, Rc::clone(&world), options.seed, &options.scenario.faults, options.scenario.tolerances);
    let chip = |at| (at, SimSpi::new(build, at, Rc::clone(&world), options.seed, &options.scenario.faults, options.scenario.tolerances));
    let spi: Vec<_> = build.selects().into_iter().map(chip).collect();
    let witness: Box<dyn Witness> = match (options.witness, options.asked) {
        (WitnessMode::Simulated, _) => Box::new(SimPerson { world: Rc::clone(&world), build: build.clone() }),
        (WitnessMode::Ask, Some(person)) => person,
        _ => Box::new(Nobody),
    };
    Rig {
        name: "sim".to_owned(),
        simulated: true,
        output: Box::new(SimOutput(Rc::clone(&world))),
        meter: Box::new(Converters::new(build, buses, SimDelay(Rc::clone(&world))).with_files(files).with_spi(spi)),
        clock: Box::new(SimClock(Rc::clone(&world))),
        health: Box::new(SimHealth(world)),
        witness,
    }
}

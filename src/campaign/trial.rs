//! One simulated sign, run and judged in memory.

use crate::build::Build;
use crate::check::{CheckResult, PointUncertainty};
use crate::commission::{self, Album};
use crate::event::{Entry, Event, FORMAT, PlaceOfRun, Selection, WitnessMode};
use crate::fault::Fault;
use crate::journal::Sink;
use crate::judge::{self, Finding, Outcome};
use crate::plan::Plan;
use crate::rig::sim::scenario::{Scenario, TimedFault};
use crate::rig::sim::{self, Seen, SimOptions};
use crate::run;

/// A judged trial, cut down to what is counted: thousands are kept.
#[derive(Clone, Debug)]
pub struct Trial {
    /// Draws its parts, noise and fault.
    pub seed: u64,
    /// What was wrong.
    pub faults: Vec<Fault>,
    /// What the judge said.
    pub outcome: Outcome,
    /// Some check failed.
    pub failed: bool,
    /// Some check lies too near its limit.
    pub marginal: bool,
    /// What it named.
    pub findings: Vec<Finding>,
}

/// Everything that trials of one build share.
pub struct Bench<'a> {
    build: &'a Build,
    plan: Plan,
    album: Album<'a>,
    seen: Seen,
    instruments: Vec<PointUncertainty>,
}

struct Memory(Vec<Entry>);

impl Sink for Memory {
    fn record(&mut self, entry: &Entry) -> std::io::Result<()> {
        self.0.push(entry.clone());
        Ok(())
    }
}

impl<'a> Bench<'a> {
    /// Plans once; without a witness, since a campaign measures what readings prove.
    pub fn new(build: &'a Build) -> Self {
        Self {
            plan: commission::plan(build, &Selection::default(), WitnessMode::None),
            album: Album::whole(build),
            seen: Seen::default(),
            instruments: build.sense.iter().map(|p| crate::meter::point_uncertainty(build, p)).collect(),
            build,
        }
    }

    /// Runs and judges one sign.
    pub fn trial(&mut self, seed: u64, faults: Vec<Fault>) -> Trial {
        let timed = faults.iter().map(|f| TimedFault { fault: f.clone(), at_s: 0.0, for_s: None }).collect();
        let scenario = Scenario { faults: timed, ..Scenario::default() };
        let options = SimOptions { scenario, seed, start_unix_ms: 0, witness: WitnessMode::None, asked: None };
        let mut rig = sim::rig_of_many(self.build, options, self.seen.clone());
        let started = Event::RunStarted {
            format: FORMAT,
            tool: String::new(),
            run_id: String::new(),
            rig: rig.name.clone(),
            simulated: true,
            place: PlaceOfRun::Bench,
            build_file: String::new(),
            build_digest: String::new(),
            selection: Selection::default(),
            witness: WitnessMode::None,
            seed: Some(seed),
            scenario: None,
            ambient_c: None,
        };
        let mut memory = Memory(Vec::new());
        run::run(self.build, &self.plan, started, &[], &mut rig, &mut self.album, &mut memory, &|| None, &mut |_| {});
        let judgement = judge::assess(self.build, &self.plan, &memory.0, &self.instruments);
        let some = |result: CheckResult| judgement.checks.iter().any(|c| c.result == result);
        let (failed, marginal) = (some(CheckResult::Fail), some(CheckResult::Marginal));
        Trial { seed, faults, outcome: judgement.outcome, failed, marginal, findings: judgement.findings }
    }
}

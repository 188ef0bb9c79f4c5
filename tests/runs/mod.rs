//! Whole simulated runs for the tests, by library calls.
#![allow(dead_code, reason = "each test file uses its part")]

use signproof::build::{self, Build};
use signproof::commission::{Request, commission};
use signproof::event::{Entry, PlaceOfRun, Selection, WitnessMode};
use signproof::judge::Coverage;
use signproof::report::Report;
use signproof::rig::sim::{self, SimOptions, scenario::Scenario};

/// A judged run, its directory gone.
pub struct Run {
    /// The report.
    pub report: Report,
    /// The journal's entries.
    pub entries: Vec<Entry>,
    /// The journal's bytes.
    pub journal: Vec<u8>,
}

/// A build file of the repository and its text.
pub fn load(path: &str) -> (Build, String) {
    let text = std::fs::read_to_string(path).unwrap();
    let build = build::load(&text, path).unwrap_or_else(|p| panic!("{}", p.render(false)));
    (build, text)
}

/// The demo sign with a hold of so many seconds.
pub fn demo(hold_s: f64) -> (Build, String) {
    loaded("config/water-taxi.toml", hold_s)
}

/// A build file of the repository with a hold of so many seconds.
pub fn loaded(path: &str, hold_s: f64) -> (Build, String) {
    let text = std::fs::read_to_string(path).unwrap();
    let text = if text.contains("[limits]") {
        text.replace("[limits]", &format!("[limits]\nhold_s = {hold_s:.1}"))
    } else {
        format!("{text}\n[limits]\nhold_s = {hold_s:.1}\n")
    };
    let build = build::load(&text, path).unwrap_or_else(|p| panic!("{}", p.render(false)));
    (build, text)
}

/// Runs a build with the simulated witness.
pub fn simulate(build: &Build, file: &str, scenario: &str, seed: u64) -> Run {
    simulate_cut(build, file, scenario, seed, Selection::default())
}

/// The same, cut.
pub fn simulate_cut(build: &Build, file: &str, scenario: &str, seed: u64, selection: Selection) -> Run {
    let parsed = Scenario::parse(scenario, "scenario", build).unwrap();
    let options = SimOptions { scenario: parsed, seed, start_unix_ms: 1_780_000_000_000, witness: WitnessMode::Simulated, asked: None };
    let temp = tempfile::tempdir().unwrap();
    let request = Request {
        build,
        build_file: file.to_owned(),
        selection,
        witness: WitnessMode::Simulated,
        place: PlaceOfRun::Bench,
        seed: Some(seed),
        scenario: Some(scenario.to_owned()),
        ambient_c: None,
        corrections: Vec::new(),
        out: Some(temp.path().join("run")),
    };
    let done = commission(request, sim::rig(build, options), &|| None, &mut |_| {}).unwrap();
    let journal = std::fs::read(done.dir.join(signproof::commission::JOURNAL)).unwrap();
    Run { report: done.report, entries: signproof::journal::read(&journal).entries, journal }
}

/// Lines of the coverage table for a kind at a place.
pub fn coverage<'a>(report: &'a Report, kind: &'a str, key: &'a str, place: &'a str) -> impl Iterator<Item = &'a Coverage> {
    report.coverage.iter().filter(move |c| {
        let at = serde_json::to_value(&c.place).unwrap()[key].clone();
        c.kind == kind && at.as_str().map_or_else(|| at.to_string(), str::to_owned) == place
    })
}

//! The before-power checklist and hand readings: imported, judged, kept; a bad reading stops before a line is driven.

use signproof::build::{self, Build};
use signproof::check::CheckResult;
use signproof::checklist::{self, Kind};
use signproof::commission::{self, Request};
use signproof::event::{Checklist, Event, HandReading, PlaceOfRun, Selection, WitnessMode};
use signproof::judge::Outcome;
use signproof::rig::sim::{self, SimOptions, scenario::Scenario};
use signproof::rig::{Output, Rig, RigError, WithChecklist};
use signproof::scan::ScanProgram;
use std::cell::Cell;
use std::path::Path;
use std::process::Command;
use std::rc::Rc;
use std::sync::Arc;

const WATER_TAXI: &str = include_str!("../config/water-taxi.toml");

fn water_taxi() -> Build {
    build::load(WATER_TAXI, "water-taxi.toml").unwrap()
}

fn file(volts: &str, extra: &str) -> String {
    format!(
        "schema = 1\nserial = \"WT-0003\"\nwho = \"the builder\"\nwhen = 2026-03-01T10:15:00Z\nlicensed = \"the electrician\"\n\
         [meter]\nmodel = \"hand meter\"\nvolts = {{ percent = 0.5, digits = 2, step = 0.01 }}\nohms = {{ percent = 0.8, digits = 3, step = 0.1 }}\n\
         celsius = {{ percent = 1.0, digits = 10, step = 0.1 }}\n\
         [answers]\narrows = true\npolarity = true\nfuses = true\nstrands = true\nstrain-relief = true\nselector = true\nprotective-earth = true\n\
         [ohms]\nmain = 150\n[volts]\nmain = {volts}\n{extra}"
    )
}

fn signproof(checklist: &str, hold: Option<&str>) -> (i32, serde_json::Value, String, String) {
    let temp = tempfile::tempdir().unwrap();
    let (list, dir, build) = (temp.path().join("list.toml"), temp.path().join("run"), temp.path().join("build.toml"));
    std::fs::write(&list, checklist).unwrap();
    std::fs::write(&build, format!("{WATER_TAXI}\n[limits]\nhold_s = {}\n", hold.unwrap_or("130"))).unwrap();
    let out = Command::new(env!("CARGO_BIN_EXE_signproof"))
        .args(["run", build.to_str().unwrap(), "--rig", "sim", "--witness", "simulated", "--seed", "1"])
        .args(["--checklist", list.to_str().unwrap(), "--out", dir.to_str().unwrap()])
        .output()
        .unwrap();
    let read = |name: &str| std::fs::read_to_string(dir.join(name)).unwrap_or_default();
    let report = serde_json::from_str(&read("report.json")).unwrap_or_default();
    (out.status.code().unwrap(), report, read("journal.jsonl"), String::from_utf8(out.stderr).unwrap())
}

fn check<'a>(report: &'a serde_json::Value, id: &str) -> &'a serde_json::Value {
    report["checks"].as_array().unwrap().iter().find(|c| c["id"] == id).unwrap_or_else(|| panic!("{id}"))
}

#[test]
fn a_reading_of_5_31_v_stops_the_run_before_a_line_is_driven() {
    let (code, report, journal, _) = signproof(&file("5.31", ""), None);
    assert_eq!(code, 5);
    assert_eq!(report["outcome"], "stopped");
    let reasons = report["reasons"].to_string();
    assert!(reasons.contains("5.31 V at the terminals of supply main, outside 4.90 to 5.25 V. Set it to 5.10 V"), "{reasons}");
    assert_eq!(report["findings"][0]["kind"], "supply-set");
    assert_eq!(report["findings"].as_array().unwrap().len(), 1);
    // ±(0.5 % + 0.02 V) is 0.0466 V at most, its guard band 0.0527 V: 5.31 V is outside by more
    assert_eq!(check(&report, "by-hand/volts/main")["result"], "fail");
    assert_eq!(check(&report, "by-hand/polarity")["result"], "pass");
    let kinds: Vec<bool> =
        ["stage-started", "shown", "readings", "blanked"].iter().map(|k| journal.contains(&format!("\"event\":\"{k}\""))).collect();
    assert_eq!(kinds, [false; 4], "{journal}");
    assert!(journal.contains("\"event\":\"checklist\"") && journal.contains("the builder") && journal.contains("2026-03-01T10:15:00Z"));
}

#[test]
fn a_reading_of_5_02_v_goes_on_and_stands_in_the_report() {
    let (code, report, journal, _) = signproof(&file("5.02", "[end]\njoint_c = 41.0\n"), None);
    assert_eq!(code, 0, "{}", report["reasons"]);
    let volts = check(&report, "by-hand/volts/main");
    assert_eq!((volts["result"].as_str(), volts["value"].as_f64()), (Some("pass"), Some(5.02)));
    let basis = volts["basis"].as_str().unwrap();
    for words in ["hand meter", "the builder", "2026-03-01T10:15:00Z", "common practice, no source"] {
        assert!(basis.contains(words), "{words}: {basis}");
    }
    assert!(check(&report, "by-hand/protective-earth")["basis"].as_str().unwrap().contains("the electrician (licensed)"));
    assert_eq!(check(&report, "by-hand/joint")["result"], "pass");
    assert!(journal.contains("\"by-hand\""));
}

#[test]
fn near_the_edge_the_meter_cannot_decide_and_a_hot_joint_fails() {
    let (code, report, _, _) = signproof(&file("5.22", ""), None);
    assert_eq!(check(&report, "by-hand/volts/main")["result"], "marginal");
    assert_eq!(code, 3, "{}", report["reasons"]);
    let (code, report, _, _) = signproof(&file("5.02", "[end]\njoint_c = 78\n"), None);
    assert_eq!(check(&report, "by-hand/joint")["result"], "fail");
    assert_eq!(code, 1);
}

fn with_flags(flags: &[&str]) -> (i32, serde_json::Value, String) {
    let temp = tempfile::tempdir().unwrap();
    let dir = temp.path().join("run");
    let out = Command::new(env!("CARGO_BIN_EXE_signproof"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["run", "config/water-taxi.toml", "--rig", "sim", "--witness", "simulated", "--seed", "1", "--stages", "open"])
        .args(["--out", dir.to_str().unwrap()])
        .args(flags)
        .output()
        .unwrap();
    let report = std::fs::read_to_string(dir.join("report.json")).unwrap_or_default();
    (out.status.code().unwrap(), serde_json::from_str(&report).unwrap_or_default(), String::from_utf8(out.stderr).unwrap())
}

#[test]
fn flags_do_what_the_file_does() {
    let meter = ["--by-hand-who", "the builder", "--hand-meter", "hand meter", "--hand-accuracy", "volts=0.5,2,0.01"];
    let (code, report, _) = with_flags(&[&["--by-hand", "volts/main=5.31"], &meter[..]].concat());
    assert_eq!((code, report["outcome"].as_str()), (5, Some("stopped")));
    let (code, report, _) = with_flags(&[&["--by-hand", "polarity=yes,volts/main=5.02"], &meter[..]].concat());
    // cut to one stage: never a pass
    assert_eq!(code, 4);
    assert_eq!(check(&report, "by-hand/volts/main")["result"], "pass");
    assert!(check(&report, "by-hand/polarity")["basis"].as_str().unwrap().contains("the builder"));
    assert_eq!(check(&report, "by-hand/fuses")["result"], "not-proven");
    for (flags, words) in [
        (vec!["--by-hand", "volts/main=5.02", "--by-hand-who", "x"], "a reading needs the meter's accuracy: --hand-accuracy volts="),
        (vec!["--by-hand", "polarity=perhaps", "--by-hand-who", "x"], "expected NAME=yes, NAME=no or NAME=READING"),
        (vec!["--by-hand", "polarity=yes,polarity=no", "--by-hand-who", "x"], "answered twice"),
        (vec!["--by-hand", "polarety=yes", "--by-hand-who", "x"], "`polarety` is no question"),
        (vec!["--by-hand", "polarity=yes"], "--by-hand-who"),
    ] {
        let (code, report, stderr) = with_flags(&flags);
        assert_eq!((code, report.is_null()), (2, true), "{flags:?}: {stderr}");
        assert!(stderr.contains(words), "{flags:?}: {stderr}");
    }
}

#[test]
fn what_was_not_answered_is_not_proven() {
    let text = file("5.02", "").replace("polarity = true\n", "");
    let (code, report, _, _) = signproof(&text, None);
    assert_eq!(check(&report, "by-hand/polarity")["result"], "not-proven");
    assert_eq!(code, 4, "{}", report["reasons"]);
}

#[test]
fn a_bad_file_is_refused_with_every_problem() {
    let text = file("5.02", "").replace("WT-0003", "XX-1").replace("[ohms]\nmain", "[ohms]\nmian").replace("fuses = true", "fuse = true");
    let text = text.replace("volts = { percent = 0.5, digits = 2, step = 0.01 }\n", "").replace("2026-03-01T10:15:00Z", "\"last week\"");
    let (code, _, journal, stderr) = signproof(&text, None);
    assert_eq!((code, journal.as_str()), (2, ""));
    for words in
        ["serial = \"XX-1\"", "ohms/mian", "`fuse` is no question", "volts/main: the reading has no accuracy", "`last week` is no date"]
    {
        assert!(stderr.contains(words), "{words} in {stderr}");
    }
    assert_eq!(signproof("schema = 1\nwo = 3\n", None).0, 2);
}

fn list(volts: f64, ohms: f64) -> Checklist {
    let reading = |item: &str, value: f64| HandReading { item: item.to_owned(), value, error: 0.02, meter: "hand meter".to_owned() };
    Checklist {
        who: "the builder".to_owned(),
        when: "2026-03-01T10:15".to_owned(),
        licensed: None,
        answers: checklist::items(&water_taxi()).into_iter().filter(|i| i.kind == Kind::YesNo).map(|i| (i.id, true)).collect(),
        readings: vec![reading("volts/main", volts), reading("ohms/main", ohms)],
    }
}

#[test]
fn what_stops_a_run_and_what_does_not() {
    let build = water_taxi();
    let stops = |l: &Checklist| checklist::stop(&build, l);
    assert_eq!(stops(&list(5.02, 100.0)), None);
    assert_eq!(stops(&list(5.25, 5.0)), None);
    assert!(stops(&list(5.26, 100.0)).unwrap().contains("outside"));
    assert!(stops(&list(-5.1, 100.0)).unwrap().contains("-5.10 V"));
    assert!(stops(&list(5.02, 0.4)).unwrap().contains("short"));
    for (id, expected) in
        [("polarity", true), ("fuses", true), ("strands", true), ("protective-earth", true), ("selector", true), ("arrows", false)]
    {
        let mut l = list(5.02, 100.0);
        l.answers.insert(id.to_owned(), false);
        assert_eq!(stops(&l).is_some(), expected, "{id}");
    }
}

#[test]
fn nothing_handed_in_is_nothing_judged() {
    assert!(checklist::checks(&water_taxi(), &[]).is_empty());
}

#[test]
fn the_printed_form_is_accepted_once_filled_in() {
    let build = water_taxi();
    let form = checklist::form(&build);
    let filled: String = form
        .lines()
        .map(|line| {
            let line = match line.strip_prefix("# ") {
                Some(rest) if rest.ends_with("= ") && rest.contains("main") => format!("{rest}5.1"),
                Some(rest) if rest.ends_with("= ") && rest.starts_with("joint_c") => format!("{rest}40"),
                Some(rest) if rest.ends_with("= ") => format!("{rest}true"),
                Some(rest) if rest.contains("percent = ") => rest.to_owned(),
                _ => line.to_owned(),
            };
            line + "\n"
        })
        .collect();
    let filled = filled.replace("who = \"\"", "who = \"the builder\"").replace("when = \"\"", "when = \"2026-03-01T10:15\"");
    let list = checklist::read(&filled, "form", &build).unwrap();
    assert_eq!(list.answers.len() + list.readings.len(), checklist::items(&build).len() + 1);
    assert!(checklist::read(&form, "form", &build).unwrap_err().contains("who is empty"));
}

/// Counts every call that could reach a line. Driving lines dark that were never claimed reaches none: see `rig::Output::blank`.
struct Counting {
    inner: Box<dyn Output>,
    claimed: bool,
    calls: Rc<Cell<u32>>,
}

impl Output for Counting {
    fn claim(&mut self) -> Result<(), RigError> {
        self.claimed = true;
        self.calls.set(self.calls.get() + 1);
        self.inner.claim()
    }
    fn show(&mut self, program: &Arc<ScanProgram>) -> Result<(), RigError> {
        self.calls.set(self.calls.get() + 1);
        self.inner.show(program)
    }
    fn blank(&mut self) -> Result<(), RigError> {
        self.calls.set(self.calls.get() + u32::from(self.claimed));
        self.inner.blank()
    }
}

fn counted(list: Checklist, dir: &Path) -> (u32, Outcome) {
    let build = water_taxi();
    let options = SimOptions { scenario: Scenario::default(), seed: 1, start_unix_ms: 0, witness: WitnessMode::Simulated, asked: None };
    let Rig { name, simulated, output, meter, clock, health, witness } = sim::rig(&build, options);
    let calls = Rc::new(Cell::new(0));
    let output = Box::new(Counting { inner: output, claimed: false, calls: Rc::clone(&calls) });
    let witness = Box::new(WithChecklist { inner: witness, list });
    let rig = Rig { name, simulated, output, meter, clock, health, witness };
    let request = Request {
        build: &build,
        build_file: WATER_TAXI.to_owned(),
        selection: Selection { stages: Some(vec![]), ..Selection::default() },
        witness: WitnessMode::Simulated,
        place: PlaceOfRun::Bench,
        seed: Some(1),
        scenario: None,
        ambient_c: None,
        corrections: Vec::new(),
        out: Some(dir.to_owned()),
    };
    let done = commission::commission(request, rig, &|| None, &mut |_| {}).unwrap();
    (calls.get(), done.report.outcome)
}

#[test]
fn no_line_is_touched_where_the_checklist_stops() {
    let temp = tempfile::tempdir().unwrap();
    assert_eq!(counted(list(5.31, 100.0), &temp.path().join("a")), (0, Outcome::Stopped));
    let (calls, outcome) = counted(list(5.02, 100.0), &temp.path().join("b"));
    assert!(calls > 0);
    assert_eq!(outcome, Outcome::Incomplete);
}

#[test]
fn guard_bands_follow_the_meter() {
    let build = water_taxi();
    let at = signproof::event::Stamp { mono_ns: 0, unix_ms: 0, synced: true };
    let result = |volts: f64| {
        let entry = signproof::event::Entry { seq: 0, at, event: Event::Checklist(list(volts, 100.0)) };
        let checks = checklist::checks(&build, &[entry]);
        checks.into_iter().find(|c| c.id == "by-hand/volts/main").unwrap().result
    };
    // greatest error 0.02 V, rectangular (JCGM 100, 4.3.7): 0.02 / √3 · 1.960 = 0.0226 V
    assert_eq!(result(5.227), CheckResult::Pass);
    assert_eq!(result(5.228), CheckResult::Marginal);
    assert_eq!(result(5.272), CheckResult::Marginal);
    assert_eq!(result(5.273), CheckResult::Fail);
    assert_eq!(result(4.877), CheckResult::Fail);
}

/// A person at the terminal who never answers, on a sign whose supply falls to 4.4 V while they think: ended by the interlock, exit
/// code and what was said.
fn thinking(flags: &[&str]) -> (i32, String) {
    let temp = tempfile::tempdir().unwrap();
    std::fs::write(temp.path().join("falls.toml"), "[[fault]]\nkind = \"supply-set\"\nvolts = 4.4\nat_s = 1.4\n").unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_signproof"))
        .current_dir(temp.path())
        .args(["run", concat!(env!("CARGO_MANIFEST_DIR"), "/config/water-taxi.toml"), "--rig", "sim", "--witness", "ask", "--seed", "1"])
        .args(["--stages", "open,marks", "--scenario", "falls.toml", "--out", "run"])
        .args(flags)
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    // open, and nothing is typed
    let typing = child.stdin.take();
    let until = std::time::Instant::now() + std::time::Duration::from_secs(120);
    let code = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status.code().unwrap();
        }
        if std::time::Instant::now() > until {
            child.kill().unwrap();
            panic!("nothing looked at the supply while the person thought");
        }
        std::thread::sleep(std::time::Duration::from_millis(50));
    };
    drop(typing);
    let mut said = String::new();
    std::io::Read::read_to_string(&mut child.stderr.take().unwrap(), &mut said).unwrap();
    let report = std::fs::read_to_string(temp.path().join("run/report.json")).unwrap();
    (code, said + &report)
}

#[test]
fn the_interlock_is_on_while_the_person_at_the_terminal_thinks() {
    let by_hand = ["--by-hand", "polarity=yes", "--by-hand-who", "the builder", "--record", "rig.jsonl"];
    for flags in [&[][..], &by_hand[..]] {
        let (code, said) = thinking(flags);
        assert_eq!(code, 5, "{flags:?}: {said}");
        assert!(said.contains("PORT.POSITION dark"), "the question was asked: {said}");
        assert!(said.contains("The run was stopped: ") && said.contains(" V, outside "), "{said}");
    }
}

#[test]
fn a_wrong_value_and_a_wrong_file_are_told_in_words() {
    let build_text = include_str!("../config/water-taxi.toml");
    let build = signproof::build::load(build_text, "water-taxi.toml").unwrap();
    let list = "schema = 1\nserial = \"S\"\nwho = \"A\"\nwhen = \"2026-03-01T10:15\"\n[meter]\nmodel = \"M\"\n[volts]\nmain = \"5,02\"\n";
    let said = signproof::checklist::read(list, "list.toml", &build).unwrap_err();
    assert!(said.contains("expected a number, e.g. 5.02") && !said.contains("f64"), "{said}");
    let said = signproof::checklist::read(build_text, "list.toml", &build).unwrap_err();
    assert!(said.contains("list.toml: this looks like a build file"), "{said}");
    let said = signproof::build::load(list, "list.toml").unwrap_err().render(false);
    assert!(said.contains("this looks like a before-power checklist") && !said.contains("unknown key"), "{said}");
}

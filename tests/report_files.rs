//! The files of a report, for a pass, a fail with two findings, an incomplete and a stopped run: against golden files
//! (`UPDATE=1` rewrites them), the published schema, and the sizes that are promised.

mod runs;

use serde_json::{Value, json};
use signproof::build::Build;
use signproof::commission::{Judged, Request, commission, judged};
use signproof::event::{Entry, Event, PlaceOfRun, Role, Selection, WitnessMode};
use signproof::report::{Report, html, json as report_json, ocp};
use signproof::rig::sim::{self, SimOptions, scenario::Scenario};
use std::path::Path;
use std::sync::OnceLock;

const TWO_FAULTS: &str = "[[fault]]\nkind = \"panel-turned\"\nport = 1\nposition = 1\ndegrees = 180\n[[fault]]\nkind = \"line-open\"\nport = 1\nline = \"G2\"\nafter = 1\n";
const GIVES_WAY: &str = "[[fault]]\nkind = \"supply-limit\"\namps = 4\nat_s = 400\n";

/// A run of a build under a fixed run id and start.
fn run(path: &str, name: &str, scenario: &str, witness: WitnessMode) -> Judged {
    let (build, file) = runs::load(path);
    let parsed = Scenario::parse(&format!("tolerances = false\n{scenario}"), "scenario", &build).unwrap();
    let options = SimOptions { scenario: parsed, seed: 1, start_unix_ms: 1_780_000_000_000, witness, asked: None };
    let temp = tempfile::tempdir().unwrap();
    let request = Request {
        build: &build,
        build_file: file,
        selection: Selection::default(),
        witness,
        place: PlaceOfRun::Bench,
        seed: Some(1),
        scenario: Some(scenario.to_owned()),
        ambient_c: None,
        corrections: Vec::new(),
        out: Some(temp.path().join("run")),
    };
    let done = commission(request, sim::rig(&build, options), &|| None, &mut |_| {}).unwrap();
    let journal = std::fs::read(done.dir.join(signproof::commission::JOURNAL)).unwrap();
    let mut entries = signproof::journal::read(&journal).entries;
    if let Event::RunStarted { run_id, .. } = &mut entries[0].event {
        *run_id = format!("golden-{name}");
    }
    judged(Path::new("journal.jsonl"), entries).unwrap()
}

fn outcomes() -> &'static [(&'static str, Judged); 4] {
    static ONCE: OnceLock<[(&str, Judged); 4]> = OnceLock::new();
    ONCE.get_or_init(|| {
        [("pass", ""), ("fail", TWO_FAULTS), ("incomplete", ""), ("stopped", GIVES_WAY)].map(|(name, scenario)| {
            let witness = if name == "incomplete" { WitnessMode::None } else { WitnessMode::Simulated };
            (name, run("config/kiosk.toml", name, scenario, witness))
        })
    })
}

#[test]
fn the_report_schema_is_current() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/report.schema.json");
    let text = format!("{}\n", serde_json::to_string_pretty(&signproof::report::json_schema()).unwrap());
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(path, &text).unwrap();
    }
    assert!(std::fs::read_to_string(path).unwrap_or_default() == text, "run with UPDATE=1 to rewrite config/report.schema.json");
}

#[test]
fn every_outcome_is_valid_by_the_published_schema() {
    let schema: Value = serde_json::from_str(include_str!("../config/report.schema.json")).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for (name, run) in outcomes() {
        let mut value: Value = serde_json::from_str(&report_json(&run.report)).unwrap();
        let wrong: Vec<String> = validator.iter_errors(&value).map(|e| format!("{}: {e}", e.instance_path())).collect();
        assert!(wrong.is_empty(), "{name}: {wrong:?}");
        // and the schema can refuse
        value["outcome"] = json!("splendid");
        assert!(!validator.is_valid(&value));
        value.as_object_mut().unwrap().remove("outcome");
        assert!(!validator.is_valid(&value));
    }
}

/// The report with its coverage counted: thousands of lines that the judge's own tests look at.
fn golden_json(report: &Report) -> String {
    let mut value = serde_json::to_value(report).unwrap();
    let mut counts = std::collections::BTreeMap::<String, u32>::new();
    for c in &report.coverage {
        *counts.entry(format!("{} {}", c.kind, serde_json::to_value(c.proof).unwrap().as_str().unwrap())).or_default() += 1;
    }
    value["coverage"] = json!(counts);
    format!("{}\n", serde_json::to_string_pretty(&value).unwrap())
}

#[test]
fn reports_are_as_the_golden_files() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    for (name, run) in outcomes() {
        assert_eq!(run.report.outcome.word(), *name);
        let text = format!(
            "{}\n---- for a ticket ----\n{}",
            run.report.summary(Path::new("out/run")),
            signproof::ticket::text(&run.report, Some("flickers when it rains"))
        );
        for (file, made) in [(format!("{name}.json"), golden_json(&run.report)), (format!("{name}.txt"), text)] {
            let path = root.join(file);
            if std::env::var_os("UPDATE").is_some() {
                std::fs::create_dir_all(&root).unwrap();
                std::fs::write(&path, &made).unwrap();
            }
            let kept = std::fs::read_to_string(&path).unwrap_or_default();
            let first = kept.lines().zip(made.lines()).position(|(a, b)| a != b).map_or(0, |n| n + 1);
            assert!(kept == made, "{} differs from line {first}; UPDATE=1 rewrites it: read the diff", path.display());
        }
    }
}

#[test]
fn a_fail_has_two_findings_and_each_has_its_number_on_the_wall() {
    let (_, fail) = &outcomes()[1];
    let kinds: Vec<&str> = fail.report.findings.iter().map(|f| f.kind.as_str()).collect();
    assert!(kinds.len() == 2 && kinds.contains(&"panel-turned") && kinds.contains(&"line-open"), "{kinds:?}");
    let page = html(&fail.report, &fail.build, &fail.entries);
    assert!(page.contains("<strong>2 faults found</strong>"));
    let line = 1 + kinds.iter().position(|k| *k == "line-open").unwrap();
    for n in 1..=2 {
        assert!(page.contains(&format!("<span class=\"disc\">{n}</span>")));
        // the two panels behind the break carry its number, the turned one the other
        let on_panels = page
            .split("class=\"number\" x=")
            .skip(1)
            .filter(|t| t.split('>').nth(1).is_some_and(|t| t.starts_with(&format!("{n}<"))))
            .count();
        assert_eq!(on_panels, if n == line { 2 } else { 1 }, "finding {n}");
    }
}

#[test]
fn the_page_has_its_parts_in_order_for_every_outcome() {
    for (name, run) in outcomes() {
        let page = html(&run.report, &run.build, &run.entries);
        let parts = [
            "class=\"verdict",
            "What to do now",
            "The wall, front view",
            "Supply over the run",
            "V–I line of the climb",
            "<h2>Feeds",
            "Panels and their cells",
            "What was proven, and what was not",
            "<h2>Instruments",
            "<h2>Controller",
            "<h2>Expected build",
            "How to verify this report",
            "<h2>Cautions",
        ];
        let places: Vec<usize> = parts.iter().map(|p| page.find(p).unwrap_or_else(|| panic!("{name}: no {p}"))).collect();
        assert!(places.windows(2).all(|w| w[0] < w[1]), "{name}: {places:?}");
        // the verdict has a word and a sign, not a colour alone
        let sign = ["✔", "✕", "◔", "■"][outcomes().iter().position(|o| o.0 == *name).unwrap()];
        assert!(page.contains(&format!("{sign}</span><div><p class=\"word\">{}</p>", name.to_uppercase())), "{name}");
        assert!(!page.contains("NaN") && !page.contains("inf "), "{name}");
    }
    let (_, incomplete) = &outcomes()[2];
    let page = html(&incomplete.report, &incomplete.build, &incomplete.entries);
    assert!(page.contains("Run again with somebody in front of the wall") && page.contains("Not proven: nobody looked"));
    let (_, stopped) = &outcomes()[3];
    assert!(html(&stopped.report, &stopped.build, &stopped.entries).contains("■ blanked"));
}

#[test]
fn the_demo_report_is_under_200_kib() {
    for (name, scenario) in [("pass", ""), ("fail", "[[fault]]\nkind = \"panel-dark\"\nport = 1\nposition = 2\n")] {
        let run = run("config/water-taxi.toml", name, scenario, WitnessMode::Simulated);
        let size = html(&run.report, &run.build, &run.entries).len();
        assert!(size < 200 * 1024, "{name}: {size} bytes");
    }
}

/// A hold of a million readings with one dip and one peak in it.
fn million(build: &Build, entries: &[Entry]) -> (Vec<Entry>, usize) {
    let mut entries = entries.to_vec();
    let steady = |e: &Entry| matches!(&e.event, Event::Readings { role: Role::Steady, points, .. } if points.len() == build.sense.len());
    let at: Vec<usize> = (0..entries.len()).filter(|&i| steady(&entries[i])).collect();
    let block = 1_000_000 / build.sense.len() / at.len() + 1;
    let mut count = 0;
    for (k, &i) in at.iter().enumerate() {
        let Event::Readings { points, .. } = &mut entries[i].event else { unreachable!() };
        for p in points.iter_mut() {
            let level = p.values.first().copied().unwrap_or(5.0);
            // codes of a converter that wander over three steps
            p.values = (0..block).map(|n| level + 0.000_25 * ((n * 7 + k) % 3) as f64).collect();
            p.missing.clear();
            count += block;
        }
        if k == at.len() / 2 {
            points[0].values[block / 3] = 4.7631;
            points[0].values[block / 2] = 5.3877;
        }
    }
    (entries, count)
}

#[test]
fn a_million_readings_make_a_page_under_one_mib_that_keeps_lowest_and_highest() {
    let (_, sound) = &outcomes()[0];
    let (entries, count) = million(&sound.build, &sound.entries);
    assert!(count >= 1_000_000);
    let again = judged(Path::new("journal.jsonl"), entries).unwrap();
    let page = html(&again.report, &again.build, &again.entries);
    assert!(page.len() < 1 << 20, "{} bytes", page.len());
    let point = &again.report.supply[0];
    assert_eq!((point.min, point.max), (Some(4.7631), Some(5.3877)));
    // the table of stages is made from the points that are drawn
    assert!(page.contains("4.763\u{a0}–\u{a0}5.388"), "lowest or highest was lost in thinning");
}

#[test]
fn ocp_lines_are_one_artifact_each_numbered_and_whole() {
    for (name, run) in outcomes() {
        let text = ocp(&run.report, &run.entries);
        let lines: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
        assert!(text.ends_with('\n'));
        for (i, line) in lines.iter().enumerate() {
            assert_eq!(line["sequenceNumber"], i, "{name}");
            let artifacts = ["schemaVersion", "testRunArtifact", "testStepArtifact"].iter().filter(|k| line.get(**k).is_some()).count();
            assert!(artifacts == 1 && line.as_object().unwrap().len() == 3, "{name}: {line}");
        }
        assert_eq!(lines[0]["schemaVersion"], json!({ "major": 2, "minor": 0 }));
        let end = &lines.last().unwrap()["testRunArtifact"]["testRunEnd"];
        let expected = match *name {
            "pass" => ("COMPLETE", "PASS"),
            "fail" => ("COMPLETE", "FAIL"),
            "incomplete" => ("COMPLETE", "NOT_APPLICABLE"),
            _ => ("ERROR", "NOT_APPLICABLE"),
        };
        assert_eq!((end["status"].as_str().unwrap(), end["result"].as_str().unwrap()), expected, "{name}");
        let diagnoses = lines.iter().filter(|l| l["testStepArtifact"].get("diagnosis").is_some()).count();
        assert_eq!(diagnoses, run.report.checks.len() + run.report.findings.len(), "{name}");
    }
}

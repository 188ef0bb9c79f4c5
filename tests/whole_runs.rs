//! Whole simulated runs: builds that pass, runs that are cut or stopped, journals that were cut off.

mod runs;

use runs::{demo, load, simulate, simulate_cut};
use signproof::commission::judge_again;
use signproof::event::{Event, Selection, Stage, StopCause};
use signproof::frame::FrameSpec;
use signproof::judge::Outcome;
use std::process::{Command, Output};

fn signproof(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_signproof")).current_dir(env!("CARGO_MANIFEST_DIR")).env("NO_COLOR", "1").args(args).output().unwrap()
}

fn passes(path: &str) -> signproof::report::Report {
    let (build, file) = load(path);
    let run = simulate(&build, &file, "", 3);
    assert_eq!(run.report.outcome, Outcome::Pass, "{path}: {:?}", run.report.reasons);
    run.report
}

#[test]
fn two_supplies_and_twelve_panels_run_to_pass() {
    let report = passes("tests/good_builds/two-supplies.toml");
    assert_eq!(report.checks.iter().filter(|c| c.id.starts_with("sweep/cell/")).count(), 12 * 6);
}

#[test]
fn a_two_by_two_wall_with_the_upper_row_on_port_3_runs_to_pass() {
    passes("tests/good_builds/two-by-two.toml");
}

#[test]
fn the_kiosk_runs_to_pass_at_its_reduced_level() {
    assert!(passes("config/kiosk.toml").level_permitted < 1.0);
}

#[test]
fn a_power_monitors_volts_and_amperes_run_to_pass() {
    let report = passes("tests/good_builds/power-monitor.toml");
    let amps = report.supply.iter().find(|p| p.unit == "A").unwrap();
    assert!(amps.readings > 1000 && amps.missing == 0);
    // controller 3 A and two idle panels at the least; all white at the most (the build's own figures, 15 % about them)
    assert!(amps.min.unwrap() > 0.85 * 3.0 && amps.max.unwrap() > 0.85 * 10.0 && amps.max.unwrap() < 1.15 * 11.2, "{amps:?}");
}

#[test]
fn converters_that_the_kernel_reads_run_to_pass() {
    let report = passes("tests/good_builds/kernel-files.toml");
    let point = |name: &str| report.supply.iter().find(|p| p.sense == name).unwrap();
    assert!(point("amps").readings > 1000 && point("amps").max.unwrap() > 0.85 * 10.0);
    // the scenario's ambient is 20 °C by default
    let air = point("air");
    assert!(air.unit == "°C" && (air.mean.unwrap() - 20.0).abs() < 1.0, "{air:?}");
    assert_eq!(report.ambient_c, air.mean, "a sensor of the build tells the ambient temperature");
}

#[test]
fn one_converter_of_each_kind_carries_a_whole_run() {
    let (build, file) = load("tests/good_builds/every-converter.toml");
    let report = simulate(&build, &file, "", 3).report;
    // the coarse ones among them leave a check undecided
    assert!(matches!(report.outcome, Outcome::Pass | Outcome::Marginal) && report.findings.is_empty(), "{:?}", report.reasons);
    assert!(report.supply.len() == 7 && report.supply.iter().all(|p| p.readings > 1000 && p.missing == 0), "{:?}", report.supply);
}

#[test]
fn a_supply_that_gives_way_in_the_hold_is_answered_within_one_sample_period() {
    let (build, file) = demo(60.0);
    let sound = simulate(&build, &file, "", 5);
    assert_eq!(sound.report.outcome, Outcome::Pass, "{:?}", sound.report.reasons);
    let start = sound.entries.iter().find(|e| e.event == Event::StageStarted { stage: Stage::Hold }).unwrap().at.mono_ns;
    // the simulator's clock starts at 0, and until then the run is the same
    let at_s = start as f64 * 1e-9 + 20.03;
    let run = simulate(&build, &file, &format!("[[fault]]\nkind = \"supply-limit\"\namps = 8\nat_s = {at_s}\n"), 5);
    assert_eq!(run.report.outcome, Outcome::Stopped);
    let (at, after_s, cause) = run
        .entries
        .iter()
        .find_map(|e| if let Event::Blanked { after_s, cause } = &e.event { Some((e.at, *after_s, cause)) } else { None })
        .unwrap();
    assert!(matches!(cause, StopCause::Volts { .. } | StopCause::Undervoltage), "{cause:?}");
    // the hold reads every 100 ms; four readings of 1.5 ms each then may pass before the one that shows it
    let late = at.mono_ns as f64 * 1e-9 - at_s;
    assert!((0.0..=0.106).contains(&late), "{late} s after the fault");
    assert!((0.0..=0.0015).contains(&after_s), "{after_s} s after the reading");
    assert!(!run.entries.iter().any(|e| e.event == Event::StageEnded { stage: Stage::Hold }));
}

#[test]
fn a_run_cut_to_ports_or_feeds_never_passes_and_asks_for_its_own_panels_only() {
    let (build, file) = demo(10.0);
    for (selection, panels) in [
        (Selection { ports: Some(vec![2]), ..Selection::default() }, vec![(2, 1), (2, 2), (2, 3)]),
        (Selection { feeds: Some(vec!["F2".into()]), ..Selection::default() }, vec![(1, 2), (2, 2)]),
        // all of them by name is a cut all the same
        (Selection { ports: Some(vec![1, 2]), ..Selection::default() }, vec![]),
    ] {
        let run = simulate_cut(&build, &file, "", 3, selection);
        assert_eq!(run.report.outcome, Outcome::Incomplete, "{:?}", run.report.reasons);
        let marks: Vec<(u8, u8)> = run
            .entries
            .iter()
            .filter_map(|e| match &e.event {
                Event::Witnessed { question, answer, .. } => {
                    assert_eq!(*answer, signproof::event::Answer::AsShown);
                    if let FrameSpec::MarkOf { port, position } = question.frame { Some((port, position)) } else { None }
                }
                _ => None,
            })
            .collect();
        assert_eq!(marks, panels);
    }
}

#[test]
fn a_cut_off_journal_is_incomplete_and_says_what_never_ran() {
    let (build, file) = demo(10.0);
    let run = simulate(&build, &file, "", 3);
    let journal = run.journal;
    let temp = tempfile::tempdir().unwrap();
    let path = temp.path().join("journal.jsonl");
    let first = journal.iter().position(|b| *b == b'\n').unwrap() + 1;
    let mut before = usize::MAX;
    for (cut, name) in [
        (first, "the start alone"),
        (first + 10, "a torn second line"),
        (journal.len() / 4, "a quarter"),
        (journal.len() / 2, "half"),
        (journal.len() * 9 / 10, "nine tenths"),
    ] {
        std::fs::write(&path, &journal[..cut]).unwrap();
        let report = judge_again(&path).unwrap().report;
        assert_eq!(report.outcome, Outcome::Incomplete, "{name}");
        assert!(!report.never_ran.is_empty() && report.never_ran.len() <= before, "{name}");
        assert!(report.reasons.iter().any(|r| r.contains("never ran")), "{name}: {:?}", report.reasons);
        before = report.never_ran.len();
    }
    // without its last line everything ran, and still nothing says so
    std::fs::write(&path, &journal[..journal.len() - 1]).unwrap();
    let report = judge_again(&path).unwrap().report;
    assert_eq!((report.outcome, report.never_ran.len()), (Outcome::Incomplete, 0));
    // before the first line is whole it is not known what was tested
    std::fs::write(&path, &journal[..first - 1]).unwrap();
    assert!(judge_again(&path).is_err());
}

#[test]
fn a_journal_of_a_newer_format_is_refused() {
    let (build, file) = demo(10.0);
    let selection = Selection { stages: Some(vec![Stage::Open]), ..Selection::default() };
    let run = simulate_cut(&build, &file, "", 3, selection);
    let mut entries = run.entries;
    let Event::RunStarted { format, .. } = &mut entries[0].event else { panic!() };
    *format += 1;
    let mut journal = signproof::journal::Journal::create(Vec::new());
    for e in &entries {
        signproof::journal::Sink::record(&mut journal, e).unwrap();
    }
    let temp = tempfile::tempdir().unwrap();
    let path = temp.path().join("journal.jsonl");
    std::fs::write(&path, journal.into_storage()).unwrap();
    let error = judge_again(&path).err().unwrap().to_string();
    assert!(error.contains("judge it with a newer one"), "{error}");
}

#[test]
fn show_holds_a_frame_reads_and_stops_on_a_trip() {
    let show = ["show", "config/water-taxi.toml", "--rig", "sim", "--seed", "1", "--for", "2"];
    let out = signproof(&[&show[..], &["--port", "1", "--position", "2", "--colour", "green", "--half", "lower"]].concat());
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    assert_eq!(out.status.code(), Some(0), "{text}");
    assert!(text.contains("port 1 position 2 green lower"), "{text}");
    let lines: Vec<&str> = text.lines().filter(|l| l.contains("distribution")).collect();
    assert!(lines.len() >= 4, "{text}");
    assert!(lines.iter().all(|l| l.contains("feed-3 5.0")), "{text}");

    let temp = tempfile::tempdir().unwrap();
    let file = temp.path().join("scenario.toml");
    std::fs::write(&file, "[[fault]]\nkind = \"supply-limit\"\namps = 2\nat_s = 1.0\n").unwrap();
    let out = signproof(&[&show[..], &["--level", "50", "--scenario", file.to_str().unwrap()]].concat());
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(5), "{said}");
    assert!(said.contains("stopped, wall blanked"), "{said}");
    let lines = String::from_utf8_lossy(&out.stdout).lines().filter(|l| l.contains("distribution")).count();
    assert!((1..=3).contains(&lines), "it went on after the trip: {lines} lines");
}

#[test]
fn history_lists_the_runs_kept() {
    let temp = tempfile::tempdir().unwrap();
    for (name, stages) in [("first", "open"), ("second", "open,idle")] {
        let dir = temp.path().join(name);
        let args = ["run", "config/water-taxi.toml", "--rig", "sim", "--witness", "none", "--seed", "1", "--stages", stages];
        assert_eq!(signproof(&[&args[..], &["--out", dir.to_str().unwrap()]].concat()).status.code(), Some(4));
    }
    let out = signproof(&["history", "--in", temp.path().to_str().unwrap()]);
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    assert_eq!(out.status.code(), Some(0), "{text}");
    let (first, second) = (text.find("first"), text.find("second"));
    assert!(first.is_some() && first < second, "{text}");
    assert_eq!(text.matches("incomplete").count(), 2, "{text}");
    let out = signproof(&["history", "--in", temp.path().to_str().unwrap(), "--format", "json"]);
    let list: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(list.as_array().unwrap().len(), 2);
    assert_eq!(list[0]["sign"], "Harbour steps water-taxi board WT-0003");
}

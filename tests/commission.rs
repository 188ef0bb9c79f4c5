//! Whole runs of the demo sign on the simulated rig, through the built command.

use std::path::Path;
use std::process::{Command, Output};

fn signproof(dir: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_signproof"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env("NO_COLOR", "1")
        .args(args)
        .args(if args[0] == "run" { vec!["--out", dir.to_str().unwrap()] } else { vec![] })
        .output()
        .unwrap()
}

fn report(dir: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(dir.join("report.json")).unwrap()).unwrap()
}

/// Runs the demo with a scenario; exit code and report.
fn scenario(text: &str) -> (i32, serde_json::Value) {
    let temp = tempfile::tempdir().unwrap();
    let file = temp.path().join("scenario.toml");
    std::fs::write(&file, text).unwrap();
    let dir = temp.path().join("run");
    let out = signproof(
        &dir,
        &["run", "config/water-taxi.toml", "--rig", "sim", "--witness", "simulated", "--seed", "5", "--scenario", file.to_str().unwrap()],
    );
    (out.status.code().unwrap(), report(&dir))
}

fn has_finding(report: &serde_json::Value, kind: &str, key: &str, value: &str) -> bool {
    let text = |v: &serde_json::Value| v.as_str().map_or_else(|| v.to_string(), str::to_owned);
    report["findings"].as_array().unwrap().iter().any(|f| f["kind"] == kind && text(&f["where"][key]) == value)
}

#[test]
fn a_healthy_sign_passes_and_the_same_seed_gives_the_same_report() {
    let temp = tempfile::tempdir().unwrap();
    let mut texts = Vec::new();
    for name in ["a", "b"] {
        let dir = temp.path().join(name);
        let out = signproof(&dir, &["run", "config/water-taxi.toml", "--rig", "sim", "--witness", "simulated", "--seed", "1"]);
        assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stdout));
        let mut r = report(&dir);
        let cells = r["checks"].as_array().unwrap().iter().filter(|c| c["id"].as_str().unwrap().starts_with("sweep/cell/")).count();
        assert_eq!(cells, 36);
        assert_eq!(r["outcome"], "pass");
        assert_eq!(r["simulated"], true);
        for key in ["run_id", "started", "ended"] {
            r[key] = serde_json::Value::Null;
        }
        texts.push(r.to_string());
    }
    assert_eq!(texts[0], texts[1]);
}

#[test]
fn without_a_witness_the_run_is_incomplete() {
    let temp = tempfile::tempdir().unwrap();
    let out = signproof(&temp.path().join("run"), &["run", "config/water-taxi.toml", "--rig", "sim", "--witness", "none", "--seed", "1"]);
    assert_eq!(out.status.code(), Some(4));
}

#[test]
fn a_cut_run_is_never_a_pass() {
    let temp = tempfile::tempdir().unwrap();
    let args = ["run", "config/water-taxi.toml", "--rig", "sim", "--witness", "simulated", "--seed", "1", "--stages", "open,idle"];
    assert_eq!(signproof(&temp.path().join("run"), &args).status.code(), Some(4));
}

#[test]
fn judging_again_gives_the_same_bytes_and_a_torn_journal_is_incomplete() {
    let temp = tempfile::tempdir().unwrap();
    let dir = temp.path().join("run");
    signproof(
        &dir,
        &["run", "config/water-taxi.toml", "--rig", "sim", "--witness", "simulated", "--seed", "1", "--stages", "open,idle,rest"],
    );
    let before = [std::fs::read(dir.join("report.json")).unwrap(), std::fs::read(dir.join("report.html")).unwrap()];
    assert_eq!(signproof(&dir, &["judge", dir.to_str().unwrap()]).status.code(), Some(4));
    let after = [std::fs::read(dir.join("report.json")).unwrap(), std::fs::read(dir.join("report.html")).unwrap()];
    assert_eq!(before, after);
    let journal = dir.join("journal.jsonl");
    let bytes = std::fs::read(&journal).unwrap();
    std::fs::write(&journal, &bytes[..bytes.len() - 20]).unwrap();
    assert_eq!(signproof(&dir, &["judge", dir.to_str().unwrap()]).status.code(), Some(4));
    let text = report(&dir)["reasons"].to_string();
    assert!(text.contains("The journal has no end"), "{text}");
}

#[test]
fn a_blown_fuse_is_found() {
    let (code, r) = scenario("[[fault]]\nkind = \"fuse-open\"\nfeed = \"F2\"\n");
    assert_eq!(code, 5, "{}", r["reasons"]);
    assert!(has_finding(&r, "fuse-open", "feed", "F2"), "{}", r["findings"]);
}

#[test]
fn a_dead_colour_line_is_found() {
    let (code, r) = scenario("[[fault]]\nkind = \"line-open\"\nport = 1\nline = \"G2\"\nafter = 1\n");
    assert_eq!(code, 1);
    assert!(has_finding(&r, "line-open", "line", "G2"), "{}", r["findings"]);
}

#[test]
fn a_supply_that_gives_way_in_mid_run_stops_it() {
    let (code, r) = scenario("[[fault]]\nkind = \"supply-limit\"\namps = 8\nat_s = 700\n");
    assert_eq!(code, 5, "{}", r["reasons"]);
}

#[test]
fn the_board_rig_is_never_replaced_by_simulation() {
    let temp = tempfile::tempdir().unwrap();
    let dir = temp.path().join("run");
    assert_eq!(signproof(&dir, &["run", "config/water-taxi.toml", "--rig", "board"]).status.code(), Some(6));
    assert!(!dir.exists());
}

#[test]
fn the_kiosk_is_sound_at_a_reduced_level() {
    let out = signproof(Path::new(""), &["desk", "config/kiosk.toml", "--format", "json"]);
    assert_eq!(out.status.code(), Some(0));
    let r: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
    assert!(r["level_permitted"].as_f64().unwrap() < 1.0);
    assert!(r["level_binds"].as_str().unwrap().contains("5.0 A"), "{}", r["level_binds"]);
    assert!(r["checks"].as_array().unwrap().iter().any(|c| c["verdict"] == "caution"));
}

#[test]
fn a_hand_meter_corrects_a_point_and_later_runs_cite_it() {
    let temp = tempfile::tempdir().unwrap();
    let state = temp.path().join("state");
    let state = state.to_str().unwrap();
    let calibrate = |volts: &str| {
        let args = [
            "calibrate",
            "config/water-taxi.toml",
            "--rig",
            "sim",
            "--seed",
            "4",
            "--point",
            "distribution",
            "--meter-v",
            volts,
            "--state-dir",
            state,
        ];
        let out = signproof(temp.path(), &args);
        (out.status.code().unwrap(), String::from_utf8_lossy(&out.stdout).into_owned() + &String::from_utf8_lossy(&out.stderr))
    };
    let (code, text) = calibrate("4.20");
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("nothing was stored"), "{text}");
    let (code, text) = calibrate("5.07");
    assert_eq!(code, 0, "{text}");
    // what simulated converters need must never correct a real one
    assert!(text.contains(".simulated.json"), "{text}");
    let dir = temp.path().join("run");
    let args = [
        "run",
        "config/water-taxi.toml",
        "--rig",
        "sim",
        "--seed",
        "4",
        "--witness",
        "none",
        "--stages",
        "open,idle",
        "--state-dir",
        state,
    ];
    signproof(&dir, &args);
    let journal = std::fs::read_to_string(dir.join("journal.jsonl")).unwrap();
    assert!(journal.contains("\"calibrated\""), "the run cites its corrections");
}

//! A recorded run, replayed, gives the same verdict; a record that does not fit gives an error and no verdict.

use serde_json::Value;
use std::path::Path;
use std::process::Command;

const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/water-taxi.toml");
const KIOSK: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/kiosk.toml");
const WEAK_JOINT: &str = "[[fault]]\nkind = \"joint\"\nfeed = \"F2\"\nmilliohm = 40\n";

/// Exit code and what was said.
fn signproof(dir: &Path, words: &[&str]) -> (i32, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_signproof")).args(words).current_dir(dir).env("NO_COLOR", "1").output().unwrap();
    (out.status.code().unwrap(), String::from_utf8(out.stdout).unwrap() + &String::from_utf8(out.stderr).unwrap())
}

fn report(dir: &Path, run: &str) -> Value {
    serde_json::from_slice(&std::fs::read(dir.join(run).join("report.json")).unwrap()).unwrap()
}

/// A recorded run of the demo without its marks and hold, with a fault.
fn recorded(witness: &str, stages: &str) -> (tempfile::TempDir, i32) {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("fault.toml"), WEAK_JOINT).unwrap();
    let words = ["run", DEMO, "--rig", "sim", "--seed", "7", "--scenario", "fault.toml", "--witness", witness, "--stages", stages];
    let (code, said) = signproof(dir.path(), &[&words[..], &["--out", "first", "--record", "rig.jsonl"]].concat());
    assert!(dir.path().join("rig.jsonl").exists(), "{said}");
    (dir, code)
}

const SHORT: &str = "open,idle,sweep,climb,rest";

fn replay<'a>(build: &'a str, stages: &'a str, out: &'a str) -> [&'a str; 10] {
    ["run", build, "--rig", "replay:rig.jsonl", "--witness", "none", "--stages", stages, "--out", out]
}

#[test]
fn the_same_verdict_comes_out_of_the_record() {
    let (dir, code) = recorded("none", SHORT);
    let dir = dir.path();
    assert!(code == 1 || code == 5, "a weak joint fails or trips: {code}");
    let (again, said) = signproof(dir, &replay(DEMO, SHORT, "second"));
    assert_eq!(again, code, "{said}");
    let (a, b) = (report(dir, "first"), report(dir, "second"));
    for key in ["outcome", "reasons", "checks", "findings", "coverage", "supply", "board", "level_permitted"] {
        assert_eq!(a[key], b[key], "{key}");
        assert!(!a[key].is_null(), "{key}");
    }
    assert!(a["findings"].to_string().contains("joint"), "{}", a["findings"]);
    assert_eq!((&b["rig"], &b["simulated"]), (&"replay".into(), &true.into()));
    // an earlier record is kept
    let words = ["run", DEMO, "--rig", "sim", "--witness", "none", "--stages", "open", "--out", "third", "--record", "rig.jsonl"];
    let (code, said) = signproof(dir, &words);
    assert!(code == 6 && said.contains("Nothing was driven"), "{said}");
}

#[test]
fn what_a_person_said_is_in_the_record() {
    let stages = "open,marks,rest";
    let (dir, code) = recorded("simulated", stages);
    let mut words = replay(DEMO, stages, "second");
    words[5] = "simulated";
    let (again, said) = signproof(dir.path(), &words);
    assert_eq!(again, code, "{said}");
    let (a, b) = (report(dir.path(), "first"), report(dir.path(), "second"));
    assert_eq!((&a["checks"], &a["reasons"]), (&b["checks"], &b["reasons"]));
    assert!(a["checks"].as_array().unwrap().iter().any(|c| c["id"].as_str().unwrap().starts_with("marks/")), "{}", a["checks"]);
}

#[test]
fn what_was_found_by_hand_is_in_the_record_and_older_records_are_read() {
    let dir = tempfile::tempdir().unwrap();
    let by_hand = ["--by-hand", "polarity=no", "--by-hand-who", "the builder"];
    let words =
        ["run", DEMO, "--rig", "sim", "--seed", "7", "--witness", "none", "--stages", "open", "--out", "first", "--record", "rig.jsonl"];
    let (code, said) = signproof(dir.path(), &[&words[..], &by_hand].concat());
    assert_eq!(code, 5, "{said}");
    let (again, said) = signproof(dir.path(), &replay(DEMO, "open", "second"));
    assert_eq!(again, 5, "{said}");
    let (a, b) = (report(dir.path(), "first"), report(dir.path(), "second"));
    assert_eq!((&a["checks"], &a["reasons"]), (&b["checks"], &b["reasons"]));
    let (code, said) = signproof(dir.path(), &[&replay(DEMO, "open", "third")[..], &by_hand].concat());
    assert!(code == 2 && said.contains("for a run of now"), "{said}");
    // format 1 knew nothing of it
    let (dir, code) = recorded("none", SHORT);
    let record = std::fs::read_to_string(dir.path().join("rig.jsonl")).unwrap().replacen("\"format\":2", "\"format\":1", 1);
    std::fs::write(dir.path().join("rig.jsonl"), record).unwrap();
    let (again, said) = signproof(dir.path(), &replay(DEMO, SHORT, "second"));
    assert_eq!(again, code, "{said}");
}

#[test]
fn a_record_that_does_not_fit_is_an_error_and_no_verdict() {
    let (dir, _) = recorded("none", SHORT);
    let dir = dir.path();
    // other stages than were recorded
    let (code, said) = signproof(dir, &replay(DEMO, "open,climb,rest", "other"));
    assert_eq!(code, 6, "{said}");
    let reasons = report(dir, "other")["reasons"].to_string();
    assert!(reasons.contains("replaying a record") && reasons.contains("the record at"), "{reasons}");
    // another build
    let (code, said) = signproof(dir, &replay(KIOSK, SHORT, "kiosk"));
    assert!(code == 2 && said.contains("another build"), "{said}");

    let whole = std::fs::read(dir.join("rig.jsonl")).unwrap();
    let lines: Vec<&[u8]> = whole.split_inclusive(|&b| b == b'\n').collect();
    let half = lines[..lines.len() / 2].concat();
    let cases: [(&str, Vec<u8>, i32); 6] = [
        ("ended", half.clone(), 6),
        ("cut", [&half[..], b"{\"now\":"].concat(), 6),
        ("long", [&half[..], &vec![b' '; 100_000][..]].concat(), 6),
        ("garbled", [&half[..], b"{\"read\":[0]}\n"].concat(), 6),
        ("empty", Vec::new(), 2),
        ("newer", String::from_utf8(lines[0].to_vec()).unwrap().replace("\"format\":2", "\"format\":9").into_bytes(), 2),
    ];
    for (name, bytes, expected) in cases {
        std::fs::write(dir.join("rig.jsonl"), bytes).unwrap();
        let (code, said) = signproof(dir, &replay(DEMO, SHORT, name));
        assert_eq!(code, expected, "{name}: {said}");
    }
}

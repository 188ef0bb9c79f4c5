//! Transcripts of the command line: what a person reads, and the exit codes. Rewritten with `TRYCMD=overwrite cargo test --test cli`.

use std::process::{Command, Output};

#[test]
fn transcripts() {
    trycmd::TestCases::new().env("NO_COLOR", "1").case("tests/cli/*.trycmd").run();
}

fn signproof(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_signproof")).current_dir(env!("CARGO_MANIFEST_DIR")).args(args).output().unwrap()
}

#[test]
fn what_a_machine_reads_is_json_on_stdout_and_nothing_else() {
    let temp = tempfile::tempdir().unwrap();
    let out = temp.path().join("run");
    let out = out.to_str().unwrap();
    let run = ["run", "config/kiosk.toml", "--rig", "sim", "--witness", "none", "--seed", "1", "--stages", "open", "--out", out];
    for (args, key) in [
        (&["desk", "config/kiosk.toml"][..], "checks"),
        (&["plan", "config/kiosk.toml"], "steps"),
        (&["pins", "config/kiosk.toml"], "rows"),
        (&run, "outcome"),
        (&["judge", out], "outcome"),
    ] {
        let done = signproof(&[args, &["--format", "json"]].concat());
        let value: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap_or_else(|e| panic!("{args:?}: {e}"));
        assert!(!value[key].is_null(), "{args:?} has no `{key}`");
        assert!(done.stderr.is_empty(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
    }
    let list = signproof(&["history", "--in", temp.path().to_str().unwrap(), "--format", "json"]);
    let value: serde_json::Value = serde_json::from_slice(&list.stdout).unwrap();
    assert_eq!(value[0]["outcome"], "incomplete");
}

/// On a terminal of its own (`script` of util-linux gives one).
#[test]
fn colour_on_a_terminal_only_and_not_where_no_color_forbids_it() {
    let escapes = |no_color: Option<&str>| {
        let mut command = Command::new("script");
        command.current_dir(env!("CARGO_MANIFEST_DIR")).env_remove("NO_COLOR").env("TERM", "xterm");
        command.envs(no_color.map(|v| ("NO_COLOR", v)));
        let line = concat!(env!("CARGO_BIN_EXE_signproof"), " desk tests/bad_builds/unknown-feed.toml");
        let out = command.args(["-qec", line, "/dev/null"]).output().unwrap();
        assert_eq!(out.status.code(), Some(2));
        out.stdout.contains(&0x1b)
    };
    assert!(escapes(None));
    assert!(!escapes(Some("1")));
    let piped = signproof(&["desk", "tests/bad_builds/unknown-feed.toml"]);
    assert!(!piped.stderr.contains(&0x1b));
}

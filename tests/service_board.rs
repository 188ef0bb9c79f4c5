//! The daemon on the board rig, on trees of a test: a file's page in place of the registers, a bus on which nothing answers.

mod daemon;

use daemon::{Daemon, command, configure};
use serde_json::json;
use signproof::build;
use signproof::rig::board::pins::PinSet;
use std::path::Path;

fn tree() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, bytes) in [
        ("proc/device-tree/compatible", &b"maker,3-model-b\0brcm,bcm2837\0"[..]),
        ("proc/device-tree/model", b"Single board 3\0"),
        ("proc/uptime", b"120.50 400.00\n"),
        ("dev/gpiomem", &[0; 4096]),
        ("dev/i2c-1", b""),
        ("run/lock/.keep", b""),
    ] {
        let path = dir.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    dir
}

/// Last masks written to the set and the clear register (BCM2835 ARM Peripherals, table 6-1: 0x1c and 0x28).
fn registers(tree: &Path) -> [u32; 2] {
    let bytes = std::fs::read(tree.join("dev/gpiomem")).unwrap();
    [0x1c, 0x28].map(|at| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()))
}

fn dark() -> [u32; 2] {
    let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/water-taxi.toml")).unwrap();
    let set = PinSet::of(&build::load(&text, "demo").unwrap());
    [set.oe_mask(), set.others_mask()]
}

/// `--rig board` comes last and replaces the helper's `sim` in the configuration, which has no seed.
fn on_board(tree: &Path, config: &Path) -> Daemon {
    let mut daemon = std::process::Command::new(env!("CARGO_BIN_EXE_signproof"));
    let pattern = command(config, &[]);
    for (name, value) in pattern.get_envs() {
        match value {
            Some(value) => daemon.env(name, value),
            None => daemon.env_remove(name),
        };
    }
    daemon.args(["--log", "info", "serve", "--rig", "board", "--config"]).arg(config).arg("--root").arg(tree);
    daemon.stdin(std::process::Stdio::null()).stdout(std::process::Stdio::null()).stderr(std::process::Stdio::piped());
    Daemon::spawn(daemon)
}

#[test]
fn the_lines_are_dark_before_the_daemon_serves_and_free_afterwards() {
    let (tree, state) = (tree(), tempfile::tempdir().unwrap());
    let config = configure(state.path(), "", "[first_power]\nstart = \"after-button\"\n");
    let mut daemon = on_board(tree.path(), &config);
    assert_eq!(registers(tree.path()), dark(), "OE high, all others low");
    let status = daemon.until("tried the converters", |s| s["points"][0]["missing"].as_str().is_some_and(|m| m != "not read yet"));
    assert_eq!((&status["simulated"], &status["phase"]), (&json!(false), &json!("watching")));
    assert!(status["lines"].as_str().unwrap().contains("dark"), "{status}");
    // a player may take the lines now: the lock is free
    let blank = std::process::Command::new(env!("CARGO_BIN_EXE_signproof")).arg("blank").arg("--root").arg(tree.path()).output().unwrap();
    assert!(blank.status.success(), "{}", String::from_utf8_lossy(&blank.stderr));
    // a run on a bus on which nothing answers is an error of the instrument, lights nothing, and waits for a person
    assert_eq!(daemon.post("/api/v1/runs", &json!({})).status, 202);
    let over = daemon.until("over", |s| s["phase"] == "watching" && !s["last"].is_null());
    assert_eq!(over["last"], "error");
    assert!(over["need"].as_str().unwrap().contains("error"), "{over}");
    assert_eq!(registers(tree.path()), dark());
    daemon.signal("KILL");
    assert_eq!(daemon.end(), None);
    // what ExecStopPost does
    std::fs::write(tree.path().join("dev/gpiomem"), [0; 4096]).unwrap();
    let blank = std::process::Command::new(env!("CARGO_BIN_EXE_signproof")).arg("blank").arg("--root").arg(tree.path()).output().unwrap();
    assert!(blank.status.success());
    assert_eq!(registers(tree.path()), dark());
}

#[test]
fn lines_that_a_player_has_are_left_alone_and_the_player_is_named() {
    let (tree, state) = (tree(), tempfile::tempdir().unwrap());
    for (name, text) in [("comm", "lamp-player\n"), ("maps", "f000-f001 rw-s 00000000 00:05 9                /dev/gpiomem\n")] {
        let path = tree.path().join("proc/77").join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }
    let config = configure(state.path(), "", "");
    let daemon = on_board(tree.path(), &config);
    let over = daemon.until("the first power-up was tried", |s| s["last"] == "error" && s["phase"] == "watching");
    assert!(over["lines"].as_str().unwrap().contains("lamp-player (process 77)"), "{over}");
    assert!(over["need"].as_str().unwrap().contains("lamp-player (process 77)"), "{over}");
    assert_eq!(registers(tree.path()), [0, 0], "nothing was driven");
    assert!(daemon.log().contains("lamp-player (process 77)"));
}

//! The board rig on trees of a test: `/dev`, `/sys`, `/proc` and `/run` below a folder, a file's page in place of the registers.

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use signproof::build::{self, Build};
use signproof::rig::board::{Root, lock, pins::PinSet};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/water-taxi.toml");

struct Tree {
    dir: tempfile::TempDir,
}

impl Tree {
    /// A board of which everything is there.
    fn whole() -> Self {
        let tree = Self { dir: tempfile::tempdir().unwrap() };
        tree.write("proc/device-tree/compatible", b"maker,3-model-b\0brcm,bcm2837\0");
        tree.write("proc/device-tree/model", b"Single board 3\0");
        tree.write("proc/device-tree/serial-number", b"00000000abcd1234\0");
        tree.write("proc/uptime", b"120.50 400.00\n");
        tree.write("dev/gpiomem", &[0; 4096]);
        tree.write("dev/i2c-1", b"");
        tree.write("run/lock/.keep", b"");
        tree.write("sys/class/thermal/thermal_zone0/temp", b"48312\n");
        tree.write("sys/devices/platform/soc/soc:firmware/get_throttled", b"0\n");
        tree
    }
    fn path(&self) -> &Path {
        self.dir.path()
    }
    fn root(&self) -> Root {
        Root::new(self.path())
    }
    fn write(&self, name: &str, bytes: &[u8]) {
        let path = self.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    fn remove(&self, name: &str) {
        std::fs::remove_file(self.path().join(name)).unwrap();
    }
    fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_signproof"));
        command.args(words).arg("--root").arg(self.path()).current_dir(self.path()).stdin(Stdio::null());
        command
    }
    fn call(&self, words: &[&str]) -> (i32, String, String) {
        let Output { status, stdout, stderr } = self.command(words).output().unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        (status.code().unwrap(), text(stdout), text(stderr))
    }
    /// Last masks written to the set and the clear register (BCM2835 ARM Peripherals, table 6-1: 0x1c and 0x28).
    fn registers(&self) -> [u32; 2] {
        let bytes = std::fs::read(self.path().join("dev/gpiomem")).unwrap();
        [0x1c, 0x28].map(|at| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()))
    }
}

fn demo() -> Build {
    build::load(&std::fs::read_to_string(DEMO).unwrap(), "demo").unwrap()
}

const RUN: [&str; 5] = ["run", DEMO, "--rig", "board", "--witness"];

fn run(tree: &Tree) -> (i32, String, String) {
    let mut words = RUN.to_vec();
    words.extend(["none", "--out", "kept"]);
    tree.call(&words)
}

#[test]
fn the_lock_can_be_taken_by_other_users_whatever_the_umask() {
    use std::os::unix::fs::PermissionsExt;
    let tree = Tree::whole();
    let blank = tree.command(&["blank", DEMO]);
    // as in the unit, whose umask is 077
    let mut shell = Command::new("sh");
    shell.args(["-c", "umask 077; exec \"$@\"", "sh"]).arg(blank.get_program()).args(blank.get_args());
    assert!(shell.status().unwrap().success());
    let lock = std::fs::metadata(lock::path(&tree.root())).unwrap();
    assert_eq!(lock.permissions().mode() & 0o777, 0o644, "another user reads the note and locks it");
}

#[test]
fn what_is_missing_is_named_with_what_to_do_and_nothing_is_driven() {
    type Break = fn(&Tree);
    let cases: [(Break, &[&str]); 5] = [
        (|t| t.remove("proc/device-tree/compatible"), &["identifying the controller", "BCM283x"]),
        (|t| t.remove("dev/gpiomem"), &["dev/gpiomem", "No such file", "GPIO register device"]),
        (|t| t.write("dev/gpiomem", b"short"), &["not a register device"]),
        (|t| t.remove("dev/i2c-1"), &["I²C bus 1", "dtparam=i2c_arm=on", "i2c-dev"]),
        (|t| std::fs::remove_dir_all(t.path().join("run")).unwrap(), &["signproof.lock", "/run/lock"]),
    ];
    for (break_it, words) in cases {
        let tree = Tree::whole();
        break_it(&tree);
        let (code, out, err) = run(&tree);
        assert_eq!(code, 6, "{err}");
        for word in words {
            assert!(err.contains(word), "{word:?} is missing in: {err}");
        }
        assert!(err.contains("Nothing was driven"), "{err}");
        assert!(out.is_empty() && !tree.path().join("kept").exists());
        if tree.path().join("dev/gpiomem").metadata().is_ok_and(|m| m.len() == 4096) {
            assert_eq!(tree.registers(), [0, 0]);
        }
    }
}

#[test]
fn a_missing_spi_device_is_named_with_what_to_do() {
    let tree = Tree::whole();
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/good_builds/every-converter.toml")).unwrap();
    tree.write("build.toml", text.as_bytes());
    let (code, _, err) = tree.call(&["run", "build.toml", "--rig", "board", "--witness", "none"]);
    assert_eq!(code, 6, "{err}");
    for word in ["SPI bus 0, chip select 0", "dev/spidev0.0", "dtparam=spi=on", "Nothing was driven"] {
        assert!(err.contains(word), "{word:?} is missing in: {err}");
    }
    let (code, out, _) = tree.call(&["doctor", "build.toml"]);
    assert!(code == 6 && out.contains("dtparam=spi=on"), "{out}");
}

#[test]
fn a_converter_whose_bus_is_missing_is_not_called_absent() {
    let tree = Tree::whole();
    tree.remove("dev/i2c-1");
    let (code, out, _) = tree.call(&["doctor", DEMO]);
    assert!(code == 6 && out.contains("dtparam=i2c_arm=on"), "{out}");
    let points: Vec<&str> = out.lines().filter(|l| l.contains("TROUBLE sense")).collect();
    assert_eq!(points.len(), demo().sense.len(), "{out}");
    assert!(points.iter().all(|l| l.contains("its bus is not there")), "{out}");
    assert!(!out.contains("no such sense point"), "{out}");
}

#[test]
fn another_run_or_program_is_refused_by_name() {
    let tree = Tree::whole();
    let set = PinSet::of(&demo());
    tree.write(&format!("proc/{}/comm", std::process::id()), b"signproof\n");
    let held = lock::take(&tree.root(), "run", &set).unwrap();
    let (code, _, err) = run(&tree);
    assert_eq!(code, 6);
    assert!(err.contains(&format!("`signproof run` (process {})", std::process::id())), "{err}");
    let (code, _, err) = tree.call(&["blank"]);
    assert!(code == 6 && err.contains("`signproof run`"), "{err}");
    assert_eq!(tree.registers(), [0, 0]);
    drop(held);
    tree.write("proc/77/comm", b"lamp-player\n");
    tree.write("proc/77/maps", b"f000-f001 rw-s 00000000 00:05 9                /dev/gpiomem\n");
    for words in [&["blank"][..], &["run", DEMO, "--rig", "board", "--witness", "none"]] {
        let (code, _, err) = tree.call(words);
        assert!(code == 6 && err.contains("lamp-player (process 77)"), "{err}");
        assert_eq!(tree.registers(), [0, 0]);
    }
    assert_eq!(tree.call(&["blank", "--force"]).0, 0);
    assert_eq!(tree.registers(), [set.oe_mask(), set.others_mask()]);
}

#[test]
fn silent_converters_end_in_error_with_nothing_lit() {
    let tree = Tree::whole();
    let (code, out, _) = run(&tree);
    assert_eq!(code, 6, "{out}");
    let report: Value = serde_json::from_slice(&std::fs::read(tree.path().join("kept/report.json")).unwrap()).unwrap();
    assert_eq!((&report["outcome"], &report["rig"]), (&"error".into(), &"board".into()));
    assert_eq!(report["simulated"], true, "a tree of a test is no sign");
    assert_eq!(report["board"]["model"], "Single board 3");
    assert_eq!(report["board"]["soc_c"], 48.312);
    assert_eq!(report["board"]["scan"]["path"], "mapped registers");
    assert!(out.contains("no converter answers"), "{out}");
    let set = PinSet::of(&demo());
    assert_eq!(tree.registers(), [set.oe_mask(), set.others_mask()], "OE high, all others low");
}

#[test]
fn undervoltage_stops_before_anything_is_lit() {
    let tree = Tree::whole();
    tree.write("sys/class/hwmon/hwmon1/name", b"board_volt\n");
    tree.write("sys/class/hwmon/hwmon1/in0_lcrit_alarm", b"1\n");
    let (code, out, _) = tree.call(&["doctor", DEMO]);
    assert!(code == 6 && out.contains("TROUBLE supply"), "{out}");
    let (code, out, _) = tree.call(&["doctor", DEMO, "--format", "json", "--serial"]);
    let findings: Value = serde_json::from_str(&out).unwrap();
    let named = |what: &str| findings.as_array().unwrap().iter().find(|f| f["what"] == what).unwrap().clone();
    assert_eq!(named("serial")["text"], "00000000abcd1234");
    assert_eq!(named("controller")["good"], true);
    assert_eq!(named("sense distribution")["good"], false);
    assert_eq!(code, 6);
}

/// The demo with one sense point, which the kernel's own driver reads: 5.09 V behind a divider of 2:1, 20360 steps of 0.125 mV.
fn by_the_kernel(tree: &Tree) -> String {
    let text = std::fs::read_to_string(DEMO).unwrap();
    let sense = r#"[[sense]]
name = "distribution"
node = "distribution"
chip = { kind = "iio", device = "ads1015", file = "voltage0", step = 0.000125, highest = 4.096 }
divider = { top_ohm = 10000, bottom_ohm = 10000, tolerance_pct = 0.1 }
"#;
    tree.write("kernel.toml", format!("{}{sense}", &text[..text.find("[[sense]]").unwrap()]).as_bytes());
    tree.write("sys/bus/iio/devices/iio:device0/name", b"ads1015\n");
    tree.write("sys/bus/iio/devices/iio:device0/in_voltage0_raw", b"20360\n");
    tree.write("sys/bus/iio/devices/iio:device0/in_voltage0_scale", b"0.125000000\n");
    tree.path().join("kernel.toml").display().to_string()
}

#[test]
fn a_signal_darkens_and_so_does_blank_after_a_kill() {
    let tree = Tree::whole();
    let build = by_the_kernel(&tree);
    let set = PinSet::of(&demo());
    for signal in [Signal::TERM, Signal::INT, Signal::KILL] {
        let words = ["show", &build, "--rig", "board", "--level", "10", "--guard-ms", "60000"];
        let said = tree.path().join("said");
        let mut child = tree.command(&words).stdout(Stdio::null()).stderr(std::fs::File::create(&said).unwrap()).spawn().unwrap();
        // lit: rows are addressed and clocked, so the clear register gets OE and clocks
        let start = Instant::now();
        while tree.registers()[0] == 0 || tree.registers()[0] == set.oe_mask() {
            assert!(start.elapsed() < Duration::from_secs(120), "nothing was lit");
            let ended = child.try_wait().unwrap();
            assert!(ended.is_none(), "{ended:?} before anything was lit: {}", std::fs::read_to_string(&said).unwrap());
            std::thread::sleep(Duration::from_millis(5));
        }
        kill_process(Pid::from_child(&child), signal).unwrap();
        let status = child.wait().unwrap();
        if signal == Signal::KILL {
            assert_eq!(status.code(), None);
            let start = Instant::now();
            let (code, out, err) = tree.call(&["blank"]);
            println!("blank after a kill: {:.1} ms", start.elapsed().as_secs_f64() * 1000.0);
            assert_eq!(code, 0, "{err}");
            assert!(out.contains("OE (GPIO 4)"), "{out}");
        } else {
            assert_eq!(status.code(), Some(5));
        }
        assert_eq!(tree.registers(), [set.oe_mask(), set.others_mask()]);
        tree.write("dev/gpiomem", &[0; 4096]);
    }
}

#[test]
fn blank_without_a_run_or_a_build_asks_for_the_build() {
    let tree = Tree::whole();
    let (code, _, err) = tree.call(&["blank"]);
    assert!(code == 2 && err.contains("name the build file"), "{err}");
    assert_eq!(tree.call(&["blank", DEMO]).0, 0);
    let set = PinSet::of(&demo());
    assert_eq!(tree.registers(), [set.oe_mask(), set.others_mask()]);
}

#[test]
fn scenario_and_seed_belong_to_the_simulation() {
    let tree = Tree::whole();
    let (code, _, err) = tree.call(&["run", DEMO, "--rig", "board", "--seed", "1"]);
    assert!(code == 2 && err.contains("sim rig"), "{err}");
}

//! The true map of walls that are connected otherwise than their build files say.

use rand::rngs::StdRng;
use rand::seq::SliceRandom;
use rand::{Rng, SeedableRng};
use signproof::build::{self, Build};
use signproof::commission::{self, Request};
use signproof::event::{PlaceOfRun, Selection, WitnessMode};
use signproof::find_map;
use signproof::judge::Outcome;
use signproof::power;
use signproof::rig::Rig;
use signproof::rig::sim::{self, SimOptions, scenario::Scenario};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

/// A wall of panels: which place hangs where, and which way up. Places are counted row by row.
#[derive(Clone, PartialEq)]
struct Wall {
    columns: usize,
    places: usize,
    square: bool,
    chains: Vec<Vec<(usize, &'static str)>>,
}

impl Wall {
    /// As a builder would write it down: one chain a row, from the right, upright.
    fn regular(columns: usize, rows: usize, square: bool) -> Self {
        let chains = (0..rows).map(|r| (0..columns).rev().map(|c| (r * columns + c, "up")).collect()).collect();
        Self { columns, places: columns * rows, square, chains }
    }

    /// The build file. `probed` is a place whose power plug is sensed.
    fn text(&self, probed: usize) -> String {
        let width = if self.square { 32 } else { 64 };
        let feeds = self.places.div_ceil(2);
        let mut out = format!(
            "# a wall of a test\nschema = 1\n[sign]\nname = \"Harbour steps wall\"\nserial = \"W-1\"\n[panel_types.p4]\nsize = [{width}, 32]\npitch_mm = 4.0\nscan = \"1:16\"\n\
             input_side = \"right\"\nmin_v = 4.5\nidle_a = 0.1\nfull_a = {{ red = 1.45, green = 1.10, blue = 1.05 }}\n\
             [supplies.main]\nset_v = 5.1\nrated_a = 60.0\naccept_v = [4.9, 5.25]\nsource_mohm = 1.0\ninput_lead = {{ mm2 = 16.0, length_m = 0.5 }}\n\
             [feeds.C]\nfuse_a = 5.0\nlead = {{ mm2 = 2.5, length_m = 0.45 }}\n[controller]\nmodel = \"single-board computer\"\nfeed = \"C\"\ndraw_a = 3.0\nmin_v = 4.75\n\
             [adapter]\nbuffer = \"HCT\"\noe_pull_up = true\noe = 4\naddress = [5, 6, 7, 8]\nclk = 9\nlat = 10\n\
             [[adapter.ports]]\nport = 1\ndata = [11, 12, 13, 16, 17, 18]\n[[adapter.ports]]\nport = 2\ndata = [19, 20, 21, 22, 23, 24]\n\
             [[adapter.ports]]\nport = 3\ndata = [25, 26, 27, 0, 1, 14]\n[limits]\nhold_s = 130\n"
        );
        for f in 0..feeds {
            out.push_str(&format!("[feeds.F{f}]\nfuse_a = 15.0\nlead = {{ mm2 = 4.0, length_m = 0.45 }}\n"));
        }
        let mut seat = String::new();
        for (port, chain) in self.chains.iter().enumerate().filter(|(_, c)| !c.is_empty()) {
            out.push_str(&format!("\n# how it was meant\n[[chains]] # a row\nport = {}\npanels = [\n", port + 1));
            for (i, (place, up)) in chain.iter().enumerate() {
                let at = [place % self.columns * width, place / self.columns * 32];
                out.push_str(&format!(
                    "  {{ type = \"p4\", at = {at:?}, up = \"{up}\", feed = \"F{}\", serial = \"S{place}\" }},\n",
                    place / 2
                ));
                if *place == probed {
                    seat = format!("panel:{}-{}", port + 1, i + 1);
                }
            }
            out.push_str("]\n");
        }
        let mut nodes = vec!["distribution".to_owned()];
        nodes.extend((0..feeds).map(|f| format!("feed:F{f}")));
        nodes.push(seat);
        for (k, node) in nodes.iter().enumerate() {
            let (address, channel) = (0x48 + k / 4, k % 4);
            out.push_str(&format!(
                "\n[[sense]] # point {k}\nname = \"p{k}\"\nnode = \"{node}\"\nchip = {{ kind = \"ads1115\", bus = 1, address = {address}, channel = {channel}, range_v = 4.096 }}\n\
                 divider = {{ top_ohm = 10000, bottom_ohm = 10000, tolerance_pct = 0.1 }}\n"
            ));
        }
        out
    }

    /// Swapped ports, swapped order, turned panels, or dealt anew to any lengths.
    fn shuffled(&self, kind: usize, rng: &mut StdRng) -> Self {
        let mut out = self.clone();
        let turns: &[&str] = if self.square { &["up", "right", "down", "left"] } else { &["up", "down"] };
        match kind {
            0 => {
                // the ports that have chains, in another order, or a chain on a port that was meant to be free
                out.chains.resize(3, Vec::new());
                out.chains.shuffle(rng);
            }
            1 => {
                let chain = rng.random_range(0..out.chains.len());
                out.chains[chain].shuffle(rng);
            }
            2 => out.chains.iter_mut().flatten().for_each(|seat| seat.1 = turns[rng.random_range(0..turns.len())]),
            _ => {
                let mut all: Vec<_> = (0..self.places).map(|p| (p, turns[rng.random_range(0..turns.len())])).collect();
                all.shuffle(rng);
                out.chains = vec![Vec::new(); 3];
                for seat in all {
                    out.chains[rng.random_range(0..3)].push(seat);
                }
            }
        }
        out
    }
}

fn load(text: &str) -> Build {
    build::load(text, "wall.toml").unwrap_or_else(|p| panic!("{}\n{text}", p.render(false)))
}

fn rig(truth: &Build, seed: u64) -> Rig {
    let scenario = Scenario { tolerances: true, ..Scenario::default() };
    sim::rig(truth, SimOptions { scenario, seed, start_unix_ms: 0, witness: WitnessMode::Simulated, asked: None })
}

fn run(build: &Build, text: &str, rig: Rig, dir: &Path) -> (Outcome, Vec<String>) {
    let request = Request {
        build,
        build_file: text.to_owned(),
        selection: Selection::default(),
        witness: WitnessMode::Simulated,
        place: PlaceOfRun::Bench,
        seed: Some(1),
        scenario: None,
        ambient_c: None,
        corrections: Vec::new(),
        out: Some(dir.to_owned()),
    };
    let done = commission::commission(request, rig, &|| None, &mut |_| {}).unwrap();
    let open = done.report.checks.iter().filter(|c| c.result != signproof::check::CheckResult::Pass);
    let open = open.map(|c| format!("{}: {:?} {}", c.id, c.result, c.basis));
    (done.report.outcome, done.report.reasons.into_iter().chain(open).collect())
}

#[test]
fn a_hundred_random_walls_give_their_true_maps() {
    let temp = tempfile::tempdir().unwrap();
    let mut rng = StdRng::seed_from_u64(6);
    let (mut right, mut differed) = (0, 0);
    for wall in 0..100_usize {
        let written = Wall::regular(rng.random_range(2..=4), rng.random_range(1..=3), rng.random_bool(0.5));
        let truth = written.shuffled(wall % 4, &mut rng);
        let probed = rng.random_range(0..written.places);
        let (text, truth) = (written.text(probed), load(&truth.text(probed)));
        let file = load(&text);
        differed += u32::from(file.digest() != truth.digest());

        let found = find_map::find(&file, &mut rig(&truth, wall as u64), &|| None).unwrap().unwrap();
        let new = find_map::write(&text, &file, &found, "in a test").unwrap();
        let corrected = load(&new.text);
        assert_eq!(corrected.digest(), truth.digest(), "wall {wall}\n{}", new.diff);
        assert_eq!(find_map::advice(&file, &found).is_empty(), file.panels == truth.panels, "wall {wall}");
        assert_eq!(power::desk(&corrected).result, "sound", "wall {wall}");
        if wall % 10 == 3 {
            let again = find_map::find(&corrected, &mut rig(&truth, 1), &|| None).unwrap().unwrap();
            assert!(find_map::advice(&corrected, &again).is_empty());
            let (outcome, reasons) = run(&corrected, &new.text, rig(&truth, wall as u64), &temp.path().join(wall.to_string()));
            assert_eq!(outcome, Outcome::Pass, "wall {wall}: {reasons:?}");
        }
        right += 1;
    }
    assert_eq!(right, 100);
    // the shuffles did something
    assert!(differed >= 80, "{differed}");
}

#[test]
fn the_rest_of_the_file_stays_as_it_was_written() {
    let written = Wall::regular(3, 2, false);
    let text = written.text(2);
    let (file, mut truth) = (load(&text), written.clone());
    truth.chains.swap(0, 1);
    let truth = load(&truth.text(2));
    let found = find_map::find(&file, &mut rig(&truth, 1), &|| None).unwrap().unwrap();
    let new = find_map::write(&text, &file, &found, "2026-03-01").unwrap();
    for words in ["# Chains as found on the wall by find-map, 2026-03-01. Changed:\n", "#   place 1 is 2·3 (was written as 1·3)\n"] {
        assert!(new.text.contains(words), "{}", new.text);
    }
    // the sensed plug is still that of place 3
    assert!(text.contains("node = \"panel:1-1\"") && new.text.contains("node = \"panel:2-1\""));
    let own = |text: &str| {
        let outside = |l: &&str| !l.contains("type = ") && !l.contains("panel:") && !l.starts_with("#   place") && !l.contains("as found");
        text.lines()
            .filter(outside)
            .map(|l| l.replace("[[chains]] # a row", "[[chains]]"))
            .filter(|l| l != "# how it was meant")
            .collect::<Vec<_>>()
    };
    assert_eq!(own(&new.text), own(&text));
    assert!(new.diff.starts_with("--- as written\n+++ as found\n@@"));
}

fn signproof(args: &[&str]) -> (i32, String, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_signproof")).current_dir(env!("CARGO_MANIFEST_DIR")).args(args).output().unwrap();
    (out.status.code().unwrap(), String::from_utf8(out.stdout).unwrap(), String::from_utf8(out.stderr).unwrap())
}

#[test]
fn swapped_ports_on_the_command_line() {
    let temp = tempfile::tempdir().unwrap();
    let (scenario, new) = (temp.path().join("s.toml"), temp.path().join("new.toml"));
    std::fs::write(&scenario, "[[fault]]\nkind = \"port-swap\"\nports = [1, 2]\n").unwrap();
    let base = ["find-map", "config/water-taxi.toml", "--rig", "sim", "--witness", "simulated", "--seed", "1"];
    let with = [&base[..], &["--scenario", scenario.to_str().unwrap(), "-o", new.to_str().unwrap()]].concat();
    let (code, out, err) = signproof(&with);
    assert_eq!(code, 0, "{err}");
    assert!(out.contains("Swap the ribbons of ports 1 and 2 at the adapter, or accept this map."), "{out}");
    assert!(out.contains("1·1 place 6, arrow up") && out.contains("+  { type = \"p4-64x32\", at = [128, 32]"), "{out}");
    let text = std::fs::read_to_string(&new).unwrap();
    assert!(text.contains("by find-map, SIMULATED: no real sign was looked at"), "{text}");
    let (code, out, _) = signproof(&["desk", new.to_str().unwrap()]);
    assert_eq!(code, 0, "{out}");
    // without a fault there is nothing to write
    let (code, out, _) = signproof(&[&base[..], &["-o", temp.path().join("none.toml").to_str().unwrap()]].concat());
    assert!(code == 0 && out.contains("connected as the build file says") && !temp.path().join("none.toml").exists());
}

#[test]
fn a_person_answers_at_the_terminal() {
    let temp = tempfile::tempdir().unwrap();
    let new = temp.path().join("new.toml");
    let ask = |answers: &str| {
        let mut child = Command::new(env!("CARGO_BIN_EXE_signproof"))
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .args(["find-map", "config/water-taxi.toml", "--rig", "sim", "--seed", "1", "-o", new.to_str().unwrap()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        child.stdin.take().unwrap().write_all(answers.as_bytes()).unwrap();
        let out = child.wait_with_output().unwrap();
        (out.status.code().unwrap(), String::from_utf8(out.stdout).unwrap(), String::from_utf8(out.stderr).unwrap())
    };
    // nobody goes on answering: nothing is written
    let (code, _, err) = ask("3 up\n");
    assert_eq!((code, new.exists()), (4, false), "{err}");
    assert!(err.contains("nobody answered where 1·2 is") && err.contains("SIMULATED"), "{err}");
    // place 9 is asked again; place 5 is upside down
    let (code, out, err) = ask("3 up\n2 up\n9 up\n1 up\n6 up\n5 down\n4 up\n");
    assert_eq!(code, 0, "{err}");
    assert!(err.contains("`9`: places are 1 to 6"), "{err}");
    assert!(out.contains("Place 5: the panel is turned by 180° clockwise"), "{out}");
    let found = load(&std::fs::read_to_string(&new).unwrap());
    assert_eq!(found.panels[found.panel_at(2, 2).unwrap()].up, build::Up::Down);
}

#[test]
fn a_dark_panel_is_no_map() {
    let temp = tempfile::tempdir().unwrap();
    let (scenario, new) = (temp.path().join("s.toml"), temp.path().join("new.toml"));
    std::fs::write(&scenario, "[[fault]]\nkind = \"panel-dark\"\nport = 1\nposition = 2\n").unwrap();
    let args = ["find-map", "config/water-taxi.toml", "--rig", "sim", "--witness", "simulated", "--seed", "1"];
    let (code, _, err) = signproof(&[&args[..], &["--scenario", scenario.to_str().unwrap(), "-o", new.to_str().unwrap()]].concat());
    assert_eq!(code, 4, "{err}");
    assert!(err.contains("1·3 lights place 1, but 1·2 lights nothing"), "{err}");
    assert!(!new.exists());
}

#[test]
fn panels_of_different_sizes_are_refused() {
    let text = Wall::regular(2, 1, false).text(0).replace("[supplies.main]", "[panel_types.p3]\nsize = [64, 64]\npitch_mm = 3.0\nscan = \"1:16\"\ninput_side = \"right\"\nmin_v = 4.5\nidle_a = 0.1\nfull_a = { red = 1.45, green = 1.10, blue = 1.05 }\n[supplies.main]");
    // one type only in use: the other does not matter
    assert!(find_map::Search::new(&load(&text)).is_ok());
    let mut mixed = load(&text);
    mixed.panels[1].kind = mixed.panel_types.iter().position(|t| t.height == 64).unwrap();
    assert!(find_map::Search::new(&mixed).err().unwrap().contains("`p4` and `p3`"));
}

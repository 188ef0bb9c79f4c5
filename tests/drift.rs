//! Comparison of runs and trends: against published figures, and on simulated signs with invented drift.

use signproof::commission::read_run;
use signproof::drift::{Bounds, Kind, Mismatch, Numbers, RowResult, compare, trend, two_sided_factor, welch};
use signproof::units::Measured;
use std::path::Path;
use std::process::Command;
use std::sync::OnceLock;

/// NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B: means and deviations of 249 and 79 cars. The handbook gives the pooled T; the
/// unpooled one is computed from the same summaries by (20.14458 - 30.48101) / sqrt(6.41470²/249 + 6.10771²/79).
#[test]
fn welch_agrees_with_auto83b() {
    let us = Measured { value: 20.14458, standard: 6.41470 / 249_f64.sqrt(), dof: 248.0 };
    let japan = Measured { value: 30.48101, standard: 6.10771 / 79_f64.sqrt(), dof: 78.0 };
    let w = welch(us, japan).unwrap();
    assert!((w.t - -12.9463).abs() < 1e-4, "{}", w.t);
    assert!((w.difference - -10.33643).abs() < 1e-9);
    // between the smaller sample's and the pooled degrees of freedom
    assert!(w.dof > 78.0 && w.dof < 326.0, "{}", w.dof);
    // the handbook's critical value at 326 degrees of freedom, 5 % two-sided
    assert!((two_sided_factor(326.0, 1) - 1.967_268).abs() < 1e-5);
}

#[test]
fn without_spread_nothing_is_tested() {
    let single = Measured { value: 1.0, standard: f64::INFINITY, dof: 0.0 };
    assert!(welch(single, Measured { value: 2.0, standard: 0.1, dof: 5.0 }).is_none());
}

fn run(dir: &Path, seed: u32, place: &str, scenario: &str, stages: &str) {
    let file = dir.with_extension("toml");
    std::fs::write(&file, format!("tolerances = false\n{scenario}")).unwrap();
    let out = Command::new(env!("CARGO_BIN_EXE_signproof"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["run", "config/water-taxi.toml", "--rig", "sim", "--witness", "none", "--seed", &seed.to_string(), "--place", place])
        .args(["--stages", stages, "--scenario", file.to_str().unwrap(), "--out", dir.to_str().unwrap()])
        .output()
        .unwrap();
    assert!(matches!(out.status.code(), Some(0..=5)), "{}", String::from_utf8_lossy(&out.stderr));
}

const SHORT: &str = "open,idle,climb";
const CELLS: &str = "open,idle,sweep,climb";

fn numbers(seed: u32, scenario: &str, stages: &str) -> Numbers {
    let temp = tempfile::tempdir().unwrap();
    let dir = temp.path().join("run");
    run(&dir, seed, "bench", scenario, stages);
    read_run(&dir).unwrap().numbers()
}

/// The sound sign with nominal parts; other seeds draw other noise.
fn sound() -> &'static Numbers {
    static ONCE: OnceLock<Numbers> = OnceLock::new();
    ONCE.get_or_init(|| numbers(1, "", CELLS))
}

fn says(before: &Numbers, after: &Numbers) -> Vec<String> {
    compare(before, after, false).unwrap().statements.into_iter().map(|s| format!("{} {}", s.what, s.suggests)).collect()
}

#[test]
fn noise_alone_changes_nothing() {
    for seed in 2..8 {
        let other = numbers(seed, "", if seed == 2 { CELLS } else { SHORT });
        assert_eq!(says(sound(), &other), Vec::<String>::new(), "seed {seed}");
    }
}

#[test]
fn a_joint_loosened_in_transport_is_found_in_the_cold() {
    let outdoors = numbers(2, "ambient_c = 12\n[[fault]]\nkind = \"joint\"\nfeed = \"F2\"\nmilliohm = 15\n", CELLS);
    let c = compare(sound(), &outdoors, false).unwrap();
    let r = c.rows.iter().find(|r| r.id == "resistance/feed/F2").unwrap();
    assert_eq!(r.result, RowResult::Changed);
    assert!((r.change - 15.0).abs() < r.expanded.unwrap().max(1.0), "{} ± {:?} mΩ", r.change, r.expanded);
    let words: Vec<&str> = c.statements.iter().map(|s| s.what.as_str()).collect();
    assert_eq!(words.len(), 2, "{words:?}");
    assert!(words[0].starts_with("Feed F2: resistance rose by 15") || words[0].starts_with("Feed F2: resistance rose by 14"), "{words:?}");
    assert!(c.statements[0].suggests.contains("loosened in transport"));
    assert_eq!(words[1], "It is 8.0 °C colder than in the earlier run.");
    // the other feeds are colder copper and nothing else; the cells of F2 respond more only because its joint does
    for r in c.rows.iter().filter(|r| matches!(r.kind, Kind::Resistance | Kind::Cell) && r.place.feed.as_deref() != Some("F2")) {
        assert_ne!(r.result, RowResult::Changed, "{}", r.id);
    }
    assert!(c.rows.iter().filter(|r| r.kind == Kind::Cell).all(|r| r.result != RowResult::Changed));
}

#[test]
fn a_turned_trim_a_leak_and_long_leads_are_told_apart() {
    let trim = says(sound(), &numbers(3, "[[fault]]\nkind = \"supply-set\"\nvolts = 5.02\n", SHORT));
    assert!(trim.len() == 1 && trim[0].contains("trim was turned"), "{trim:?}");
    let leak = says(sound(), &numbers(4, "[[fault]]\nkind = \"leak\"\nfeed = \"F3\"\namps = 1.5\n", SHORT));
    assert!(leak.iter().any(|s| s.starts_with("Feed F3: draws about 1.") && s.contains("moisture")), "{leak:?}");
    assert!(!leak.iter().any(|s| s.contains("Feed F1") || s.contains("Feed F2")), "{leak:?}");
    let joint = |f: &str| format!("[[fault]]\nkind = \"joint\"\nfeed = \"{f}\"\nmilliohm = 5\n");
    let long = says(sound(), &numbers(5, &["F1", "F2", "F3"].map(joint).concat(), SHORT));
    assert!(long[0].contains("all 3 sensed feeds rose alike") && long[0].contains("longer or thinner leads"), "{long:?}");
}

#[test]
fn a_dark_and_a_weak_panel_are_told_apart() {
    let dark = says(sound(), &numbers(6, "[[fault]]\nkind = \"panel-dark\"\nport = 1\nposition = 2\n", CELLS));
    assert!(dark.iter().any(|s| s.starts_with("Panel 1·2 went dark")), "{dark:?}");
    assert!(!dark.iter().any(|s| s.contains("loosened")), "{dark:?}");
    let weak = says(sound(), &numbers(7, "[[fault]]\nkind = \"panel-weak\"\nport = 2\nposition = 1\nfactor = 0.8\n", CELLS));
    // its neighbour on the same feed and the feed itself are not blamed, though the feed's drop is less by a tenth
    assert!(weak.len() == 1 && weak[0].starts_with("Panel 2·1 draws") && weak[0].contains("less"), "{weak:?}");
}

#[test]
fn other_builds_only_if_asked_and_simulated_never_with_real() {
    let mut other = sound().clone();
    other.build_digest = "f".repeat(64);
    assert!(matches!(compare(sound(), &other, false), Err(Mismatch::Builds { .. })));
    assert!(!compare(sound(), &other, true).unwrap().same_build);
    let mut real = sound().clone();
    real.simulated = false;
    for allowed in [false, true] {
        assert!(matches!(compare(sound(), &real, allowed), Err(Mismatch::Simulated { .. })));
        assert!(matches!(compare(&real, sound(), allowed), Err(Mismatch::Simulated { .. })));
    }
    let bounds = Bounds { resistance_over: 0.25, panel_under: 0.2 };
    assert!(matches!(trend(&[sound().clone(), real, sound().clone()], bounds), Err(Mismatch::Simulated { .. })));
}

/// Runs of a year, one a month; `grow` changes a quantity by the month; scatter of a tenth of a percent, fixed.
fn year(grow: impl Fn(&str, f64) -> f64) -> Vec<Numbers> {
    (0..12)
        .map(|month| {
            let mut n = sound().clone();
            n.run_id = format!("month-{month}");
            n.started_unix_ms += i64::from(month) * 30 * 86_400_000;
            for (i, q) in n.quantities.iter_mut().enumerate() {
                // a low-discrepancy sequence: scatter without a random generator
                let scatter = ((f64::from(month) * 0.618_034 + i as f64 * 0.414_214).fract() - 0.5) * 0.002;
                q.value = q.value * (1.0 + scatter) + grow(&q.id, f64::from(month));
            }
            n
        })
        .collect()
}

#[test]
fn a_creeping_joint_is_foretold_and_steady_things_are_not() {
    let bounds = Bounds { resistance_over: 0.25, panel_under: 0.2 };
    // F1 is expected at about 10 mΩ and may reach a quarter more; 0.1 mΩ a month from about 10.1 mΩ
    let t = trend(&year(|id, month| if id == "resistance/feed/F1" { 0.1 * month } else { 0.0 }), bounds).unwrap();
    let real: Vec<&str> = t.lines.iter().filter(|l| l.real).map(|l| l.id.as_str()).collect();
    assert!(real.contains(&"resistance/feed/F1"), "{real:?}");
    assert!(!real.iter().any(|id| id.contains("F2") || id.contains("volts") || id.contains("noise")), "{real:?}");
    let joint = t.lines.iter().find(|l| l.id == "resistance/feed/F1").unwrap();
    assert!((joint.per_month - 0.1).abs() < joint.expanded_per_month && joint.expanded_per_month < 0.03, "{joint:?}");
    let limit = joint.limit.unwrap();
    let months = (limit - joint.last) / 0.1;
    let (early, late) = joint.between.clone().unwrap();
    let expected = jiff::Timestamp::from_millisecond(year(|_, _| 0.0)[11].started_unix_ms).unwrap()
        + jiff::SignedDuration::from_secs_f64(months * 30.0 * 86_400.0);
    let day = expected.strftime("%Y-%m-%d").to_string();
    assert!(early <= day && day <= late.unwrap(), "{day} {joint:?}");
    let steady = trend(&year(|_, _| 0.0), bounds).unwrap();
    assert!(steady.lines.iter().all(|l| !l.real && l.leaves_limit_on.is_none()), "{:?}", steady.lines.iter().find(|l| l.real));
}

#[test]
fn a_clock_that_cannot_be_believed_is_left_out() {
    let mut runs = year(|_, _| 0.0);
    runs[3].clock_synchronised = false;
    let t = trend(&runs, Bounds { resistance_over: 0.25, panel_under: 0.2 }).unwrap();
    assert_eq!(t.runs.len(), 11);
    assert!(t.notes[0].contains("not synchronised"));
    // three runs of one hour say nothing of months, and it is said so
    let mut hour = runs[..3].to_vec();
    for (i, n) in hour.iter_mut().enumerate() {
        (n.started_unix_ms, n.clock_synchronised) = (1_780_000_000_000 + 600_000 * i as i64, true);
        n.quantities.iter_mut().for_each(|q| q.value += i as f64);
    }
    let short = trend(&hour, Bounds { resistance_over: 0.25, panel_under: 0.2 }).unwrap();
    assert!(
        short.notes.iter().any(|n| n.contains("of one day: over so short a time no slope is called real"))
            && short.lines.iter().all(|l| !l.real),
        "{:?}",
        short.notes
    );
    let two = trend(&runs[..2], Bounds { resistance_over: 0.25, panel_under: 0.2 }).unwrap();
    assert!(two.lines.is_empty() && two.notes.iter().any(|n| n.contains("needs three")));
}

/// The README's three commands are run as they stand there, and print what it says that they print.
#[test]
fn the_readme_says_what_compare_prints() {
    let readme = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/README.md")).unwrap();
    let section = readme.split("## After it was moved").nth(1).unwrap().split("\n## ").next().unwrap();
    let mut fences = section.split("```");
    let (commands, said) = (fences.nth(1).unwrap(), fences.nth(1).unwrap().strip_prefix("text\n").unwrap());
    let temp = tempfile::tempdir().unwrap();
    let mut printed = String::new();
    let commands: Vec<&str> = commands.trim().lines().collect();
    assert_eq!(commands.len(), 3);
    for command in commands {
        let words = command.strip_prefix("cargo run --release -- ").unwrap();
        let words: Vec<String> = words
            .split(' ')
            .map(|w| w.strip_prefix("out/").map_or_else(|| w.to_owned(), |dir| temp.path().join(dir).display().to_string()))
            .collect();
        let out = Command::new(env!("CARGO_BIN_EXE_signproof")).current_dir(env!("CARGO_MANIFEST_DIR")).args(&words).output().unwrap();
        assert!(matches!(out.status.code(), Some(0 | 1)), "{command}\n{}", String::from_utf8_lossy(&out.stderr));
        printed = String::from_utf8(out.stdout).unwrap();
    }
    assert!(printed.contains(said), "the README says\n{said}\ncompare prints\n{printed}");
    // and nothing else was found to have changed
    assert_eq!(printed.lines().filter(|l| l.starts_with("- ")).count(), 2, "{printed}");
}

//! Findings of whole simulated runs with a witness: one fault gives one finding, of the right kind and place, whatever it makes a
//! dozen pictures look like; and what the climb measured bounds the level.

mod runs;

use runs::{demo, loaded, simulate, simulate_cut};
use signproof::event::{Selection, Stage};
use signproof::judge::place_of;
use signproof::report::Report;
use signproof::rig::sim::scenario::Scenario;

fn report(scenario: &str) -> (Report, Vec<signproof::fault::Fault>) {
    let (build, file) = demo(3.0);
    let faults = Scenario::parse(scenario, "scenario", &build).unwrap().faults.into_iter().map(|f| f.fault).collect();
    (simulate(&build, &file, scenario, 5).report, faults)
}

#[test]
fn one_fault_is_one_finding() {
    for fault in [
        "kind = \"line-open\"\nport = 1\nline = \"R1\"\nafter = 1",
        "kind = \"line-open\"\nport = 1\nline = \"A\"\nafter = 1",
        "kind = \"driver-dead\"\nport = 1\nposition = 2\ncolour = \"red\"\nhalf = \"upper\"\nblock = 2",
        "kind = \"lines-swapped\"\nport = 1\nlines = [\"R1\", \"G1\"]\nafter = 0",
        "kind = \"lines-shorted\"\nport = 1\nlines = [\"R1\", \"G1\"]\nafter = 1",
        "kind = \"panel-dark\"\nport = 2\nposition = 2",
        "kind = \"panel-turned\"\nport = 2\nposition = 2\ndegrees = 180",
        "kind = \"port-swap\"\nports = [1, 2]",
        "kind = \"order-swap\"\nport = 1\npositions = [1, 3]",
        "kind = \"address-stuck\"\nline = \"B\"\nhigh = true",
        "kind = \"column-dead\"\nport = 1\nposition = 1\ncolour = \"red\"\nhalf = \"upper\"\ncolumn = 5",
        "kind = \"row-dead\"\nport = 1\nposition = 1\nrow = 5",
    ] {
        let (r, faults) = report(&format!("[[fault]]\n{fault}\n"));
        let (build, _) = demo(3.0);
        let told: Vec<_> = r.findings.iter().map(|f| (f.kind.as_str(), &f.place)).collect();
        assert_eq!(told, [(faults[0].kind(), &place_of(&build, &faults[0]))], "{fault}");
    }
}

#[test]
fn a_worse_line_lowers_the_permitted_level() {
    let (sound, _) = report("");
    assert!((sound.level_permitted - 1.0).abs() < 1e-9, "{:?}", sound.reasons);
    let (worse, _) = report("[[fault]]\nkind = \"joint\"\nfeed = \"F2\"\nmilliohm = 60\n");
    assert!(worse.level_permitted < 0.7, "{}", worse.level_permitted);
    assert!(worse.reasons.iter().any(|r| r.starts_with("Permitted level lowered from 100.0 to")), "{:?}", worse.reasons);
}

#[test]
fn a_converter_that_freezes_or_drifts_on_the_way_is_told() {
    let (r, faults) = report("[[fault]]\nkind = \"converter-stuck\"\nsense = \"feed-2\"\nat_s = 150\n");
    let (build, _) = demo(3.0);
    assert!(r.findings.iter().any(|f| f.kind == "converter-stuck" && f.place == place_of(&build, &faults[0])), "{:?}", r.findings);
    // after the last window of the sweep, and not enough to trip
    let (r, faults) = report("[[fault]]\nkind = \"converter-offset\"\nsense = \"feed-3\"\nmillivolt = 150\nat_s = 300\n");
    assert!(r.findings.iter().any(|f| f.kind == "converter-offset" && f.place == place_of(&build, &faults[0])), "{:?}", r.findings);
    // a short cut of a sound run shows one level only, and says nothing of that
    for seed in 1..=5 {
        let (build, file) = loaded("tests/good_builds/every-converter.toml", 3.0);
        let selection = Selection { stages: Some(vec![Stage::Open, Stage::Idle]), ..Selection::default() };
        let r = simulate_cut(&build, &file, "", seed, selection).report;
        assert!(r.findings.is_empty(), "{:?}", r.findings);
    }
}

/// Every kind that a report names, look-alikes included.
fn named(report: &Report) -> Vec<&str> {
    report.findings.iter().flat_map(|f| std::iter::once(f.kind.as_str()).chain(f.alternatives.iter().map(|a| a.kind.as_str()))).collect()
}

#[test]
fn what_breaks_while_light_is_on_is_told_by_the_dark_after_it() {
    // the sweep is over by then
    for (fault, kind, never) in [
        ("kind = \"converter-offset\"\nsense = \"feed-2\"\nmillivolt = 460", "converter-offset", "supply-limit"),
        ("kind = \"divider-off\"\nsense = \"feed-2\"\npercent = -9.5", "divider-off", "supply-limit"),
        ("kind = \"supply-set\"\nsupply = \"main\"\nvolts = 5.55", "supply-set", "converter-offset"),
        ("kind = \"supply-limit\"\nsupply = \"main\"\namps = 6", "supply-limit", "supply-set"),
    ] {
        let (r, _) = report(&format!("[[fault]]\n{fault}\nat_s = 300\n"));
        assert_eq!(r.outcome.word(), "stopped", "{fault}");
        assert!(named(&r).contains(&kind) && !named(&r).contains(&never), "{fault}: {:?}", r.findings);
    }
}

#[test]
fn a_supply_that_gives_little_is_named_wherever_it_ends_the_run() {
    // the kiosk's controller alone takes 2.5 A; its panels at the permitted level some 5 A more
    for amps in ["2.6", "3.8", "4.8", "6.6"] {
        let (build, file) = loaded("config/kiosk.toml", 3.0);
        for seed in [3, 4, 5] {
            let scenario = format!("[[fault]]\nkind = \"supply-limit\"\nsupply = \"main\"\namps = {amps}\n");
            let r = simulate(&build, &file, &scenario, seed).report;
            assert!(named(&r).contains(&"supply-limit"), "{amps} A, seed {seed}: {} {:?}", r.reasons[0], r.findings);
        }
    }
}

#[test]
fn a_worse_way_to_the_supply_is_told_from_panels_without_a_point_of_their_own() {
    let (build, file) = loaded("tests/good_builds/kernel-files.toml", 3.0);
    for milliohm in [10, 25, 50] {
        let scenario = format!("[[fault]]\nkind = \"joint\"\ninput = \"main\"\nmilliohm = {milliohm}\n");
        let r = simulate(&build, &file, &scenario, 8).report;
        assert_eq!(r.findings.len(), 1, "{milliohm} mΩ: {:?}", r.findings);
        assert!(named(&r).contains(&"joint"), "{milliohm} mΩ: {:?}", r.findings);
    }
}

#[test]
fn lines_exchanged_across_halves_and_colours_are_told_by_the_witness() {
    let (build, file) = loaded("config/kiosk.toml", 3.0);
    for lines in [["G1", "B2"], ["B1", "G2"]] {
        let scenario = format!("[[fault]]\nkind = \"lines-swapped\"\nport = 1\nlines = {lines:?}\nafter = 0\n");
        let faults = Scenario::parse(&scenario, "scenario", &build).unwrap().faults;
        let r = simulate(&build, &file, &scenario, 5).report;
        let place = place_of(&build, &faults[0].fault);
        let told = r.findings.iter().any(|f| {
            f.kind == "lines-swapped" && (f.place == place || f.alternatives.iter().any(|a| a.kind == "lines-swapped" && a.place == place))
        });
        assert!(told && r.findings.len() == 1, "{lines:?}: {:?}", r.findings);
    }
}

//! Findings of whole simulated runs with a witness: one fault gives one finding, of the right kind and place, whatever it makes a
//! dozen pictures look like; and what the climb measured bounds the level.

mod runs;

use runs::{demo, simulate};
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

//! Judging synthetic journals.

mod judge_support;

use judge_support::{Story, build, entries, healthy, instruments, plan};
use signproof::build::{Colour, Half};
use signproof::check::CheckResult;
use signproof::event::{Answer, Difference, Ending, Seen, StopCause};
use signproof::fault::Fault;
use signproof::judge::{Judgement, Outcome, judge};

fn run(story: &Story<'_>) -> Judgement {
    let plan = plan();
    judge(&build(), &plan, &entries(&plan, story), &instruments())
}

fn result(j: &Judgement, id: &str) -> CheckResult {
    j.checks.iter().find(|c| c.id == id).unwrap_or_else(|| panic!("no check {id}")).result
}

#[test]
fn a_sound_sign_passes() {
    let j = run(&healthy());
    let odd: Vec<_> = j.checks.iter().filter(|c| c.result != CheckResult::Pass).collect();
    assert!(odd.is_empty(), "{odd:#?}");
    assert_eq!(j.outcome, Outcome::Pass);
    assert!(j.findings.is_empty(), "{:?}", j.findings);
    assert_eq!(j.checks.iter().filter(|c| c.id.starts_with("sweep/cell/")).count(), 24);
}

#[test]
fn a_dead_cell_fails_and_is_named() {
    let j = run(&Story {
        cell: &|c| if (c.port, c.position, c.colour, c.half) == (1, 1, Colour::Green, Half::Lower) { 0.0 } else { 1.0 },
        ..healthy()
    });
    assert_eq!(j.outcome, Outcome::Fail);
    let failed: Vec<_> = j.checks.iter().filter(|c| c.result == CheckResult::Fail).map(|c| c.id.as_str()).collect();
    assert_eq!(failed, ["sweep/cell/1-1-green-lower", "pattern"]);
    let f = &j.findings[0];
    assert_eq!((f.place.port, f.place.position), (Some(1), Some(1)));
    assert_eq!((f.place.colour.as_deref(), f.place.half.as_deref()), (Some("green"), Some("lower")));
}

#[test]
fn patterns_of_cells_are_told_apart() {
    let kinds = |j: &Judgement| j.findings.iter().map(|f| (f.kind.clone(), f.place.port, f.place.position)).collect::<Vec<_>>();
    let j = run(&Story { cell: &|c| if (c.port, c.position) == (1, 1) { 0.0 } else { 1.0 }, ..healthy() });
    assert_eq!(kinds(&j), [("panel-dark".into(), Some(1), Some(1))]);
    let j =
        run(&Story { cell: &|c| if c.colour == Colour::Blue && c.half == Half::Upper && c.port == 2 { 0.0 } else { 1.0 }, ..healthy() });
    assert_eq!(kinds(&j), [("line-open".into(), Some(2), Some(0))]);
    assert_eq!(j.findings[0].place.line.as_deref(), Some("B1"));
    let j = run(&Story { cell: &|c| if c.port == 1 { 0.0 } else { 1.0 }, ..healthy() });
    let f = &j.findings[0];
    // the feed's end still has its volts, so it is not the fuse
    assert_eq!((f.kind.as_str(), f.place.port, f.place.position), ("ribbon-open", Some(1), Some(0)));
    assert!(f.alternatives.iter().any(|a| a.kind == "line-open" && a.place.line.as_deref() == Some("CLK")), "{f:?}");
    let j = run(&Story { cell: &|c| if (c.port, c.position) == (2, 2) { 0.6 } else { 1.0 }, ..healthy() });
    assert_eq!(kinds(&j), [("panel-weak".into(), Some(2), Some(2))]);
}

#[test]
fn every_finding_is_in_the_dictionary_and_begins_safely() {
    let stories: [Story<'_>; 2] = [
        Story { cell: &|c| if c.port == 1 { 0.0 } else { 1.0 }, ..healthy() },
        Story { cell: &|c| if c.colour == Colour::Red && c.half == Half::Upper { 0.0 } else { 1.0 }, ..healthy() },
    ];
    for story in &stories {
        let j = run(story);
        assert!(!j.findings.is_empty());
        for f in &j.findings {
            assert!(Fault::KINDS.contains(&f.kind.as_str()), "{}", f.kind);
            assert!(f.probability + f.alternatives.iter().map(|a| a.probability).sum::<f64>() <= 1.0 + 1e-9);
            assert_eq!(f.remedy[0], "Supply off and discharged.");
        }
    }
}

#[test]
fn the_witness_decides_what_volts_can_not() {
    let absent = run(&Story { answer: &|_| Answer::Absent, ..healthy() });
    assert_eq!(absent.outcome, Outcome::Incomplete);
    assert_eq!(result(&absent, "marks/marks"), CheckResult::NotProven);
    let turned = |_: &_| Answer::Differs(vec![Difference { port: 2, position: 1, seen: Seen::Turned { degrees: 180 } }]);
    let j = run(&Story { answer: &turned, ..healthy() });
    assert_eq!(j.outcome, Outcome::Fail);
    assert_eq!(j.findings.len(), 1, "{:?}", j.findings);
    assert_eq!((j.findings[0].kind.as_str(), j.findings[0].place.port), ("panel-turned", Some(2)));
    let check = j.checks.iter().find(|c| c.id == "marks/marks").expect("asked");
    assert!(check.basis.contains("2·1: turned clockwise by 180°"));
}

#[test]
fn how_it_ended_goes_before_what_failed() {
    let dead = |_| 0.0;
    let broken = Ending::Broken { message: "disk full".into() };
    assert_eq!(run(&Story { ending: Some(broken), cell: &dead, ..healthy() }).outcome, Outcome::Error);
    let stopped = Ending::Stopped(StopCause::Cancelled { by: "SIGINT".into() });
    assert_eq!(run(&Story { ending: Some(stopped), cell: &dead, ..healthy() }).outcome, Outcome::Stopped);
    let cut = run(&Story { ending: None, cell: &dead, ..healthy() });
    assert_eq!(cut.outcome, Outcome::Incomplete);
    assert!(cut.reasons.iter().any(|r| r.contains("failed")), "{:?}", cut.reasons);
}

#[test]
fn a_truncated_journal_is_incomplete_and_lists_the_rest() {
    let plan = plan();
    let mut all = entries(&plan, &healthy());
    all.truncate(all.len() / 2);
    let j = judge(&build(), &plan, &all, &instruments());
    assert_eq!(j.outcome, Outcome::Incomplete);
    assert!(j.never_ran.iter().any(|n| n.starts_with("rest ")), "{:?}", j.never_ran);
    assert_eq!(result(&j, "sweep/cell/2-2-blue-lower"), CheckResult::NotProven);
    let nothing = judge(&build(), &plan, &[], &instruments());
    assert_eq!(nothing.outcome, Outcome::Incomplete);
    assert_eq!(nothing.never_ran.len(), plan.steps.len());
}

#[test]
fn a_supply_set_too_low_is_found() {
    let j = run(&Story { shift: -0.3, ..healthy() });
    assert_eq!(j.outcome, Outcome::Fail);
    assert_eq!(j.findings[0].kind, "supply-set", "{:?}", j.findings);
    assert_eq!(result(&j, "open/volts/distribution"), CheckResult::Fail);
}

#[test]
fn judging_twice_gives_the_same() {
    let story = Story { cell: &|c| if c.position == 2 { 0.5 } else { 1.0 }, ..healthy() };
    assert_eq!(run(&story), run(&story));
}

#[test]
fn coverage_is_honest_about_volts() {
    let list = run(&healthy()).coverage;
    for kind in Fault::KINDS {
        assert!(list.iter().any(|c| c.kind == kind), "{kind} is missing");
    }
    use signproof::judge::Proof;
    assert!(list.iter().filter(|c| c.kind == "panel-turned").all(|c| c.proof == Proof::Witness));
    // exchanged panels draw from one another's feeds: told where those have sense points of their own
    let exchanged = |build: &str, kind: &str| {
        let build = signproof::build::load(build, "build.toml").unwrap();
        signproof::commission::coverage(&build).into_iter().filter(|c| c.kind == kind).map(|c| c.proof).collect::<Vec<_>>()
    };
    let demo = include_str!("../config/water-taxi.toml");
    assert_eq!(exchanged(demo, "order-swap"), [Proof::Measured; 6]);
    assert_eq!(exchanged(demo, "port-swap"), [Proof::Witness], "both rows of the wall share their feeds");
    let one_wire = &demo[..demo.find("[[sense]]\nname = \"feed-1\"").unwrap()];
    assert_eq!(exchanged(one_wire, "order-swap"), [Proof::Witness; 6]);
    assert!(list.iter().any(|c| c.kind == "leak" && c.proof == Proof::NotProven), "no current sensor in this build");
}

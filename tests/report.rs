//! The report of synthetic journals.

mod judge_support;

use judge_support::{Story, build, entries, healthy, instruments, plan};
use signproof::event::{Answer, Difference, Seen};
use signproof::judge::{Outcome, judge};
use signproof::report::{Report, html, json, report};

fn make(story: &Story<'_>, name: &str) -> (Report, String) {
    let (mut build, plan) = (build(), plan());
    build.sign.name = name.into();
    let entries = entries(&plan, story);
    let report = report(&build, &plan, &entries, &judge(&build, &plan, &entries, &instruments()), &instruments());
    let page = html(&report, &build, &entries);
    (report, page)
}

#[test]
fn json_has_the_fields_of_the_contract_and_reads_back() {
    let (report, _) = make(&healthy(), "Harbour steps");
    let text = json(&report);
    let value: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    for key in [
        "schema",
        "tool",
        "run_id",
        "rig",
        "simulated",
        "sign",
        "place",
        "started",
        "outcome",
        "level_permitted",
        "checks",
        "findings",
        "coverage",
        "cautions",
    ] {
        assert!(value.get(key).is_some(), "{key}");
    }
    assert_eq!(value["outcome"], "pass");
    for key in ["id", "title", "where", "value", "unit", "limit", "expanded_uncertainty", "result", "basis"] {
        assert!(value["checks"][0].get(key).is_some(), "{key}");
    }
    assert_eq!(serde_json::from_str::<Report>(&text).expect("reads back"), report);
}

#[test]
fn the_same_journal_gives_the_same_bytes() {
    let story = Story { cell: &|c| if c.position == 2 { 0.5 } else { 1.0 }, ..healthy() };
    let (a, b) = (make(&story, "Harbour steps"), make(&story, "Harbour steps"));
    assert_eq!(json(&a.0), json(&b.0));
    assert_eq!(a.1, b.1);
}

#[test]
fn figures_have_six_significant_digits_at_most() {
    let (report, _) = make(&healthy(), "Harbour steps");
    for v in report.checks.iter().filter_map(|c| c.value) {
        let digits = format!("{v:e}").split('e').next().map_or(0, |m| m.chars().filter(char::is_ascii_digit).count());
        assert!(digits <= 6, "{v}");
    }
}

#[test]
fn the_page_is_one_small_file_without_scripts() {
    let turned = |_: &_| Answer::Differs(vec![Difference { port: 1, position: 2, seen: Seen::Other("<script>alert(1)</script>".into()) }]);
    let (report, page) = make(&Story { answer: &turned, ..healthy() }, "Steps <b>&\"1\"");
    assert_eq!(report.outcome, Outcome::Fail);
    assert!(!page.contains("<script"));
    assert!(page.contains("Steps &lt;b&gt;&amp;&quot;1&quot;") && !page.contains("Steps <b>"));
    assert!(!page.contains("http://") && !page.contains("https://") && !page.contains("src="));
    assert!(page.len() < 200 * 1024, "{} bytes", page.len());
    assert!(page.contains("SIMULATED"));
    let (verdict, wall) = (page.find("class=\"verdict").expect("verdict"), page.find("class=\"wall").expect("wall"));
    assert!(verdict < wall);
}

#[test]
fn a_finding_is_shown_with_its_remedy_and_on_the_wall() {
    let (_, page) = make(&Story { cell: &|c| if (c.port, c.position) == (1, 1) { 0.0 } else { 1.0 }, ..healthy() }, "Harbour steps");
    assert!(page.contains("✕</span><div><p class=\"word\">FAIL</p>"));
    assert!(page.contains("<h3><span class=\"disc\">1</span> Panel stays dark <span class=\"at\">1·1</span></h3>"));
    assert!(page.contains("<li>Supply off and discharged.</li>"));
    assert!(page.contains("class=\"panel bad\""));
    let (_, sound) = make(&healthy(), "Harbour steps");
    assert!(!sound.contains("class=\"panel bad\"") && sound.contains("✔</span><div><p class=\"word\">PASS</p>"));
}

#[test]
fn every_tag_that_opens_closes() {
    let (_, page) = make(&healthy(), "Harbour steps");
    for tag in ["div", "table", "tr", "svg", "g", "ol", "ul", "details", "p", "td", "h2", "polyline"] {
        let opened = page.matches(&format!("<{tag}>")).count() + page.matches(&format!("<{tag} ")).count()
            - page.matches(&format!("<{tag}/>")).count();
        let closed = page.matches(&format!("</{tag}>")).count();
        let self_closed = if tag == "polyline" { page.matches("class=\"data\"").count() } else { 0 };
        assert_eq!(opened, closed + self_closed, "{tag}");
    }
}

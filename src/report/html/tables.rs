//! Feeds, cells, checks.

use super::{Cell, escape, figure, heading, result_word, soft, table};
use crate::build::{Build, Colour, Half};
use crate::check::{Check, CheckResult};
use crate::report::Report;
use std::collections::BTreeMap;
use std::fmt::Write as _;

pub(super) fn feeds(page: &mut String, r: &Report, build: &Build) {
    heading(page, "Feeds");
    let rows: Vec<Vec<Cell>> = build
        .feeds
        .iter()
        .enumerate()
        .map(|(i, f)| {
            let mut on: Vec<String> = build.panels.iter().filter(|p| p.feed == i).map(|p| format!("{}·{}", p.port, p.position)).collect();
            if build.controller.feed == i {
                on.push("controller".into());
            }
            let facts = r.feeds.iter().find(|x| x.feed == f.name);
            let of = |get: fn(&crate::drift::FeedFacts) -> Option<f64>| facts.and_then(get);
            let own = |result| r.checks.iter().filter(|c| c.place.feed.as_deref() == Some(&f.name) && c.result == result).count();
            let bad = own(CheckResult::Fail);
            let milli = |v: Option<f64>| v.map(|v| v * 1000.0);
            let resistance = match (of(|x| x.resistance_mohm), of(|x| x.resistance_standard_mohm)) {
                (Some(v), Some(u)) => Cell::text(format!("{v:.1} ± {:.1}", 2.0 * u)),
                (v, _) => Cell::number(v, 1),
            };
            vec![
                Cell::text(&f.name),
                Cell::text(on.join(", ")),
                Cell::number(of(|x| Some(x.load_a)), 1),
                Cell::number(Some(f.fuse_a.value()), 0),
                Cell::text(facts.map_or("", |x| x.lead.as_str())),
                Cell::number(milli(of(|x| x.drop_expected_v)), 0),
                Cell::number(milli(of(|x| x.drop_measured_v)), 0),
                Cell::number(of(|x| x.resistance_expected_mohm), 1),
                resistance,
                if bad > 0 {
                    Cell::html(format!("✕&nbsp;{bad} failed"), "fail")
                } else if own(CheckResult::Marginal) > 0 {
                    Cell::html(format!("≈&nbsp;{} marginal", own(CheckResult::Marginal)), "marginal")
                } else {
                    Cell::text(if own(CheckResult::Pass) > 0 { "✔" } else { "–" })
                },
            ]
        })
        .collect();
    let heads = [
        ("feed", ""),
        ("feeds", ""),
        ("load A", "n"),
        ("fuse A", "n"),
        ("lead", ""),
        ("drop expected mV", "n"),
        ("measured mV", "n"),
        ("resistance expected mΩ", "n"),
        ("measured mΩ", "n"),
        ("checks", ""),
    ];
    table(page, "feeds: load, fuse, lead, drop and resistance", &heads, &rows);
    soft(
        page,
        "Load: expected at the permitted level, nominal parts. Drop and resistance: between the sense points of the distribution and of the feed's end, with the build's currents; ± two standard deviations of the readings' spread. – where this build has no sense point for it.",
    );
}

pub(super) fn cells(page: &mut String, r: &Report, build: &Build) {
    heading(page, "Panels and their cells");
    soft(
        page,
        "Response over expected, in percent; each cell is one colour of one half, lit alone. ✕ failed, ≈ the instrument can't decide, ◔ or – not proven.",
    );
    let by: BTreeMap<&str, &Check> = r.checks.iter().map(|c| (c.id.as_str(), c)).collect();
    let titles: Vec<String> = Half::ALL.iter().flat_map(|h| Colour::ALL.iter().map(|c| format!("{} {}", c.word(), h.word()))).collect();
    let mut heads = vec![("panel", ""), ("feed", "")];
    heads.extend(titles.iter().map(|t| (t.as_str(), "n")));
    let rows: Vec<Vec<Cell>> = build
        .panels
        .iter()
        .map(|p| {
            let mut row = vec![Cell::text(format!("{}·{}", p.port, p.position)), Cell::text(&build.feeds[p.feed].name)];
            for half in Half::ALL {
                for colour in Colour::ALL {
                    let id = format!("sweep/cell/{}-{}-{}-{}", p.port, p.position, colour.word(), half.word());
                    row.push(by.get(id.as_str()).map_or_else(
                        || Cell::text("–"),
                        |c| {
                            let (sign, class) = result_word(c.result);
                            let value = c.value.map_or("–".into(), |v| format!("{:.0}", v * 100.0));
                            if c.result == CheckResult::Pass {
                                Cell::text(value)
                            } else {
                                Cell::html(format!("{sign}&nbsp;{value}"), class)
                            }
                        },
                    ));
                }
            }
            row
        })
        .collect();
    table(page, "response of every cell", &heads, &rows);
}

fn limit_text(check: &Check) -> String {
    match (check.limit.low, check.limit.high) {
        (Some(l), Some(h)) => format!("{} to {}", figure(l), figure(h)),
        (Some(l), None) => format!("≥ {}", figure(l)),
        (None, Some(h)) => format!("≤ {}", figure(h)),
        (None, None) => String::new(),
    }
}

/// Failed checks of cells and driver chips listed one by one at most.
const LISTED: usize = 24;

fn check_row(c: &Check) -> Vec<Cell> {
    let (sign, word) = result_word(c.result);
    let value = c.value.map(|v| format!("{} {}", figure(v), c.unit)).unwrap_or_default();
    let mut title = escape(&c.title);
    let _ = write!(title, "<br><span class=\"soft\">{}</span>", escape(&c.id));
    vec![
        Cell::html(format!("{sign}&nbsp;{}", word.replace('-', " ")), word),
        Cell::html(title, ""),
        Cell::text(value.trim()),
        Cell::text(c.expanded_uncertainty.map(figure).unwrap_or_default()),
        Cell::text(limit_text(c)),
        Cell::text(&c.basis),
    ]
}

/// What nobody said is not made up.
fn by_hand(r: &Report) -> &'static str {
    let has = |joint: bool| r.checks.iter().any(|c| c.id.strip_prefix("by-hand/").is_some_and(|id| (id == "joint") == joint));
    match (has(false), has(true)) {
        (true, true) => "By hand: the before-power checklist and the hottest joint at the end of the hold are among the checks.",
        (true, false) => {
            "By hand: the before-power checklist is among the checks; the hottest joint at the end of the hold was not measured."
        }
        (false, true) => {
            "By hand: nobody handed in a before-power checklist, so none of it was asked in this run; the hottest joint is among the checks."
        }
        (false, false) => {
            "By hand: nobody handed in a before-power checklist, so none of it was asked in this run; the hottest joint was not measured."
        }
    }
}

/// What did not pass, open; what passed, behind a fold. Cells and driver chips that passed are in the table of cells.
pub(super) fn checks(page: &mut String, r: &Report) {
    heading(page, "Checks");
    let heads = [("result", ""), ("check", ""), ("value", "n"), ("± U", "n"), ("limit", "n"), ("basis", "")];
    soft(page, by_hand(r));
    let small = |c: &Check| c.id.starts_with("sweep/cell/") || c.id.starts_with("sweep/block/");
    let (passed, open): (Vec<&Check>, Vec<&Check>) = r.checks.iter().partition(|c| c.result == CheckResult::Pass);
    let mut listed = 0;
    let rows: Vec<Vec<Cell>> = open
        .iter()
        .filter(|c| {
            let take = !small(c) || listed < LISTED;
            listed += usize::from(small(c) && take);
            take
        })
        .map(|c| check_row(c))
        .collect();
    if open.is_empty() {
        soft(page, &format!("All {} passed.", passed.len()));
    } else {
        table(page, "checks that did not pass", &heads, &rows);
        if open.len() > rows.len() {
            soft(page, &format!("{} more of cells and driver chips did not pass: report.json lists each.", open.len() - rows.len()));
        }
    }
    let rows: Vec<Vec<Cell>> = passed.iter().filter(|c| !small(c)).map(|c| check_row(c)).collect();
    if !rows.is_empty() {
        let _ = write!(page, "<details><summary>Passed ({}, beside those of cells and driver chips)</summary>", rows.len());
        table(page, "checks that passed", &heads, &rows);
        page.push_str("</details>\n");
    }
}

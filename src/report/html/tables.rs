//! Feeds, and panels with their cells.

use super::{Cell, escape, figure, heading, result_word, soft, table, with_uncertainty};
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
            let milli = |v: Option<f64>| v.map(|v| v * 1000.0);
            let finding: Vec<String> = (1..=r.findings.len())
                .filter(|n| r.findings[n - 1].place.feed.as_deref() == Some(&f.name))
                .map(|n| format!("finding {n}"))
                .collect();
            vec![
                Cell::html(format!("{}<br><span class=\"soft\">{}</span>", escape(&f.name), escape(&on.join(", "))), ""),
                Cell::number(of(|x| Some(x.load_a)), 1),
                Cell::text(figure(f.fuse_a.value())),
                Cell::text(facts.map_or("", |x| x.lead.as_str())),
                Cell::number(milli(of(|x| x.drop_expected_v)), 0),
                Cell::number(milli(of(|x| x.drop_measured_v)), 0),
                Cell::number(of(|x| x.resistance_expected_mohm), 1),
                Cell::text(of(|x| x.resistance_mohm).map_or("–".into(), |v| with_uncertainty(v, of(|x| x.resistance_expanded_mohm)))),
                if !finding.is_empty() {
                    Cell::html(format!("✕&nbsp;{}", finding.join(", ").replace(' ', "&nbsp;")), "fail")
                } else if own(CheckResult::Fail) > 0 {
                    Cell::html(format!("✕&nbsp;{}&nbsp;failed", own(CheckResult::Fail)), "fail")
                } else if own(CheckResult::Marginal) > 0 {
                    Cell::html(format!("≈&nbsp;{}&nbsp;undecided", own(CheckResult::Marginal)), "marginal")
                } else if own(CheckResult::Pass) > 0 {
                    Cell::html("✔&nbsp;sound".into(), "pass")
                } else {
                    Cell::text("–")
                },
            ]
        })
        .collect();
    let heads = [
        ("feed", ""),
        ("load A", "n"),
        ("fuse A", "n"),
        ("lead", ""),
        ("drop mV, expected", "n"),
        ("drop mV, measured", "n"),
        ("resistance mΩ, expected", "n"),
        ("resistance mΩ, measured", "n"),
        ("checks", ""),
    ];
    table(page, "feeds: load, fuse, lead, drop and resistance", &heads, &rows);
    soft(
        page,
        "Load: expected at the permitted level, nominal parts. Drop and resistance: between the sense points of the distribution and of the feed's end, with the build's currents; ± expanded uncertainty (coverage factor 2), most of it the tolerance of the panels' currents, which are the build's and not measured. – where this build has no sense point for it.",
    );
}

pub(super) fn cells(page: &mut String, r: &Report, build: &Build) {
    heading(page, "Panels and their cells");
    let limit = r.checks.iter().find(|c| c.id.starts_with("sweep/cell/")).and_then(|c| c.limit.low.zip(c.limit.high));
    let limits = limit.map_or_else(String::new, |(l, h)| format!(" Sound from {:.0} to {:.0} %.", l * 100.0, h * 100.0));
    soft(
        page,
        &format!(
            "Response over expected, in percent; each cell is one colour of one half, lit alone.{limits} ✕ failed, ≈ the instrument can't decide, ◔ or – not proven."
        ),
    );
    let by: BTreeMap<&str, &Check> = r.checks.iter().map(|c| (c.id.as_str(), c)).collect();
    let heads: Vec<String> = Half::ALL
        .iter()
        .map(|h| format!("<th scope=\"colgroup\" colspan=\"{}\" class=\"c\">{} half</th>", Colour::ALL.len(), h.word()))
        .collect();
    let colours: String =
        Half::ALL.iter().flat_map(|_| Colour::ALL).map(|c| format!("<th scope=\"col\" class=\"n\">{}</th>", c.word())).collect();
    let _ = write!(
        page,
        "<div class=\"scroll{}\" role=\"region\" tabindex=\"0\" aria-label=\"response of every cell\"><table><thead><tr><th scope=\"col\" rowspan=\"2\">panel</th>{}</tr><tr>{colours}</tr></thead><tbody>",
        if build.panels.len() <= super::SHORT { " short" } else { "" },
        heads.concat()
    );
    for p in &build.panels {
        let _ = write!(
            page,
            "<tr><th scope=\"row\">{}·{} <span class=\"soft\">{}</span></th>",
            p.port,
            p.position,
            escape(&build.feeds[p.feed].name)
        );
        for half in Half::ALL {
            for colour in Colour::ALL {
                let id = format!("sweep/cell/{}-{}-{}-{}", p.port, p.position, colour.word(), half.word());
                let (class, text) = by.get(id.as_str()).map_or(("", "–".into()), |c| {
                    let (sign, class) = result_word(c.result);
                    let value = c.value.map_or("–".into(), |v| super::number(v * 100.0, 0));
                    if c.result == CheckResult::Pass { ("", value) } else { (class, format!("{sign}&nbsp;{value}")) }
                });
                let _ = write!(page, "<td class=\"{}\">{text}</td>", format!("n {class}").trim());
            }
        }
        page.push_str("</tr>");
    }
    page.push_str("</tbody></table></div>\n");
}

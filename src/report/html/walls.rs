//! The wall as expected, beside what was measured and witnessed.

use super::{heading, soft};
use crate::build::Build;
use crate::check::CheckResult;
use crate::drawing::{Mark, wall};
use crate::event::{Answer, Difference, Entry, Event, Seen};
use crate::report::Report;
use std::collections::BTreeMap;

pub(super) fn walls(page: &mut String, r: &Report, build: &Build, entries: &[Entry]) {
    heading(page, "The wall, front view");
    let marks = marks(r, build, entries);
    page.push_str("<div class=\"pair\"><figure><figcaption>Expected</figcaption>");
    page.push_str(&wall(build, &[], "the wall as expected, front view"));
    page.push_str("</figure><figure><figcaption>");
    let witnessed = entries.iter().any(|e| matches!(e.event, Event::Witnessed { answer: Answer::AsShown | Answer::Differs(_), .. }));
    page.push_str(match (witnessed, marks.is_empty()) {
        (true, true) => "Measured and witnessed: nothing differs",
        (true, false) => "Measured and witnessed",
        (false, true) => "Measured so far: nothing differs; not witnessed",
        (false, false) => "Measured; not witnessed",
    });
    page.push_str("</figcaption>");
    page.push_str(&wall(build, &marks, "the wall as measured and witnessed, front view"));
    page.push_str("</figure></div>\n");
    let mut words = vec!["Port·position on each panel, ▲ its arrow up, a dashed line along the data."];
    if marks.iter().any(|m| m.class == "bad") {
        words.push("✕ measured fault.");
    }
    if marks.iter().any(|m| m.class == "unsure") {
        words.push("? the instrument can't decide.");
    }
    if marks.iter().any(|m| m.class == "seen") {
        words.push("◆ as the witness saw it.");
    }
    if !witnessed {
        words.push("Nobody looked at the wall in this run: order, place and rotation are not proven.");
    }
    soft(page, &words.join(" "));
}

fn marks(r: &Report, build: &Build, entries: &[Entry]) -> Vec<Mark> {
    let mut out: Vec<Mark> = Vec::new();
    for (result, class) in [(CheckResult::Fail, "bad"), (CheckResult::Marginal, "unsure")] {
        let mut by: BTreeMap<usize, Vec<String>> = BTreeMap::new();
        for c in r.checks.iter().filter(|c| c.id.starts_with("sweep/cell/") && c.result == result) {
            let (Some(port), Some(position)) = (c.place.port, c.place.position) else { continue };
            let Some(panel) = build.panel_at(port, position) else { continue };
            by.entry(panel).or_default().push(format!(
                "{} {}",
                c.place.colour.as_deref().unwrap_or(""),
                c.place.half.as_deref().unwrap_or("")
            ));
        }
        for (panel, cells) in by {
            let text = if cells.len() > 1 { format!("{} of 6 cells", cells.len()) } else { cells[0].clone() };
            out.push(Mark { panel, class, text, all: cells.join(", ") });
        }
    }
    let mut seen: BTreeMap<usize, Vec<String>> = BTreeMap::new();
    for entry in entries {
        let Event::Witnessed { answer: Answer::Differs(list), .. } = &entry.event else { continue };
        for d in list {
            let Some(panel) = build.panel_at(d.port, d.position) else { continue };
            let text = seen_text(d);
            let own = seen.entry(panel).or_default();
            if !own.contains(&text) {
                own.push(text);
            }
        }
    }
    for (panel, texts) in seen {
        let more = if texts.len() > 1 { format!(" +{}", texts.len() - 1) } else { String::new() };
        out.push(Mark { panel, class: "seen", text: format!("{}{more}", texts[0]), all: texts.join(", ") });
    }
    out
}

fn seen_text(d: &Difference) -> String {
    match &d.seen {
        Seen::Dark => "dark".into(),
        Seen::Turned { degrees } => format!("turned {degrees}°"),
        Seen::PictureOf { port, position } => format!("shows {port}·{position}"),
        Seen::WrongColour { expected, seen } => format!("{expected} → {seen}"),
        Seen::Rows(rows) => format!("{} rows", rows.len()),
        Seen::Columns(columns) => format!("{} columns", columns.len()),
        Seen::Part { .. } => "a part".into(),
        Seen::Other(text) => text.clone(),
    }
}

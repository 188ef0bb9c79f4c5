//! The wall as expected, beside what was measured and witnessed.

use super::{escape, heading, soft};
use crate::build::Build;
use crate::check::CheckResult;
use crate::drawing::{Found, Mark, wall};
use crate::event::{Answer, Entry, Event, Role, Seen};
use crate::judge::Finding;
use crate::report::Report;
use std::fmt::Write as _;

pub(super) fn walls(page: &mut String, r: &Report, build: &Build, entries: &[Entry]) {
    heading(page, "The wall, front view");
    let (found, words) = found(r, build, entries);
    page.push_str("<div class=\"pair\"><figure><figcaption>Expected</figcaption>");
    page.push_str(&wall(build, &[], "the wall as expected, front view"));
    page.push_str("</figure><figure><figcaption>");
    let witnessed = witnessed(entries);
    let differs = found.iter().any(|f| !f.marks.is_empty());
    let measured = entries.iter().any(|e| matches!(e.event, Event::Readings { role: Role::Lit, .. }));
    page.push_str(match (witnessed, differs) {
        (false, false) if !measured => "Not measured; nobody looked",
        (true, false) => "As measured and witnessed: nothing differs",
        (true, true) => "As measured and witnessed",
        (false, false) => "As measured: nothing differs; nobody looked",
        (false, true) => "As measured; nobody looked",
    });
    page.push_str("</figcaption>");
    page.push_str(&wall(build, &found, "the wall as measured and witnessed, front view; what differs is listed below"));
    page.push_str("</figure></div>\n");
    if differs {
        page.push_str("<ul class=\"marks\">");
        for (i, lines) in words.iter().enumerate().filter(|(_, w)| !w.is_empty()) {
            let _ = write!(page, "<li><strong>{}·{}</strong>", build.panels[i].port, build.panels[i].position);
            for (class, line) in lines {
                let _ = write!(page, "<br><span class=\"{class}\">{}</span>", escape(line));
            }
            page.push_str("</li>");
        }
        page.push_str("</ul>\n");
    }
    let has = |m: &dyn Fn(&Mark) -> bool| found.iter().flat_map(|f| &f.marks).any(m);
    let mut legend = vec!["Port·position on each panel, ▲ its arrow; a dashed line from the port along the data."];
    if has(&|m| matches!(m, Mark::Finding(_))) {
        legend.push("A number in a disc: the finding above that touches this panel.");
    }
    if has(&|m| *m == Mark::Bad) {
        legend.push("✕ a measurement failed.");
    }
    if has(&|m| *m == Mark::Unsure) {
        legend.push("? the instrument can't decide.");
    }
    if has(&|m| *m == Mark::Seen) {
        legend.push("◆ the witness saw something else.");
    }
    if !witnessed {
        legend.push("Nobody looked at the wall in this run: order, place, rotation and colours are not proven.");
    }
    soft(page, &legend.join(" "));
}

/// True where a person, or the simulated one, said what is on the wall.
pub(super) fn witnessed(entries: &[Entry]) -> bool {
    entries.iter().any(|e| matches!(e.event, Event::Witnessed { answer: Answer::AsShown | Answer::Differs(_), .. }))
}

/// The panels that a finding touches; none where it is of the whole sign.
fn touches(build: &Build, f: &Finding, panel: usize) -> bool {
    let p = &build.panels[panel];
    let behind = matches!(f.kind.as_str(), "ribbon-open" | "line-open" | "lines-swapped" | "lines-shorted");
    if let Some(feed) = &f.place.feed {
        return build.feeds[p.feed].name == *feed;
    }
    match (f.place.port, f.place.position) {
        (Some(port), Some(after)) if behind => p.port == port && p.position > after,
        (Some(port), Some(position)) => p.port == port && p.position == position,
        (Some(port), None) => p.port == port,
        _ => false,
    }
}

/// A line of what differs at a panel, with its CSS class.
type Line = (&'static str, String);

fn found(r: &Report, build: &Build, entries: &[Entry]) -> (Vec<Found>, Vec<Vec<Line>>) {
    let mut all = vec![Found::default(); build.panels.len()];
    let mut words: Vec<Vec<Line>> = vec![Vec::new(); build.panels.len()];
    for i in 0..build.panels.len() {
        let touching: Vec<usize> = (0..r.findings.len()).filter(|&f| touches(build, &r.findings[f], i)).map(|f| f + 1).collect();
        let panel = &build.panels[i];
        let cells = |result| {
            let own = |c: &&crate::check::Check| {
                c.id.starts_with("sweep/cell/")
                    && c.result == result
                    && (c.place.port, c.place.position) == (Some(panel.port), Some(panel.position))
            };
            r.checks
                .iter()
                .filter(own)
                .map(|c| format!("{} {}", c.place.colour.as_deref().unwrap_or(""), c.place.half.as_deref().unwrap_or("")))
                .collect::<Vec<String>>()
        };
        let named = |cells: &[String]| match cells.len() {
            6 => "all six cells".to_owned(),
            _ => cells.join(", "),
        };
        let (bad, unsure) = (cells(CheckResult::Fail), cells(CheckResult::Marginal));
        let because = match touching.as_slice() {
            [] => String::new(),
            [one] => format!(" (finding {one})"),
            more => format!(" (findings {})", more.iter().map(usize::to_string).collect::<Vec<_>>().join(", ")),
        };
        if !bad.is_empty() {
            words[i].push(("bad", format!("✕ measured: {} outside the limits{because}", named(&bad))));
        } else if !touching.is_empty() {
            words[i].push(("bad", format!("touched by {}", because.trim_matches([' ', '(', ')']))));
        }
        if !unsure.is_empty() {
            words[i].push(("unsure", format!("? measured: {} not decided", named(&unsure))));
        }
        let seen = seen(build, entries, i, &mut all[i]);
        if !seen.is_empty() {
            words[i].push(("seen", format!("◆ seen: {}", seen.join("; "))));
        }
        all[i].marks.extend(touching.iter().map(|&n| Mark::Finding(n)));
        if !bad.is_empty() && touching.is_empty() {
            all[i].marks.push(Mark::Bad);
        }
        if !unsure.is_empty() {
            all[i].marks.push(Mark::Unsure);
        }
        if !seen.is_empty() {
            all[i].marks.push(Mark::Seen);
        }
        all[i].words = words[i].iter().map(|w| w.1.as_str()).collect::<Vec<_>>().join("; ");
    }
    (all, words)
}

/// What the witness said of a panel, the same said of several pictures told once.
fn seen(build: &Build, entries: &[Entry], panel: usize, found: &mut Found) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let (mut rows, mut columns) = (Vec::new(), Vec::new());
    let mut say = |text: String| {
        if !out.contains(&text) {
            out.push(text);
        }
    };
    for entry in entries {
        let Event::Witnessed { answer: Answer::Differs(list), .. } = &entry.event else { continue };
        for d in list.iter().filter(|d| build.panel_at(d.port, d.position) == Some(panel)) {
            match &d.seen {
                Seen::Dark => {
                    found.dark = true;
                    say("dark".into());
                }
                Seen::Turned { degrees } => {
                    found.turned = *degrees;
                    say(format!("turned clockwise by {degrees}°"));
                }
                Seen::PictureOf { port, position } => {
                    found.picture_of = Some((*port, *position));
                    say(format!("shows the picture of {port}·{position}"));
                }
                Seen::WrongColour { expected, seen } => say(format!("{seen} where {expected} is expected")),
                Seen::Part { columns, rows } => {
                    say(format!("columns {}–{} of rows {}–{} differ", columns[0], columns[1], rows[0], rows[1]));
                }
                Seen::Other(text) => say(text.clone()),
                Seen::Rows(list) => rows.extend_from_slice(list),
                Seen::Columns(list) => columns.extend_from_slice(list),
            }
        }
    }
    for (word, list) in [("row", rows), ("column", columns)] {
        if !list.is_empty() {
            let ranges = ranges(list);
            out.push(format!("{word}{} {ranges} wrong", if ranges.contains([',', '–']) { "s" } else { "" }));
        }
    }
    // one answer of many pictures may say dark of one colour only: a panel that also shows something is not dark
    found.dark &= out.len() == 1;
    out
}

/// Numbers in order, neighbours joined: `16–19, 29`.
fn ranges(mut list: Vec<u16>) -> String {
    list.sort_unstable();
    list.dedup();
    let mut spans: Vec<(u16, u16)> = Vec::new();
    for n in list {
        match spans.last_mut() {
            Some((_, end)) if *end + 1 == n => *end = n,
            _ => spans.push((n, n)),
        }
    }
    spans.iter().map(|(a, b)| if a == b { a.to_string() } else { format!("{a}–{b}") }).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::ranges;

    #[test]
    fn neighbours_are_joined() {
        assert_eq!(ranges(vec![19, 16, 17, 18, 29, 17]), "16–19, 29");
        assert_eq!(ranges(vec![0]), "0");
    }
}

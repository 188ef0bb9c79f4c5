//! `report.html`: one file, no scripts, verdict first.

use super::plot::{Series, decimate, plot};
use super::text::{escape, figure};
use super::wall_svg::{Mark, wall};
use super::{Report, unit};
use crate::build::{Build, Colour, Half, Quantity};
use crate::check::{Check, CheckResult, Place};
use crate::event::{Answer, Difference, Entry, Event, Role, Seen};
use crate::frame::FrameSpec;
use crate::judge::{Outcome, Proof};
use std::collections::BTreeMap;
use std::fmt::Write as _;

const STYLE: &str = include_str!("style.css");

/// A shape beside the word: the verdict must not hang on colour alone.
const fn outcome_sign(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "✔",
        Outcome::Fail => "✕",
        Outcome::Marginal => "≈",
        Outcome::Incomplete => "◔",
        Outcome::Stopped => "■",
        Outcome::Error => "⚠",
    }
}

const fn result_word(result: CheckResult) -> (&'static str, &'static str) {
    match result {
        CheckResult::Pass => ("✔", "pass"),
        CheckResult::Fail => ("✕", "fail"),
        CheckResult::Marginal => ("≈", "marginal"),
        CheckResult::NotProven => ("◔", "not-proven"),
    }
}

/// A place in words.
/// Start of the run, and whether the clock can be believed.
fn time_text(r: &Report) -> String {
    let start = if r.started.is_empty() { "start not recorded" } else { &r.started };
    let clock = if r.clock_synchronised { "clock synchronised" } else { "clock NOT synchronised: date and time may be wrong" };
    format!("{start} ({clock})")
}

/// A place in words, e.g. `1·2 red upper`.
pub fn place_text(p: &Place) -> String {
    let mut parts = Vec::new();
    match (p.port, p.position) {
        (Some(port), Some(position)) => parts.push(format!("{port}·{position}")),
        (Some(port), None) => parts.push(format!("port {port}")),
        _ => {}
    }
    let words =
        [("", &p.colour), ("", &p.half), ("line ", &p.line), ("supply ", &p.supply), ("feed ", &p.feed), ("sense point ", &p.sense)];
    parts.extend(words.iter().filter_map(|(w, v)| v.as_ref().map(|v| format!("{w}{v}"))));
    let numbers = [("block", p.block), ("row", p.row), ("column", p.column)];
    parts.extend(numbers.iter().filter_map(|(w, v)| v.map(|v| format!("{w} {v}"))));
    if parts.is_empty() { "the sign".into() } else { parts.join(" ") }
}

/// The same, for kinds whose position counts the panels before the break.
pub(super) fn fault_place(kind: &str, p: &Place) -> String {
    let behind = matches!(kind, "ribbon-open" | "line-open" | "lines-swapped" | "lines-shorted");
    match (behind, p.port, p.position) {
        (true, Some(port), Some(after)) => {
            let line = p.line.as_ref().map(|l| format!("line {l} ")).unwrap_or_default();
            if after == 0 { format!("{line}between port {port} and {port}·1") } else { format!("{line}behind {port}·{after}") }
        }
        _ => place_text(p),
    }
}

fn limit_text(check: &Check) -> String {
    match (check.limit.low, check.limit.high) {
        (Some(l), Some(h)) => format!("{} to {}", figure(l), figure(h)),
        (Some(l), None) => format!("≥ {}", figure(l)),
        (None, Some(h)) => format!("≤ {}", figure(h)),
        (None, None) => String::new(),
    }
}

/// The whole page.
pub fn html(report: &Report, build: &Build, entries: &[Entry]) -> String {
    let mut page = String::with_capacity(64 * 1024);
    head(&mut page, report);
    to_do(&mut page, report);
    walls(&mut page, report, build, entries);
    plots(&mut page, build, entries);
    cells(&mut page, report, build);
    feeds(&mut page, report, build);
    checks(&mut page, report);
    coverage(&mut page, report);
    instruments(&mut page, report, build);
    tail(&mut page, report);
    page
}

fn head(page: &mut String, r: &Report) {
    let title = format!("{} — {}", r.outcome.word(), r.sign.name);
    let _ = write!(
        page,
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width,initial-scale=1\"><title>{}</title><style>{STYLE}</style></head><body>\n",
        escape(&title)
    );
    let banner = "<p class=\"sim\">SIMULATED — no real sign was attached</p>";
    if r.simulated {
        page.push_str(banner);
    }
    let word = r.outcome.word();
    let _ = write!(
        page,
        "<h1>{} · {}</h1><p class=\"verdict {word}\"><span aria-hidden=\"true\">{}</span> {}</p>",
        escape(&r.sign.name),
        escape(&r.sign.serial),
        outcome_sign(r.outcome),
        word.to_uppercase()
    );
    for reason in &r.reasons {
        let _ = write!(page, "<p>{}</p>", escape(reason));
    }
    let place = format!("{:?}", r.place).to_lowercase();
    let ambient = r.ambient_c.map_or("not known".into(), |c| format!("{} °C", figure(c)));
    let binds = if r.level_binds.is_empty() { String::new() } else { format!(", bound by {}", r.level_binds) };
    let _ = write!(
        page,
        "<p class=\"soft\">Run {} · {} · rig {} · {place} · ambient {} · permitted level {} %{}</p>",
        escape(&r.run_id),
        escape(&time_text(r)),
        escape(&r.rig),
        escape(&ambient),
        figure(100.0 * r.level_permitted),
        escape(&binds)
    );
}

fn to_do(page: &mut String, r: &Report) {
    page.push_str("<h2>What to do now</h2>");
    if r.findings.is_empty() {
        let text = match r.outcome {
            Outcome::Pass if r.simulated => "Nothing: but no real sign was tested, so this can't be a baseline for one.",
            Outcome::Pass => "Nothing. The run can be accepted as a baseline.",
            Outcome::Marginal => "Let the instrument settle, take more readings or calibrate the sense points, then run again.",
            Outcome::Incomplete => "Do what is listed as not proven, then run again.",
            Outcome::Stopped => "Clear the cause of the stop, then run again.",
            Outcome::Error => "Mend the tool or the instrument, then run again.",
            Outcome::Fail => "Look at the failed checks below.",
        };
        let _ = write!(page, "<p>{text}</p>");
    }
    for f in &r.findings {
        let _ = write!(
            page,
            "<div class=\"card\"><strong>{}</strong> at {} — probability {} %<ol>",
            escape(&f.kind),
            escape(&fault_place(&f.kind, &f.place)),
            figure((f.probability * 100.0).round())
        );
        for step in &f.remedy {
            let _ = write!(page, "<li>{}</li>", escape(step));
        }
        page.push_str("</ol><p class=\"soft\">");
        let _ = write!(page, "Evidence: {}.", escape(&f.evidence.join("; ")));
        for a in &f.alternatives {
            let _ = write!(
                page,
                " Or {} at {} ({} %).",
                escape(&a.kind),
                escape(&fault_place(&a.kind, &a.place)),
                figure((a.probability * 100.0).round())
            );
        }
        page.push_str("</p></div>");
    }
    list(page, "Never ran", &r.never_ran);
}

fn list(page: &mut String, title: &str, items: &[String]) {
    if items.is_empty() {
        return;
    }
    let _ = write!(page, "<details><summary>{} ({})</summary><ul>", escape(title), items.len());
    for item in items {
        let _ = write!(page, "<li>{}</li>", escape(item));
    }
    page.push_str("</ul></details>");
}

fn walls(page: &mut String, r: &Report, build: &Build, entries: &[Entry]) {
    page.push_str("<h2>The wall, front view</h2><p class=\"soft\">Expected: port·position, arrow up, dashed line along the data. ✕ measured fault, ? undecided, ◆ as the witness saw it.</p>");
    let mut marks = Vec::new();
    for c in r.checks.iter().filter(|c| c.id.starts_with("sweep/cell/")) {
        let (Some(port), Some(position)) = (c.place.port, c.place.position) else { continue };
        let Some(panel) = build.panel_at(port, position) else { continue };
        let class = match c.result {
            CheckResult::Fail => "bad",
            CheckResult::Marginal => "unsure",
            CheckResult::Pass | CheckResult::NotProven => continue,
        };
        let text = format!("{} {}", c.place.colour.as_deref().unwrap_or(""), c.place.half.as_deref().unwrap_or(""));
        marks.push(Mark { panel, class, text });
    }
    for entry in entries {
        let Event::Witnessed { answer: Answer::Differs(list), .. } = &entry.event else { continue };
        for d in list {
            let Some(panel) = build.panel_at(d.port, d.position) else { continue };
            let mark = Mark { panel, class: "seen", text: seen_text(d) };
            if !marks.contains(&mark) {
                marks.push(mark);
            }
        }
    }
    page.push_str(&wall(build, &marks));
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

fn plots(page: &mut String, build: &Build, entries: &[Entry]) {
    page.push_str("<h2>Supply over the run</h2>");
    let start = entries.first().map(|e| e.at);
    let mut over: BTreeMap<usize, Vec<(f64, f64)>> = BTreeMap::new();
    let mut levels: BTreeMap<u32, u16> = BTreeMap::new();
    let mut climb: BTreeMap<usize, BTreeMap<u16, (f64, f64)>> = BTreeMap::new();
    for entry in entries {
        match &entry.event {
            Event::StepStarted { step, frame: FrameSpec::Level(level), .. } => {
                levels.insert(*step, *level);
            }
            Event::Readings { step, role, from, to, points, .. } => {
                let Some(start) = start else { continue };
                let (begin, length) = (from.since(start), to.since(*from));
                for p in points.iter().filter(|p| build.sense.get(p.point).is_some_and(|s| s.quantity == Quantity::Volts)) {
                    let gaps = p.values.len().saturating_sub(1).max(1) as f64;
                    let line = over.entry(p.point).or_default();
                    line.extend(p.values.iter().enumerate().map(|(i, v)| ((begin + length * i as f64 / gaps) / 60.0, *v)));
                    if let (Some(&level), Role::Steady) = (levels.get(step), *role) {
                        let sum = climb.entry(p.point).or_default().entry(level).or_default();
                        *sum = (sum.0 + p.values.iter().sum::<f64>(), sum.1 + p.values.len() as f64);
                    }
                }
            }
            _ => {}
        }
    }
    // the page stays small whatever the number of points and readings
    let columns = (1800 / over.len().max(1)).clamp(60, 360);
    let name = |p: usize| build.sense[p].name.clone();
    let series: Vec<Series> =
        over.iter().map(|(&p, points)| Series { name: name(p), points: decimate(points, columns), dots: false }).collect();
    page.push_str(&plot("minutes", "volts", &series));
    page.push_str("<h2>V–I line of the climb</h2>");
    let series: Vec<Series> = climb
        .iter()
        .map(|(&p, by)| Series {
            name: name(p),
            points: by.iter().filter(|(_, s)| s.1 > 0.0).map(|(l, s)| (f64::from(*l) / 10.0, s.0 / s.1)).collect(),
            dots: true,
        })
        .collect();
    page.push_str(&plot("level, percent of white", "volts", &series));
}

fn cells(page: &mut String, r: &Report, build: &Build) {
    page.push_str("<h2>Cells</h2><p class=\"soft\">Response over expected, in percent.</p><div class=\"scroll\"><table><tr><th>panel</th>");
    for half in Half::ALL {
        for colour in Colour::ALL {
            let _ = write!(page, "<th class=\"n\">{} {}</th>", colour.word(), half.word());
        }
    }
    page.push_str("</tr>");
    let by: BTreeMap<&str, &Check> = r.checks.iter().map(|c| (c.id.as_str(), c)).collect();
    for p in &build.panels {
        let _ = write!(page, "<tr><td>{}·{}</td>", p.port, p.position);
        for half in Half::ALL {
            for colour in Colour::ALL {
                let id = format!("sweep/cell/{}-{}-{}-{}", p.port, p.position, colour.word(), half.word());
                let (text, class) = by.get(id.as_str()).map_or(("–".into(), ""), |c| {
                    let (sign, class) = result_word(c.result);
                    let value = c.value.map_or("–".into(), |v| figure((v * 1000.0).round() / 10.0));
                    (if c.result == CheckResult::Pass { value } else { format!("{sign} {value}") }, class)
                });
                let class = if class == "pass" { "" } else { class };
                let _ = write!(page, "<td class=\"n {class}\">{text}</td>");
            }
        }
        page.push_str("</tr>");
    }
    page.push_str("</table></div>");
}

fn feeds(page: &mut String, r: &Report, build: &Build) {
    page.push_str(
        "<h2>Feeds</h2><div class=\"scroll\"><table><tr><th>feed</th><th class=\"n\">fuse A</th><th>panels</th><th>checks</th></tr>",
    );
    for (i, f) in build.feeds.iter().enumerate() {
        let mut panels: Vec<String> = build.panels.iter().filter(|p| p.feed == i).map(|p| format!("{}·{}", p.port, p.position)).collect();
        if build.controller.feed == i {
            panels.push("controller".into());
        }
        let own: Vec<&Check> = r.checks.iter().filter(|c| c.place.feed.as_deref() == Some(&f.name)).collect();
        let of = |result| own.iter().filter(|c| c.result == result).count();
        let _ = write!(
            page,
            "<tr><td>{}</td><td class=\"n\">{}</td><td>{}</td><td>✔ {} · ✕ {} · ≈ {} · ◔ {}</td></tr>",
            escape(&f.name),
            figure(f.fuse_a.value()),
            escape(&panels.join(", ")),
            of(CheckResult::Pass),
            of(CheckResult::Fail),
            of(CheckResult::Marginal),
            of(CheckResult::NotProven)
        );
    }
    page.push_str("</table></div>");
}

fn checks(page: &mut String, r: &Report) {
    let rows = |page: &mut String, list: &mut dyn Iterator<Item = &Check>| {
        page.push_str("<div class=\"scroll\"><table><tr><th>result</th><th>check</th><th class=\"n\">value</th><th class=\"n\">± U</th><th class=\"n\">limit</th><th>basis</th></tr>");
        for c in list {
            let (sign, word) = result_word(c.result);
            let value = c.value.map(|v| format!("{} {}", figure(v), c.unit)).unwrap_or_default();
            let expanded = c.expanded_uncertainty.map(figure).unwrap_or_default();
            let _ = write!(
                page,
                "<tr><td class=\"{word}\">{sign}&nbsp;{word}</td><td>{}<br><span class=\"soft\">{}</span></td><td class=\"n\">{}</td><td class=\"n\">{expanded}</td><td class=\"n\">{}</td><td>{}</td></tr>",
                escape(&c.title),
                escape(&c.id),
                escape(&value),
                escape(&limit_text(c)),
                escape(&c.basis)
            );
        }
        page.push_str("</table></div>");
    };
    page.push_str("<h2>Checks</h2>");
    // the cells have their own table above; those that did not pass are listed here as well
    let shown = |c: &&Check| !c.id.starts_with("sweep/") || matches!(c.result, CheckResult::Fail | CheckResult::Marginal);
    rows(page, &mut r.checks.iter().filter(shown));
    let hidden = r.checks.iter().filter(|c| !shown(c)).count();
    let _ = write!(
        page,
        "<p class=\"soft\">{hidden} more checks of cells and blocks passed or are not proven: see the table of cells and report.json.</p>"
    );
}

fn coverage(page: &mut String, r: &Report) {
    page.push_str("<h2>What this test can and can't prove</h2><p class=\"soft\">By kind of fault, with these sense points. Places are counted; each is in report.json.</p><div class=\"scroll\"><table><tr><th>fault</th><th>proof</th><th class=\"n\">places</th><th>why</th></tr>");
    let mut groups: Vec<((&str, Proof, &str), usize)> = Vec::new();
    for c in &r.coverage {
        let key = (c.kind.as_str(), c.proof, c.reason.as_str());
        match groups.iter_mut().find(|g| g.0 == key) {
            Some(g) => g.1 += 1,
            None => groups.push((key, 1)),
        }
    }
    for ((kind, proof, reason), count) in groups {
        let word = match proof {
            Proof::Measured => "✔ measured",
            Proof::Witness => "◆ witness",
            Proof::NotProven => "◔ not proven",
        };
        let _ = write!(page, "<tr><td>{}</td><td>{word}</td><td class=\"n\">{count}</td><td>{}</td></tr>", escape(kind), escape(reason));
    }
    page.push_str("</table></div>");
}

fn instruments(page: &mut String, r: &Report, build: &Build) {
    page.push_str("<h2>Instruments</h2><div class=\"scroll\"><table><tr><th>sense point</th><th>chip</th><th class=\"n\">min</th><th class=\"n\">mean</th><th class=\"n\">max</th><th class=\"n\">readings</th><th class=\"n\">missing</th><th class=\"n\">gain u %</th><th class=\"n\">offset u</th><th class=\"n\">code step</th></tr>");
    for (p, sense) in r.supply.iter().zip(&build.sense) {
        let number = |v: Option<f64>| v.map_or("–".into(), |v| format!("{} {}", figure(v), unit(sense.quantity)));
        let _ = write!(
            page,
            "<tr><td>{}</td><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{:.6}</td><td class=\"n\">{:.6}</td></tr>",
            escape(&p.sense),
            escape(&sense.chip.described()),
            number(p.min),
            number(p.mean),
            number(p.max),
            p.readings,
            p.missing,
            figure(100.0 * p.instrument.gain_rel),
            p.instrument.offset,
            p.instrument.lsb
        );
    }
    page.push_str("</table></div><p class=\"soft\">u: standard uncertainty (JCGM 100). ± U: expanded uncertainty; the guard band of each decision (JCGM 106).</p>");
}

fn tail(page: &mut String, r: &Report) {
    page.push_str("<h2>Cautions</h2><ul>");
    for c in &r.cautions {
        let _ = write!(page, "<li>{}</li>", escape(c));
    }
    let _ = writeln!(
        page,
        "</ul><h2>How to judge again</h2><p>The journal holds every reading: <code>signproof judge RUN</code>, with the directory of run {}, gives this report again without the sign.</p><p class=\"soft\">{} · build digest {}</p></body></html>",
        escape(&r.run_id),
        escape(&r.tool),
        escape(&r.build_digest)
    );
}

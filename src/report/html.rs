//! `report.html`: one file, no scripts, nothing fetched from elsewhere.

use super::{Report, wall_svg};
use crate::build::{Build, Quantity};
use crate::check::{Check, CheckResult, Place};
use crate::event::{Entry, Event, Stage};
use crate::judge::Outcome;
use crate::plan::Plan;
use std::collections::BTreeSet;
use std::fmt::Write as _;

const STYLE: &str = "
:root{color-scheme:light dark;font:16px/1.45 system-ui,sans-serif}body{max-width:62rem;margin:auto;padding:1rem}
h1{font-size:1.4rem;margin:.2rem 0}h2{font-size:1.1rem;margin:1.6rem 0 .4rem;border-bottom:1px solid}
.verdict{border:3px solid;border-radius:.5rem;padding:.6rem 1rem;font-size:1.2rem}.verdict b{font-size:1.7rem}
.sim{border:2px dashed;padding:.4rem 1rem;font-weight:bold;margin:.6rem 0}
table{border-collapse:collapse;width:100%;font-size:.9rem}td,th{border:1px solid #8888;padding:.15rem .4rem;text-align:left;vertical-align:top}
td.n{text-align:right;font-variant-numeric:tabular-nums}.scroll{overflow-x:auto}svg{width:100%;height:auto;fill:currentColor}
.plot{max-height:16rem}@media print{body{max-width:none;padding:0;font-size:10pt}tr,.finding{break-inside:avoid}}";

/// Text safe inside HTML.
pub fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;").replace('\'', "&#39;")
}

/// A place in words, e.g. `port 1 position 2 red upper`.
pub fn place_words(p: &Place) -> String {
    let mut words = Vec::new();
    let mut add = |name: &str, value: Option<String>| {
        if let Some(v) = value {
            words.push(if name.is_empty() { v } else { format!("{name} {v}") });
        }
    };
    add("supply", p.supply.clone());
    add("feed", p.feed.clone());
    add("sense point", p.sense.clone());
    add("port", p.port.map(|n| n.to_string()));
    add("position", p.position.map(|n| n.to_string()));
    add("", p.colour.clone());
    add("", p.half.clone());
    add("line", p.line.clone());
    add("block", p.block.map(|n| n.to_string()));
    add("row", p.row.map(|n| n.to_string()));
    add("column", p.column.map(|n| n.to_string()));
    words.join(" ")
}

fn sign_of(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "✓",
        Outcome::Fail => "✗",
        Outcome::Marginal => "≈",
        Outcome::Incomplete => "…",
        Outcome::Stopped => "■",
        Outcome::Error => "!",
    }
}

fn result_word(r: CheckResult) -> &'static str {
    match r {
        CheckResult::Pass => "✓ pass",
        CheckResult::Fail => "✗ FAIL",
        CheckResult::Marginal => "≈ marginal",
        CheckResult::NotProven => "– not proven",
    }
}

/// The whole page.
pub fn html(report: &Report, build: &Build, plan: &Plan, entries: &[Entry]) -> String {
    let mut s = format!(
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <title>{} – {}</title><style>{STYLE}</style></head><body><main><h1>{} ({})</h1>",
        escape(&report.sign.name),
        report.outcome.word(),
        escape(&report.sign.name),
        escape(&report.sign.serial)
    );
    if report.simulated {
        s.push_str("<p class=\"sim\">SIMULATED: no sign was tested.</p>");
    }
    let reasons: Vec<String> = report.reasons.iter().map(|r| escape(r)).collect();
    let _ = write!(
        s,
        "<div class=\"verdict\"><b>{} {}</b><br>{}</div>",
        sign_of(report.outcome),
        report.outcome.word().to_uppercase(),
        reasons.join("<br>")
    );
    let _ = write!(
        s,
        "<p>Started {} on rig {}; clock {}; ambient {}; permitted level {:.1} % of white{}. Run {}.</p>",
        escape(&report.started),
        escape(&report.rig),
        if report.clock_synchronised { "synchronised" } else { "NOT synchronised" },
        report.ambient_c.map_or_else(|| "not known".to_owned(), |c| format!("{c:.1} °C")),
        report.level_permitted * 100.0,
        if report.level_binds.is_empty() { String::new() } else { format!(" ({})", escape(&report.level_binds)) },
        escape(&report.run_id)
    );
    findings(report, &mut s);
    wall(report, build, &mut s);
    supply_plot(build, plan, entries, &mut s);
    cells(report, build, &mut s);
    checks(report, &mut s);
    if !report.never_ran.is_empty() {
        s.push_str("<h2>What never ran</h2><ul>");
        for n in report.never_ran.iter().take(40) {
            let _ = write!(s, "<li>{}</li>", escape(n));
        }
        if report.never_ran.len() > 40 {
            let _ = write!(s, "<li>and {} more</li>", report.never_ran.len() - 40);
        }
        s.push_str("</ul>");
    }
    s.push_str("<h2>What this test can and cannot prove</h2><div class=\"scroll\"><table><tr><th>fault<th>proven by<th>why</tr>");
    for c in &report.coverage {
        let word = match c.proof {
            crate::judge::Proof::Measured => "measurement",
            crate::judge::Proof::Witness => "a witness only",
            crate::judge::Proof::NotProven => "not proven",
        };
        let _ = write!(s, "<tr><td>{}<td>{word}<td>{}</tr>", escape(&c.kind), escape(&c.reason));
    }
    s.push_str("</table></div><h2>Instruments</h2><div class=\"scroll\"><table><tr><th>sense point<th>found<th>gain, standard<th>offset, standard<th>step</tr>");
    for i in &report.instruments {
        let u = i.uncertainty;
        let _ = write!(
            s,
            "<tr><td>{}<td>{}<td class=\"n\">{:.3} %<td class=\"n\">{:.3} mV<td class=\"n\">{:.3} mV</tr>",
            escape(&i.sense),
            escape(&i.found),
            u.gain_rel * 100.0,
            u.offset * 1e3,
            u.lsb * 1e3
        );
    }
    let _ = write!(
        s,
        "</table></div><h2>How to check this page</h2><p>It was made from <code>journal.jsonl</code> beside it: <code>signproof judge</code> on that directory makes it again, \
         byte for byte. Build digest <code>{}</code>; {}.</p><h2>Cautions</h2><ul>",
        escape(&report.build_digest),
        escape(&report.tool)
    );
    for c in &report.cautions {
        let _ = write!(s, "<li>{}</li>", escape(c));
    }
    s.push_str("</ul></main></body></html>\n");
    s
}

fn findings(report: &Report, s: &mut String) {
    s.push_str("<h2>What to do now</h2>");
    if report.findings.is_empty() {
        s.push_str("<p>No fault was found.</p>");
    }
    for f in &report.findings {
        let _ = write!(
            s,
            "<div class=\"finding\"><p><b>{} {}</b>, probability {:.0} %</p>",
            escape(&f.kind),
            escape(&place_words(&f.place)),
            f.probability * 100.0
        );
        for e in &f.evidence {
            let _ = write!(s, "<p>{}</p>", escape(e));
        }
        if !f.alternatives.is_empty() {
            let list: Vec<String> =
                f.alternatives.iter().map(|a| format!("{} {} ({:.0} %)", a.kind, place_words(&a.place), a.probability * 100.0)).collect();
            let _ = write!(s, "<p>Could also be: {}</p>", escape(&list.join("; ")));
        }
        s.push_str("<ol>");
        for r in &f.remedy {
            let _ = write!(s, "<li>{}</li>", escape(r));
        }
        s.push_str("</ol></div>");
    }
}

fn wall(report: &Report, build: &Build, s: &mut String) {
    let failing = report.checks.iter().filter(|c| c.result == CheckResult::Fail).map(|c| &c.place);
    let wrong: BTreeSet<(u8, u8)> =
        failing.chain(report.findings.iter().map(|f| &f.place)).filter_map(|p| Some((p.port?, p.position?))).collect();
    let _ = write!(
        s,
        "<h2>The wall, front view</h2>{}<p>port·position; the arrow is the panel's own up; hatched and ✗: something is wrong.</p>",
        wall_svg::wall(build, &wrong)
    );
}

/// Volts of the first volts point over the run: least and most per window, so no dip is lost.
fn supply_plot(build: &Build, plan: &Plan, entries: &[Entry], s: &mut String) {
    let Some(point) = build.sense.iter().position(|p| p.quantity == Quantity::Volts) else { return };
    let Some(zero) = entries.first().map(|e| e.at) else { return };
    let mut spans: Vec<(f64, f64, f64)> = Vec::new();
    let mut stages: Vec<(f64, Stage)> = Vec::new();
    for entry in entries {
        match &entry.event {
            Event::Readings { from, to, points, .. } => {
                let v = &points[point].values;
                if let (Some(low), Some(high)) = (v.iter().copied().reduce(f64::min), v.iter().copied().reduce(f64::max)) {
                    spans.push((f64::midpoint(from.since(zero), to.since(zero)), low, high));
                }
            }
            Event::StageStarted { stage } => stages.push((entry.at.since(zero), *stage)),
            _ => {}
        }
    }
    let (Some(end), Some(low), Some(high)) =
        (spans.last().map(|x| x.0), spans.iter().map(|x| x.1).reduce(f64::min), spans.iter().map(|x| x.2).reduce(f64::max))
    else {
        return;
    };
    let spans = thinned(&spans, 600);
    let (low, high) = (low - 0.01, high + 0.01);
    let x = |t: f64| 40.0 + t / end.max(1e-9) * 750.0;
    let y = |v: f64| 10.0 + (high - v) / (high - low) * 180.0;
    let _ = write!(
        s,
        "<h2>Supply over the run, at `{}`</h2><svg class=\"plot\" viewBox=\"0 0 800 240\" role=\"img\" aria-label=\"volts over time\"><g font-size=\"11\">",
        escape(&build.sense[point].name)
    );
    for v in [low, f64::midpoint(low, high), high] {
        let _ = write!(
            s,
            "<text x=\"0\" y=\"{:.1}\">{v:.2} V</text><line x1=\"40\" x2=\"790\" y1=\"{:.1}\" y2=\"{:.1}\" stroke=\"#8886\"/>",
            y(v) + 4.0,
            y(v),
            y(v)
        );
    }
    let mut label_from = f64::NEG_INFINITY;
    for (t, stage) in &stages {
        // names of short stages move to the right of one another
        let at = x(*t).max(label_from);
        label_from = at + 14.0;
        let _ = write!(
            s,
            "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"10\" y2=\"190\" stroke=\"#8888\" stroke-dasharray=\"3 3\"/><text transform=\"translate({1:.1} 232) rotate(-50)\">{2}</text>",
            x(*t),
            at,
            stage.word()
        );
    }
    s.push_str("</g><path fill=\"none\" stroke=\"currentColor\" d=\"");
    for (t, l, h) in spans {
        let _ = write!(s, "M{:.1} {:.1}V{:.1}", x(t), y(h), y(l) + 0.5);
    }
    s.push_str("\"/></svg>");
    if let Some(Some(window)) = plan.trips.get(point) {
        let _ = write!(s, "<p>Trip window {:.2} to {:.2} V.</p>", window[0], window[1]);
    }
}

/// At most `most` spans, one for each equal stretch of time; least and most of those merged survive.
fn thinned(spans: &[(f64, f64, f64)], most: usize) -> Vec<(f64, f64, f64)> {
    let Some(end) = spans.last().map(|s| s.0) else { return Vec::new() };
    let bin = |t: f64| (t / end.max(1e-9) * most as f64) as usize;
    spans
        .chunk_by(|a, b| bin(a.0) == bin(b.0))
        .map(|c| {
            let low = c.iter().map(|x| x.1).fold(f64::INFINITY, f64::min);
            let high = c.iter().map(|x| x.2).fold(f64::NEG_INFINITY, f64::max);
            (c[c.len() / 2].0, low, high)
        })
        .collect()
}

fn cells(report: &Report, build: &Build, s: &mut String) {
    s.push_str("<h2>Cells: measured over expected response</h2><div class=\"scroll\"><table><tr><th>port·position<th>red upper<th>red lower<th>green upper<th>green lower<th>blue upper<th>blue lower</tr>");
    for p in &build.panels {
        let _ = write!(s, "<tr><th>{}·{}", p.port, p.position);
        for colour in ["red", "green", "blue"] {
            for half in ["upper", "lower"] {
                let id = format!("sweep/cell/{}-{}-{colour}-{half}", p.port, p.position);
                let text = report.checks.iter().find(|c| c.id == id).map_or_else(String::new, cell_text);
                let _ = write!(s, "<td class=\"n\">{text}");
            }
        }
        s.push_str("</tr>");
    }
    s.push_str("</table></div>");
}

fn cell_text(c: &Check) -> String {
    let mark = match c.result {
        CheckResult::Pass => "✓",
        CheckResult::Fail => "✗",
        CheckResult::Marginal => "≈",
        CheckResult::NotProven => "–",
    };
    match (c.value, c.expanded_uncertainty) {
        (Some(v), Some(u)) => format!("{mark} {v:.2} ± {u:.2}"),
        _ => mark.to_owned(),
    }
}

fn checks(report: &Report, s: &mut String) {
    s.push_str("<h2>All other checks</h2><div class=\"scroll\"><table><tr><th>result<th>check<th>value<th>limits<th>basis</tr>");
    for c in report
        .checks
        .iter()
        .filter(|c| !c.id.starts_with("sweep/cell/"))
        .filter(|c| !c.id.starts_with("sweep/block/") || c.result != CheckResult::Pass)
    {
        let value = match (c.value, c.expanded_uncertainty) {
            (Some(v), Some(u)) => format!("{v:.4} ± {u:.4} {}", c.unit),
            (Some(v), None) => format!("{v:.4} {}", c.unit),
            _ => String::new(),
        };
        let edge = |e: Option<f64>| e.map_or_else(|| "…".to_owned(), |v| format!("{v:.3}"));
        let limit = if c.limit.low.is_none() && c.limit.high.is_none() {
            String::new()
        } else {
            format!("{} to {}", edge(c.limit.low), edge(c.limit.high))
        };
        let _ = write!(
            s,
            "<tr><td>{}<td>{}<td class=\"n\">{value}<td class=\"n\">{limit}<td>{}</tr>",
            result_word(c.result),
            escape(&c.title),
            escape(&c.basis)
        );
    }
    s.push_str("</table></div>");
    let blocks: Vec<&Check> = report.checks.iter().filter(|c| c.id.starts_with("sweep/block/")).collect();
    if !blocks.is_empty() {
        let good = blocks.iter().filter(|c| c.result == CheckResult::Pass).count();
        let _ = write!(s, "<p>Driver chips: {good} of {} respond; those that do not are listed above.</p>", blocks.len());
    }
}

//! A few lines for pasting into a ticket system.

use crate::report::Report;

/// Most lines of the text.
pub const LINES: usize = 15;
/// Longest line, characters.
const WIDTH: usize = 160;

/// The run in at most 15 lines of plain text.
pub fn text(report: &Report, symptom: Option<&str>) -> String {
    let mut lines: Vec<String> = Vec::new();
    if report.simulated {
        lines.push("SIMULATED: no real sign was attached".into());
    }
    lines.push(format!("{} ({}): {}", report.sign.name, report.sign.serial, report.outcome.word().to_uppercase()));
    let ambient = report.ambient_c.map_or("ambient not known".to_owned(), |c| format!("ambient {c:.1} °C"));
    let clock = if report.clock_synchronised { "" } else { ", clock NOT synchronised" };
    lines.push(format!("Run {} at {}{clock}; {:?}, {ambient}", report.run_id, report.started, report.place));
    if let Some(symptom) = symptom.map(str::trim).filter(|s| !s.is_empty()) {
        lines.push(format!("Symptom: {}", symptom.replace(['\n', '\r'], " ")));
    }
    lines.extend(report.reasons.iter().take(2).cloned());
    let tail = vec![
        format!("Permitted level {:.1} % of white", report.level_permitted * 100.0),
        format!("Build {} · {}", report.build_digest.chars().take(16).collect::<String>(), report.tool),
    ];
    let findings: Vec<String> =
        report.findings_text().into_iter().map(|(what, first)| format!("Finding: {what}. First: {first}")).collect();
    let changes: Vec<String> = report.comparison.iter().flat_map(|c| &c.statements).map(|s| format!("Changed: {}", s.what)).collect();
    let room = LINES - lines.len() - tail.len();
    let middle: Vec<String> = findings.into_iter().chain(changes).collect();
    if middle.len() > room {
        lines.extend(middle.iter().take(room - 1).cloned());
        lines.push(format!("… and {} more in the report", middle.len() - (room - 1)));
    } else {
        lines.extend(middle);
    }
    lines.extend(tail);
    let cut = |l: String| {
        let l: String = l.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        if l.chars().count() > WIDTH { l.chars().take(WIDTH - 1).chain(['…']).collect() } else { l }
    };
    lines.into_iter().map(cut).collect::<Vec<String>>().join("\n") + "\n"
}

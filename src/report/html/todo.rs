//! What to do now: findings with remedies, like ones collapsed.

use super::{escape, figure, heading};
use crate::judge::{Finding, Outcome};
use crate::report::Report;
use crate::report::words::{fault_place, kind_text};
use std::fmt::Write as _;

/// More findings of one kind than this share one card.
const ALONE: usize = 2;
/// Places named on a shared card; the rest are behind a fold.
const NAMED: usize = 8;
/// Pieces of evidence shown; the rest are behind a fold.
const EVIDENCE: usize = 4;

pub(super) fn to_do(page: &mut String, r: &Report) {
    heading(page, "What to do now");
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
        let _ = writeln!(page, "<p>{text}</p>");
    }
    for group in groups(&r.findings) {
        if group.len() <= ALONE {
            for f in group {
                card(page, f);
            }
        } else {
            shared(page, &group);
        }
    }
    if !r.never_ran.is_empty() {
        let _ = write!(page, "<details><summary>Never ran ({})</summary><ul>", r.never_ran.len());
        for item in &r.never_ran {
            let _ = write!(page, "<li>{}</li>", escape(item));
        }
        page.push_str("</ul></details>\n");
    }
}

/// Findings of one kind with one remedy together, in the order of the first of each.
fn groups(findings: &[Finding]) -> Vec<Vec<&Finding>> {
    let mut out: Vec<Vec<&Finding>> = Vec::new();
    for f in findings {
        match out.iter_mut().find(|g| g[0].kind == f.kind && g[0].remedy == f.remedy) {
            Some(g) => g.push(f),
            None => out.push(vec![f]),
        }
    }
    out
}

fn remedy(page: &mut String, f: &Finding) {
    page.push_str("<ol>");
    for step in &f.remedy {
        let _ = write!(page, "<li>{}</li>", escape(step));
    }
    page.push_str("</ol>");
}

fn card(page: &mut String, f: &Finding) {
    let _ = write!(
        page,
        "<section class=\"card\"><h3>{} <span class=\"at\">{}</span></h3>",
        escape(&capital(kind_text(&f.kind))),
        escape(&fault_place(&f.kind, &f.place)),
    );
    remedy(page, f);
    let _ = write!(
        page,
        "<p class=\"soft\">Probability {} % · <code>{}</code>. Evidence: {}.",
        figure((f.probability * 100.0).round()),
        escape(&f.kind),
        escape(&f.evidence.iter().take(EVIDENCE).map(|e| e.trim()).collect::<Vec<_>>().join("; "))
    );
    for a in &f.alternatives {
        let _ = write!(
            page,
            " Or {}: {} ({} %).",
            escape(kind_text(&a.kind)),
            escape(&fault_place(&a.kind, &a.place)),
            figure((a.probability * 100.0).round())
        );
    }
    page.push_str("</p>");
    if f.evidence.len() > EVIDENCE {
        let _ = write!(page, "<details><summary>{} more pieces of evidence</summary><ul>", f.evidence.len() - EVIDENCE);
        for e in f.evidence.iter().skip(EVIDENCE) {
            let _ = write!(page, "<li>{}</li>", escape(e.trim()));
        }
        page.push_str("</ul></details>");
    }
    page.push_str("</section>\n");
}

fn shared(page: &mut String, group: &[&Finding]) {
    let first = group[0];
    let places: Vec<String> = group.iter().map(|f| fault_place(&f.kind, &f.place)).collect();
    let mut named = places.iter().take(NAMED).cloned().collect::<Vec<_>>().join(", ");
    if places.len() > NAMED {
        let _ = write!(named, " and {} more", places.len() - NAMED);
    }
    let _ = write!(
        page,
        "<section class=\"card\"><h3>{} <span class=\"at\">{} places: {}</span></h3>",
        escape(&capital(kind_text(&first.kind))),
        group.len(),
        escape(&named)
    );
    remedy(page, first);
    let _ = write!(page, "<details><summary>Evidence for each of the {}</summary><ul>", group.len());
    for (f, place) in group.iter().zip(&places) {
        let _ =
            write!(page, "<li>{} ({} %): {}</li>", escape(place), figure((f.probability * 100.0).round()), escape(&f.evidence.join("; ")));
    }
    page.push_str("</ul></details></section>\n");
}

/// First letter in upper case.
fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

//! What to do now: findings with remedies, like ones collapsed.

use super::{capital, commands, counted, escape, figure, heading};
use crate::check::CheckResult;
use crate::event::Ending;
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
    let steps = steps(r);
    if let [only] = steps.as_slice() {
        let _ = writeln!(page, "<p>{}</p>", commands(only));
    } else if !steps.is_empty() {
        page.push_str("<ol>");
        for step in &steps {
            let _ = write!(page, "<li>{}</li>", commands(step));
        }
        page.push_str("</ol>\n");
    }
    for group in groups(&r.findings) {
        if group.len() <= ALONE {
            for (n, f) in group {
                card(page, n, f);
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

/// What to do where no finding says it.
fn steps(r: &Report) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let open = |prefix: &str| r.checks.iter().filter(|c| c.result == CheckResult::NotProven && c.id.starts_with(prefix)).count();
    match r.outcome {
        Outcome::Pass if r.simulated => out.push("Nothing: but no real sign was tested, so this can't be a baseline for one.".into()),
        Outcome::Pass => {
            out.push("Nothing is wrong. Keep this run as what later ones are compared with: `signproof accept RUN --reason …`.".into())
        }
        Outcome::Error => out.push("Mend the tool or the instrument, then run again.".into()),
        Outcome::Stopped if r.findings.is_empty() => out.push("Clear the cause of the stop, then run again.".into()),
        Outcome::Fail if r.findings.is_empty() => out.push("Look at the failed checks below.".into()),
        Outcome::Marginal => {
            out.push(
                "Settle what could not be decided, as said above: calibrate the sense points, or take more readings. Then run again."
                    .into(),
            );
        }
        Outcome::Incomplete => {
            let questions = open("marks/");
            if questions > 0 {
                out.push(format!(
                    "Run again with somebody in front of the wall: {} not answered. `signproof run … --witness ask`, or the page of `signproof serve` on a phone.",
                    counted(questions, "question about what it shows was", "questions about what it shows were")
                ));
            }
            let by_hand = open("by-hand/");
            if by_hand > 0 {
                out.push(format!("Answer {} of the before-power checklist.", counted(by_hand, "open line", "open lines")));
            }
            let others = r
                .checks
                .iter()
                .filter(|c| {
                    c.result == CheckResult::NotProven
                        && !["marks/", "by-hand/", "sweep/block/", "run/"].iter().any(|p| c.id.starts_with(p))
                })
                .count();
            if !matches!(r.ending, Some(Ending::Completed)) {
                out.push("Find out why the run was cut off (power, storage), then run again to its end.".into());
            } else if others > 0 || out.is_empty() {
                out.push(format!(
                    "Run all stages on the whole sign: {} not proven.",
                    counted(others, "measured check is", "measured checks are")
                ));
            }
        }
        Outcome::Stopped | Outcome::Fail => {}
    }
    out
}

/// Numbered findings; those of one kind with one remedy together, in the order of the first of each.
fn groups(findings: &[Finding]) -> Vec<Vec<(usize, &Finding)>> {
    let mut out: Vec<Vec<(usize, &Finding)>> = Vec::new();
    for (i, f) in findings.iter().enumerate() {
        match out.iter_mut().find(|g| g[0].1.kind == f.kind && g[0].1.remedy == f.remedy) {
            Some(g) => g.push((i + 1, f)),
            None => out.push(vec![(i + 1, f)]),
        }
    }
    out
}

/// Probability in percent; nothing is ever certain.
fn percent(probability: f64) -> String {
    if probability > 0.995 { "over 99".into() } else { figure((probability * 100.0).round()) }
}

fn remedy(page: &mut String, f: &Finding) {
    page.push_str("<ol>");
    for step in &f.remedy {
        let _ = write!(page, "<li>{}</li>", commands(step));
    }
    page.push_str("</ol>");
}

fn card(page: &mut String, number: usize, f: &Finding) {
    let _ = write!(
        page,
        "<section class=\"card\"><h3><span class=\"disc\">{number}</span> {} <span class=\"at\">{}</span></h3>",
        escape(&capital(kind_text(&f.kind))),
        escape(&fault_place(&f.kind, &f.place)),
    );
    remedy(page, f);
    let _ = write!(
        page,
        "<p class=\"soft\">Probability {} % · <code>{}</code>. Evidence: {}.",
        percent(f.probability),
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

fn shared(page: &mut String, group: &[(usize, &Finding)]) {
    let (first_number, first) = group[0];
    let places: Vec<String> = group.iter().map(|(n, f)| format!("{} ({n})", fault_place(&f.kind, &f.place))).collect();
    let mut named = places.iter().take(NAMED).cloned().collect::<Vec<_>>().join(", ");
    if places.len() > NAMED {
        let _ = write!(named, " and {} more", places.len() - NAMED);
    }
    let _ = write!(
        page,
        "<section class=\"card\"><h3><span class=\"disc\">{}–{}</span> {} <span class=\"at\">{} places: {}</span></h3>",
        first_number,
        group[group.len() - 1].0,
        escape(&capital(kind_text(&first.kind))),
        group.len(),
        escape(&named)
    );
    remedy(page, first);
    let _ = write!(page, "<details><summary>Evidence for each of the {}</summary><ul>", group.len());
    for ((_, f), place) in group.iter().zip(&places) {
        let _ = write!(page, "<li>{} ({} %): {}</li>", escape(place), percent(f.probability), escape(&f.evidence.join("; ")));
    }
    page.push_str("</ul></details></section>\n");
}

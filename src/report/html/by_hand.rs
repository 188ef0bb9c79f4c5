//! What was looked at and measured by hand: the before-power checklist, and readings taken later.

use super::{Cell, capital, commands, escape, heading, limit_text, result_word, soft, table, with_uncertainty};
use crate::check::{Check, CheckResult};
use crate::event::{Entry, Event};
use crate::report::Report;

pub(super) fn by_hand(page: &mut String, r: &Report, entries: &[Entry]) {
    heading(page, "By hand, before power and after");
    let list = entries.iter().find_map(|e| if let Event::Checklist(list) = &e.event { Some(list) } else { None });
    match list {
        Some(list) => {
            let meters: std::collections::BTreeSet<&str> = list.readings.iter().map(|r| r.meter.as_str()).collect();
            let meter =
                if meters.is_empty() { String::new() } else { format!(" with {}", meters.into_iter().collect::<Vec<_>>().join(", ")) };
            let licensed = list.licensed.as_ref().map_or_else(String::new, |name| format!(" Licensed work: {name}."));
            soft(page, &format!("Checklist filled in by {} at {}{meter}.{licensed}", list.who, list.when));
        }
        None => soft(
            page,
            "No before-power checklist was handed in: nothing on record says that polarity, fuses, crimps, the supply's volts and protective earth were looked at. `signproof sheet BUILD --checklist` makes one, `signproof run … --checklist FILE` takes it in.",
        ),
    }
    if !r.checks.iter().any(|c| c.id == "by-hand/joint") {
        soft(page, "The hottest joint at the end of the hold was not measured.");
    }
    let rows: Vec<Vec<Cell>> = r.checks.iter().filter(|c| c.id.starts_with("by-hand/")).map(row).collect();
    if !rows.is_empty() {
        table(
            page,
            "answers and readings by hand",
            &[("result", ""), ("looked at or measured", "wide"), ("reading", "n"), ("limit", "n")],
            &rows,
        );
    }
}

fn row(c: &Check) -> Vec<Cell> {
    let (sign, word) = result_word(c.result);
    let answer = match (c.value, c.result) {
        (Some(v), _) => format!("{} {}", with_uncertainty(v, c.expanded_uncertainty), c.unit),
        (None, CheckResult::Pass) => "yes".into(),
        (None, CheckResult::Fail) => "NO".into(),
        (None, _) => "not answered".into(),
    };
    vec![
        Cell::html(format!("{sign}&nbsp;{}", word.replace('-', " ")), word),
        Cell::html(format!("{}<br><span class=\"soft\">{}</span>", escape(&capital(&c.title)), commands(&c.basis)), ""),
        Cell::text(answer.trim()),
        Cell::text(limit_text(c)),
    ]
}

//! Every check: what did not pass first, like ones together.

use super::{Cell, capital, commands, counted, escape, heading, limit_text, result_word, soft, table, with_uncertainty};
use crate::check::{Check, CheckResult};
use crate::report::Report;
use std::fmt::Write as _;

const HEADS: [(&str, &str); 4] = [("result", ""), ("check", "wide"), ("value", "n"), ("limit", "n")];

/// Checks of one panel's cells or driver chips, and questions that nobody answered, are told together.
fn family(c: &Check) -> Option<String> {
    let panel = || Some(format!("{:?}{}·{}", c.result, c.place.port?, c.place.position?));
    if c.id.starts_with("sweep/cell/") {
        panel().map(|p| format!("cell {p}"))
    } else if c.id.starts_with("sweep/block/") {
        panel().map(|p| format!("block {p}"))
    } else if c.id.starts_with("marks/") && c.result == CheckResult::NotProven {
        Some("marks".into())
    } else {
        None
    }
}

fn row(c: &Check) -> Vec<Cell> {
    let value = c.value.map(|v| format!("{} {}", with_uncertainty(v, c.expanded_uncertainty), c.unit)).unwrap_or_default();
    let mut basis = commands(&c.basis);
    let _ = write!(basis, "{}<code>{}</code>", if c.basis.is_empty() { "" } else { " · " }, escape(&c.id));
    cells(c.result, &c.title, &basis, value.trim(), &limit_text(c))
}

fn cells(result: CheckResult, title: &str, basis: &str, value: &str, limit: &str) -> Vec<Cell> {
    let (sign, word) = result_word(result);
    vec![
        Cell::html(format!("{sign}&nbsp;{}", word.replace('-', " ")), word),
        Cell::html(format!("{}<br><span class=\"soft\">{basis}</span>", escape(&capital(title))), ""),
        Cell::text(value),
        Cell::text(limit),
    ]
}

/// One row for a family of checks.
fn together(list: &[&Check], all: usize) -> Vec<Cell> {
    let c = list[0];
    if c.id.starts_with("marks/") {
        let basis = format!("nobody answered; the first: {}", escape(&c.title));
        return cells(c.result, &format!("{} to the witness", counted(list.len(), "question", "questions")), &basis, "", "");
    }
    let values: Vec<f64> = list.iter().filter_map(|c| c.value).collect();
    let (low, high) = values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    let value = match values.len() {
        0 => String::new(),
        1 => super::number(low, 2),
        _ => format!("{} to {}", super::number(low, 2), super::number(high, 2)),
    };
    let (port, position) = (c.place.port.unwrap_or(0), c.place.position.unwrap_or(0));
    let what = if c.id.starts_with("sweep/cell/") { "cells" } else { "driver chips" };
    let prefix = c.id.split(['-', '/']).take(2).collect::<Vec<_>>().join("/");
    let title = format!("{port}·{position}: response over expected of {} of {all} {what}", list.len());
    cells(c.result, &title, &format!("{} · <code>{prefix}/{port}-{position}-…</code>", commands(&c.basis)), &value, &limit_text(c))
}

pub(super) fn checks(page: &mut String, r: &Report) {
    heading(page, "Checks");
    let small = |c: &Check| c.id.starts_with("sweep/cell/") || c.id.starts_with("sweep/block/");
    let open: Vec<&Check> = r.checks.iter().filter(|c| c.result != CheckResult::Pass).collect();
    let mut rows = Vec::new();
    let mut told: Vec<String> = Vec::new();
    for c in &open {
        let Some(family_of) = family(c) else {
            rows.push(row(c));
            continue;
        };
        if told.contains(&family_of) {
            continue;
        }
        let own: Vec<&Check> = open.iter().copied().filter(|o| family(o).as_ref() == Some(&family_of)).collect();
        let sort = c.id.split('/').nth(1);
        let all = r
            .checks
            .iter()
            .filter(|o| small(o) && o.id.split('/').nth(1) == sort && o.place.port == c.place.port && o.place.position == c.place.position);
        rows.push(if own.len() == 1 { row(c) } else { together(&own, all.count()) });
        told.push(family_of);
    }
    if open.is_empty() {
        soft(page, &format!("All {} passed.", r.checks.len()));
    } else {
        soft(page, &format!("{} of {} did not pass; each is in report.json.", open.len(), r.checks.len()));
        table(page, "checks that did not pass", &HEADS, &rows);
    }
    let passed = |c: &&Check| c.result == CheckResult::Pass && !small(c) && !c.id.starts_with("by-hand/");
    let rows: Vec<Vec<Cell>> = r.checks.iter().filter(passed).map(row).collect();
    if !rows.is_empty() {
        let _ = write!(page, "<details><summary>Passed: {} beside those of cells, driver chips and by hand</summary>", rows.len());
        table(page, "checks that passed", &HEADS, &rows);
        page.push_str("</details>\n");
    }
}

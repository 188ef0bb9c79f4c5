//! What changed since the baseline.

use super::{Cell, commands, escape, heading, place_of_run, table};
use crate::drift::{Kind, RowResult};
use crate::report::Report;
use std::fmt::Write as _;

/// Rows of the table; all are in report.json.
const ROWS: usize = 24;

pub(super) fn comparison(page: &mut String, r: &Report) {
    let Some(c) = &r.comparison else { return };
    heading(page, "What changed since the baseline");
    let ambient = |t: Option<f64>| t.map_or("ambient not known".to_owned(), |t| format!("{t:.1} °C"));
    let side = |s: &crate::drift::Side| format!("{} ({}, {})", s.run_id, place_of_run(s.place), ambient(s.ambient_c));
    let _ = writeln!(page, "<p class=\"soft\">Baseline {}; this run {}.</p>", escape(&side(&c.before)), escape(&side(&c.after)));
    if c.statements.is_empty() {
        page.push_str("<p>Nothing changed beyond chance and the practical thresholds.</p>\n");
    }
    for s in &c.statements {
        let _ = writeln!(page, "<div class=\"card\"><p><strong>{}</strong></p><p>{}</p></div>", escape(&s.what), commands(&s.suggests));
    }
    let changed: Vec<_> = c.rows.iter().filter(|r| r.result == RowResult::Changed).collect();
    if !changed.is_empty() {
        let rows: Vec<Vec<Cell>> = changed
            .iter()
            .take(ROWS)
            .map(|r| {
                let digits = if matches!(r.kind, Kind::Resistance | Kind::Temperature) { 1 } else { 4 };
                vec![
                    Cell::text(&r.title),
                    Cell::number(Some(r.before), digits),
                    Cell::number(Some(r.after), digits),
                    Cell::text(&r.unit),
                    Cell::number(Some(r.change), digits.max(2)),
                    Cell::number(r.expanded, digits.max(2)),
                    Cell::number(r.t, 1),
                ]
            })
            .collect();
        let heads = [("changed", ""), ("before", "n"), ("after", "n"), ("unit", ""), ("change", "n"), ("± U", "n"), ("t", "n")];
        table(page, "quantities that changed", &heads, &rows);
        if changed.len() > ROWS {
            let _ = writeln!(page, "<p class=\"soft\">{} more are in report.json.</p>", changed.len() - ROWS);
        }
    }
    page.push_str("<ul class=\"soft\">");
    for n in &c.notes {
        let _ = write!(page, "<li>{}</li>", commands(n));
    }
    page.push_str("</ul>\n");
}

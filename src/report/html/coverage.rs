//! What was proven, and what was not.

use super::{Cell, counted, escape, heading, soft, table};
use crate::event::Ending;
use crate::judge::{Coverage, Proof};
use crate::report::Report;
use crate::report::words::{fault_place, kind_text};
use std::fmt::Write as _;

/// Places of one kind that are named; more are counted.
const NAMED: usize = 6;

pub(super) fn coverage(page: &mut String, r: &Report, witnessed: bool) {
    heading(page, "What was proven, and what was not");
    let of = |proof: Proof| r.coverage.iter().filter(|c| c.proof == proof).collect::<Vec<_>>();
    let (measured, witness, not) = (of(Proof::Measured), of(Proof::Witness), of(Proof::NotProven));
    let by_witness = if witnessed { "by the witness" } else { "only if somebody looks, and nobody did" };
    soft(
        page,
        &format!(
            "Places where a fault of a known kind could be, {} in all: {} proven by measurement, {} {by_witness}, {} not proven with these sense points. Each is in report.json.",
            r.coverage.len(),
            measured.len(),
            witness.len(),
            not.len()
        ),
    );
    if !matches!(r.ending, Some(Ending::Completed)) || !r.never_ran.is_empty() {
        page.push_str("<p>The run did not do all of its steps: what the missing ones would have proven is not proven, whatever this table says.</p>\n");
    }
    part(page, "◔ Not proven with these sense points", &not);
    part(page, if witnessed { "◆ Proven by the witness" } else { "◔ Not proven: nobody looked" }, &witness);
    part(page, "✔ Proven by measurement", &measured);
}

fn part(page: &mut String, title: &str, list: &[&Coverage]) {
    if list.is_empty() {
        return;
    }
    let _ = writeln!(page, "<h3>{} <span class=\"at\">{}</span></h3>", escape(title), counted(list.len(), "place", "places"));
    let mut kinds: Vec<(&str, Vec<&Coverage>)> = Vec::new();
    for c in list {
        match kinds.iter_mut().find(|k| k.0 == c.kind) {
            Some(k) => k.1.push(c),
            None => kinds.push((&c.kind, vec![c])),
        }
    }
    let rows: Vec<Vec<Cell>> = kinds
        .into_iter()
        .map(|(kind, own)| {
            let mut places: Vec<String> = own.iter().map(|c| fault_place(kind, &c.place)).collect();
            places.dedup();
            let named = if places.len() <= NAMED { listed(&places) } else { own.len().to_string() };
            let reasons: Vec<&str> = own.iter().map(|c| c.reason.as_str()).collect();
            vec![Cell::text(kind_text(kind)), Cell::text(named), Cell::text(merged(&reasons).join("; "))]
        })
        .collect();
    table(page, title, &[("fault", ""), ("places", ""), ("why", "")], &rows);
}

/// Places in one line; what all begin with is said once.
fn listed(places: &[String]) -> String {
    let shared = ["sense point ", "feed ", "line "].into_iter().find(|w| places.len() > 1 && places.iter().all(|p| p.starts_with(w)));
    match shared {
        Some(word) => format!("{}s {}", word.trim_end(), places.iter().map(|p| &p[word.len()..]).collect::<Vec<_>>().join(", ")),
        None => places.join(", "),
    }
}

/// A sentence's words, and the range of each figure in it.
type Template<'a> = (Vec<&'a str>, Vec<(f64, f64)>);

/// Sentences that differ in figures only, as one with the range of each figure.
fn merged(reasons: &[&str]) -> Vec<String> {
    let mut templates: Vec<Template<'_>> = Vec::new();
    for reason in reasons {
        let words: Vec<&str> = reason.split(' ').collect();
        let figures: Vec<f64> = words.iter().filter_map(|w| w.parse().ok()).collect();
        let same = |t: &&mut Template<'_>| {
            t.0.len() == words.len()
                && t.0.iter().zip(&words).all(|(a, b)| a == b || (a.parse::<f64>().is_ok() && b.parse::<f64>().is_ok()))
        };
        match templates.iter_mut().find(same) {
            Some(t) => t.1.iter_mut().zip(figures).for_each(|(range, f)| *range = (range.0.min(f), range.1.max(f))),
            None => templates.push((words, figures.into_iter().map(|f| (f, f)).collect())),
        }
    }
    let render = |(words, ranges): &Template<'_>| {
        let mut ranges = ranges.iter();
        let word = |w: &&str| match w.parse::<f64>().ok().and_then(|_| ranges.next()) {
            Some((low, high)) if low < high => format!("{low} to {high}"),
            _ => (*w).to_owned(),
        };
        words.iter().map(word).collect::<Vec<_>>().join(" ")
    };
    templates.iter().map(render).collect()
}

#[cfg(test)]
mod tests {
    use super::merged;

    #[test]
    fn sentences_that_differ_in_figures_are_one() {
        let given = [
            "stands out by 80 standard deviations",
            "its own readings tell",
            "stands out by 26 standard deviations",
            "stands out by only 2.8 standard deviations",
        ];
        assert_eq!(
            merged(&given),
            ["stands out by 26 to 80 standard deviations", "its own readings tell", "stands out by only 2.8 standard deviations"]
        );
    }
}

//! Supply over the whole run, and the V–I line of the climb.

use super::{Cell, heading, soft, table};
use crate::build::{Build, Quantity};
use crate::event::{Entry, Event, Stage};
use crate::report::Report;
use crate::report::plot::{Extras, Series, decimate, plot};
use std::collections::BTreeMap;

pub(super) fn supply(page: &mut String, r: &Report, build: &Build, entries: &[Entry]) {
    heading(page, "Supply over the run");
    let Some(start) = entries.first().map(|e| e.at) else {
        soft(page, "Nothing was recorded.");
        return;
    };
    let minutes = |at: crate::event::Stamp| at.since(start) / 60.0;
    let mut over: BTreeMap<usize, Vec<(f64, f64)>> = BTreeMap::new();
    let mut extras = Extras::default();
    let mut open: Option<(Stage, f64)> = None;
    let mut last = 0.0;
    for entry in entries {
        last = minutes(entry.at);
        match &entry.event {
            Event::StageStarted { stage } => open = Some((*stage, last)),
            Event::StageEnded { stage } => {
                if let Some((s, from)) = open.take().filter(|(s, _)| s == stage) {
                    extras.bands.push((s.word().to_owned(), from, last));
                }
            }
            Event::Blanked { .. } => extras.marks.push((last, "blanked".to_owned())),
            Event::Readings { from, to, points, .. } => {
                let (begin, length) = (minutes(*from), to.since(*from) / 60.0);
                for p in points.iter().filter(|p| build.sense.get(p.point).is_some_and(|s| s.quantity == Quantity::Volts)) {
                    let gaps = p.values.len().saturating_sub(1).max(1) as f64;
                    let line = over.entry(p.point).or_default();
                    line.extend(p.values.iter().enumerate().map(|(i, v)| (begin + length * i as f64 / gaps, *v)));
                }
            }
            _ => {}
        }
    }
    if let Some((s, from)) = open {
        extras.bands.push((s.word().to_owned(), from, last));
    }
    let trips: Vec<[f64; 2]> = r.trip_windows.iter().flatten().copied().collect();
    if let (Some(low), Some(high)) = (trips.iter().map(|t| t[0]).max_by(f64::total_cmp), trips.iter().map(|t| t[1]).min_by(f64::total_cmp))
    {
        extras.lines.push((low, format!("blanks below {low:.2} V")));
        extras.lines.push((high, format!("blanks above {high:.2} V")));
    }
    // the page stays small whatever the number of points and readings: lowest and highest of each span survive
    let columns = (1800 / over.len().max(1)).clamp(60, 360);
    let series: Vec<Series> = over
        .iter()
        .map(|(&p, points)| Series { name: build.sense[p].name.clone(), points: decimate(points, columns), dots: false, dashed: false })
        .collect();
    page.push_str(&plot("minutes", "volts", &series, &extras));
    let clock = |m: f64| format!("{}:{:02}", m as u64, ((m.fract()) * 60.0) as u64);
    let stages: Vec<String> = extras.bands.iter().map(|(s, a, b)| format!("{s} {}–{}", clock(*a), clock(*b))).collect();
    soft(page, &format!("Stages (minutes:seconds): {}. Lowest and highest reading of each span are drawn.", stages.join(" · ")));
    let total: u64 = r.supply.iter().map(|p| p.readings).sum();
    let missing: u64 = r.supply.iter().map(|p| p.missing).sum();
    soft(page, &format!("{total} readings, {missing} missing; each is in the journal, and in the readings.csv of a ticket."));
}

pub(super) fn climb(page: &mut String, r: &Report) {
    heading(page, "V–I line of the climb");
    if r.climb.is_empty() {
        soft(page, "Not measured: the climb did not run.");
        return;
    }
    let mut series = Vec::new();
    for c in &r.climb {
        let points: Vec<(f64, f64)> = c.points.iter().map(|p| (p[0], p[1])).collect();
        series.push(Series { name: c.sense.clone(), points, dots: true, dashed: false });
    }
    for c in &r.climb {
        let ends = c.volts_at_rest.zip(c.volts_at_full_white);
        let points = ends.map_or_else(Vec::new, |(rest, full)| vec![(0.0, rest), (c.full_white_a, full)]);
        series.push(Series { name: String::new(), points, dots: false, dashed: true });
    }
    page.push_str(&plot("amperes of the supply (nominal panels)", "volts", &series, &Extras { wrap: r.climb.len(), ..Extras::default() }));
    let rows: Vec<Vec<Cell>> = r
        .climb
        .iter()
        .map(|c| {
            vec![
                Cell::text(&c.sense),
                Cell::number(c.volts_at_rest, 3),
                Cell::number(c.slope_mohm, 1),
                Cell::number(Some(c.full_white_a), 1),
                Cell::number(c.volts_at_full_white, 3),
            ]
        })
        .collect();
    let heads = [
        ("sense point", ""),
        ("V at no current", "n"),
        ("mΩ lost per A of the supply", "n"),
        ("A at full white", "n"),
        ("V foretold there", "n"),
    ];
    table(page, "V–I line of each sense point", &heads, &rows);
    soft(
        page,
        "Dashed: the straight line, drawn out to no current and to full white. What lies beyond the highest level shown is foretold, not measured.",
    );
}

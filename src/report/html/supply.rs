//! Supply over the whole run, and the V–I line of the climb.

use super::{Cell, heading, soft, table};
use crate::build::{Build, Quantity};
use crate::event::{Entry, Event, Stage};
use crate::report::Report;
use crate::report::plot::{Extras, Series, decimate, plot};
use std::collections::BTreeMap;

type Lines = BTreeMap<usize, Vec<(f64, f64)>>;

/// Volts of every point over minutes, with the stages and the moments at which the wall was blanked.
fn over_time(build: &Build, entries: &[Entry]) -> (Lines, Extras) {
    let (mut over, mut extras) = (Lines::new(), Extras::default());
    let Some(start) = entries.first().map(|e| e.at) else { return (over, extras) };
    let minutes = |at: crate::event::Stamp| at.since(start) / 60.0;
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
    (over, extras)
}

const fn purpose(stage: &str) -> &'static str {
    match stage.as_bytes() {
        b"open" => "nothing lit",
        b"idle" => "black frames",
        b"sweep" => "each cell alone",
        b"marks" => "pictures for the witness",
        b"climb" => "level up in steps",
        b"hold" => "permitted level held",
        b"rest" => "black again",
        _ => "",
    }
}

pub(super) fn supply(page: &mut String, r: &Report, build: &Build, entries: &[Entry]) {
    heading(page, "Supply over the run");
    if entries.is_empty() {
        soft(page, "Nothing was recorded.");
        return;
    }
    let (over, mut extras) = over_time(build, entries);
    let trips: Vec<[f64; 2]> = r.trip_windows.iter().flatten().copied().collect();
    if let (Some(low), Some(high)) = (trips.iter().map(|t| t[0]).max_by(f64::total_cmp), trips.iter().map(|t| t[1]).min_by(f64::total_cmp))
    {
        extras.lines.push((low, format!("blanks below {low:.2} V")));
        extras.lines.push((high, format!("blanks above {high:.2} V")));
    }
    if let [supply] = build.supplies.as_slice() {
        let [low, high] = supply.accept_v.map(|v| v.value());
        extras.hints.push((low, String::new()));
        extras.hints.push((high, format!("with nothing lit {low:.2} to {high:.2} V")));
    }
    // names stand in the middle of the longest stage, where there is room
    extras.names_at = extras.bands.iter().max_by(|a, b| (a.2 - a.1).total_cmp(&(b.2 - b.1))).map(|(_, from, to)| from + 0.45 * (to - from));
    // the page stays small whatever the number of points and readings: lowest and highest of each span survive
    let columns = (1800 / over.len().max(1)).clamp(60, 360);
    let series: Vec<Series> = over
        .iter()
        .map(|(&p, points)| Series { name: build.sense[p].name.clone(), points: decimate(points, columns), dots: false, dashed: false })
        .collect();
    page.push_str(&plot("minutes", "volts", &series, &extras));
    let clock = |m: f64| {
        let seconds = (m * 60.0).round() as u64;
        format!("{}:{:02}", seconds / 60, seconds % 60)
    };
    let rows: Vec<Vec<Cell>> = extras
        .bands
        .iter()
        .map(|(stage, from, to)| {
            let mut row = vec![
                Cell::html(format!("{stage}<br><span class=\"soft\">{}</span>", purpose(stage)), ""),
                Cell::text(format!("{}\u{a0}–\u{a0}{}", clock(*from), clock(*to))),
            ];
            for points in over.values() {
                let own = points.iter().filter(|p| p.0 >= *from && p.0 <= *to).map(|p| p.1);
                let (low, high) = own.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
                row.push(if low <= high { Cell::text(format!("{low:.3}\u{a0}–\u{a0}{high:.3}")) } else { Cell::text("–") });
            }
            row
        })
        .collect();
    let mut heads = vec![("stage".to_owned(), ""), ("minutes".to_owned(), "n fix")];
    heads.extend(over.keys().map(|&p| (format!("{} V", build.sense[p].name), "n fix")));
    let heads: Vec<(&str, &str)> = heads.iter().map(|(t, c)| (t.as_str(), *c)).collect();
    table(page, "stages with the lowest and highest volts in each", &heads, &rows);
    let total: u64 = r.supply.iter().map(|p| p.readings).sum();
    let missing: u64 = r.supply.iter().map(|p| p.missing).sum();
    soft(
        page,
        &format!(
            "{total} readings, {missing} missing; lowest and highest of each span are drawn. Each reading is in the journal, and in the readings.csv of a ticket."
        ),
    );
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
    let reached = r.climb.iter().flat_map(|c| &c.points).map(|p| p[0]).fold(0.0, f64::max);
    let full = r.climb.iter().map(|c| c.full_white_a).fold(0.0, f64::max);
    let mut extras = Extras { wrap: r.climb.len(), names_at: Some(reached), ..Extras::default() };
    if full > reached * 1.02 {
        extras.bands.push(("foretold".to_owned(), reached, full));
    }
    page.push_str(&plot("amperes of the supply (nominal panels)", "volts", &series, &extras));
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
    let heads = [("sense point", ""), ("V at 0 A", "n"), ("mV lost per A", "n"), ("A at full white", "n"), ("V there", "n")];
    table(page, "V–I line of each sense point", &heads, &rows);
    let beyond = if full > reached * 1.02 {
        format!("The climb reached {reached:.1} A; what lies beyond, up to full white at {full:.1} A, is foretold, not measured.")
    } else {
        "The climb reached full white; the line is drawn out to 0 A only.".to_owned()
    };
    soft(page, &format!("Dashed: the straight line through the levels. {beyond} The amperes are those of the whole supply, by the build."));
}

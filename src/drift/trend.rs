//! Slow change over many runs of one sign.

use super::compare::{COPPER_PER_K, Mismatch};
use super::quantities::{Kind, Numbers, Quantity};
use super::stats::two_sided_factor;
use crate::meter::least_squares::line;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

const DAY_MS: f64 = 86_400_000.0;

/// What a trend is judged against, from the build.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// A resistance may exceed the expected one by this share.
    pub resistance_over: f64,
    /// A panel's current may fall short of the first run's by this share.
    pub panel_under: f64,
}

/// One quantity over time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrendLine {
    /// Id of the quantity.
    pub id: String,
    /// In words.
    pub title: String,
    /// Unit.
    pub unit: String,
    /// Runs that have it.
    pub runs: usize,
    /// First and last value.
    pub first: f64,
    /// Last value.
    pub last: f64,
    /// Change per 30 days.
    pub per_month: f64,
    /// Expanded uncertainty of that, 95 % over all lines together.
    pub expanded_per_month: f64,
    /// True where the change is beyond its uncertainty.
    pub real: bool,
    /// The limit it moves towards.
    pub limit: Option<f64>,
    /// Day on which the line meets the limit (date, UTC); only where the slope is real.
    pub leaves_limit_on: Option<String>,
    /// Earliest and latest such day with the slope at the ends of its uncertainty; the latest is `null` beyond a century.
    pub between: Option<(String, Option<String>)>,
}

/// Trend over runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Trend {
    /// Ids of the runs used, oldest first.
    pub runs: Vec<String>,
    /// True where no real sign was attached.
    pub simulated: bool,
    /// What was left out, and how it was done.
    pub notes: Vec<String>,
    /// Lines with a real slope first, then by id.
    pub lines: Vec<TrendLine>,
}

/// A value of one run with what it is called.
struct Value {
    title: String,
    unit: String,
    value: f64,
    limits: [Option<f64>; 2],
}

/// Resistances at 20 °C, volts, noise, and each panel's current as the mean of its cells with the path's resistance taken out.
fn values(n: &Numbers, bounds: Bounds) -> BTreeMap<String, Value> {
    let mut out = BTreeMap::new();
    let mut panels: BTreeMap<(u8, u8), Vec<f64>> = BTreeMap::new();
    let resistance = |q: &Quantity| n.quantities.iter().find(|r| Some(&r.id) == q.through.as_ref());
    for q in &n.quantities {
        let (value, limits) = match q.kind {
            Kind::Resistance => {
                let to_20 = n.ambient_c.map_or(1.0, |c| 1.0 / (1.0 + COPPER_PER_K * (c - 20.0)));
                (q.value * to_20, [None, q.expected.map(|e| e * (1.0 + bounds.resistance_over))])
            }
            Kind::Cell => {
                let (Some(port), Some(position)) = (q.place.port, q.place.position) else { continue };
                let path = resistance(q).and_then(|r| r.expected.filter(|e| *e > 0.0).map(|e| r.value / e)).filter(|p| *p > 0.0);
                panels.entry((port, position)).or_default().push(q.value / path.unwrap_or(1.0));
                continue;
            }
            Kind::OpenVolts | Kind::Noise | Kind::IdleAmps => (q.value, [None, None]),
            Kind::IdleVolts | Kind::IdleDrop | Kind::Temperature => continue,
        };
        out.insert(q.id.clone(), Value { title: q.title.clone(), unit: q.unit.clone(), value, limits });
    }
    for ((port, position), cells) in panels {
        let value = cells.iter().sum::<f64>() / cells.len() as f64;
        let title = format!("panel {port}·{position}: current over expected, mean of {} cells", cells.len());
        out.insert(
            format!("panel/{port}-{position}"),
            Value { title, unit: String::new(), value, limits: [Some(1.0 - bounds.panel_under), None] },
        );
    }
    out
}

fn date(unix_ms: f64) -> Option<String> {
    // no calendar beyond the year 9999
    (unix_ms.is_finite() && unix_ms.abs() < 2.5e14)
        .then(|| jiff::Timestamp::from_millisecond(unix_ms as i64).ok())
        .flatten()
        .map(|t| t.strftime("%Y-%m-%d").to_string())
}

/// Trend over runs of one build.
///
/// # Errors
/// Where simulated and real runs are given together, or runs of different builds.
pub fn trend(runs: &[Numbers], bounds: Bounds) -> Result<Trend, Mismatch> {
    let mut notes = Vec::new();
    let mut sorted: Vec<&Numbers> = runs.iter().collect();
    sorted.sort_by_key(|n| n.started_unix_ms);
    if let Some(first) = sorted.first() {
        if let Some(other) = sorted.iter().find(|n| n.simulated != first.simulated) {
            let (s, r) = if first.simulated { (first, other) } else { (other, first) };
            return Err(Mismatch::Simulated { simulated: s.run_id.clone(), real: r.run_id.clone() });
        }
        if let Some(other) = sorted.iter().find(|n| n.build_digest != first.build_digest) {
            let short = |d: &str| d.chars().take(12).collect();
            return Err(Mismatch::Builds { before: short(&first.build_digest), after: short(&other.build_digest) });
        }
    }
    let unsure = sorted.iter().filter(|n| !n.clock_synchronised).count();
    sorted.retain(|n| n.clock_synchronised);
    if unsure > 0 {
        notes.push(format!("{unsure} runs are left out: their clock was not synchronised, so their date can't be believed."));
    }
    let unknown = sorted.iter().filter(|n| n.ambient_c.is_none()).count();
    if unknown > 0 {
        notes.push(format!("{unknown} runs have no ambient temperature: their resistances are not corrected to 20 °C."));
    }
    let days: BTreeSet<i64> = sorted.iter().map(|n| (n.started_unix_ms as f64 / DAY_MS) as i64).collect();
    if sorted.len() >= 3 && days.len() < 3 {
        let spread = if days.len() == 1 { "one day".to_owned() } else { format!("{} days", days.len()) };
        notes.push(format!("The runs are of {spread}: over so short a time no slope is called real."));
    }
    let mut series: BTreeMap<String, Vec<(f64, Value)>> = BTreeMap::new();
    for n in &sorted {
        for (id, value) in values(n, bounds) {
            series.entry(id).or_default().push((n.started_unix_ms as f64 / DAY_MS, value));
        }
    }
    series.retain(|_, s| s.len() >= 3);
    let members = series.len();
    if sorted.len() < 3 {
        notes.push(format!("{} runs can be used: a trend needs three at least.", sorted.len()));
    } else {
        notes.push(format!(
            "{members} quantities over {} runs; a slope is real where it is beyond its uncertainty, 95 % over all of them together.",
            sorted.len()
        ));
    }
    let mut lines: Vec<TrendLine> = series.into_iter().filter_map(|(id, s)| one(id, &s, members)).collect();
    lines.sort_by(|a, b| b.real.cmp(&a.real).then(a.id.cmp(&b.id)));
    let simulated = sorted.first().is_some_and(|n| n.simulated);
    Ok(Trend { runs: sorted.iter().map(|n| n.run_id.clone()).collect(), simulated, notes, lines })
}

fn one(id: String, series: &[(f64, Value)], members: usize) -> Option<TrendLine> {
    let days: BTreeSet<i64> = series.iter().map(|(d, _)| *d as i64).collect();
    let origin = series[series.len() - 1].0;
    let points: Vec<(f64, f64)> = series.iter().map(|(d, v)| (d - origin, v.value)).collect();
    let fit = line(&points)?;
    let (slope, expanded) = (fit.slope.value, fit.slope.standard * two_sided_factor(fit.slope.dof, members));
    let (_, last) = &series[series.len() - 1];
    // a slope over runs of one day says nothing about months
    let real = slope.abs() > expanded && days.len() >= 3;
    let limit = if slope > 0.0 { last.limits[1] } else { last.limits[0] };
    // days from the last run until the line meets the limit; already beyond it: in the past
    let when = |slope: f64| limit.map_or(f64::INFINITY, |l| (origin + (l - fit.intercept.value) / slope) * DAY_MS);
    let forecast = (real && limit.is_some()).then(|| date(when(slope))).flatten();
    let between = forecast.as_ref().and_then(|_| {
        let (fast, slow) = (slope.abs() + expanded, slope.abs() - expanded);
        let (a, b) = (when(fast * slope.signum()), when(slow * slope.signum()));
        let (early, late) = if a <= b { (a, b) } else { (b, a) };
        let century = late < (origin + 36_525.0) * DAY_MS;
        Some((date(early)?, date(late).filter(|_| century)))
    });
    let figure = |v: f64| format!("{v:.4e}").parse::<f64>().unwrap_or(v);
    Some(TrendLine {
        id,
        title: last.title.clone(),
        unit: last.unit.clone(),
        runs: series.len(),
        first: figure(series[0].1.value),
        last: figure(last.value),
        per_month: figure(slope * 30.0),
        expanded_per_month: figure(expanded * 30.0),
        real,
        limit: limit.map(figure),
        leaves_limit_on: forecast,
        between,
    })
}

impl Trend {
    /// For the terminal.
    pub fn text(&self) -> String {
        let mut out = String::new();
        if self.simulated {
            out.push_str("SIMULATED: no sign was tested\n");
        }
        out.push_str(&format!("{} runs", self.runs.len()));
        if let (Some(a), Some(b)) = (self.runs.first(), self.runs.last()) {
            out.push_str(&format!(", {a} to {b}"));
        }
        out.push('\n');
        let real: Vec<&TrendLine> = self.lines.iter().filter(|l| l.real).collect();
        if real.is_empty() {
            out.push_str("no slope is beyond its uncertainty\n");
        }
        for l in &real {
            out.push_str(&format!(
                "- {}: {:+.4} ± {:.4} {} per 30 days, now {:.4}",
                l.title, l.per_month, l.expanded_per_month, l.unit, l.last
            ));
            match (&l.leaves_limit_on, &l.between, l.limit) {
                (Some(day), Some((early, late)), Some(limit)) => {
                    let late = late.as_deref().unwrap_or("beyond a century");
                    out.push_str(&format!("; leaves its limit of {limit:.4} {} about {day} ({early} to {late})", l.unit));
                }
                _ => out.push_str("; no limit applies"),
            }
            out.push('\n');
        }
        out.push_str(&format!("\n{:<36} {:>4} {:>10} {:>10} {:>12} {:>12}\n", "quantity", "runs", "first", "last", "per 30 days", "± U"));
        for l in &self.lines {
            out.push_str(&format!(
                "{:<36} {:>4} {:>10.4} {:>10.4} {:>+12.4} {:>12.4}{}\n",
                l.id,
                l.runs,
                l.first,
                l.last,
                l.per_month,
                l.expanded_per_month,
                if l.real { "  real" } else { "" }
            ));
        }
        for n in &self.notes {
            out.push_str(&format!("{n}\n"));
        }
        out
    }
}

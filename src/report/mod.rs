//! Judgement → `report.json` (canonical), `report.html`, `readings.csv`, OCP JSON Lines, text for a ticket.

mod csv;
mod html;
mod ocp;
mod plot;
mod schema;
mod text;
mod words;

pub use crate::drawing::escape;
pub use csv::{HEADER as CSV_HEADER, readings_csv, write_readings_csv};
pub use html::html;
pub use ocp::ocp;
pub use schema::json_schema;
pub use words::{kind_and_place, place_text as place_words};

use crate::build::{Build, Quantity};
use crate::calibration::Correction;
use crate::check::{Check, PointUncertainty};
use crate::drift::{ClimbLine, Comparison, FeedFacts, Numbers, Quantity as Measured};
use crate::event::{BoardFacts, Ending, Entry, Event, PlaceOfRun, Stamp};
use crate::judge::{Coverage, Finding, Judgement, Outcome};
use crate::plan::Plan;
use serde::{Deserialize, Serialize};
use text::round;

/// Version of the report format.
pub const SCHEMA: u32 = 1;

/// Name and serial of the sign.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct SignFacts {
    /// Name.
    pub name: String,
    /// Serial number.
    pub serial: String,
}

/// One sense point over the whole run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct PointSummary {
    /// Name of the sense point.
    pub sense: String,
    /// Unit.
    pub unit: String,
    /// Good readings.
    pub readings: u64,
    /// Readings that are missing.
    pub missing: u64,
    /// Lowest, mean, highest; `null` where nothing was read.
    pub min: Option<f64>,
    /// Mean of all readings.
    pub mean: Option<f64>,
    /// Highest.
    pub max: Option<f64>,
    /// Type B uncertainties of the instrument.
    pub instrument: PointUncertainty,
}

/// The report of a run; `report.json` is this, field by field.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Report {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Tool name and version that ran the sign.
    pub tool: String,
    /// Id of the run.
    pub run_id: String,
    /// `board`, `sim` or `replay`.
    pub rig: String,
    /// True where no real sign was attached.
    pub simulated: bool,
    /// The sign.
    pub sign: SignFacts,
    /// Where it was tested.
    pub place: PlaceOfRun,
    /// Start, RFC 3339 in UTC; empty where the journal does not say.
    pub started: String,
    /// Last event, likewise.
    pub ended: String,
    /// True where the wall clock was synchronised all the time.
    pub clock_synchronised: bool,
    /// How the run ended; `null` where it was cut off.
    pub ending: Option<Ending>,
    /// The verdict.
    pub outcome: Outcome,
    /// Why, in sentences.
    pub reasons: Vec<String>,
    /// Highest lit fraction allowed.
    pub level_permitted: f64,
    /// What binds it; empty where nothing does.
    pub level_binds: String,
    /// Volts below and above which the wall is blanked, per sense point; `null` where none applies.
    pub trip_windows: Vec<Option<[f64; 2]>>,
    /// Nominal seconds of the plan.
    pub plan_seconds: f64,
    /// Ambient temperature in °C, typed or sensed.
    pub ambient_c: Option<f64>,
    /// The controller, last report.
    pub board: Option<BoardFacts>,
    /// Digest of the checked build.
    pub build_digest: String,
    /// Every check.
    pub checks: Vec<Check>,
    /// Located faults.
    pub findings: Vec<Finding>,
    /// What can be proven.
    pub coverage: Vec<Coverage>,
    /// Steps that never ran.
    pub never_ran: Vec<String>,
    /// Sense points over the run.
    pub supply: Vec<PointSummary>,
    /// Corrections of sense points by a hand meter that the run used.
    #[serde(default)]
    pub calibration: Vec<Correction>,
    /// The feeds as expected and as measured.
    pub feeds: Vec<FeedFacts>,
    /// Volts over current in the climb.
    pub climb: Vec<ClimbLine>,
    /// What was measured, as a comparison uses it.
    pub quantities: Vec<Measured>,
    /// Against the baseline; `null` where the run had none.
    pub comparison: Option<Comparison>,
    /// Cautions.
    pub cautions: Vec<String>,
}

/// The cautions that go with every report.
pub const CAUTIONS: [&str; 8] = [
    "Mains wiring only by a licensed person and to the local code.",
    "Supply off and discharged before a lead is moved.",
    "5 V at tens of amperes can burn and start fires, though it won't shock: beyond 240 VA a supply is class PS3 of IEC 62368-1.",
    "Protective earth checked by licensed people.",
    "Fuse each feed for its lead.",
    "Check the enclosure's rating and its drain holes.",
    "Photosensitivity: nothing lit alternates above 3 Hz in this test.",
    "This report says what was measured and seen during this run, with these sense points; the coverage table says what it can't prove.",
];

/// Puts a report together. The arguments are those of [`crate::judge::judge`] and its result.
pub fn report(build: &Build, plan: &Plan, entries: &[Entry], judgement: &Judgement, instruments: &[PointUncertainty]) -> Report {
    let Numbers { quantities, feeds, climb, .. } = crate::drift::numbers(build, plan, entries);
    let mut out = Report {
        schema: SCHEMA,
        tool: String::new(),
        run_id: String::new(),
        rig: String::new(),
        simulated: false,
        sign: SignFacts { name: build.sign.name.clone(), serial: build.sign.serial.clone() },
        place: PlaceOfRun::Bench,
        started: String::new(),
        ended: entries.last().map(|e| rfc3339(e.at)).unwrap_or_default(),
        clock_synchronised: entries.iter().all(|e| e.at.synced),
        ending: None,
        outcome: judgement.outcome,
        reasons: judgement.reasons.clone(),
        level_permitted: round(judgement.safe_level.as_ref().map_or(plan.level_permitted, |s| s.level)),
        level_binds: judgement.safe_level.as_ref().map_or(&plan.level_binds, |s| &s.binds).clone(),
        trip_windows: plan.trips.iter().map(|t| t.map(|w| w.map(round))).collect(),
        plan_seconds: round(plan.seconds),
        ambient_c: None,
        board: None,
        build_digest: String::new(),
        checks: judgement.checks.iter().map(rounded).collect(),
        findings: judgement.findings.clone(),
        coverage: judgement.coverage.clone(),
        never_ran: judgement.never_ran.clone(),
        supply: summaries(build, entries, instruments),
        calibration: Vec::new(),
        feeds,
        climb,
        quantities,
        comparison: None,
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
    };
    for finding in &mut out.findings {
        finding.probability = round(finding.probability);
        for alternative in &mut finding.alternatives {
            alternative.probability = round(alternative.probability);
        }
    }
    for entry in entries {
        match &entry.event {
            Event::RunStarted { tool, run_id, rig, simulated, place, build_digest, ambient_c, .. } => {
                out.tool.clone_from(tool);
                out.run_id.clone_from(run_id);
                out.rig.clone_from(rig);
                out.simulated = *simulated;
                out.place = *place;
                out.build_digest.clone_from(build_digest);
                out.ambient_c = *ambient_c;
                out.started = rfc3339(entry.at);
            }
            Event::Board(facts) => {
                let figures = |v: Option<f64>| v.map(round);
                out.board = Some(BoardFacts {
                    soc_c: figures(facts.soc_c),
                    uptime_s: figures(facts.uptime_s),
                    ambient_c: figures(facts.ambient_c),
                    ..facts.clone()
                });
            }
            Event::Calibrated(correction) => out.calibration.push(correction.clone()),
            Event::RunEnded { ending } => out.ending = Some(ending.clone()),
            _ => {}
        }
    }
    // a typed temperature goes before a sensed one
    // typed, else the mean of a sensor of the build, else what the board knows
    let sensor = build.sense.iter().zip(&out.supply).find(|(sense, _)| sense.quantity == Quantity::Celsius);
    out.ambient_c = out.ambient_c.or(sensor.and_then(|(_, p)| p.mean)).or(out.board.as_ref().and_then(|b| b.ambient_c)).map(round);
    out
}

/// Wall time, RFC 3339 in UTC, milliseconds.
fn rfc3339(at: Stamp) -> String {
    jiff::Timestamp::from_millisecond(at.unix_ms).map(|t| format!("{t:.3}")).unwrap_or_default()
}

fn rounded(check: &Check) -> Check {
    let mut check = check.clone();
    check.value = check.value.map(round);
    check.limit.low = check.limit.low.map(round);
    check.limit.high = check.limit.high.map(round);
    check.expanded_uncertainty = check.expanded_uncertainty.map(round);
    check
}

/// Unit word of a quantity.
const fn unit(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Volts => "V",
        Quantity::Amps => "A",
        Quantity::Celsius => "°C",
    }
}

fn summaries(build: &Build, entries: &[Entry], instruments: &[PointUncertainty]) -> Vec<PointSummary> {
    let mut sums = vec![(0_u64, 0_u64, f64::INFINITY, 0.0, f64::NEG_INFINITY); build.sense.len()];
    for entry in entries {
        let Event::Readings { points, .. } = &entry.event else { continue };
        for p in points {
            let Some(s) = sums.get_mut(p.point) else { continue };
            s.1 += p.missing.len() as u64;
            for &v in &p.values {
                *s = (s.0 + 1, s.1, s.2.min(v), s.3 + v, s.4.max(v));
            }
        }
    }
    build
        .sense
        .iter()
        .zip(sums)
        .enumerate()
        .map(|(i, (sense, (readings, missing, min, sum, max)))| {
            let some = |v: f64| (readings > 0).then(|| round(v));
            let b = instruments.get(i).copied().unwrap_or_default();
            PointSummary {
                sense: sense.name.clone(),
                unit: unit(sense.quantity).into(),
                readings,
                missing,
                min: some(min),
                mean: some(sum / readings.max(1) as f64),
                max: some(max),
                instrument: PointUncertainty { gain_rel: round(b.gain_rel), offset: round(b.offset), lsb: round(b.lsb) },
            }
        })
        .collect()
}

/// The canonical JSON of a report: field order as declared, two spaces, a newline at the end.
pub fn json(report: &Report) -> String {
    let mut text = serde_json::to_string_pretty(report).expect("a report has only plain data");
    text.push('\n');
    text
}

impl Report {
    /// Findings in one line each, with the first step of the remedy; those of one kind and remedy together.
    pub fn findings_text(&self) -> Vec<(String, String)> {
        let mut groups: Vec<Vec<&Finding>> = Vec::new();
        for f in &self.findings {
            match groups.iter_mut().find(|g| g[0].kind == f.kind && g[0].remedy == f.remedy) {
                Some(g) => g.push(f),
                None => groups.push(vec![f]),
            }
        }
        let line = |g: &Vec<&Finding>| {
            let places: Vec<String> = g.iter().take(4).map(|f| words::fault_place(&f.kind, &f.place)).collect();
            let more = if g.len() > 4 { format!(" and {} more", g.len() - 4) } else { String::new() };
            let what = format!("{} ({}): {}{more}", words::kind_text(&g[0].kind), g[0].kind, places.join(", "));
            (what, g[0].remedy.iter().find(|r| !r.starts_with("Supply off")).or(g[0].remedy.first()).cloned().unwrap_or_default())
        };
        groups.iter().map(line).collect()
    }

    /// A few lines for the terminal.
    pub fn summary(&self, dir: &std::path::Path) -> String {
        let mut out = String::new();
        if self.simulated {
            out.push_str("SIMULATED: no sign was tested\n");
        }
        out.push_str(&format!("{} ({}): {}\n", self.sign.name, self.sign.serial, self.outcome.word().to_uppercase()));
        for reason in &self.reasons {
            out.push_str(&format!("  {reason}\n"));
        }
        for f in self.findings.iter().take(5) {
            out.push_str(&format!("  finding: {} {} ({:.0} %)\n", f.kind, words::fault_place(&f.kind, &f.place), f.probability * 100.0));
            for (i, remedy) in f.remedy.iter().enumerate() {
                out.push_str(&format!("    {}. {remedy}\n", i + 1));
            }
        }
        if self.findings.len() > 5 {
            out.push_str(&format!("  and {} more findings in the report\n", self.findings.len() - 5));
        }
        if let Some(c) = &self.comparison {
            out.push_str(&format!("  against the baseline {}:\n", c.before.run_id));
            if c.statements.is_empty() {
                out.push_str("    nothing changed beyond chance and the practical thresholds\n");
            }
            for s in &c.statements {
                out.push_str(&format!("    {}\n", s.what));
            }
        }
        if self.level_permitted < 1.0 {
            out.push_str(&format!("permitted level {:.1} % of white: {}\n", self.level_permitted * 100.0, self.level_binds));
        }
        out.push_str(&format!("report: {}\n", dir.join("report.html").display()));
        out
    }
}

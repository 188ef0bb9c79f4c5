//! Judgement → `report.json` (canonical) and `report.html`.

mod html;
mod wall_svg;

pub use html::html;

use crate::build::Build;
use crate::check::{Check, PointUncertainty};
use crate::event::{Entry, Event, PlaceOfRun};
use crate::judge::{Coverage, Finding, Judgement, Outcome};
use crate::plan::Plan;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Version of `report.json`.
pub const SCHEMA: u32 = 1;

/// Cautions that go with every report.
const CAUTIONS: [&str; 6] = [
    "Mains wiring is done by a licensed person and to the local code; protective earth is checked by licensed people.",
    "Supply off and discharged before a lead or ribbon is moved.",
    "5 V at tens of amperes does not shock, but it burns and starts fires (beyond 240 VA, IEC 62368-1 class PS3).",
    "Fuse each feed for its lead.",
    "Outdoors: mind the enclosure's rating and its drain holes.",
    "Photosensitivity: nothing lit alternates above 3 Hz, but large lit areas come and go.",
];

/// Name and serial of the sign.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SignName {
    /// Name.
    pub name: String,
    /// Serial.
    pub serial: String,
}

/// `report.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Tool and version that ran.
    pub tool: String,
    /// Run id.
    pub run_id: String,
    /// Rig name.
    pub rig: String,
    /// True where no real sign was attached.
    pub simulated: bool,
    /// The sign.
    pub sign: SignName,
    /// Where it was tested.
    pub place: PlaceOfRun,
    /// RFC 3339, UTC.
    pub started: String,
    /// RFC 3339, UTC; of the last entry.
    pub ended: String,
    /// Whether the wall clock was synchronised.
    pub clock_synchronised: bool,
    /// Ambient temperature in °C, typed or sensed.
    pub ambient_c: Option<f64>,
    /// Digest of the build.
    pub build_digest: String,
    /// Seed of a simulated run.
    pub seed: Option<u64>,
    /// The verdict.
    pub outcome: Outcome,
    /// Why.
    pub reasons: Vec<String>,
    /// Highest permitted lit fraction of white.
    pub level_permitted: f64,
    /// What binds it.
    pub level_binds: String,
    /// Checks in stage order.
    pub checks: Vec<Check>,
    /// Findings, most probable first.
    pub findings: Vec<Finding>,
    /// What can be proven.
    pub coverage: Vec<Coverage>,
    /// Steps that never ran.
    pub never_ran: Vec<String>,
    /// What the instrument is known to, per sense point.
    pub instruments: Vec<Instrument>,
    /// Cautions.
    pub cautions: Vec<String>,
}

/// A sense point's converter and its Type B uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Instrument {
    /// Sense point.
    pub sense: String,
    /// Chip as found, or why not.
    pub found: String,
    /// Type B standard uncertainties.
    pub uncertainty: PointUncertainty,
}

/// Six significant digits: another machine's last bits do not matter.
fn rounded(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return 0.0;
    }
    format!("{value:.5e}").parse().unwrap_or(value)
}

fn time(unix_ms: i64) -> String {
    jiff::Timestamp::from_millisecond(unix_ms).map(|t| t.to_string()).unwrap_or_default()
}

/// Assembles the report of a judged run.
pub fn report(build: &Build, plan: &Plan, entries: &[Entry], instruments: &[PointUncertainty], judgement: Judgement) -> Report {
    let mut out = Report {
        schema: SCHEMA,
        tool: String::new(),
        run_id: String::new(),
        rig: String::new(),
        simulated: false,
        sign: SignName { name: build.sign.name.clone(), serial: build.sign.serial.clone() },
        place: PlaceOfRun::Bench,
        started: entries.first().map(|e| time(e.at.unix_ms)).unwrap_or_default(),
        ended: entries.last().map(|e| time(e.at.unix_ms)).unwrap_or_default(),
        clock_synchronised: entries.iter().all(|e| e.at.synced),
        ambient_c: None,
        build_digest: build.digest(),
        seed: None,
        outcome: judgement.outcome,
        reasons: judgement.reasons,
        level_permitted: rounded(plan.level_permitted),
        level_binds: plan.level_binds.clone(),
        checks: judgement.checks,
        findings: judgement.findings,
        coverage: judgement.coverage,
        never_ran: judgement.never_ran,
        instruments: build
            .sense
            .iter()
            .zip(instruments)
            .map(|(s, u)| Instrument {
                sense: s.name.clone(),
                found: "not identified".to_owned(),
                uncertainty: PointUncertainty { gain_rel: rounded(u.gain_rel), offset: rounded(u.offset), lsb: rounded(u.lsb) },
            })
            .collect(),
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
    };
    for entry in entries {
        match &entry.event {
            Event::RunStarted { tool, run_id, rig, simulated, place, seed, ambient_c, .. } => {
                out.tool.clone_from(tool);
                out.run_id.clone_from(run_id);
                out.rig.clone_from(rig);
                out.simulated = *simulated;
                out.place = *place;
                out.seed = *seed;
                out.ambient_c = *ambient_c;
            }
            Event::Board(facts) => out.ambient_c = out.ambient_c.or(facts.ambient_c),
            Event::Converter { point, found } => {
                if let Some(i) = out.instruments.get_mut(*point) {
                    i.found = match found {
                        Ok(text) => text.clone(),
                        Err(reason) => reason.text().to_owned(),
                    };
                }
            }
            _ => {}
        }
    }
    for c in &mut out.checks {
        c.value = c.value.map(rounded);
        c.expanded_uncertainty = c.expanded_uncertainty.map(rounded);
        c.limit.low = c.limit.low.map(rounded);
        c.limit.high = c.limit.high.map(rounded);
    }
    out
}

/// The canonical JSON text.
pub fn json(report: &Report) -> String {
    let mut text = serde_json::to_string_pretty(report).unwrap_or_default();
    text.push('\n');
    text
}

impl Report {
    /// A few lines for the terminal.
    pub fn summary(&self, dir: &Path) -> String {
        let mut out = String::new();
        if self.simulated {
            out.push_str("SIMULATED: no sign was tested\n");
        }
        out.push_str(&format!("{} ({}): {}\n", self.sign.name, self.sign.serial, self.outcome.word().to_uppercase()));
        for reason in &self.reasons {
            out.push_str(&format!("  {reason}\n"));
        }
        for f in self.findings.iter().take(5) {
            out.push_str(&format!("  finding: {} {} ({:.0} %)\n", f.kind, html::place_words(&f.place), f.probability * 100.0));
            for (i, r) in f.remedy.iter().enumerate() {
                out.push_str(&format!("    {}. {r}\n", i + 1));
            }
        }
        if self.level_permitted < 1.0 {
            out.push_str(&format!("permitted level {:.1} % of white: {}\n", self.level_permitted * 100.0, self.level_binds));
        }
        out.push_str(&format!("report: {}\n", dir.join("report.html").display()));
        out
    }
}

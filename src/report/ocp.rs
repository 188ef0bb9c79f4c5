//! The same report in the JSON Lines format of the Open Compute Project's Test & Validation output
//! specification 2.0: one artifact a line.

use super::{Report, rfc3339};
use crate::check::{Check, CheckResult};
use crate::event::{Entry, Event, Stage, Stamp};
use crate::judge::Outcome;
use serde_json::{Value, json};
use std::collections::BTreeMap;

struct Lines {
    text: String,
    number: u64,
}

impl Lines {
    fn push(&mut self, at: &str, key: &str, artifact: Value) {
        let mut line = json!({ "sequenceNumber": self.number, "timestamp": at });
        line[key] = artifact;
        self.number += 1;
        self.text.push_str(&line.to_string());
        self.text.push('\n');
    }
    fn run(&mut self, at: &str, key: &str, value: Value) {
        self.push(at, "testRunArtifact", json!({ key: value }));
    }
    fn step(&mut self, at: &str, id: &str, key: &str, value: Value) {
        self.push(at, "testStepArtifact", json!({ "testStepId": id, key: value }));
    }
}

/// Stage of a check: the first word of its id; checks of the run as a whole go by `run`.
fn stage_of(check: &Check) -> &str {
    check.id.split('/').next().unwrap_or("run")
}

fn validators(check: &Check) -> Vec<Value> {
    let edge = |kind: &str, value: Option<f64>| value.map(|v| json!({ "type": kind, "value": v }));
    [edge("GREATER_THAN_OR_EQUAL", check.limit.low), edge("LESS_THAN_OR_EQUAL", check.limit.high)].into_iter().flatten().collect()
}

/// The report as OCP JSON Lines, oldest first, a newline behind each. Times are those of the journal: a stage's checks
/// carry the time of its end.
pub fn ocp(report: &Report, entries: &[Entry]) -> String {
    let text = |at: Stamp| rfc3339(at);
    let first = entries.first().map_or_else(|| report.started.clone(), |e| text(e.at));
    let last = entries.last().map_or_else(|| report.ended.clone(), |e| text(e.at));
    let mut begun: BTreeMap<&str, String> = BTreeMap::new();
    let mut ended: BTreeMap<&str, String> = BTreeMap::new();
    for e in entries {
        match &e.event {
            Event::StageStarted { stage } => {
                begun.entry(stage.word()).or_insert_with(|| text(e.at));
            }
            Event::StageEnded { stage } => {
                ended.insert(stage.word(), text(e.at));
            }
            _ => {}
        }
    }
    let mut out = Lines { text: String::new(), number: 0 };
    out.push(&first, "schemaVersion", json!({ "major": 2, "minor": 0 }));
    let mut hardware = vec![json!({ "hardwareInfoId": "sign", "name": report.sign.name, "serialNumber": report.sign.serial })];
    if let Some(board) = &report.board {
        let mut info = json!({ "hardwareInfoId": "controller", "name": board.model.as_deref().unwrap_or("controller") });
        if let Some(serial) = &board.serial {
            info["serialNumber"] = json!(serial);
        }
        hardware.push(info);
    }
    let mut words = report.tool.splitn(2, ' ');
    let (name, version) = (words.next().unwrap_or("signproof"), words.next().unwrap_or(""));
    out.run(
        &first,
        "testRunStart",
        json!({
            "name": "commissioning",
            "version": version,
            "commandLine": "",
            "parameters": { "run_id": report.run_id, "rig": report.rig, "simulated": report.simulated, "place": report.place, "build_digest": report.build_digest },
            "dutInfo": {
                "dutInfoId": report.sign.serial,
                "name": report.sign.name,
                "hardwareInfos": hardware,
                "softwareInfos": [{ "softwareInfoId": "tool", "name": name, "version": version, "softwareType": "APPLICATION" }],
            },
        }),
    );
    if report.simulated {
        out.run(&first, "log", json!({ "severity": "WARNING", "message": "SIMULATED: no real sign was attached" }));
    }
    let stages = Stage::ALL.map(Stage::word);
    for id in stages.iter().copied().chain(["run"]) {
        let checks: Vec<&Check> =
            report.checks.iter().filter(|c| stage_of(c) == id || (id == "run" && !stages.contains(&stage_of(c)))).collect();
        let ran = id == "run" || begun.contains_key(id);
        if checks.is_empty() && !ran {
            continue;
        }
        let from = begun.get(id).unwrap_or(&last);
        let at = ended.get(id).unwrap_or(&last);
        out.step(from, id, "testStepStart", json!({ "name": id }));
        for check in &checks {
            let place = serde_json::to_value(&check.place).unwrap_or_default();
            if let Some(value) = check.value {
                let mut m = json!({
                    "name": check.id,
                    "value": value,
                    "hardwareInfoId": "sign",
                    "metadata": { "title": check.title, "where": place, "basis": check.basis, "expanded_uncertainty": check.expanded_uncertainty },
                });
                if !check.unit.is_empty() {
                    m["unit"] = json!(check.unit);
                }
                let validators = validators(check);
                if !validators.is_empty() {
                    m["validators"] = json!(validators);
                }
                out.step(at, id, "measurement", m);
            }
            let (kind, word) = match check.result {
                CheckResult::Pass => ("PASS", "pass"),
                CheckResult::Fail => ("FAIL", "fail"),
                CheckResult::Marginal => ("UNKNOWN", "marginal"),
                CheckResult::NotProven => ("UNKNOWN", "not-proven"),
            };
            out.step(
                at,
                id,
                "diagnosis",
                json!({ "verdict": format!("{}/{word}", check.id), "type": kind, "message": format!("{} ({})", check.title, check.basis), "hardwareInfoId": "sign" }),
            );
        }
        if id == "run" {
            for finding in &report.findings {
                let message = format!(
                    "{}; probability {:.2}; evidence: {}; remedy: {}",
                    super::words::kind_and_place(&finding.kind, &finding.place),
                    finding.probability,
                    finding.evidence.join("; "),
                    finding.remedy.join("; ")
                );
                out.step(
                    at,
                    id,
                    "diagnosis",
                    json!({ "verdict": format!("finding/{}", finding.kind), "type": "FAIL", "message": message, "hardwareInfoId": "sign" }),
                );
            }
        }
        let status = match (ran, id == "run" || ended.contains_key(id)) {
            (false, _) => "SKIP",
            (true, true) => "COMPLETE",
            (true, false) => "ERROR",
        };
        out.step(at, id, "testStepEnd", json!({ "status": status }));
    }
    for reason in &report.reasons {
        if report.outcome == Outcome::Error {
            out.run(&last, "error", json!({ "symptom": "instrument-or-tool", "message": reason, "softwareInfoIds": ["tool"] }));
        } else {
            out.run(&last, "log", json!({ "severity": "INFO", "message": reason }));
        }
    }
    let (status, result) = match report.outcome {
        Outcome::Pass => ("COMPLETE", "PASS"),
        Outcome::Fail => ("COMPLETE", "FAIL"),
        Outcome::Marginal | Outcome::Incomplete => ("COMPLETE", "NOT_APPLICABLE"),
        Outcome::Stopped | Outcome::Error => ("ERROR", "NOT_APPLICABLE"),
    };
    out.run(&last, "testRunEnd", json!({ "status": status, "result": result }));
    out.text
}

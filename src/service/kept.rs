//! The kept runs: their list, and the files of one.

use super::live::{FindingNow, KeptRun};
use super::tool;
use crate::baseline;
use crate::check::Place;
use crate::commission::JOURNAL;
use crate::event::Ending;
use crate::judge::Outcome;
use crate::{journal, report};
use serde::Deserialize;
use serde_json::Value;
use std::io::{BufRead as _, BufReader};
use std::path::Path;

/// File of the person's note, beside the journal.
pub const NOTE: &str = "note.txt";

#[derive(Deserialize)]
struct Listed {
    started: String,
    outcome: String,
    simulated: bool,
    place: String,
    reasons: Vec<String>,
    ending: Option<Value>,
    build_digest: String,
    findings: Vec<ListedFinding>,
}

#[derive(Deserialize)]
struct ListedFinding {
    kind: String,
    #[serde(rename = "where")]
    place: Place,
    probability: f64,
    remedy: Vec<String>,
}

/// A place in words, for the page.
pub fn place_text(p: &Place) -> String {
    let mut parts = Vec::new();
    match (p.port, p.position) {
        (Some(port), Some(position)) => parts.push(format!("port {port} position {position}")),
        (Some(port), None) => parts.push(format!("port {port}")),
        _ => {}
    }
    // two ports exchanged have both in place of a line
    let line = if p.line.as_ref().is_some_and(|l| l.starts_with("ports ")) { "" } else { "line " };
    if line.is_empty() {
        parts.clear();
    }
    let words = [("", &p.colour), ("", &p.half), (line, &p.line), ("supply ", &p.supply), ("feed ", &p.feed), ("sense point ", &p.sense)];
    parts.extend(words.iter().filter_map(|(w, v)| v.as_ref().map(|v| format!("{w}{v}"))));
    let numbers = [("block", p.block), ("row", p.row), ("column", p.column)];
    parts.extend(numbers.iter().filter_map(|(w, v)| v.map(|v| format!("{w} {v}"))));
    if parts.is_empty() { "the sign".into() } else { parts.join(" ") }
}

#[derive(Deserialize)]
struct FindingsAlone {
    findings: Vec<ListedFinding>,
}

/// Findings shown at most.
const MOST: usize = 8;

fn shown(findings: &[ListedFinding]) -> Vec<FindingNow> {
    let view = |f: &ListedFinding| FindingNow {
        kind: f.kind.clone(),
        title: report::kind_and_place(&f.kind, &f.place),
        place: place_text(&f.place),
        probability: f.probability,
        // the report names the command; the page has a button for it
        remedy: f.remedy.iter().map(|r| r.replace("`find-map`", "the button “Find the map”")).collect(),
    };
    findings.iter().take(MOST).map(view).collect()
}

/// The findings of a report.
pub fn findings(report: &[u8]) -> Result<Vec<FindingNow>, serde_json::Error> {
    serde_json::from_slice::<FindingsAlone>(report).map(|r| shown(&r.findings))
}

/// Whether a kept run may be accepted as the baseline, by the same rule as on the command line.
fn acceptable(dir: &Path, report: &Listed) -> bool {
    let outcome = serde_json::from_value::<Outcome>(report.outcome.clone().into()).ok();
    let ending = report.ending.clone().and_then(|e| serde_json::from_value::<Ending>(e).ok());
    // the first line alone: a journal is long
    let mut first = Vec::new();
    let read = std::fs::File::open(dir.join(JOURNAL)).and_then(|file| BufReader::new(file).read_until(b'\n', &mut first));
    let entries = journal::read(&first).entries;
    let known = read.ok().and(outcome).zip(baseline::selection(&entries));
    known.is_some_and(|(outcome, selection)| baseline::may_be_accepted(outcome, selection, ending.as_ref()).is_ok())
}

/// Reads one run's entry from its report; `None` where it has none that can be read.
pub fn one(dir: &Path) -> Option<KeptRun> {
    let id = dir.file_name()?.to_str()?.to_owned();
    let bytes = std::fs::read(dir.join("report.json")).ok()?;
    let r: Listed = serde_json::from_slice(&bytes).map_err(|e| tracing::warn!(run = id, %e, "a report could not be read")).ok()?;
    let acceptable = acceptable(dir, &r);
    Some(KeptRun {
        id,
        started: r.started,
        outcome: if r.ending.is_none() { "interrupted".to_owned() } else { r.outcome },
        simulated: r.simulated,
        place: r.place,
        note: std::fs::read_to_string(dir.join(NOTE)).unwrap_or_default(),
        reasons: r.reasons,
        findings: shown(&r.findings),
        build_digest: r.build_digest,
        acceptable,
    })
}

/// All kept runs below `root`, oldest first. A run without a report is judged from its journal.
/// `each` is called after each of them.
pub fn all(root: &Path, each: impl Fn()) -> Vec<KeptRun> {
    let mut dirs: Vec<_> = std::fs::read_dir(root).into_iter().flatten().flatten().map(|e| e.path()).collect();
    dirs.retain(|d| d.join(JOURNAL).is_file());
    dirs.sort();
    dirs.iter()
        .filter_map(|dir| {
            each();
            one(dir).or_else(|| {
                let judged = tool::judge(dir);
                judged.map_err(|error| tracing::warn!(run = %dir.display(), %error, "a run could not be judged")).ok()?;
                one(dir)
            })
        })
        .collect()
}

/// Whether this may be an id of a run at all: nothing else ever reaches the file system.
pub fn is_id(id: &str) -> bool {
    (10..=40).contains(&id.len()) && id.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn remedies_on_the_page_name_its_button() {
        let finding = ListedFinding {
            kind: "port-swap".to_owned(),
            place: Place { line: Some("ports 1 and 2".to_owned()), ..Place::default() },
            probability: 0.9,
            remedy: vec!["Accept the map as it is: `find-map`.".to_owned()],
        };
        let [now] = &shown(&[finding])[..] else { panic!() };
        assert_eq!(now.title, "two ports exchanged: ports 1 and 2");
        assert_eq!(now.remedy, ["Accept the map as it is: the button “Find the map”."]);
    }

    #[test]
    fn ids_cannot_leave_the_directory() {
        assert!(is_id(&crate::rig::new_run_id()));
        for bad in ["", "..", "../../etc/passwd", "20260301T101500Z-7f3a/..", "20260301T101500Z%2f..", "a\0bcdefghijk"] {
            assert!(!is_id(bad), "{bad}");
        }
    }
}

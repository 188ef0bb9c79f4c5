//! Putting a ticket together.

use super::pack::{manifest, pack};
use super::sign::{KeyPair, PUBLIC_NAME};
use super::{About, FORMAT, SIGNATURE, redact, this_tool};
use crate::commission::{self, Judged};
use crate::drift::Numbers;
use crate::event::Event;
use std::path::Path;

/// What a ticket is made from.
pub struct Request<'a> {
    /// The judged run.
    pub judged: &'a Judged,
    /// Its journal as it lies on the disk.
    pub journal: &'a [u8],
    /// The numbers of its baseline, where it has one.
    pub baseline: Option<Numbers>,
    /// What the user noticed.
    pub symptom: Option<&'a str>,
    /// Take serials, names of the sign and of people, and site out.
    pub redact: bool,
    /// Further words to take out.
    pub words: &'a [String],
    /// Key to sign with.
    pub key: Option<&'a KeyPair>,
}

const README: &str = "A ticket of signproof: one commissioning run of an LED-matrix sign.

report.html       for people: open it in a browser, or print it
report.json       the same for machines
readings.csv      every reading, one a row
journal.jsonl     the record of the run; each line carries the SHA-256 of the line before
build.toml        what was meant to be built
board.json        the controller
calibration.json  the uncertainties of the instruments, and corrections by a hand meter
symptom.txt       what the user noticed (if anything was said)
baseline.json     what the run was compared with (if it was)

To check it without signproof:
  sha256sum -c MANIFEST.sha256
  minisign -V -m MANIFEST.sha256 -p KEY.pub     (a signed ticket; KEY.pub from the owner of the sign, not from here)
With it, the journal is judged again as well:
  signproof verify FILE.zip --key KEY.pub
";

fn pretty(value: &impl serde::Serialize) -> Result<Vec<u8>, String> {
    let mut text = serde_json::to_string_pretty(value).map_err(|e| e.to_string())?;
    text.push('\n');
    Ok(text.into_bytes())
}

/// A run without serials, names and site.
pub struct Redacted {
    /// Judged again.
    pub judged: Judged,
    /// Its journal, chained anew.
    pub journal: Vec<u8>,
    /// Numbers of its baseline.
    pub baseline: Option<Numbers>,
    /// What the user noticed.
    pub symptom: Option<String>,
}

/// Takes serials, names and site out of everything that a ticket is made from.
///
/// # Errors
/// In words: where the run can't be redacted.
pub fn redacted(request: &Request<'_>) -> Result<Redacted, String> {
    let left = redact::redact(&request.judged.entries, request.words)?;
    let symptom = request.symptom.map(|s| left.text(s.trim()));
    let judged = commission::judged(Path::new("the redacted journal"), left.entries).map_err(|e| e.to_string())?;
    let baseline = request.baseline.clone().map(|mut b| {
        if b.build_digest == request.judged.report.build_digest {
            b.build_digest.clone_from(&judged.report.build_digest);
        }
        b
    });
    Ok(Redacted { judged, journal: left.journal, baseline, symptom })
}

/// The bytes of the zip. The same request makes the same bytes.
///
/// # Errors
/// In words: where the run can't be redacted, compared with its baseline, signed or packed.
pub fn make(request: &Request<'_>) -> Result<Vec<u8>, String> {
    let redacted;
    let (judged, journal, baseline, symptom) = if request.redact {
        redacted = self::redacted(request)?;
        (&redacted.judged, redacted.journal, redacted.baseline, redacted.symptom)
    } else {
        (request.judged, request.journal.to_vec(), request.baseline.clone(), request.symptom.map(|s| s.trim().to_owned()))
    };
    let files = judged.files(baseline.as_ref()).map_err(|e| e.to_string())?;
    let report = &files.report;
    let about = About {
        format: FORMAT,
        made_by: this_tool(),
        ran_by: report.tool.clone(),
        run_id: report.run_id.clone(),
        outcome: report.outcome.word().to_owned(),
        simulated: report.simulated,
        redacted: request.redact,
    };
    let build_file = judged.entries.iter().find_map(|e| match &e.event {
        Event::RunStarted { build_file, .. } => Some(build_file.clone().into_bytes()),
        _ => None,
    });
    let calibration: Vec<_> = report
        .supply
        .iter()
        .map(|p| {
            let correction = report.calibration.iter().find(|c| c.sense == p.sense);
            serde_json::json!({ "sense": p.sense, "unit": p.unit, "standard_uncertainty": p.instrument, "correction": correction })
        })
        .collect();
    let mut members: Vec<(&'static str, Vec<u8>)> = vec![
        ("README.txt", README.as_bytes().to_vec()),
        ("ticket.json", pretty(&about)?),
        ("report.html", files.html.clone().into_bytes()),
        ("report.json", files.json.clone().into_bytes()),
        ("journal.jsonl", journal),
        ("readings.csv", judged.csv()),
        ("build.toml", build_file.unwrap_or_default()),
        ("board.json", pretty(&report.board)?),
        ("calibration.json", pretty(&calibration)?),
    ];
    if let Some(b) = &baseline {
        members.push(("baseline.json", pretty(b)?));
    }
    if let Some(symptom) = symptom {
        members.push(("symptom.txt", format!("{symptom}\n").into_bytes()));
    }
    if let Some(key) = request.key {
        members.push((PUBLIC_NAME, key.public_text().map_err(|e| e.to_string())?.into_bytes()));
    }
    for (name, bytes) in &members {
        let most = super::MEMBERS.iter().find(|(n, _)| n == name).map_or(0, |m| m.1);
        if bytes.len() as u64 > most {
            return Err(format!("{name} has {} bytes, more than the {most} that a ticket may hold", bytes.len()));
        }
    }
    let manifest = manifest(&members);
    let signature = match request.key {
        Some(key) => {
            let comment = format!("signproof run {} {}{}", about.run_id, about.outcome, if about.simulated { " SIMULATED" } else { "" });
            Some((SIGNATURE, key.sign(manifest.as_bytes(), &comment).map_err(|e| e.to_string())?))
        }
        None => None,
    };
    pack(&members, &manifest, signature).map_err(|e| format!("packing the ticket: {e}"))
}

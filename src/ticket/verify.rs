//! Checking a ticket: structure, manifest, chain, signature, and the judgement made again.

use super::sign::{PUBLIC_NAME, public_key};
use super::unpack::{Refused, Unpacked};
use super::{About, FORMAT, MANIFEST, SIGNATURE, hex_digest, this_tool};
use crate::commission;
use crate::drift::Numbers;
use crate::event::Event;
use crate::journal;
use crate::report::Report;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::Path;

/// What became of one question.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Answer {
    /// Holds.
    Holds,
    /// Does not hold: the ticket must not be believed.
    Broken,
    /// Can't be said, or deserves a look.
    Open,
}

/// A checked ticket.
#[derive(Clone, Debug, Serialize)]
pub struct Verdict {
    /// Questions with their answers, in order.
    pub answers: Vec<(String, Answer, String)>,
    /// What the ticket says of itself.
    pub about: About,
}

impl Verdict {
    /// True where nothing is broken.
    pub fn holds(&self) -> bool {
        self.answers.iter().all(|a| a.1 != Answer::Broken)
    }
    /// For the terminal.
    pub fn text(&self) -> String {
        let mut out = String::new();
        if self.about.simulated {
            out.push_str("SIMULATED: no sign was tested\n");
        }
        for (what, answer, words) in &self.answers {
            let sign = match answer {
                Answer::Holds => "✔ ",
                Answer::Broken => "✕ ",
                Answer::Open => "◔ ",
            };
            out.push_str(&format!("{sign}{what}: {words}\n"));
        }
        let end = if self.holds() { "the ticket holds" } else { "the ticket does NOT hold: don't rely on its report" };
        out.push_str(&format!("run {}, {}: {end}\n", self.about.run_id, self.about.outcome));
        out
    }
}

struct Checks(Vec<(String, Answer, String)>);

impl Checks {
    fn say(&mut self, what: &str, answer: Answer, words: impl Into<String>) {
        self.0.push((what.to_owned(), answer, words.into()));
    }
}

/// Checks a ticket; `key` is the text of a public key that is known to be the sign owner's.
///
/// # Errors
/// Where the file is not a ticket or is hostile: then nothing of it was used.
pub fn verify(path: &Path, key: Option<&str>) -> Result<Verdict, Refused> {
    let mut zip = Unpacked::open(path)?;
    let mut checks = Checks(Vec::new());
    let names = zip.names();
    let missing: Vec<&str> = ["ticket.json", "report.json", "report.html", "journal.jsonl", "readings.csv", "build.toml", MANIFEST]
        .into_iter()
        .filter(|n| !names.contains(n))
        .collect();
    if !missing.is_empty() {
        return Err(Refused::Hostile(format!("it has no {}", missing.join(", no "))));
    }
    let recovered = journal::read(&zip.read("journal.jsonl")?);
    let about: About =
        serde_json::from_str(&zip.text("ticket.json")?).map_err(|e| Refused::Hostile(format!("ticket.json can't be read ({e})")))?;
    match (excess(&zip, &recovered), &recovered.torn) {
        (None, _) => {}
        (Some(why), None) => return Err(Refused::Hostile(why)),
        (Some(_), Some(torn)) => {
            checks.say("journal", Answer::Broken, format!("{torn}; the rest was not looked at"));
            return Ok(Verdict { answers: checks.0, about });
        }
    }
    let manifest = zip.text(MANIFEST)?;
    let digests = check_manifest(&mut zip, &manifest, &names, &mut checks)?;
    if about.format > FORMAT {
        return Err(Refused::Hostile(format!(
            "ticket format {} is newer than the {FORMAT} that this version reads: use a newer signproof",
            about.format
        )));
    }
    signature(&mut zip, &manifest, &names, key, &mut checks)?;
    // what the manifest does not vouch for is not judged
    if checks.0.iter().all(|c| c.1 != Answer::Broken) {
        judgement(&mut zip, recovered, &names, &digests, &about, &mut checks)?;
    }
    Ok(Verdict { answers: checks.0, about })
}

/// Greatest row of readings.csv, bytes.
const MAX_ROW: u64 = 512;

/// Why the readings can't come from this journal, known before they are inflated.
fn excess(zip: &Unpacked, recovered: &journal::Recovered) -> Option<String> {
    let blocks = recovered.entries.iter().filter_map(|e| if let Event::Readings { points, .. } = &e.event { Some(points) } else { None });
    let readings: usize = blocks.flatten().map(|p| p.values.len() + p.missing.len()).sum();
    let stated = zip.size("readings.csv");
    (stated > MAX_ROW * (readings as u64 + 1))
        .then(|| format!("readings.csv states {stated} bytes, more than the {readings} readings of its journal can take"))
}

fn check_manifest(
    zip: &mut Unpacked,
    manifest: &str,
    names: &[&'static str],
    checks: &mut Checks,
) -> Result<BTreeMap<&'static str, String>, Refused> {
    let mut stated: BTreeMap<&str, &str> = BTreeMap::new();
    let mut wrong = Vec::new();
    for line in manifest.lines() {
        match line.split_once("  ") {
            Some((digest, name)) if stated.insert(name, digest).is_none() => {}
            _ => wrong.push(format!("line `{}`", line.chars().take(80).collect::<String>())),
        }
    }
    let mut digests = BTreeMap::new();
    for name in names.iter().filter(|n| ![MANIFEST, SIGNATURE].contains(n)) {
        let digest = zip.digest(name)?;
        match stated.remove(name) {
            Some(s) if s == digest => {}
            Some(_) => wrong.push(format!("{name} was changed")),
            None => wrong.push(format!("{name} is not listed")),
        }
        digests.insert(*name, digest);
    }
    wrong.extend(stated.keys().map(|name| format!("{} is gone", name.chars().take(80).collect::<String>())));
    if wrong.is_empty() {
        checks.say("manifest", Answer::Holds, format!("the SHA-256 of all {} members fit", digests.len()));
    } else {
        checks.say("manifest", Answer::Broken, wrong.join("; "));
    }
    Ok(digests)
}

fn signature(zip: &mut Unpacked, manifest: &str, names: &[&str], key: Option<&str>, checks: &mut Checks) -> Result<(), Refused> {
    if !names.contains(&SIGNATURE) {
        let (answer, words) = match key {
            Some(_) => (Answer::Broken, "a key was given, but the ticket is not signed"),
            None => (Answer::Open, "not signed: whoever made it could have changed anything"),
        };
        checks.say("signature", answer, words);
        return Ok(());
    }
    let inside = if names.contains(&PUBLIC_NAME) { Some(zip.text(PUBLIC_NAME)?) } else { None };
    let Some(text) = key.map(str::to_owned).or(inside) else {
        checks.say("signature", Answer::Open, "signed, but no public key is known: give it with --key");
        return Ok(());
    };
    let signature = zip.text(SIGNATURE)?;
    let result = public_key(&text).map_err(|e| e.to_string()).and_then(|pk| {
        let boxed = minisign::SignatureBox::from_string(&signature).map_err(|e| e.to_string())?;
        minisign::verify(&pk, &boxed, std::io::Cursor::new(manifest.as_bytes()), true, false, false).map_err(|e| e.to_string())?;
        boxed.trusted_comment().map_err(|e| e.to_string())
    });
    match (result, key) {
        (Ok(comment), Some(_)) => checks.say("signature", Answer::Holds, format!("by the given key: {comment}")),
        (Ok(comment), None) => checks.say(
            "signature",
            Answer::Open,
            format!("fits the key inside the ticket ({comment}), which anyone could have put there: give the owner's key with --key"),
        ),
        (Err(why), _) => checks.say("signature", Answer::Broken, why),
    }
    Ok(())
}

fn judgement(
    zip: &mut Unpacked,
    recovered: journal::Recovered,
    names: &[&str],
    digests: &BTreeMap<&'static str, String>,
    about: &About,
    checks: &mut Checks,
) -> Result<(), Refused> {
    let lines = recovered.entries.len();
    match (&recovered.torn, recovered.ended) {
        (None, true) => checks.say("journal", Answer::Holds, format!("all {lines} lines are whole and chained, to the run's end")),
        (None, false) => {
            checks.say("journal", Answer::Open, format!("{lines} lines are whole and chained, but the run was cut off before its end"))
        }
        // a power cut leaves half a line; what the run had ended with may not follow a torn line
        (Some(why), false) if lines > 0 => checks.say("journal", Answer::Open, format!("{lines} lines are whole and chained; {why}")),
        (Some(why), _) => {
            checks.say("journal", Answer::Broken, why.clone());
            return Ok(());
        }
    }
    let judged = match commission::judged(Path::new("journal.jsonl"), recovered.entries) {
        Ok(j) => j,
        Err(e) => {
            checks.say("judgement", Answer::Broken, e.to_string());
            return Ok(());
        }
    };
    let baseline: Option<Numbers> = if names.contains(&"baseline.json") {
        match commission::parse_baseline(Path::new("baseline.json"), &zip.read("baseline.json")?) {
            Ok(n) => Some(n),
            Err(e) => {
                checks.say("judgement", Answer::Broken, e.to_string());
                return Ok(());
            }
        }
    } else {
        None
    };
    let files = match judged.files(baseline.as_ref()) {
        Ok(f) => f,
        Err(e) => {
            checks.say("judgement", Answer::Broken, e.to_string());
            return Ok(());
        }
    };
    let build = judged
        .entries
        .iter()
        .find_map(|e| if let Event::RunStarted { build_file, .. } = &e.event { Some(build_file.as_bytes()) } else { None });
    // many times as large as the journal: hashed as it is made, never held
    let mut csv = Hashing(Sha256::new());
    crate::report::write_readings_csv(&judged.build, &judged.entries, &mut csv)?;
    let of = |bytes: &[u8]| hex_digest(&Sha256::digest(bytes));
    let made = [
        ("report.json", of(files.json.as_bytes())),
        ("report.html", of(files.html.as_bytes())),
        ("readings.csv", hex_digest(&csv.0.finalize())),
        ("build.toml", of(build.unwrap_or_default())),
    ];
    let differ: Vec<&str> = made.iter().filter(|(n, d)| digests.get(n).is_none_or(|stated| stated != d)).map(|m| m.0).collect();
    if differ.is_empty() {
        checks.say(
            "judgement",
            Answer::Holds,
            format!("judged again from the journal: {}, and the same files, byte for byte", files.report.outcome.word()),
        );
        return Ok(());
    }
    let same_tool = about.made_by == this_tool();
    let Ok(theirs) = serde_json::from_str::<Report>(&zip.text("report.json")?) else {
        checks.say(
            "judgement",
            if same_tool { Answer::Broken } else { Answer::Open },
            "its report.json is of another version and can't be compared",
        );
        return Ok(());
    };
    let changes = changes(&theirs, &files.report);
    if same_tool {
        let what = if changes.is_empty() { String::new() } else { format!(": {}", changes.join("; ")) };
        checks.say("judgement", Answer::Broken, format!("the journal gives other {}{what}", differ.join(", ")));
    } else if changes.is_empty() {
        checks.say(
            "judgement",
            Answer::Holds,
            format!(
                "judged again by another version ({} made it): same outcome and same result of every check; {} differ in form",
                about.made_by,
                differ.join(", ")
            ),
        );
    } else {
        checks.say("judgement", Answer::Open, format!("{} made it; this version judges otherwise: {}", about.made_by, changes.join("; ")));
    }
    Ok(())
}

/// Takes bytes for their digest only.
struct Hashing(Sha256);

impl std::io::Write for Hashing {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Where two reports of one journal differ in what they say.
fn changes(theirs: &Report, ours: &Report) -> Vec<String> {
    let mut out = Vec::new();
    if theirs.outcome != ours.outcome {
        out.push(format!("outcome {} in the ticket, {} from the journal", theirs.outcome.word(), ours.outcome.word()));
    }
    let results: BTreeMap<&str, _> = theirs.checks.iter().map(|c| (c.id.as_str(), c.result)).collect();
    let differing: Vec<&str> =
        ours.checks.iter().filter(|c| results.get(c.id.as_str()).is_none_or(|r| *r != c.result)).map(|c| c.id.as_str()).collect();
    if !differing.is_empty() {
        let named = differing.iter().take(5).copied().collect::<Vec<_>>().join(", ");
        out.push(format!("{} checks differ ({named}{})", differing.len(), if differing.len() > 5 { ", …" } else { "" }));
    }
    out
}

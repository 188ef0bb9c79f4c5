//! Serials, names of the sign and of people, and site taken out of a journal. The rest, every reading included, stays; the chain
//! is made anew. Names of networks and machines are in no journal.

use crate::build;
use crate::event::{Entry, Event};
use crate::journal::{Journal, Sink as _};
use serde_json::Value;

/// What stands where something was taken out.
const GONE: &str = "redacted";
/// Words shorter than this would be found inside others.
const SHORTEST: usize = 3;

/// What is left.
pub(super) struct Left {
    /// The entries.
    pub entries: Vec<Entry>,
    /// The journal of them.
    pub journal: Vec<u8>,
    /// What was taken out.
    secrets: Vec<String>,
}

impl Left {
    /// Another text of the same ticket without what was taken out.
    pub fn text(&self, text: &str) -> String {
        without(text, &self.secrets)
    }
}

/// Entries without serials, names and site, and the journal of them.
///
/// # Errors
/// Where the build can't be read or what remains would be no journal.
pub(super) fn redact(entries: &[Entry], words: &[String]) -> Result<Left, String> {
    let Some(Event::RunStarted { build_file, .. }) = entries.first().map(|e| &e.event) else {
        return Err("the journal has no start".to_owned());
    };
    let build = build::load(build_file, "build.toml").map_err(|p| p.render(false))?;
    let mut secrets: Vec<String> = words.to_vec();
    secrets.extend([build.sign.name.clone(), build.sign.serial.clone()]);
    secrets.extend(build.sign.place.iter().chain(&build.sign.notes).cloned());
    secrets.extend(build.panels.iter().filter_map(|p| p.serial.clone()));
    for e in entries {
        match &e.event {
            Event::Board(facts) => secrets.extend(facts.serial.clone()),
            Event::Checklist(list) => secrets.extend([list.who.clone()].into_iter().chain(list.licensed.clone())),
            Event::ByHand { who, .. } => secrets.push(who.clone()),
            _ => {}
        }
    }
    secrets.retain(|s| s.trim().chars().count() >= SHORTEST);
    // the longest first, so that no remainder of one stays
    secrets.sort_by_key(|s| std::cmp::Reverse(s.len()));
    secrets.dedup();
    let file = redacted_build(build_file, &secrets)?;
    let digest =
        build::load(&file, "build.toml").map_err(|p| format!("without these words the build is not valid:\n{}", p.render(false)))?.digest();
    let mut out = Vec::with_capacity(entries.len());
    let mut journal = Journal::create(Vec::new());
    for e in entries {
        let mut e = e.clone();
        e.event = match e.event {
            // readings hold no words
            Event::Readings { .. } => e.event,
            event => plain(event, &secrets)?,
        };
        match &mut e.event {
            Event::RunStarted { build_file, build_digest, .. } => {
                build_file.clone_from(&file);
                build_digest.clone_from(&digest);
            }
            Event::Board(facts) if facts.serial.is_some() => facts.serial = Some(GONE.to_owned()),
            _ => {}
        }
        journal.record(&e).map_err(|e| e.to_string())?;
        out.push(e);
    }
    Ok(Left { entries: out, journal: journal.into_storage(), secrets })
}

fn without(text: &str, secrets: &[String]) -> String {
    secrets.iter().fold(text.to_owned(), |t, s| t.replace(s.as_str(), GONE))
}

/// An event with the words taken out of each of its texts.
fn plain(event: Event, secrets: &[String]) -> Result<Event, String> {
    fn walk(value: &mut Value, secrets: &[String]) {
        match value {
            Value::String(s) => *s = without(s, secrets),
            Value::Array(list) => list.iter_mut().for_each(|v| walk(v, secrets)),
            Value::Object(map) => map.values_mut().for_each(|v| walk(v, secrets)),
            _ => {}
        }
    }
    // the kind of event and its fixed words stay: only free texts are touched
    let free = matches!(
        event,
        Event::RunStarted { .. }
            | Event::Witnessed { .. }
            | Event::StepSkipped { .. }
            | Event::RunEnded { .. }
            | Event::Blanked { .. }
            | Event::Board(_)
            | Event::Converter { .. }
            | Event::Calibrated(_)
            | Event::Checklist(_)
            | Event::ByHand { .. }
    );
    if !free {
        return Ok(event);
    }
    let mut value = serde_json::to_value(&event).map_err(|e| e.to_string())?;
    // the kind of event, and the sense point that a correction belongs to, are the journal's own words
    let kept = ["event", "sense"].map(|k| value.get(k).cloned().map(|v| (k, v)));
    walk(&mut value, secrets);
    for (key, own) in kept.into_iter().flatten() {
        value[key] = own;
    }
    serde_json::from_value(value).map_err(|e| format!("one of the words to take out is a word of the journal's own ({e}): leave it out"))
}

/// The build file without comments, serials, names and site.
fn redacted_build(text: &str, secrets: &[String]) -> Result<String, String> {
    fn free(key: &str) -> bool {
        matches!(key, "maker" | "batch" | "model")
    }
    fn walk(table: &mut toml::Table, secrets: &[String], count: &mut u32) {
        for (key, value) in table.iter_mut() {
            match value {
                toml::Value::String(s) if key == "serial" => {
                    // serials must stay distinct
                    *count += 1;
                    *s = format!("{GONE}-{count}");
                }
                toml::Value::String(s) if free(key) => *s = without(s, secrets),
                toml::Value::Table(t) => walk(t, secrets, count),
                toml::Value::Array(list) => {
                    for item in list {
                        if let toml::Value::Table(t) = item {
                            walk(t, secrets, count);
                        }
                    }
                }
                _ => {}
            }
        }
    }
    let mut table: toml::Table = text.parse().map_err(|e| format!("{e}"))?;
    if let Some(toml::Value::Table(sign)) = table.get_mut("sign") {
        for key in ["name", "place", "notes"] {
            if let Some(value) = sign.get_mut(key) {
                *value = toml::Value::String(GONE.to_owned());
            }
        }
    }
    walk(&mut table, secrets, &mut 0);
    toml::to_string(&table).map_err(|e| e.to_string())
}

//! The before-power checklist as it waits for a run. The controller hangs on the supply under test, so it is filled in on paper,
//! on another machine or on a phone: on the page, or in the file that the configuration names.
//!
//! It stays until a run that took it has ended, so that a run begun anew after a loss of power has it too; one that stops a run
//! stays until another is handed in. A run without any goes on, and its report says so.

use super::live::Shared;
use super::memory::Memory;
use crate::build::Build;
use crate::check::CheckResult;
use crate::checklist;
use crate::event::Checklist;
use crate::journal;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A checklist that was handed in.
#[derive(Clone, Debug, PartialEq)]
pub struct HandedIn {
    /// The checklist.
    pub list: Checklist,
    /// True once the run that goes on has it in its journal.
    pub taken: bool,
}

/// The file of it.
#[derive(Serialize, Deserialize)]
struct OnDisk {
    build_digest: String,
    list: Checklist,
}

/// A question of the checklist.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct QuestionView {
    /// Name to answer under.
    pub id: String,
    /// In words.
    pub text: String,
    /// Unit of its reading; empty where it is answered with yes or no.
    pub unit: String,
    /// What a reading must keep to.
    pub low: Option<f64>,
    /// Likewise.
    pub high: Option<f64>,
    /// True where only a licensed person does it.
    pub licensed: bool,
    /// True where a no, or a reading outside, ends the run before a line is driven.
    pub stops: bool,
}

/// How one answer is judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct JudgedView {
    /// Name of the question.
    pub id: String,
    /// `pass`, `marginal`, `fail` or `not-proven`.
    pub result: CheckResult,
}

/// What was handed in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HandedInView {
    /// Who looked and measured.
    pub who: String,
    /// When, as written.
    pub when: String,
    /// True where the run that goes on has it; otherwise it waits for the next one.
    pub taken: bool,
    /// Why a run may not begin with it.
    pub stops: Option<String>,
    /// How each answer is judged.
    pub judged: Vec<JudgedView>,
}

/// The questions of this build, and what was handed in.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChecklistView {
    /// Serial number of the sign, to be handed in with the answers.
    pub serial: String,
    /// The questions, in the order in which they are done.
    pub questions: Vec<QuestionView>,
    /// The checklist that waits, or that the run which goes on has taken.
    pub handed_in: Option<HandedInView>,
}

/// What the page shows of a checklist.
pub fn seen(build: &Build, handed_in: &HandedIn) -> HandedInView {
    let list = &handed_in.list;
    let id = |check: &str| check.strip_prefix("by-hand/").unwrap_or(check).to_owned();
    HandedInView {
        who: list.who.clone(),
        when: list.when.clone(),
        taken: handed_in.taken,
        stops: checklist::stop(build, list),
        judged: checklist::checks_of(build, list).into_iter().map(|c| JudgedView { id: id(&c.id), result: c.result }).collect(),
    }
}

/// The questions of a build.
pub fn questions(build: &Build) -> Vec<QuestionView> {
    let view = |item: checklist::Item| {
        let limit = item.limit(build);
        QuestionView {
            text: item.question.clone(),
            unit: item.unit().to_owned(),
            low: limit.low,
            high: limit.high,
            licensed: item.licensed,
            stops: item.stops,
            id: item.id,
        }
    };
    checklist::items(build).into_iter().map(view).collect()
}

/// Takes a checklist for the run that goes on, or for the next one; an earlier one is replaced.
///
/// # Errors
/// Where it can't be kept.
pub fn hand_in(shared: &Shared, list: Checklist) -> std::io::Result<HandedInView> {
    let loaded = shared.loaded();
    write(shared, &loaded.digest, &list)?;
    let handed_in = HandedIn { list, taken: false };
    let view = seen(&loaded.build, &handed_in);
    shared.live().handed_in = Some(handed_in);
    shared.events.tell("checklist", &serde_json::json!({ "who": view.who, "stops": view.stops }));
    Ok(view)
}

fn write(shared: &Shared, digest: &str, list: &Checklist) -> std::io::Result<()> {
    let text = serde_json::to_string_pretty(&OnDisk { build_digest: digest.to_owned(), list: list.clone() })?;
    journal::write_whole(&shared.checklist_file(), text.as_bytes())
}

/// The list for a run, once; `None` where nothing waits.
pub fn take(shared: &Shared) -> Option<Checklist> {
    let mut live = shared.live();
    let waiting = live.handed_in.as_mut().filter(|h| !h.taken)?;
    waiting.taken = true;
    Some(waiting.list.clone())
}

/// Whether a list waits that a run may not go on with.
pub fn forbids(shared: &Shared) -> bool {
    let loaded = shared.loaded();
    shared.live().handed_in.as_ref().is_some_and(|h| !h.taken && checklist::stop(&loaded.build, &h.list).is_some())
}

/// A run is over. What it took is done with, unless it was cut off or the list itself forbids to go on.
pub fn run_ended(shared: &Shared, build: &Build, cut_off: bool) {
    let mut live = shared.live();
    let Some(handed_in) = &mut live.handed_in else { return };
    if cut_off || checklist::stop(build, &handed_in.list).is_some() {
        handed_in.taken = false;
    } else if handed_in.taken {
        live.handed_in = None;
        drop(live);
        if let Err(error) = std::fs::remove_file(shared.checklist_file()) {
            tracing::warn!(%error, "the checklist that was used could not be removed; the next run takes it again");
        }
    }
}

/// What waits at boot: what was handed in, else the file that the configuration names, as long as no run has ended. The second value
/// says why that file is not usable.
pub fn at_boot(shared: &Shared, memory: &Memory) -> (Option<HandedIn>, Option<String>) {
    let waiting = |list| Some(HandedIn { list, taken: false });
    let loaded = shared.loaded();
    let kept = std::fs::read(shared.checklist_file()).ok().and_then(|bytes| serde_json::from_slice::<OnDisk>(&bytes).ok());
    if let Some(kept) = kept.filter(|k| k.build_digest == loaded.digest) {
        return (waiting(kept.list), None);
    }
    let config = shared.config();
    let Some(path) = config.first_power.checklist.as_ref().filter(|_| memory.last.is_none()) else { return (None, None) };
    let name = path.display().to_string();
    let read = crate::build::read_source(path).map_err(|why| format!("{name}: {why}"));
    match read.and_then(|text| checklist::read(&text, &name, &loaded.build)) {
        Ok(list) => {
            tracing::info!(file = name, who = list.who, "the before-power checklist was read");
            // kept like one that was handed in: it outlives a stop, and is used once
            if let Err(error) = write(shared, &loaded.digest, &list) {
                tracing::warn!(%error, "the checklist cannot be kept beyond this boot");
            }
            (waiting(list), None)
        }
        Err(why) => {
            tracing::error!(why, "the before-power checklist is not usable");
            (None, Some(why))
        }
    }
}

//! A run on the rig's thread, from its begin to its place in the list, and what the page hears of it.

use super::live::{Loaded, Phase, RunNow, Shared, Wanted};
use super::on_page::on_page;
use super::worker::{DAEMON_ENDS, Hands, save, say_lines};
use super::{handed_in, kept, tool};
use crate::baseline;
use crate::commission::{self, Request};
use crate::event::{Answer, Entry, Event, Role, Seen, Selection, Stage, WitnessMode};
use serde_json::json;
use std::path::Path;
use std::sync::Arc;

/// One run from its begin to its place in the list.
pub fn run(shared: &Arc<Shared>, hands: &dyn Hands, wanted: Wanted) {
    let loaded = shared.loaded();
    let id = wanted.id.clone();
    let dir = shared.runs_dir().join(&id);
    {
        let mut live = shared.live();
        live.memory.began(&id);
        live.phase = Phase::Running;
        live.need = None;
        live.findings.clear();
        live.misplaced = false;
        live.checklist_trouble = None;
        live.run = Some(RunNow { place: wanted.place, note: wanted.note.clone(), ..RunNow::begun(id.clone(), shared.stopped().is_some()) });
        let memory = live.memory.clone();
        drop(live);
        save(shared, &memory);
    }
    say_lines(shared, "driven by the run that goes on");
    tracing::info!(run = id, "run begins");
    shared.events.tell("run", &json!({ "id": id, "state": "begun" }));
    let outcome = execute(shared, hands, wanted, &loaded, &id, &dir);
    let by_daemon = shared.stopped().is_some_and(|by| by == DAEMON_ENDS);
    let (outcome, trouble) = match outcome {
        Ok(outcome) => (outcome, None),
        Err(why) => {
            tracing::error!(run = id, why, "the run could not be carried out");
            ("error".to_owned(), Some(why))
        }
    };
    handed_in::run_ended(shared, &loaded.build, by_daemon);
    let kept = kept::one(&dir);
    let memory = {
        let mut live = shared.live();
        if by_daemon {
            live.memory.cut_off();
        } else {
            live.memory.ended(&outcome, kept.as_ref().is_some_and(|k| k.acceptable));
            live.memory.trouble.clone_from(&trouble);
        }
        if let Some(kept) = &kept {
            live.findings.clone_from(&kept.findings);
        }
        live.kept.extend(kept);
        live.run = None;
        live.memory.clone()
    };
    save(shared, &memory);
    shared.clear_stop();
    shared.counters.run(&outcome);
    tracing::info!(run = id, outcome, "run ended");
    shared.events.tell("run", &json!({ "id": id, "state": "ended", "outcome": outcome, "trouble": trouble }));
}

fn execute(shared: &Arc<Shared>, hands: &dyn Hands, wanted: Wanted, loaded: &Loaded, id: &str, dir: &Path) -> Result<String, String> {
    std::fs::create_dir_all(dir).map_err(|e| format!("{}: {e}; check the state directory and the disk", dir.display()))?;
    if !wanted.note.is_empty() {
        crate::journal::write_whole(&dir.join(kept::NOTE), wanted.note.as_bytes()).map_err(|e| format!("{}: {e}", dir.display()))?;
    }
    let opened = hands.run(&loaded.build)?;
    let corrections = crate::calibration::load(shared.config().state(), &loaded.build, opened.rig.simulated)?;
    let rig = on_page(shared, opened.rig);
    let request = Request {
        build: &loaded.build,
        build_file: loaded.source.clone(),
        selection: Selection { stages: wanted.stages, ports: None, feeds: None },
        witness: WitnessMode::Ask,
        place: wanted.place,
        seed: opened.seed,
        scenario: opened.scenario,
        ambient_c: wanted.ambient_c,
        corrections,
        out: Some(dir.to_owned()),
    };
    let watcher = Arc::clone(shared);
    let mut observer = |p: &crate::run::Progress<'_>| {
        if let Some(run) = &mut watcher.live().run {
            run.stage = p.stage;
            run.steps = p.steps;
            p.title.clone_into(&mut run.title);
            run.done = p.done;
        }
    };
    let cancelled = || shared.stopped();
    commission::carry_out(request, id.to_owned(), rig, &cancelled, &mut observer, &mut |entry| tap(shared, loaded, dir, entry))
        .map_err(|e| e.to_string())?;
    // what the sign was when it was accepted goes into each later report
    match baseline::find(shared.config().state(), &loaded.digest, shared.simulated) {
        Ok(accepted) => {
            if let Err(error) = commission::keep_baseline(dir, &accepted.numbers) {
                tracing::warn!(%error, "the run could not be compared with the baseline");
            }
        }
        Err(baseline::BaselineError::None { .. }) => {}
        Err(error) => tracing::warn!(%error, "the baseline is not usable"),
    }
    tool::judge(dir).map_err(|e| format!("the run could not be judged: {e}"))?;
    kept::one(dir).map(|kept| kept.outcome).ok_or_else(|| "the report of the run cannot be read".to_owned())
}

/// Tells the page what went into the journal.
fn tap(shared: &Arc<Shared>, loaded: &Loaded, dir: &Path, entry: &Entry) {
    match &entry.event {
        Event::StageStarted { stage } => {
            tracing::info!(stage = stage.word(), "stage begins");
            shared.events.tell("stage", &json!({ "stage": stage, "state": "begun" }));
        }
        Event::StageEnded { stage } => {
            shared.events.tell("stage", &json!({ "stage": stage, "state": "ended" }));
            if matches!(stage, Stage::Sweep | Stage::Marks | Stage::Climb | Stage::Hold) {
                preview(shared, dir);
            }
        }
        Event::StepStarted { step, frame, .. } => {
            let told = {
                let mut live = shared.live();
                let Some(run) = &mut live.run else { return };
                run.step = *step;
                run.frame = *frame;
                run.frame_title = frame.title();
                run.alternating = run.stage == Stage::Sweep;
                json!({ "step": step, "stage": run.stage, "title": run.title, "frame": frame, "done": run.done })
            };
            shared.events.tell("step", &told);
        }
        Event::Readings { step, role: Role::Steady, points, .. } => {
            let means: Vec<_> = points.iter().map(|p| mean(&p.values)).collect();
            shared.events.tell("window", &json!({ "step": step, "means": means }));
        }
        Event::Witnessed { step, answer, .. } => {
            if is_misplaced(answer) {
                shared.live().misplaced = true;
            }
            shared.events.tell("answer", &json!({ "step": step, "answer": answer }));
        }
        Event::ByHand { reading, .. } => {
            shared.events.tell("by-hand", &json!({ "item": reading.item, "value": reading.value }));
        }
        Event::StepSkipped { step, why } => {
            shared.events.tell("skipped", &json!({ "step": step, "why": why }));
        }
        Event::Blanked { after_s, cause } => {
            let cause = cause.text(&loaded.build);
            tracing::warn!(cause, after_s, "wall blanked");
            shared.events.tell("blanked", &json!({ "cause": cause, "after_s": after_s }));
            dark(shared);
        }
        Event::RunEnded { .. } => {
            dark(shared);
            shared.live().phase = Phase::Judging;
            shared.events.tell("run", &json!({ "state": "judging" }));
        }
        _ => {}
    }
}

fn dark(shared: &Shared) {
    if let Some(run) = &mut shared.live().run {
        run.dark();
    }
}

/// Whether a witness says that a picture is not where it belongs.
fn is_misplaced(answer: &Answer) -> bool {
    let Answer::Differs(list) = answer else { return false };
    list.iter().any(|d| matches!(d.seen, Seen::PictureOf { .. } | Seen::Turned { .. }))
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Judges what the journal has so far, beside the run.
fn preview(shared: &Arc<Shared>, dir: &Path) {
    let (shared, dir) = (Arc::clone(shared), dir.to_owned());
    let spawned = std::thread::Builder::new().name("findings".to_owned()).spawn(move || {
        let judged = tool::report_so_far(&dir).map_err(|e| e.to_string());
        let findings = match judged.and_then(|report| kept::findings(&report).map_err(|e| e.to_string())) {
            Ok(findings) => findings,
            Err(error) => {
                tracing::warn!(error, "findings so far are not judged");
                return;
            }
        };
        let mut live = shared.live();
        if live.run.as_ref().is_some_and(|r| dir.ends_with(&r.id)) {
            live.findings.clone_from(&findings);
            drop(live);
            shared.events.tell("findings", &json!({ "findings": findings }));
        }
    });
    if let Err(error) = spawned {
        tracing::warn!(%error, "findings so far are not judged");
    }
}

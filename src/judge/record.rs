//! The entries of a journal, sorted for judging.

use crate::event::{Answer, BoardFacts, Difference, Ending, Entry, Event, Question, Role, Selection, Stamp, StopCause};
use crate::frame::FrameSpec;
use crate::units::NoReading;
use std::collections::BTreeMap;

/// One window of readings.
pub(crate) struct Window<'a> {
    pub step: u32,
    pub role: Role,
    pub from: Stamp,
    pub to: Stamp,
    points: BTreeMap<usize, &'a [f64]>,
    silent: BTreeMap<usize, usize>,
}

impl<'a> Window<'a> {
    pub fn values(&self, point: usize) -> &'a [f64] {
        self.points.get(&point).copied().unwrap_or(&[])
    }
}

/// What happened, by kind.
#[derive(Default)]
pub(crate) struct Record<'a> {
    pub selection: Option<&'a Selection>,
    pub converters: BTreeMap<usize, &'a Result<String, NoReading>>,
    pub boards: Vec<&'a BoardFacts>,
    pub windows: Vec<Window<'a>>,
    pub witnessed: Vec<(u32, &'a Question, &'a Answer)>,
    pub skipped: BTreeMap<u32, &'a str>,
    /// Steps that began, with what they show.
    pub begun: BTreeMap<u32, FrameSpec>,
    pub blanked: Vec<&'a StopCause>,
    pub ending: Option<&'a Ending>,
}

impl<'a> Record<'a> {
    pub fn new(entries: &'a [Entry]) -> Self {
        let mut record = Self::default();
        for entry in entries {
            match &entry.event {
                Event::RunStarted { selection, .. } => record.selection = Some(selection),
                Event::Converter { point, found } => {
                    record.converters.insert(*point, found);
                }
                Event::Board(facts) => record.boards.push(facts),
                Event::StepStarted { step, frame, .. } => {
                    record.begun.insert(*step, *frame);
                }
                Event::Readings { step, role, from, to, points, .. } => record.windows.push(Window {
                    step: *step,
                    role: *role,
                    from: *from,
                    to: *to,
                    points: points.iter().map(|p| (p.point, p.values.as_slice())).collect(),
                    silent: points.iter().map(|p| (p.point, p.missing.len())).collect(),
                }),
                Event::Witnessed { step, question, answer } => record.witnessed.push((*step, question, answer)),
                Event::StepSkipped { step, why } => {
                    record.skipped.insert(*step, why);
                }
                Event::Blanked { cause, .. } => record.blanked.push(cause),
                Event::RunEnded { ending } => record.ending = Some(ending),
                // judged by `checklist`
                Event::Checklist(_) | Event::ByHand { .. } => {}
                Event::Calibrated(_) | Event::Shown { .. } | Event::StageStarted { .. } | Event::StageEnded { .. } => {}
            }
        }
        record
    }

    /// Why the run was stopped, if it was.
    pub fn stop(&self) -> Option<&'a StopCause> {
        match self.ending {
            Some(Ending::Stopped(cause)) => Some(cause),
            _ => None,
        }
    }

    /// Every difference that the witness named, with the question's step.
    pub fn differences(&self) -> impl Iterator<Item = (&'a Question, &'a Difference)> + '_ {
        self.witnessed.iter().flat_map(|(_, question, answer)| match answer {
            Answer::Differs(list) => list.iter().map(|d| (*question, d)).collect::<Vec<_>>(),
            Answer::AsShown | Answer::Absent => Vec::new(),
        })
    }

    /// Steady readings of a point in a step.
    pub fn steady(&self, step: u32, point: usize) -> Vec<f64> {
        self.windows.iter().filter(|w| w.step == step && w.role == Role::Steady).flat_map(|w| w.values(point).iter().copied()).collect()
    }

    /// True where a point gave nothing but missing readings.
    pub fn silent(&self, point: usize) -> bool {
        let missing: usize = self.windows.iter().filter_map(|w| w.silent.get(&point)).sum();
        missing > 0 && self.windows.iter().all(|w| w.values(point).is_empty())
    }

    /// True where a point repeats one value to the end of the record, through light and dark: noise alone moves a live one by a step.
    pub fn stuck(&self, point: usize) -> bool {
        let Some(last) = self.windows.iter().rev().find_map(|w| w.values(point).last()) else { return false };
        let (mut readings, mut brackets, mut bright, mut dark) = (0, 0, false, false);
        for w in self.windows.iter().rev() {
            let values = w.values(point);
            if values.iter().any(|v| v != last) {
                break;
            }
            readings += values.len();
            match (w.role, self.begun.get(&w.step)) {
                (Role::Lit, _) => brackets += 1,
                (Role::Steady, Some(FrameSpec::Level(k))) if *k > 0 => bright = true,
                (Role::Steady, Some(FrameSpec::Black)) | (Role::Reference, _) => dark = true,
                _ => {}
            }
        }
        readings >= STUCK && dark && (bright || brackets >= STUCK_BRACKETS)
    }
}

/// Equal readings that no live converter gives through light and dark (assumed): several windows' worth; and windows of single cells, each
/// of which may move it by less than a step.
const STUCK: usize = 200;
const STUCK_BRACKETS: usize = 30;

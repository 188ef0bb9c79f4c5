//! The entries of a journal, sorted for judging.

use crate::event::{Answer, BoardFacts, Difference, Ending, Entry, Event, Question, Role, Selection, Stamp, StopCause};
use crate::units::NoReading;
use std::collections::{BTreeMap, BTreeSet};

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
    pub begun: BTreeSet<u32>,
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
                Event::StepStarted { step, .. } => {
                    record.begun.insert(*step);
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

    /// True where a point repeats one value over the lit and dark windows of many steps.
    pub fn stuck(&self, point: usize) -> bool {
        let mut values = self.windows.iter().flat_map(|w| w.values(point));
        let Some(first) = values.next() else { return false };
        let mut count = 1;
        for v in values {
            if v != first {
                return false;
            }
            count += 1;
        }
        count >= 100
    }
}

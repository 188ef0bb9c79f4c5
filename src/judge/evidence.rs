//! What the entries say, step by step.

use crate::event::{Answer, Ending, Entry, Event, PointReadings, Role, Stage};
use crate::units::NoReading;
use std::collections::{BTreeMap, HashSet};

/// One window of readings.
pub struct Window<'a> {
    pub cycle: u32,
    pub role: Role,
    pub points: &'a [PointReadings],
    pub from_s: f64,
    pub to_s: f64,
}

/// Everything read from a journal, ordered for judging.
#[derive(Default)]
pub struct Evidence<'a> {
    pub windows: BTreeMap<u32, Vec<Window<'a>>>,
    pub answers: BTreeMap<u32, &'a Answer>,
    pub converters: BTreeMap<usize, &'a Result<String, NoReading>>,
    pub started: HashSet<u32>,
    pub skipped: BTreeMap<u32, &'a str>,
    pub stages_ended: HashSet<Stage>,
    pub undervoltage: Option<bool>,
    pub ending: Option<&'a Ending>,
    pub whole: bool,
}

/// Sorts the entries.
pub fn gather(entries: &[Entry]) -> Evidence<'_> {
    let mut e = Evidence::default();
    let Some(zero) = entries.first().map(|x| x.at) else { return e };
    for entry in entries {
        match &entry.event {
            Event::RunStarted { selection, .. } => e.whole = selection.is_whole(),
            Event::Converter { point, found } => {
                e.converters.insert(*point, found);
            }
            Event::Board(facts) => e.undervoltage = facts.undervoltage,
            Event::StepStarted { step, .. } => {
                e.started.insert(*step);
            }
            Event::Readings { step, cycle, role, from, to, points } => {
                let window = Window { cycle: *cycle, role: *role, points, from_s: from.since(zero), to_s: to.since(zero) };
                e.windows.entry(*step).or_default().push(window);
            }
            Event::Witnessed { step, answer, .. } => {
                e.answers.insert(*step, answer);
            }
            Event::StepSkipped { step, why } => {
                e.skipped.insert(*step, why);
            }
            Event::StageEnded { stage } => {
                e.stages_ended.insert(*stage);
            }
            Event::RunEnded { ending } => e.ending = Some(ending),
            Event::StageStarted { .. } | Event::Shown { .. } | Event::Blanked { .. } => {}
        }
    }
    e
}

impl Evidence<'_> {
    /// Mean of a point over all steady windows of a step, with the standard error of block means and their degrees of
    /// freedom: neighbouring readings are not independent, so they are averaged in eight blocks first.
    pub fn steady(&self, step: u32, point: usize) -> Option<Estimate> {
        let values: Vec<f64> = self
            .windows
            .get(&step)?
            .iter()
            .filter(|w| w.role == Role::Steady)
            .flat_map(|w| w.points[point].values.iter().copied())
            .collect();
        let size = values.len() / 8;
        if size == 0 {
            return None;
        }
        let blocks: Vec<f64> = values.chunks_exact(size).map(|c| c.iter().sum::<f64>() / c.len() as f64).collect();
        Estimate::of(&blocks)
    }
}

/// A mean with its Type A standard uncertainty and degrees of freedom (JCGM 100, 4.2).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    pub mean: f64,
    pub standard: f64,
    pub dof: f64,
}

impl Estimate {
    /// Of independent values; `None` for fewer than two.
    pub fn of(values: &[f64]) -> Option<Self> {
        let n = values.len() as f64;
        if values.len() < 2 {
            return None;
        }
        let mean = values.iter().sum::<f64>() / n;
        let variance = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0);
        Some(Self { mean, standard: (variance / n).sqrt(), dof: n - 1.0 })
    }

    /// The same after values further than four robust standard deviations (1.4826 × median absolute deviation) from
    /// the median were left out: a burst of the controller's load is no property of the sign.
    pub fn robust(values: &[f64]) -> Option<Self> {
        let centre = median(values)?;
        let away: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
        let limit = 4.0 * 1.4826 * median(&away)?;
        let kept: Vec<f64> = values.iter().copied().filter(|v| (v - centre).abs() <= limit).collect();
        Self::of(&kept)
    }
}

fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    (n > 0).then(|| (sorted[(n - 1) / 2] + sorted[n / 2]) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn type_a_follows_the_guide() {
        // JCGM 100:2008, 4.4.3 table 1: mean 100.145, s 1.489, standard uncertainty of the mean 0.333
        let t = [
            96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57,
            101.84, 102.36, 102.72,
        ];
        let e = Estimate::of(&t).unwrap();
        assert!((e.mean - 100.145).abs() < 5e-4 && (e.standard - 0.333).abs() < 5e-4 && e.dof == 19.0, "{e:?}");
    }

    #[test]
    fn one_burst_does_not_move_a_robust_mean() {
        let mut v = vec![1.0, 1.1, 0.9, 1.05, 0.95, 1.0, 1.02];
        let clean = Estimate::robust(&v).unwrap().mean;
        v.push(9.0);
        assert!((Estimate::robust(&v).unwrap().mean - clean).abs() < 1e-12);
    }
}

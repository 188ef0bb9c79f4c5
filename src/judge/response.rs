//! Responses of bracketed steps: lit minus the mean of the dark windows beside it, combined over the
//! sense points by generalised least squares.
//!
//! The covariance of the points is taken from the run itself (deviations of the cycles from their
//! step's mean, pooled over the steps). So the controller's fluctuation, which all points of one supply
//! see alike, cancels by itself where a feed's end and its distribution are both sensed.

use super::record::Record;
use super::stats::{Estimate, trimmed};
use crate::check::PointUncertainty;
use crate::event::Role;
use crate::plan::Step;
use nalgebra::{DMatrix, DVector};
use std::collections::BTreeMap;

/// Measured over expected response of one step.
#[derive(Clone, Debug)]
pub(crate) struct Ratio {
    pub all: Estimate,
    pub cycles: usize,
}

/// Share of a window's readings cut at each end: the controller's bursts are short.
const TRIM: f64 = 0.2;

/// Per cycle, the response of each point. A lit window takes the nearest dark windows before and
/// after it in the same stage, whoever's step they belong to: neighbours share references.
fn cycles(record: &Record<'_>, stage: &BTreeMap<u32, &Step>, points: &[usize]) -> BTreeMap<u32, Vec<Vec<Option<f64>>>> {
    let windows: Vec<_> = record.windows.iter().filter(|w| stage.contains_key(&w.step)).collect();
    // a burst that several points share cancels exactly between plain means; alone it must be cut
    let cut = if points.len() > 1 { 0.0 } else { TRIM };
    let means: Vec<Vec<Option<f64>>> =
        windows.iter().map(|w| points.iter().map(|&p| trimmed(w.values(p), cut).map(|e| e.value)).collect()).collect();
    let mut out: BTreeMap<u32, Vec<Vec<Option<f64>>>> = BTreeMap::new();
    for (i, window) in windows.iter().enumerate().filter(|(_, w)| w.role == Role::Lit) {
        let before = (0..i).rev().find(|&j| windows[j].role == Role::Reference);
        let after = (i + 1..windows.len()).find(|&j| windows[j].role == Role::Reference);
        let response = (0..points.len())
            .map(|k| {
                let dark: Vec<f64> = [before, after].into_iter().flatten().filter_map(|j| means[j][k]).collect();
                let lit = means[i][k]?;
                (!dark.is_empty()).then(|| lit - dark.iter().sum::<f64>() / dark.len() as f64)
            })
            .collect();
        out.entry(window.step).or_default().push(response);
    }
    out
}

/// Ratios of every bracketed step of `steps` that was measured.
pub(crate) fn ratios(record: &Record<'_>, steps: &[&Step], points: &[usize], instruments: &[PointUncertainty]) -> BTreeMap<u32, Ratio> {
    let stage: BTreeMap<u32, &Step> = steps.iter().map(|s| (s.number, *s)).collect();
    let cycles = cycles(record, &stage, points);
    let n = points.len();
    let instrument = |k: usize| instruments.get(points[k]).copied().unwrap_or_default();

    // pooled covariance of single cycles
    let mut covariance = DMatrix::<f64>::zeros(n, n);
    let mut dof = DMatrix::<f64>::zeros(n, n);
    for list in cycles.values().filter(|l| l.len() > 1) {
        let mean: Vec<Option<f64>> = (0..n)
            .map(|k| {
                let v: Vec<f64> = list.iter().filter_map(|c| c[k]).collect();
                (v.len() == list.len()).then(|| v.iter().sum::<f64>() / v.len() as f64)
            })
            .collect();
        for a in 0..n {
            for b in 0..n {
                let (Some(ma), Some(mb)) = (mean[a], mean[b]) else { continue };
                covariance[(a, b)] += list.iter().filter_map(|c| Some((c[a]? - ma) * (c[b]? - mb))).sum::<f64>();
                dof[(a, b)] += list.len() as f64 - 1.0;
            }
        }
    }
    let pooled_dof = (0..n).map(|k| dof[(k, k)]).fold(f64::INFINITY, f64::min).max(1.0);
    for a in 0..n {
        for b in 0..n {
            covariance[(a, b)] /= dof[(a, b)].max(1.0);
        }
    }
    for k in 0..n {
        // a step of the code, where noise does not spread readings over several: never below it / √12;
        // without repeats the noise is not known, and one whole step stands in for it
        let floor = instrument(k).lsb.powi(2) / 12.0 * if dof[(k, k)] > 0.0 { 0.25 } else { 12.0 };
        covariance[(k, k)] += floor.max(1e-14);
    }

    let mut out = BTreeMap::new();
    for (number, list) in &cycles {
        let step = stage[number];
        let expected = |k: usize| step.expected.get(points[k]).copied().flatten().filter(|e| e.abs() > 1e-9);
        let used: Vec<usize> = (0..n).filter(|&k| expected(k).is_some() && list.iter().all(|c| c[k].is_some())).collect();
        if used.is_empty() {
            continue;
        }
        let e = DVector::from_iterator(used.len(), used.iter().filter_map(|&k| expected(k)));
        let count = list.len() as f64;
        let total = DMatrix::from_fn(used.len(), used.len(), |a, b| {
            let gain = if a == b { (instrument(used[a]).gain_rel * e[a]).powi(2) } else { 0.0 };
            covariance[(used[a], used[b])] / count + gain
        });
        let Some(inverse) = total.try_inverse() else { continue };
        let weights = &inverse * &e / (e.transpose() * &inverse * &e)[(0, 0)];
        let single: Vec<f64> =
            list.iter().map(|c| used.iter().zip(weights.iter()).filter_map(|(&k, w)| Some(w * c[k]?)).sum::<f64>()).collect();
        let Some(own) = trimmed(&single, TRIM) else { continue };
        let noise = DMatrix::from_fn(used.len(), used.len(), |a, b| covariance[(used[a], used[b])] / count);
        let pooled = (weights.transpose() * &noise * &weights)[(0, 0)].max(0.0).sqrt();
        // the run's common noise, unless this step was clearly noisier than the others
        let (type_a, dof) =
            if own.standard.is_finite() && own.standard > 2.5 * pooled { (own.standard, own.dof) } else { (pooled, pooled_dof) };
        let gain: f64 = used.iter().zip(weights.iter()).zip(e.iter()).map(|((&k, w), e)| (w * e * instrument(k).gain_rel).powi(2)).sum();
        let standard = type_a.hypot(gain.sqrt());
        // Welch–Satterthwaite with an infinitely well known gain (JCGM 100:2008, G.4.1)
        let dof = if type_a > 0.0 { dof * (standard / type_a).powi(4) } else { f64::INFINITY };
        out.insert(*number, Ratio { all: Estimate { value: own.value, standard, dof }, cycles: list.len() });
    }
    out
}

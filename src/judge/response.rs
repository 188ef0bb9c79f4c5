//! Responses of bracketed steps: lit minus the mean of the dark windows beside it, combined over the
//! sense points by generalised least squares.
//!
//! The covariance of the points is taken from the run itself (deviations of the cycles from their
//! step's mean, pooled over the steps). So the controller's fluctuation, which all points of one supply
//! see alike, cancels by itself where a feed's end and its distribution are both sensed. The weights also count in that resistances differ
//! from the stated ones, so that no difference of points outweighs what both of them say.

use super::pattern::RESISTANCE_SD;
use super::record::Record;
use crate::build::{Build, Node, Quantity};
use crate::check::PointUncertainty;
use crate::event::Role;
use crate::frame::FrameSpec;
use crate::meter::robust::{Estimate, trimmed};
use crate::meter::sequential::TRIM;
use crate::plan::Step;
use nalgebra::{DMatrix, DVector};
use std::collections::BTreeMap;

/// Measured over expected response of one step.
#[derive(Clone, Debug)]
pub(crate) struct Ratio {
    pub all: Estimate,
    pub cycles: usize,
}

/// Spread of what a cell moves at the end of another feed than its own, relative (assumed, no source).
const STRAY_SD: f64 = 0.5;
/// A step whose cycles scatter by more than this multiple of the run's noise is judged by its own scatter.
const NOISIER: f64 = 2.5;

/// Every bracketed response of a stage.
pub(crate) struct Responses {
    /// Sense points, in the order of the vectors here.
    pub points: Vec<usize>,
    cycles: BTreeMap<u32, Vec<Vec<Option<f64>>>>,
    /// Of a single cycle.
    covariance: DMatrix<f64>,
    dof: f64,
    instruments: Vec<PointUncertainty>,
    /// Of each point, the one whose response is all of its path that it shares with others; by index into `points`.
    shared: Vec<Option<usize>>,
    /// Feed at whose end a point is.
    feed_of_point: Vec<Option<usize>>,
    /// Feed of the panel that a step lights.
    feeds: BTreeMap<u32, usize>,
}

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

/// Noise covariance of single cycles, pooled over the steps, and its degrees of freedom.
fn pooled(cycles: &BTreeMap<u32, Vec<Vec<Option<f64>>>>, instruments: &[PointUncertainty]) -> (DMatrix<f64>, f64) {
    let n = instruments.len();
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
    let least = (0..n).map(|k| dof[(k, k)]).fold(f64::INFINITY, f64::min).max(1.0);
    for a in 0..n {
        for b in 0..n {
            covariance[(a, b)] /= dof[(a, b)].max(1.0);
        }
    }
    if n == 1 {
        // one point alone is judged by trimmed means, so its noise is theirs: winsorised, per cycle
        let per_cycle: Vec<f64> = cycles
            .values()
            .filter_map(|list| {
                let values: Option<Vec<f64>> = list.iter().map(|c| c[0]).collect();
                let e = trimmed(&values?, TRIM)?;
                e.standard.is_finite().then(|| e.standard.powi(2) * list.len() as f64)
            })
            .collect();
        if !per_cycle.is_empty() {
            covariance[(0, 0)] = per_cycle.iter().sum::<f64>() / per_cycle.len() as f64;
        }
    }
    for (k, instrument) in instruments.iter().enumerate() {
        // a step of the code, where noise does not spread readings over several: never below it / √12;
        // without repeats the noise is not known, and one whole step stands in for it
        let floor = instrument.lsb.powi(2) / 12.0 * if dof[(k, k)] > 0.0 { 0.25 } else { 12.0 };
        covariance[(k, k)] += floor.max(1e-14);
    }
    (covariance, least)
}

impl Responses {
    /// Sorts the windows of the steps into responses.
    pub fn gather(build: &Build, record: &Record<'_>, steps: &[&Step], points: Vec<usize>, instruments: &[PointUncertainty]) -> Self {
        let stage: BTreeMap<u32, &Step> = steps.iter().map(|s| (s.number, *s)).collect();
        let cycles = cycles(record, &stage, &points);
        let instruments: Vec<PointUncertainty> = points.iter().map(|&p| instruments.get(p).copied().unwrap_or_default()).collect();
        let (covariance, dof) = pooled(&cycles, &instruments);
        let volts = |p: usize| build.sense[p].quantity == Quantity::Volts;
        let distribution = |p: usize| {
            let supply = build.supply_of(p).filter(|_| volts(p))?;
            points.iter().position(|&q| volts(q) && build.sense[q].node == Node::Distribution(supply))
        };
        let shared = points.iter().map(|&p| distribution(p)).collect();
        let feed_of_point = points.iter().map(|&p| build.feed_end_of(p)).collect();
        let lit = |s: &&Step| match s.frame {
            FrameSpec::Cell(cell) | FrameSpec::Block { cell, .. } => {
                Some((s.number, build.panels[build.panel_at(cell.port, cell.position)?].feed))
            }
            _ => None,
        };
        let feeds = steps.iter().filter_map(lit).collect();
        Self { points, cycles, covariance, dof, instruments, shared, feed_of_point, feeds }
    }

    /// A weighted sum of the points' responses in a step, volts, with its variance; `weights` by index into `points`.
    pub fn weighted(&self, step: u32, weights: &[(usize, f64)]) -> Option<(f64, f64)> {
        let list = self.cycles.get(&step)?;
        let single: Option<Vec<f64>> = list.iter().map(|c| weights.iter().map(|&(k, w)| Some(w * c[k]?)).sum::<Option<f64>>()).collect();
        let own = trimmed(&single?, TRIM)?;
        let mut noise = 0.0;
        for &(a, wa) in weights {
            for &(b, wb) in weights {
                noise += wa * wb * self.covariance[(a, b)];
            }
        }
        // a trimmed mean of few values knows a little less than a plain one
        let variance = 1.1 * noise.max(0.0) / list.len() as f64;
        let scattered = own.standard.is_finite() && own.standard.powi(2) > NOISIER * NOISIER * variance;
        Some((own.value, if scattered { own.standard.powi(2) } else { variance }))
    }

    /// Measured over expected response of a step by all its points.
    pub fn ratio(&self, step: &Step) -> Option<Ratio> {
        let list = self.cycles.get(&step.number)?;
        let expected = |k: usize| step.expected.get(self.points[k]).copied().flatten().filter(|e| e.abs() > 1e-9);
        let used: Vec<usize> = (0..self.points.len()).filter(|&k| expected(k).is_some() && list.iter().all(|c| c[k].is_some())).collect();
        if used.is_empty() {
            return None;
        }
        let e = DVector::from_iterator(used.len(), used.iter().filter_map(|&k| expected(k)));
        let count = list.len() as f64;
        let gain_of = |k: usize| self.instruments[k].gain_rel;
        let total = DMatrix::from_fn(used.len(), used.len(), |a, b| {
            let gain = if a == b { (gain_of(used[a]) * e[a]).powi(2) } else { 0.0 };
            self.covariance[(used[a], used[b])] / count + gain
        });
        // what is shared on the way differs from the stated resistance in all points alike; how little of a cell's current comes by the
        // ribbons past another feed's point is hardly known
        let part = |k: usize| self.shared[k].and_then(expected).map(|common| (self.shared[k], common, expected(k).unwrap_or(0.0) - common));
        let elsewhere = |k: usize| self.feeds.get(&step.number).is_none_or(|feed| self.feed_of_point[k] != Some(*feed));
        let paths = DMatrix::from_fn(used.len(), used.len(), |a, b| match (part(used[a]), part(used[b])) {
            (Some(x), Some(y)) if x.0 == y.0 => {
                let own = if a == b && elsewhere(used[a]) { (STRAY_SD * x.2).powi(2) } else { 0.0 };
                RESISTANCE_SD.powi(2) * x.1 * y.1 + own
            }
            _ => 0.0,
        });
        let inverse = (total + paths).try_inverse()?;
        let weights = &inverse * &e / (e.transpose() * &inverse * &e)[(0, 0)];
        let by_point: Vec<(usize, f64)> = used.iter().copied().zip(weights.iter().copied()).collect();
        let (value, variance) = self.weighted(step.number, &by_point)?;
        let type_a = variance.sqrt();
        let gain: f64 = used.iter().zip(weights.iter()).zip(e.iter()).map(|((&k, w), e)| (w * e * gain_of(k)).powi(2)).sum();
        let standard = type_a.hypot(gain.sqrt());
        // Welch–Satterthwaite with an infinitely well known gain (JCGM 100:2008, G.4.1)
        let dof = if type_a > 0.0 { self.dof * (standard / type_a).powi(4) } else { f64::INFINITY };
        Some(Ratio { all: Estimate { value, standard, dof }, cycles: list.len() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, H.2 (inputs and results from memory, recomputed): five simultaneous readings of volts, milliamperes and phase give
    /// resistance 127.732(71), reactance 219.847(295) and impedance 254.260(236) ohm; without the correlations the first would be 0.195.
    #[test]
    fn simultaneous_readings_are_combined_with_their_correlations() {
        let volts = [5.007, 4.994, 5.005, 4.990, 4.999];
        let amps = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
        let phase = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
        let list: Vec<Vec<Option<f64>>> = (0..5).map(|i| vec![Some(volts[i]), Some(amps[i]), Some(phase[i])]).collect();
        let cycles = BTreeMap::from([(1, list)]);
        let (covariance, dof) = pooled(&cycles, &[PointUncertainty::default(); 3]);
        assert_eq!(dof, 4.0);
        let mean = |x: [f64; 5]| x.iter().sum::<f64>() / 5.0;
        let (v, i, phi) = (mean(volts), mean(amps), mean(phase));
        let u = |gradient: [f64; 3]| {
            let g = DVector::from_column_slice(&gradient);
            ((g.transpose() * &covariance * &g)[(0, 0)] / 5.0).sqrt()
        };
        let (c, s) = (phi.cos(), phi.sin());
        assert!((v / i * c - 127.732).abs() < 5e-4 && (u([c / i, -v * c / i / i, -v / i * s]) - 0.071).abs() < 5e-4);
        assert!((v / i * s - 219.847).abs() < 5e-4 && (u([s / i, -v * s / i / i, v / i * c]) - 0.2953).abs() < 5e-4);
        assert!((v / i - 254.260).abs() < 5e-4 && (u([1.0 / i, -v / i / i, 0.0]) - 0.236).abs() < 5e-4);
    }
}

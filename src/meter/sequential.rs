//! How long to go on: cycles of a bracketed step are repeated until the response is known well enough, or a cap is reached.
//!
//! The noise is pooled over the steps of a run, so that a few cycles suffice to know it; the response is the trimmed mean so far, as it
//! will be judged. Each sense point is a way to know it, and so is the difference of two, in which what both share cancels.
//!
//! Ripple (of the mains at 50 to 120 Hz, of the panels' refresh) is sampled far below its frequency and may alias to nearly nothing but a
//! constant within one window. The windows begin at no fixed phase of either, so that what a window keeps of it differs from cycle to
//! cycle: it stands in the scatter of the cycles, which is measured (Type A), and asks for more of them. A window of up to five points
//! keeps less than 4 % of a mains ripple's amplitude; with seven points, read 10.15 ms apart, it may keep two thirds at 100 Hz.

use super::robust::trimmed;

/// Decisions must be clear by this many standard errors: a family of some hundred checks at 95 % (Šidák) needs 3.5.
const CLEAR: f64 = 5.0;
/// Share of cycles cut at each end: the controller's bursts are short.
pub const TRIM: f64 = 0.2;
/// Steps before the pooled noise is trusted.
const LEARNT: f64 = 12.0;

/// What a step wants.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Wanted {
    /// At least this many cycles.
    pub least: u32,
    /// Standard error of the ratio of measured to expected response at which it is known well enough.
    pub precision: f64,
    /// Limits of the ratio: while the decision is not clear, cycles go on beyond `usual`.
    pub limits: [f64; 2],
    /// Cycles after which precision alone no longer asks for more.
    pub usual: u32,
}

/// Sum of squared deviations of single cycles, and their degrees of freedom.
#[derive(Clone, Debug, Default)]
struct Noise {
    squares: f64,
    dof: f64,
}

impl Noise {
    /// Mean of some cycles, with the noise known before and by them.
    fn with(&self, values: &[f64]) -> Option<(f64, Self)> {
        let e = trimmed(values, TRIM)?;
        let n = values.len() as f64;
        let squares = if e.standard.is_finite() { e.standard.powi(2) * n * (n - 1.0) } else { 0.0 };
        Some((e.value, Self { squares: self.squares + squares, dof: self.dof + n - 1.0 }))
    }
}

/// Noise of every point and pair of points, learnt during a run.
#[derive(Clone, Debug)]
pub struct Sequential {
    points: usize,
    noise: Vec<Noise>,
}

impl Sequential {
    /// For this many sense points.
    pub fn new(points: usize) -> Self {
        Self { points, noise: vec![Noise::default(); points * (points + 1)] }
    }

    /// Point `a` alone, or `a` minus `b`, with its index.
    fn ways(&self) -> impl Iterator<Item = (usize, usize, Option<usize>)> + use<> {
        let n = self.points;
        (0..n).flat_map(move |a| {
            std::iter::once(None).chain((0..n).filter(move |b| *b != a).map(Some)).enumerate().map(move |(i, b)| (a * (n + 1) + i, a, b))
        })
    }

    /// Whether the cycles so far are enough. `cycles` has, per cycle, the response of each point.
    pub fn enough(&self, wanted: &Wanted, expected: &[Option<f64>], cycles: &[Vec<Option<f64>>]) -> bool {
        let n = cycles.len() as u32;
        if n < wanted.least {
            return false;
        }
        let known = self.ways().filter_map(|(i, a, b)| {
            let of = |v: &dyn Fn(usize) -> Option<f64>| Some(v(a)? - b.map_or(Some(0.0), v)?);
            let e = of(&|p| expected[p])?;
            let values: Option<Vec<f64>> = cycles.iter().map(|c| of(&|p| c[p])).collect();
            let (value, noise) = self.noise[i].with(&values?)?;
            (e.abs() > 1e-5 && noise.dof >= LEARNT).then(|| ((noise.squares / noise.dof / f64::from(n)).sqrt() / e.abs(), value / e))
        });
        let Some((error, ratio)) = known.min_by(|x, y| x.0.total_cmp(&y.0)) else { return n >= wanted.usual };
        let [low, high] = wanted.limits;
        let clear = (ratio - low).abs() > CLEAR * error && (ratio - high).abs() > CLEAR * error;
        clear && (error <= wanted.precision || n >= wanted.usual)
    }

    /// Learns the noise of a finished step.
    pub fn learn(&mut self, cycles: &[Vec<Option<f64>>]) {
        let ways: Vec<_> = self.ways().collect();
        for (i, a, b) in ways {
            let values: Vec<f64> = cycles.iter().filter_map(|c| Some(c[a]? - b.map_or(Some(0.0), |b| c[b])?)).collect();
            if values.len() > 1
                && let Some((_, noise)) = self.noise[i].with(&values)
            {
                self.noise[i] = noise;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WANTED: Wanted = Wanted { least: 4, precision: 0.02, limits: [0.65, 1.35], usual: 16 };

    fn cycles(n: usize, response: f64, scatter: f64) -> Vec<Vec<Option<f64>>> {
        (0..n).map(|i| vec![Some(response + if i % 2 == 0 { scatter } else { -scatter })]).collect()
    }

    #[test]
    fn quiet_points_are_done_at_once_and_noisy_ones_go_on() {
        let mut s = Sequential::new(1);
        for _ in 0..6 {
            s.learn(&cycles(4, 1.0, 0.01));
        }
        assert!(!s.enough(&WANTED, &[Some(1.0)], &cycles(3, 1.0, 0.01)), "never before the least");
        assert!(s.enough(&WANTED, &[Some(1.0)], &cycles(4, 1.0, 0.01)));
        let mut noisy = Sequential::new(1);
        for _ in 0..6 {
            noisy.learn(&cycles(4, 1.0, 0.2));
        }
        assert!(!noisy.enough(&WANTED, &[Some(1.0)], &cycles(8, 1.0, 0.2)));
        assert!(noisy.enough(&WANTED, &[Some(1.0)], &cycles(24, 1.0, 0.2)));
        assert!(!noisy.enough(&WANTED, &[Some(1.0)], &cycles(24, 0.68, 0.2)), "near a limit it goes on beyond the usual");
    }

    #[test]
    fn what_two_points_share_cancels() {
        let shared = |n: usize| -> Vec<Vec<Option<f64>>> {
            (0..n)
                .map(|i| {
                    let x = if i % 2 == 0 { 5.0 } else { -5.0 };
                    vec![Some(3.0 + x), Some(1.0 + x)]
                })
                .collect()
        };
        let mut s = Sequential::new(2);
        for _ in 0..6 {
            s.learn(&shared(4));
        }
        assert!(s.enough(&WANTED, &[Some(3.0), Some(1.0)], &shared(4)));
    }
}

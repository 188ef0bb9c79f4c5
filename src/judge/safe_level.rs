//! The permitted level again, with the resistances that the climb measured in place of the paper ones where those are worse.
//!
//! The slope of the climb's line over the expected one is the factor on the resistance times the factor on the panels' currents. The paper
//! level already has the panels at the top of their tolerance, so only what is beyond that is laid on the resistances.

use super::checks::Judge;
use super::pattern::channels;
use crate::build::{Build, Node};
use crate::event::Stage;
use crate::frame::FrameSpec;
use crate::meter::least_squares::line;
use crate::meter::robust::{coverage_factor, trimmed};
use crate::power::network::Parts;
use crate::power::{Permitted, permitted_with};

/// A level below the paper one.
#[derive(Clone, Debug, PartialEq)]
pub struct SafeLevel {
    /// Lit fraction of white, 0 to 1.
    pub level: f64,
    /// What binds it.
    pub binds: String,
    /// Which measured lines are worse than the paper ones, in words.
    pub because: Vec<String>,
}

impl Judge<'_> {
    /// Expected and measured values of a weighted sum of sense points at each level of the climb.
    pub fn climb_pairs(&self, weights: &[(usize, f64)]) -> Vec<(f64, f64)> {
        let levels = self.steps(Stage::Climb).into_iter().filter(|s| matches!(s.frame, FrameSpec::Level(_)));
        levels
            .filter_map(|s| {
                let mut pair = (0.0, 0.0);
                for &(p, w) in weights {
                    pair.0 += w * s.expected.get(p).copied().flatten()?;
                    pair.1 += w * trimmed(&self.record.steady(s.number, p), 0.2)?.value;
                }
                Some(pair)
            })
            .collect()
    }

    /// Slope over the expected one, and its expanded uncertainty (95 %): readings' scatter, at least a code step over the span, and the
    /// instrument's gain.
    fn factor(&self, weights: &[(usize, f64)]) -> Option<(f64, f64)> {
        let pairs = self.climb_pairs(weights);
        let slope = line(&pairs)?.slope;
        let ends = pairs.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| (l.min(p.0), h.max(p.0)));
        let instrument = weights.iter().filter_map(|w| self.instruments.get(w.0));
        let (lsb, gain) = instrument.fold((0.0_f64, 0.0_f64), |(l, g), i| (l.hypot(i.lsb), g.max(i.gain_rel)));
        let type_a = slope.standard.max(lsb / 12.0_f64.sqrt() / (ends.1 - ends.0).max(1e-9));
        Some((slope.value, type_a.hypot(gain) * coverage_factor(slope.dof, 1)))
    }
}

/// Upper end of the panels' tolerance on a supply or feed.
fn tolerance(build: &Build, of: impl Fn(usize) -> bool) -> f64 {
    let panels = build.panels.iter().filter(|p| of(p.feed));
    panels.map(|p| build.panel_types[p.kind].tolerance_pct / 100.0).fold(0.0, f64::max)
}

/// `None` where nothing measured is worse than on paper, or the paper level stands all the same.
pub(super) fn safe_level(judge: &Judge<'_>) -> Option<SafeLevel> {
    let build = judge.build;
    let usable: Vec<usize> = judge.volts_points().into_iter().filter(|&p| !judge.record.stuck(p)).collect();
    let mut worst = Parts::worst(build);
    let mut because = Vec::new();
    let mut worse = |weights: &[(usize, f64)], tolerance: f64, what: String| -> f64 {
        let Some((value, expanded)) = judge.factor(weights) else { return 1.0 };
        // significantly beyond what the paper case covers; then the far end of what was measured is taken
        if value - expanded <= 1.0 + tolerance {
            return 1.0;
        }
        because.push(format!("{what} loses {value:.2} ± {expanded:.2} times the expected volts per ampere"));
        (value + expanded) / (1.0 + tolerance)
    };
    for (s, supply) in build.supplies.iter().enumerate() {
        let Some(point) = usable.iter().copied().find(|&p| build.sense[p].node == Node::Distribution(s)) else { continue };
        let factor =
            worse(&[(point, 1.0)], tolerance(build, |f| build.feeds[f].supply == s), format!("supply {} with its input lead", supply.name));
        let part = &mut worst.supplies[s];
        part.source_ohm *= factor;
        part.input_out_ohm *= factor;
        part.input_return_ohm *= factor;
    }
    for (f, feed) in build.feeds.iter().enumerate().filter(|(f, _)| build.panels.iter().any(|p| p.feed == *f)) {
        let (Some(common), Some(own)) = channels(build, &usable, f) else { continue };
        if build.supply_of(common) != Some(feed.supply) {
            continue;
        }
        let factor =
            worse(&[(own, 1.0), (common, -1.0)], tolerance(build, |x| x == f), format!("the lead of feed {} with its fuse", feed.name));
        let part = &mut worst.feeds[f];
        part.fuse_ohm *= factor;
        part.out_ohm *= factor;
        part.return_ohm *= factor;
    }
    if because.is_empty() {
        return None;
    }
    let Permitted { level, binds, .. } = permitted_with(build, &worst);
    (level < judge.plan.level_permitted).then_some(SafeLevel { level, binds, because })
}

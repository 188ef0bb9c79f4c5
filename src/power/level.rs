//! The highest permitted level: the lit fraction of white at which every worst-case limit still holds.

use super::conductor;
use super::network::{Network, Parts};
use crate::build::{Build, Node};
use crate::check::Place;

/// A level and what binds it.
#[derive(Clone, Debug, PartialEq)]
pub struct Permitted {
    /// Lit fraction of white, 0 to 1, in thousandths.
    pub level: f64,
    /// What would be exceeded first; empty where full white is permitted.
    pub binds: String,
    /// Where.
    pub place: Place,
}

/// Current of a feed at worst case and this level, amperes.
pub fn feed_amps(build: &Build, feed: usize, level: f64) -> f64 {
    let panels: f64 = build
        .panels
        .iter()
        .filter(|p| p.feed == feed)
        .map(|p| {
            let t = &build.panel_types[p.kind];
            let lit: f64 = t.full_a.iter().map(|a| a.value()).sum();
            t.idle_a.value() + lit * level * (1.0 + t.tolerance_pct / 100.0)
        })
        .sum();
    panels + if build.controller.feed == feed { build.controller.draw_a.value() } else { 0.0 }
}

/// Rated current of a supply at the highest ambient, amperes.
pub fn derated_amps(build: &Build, supply: usize) -> f64 {
    let s = &build.supplies[supply];
    let lost = (build.limits.ambient_max_c - s.derate_from_c).max(0.0) * s.derate_pct_per_k / 100.0;
    s.rated_a.value() * (1.0 - lost).max(0.0)
}

/// What is exceeded at this level, first reason; `None` where nothing is.
fn exceeded(build: &Build, network: &mut Network, worst: &Parts, level: f64) -> Option<(String, Place)> {
    for (f, feed) in build.feeds.iter().enumerate() {
        let amps = feed_amps(build, f, level);
        let place = || Place { feed: Some(feed.name.clone()), ..Place::default() };
        let fuse = feed.fuse_a.value() * build.limits.fuse_load_pct / 100.0;
        if amps > fuse {
            return Some((
                format!(
                    "fuse of feed {}, {:.1} A: {:.0} % of its rating is {fuse:.2} A",
                    feed.name,
                    feed.fuse_a.value(),
                    build.limits.fuse_load_pct
                ),
                place(),
            ));
        }
        if let Some((carries, basis)) = conductor::ampacity(&feed.lead)
            && amps > carries.value()
        {
            return Some((format!("lead of feed {}: carries {carries:.1} ({basis})", feed.name), place()));
        }
    }
    for (s, supply) in build.supplies.iter().enumerate() {
        let amps: f64 = (0..build.feeds.len()).filter(|&f| build.feeds[f].supply == s).map(|f| feed_amps(build, f, level)).sum();
        let limit = derated_amps(build, s) * build.limits.supply_load_pct / 100.0;
        let place = || Place { supply: Some(supply.name.clone()), ..Place::default() };
        if amps > limit {
            return Some((
                format!("supply {}: {:.0} % of its derated rating is {limit:.1} A", supply.name, build.limits.supply_load_pct),
                place(),
            ));
        }
        if let Some((carries, basis)) = conductor::ampacity(&supply.input_lead)
            && amps > carries.value()
        {
            return Some((format!("input lead of supply {}: carries {carries:.1} ({basis})", supply.name), place()));
        }
    }
    let Ok(solution) = network.solve(worst, &vec![[level; 3]; build.panels.len()]) else {
        return Some(("the supply cannot hold this load".to_owned(), Place::default()));
    };
    for (i, p) in build.panels.iter().enumerate() {
        let (v, min) = (solution.volts(Node::Panel(i)), build.panel_type(i).min_v.value());
        let place = || Place { port: Some(p.port), position: Some(p.position), ..Place::default() };
        if v < min {
            return Some((format!("volts at port {} position {}: {min:.2} V needed", p.port, p.position), place()));
        }
        let source = worst.supplies[build.feeds[p.feed].supply].set_v;
        if source - v > build.limits.drop_v.value() {
            return Some((
                format!("drop to port {} position {}: {:.2} V allowed", p.port, p.position, build.limits.drop_v.value()),
                place(),
            ));
        }
    }
    let (v, min) = (solution.volts(Node::Controller), build.controller.min_v.value());
    (v < min).then(|| (format!("volts at the controller: {min:.2} V needed"), Place::default()))
}

/// Finds it by bisection, worst case.
pub fn permitted(build: &Build) -> Permitted {
    permitted_with(build, &Parts::worst(build))
}

/// [`permitted`] with other resistances than the worst ones on paper.
pub fn permitted_with(build: &Build, worst: &Parts) -> Permitted {
    let mut network = Network::new(build);
    let Some(mut binds) = exceeded(build, &mut network, worst, 1.0) else {
        return Permitted { level: 1.0, binds: String::new(), place: Place::default() };
    };
    let (mut low, mut high) = (0_u16, 1000_u16);
    while high - low > 1 {
        let middle = u16::midpoint(low, high);
        match exceeded(build, &mut network, worst, f64::from(middle) / 1000.0) {
            Some(reason) => {
                binds = reason;
                high = middle;
            }
            None => low = middle,
        }
    }
    Permitted { level: f64::from(low) / 1000.0, binds: binds.0, place: binds.1 }
}

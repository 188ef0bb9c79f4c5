//! Which added sense point would prove most more: coverage computed again with each one that could be added.

use crate::build::{AdsPart, Build, Chip, Node, Quantity, SensePoint};
use crate::commission;
use crate::judge::Proof;
use serde::Serialize;

/// A sense point that could be added, and what it would buy.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Advice {
    /// The point in words.
    pub point: String,
    /// Kinds and places that would newly be proven by measurement.
    pub more: usize,
    /// Those kinds with their numbers of places, most first.
    pub kinds: Vec<(String, usize)>,
}

/// Shunt of a proposed current sensor, ohms: 82 A full scale for a monitor of 81.92 mV (INA226, SBOS547).
const SHUNT_OHM: f64 = 0.001;

/// Points that could be added: each supply's distribution and each panel feed's end in volts, each supply in amperes.
fn candidates(build: &Build) -> Vec<(String, SensePoint)> {
    let has = |quantity: Quantity, node: Node| build.sense.iter().any(|s| s.quantity == quantity && s.node == node);
    let several = build.supplies.len() > 1;
    let of = |s: usize| if several { format!(" of supply {}", build.supplies[s].name) } else { String::new() };
    let pattern = build.sense.iter().find(|s| s.quantity == Quantity::Volts).cloned();
    let volts = |node: Node| {
        let chip = Chip::Ads1115 { part: AdsPart::Ads1115, bus: 1, address: 0x48, channel: 0, range_v: 4.096, supply_v: 3.3 };
        let divider =
            Some(crate::build::Divider { top: crate::units::Ohms::new(10e3), bottom: crate::units::Ohms::new(10e3), tolerance_pct: 0.1 });
        let new = SensePoint { name: "added".into(), quantity: Quantity::Volts, node, reference: Node::Controller, chip, divider };
        pattern.clone().map_or(new, |p| SensePoint { name: "added".into(), node, ..p })
    };
    let amps = |node: Node| SensePoint {
        name: "added".into(),
        quantity: Quantity::Amps,
        node,
        reference: Node::Controller,
        chip: Chip::Ina226 { bus: 1, address: 0x40, shunt_ohm: Some(SHUNT_OHM) },
        divider: None,
    };
    let mut out = Vec::new();
    for s in 0..build.supplies.len() {
        if !has(Quantity::Volts, Node::Distribution(s)) {
            out.push((format!("volts at the distribution{}", of(s)), volts(Node::Distribution(s))));
        }
        if !has(Quantity::Amps, Node::Supply(s)) && !has(Quantity::Amps, Node::Distribution(s)) {
            out.push((format!("amperes in the input lead{}", of(s)), amps(Node::Supply(s))));
        }
    }
    for (f, feed) in build.feeds.iter().enumerate() {
        let panels = build.panels.iter().any(|p| p.feed == f);
        if panels && !has(Quantity::Volts, Node::FeedEnd(f)) {
            out.push((format!("volts at the end of feed {}", feed.name), volts(Node::FeedEnd(f))));
        }
    }
    out
}

/// What each point that could be added would buy, most first; points that buy nothing are left out.
pub fn advice(build: &Build) -> Vec<Advice> {
    let proven = |b: &Build| {
        commission::coverage(b).into_iter().filter(|c| c.proof == Proof::Measured).map(|c| (c.kind, c.place)).collect::<Vec<_>>()
    };
    let now = proven(build);
    let mut out: Vec<Advice> = candidates(build)
        .into_iter()
        .map(|(point, sense)| {
            let mut with = build.clone();
            with.limits.trip_low_v.push(crate::units::Volts::new(0.0));
            with.sense.push(sense);
            // the added point's own converter can fail too, which is no gain
            let own = |place: &crate::check::Place| place.sense.as_deref() == Some("added");
            let mut kinds: Vec<(String, usize)> = Vec::new();
            for (kind, place) in proven(&with).into_iter().filter(|p| !now.contains(p)) {
                if own(&place) {
                    continue;
                }
                match kinds.iter_mut().find(|k| k.0 == kind) {
                    Some(k) => k.1 += 1,
                    None => kinds.push((kind, 1)),
                }
            }
            kinds.sort_by_key(|k| std::cmp::Reverse(k.1));
            Advice { point, more: kinds.iter().map(|k| k.1).sum(), kinds }
        })
        .filter(|a| a.more > 0)
        .collect();
    out.sort_by_key(|a| std::cmp::Reverse(a.more));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn with_one_wire_a_feeds_end_buys_most() {
        let text = include_str!("../config/water-taxi.toml");
        let one = &text[..text.find("[[sense]]\nname = \"feed-1\"").expect("the demo has feed-1")];
        let advice = advice(&crate::build::load(one, "water-taxi.toml").expect("the demo without its other wires is sound"));
        assert!(advice[0].point.starts_with("volts at the end of feed F"), "{advice:?}");
        assert!(advice[0].kinds.iter().any(|k| k.0 == "driver-dead"), "{advice:?}");
        assert!(advice.windows(2).all(|w| w[0].more >= w[1].more));
    }
}

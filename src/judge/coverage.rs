//! What this build's sense points can and cannot prove, for every kind and place of fault.

use super::{Coverage, Proof};
use crate::build::{Build, Colour, Half, Node, PanelType, Quantity};
use crate::check::Place;

/// Coverage of every fault kind at every place of the build, by simple rules of physics: a volts point
/// sees a current only through the resistance before it, and sees how much is lit, not what.
pub fn coverage(build: &Build) -> Vec<Coverage> {
    let mut out = Vec::new();
    let mut add = |kind: &str, place: Place, proof: Proof, reason: &str| {
        out.push(Coverage { kind: kind.into(), place, proof, reason: reason.into() })
    };
    let volts = |node: Node| build.sense.iter().any(|s| s.quantity == Quantity::Volts && s.node == node);
    let amps = |node: Node| build.sense.iter().any(|s| s.quantity == Quantity::Amps && s.node == node);
    let supply_seen = |s: usize| {
        build.sense.iter().any(|p| p.quantity == Quantity::Volts && matches!(p.node, Node::Supply(n) | Node::Distribution(n) if n == s))
    };
    // a feed's end sees its feed's cells, and all of the supply's through the common part
    let sees_cells = |feed: usize| {
        let s = build.feeds[feed].supply;
        supply_seen(s)
            || amps(Node::Supply(s))
            || amps(Node::FeedEnd(feed))
            || feed_points(build).iter().any(|&f| build.feeds[f].supply == s)
    };
    let by = |seen: bool| if seen { Proof::Measured } else { Proof::Witness };

    for (i, s) in build.supplies.iter().enumerate() {
        let place = Place { supply: Some(s.name.clone()), ..Place::default() };
        let seen = supply_seen(i);
        let measured = if seen { Proof::Measured } else { Proof::NotProven };
        let why = if seen { "the level without load is measured" } else { "no volts point at this supply or its distribution" };
        add("supply-set", place.clone(), measured, why);
        let why = if seen {
            "the V–I slope of the climb; told from a joint in the input lead only with points at both of its ends"
        } else {
            "no volts point at this supply or its distribution"
        };
        add("supply-soft", place.clone(), measured, why);
        add("joint", place.clone(), measured, why);
        let why = if seen {
            "proven up to the current of the permitted level, not beyond"
        } else {
            "no volts point at this supply or its distribution"
        };
        add("supply-limit", place, measured, why);
    }
    for (i, f) in build.feeds.iter().enumerate() {
        let place = Place { feed: Some(f.name.clone()), ..Place::default() };
        let end = volts(Node::FeedEnd(i)) || build.panels.iter().enumerate().any(|(p, panel)| panel.feed == i && volts(Node::Panel(p)));
        let panels = build.panels.iter().any(|p| p.feed == i);
        let joint = if end {
            "the slope of this feed's end against load"
        } else {
            "no volts point behind this feed's lead: a drop in it is not seen"
        };
        add("joint", place.clone(), if end { Proof::Measured } else { Proof::NotProven }, joint);
        if panels {
            let seen = sees_cells(i);
            add("fuse-open", place.clone(), by(seen), if seen { "none of its panels responds" } else { "its panels stay dark" });
            let why = "volts are read against the controller's −, and the ribbons carry the current meanwhile: measure each return lead by hand, feel the ribbons";
            add("return-open", place.clone(), Proof::NotProven, why);
        } else {
            add("fuse-open", place.clone(), Proof::Measured, "the controller on it runs");
            add("return-open", place.clone(), Proof::NotProven, "the controller may find another return through a ribbon");
        }
        let sensed = amps(Node::FeedEnd(i)) || amps(Node::Supply(f.supply));
        let why = if sensed { "idle current is measured" } else { "a steady extra current needs a current sensor: black frames cancel it" };
        add("leak", place, if sensed { Proof::Measured } else { Proof::NotProven }, why);
    }
    for (i, p) in build.panels.iter().enumerate() {
        let place = Place { port: Some(p.port), position: Some(p.position), ..Place::default() };
        let seen = sees_cells(p.feed);
        add(
            "panel-dark",
            place.clone(),
            by(seen),
            if seen { "its cells do not respond" } else { "no sense point sees its current; a witness sees it dark" },
        );
        let weak = if seen { Proof::Measured } else { Proof::NotProven };
        add(
            "panel-weak",
            place.clone(),
            weak,
            if seen { "its cells respond by less than cell_pct allows" } else { "no sense point sees its current" },
        );
        add("panel-turned", place.clone(), Proof::Witness, "current is the same whichever way up");
        add("row-dead", place.clone(), Proof::Witness, "one row is below what a volts point resolves");
        let t = build.panel_type(i);
        for half in Half::ALL {
            for colour in Colour::ALL {
                let cell = Place { colour: Some(colour.word().into()), half: Some(half.word().into()), ..place.clone() };
                for block in 0..t.width.div_ceil(PanelType::DRIVER_OUTPUTS) {
                    // a chip of a cell with up to four lowers it by a quarter or more
                    let share = f64::from(PanelType::DRIVER_OUTPUTS) / f64::from(t.width);
                    let found = seen && share * 100.0 > build.limits.cell_pct;
                    let why = if found {
                        "the cell's response falls by the chip's share, more than cell_pct"
                    } else {
                        "the chip's share of its cell is within cell_pct; the colour fields show it"
                    };
                    add("driver-dead", Place { block: Some(block), ..cell.clone() }, by(found), why);
                }
                add("column-dead", cell, Proof::Witness, "one column of a colour is below what a volts point resolves");
            }
        }
    }
    for c in &build.chains {
        let port = Place { port: Some(c.port), ..Place::default() };
        let seen = c.panels.iter().all(|&p| sees_cells(build.panels[p].feed));
        for after in 0..c.panels.len() {
            let place = Place { position: u8::try_from(after).ok(), ..port.clone() };
            add("ribbon-open", place.clone(), by(seen), if seen { "no cell behind it responds" } else { "the panels behind it stay dark" });
            add(
                "line-open",
                place.clone(),
                by(seen),
                if seen {
                    "data lines: cells behind it do not respond; control and address lines: a witness"
                } else {
                    "a colour is missing behind it"
                },
            );
            add(
                "lines-swapped",
                place.clone(),
                Proof::Witness,
                "colours of like current, above all green and blue, look alike to a volts point",
            );
            add("lines-shorted", place, by(seen), if seen { "two lines respond as one" } else { "mixed colours" });
        }
        for position in 1..c.panels.len() {
            let place = Place { position: u8::try_from(position).ok(), ..port.clone() };
            add("order-swap", place, Proof::Witness, "equal panels exchanged in their chain draw alike");
        }
        add("port-swap", port, Proof::Witness, "equal chains exchanged draw alike");
    }
    for bit in 0..build.adapter.address.len().min(5) {
        let line = ["A", "B", "C", "D", "E"][bit];
        add(
            "address-stuck",
            Place { line: Some(line.into()), ..Place::default() },
            Proof::Witness,
            "the current stays the same: other rows are lit instead; walking rows show it",
        );
    }
    for s in &build.sense {
        let place = Place { sense: Some(s.name.clone()), ..Place::default() };
        add("converter-silent", place.clone(), Proof::Measured, "identified at the start, watched all the time");
        add("converter-stuck", place.clone(), Proof::Measured, "a repeated value shows no response and no noise");
        let why = "only beyond the accepted window; smaller errors need a hand meter";
        let proof = if s.quantity == Quantity::Volts { Proof::Measured } else { Proof::NotProven };
        add("converter-offset", place.clone(), proof, why);
        if s.divider.is_some() {
            add("divider-off", place, proof, why);
        }
    }
    out
}

fn feed_points(build: &Build) -> Vec<usize> {
    build
        .sense
        .iter()
        .filter(|s| s.quantity == Quantity::Volts)
        .filter_map(|s| match s.node {
            Node::FeedEnd(f) => Some(f),
            Node::Panel(p) => build.panels.get(p).map(|p| p.feed),
            _ => None,
        })
        .collect()
}

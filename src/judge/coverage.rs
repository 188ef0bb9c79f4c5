//! What this test can prove with the build's own sense points.

use super::{Coverage, Proof};
use crate::build::{Build, Node, Quantity};
use crate::check::Place;
use crate::fault::Fault;

/// One line per fault kind.
pub fn coverage(build: &Build) -> Vec<Coverage> {
    let volts = build.sense.iter().any(|s| s.quantity == Quantity::Volts);
    let amps = build.sense.iter().any(|s| s.quantity == Quantity::Amps);
    let feeds = build.sense.iter().filter(|s| matches!(s.node, Node::FeedEnd(_))).count();
    Fault::KINDS
        .iter()
        .map(|kind| {
            let (proof, reason) = match *kind {
                _ if !volts && !amps => (Proof::Witness, "there is no sense point that measures the supply"),
                "panel-turned" | "port-swap" | "order-swap" => (Proof::Witness, "volts do not tell where a panel is or which way up"),
                "lines-swapped" | "lines-shorted" | "row-dead" | "column-dead" => {
                    (Proof::Witness, "the supply's response is the same, or too small to know")
                }
                "address-stuck" => (Proof::Witness, "the same current flows in the wrong rows"),
                "driver-dead" if feeds == 0 => {
                    (Proof::Witness, "a driver chip's response is too small at the distribution; a wire to the feed's end would prove it")
                }
                "leak" if !amps => (Proof::NotProven, "a steady current needs a current sensor"),
                "converter-offset" | "divider-off" => {
                    (Proof::Measured, "a reading against the computed network; small errors stay unseen without a hand meter")
                }
                "return-open" => (Proof::NotProven, "volts are read against the controller's −, and the ribbons' ground wires carry the current meanwhile: measure each return lead by hand"),
                _ => (Proof::Measured, "the supply's response or level leaves its limits"),
            };
            Coverage { kind: (*kind).to_owned(), place: Place::default(), proof, reason: reason.to_owned() }
        })
        .collect()
}

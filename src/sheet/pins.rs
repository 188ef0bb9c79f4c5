//! Where the adapter's lines are: on the controller's header, and on the ports' connectors.

use crate::build::{Buffer, Build};
use crate::power;
use serde::Serialize;

/// Pin of the 40-pin header by GPIO number, 0 to 27 (the header's published pinout, from memory).
const HEADER: [u8; 28] = [27, 28, 3, 5, 7, 29, 31, 26, 24, 21, 19, 23, 32, 33, 8, 10, 36, 11, 12, 35, 38, 40, 15, 16, 18, 22, 37, 13];

/// Lines of a port's 2 × 8 connector, pins 1 to 16, odd pins in the left column (common practice, no source). Pin 8
/// is E on panels of 32 addresses, else ground.
pub const CONNECTOR: [&str; 16] = ["R1", "G1", "B1", "GND", "R2", "G2", "B2", "E", "A", "B", "C", "D", "CLK", "LAT", "OE", "GND"];

/// One line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PinLine {
    /// Line of the adapter.
    pub line: String,
    /// GPIO number (BCM).
    pub gpio: u8,
    /// Pin of the controller's 40-pin header.
    pub header: u8,
    /// Pin of the port's connector; `None` for lines that do not go there.
    pub connector: Option<usize>,
    /// Pull of the controller from reset.
    pub reset_pull: &'static str,
}

/// Every line, in order of the GPIO number.
pub fn pin_lines(build: &Build) -> Vec<PinLine> {
    power::pins(build)
        .rows
        .into_iter()
        .map(|row| {
            let name = row.line.rsplit(' ').next().unwrap_or_default();
            PinLine {
                connector: CONNECTOR.iter().position(|c| *c == name).map(|i| i + 1),
                header: HEADER.get(usize::from(row.gpio)).copied().unwrap_or(0),
                line: row.line,
                gpio: row.gpio,
                reset_pull: row.reset_pull,
            }
        })
        .collect()
}

/// What stands between the controller and the ports as the build states it, and what it means for a hand-wired adapter.
pub fn adapter_parts(build: &Build) -> Vec<String> {
    let adapter = &build.adapter;
    let lines = adapter.pins().len();
    let family = |name: &str| {
        format!(
            "Buffers: {name}, fed from 5 V, between the controller and the ports; one channel at least for each of the {lines} lines that are not a bus's. Tie \
             their enable inputs so that they always drive, and unused inputs to ground (common practice, no source)."
        )
    };
    let buffer = match adapter.buffer {
        Buffer::Hct => family("74HCT"),
        Buffer::Hc => family("74HC"),
        Buffer::None => "Buffers: none; the controller drives the ports directly.".to_owned(),
    };
    let pin = HEADER.get(usize::from(adapter.oe)).copied().unwrap_or(0);
    let pull_up = if adapter.oe_pull_up {
        format!(
            "OE pull-up: a resistor of about 10 kΩ (common practice, no source) from OE (GPIO {}, header pin {pin}) to the controller's 3.3 V \
             (header pin 1), on the controller's side of any buffer, never to 5 V: it keeps the wall dark while the controller boots.",
            adapter.oe
        )
    } else {
        "OE pull-up: none.".to_owned()
    };
    vec![buffer, pull_up]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_gpio_has_its_own_header_pin_that_is_no_supply_pin() {
        let mut pins = HEADER.to_vec();
        pins.sort_unstable();
        pins.dedup();
        assert_eq!(pins.len(), 28);
        // 3.3 V: 1, 17; 5 V: 2, 4; ground: 6, 9, 14, 20, 25, 30, 34, 39 (the header's pinout, from memory)
        let supply = [1, 17, 2, 4, 6, 9, 14, 20, 25, 30, 34, 39];
        assert!(pins.iter().all(|p| (1..=40).contains(p) && !supply.contains(p)));
        assert_eq!(pins.len() + supply.len(), 40);
    }

    #[test]
    fn lines_are_found_on_the_connector() {
        let build = crate::build::load(include_str!("../../config/water-taxi.toml"), "water-taxi.toml").unwrap();
        let lines = pin_lines(&build);
        let of = |name: &str| lines.iter().find(|l| l.line == name).unwrap();
        assert_eq!((of("port 2 R1").gpio, of("port 2 R1").header, of("port 2 R1").connector), (19, 35, Some(1)));
        assert_eq!(of("OE").connector, Some(15));
        assert_eq!(of("I²C bus 1 SDA").connector, None);
    }
}

//! The pin plan: which GPIO line does what, how it stands at reset, and what to mind.

use crate::build::{Buffer, Build};
use serde::Serialize;

/// GPIO lines up to this one are pulled up at reset, those above are pulled down (BCM2835 ARM Peripherals, table 6-31).
const LAST_PULLED_UP: u8 = 8;

/// One line of the plan.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PinRow {
    /// GPIO number (BCM).
    pub gpio: u8,
    /// Line of the adapter.
    pub line: String,
    /// `up` or `down`.
    pub reset_pull: &'static str,
}

/// The whole plan.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pins {
    /// By GPIO number.
    pub rows: Vec<PinRow>,
    /// What to mind.
    pub cautions: Vec<String>,
}

/// The pin plan of a build. Conflicts are errors of the build file, so a checked build has none.
pub fn pins(build: &Build) -> Pins {
    let pull = |pin: u8| if pin <= LAST_PULLED_UP { "up" } else { "down" };
    let mut rows: Vec<PinRow> =
        build.adapter.pins().into_iter().map(|(line, gpio)| PinRow { gpio, line, reset_pull: pull(gpio) }).collect();
    if build.sense.iter().any(|s| s.chip.place().0 == 1) {
        for (gpio, line) in [(2, "I²C bus 1 SDA"), (3, "I²C bus 1 SCL")] {
            rows.push(PinRow { gpio, line: line.to_owned(), reset_pull: "up" });
        }
    }
    rows.sort_by_key(|r| r.gpio);
    Pins { rows, cautions: cautions(build) }
}

/// Cautions about OE at boot and the buffers' input levels.
pub(super) fn cautions(build: &Build) -> Vec<String> {
    let a = &build.adapter;
    let mut out = Vec::new();
    if a.oe > LAST_PULLED_UP && !a.oe_pull_up {
        out.push(format!(
            "OE is on GPIO {}, which is pulled down from reset: rows may light while the controller boots. Fit a pull-up resistor to OE, or use one of GPIO 0 to 8 \
             (BCM2835 ARM Peripherals, table 6-31)",
            a.oe
        ));
    }
    match a.buffer {
        Buffer::Hct => {}
        Buffer::Hc => out.push(
            "HC buffers at 5 V need 3.5 V for a high level (74HC data sheets); 3.3 V logic is out of that specification even where it seems to work. Use HCT".to_owned(),
        ),
        Buffer::None => out.push("there is no buffer: 3.3 V logic drives the panels' 5 V inputs directly, over the whole ribbon".to_owned()),
    }
    out
}

impl Pins {
    /// A table for people.
    pub fn text(&self) -> String {
        let mut out = String::from("GPIO  at reset  line\n");
        for row in &self.rows {
            out.push_str(&format!("{:>4}  {:<8}  {}\n", row.gpio, row.reset_pull, row.line));
        }
        for caution in &self.cautions {
            out.push_str(&format!("caution: {caution}\n"));
        }
        out
    }
}

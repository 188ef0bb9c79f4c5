//! The pin plan: which GPIO line does what, how it stands at reset, and what to mind.

use crate::build::{Buffer, Build};
use serde::Serialize;
use std::collections::BTreeSet;

/// GPIO lines up to this one are pulled up at reset, those above are pulled down (BCM2835 ARM Peripherals, table 6-31).
const LAST_PULLED_UP: u8 = 8;

/// Place on the 40-pin header of each GPIO line, from GPIO 0 (header of the board's maker; from memory).
const HEADER: [u8; 28] = [27, 28, 3, 5, 7, 29, 31, 26, 24, 21, 19, 23, 32, 33, 8, 10, 36, 11, 12, 35, 38, 40, 15, 16, 18, 22, 37, 13];

/// SDA and SCL of the header's own buses.
const HEADER_BUSES: [(u8, [u8; 2]); 2] = [(0, [0, 1]), (1, [2, 3])];
/// The serial console, where it is switched on, talks on these lines while the controller boots (from memory).
const CONSOLE: [u8; 2] = [14, 15];
/// The controller looks for an add-on board's memory on these lines while it boots (from memory).
const ADD_ON_MEMORY: [u8; 2] = [0, 1];

/// One line of the plan.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PinRow {
    /// GPIO number (BCM).
    pub gpio: u8,
    /// Place on the 40-pin header; `null` for a line that is not on it.
    pub header_pin: Option<u8>,
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

/// MOSI, MISO, SCLK and the chip select of the header's SPI buses (from memory).
fn spi_lines(bus: u8, select: u8) -> Vec<(u8, String)> {
    let (lines, selects) = if bus == 0 { ([10, 9, 11], [8, 7, 7]) } else { ([20, 19, 21], [18, 17, 16]) };
    let named = lines.into_iter().zip(["MOSI", "MISO", "SCLK"]).map(|(gpio, name)| (gpio, name.to_owned()));
    named.chain([(selects[usize::from(select.min(2))], format!("select {select}"))]).collect()
}

/// The pin plan of a build. Conflicts are errors of the build file, so a checked build has none.
pub fn pins(build: &Build) -> Pins {
    let row = |gpio: u8, line: String| PinRow {
        gpio,
        header_pin: HEADER.get(usize::from(gpio)).copied(),
        line,
        reset_pull: if gpio <= LAST_PULLED_UP { "up" } else { "down" },
    };
    let mut rows: Vec<PinRow> = build.adapter.pins().into_iter().map(|(line, gpio)| row(gpio, line)).collect();
    let buses: BTreeSet<u8> = build.buses().into_iter().collect();
    for (bus, lines) in HEADER_BUSES {
        if buses.contains(&bus) {
            for (gpio, name) in lines.into_iter().zip(["SDA", "SCL"]) {
                rows.push(row(gpio, format!("I²C bus {bus} {name}")));
            }
        }
    }
    for (bus, select) in build.selects() {
        for (gpio, name) in spi_lines(bus, select) {
            let line = format!("SPI bus {bus} {name}");
            if rows.iter().all(|r: &PinRow| r.line != line) {
                rows.push(row(gpio, line));
            }
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
    for (pins, why) in [
        (CONSOLE, "the serial console talks there during boot unless it is switched off"),
        (ADD_ON_MEMORY, "the controller looks for an add-on board's memory there during boot"),
    ] {
        let on: Vec<String> =
            a.pins().into_iter().filter(|(_, p)| pins.contains(p)).map(|(line, p)| format!("{line} (GPIO {p})")).collect();
        if !on.is_empty() {
            out.push(format!("{}: {why}; harmless while OE is held up, but these lines move before signproof starts", on.join(", ")));
        }
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
        let mut out = String::from("GPIO  header  at reset  line\n");
        for row in &self.rows {
            let header = row.header_pin.map_or_else(|| "–".to_owned(), |p| p.to_string());
            out.push_str(&format!("{:>4}  {header:>6}  {:<8}  {}\n", row.gpio, row.reset_pull, row.line));
        }
        for caution in &self.cautions {
            out.push_str(&format!("caution: {caution}\n"));
        }
        out
    }
}

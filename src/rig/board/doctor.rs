//! Looks at everything that a run would need; drives nothing.

use super::bus::BoardBus;
use super::kernel_files::KernelFiles;
use super::pins::PinSet;
use super::{Root, health, neighbours, output, soc, spi, synced};
use crate::build::Build;
use crate::meter::Converters;
use crate::units::NoReading;
use serde::Serialize;

/// One thing looked at.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Finding {
    /// What.
    pub what: String,
    /// Whether a run would go on; `None` where it does not matter.
    pub good: Option<bool>,
    /// What was found, and what to do.
    pub text: String,
}

fn finding(what: &str, good: Option<bool>, text: impl Into<String>) -> Finding {
    Finding { what: what.to_owned(), good, text: text.into() }
}

/// Looks. With a build also at its lines and converters.
pub fn doctor(root: &Root, build: Option<&Build>, with_serial: bool) -> Vec<Finding> {
    let mut out = Vec::new();
    let facts = health::facts(root);
    let soc = soc::identify(root);
    let model = facts.model.as_deref().unwrap_or("no model in the device tree");
    out.push(match soc {
        Some(soc) => finding("controller", Some(true), format!("{model} ({})", soc.name)),
        None => finding("controller", Some(false), format!("{model}: no chip whose lines are known; use --rig sim here")),
    });
    if with_serial {
        out.push(finding("serial", None, facts.serial.as_deref().unwrap_or("not known")));
    }
    if let Some(soc) = soc {
        out.push(match (soc.path, output::registers(root)) {
            (soc::Path::PerPin, _) => finding("lines", Some(true), "written one at a time: this board has other registers"),
            (soc::Path::Bank, Ok(())) => finding("lines", Some(true), "registers can be mapped"),
            (soc::Path::Bank, Err(error)) => finding("lines", Some(false), format!("{}; {}", error.why, error.todo)),
        });
    }
    let set = build.map(PinSet::of);
    let found = neighbours::look(root, set.as_ref());
    let looked = if build.is_some() { "" } else { " (give the build file to have its single lines looked at)" };
    out.push(finding("neighbours", Some(!found.any()), format!("{}{looked}", found.text())));
    if let Some(build) = build {
        converters(root, build, &mut out);
    }
    out.push(match facts.undervoltage {
        Some(true) => finding("supply", Some(false), "the board reports undervoltage: a run would stop at once"),
        Some(false) => finding("supply", Some(true), "the board reports no undervoltage"),
        None => finding("supply", None, "this board does not tell about undervoltage"),
    });
    if let Some(c) = facts.soc_c {
        let slow = if facts.throttled == Some(true) { "; slowed down now" } else { "" };
        out.push(finding("temperature", None, format!("{c:.1} °C{slow}")));
    }
    let clock = if synced(root) { "synchronised" } else { "not synchronised: times in the record are only as good as the clock was set" };
    out.push(finding("clock", None, clock));
    out
}

fn converters(root: &Root, build: &Build, out: &mut Vec<Finding>) {
    if build.sense.is_empty() {
        out.push(finding("converters", Some(false), "the build has no sense point: nothing can be measured"));
        return;
    }
    let mut buses = Vec::new();
    for number in build.buses() {
        match BoardBus::open(root, number) {
            Ok(bus) => buses.push((number, bus)),
            Err(error) => out.push(finding("bus", Some(false), format!("{}; {}", error.why, error.todo))),
        }
    }
    let mut devices = Vec::new();
    for at in build.selects() {
        match spi::open(root, at) {
            Ok(device) => devices.push(device),
            Err(error) => out.push(finding("bus", Some(false), format!("{}; {}", error.why, error.todo))),
        }
    }
    let mut converters =
        Converters::new(build, buses, linux_embedded_hal::Delay).with_files(KernelFiles::new(root.clone())).with_spi(devices);
    for (i, point) in build.sense.iter().enumerate() {
        let what = format!("sense {}", point.name);
        out.push(match converters.identify(i) {
            Ok(text) => finding(&what, Some(true), text),
            // the build has the point, so it is its bus that is not there
            Err(NoReading::NotPresent) => {
                let text = "not looked for: its bus is not there; do what is said at “bus” above, then look again";
                finding(&what, Some(false), text)
            }
            Err(reason) => finding(&what, Some(false), format!("{}; check wiring, address and supply of the converter", reason.text())),
        });
    }
}

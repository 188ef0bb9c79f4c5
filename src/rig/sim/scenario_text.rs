//! Faults as the text of a scenario file.

use crate::build::Build;
use crate::fault::{Fault, Line};
use std::fmt::Write;

/// A scenario file with these faults from the start and for good; [`super::scenario::Scenario::parse`] reads it back.
pub fn scenario_text(build: &Build, seed: u64, faults: &[Fault]) -> String {
    let mut out = format!("seed = {seed}\n");
    for fault in faults {
        // writing to a String does not fail
        let _ = write!(out, "[[fault]]\nkind = \"{}\"\n{}", fault.kind(), fields(build, fault));
    }
    out
}

fn fields(build: &Build, fault: &Fault) -> String {
    let feed = |i: usize| format!("feed = \"{}\"\n", build.feeds[i].name);
    let sense = |i: usize| format!("sense = \"{}\"\n", build.sense[i].name);
    let supply = |i: usize| format!("supply = \"{}\"\n", build.supplies[i].name);
    let panel = |port: u8, position: u8| format!("port = {port}\nposition = {position}\n");
    let lines = |[a, b]: [Line; 2]| format!("lines = [\"{}\", \"{}\"]\n", a.word(), b.word());
    match *fault {
        Fault::SupplySet { supply: s, volts } => format!("{}volts = {volts:?}\n", supply(s)),
        Fault::SupplySoft { supply: s, milliohm } => format!("{}milliohm = {milliohm:?}\n", supply(s)),
        Fault::SupplyLimit { supply: s, amps } => format!("{}amps = {amps:?}\n", supply(s)),
        Fault::JointFeed { feed: f, milliohm } => format!("{}milliohm = {milliohm:?}\n", feed(f)),
        Fault::JointInput { supply: s, milliohm } => format!("input = \"{}\"\nmilliohm = {milliohm:?}\n", build.supplies[s].name),
        Fault::FuseOpen { feed: f } | Fault::ReturnOpen { feed: f } => feed(f),
        Fault::Leak { feed: f, amps } => format!("{}amps = {amps:?}\n", feed(f)),
        Fault::PanelDark { port, position } => panel(port, position),
        Fault::PanelWeak { port, position, factor } => format!("{}factor = {factor:?}\n", panel(port, position)),
        Fault::PanelTurned { port, position, degrees } => format!("{}degrees = {degrees}\n", panel(port, position)),
        Fault::PortSwap { ports } => format!("ports = {ports:?}\n"),
        Fault::OrderSwap { port, positions } => format!("port = {port}\npositions = {positions:?}\n"),
        Fault::RibbonOpen { port, after } => format!("port = {port}\nafter = {after}\n"),
        Fault::LineOpen { port, line, after } => format!("port = {port}\nline = \"{}\"\nafter = {after}\n", line.word()),
        Fault::LinesSwapped { port, lines: l, after } | Fault::LinesShorted { port, lines: l, after } => {
            format!("port = {port}\n{}after = {after}\n", lines(l))
        }
        Fault::AddressStuck { line, high } => format!("line = \"{}\"\nhigh = {high}\n", line.word()),
        Fault::DriverDead { port, position, colour, half, block } => {
            format!("{}colour = \"{}\"\nhalf = \"{}\"\nblock = {block}\n", panel(port, position), colour.word(), half.word())
        }
        Fault::ColumnDead { port, position, colour, half, column } => {
            format!("{}colour = \"{}\"\nhalf = \"{}\"\ncolumn = {column}\n", panel(port, position), colour.word(), half.word())
        }
        Fault::RowDead { port, position, row } => format!("{}row = {row}\n", panel(port, position)),
        Fault::ConverterSilent { sense: s } | Fault::ConverterStuck { sense: s } => sense(s),
        Fault::ConverterOffset { sense: s, millivolt } => format!("{}millivolt = {millivolt:?}\n", sense(s)),
        Fault::DividerOff { sense: s, percent } => format!("{}percent = {percent:?}\n", sense(s)),
    }
}

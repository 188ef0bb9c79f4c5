//! What a run of this plan can and cannot prove, for every kind and place of fault at the smallest magnitude that a bench sees: the
//! pattern that a sound sign would give, and how far each fault would stand out of it.

use super::dictionary::{Hypothesis, dictionary, place_of};
use super::foreseen::{Foreseen, foreseen};
use super::pattern::{Metric, Pattern, planned};
use super::universe::places;
use super::{Coverage, Proof};
use crate::build::{Build, Quantity};
use crate::check::{Place, PointUncertainty};
use crate::event::Stage;
use crate::fault::Fault;
use crate::plan::Plan;
use std::collections::BTreeSet;

/// Coverage of every fault kind at every place.
pub fn coverage(build: &Build, plan: &Plan, instruments: &[PointUncertainty]) -> Vec<Coverage> {
    let pattern = planned(build, plan, instruments);
    let hypotheses = dictionary(build, plan, &pattern, true);
    let metric = Metric::new(&pattern, &vec![1.0; pattern.rows.len()], &[]);
    let mut told: BTreeSet<(String, Place)> = BTreeSet::new();
    let mut out = Vec::new();
    for kind in Fault::KINDS {
        for fault in places(build, kind) {
            let place = match fault {
                // rows and columns are told by panel: all of one are alike
                Fault::ColumnDead { port, position, .. } | Fault::RowDead { port, position, .. } => {
                    Place { port: Some(port), position: Some(position), ..Place::default() }
                }
                _ => place_of(build, &fault),
            };
            if told.insert((kind.to_owned(), place.clone())) {
                let (proof, reason) = proof(build, plan, &fault, &pattern, metric.as_ref(), &hypotheses);
                out.push(Coverage { kind: kind.to_owned(), place, proof, reason });
            }
        }
    }
    out
}

fn proof(
    build: &Build,
    plan: &Plan,
    fault: &Fault,
    pattern: &Pattern,
    metric: Option<&Metric>,
    hypotheses: &[Hypothesis],
) -> (Proof, String) {
    let planned = |stage: Stage| plan.steps.iter().any(|s| s.stage == stage);
    let seen =
        |supply: usize| (0..build.sense.len()).any(|p| build.sense[p].quantity == Quantity::Volts && build.supply_of(p) == Some(supply));
    let measured_if = |yes: bool, why: &str, otherwise: (Proof, &str)| {
        if yes { (Proof::Measured, why.to_owned()) } else { (otherwise.0, otherwise.1.to_owned()) }
    };
    match *fault {
        Fault::PanelTurned { .. } => (Proof::Witness, "volts do not tell which way up a panel is".to_owned()),
        Fault::AddressStuck { .. } => (Proof::Witness, "the same current flows in other rows".to_owned()),
        Fault::RowDead { .. } => (Proof::Witness, "a row's share of the current is too small to know".to_owned()),
        Fault::ColumnDead { .. } => (Proof::Witness, "a column's share of the current is too small to know".to_owned()),
        Fault::ConverterSilent { .. } | Fault::ConverterStuck { .. } => (Proof::Measured, "its own readings tell".to_owned()),
        Fault::SupplySet { supply, .. } => {
            measured_if(seen(supply), "the level with nothing lit, against its window", (Proof::NotProven, "no volts point at this supply"))
        }
        Fault::SupplyLimit { supply, .. } => measured_if(
            seen(supply) && planned(Stage::Climb),
            "the climb trips; proven up to the permitted level, not beyond",
            (Proof::NotProven, "no volts point at this supply, or no climb"),
        ),
        _ => evidence(build, fault, pattern, metric, hypotheses),
    }
}

/// Size of a fault in the unit of its hypothesis' slope.
fn magnitude(fault: &Fault) -> f64 {
    match *fault {
        Fault::JointFeed { milliohm, .. } | Fault::JointInput { milliohm, .. } | Fault::SupplySoft { milliohm, .. } => milliohm / 1e3,
        Fault::ConverterOffset { millivolt, .. } => millivolt / 1e3,
        Fault::DividerOff { percent, .. } => percent / 100.0,
        Fault::PanelWeak { factor, .. } => 1.0 - factor,
        Fault::Leak { amps, .. } => amps,
        // what is left at the end of an open feed is at least this much too low
        Fault::FuseOpen { .. } => 1.2,
        _ => 1.0,
    }
}

fn size_words(fault: &Fault) -> String {
    match *fault {
        Fault::JointFeed { milliohm, .. } | Fault::JointInput { milliohm, .. } | Fault::SupplySoft { milliohm, .. } => {
            format!(" at {milliohm} mΩ")
        }
        Fault::ConverterOffset { millivolt, .. } => format!(" at {millivolt} mV"),
        Fault::DividerOff { percent, .. } => format!(" at {percent} %"),
        Fault::PanelWeak { factor, .. } => format!(" at {:.0} % of its current", factor * 100.0),
        Fault::Leak { amps, .. } => format!(" at {amps} A"),
        _ => String::new(),
    }
}

/// Sizes that such a fault can have; faults without a size have one only.
fn in_range(fault: &Fault, magnitude: f64) -> bool {
    match fault {
        Fault::PanelWeak { .. } => magnitude < 0.85,
        Fault::DividerOff { .. } => magnitude < 0.25,
        Fault::JointFeed { .. }
        | Fault::JointInput { .. }
        | Fault::SupplySoft { .. }
        | Fault::ConverterOffset { .. }
        | Fault::Leak { .. } => true,
        _ => false,
    }
}

fn in_words(fault: &Fault, magnitude: f64) -> String {
    match fault {
        Fault::PanelWeak { .. } => format!("{:.0} % of its current down", (1.0 - magnitude) * 100.0),
        Fault::DividerOff { .. } => format!("{:.0} %", magnitude * 100.0),
        Fault::ConverterOffset { .. } => format!("{:.0} mV", magnitude * 1e3),
        Fault::Leak { .. } => format!("{magnitude:.1} A"),
        _ => format!("{:.0} mΩ", magnitude * 1e3),
    }
}

fn evidence(build: &Build, fault: &Fault, pattern: &Pattern, metric: Option<&Metric>, hypotheses: &[Hypothesis]) -> (Proof, String) {
    let place = place_of(build, fault);
    let hypothesis = hypotheses.iter().find(|h| h.fault.kind() == fault.kind() && place_of(build, &h.fault) == place);
    // what a person in front of the wall would see
    let visible = matches!(
        fault,
        Fault::PanelDark { .. }
            | Fault::RibbonOpen { .. }
            | Fault::LineOpen { .. }
            | Fault::LinesSwapped { .. }
            | Fault::LinesShorted { .. }
            | Fault::DriverDead { .. }
            | Fault::FuseOpen { .. }
            | Fault::PortSwap { .. }
            | Fault::OrderSwap { .. }
    );
    let otherwise = if visible { Proof::Witness } else { Proof::NotProven };
    let (Some(h), Some(metric)) = (hypothesis, metric) else {
        let exchanged = matches!(fault, Fault::PortSwap { .. } | Fault::OrderSwap { .. });
        let why = if exchanged {
            "volts tell where a panel is only where its feed has a sense point of its own and the panels are on several feeds"
        } else {
            "it moves none of what these sense points read"
        };
        return (otherwise, why.to_owned());
    };
    let Foreseen { sure, evens_out, sigmas } = foreseen(pattern, metric, h, magnitude(fault));
    let size = size_words(fault);
    if sure {
        (Proof::Measured, format!("stands out by {sigmas:.0} standard deviations{size}"))
    } else if evens_out {
        (otherwise, "the colours' currents are so near each other that tolerances may even them out".to_owned())
    } else {
        // the smallest size, within ten times the one asked for, that would be found
        let size_of = |k: i32| magnitude(fault) * 1.1_f64.powi(k);
        let larger = (1..25).map(size_of).find(|&m| in_range(fault, m) && foreseen(pattern, metric, h, m).sure);
        let from = larger.map(|m| format!("; proven from {}", in_words(fault, m))).unwrap_or_default();
        (otherwise, format!("stands out by only {sigmas:.1} standard deviations{size}{from}"))
    }
}

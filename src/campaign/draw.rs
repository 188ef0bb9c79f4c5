//! Random faults: kind, place and magnitude, from the ranges that a bench sees.
//!
//! Magnitudes are log-uniform in their range; ranges are judgements of practice (no source).

use crate::build::Build;
use crate::fault::Fault;
use crate::judge::supply_limits;
use rand::Rng;
use rand::rngs::StdRng;

/// Log-uniform between two positive numbers.
fn log_uniform(rng: &mut StdRng, low: f64, high: f64) -> f64 {
    (rng.random_range(low.ln()..high.ln())).exp()
}

/// Either sign.
fn signed(rng: &mut StdRng, x: f64) -> f64 {
    if rng.random_bool(0.5) { x } else { -x }
}

/// The fault with a magnitude drawn from its range.
pub fn magnitude(build: &Build, fault: Fault, rng: &mut StdRng) -> Fault {
    match fault {
        Fault::SupplySet { supply, volts } => {
            let [low, high] = build.supplies[supply].accept_v.map(crate::units::Volts::value);
            let x = log_uniform(rng, 0.01, 0.05);
            Fault::SupplySet { supply, volts: if volts < low { low * (1.0 - x) } else { high * (1.0 + x) } }
        }
        Fault::SupplySoft { supply, .. } => Fault::SupplySoft { supply, milliohm: log_uniform(rng, 10.0, 50.0) },
        Fault::SupplyLimit { supply, .. } => {
            let [low, high] = supply_limits(build, supply);
            Fault::SupplyLimit { supply, amps: log_uniform(rng, low, high) }
        }
        Fault::JointFeed { feed, .. } => Fault::JointFeed { feed, milliohm: log_uniform(rng, 10.0, 100.0) },
        Fault::JointInput { supply, .. } => Fault::JointInput { supply, milliohm: log_uniform(rng, 10.0, 50.0) },
        Fault::Leak { feed, .. } => Fault::Leak { feed, amps: log_uniform(rng, 1.0, 5.0) },
        Fault::PanelWeak { port, position, .. } => Fault::PanelWeak { port, position, factor: 1.0 - log_uniform(rng, 0.25, 0.75) },
        Fault::ConverterOffset { sense, .. } => {
            let x = log_uniform(rng, 100.0, 500.0);
            Fault::ConverterOffset { sense, millivolt: signed(rng, x) }
        }
        Fault::DividerOff { sense, .. } => {
            let x = log_uniform(rng, 3.0, 10.0);
            Fault::DividerOff { sense, percent: signed(rng, x) }
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    #[test]
    fn every_kind_has_places_and_keeps_them_with_its_magnitude() {
        let build = crate::build::load(include_str!("../../config/water-taxi.toml"), "water-taxi.toml").unwrap();
        let mut rng = StdRng::seed_from_u64(1);
        for kind in Fault::KINDS {
            let all = crate::judge::places(&build, kind);
            assert!(!all.is_empty(), "{kind}");
            for fault in all {
                assert_eq!(fault.kind(), kind);
                let drawn = magnitude(&build, fault.clone(), &mut rng);
                assert_eq!(crate::judge::place_of(&build, &drawn), crate::judge::place_of(&build, &fault), "{kind}");
            }
        }
    }
}

//! Copper conductors: resistance and what they may carry.

use crate::build::{Conductor, Lead};
use crate::units::Amps;

/// Temperature coefficient of annealed copper at 20 °C, 1/K (IEC 60028; NBS Handbook 100).
pub const COPPER_PER_K: f64 = 0.00393;
/// Resistivity of annealed copper at 20 °C, Ω mm²/m: 0.15328 Ω g/m² over 8.89 g/cm³ (100 % IACS).
const IACS_OHM_MM2_PER_M: f64 = 0.153_28 / 8.89;

/// IEC 60228:2004 table 3, class 5, plain copper: greatest resistance at 20 °C, Ω/km. These are limits, not
/// computed from the nominal area.
const CLASS_5: [(f64, f64); 9] =
    [(0.5, 39.0), (0.75, 26.0), (1.0, 19.5), (1.5, 13.3), (2.5, 7.98), (4.0, 4.95), (6.0, 3.30), (10.0, 1.91), (16.0, 1.21)];

/// IEC 60204-1 table 6, installation method B1, PVC, 40 °C (from memory).
const B1_AMPS: [(f64, f64); 8] = [(0.75, 8.6), (1.0, 10.3), (1.5, 13.5), (2.5, 18.3), (4.0, 24.0), (6.0, 31.0), (10.0, 44.0), (16.0, 59.0)];

/// Amateur-radio handbook table, wires in a bundle, by AWG.
const BUNDLED_AMPS: [(u8, f64); 7] = [(10, 33.0), (12, 23.0), (14, 17.0), (16, 13.0), (18, 10.0), (20, 7.5), (22, 5.0)];

/// Areas in mm² that the class 5 table knows.
pub fn known_areas() -> impl Iterator<Item = f64> {
    CLASS_5.iter().map(|(area, _)| *area)
}

/// Diameter of a solid wire in mm (ASTM B258).
pub fn awg_diameter_mm(awg: u8) -> f64 {
    0.127 * 92.0_f64.powf((36.0 - f64::from(awg)) / 39.0)
}

/// Ω per metre of one conductor; `None` for an area that the class 5 table does not list.
pub fn ohm_per_m(conductor: Conductor, celsius: f64) -> Option<f64> {
    let at_20 = match conductor {
        Conductor::Mm2(area) => CLASS_5.iter().find(|(a, _)| (a - area).abs() < 1e-9)?.1 / 1000.0,
        Conductor::Awg(n) => {
            let d = awg_diameter_mm(n);
            IACS_OHM_MM2_PER_M / (std::f64::consts::PI * d * d / 4.0)
        }
    };
    Some(at_20 * (1.0 + COPPER_PER_K * (celsius - 20.0)))
}

/// What a lead may carry steadily, and where that comes from; `None` where no table lists it.
pub fn ampacity(lead: &Lead) -> Option<(Amps, &'static str)> {
    if let Some(rated) = lead.rated_a {
        return Some((rated, "rating from its maker"));
    }
    match lead.conductor {
        Conductor::Mm2(area) => B1_AMPS
            .iter()
            .find(|(a, _)| (a - area).abs() < 1e-9)
            .map(|(_, amps)| (Amps::new(*amps), "IEC 60204-1 table 6, method B1, 40 °C (from memory)")),
        Conductor::Awg(n) => BUNDLED_AMPS
            .iter()
            .find(|(a, _)| *a == n)
            .map(|(_, amps)| (Amps::new(*amps), "amateur-radio handbook table, wires in a bundle")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn class_5_is_looked_up() {
        // IEC 60228:2004 table 3
        for (area, ohm_km) in [(0.5, 39.0), (1.5, 13.3), (2.5, 7.98), (6.0, 3.30), (16.0, 1.21)] {
            let got = ohm_per_m(Conductor::Mm2(area), 20.0).unwrap() * 1000.0;
            assert!((got - ohm_km).abs() < 1e-12, "{area}: {got}");
        }
        assert_eq!(ohm_per_m(Conductor::Mm2(2.0), 20.0), None);
    }

    #[test]
    fn awg_follows_astm_b258_and_iacs() {
        // diameters and Ω/km at 20 °C computed from ASTM B258 and 100 % IACS
        for (awg, d, ohm_km) in
            [(10, 2.5882, 3.2772), (16, 1.2908, 13.175), (18, 1.0237, 20.949), (20, 0.8118, 33.310), (24, 0.5106, 84.217)]
        {
            assert!((awg_diameter_mm(awg) - d).abs() < 5e-5, "{awg}");
            let got = ohm_per_m(Conductor::Awg(awg), 20.0).unwrap() * 1000.0;
            assert!((got / ohm_km - 1.0).abs() < 5e-4, "{awg}: {got}");
        }
    }

    #[test]
    fn copper_warms() {
        // IEC 60028: R(75 °C)/R(20 °C) = 1.21615
        let warm = ohm_per_m(Conductor::Mm2(1.0), 75.0).unwrap() / ohm_per_m(Conductor::Mm2(1.0), 20.0).unwrap();
        assert!((warm - 1.216_15).abs() < 1e-5);
    }

    #[test]
    fn a_handbook_drop_is_met() {
        // solar handbook example: 20 m one way, 1 A, 1.3 mm² with 0.01785 Ω mm²/m loses 0.549 V; its resistivity is 3.5 %
        // above IACS, and 16 AWG is 1.3087 mm²
        let drop = 2.0 * 20.0 * ohm_per_m(Conductor::Awg(16), 20.0).unwrap();
        assert!((drop / 0.549 - 1.0).abs() < 0.05, "{drop}");
    }
}

//! Type B uncertainty of a sense point (JCGM 100:2008, 4.3): rectangular limits divided by √3.

use super::{iio, input_ohm, scale};
use crate::build::{Build, Chip, Quantity, SensePoint};
use crate::check::PointUncertainty;

/// Limits of a shunt's resistance, percent: the build states none (assumed, no source).
pub const SHUNT_TOLERANCE_PCT: f64 = 0.5;
/// Limits of the chip's input resistance about its typical value, relative (assumed, no source).
const INPUT_REL: f64 = 0.3;

/// From data-sheet limits and divider tolerance.
///
/// ADS1115: gain 0.15 % max, offset 3 LSB, INL 1 LSB (SBAS444, from memory). INA226: gain 0.1 % max and
/// shunt offset 10 µV max (SBOS547 features), bus offset 7.5 mV max (from memory). ADS101x: gain
/// 0.25 %, offset and INL 1 LSB together. INA219: 0.5 % and one step, shunt offset 200 µV at ±320 mV. INA228: gain 0.05 %, bus offset
/// 2.5 mV, shunt offset 1 µV. MCP3208: gain 5 LSB, offset 3 LSB, INL 1 LSB, and the reference as the build states it (all from memory). A file of the kernel: as the build states.
pub fn point_uncertainty(_build: &Build, point: &SensePoint) -> PointUncertainty {
    let root3 = 3f64.sqrt();
    let k = scale(point).abs();
    let amps = point.quantity == Quantity::Amps;
    let lsb = point.chip.step();
    let (gain, offset_v, lsb_v) = match &point.chip {
        Chip::Ads1115 { part, .. } if part.bits() == 12 => (0.0025, lsb, lsb),
        Chip::Ads1115 { .. } => (0.0015, lsb * 10f64.sqrt(), lsb),
        Chip::Ina219 { .. } if amps => (0.005, 200e-6, 10e-6),
        Chip::Ina219 { .. } => (0.005, lsb, lsb),
        Chip::Ina228 { .. } if amps => (0.0005, 1e-6, 312.5e-9),
        Chip::Ina228 { .. } => (0.0005, 2.5e-3, lsb),
        Chip::Mcp3208 { accuracy_pct, .. } => (accuracy_pct / 100.0 + 5.0 / 4096.0, 10f64.sqrt() * lsb, lsb),
        Chip::Ina226 { .. } if amps => (0.001, 10e-6, 2.5e-6),
        Chip::Ina226 { .. } => (0.001, 7.5e-3, 1.25e-3),
        Chip::Iio { step, accuracy_pct, .. } => (accuracy_pct / 100.0, iio::OFFSET_STEPS * step, *step),
    };
    let mut square = (gain / root3).powi(2);
    if amps && !matches!(point.chip, Chip::Iio { .. }) {
        square += (SHUNT_TOLERANCE_PCT / 100.0 / root3).powi(2);
    } else if let Some(d) = point.divider {
        let (top, bottom) = (d.top.value(), d.bottom.value());
        // k = 1 + top/bottom: each resistor acts with top / (top + bottom).
        let each = top / (top + bottom) * d.tolerance_pct / 100.0 / root3;
        let loading = top * bottom / (top + bottom) / input_ohm(&point.chip) * INPUT_REL / root3;
        square += 2.0 * each * each + loading * loading;
    }
    PointUncertainty { gain_rel: square.sqrt(), offset: offset_v / root3 * k, lsb: lsb_v * k }
}

//! What makes the executor blank at once. Pure.

use crate::build::{Build, Chip, Quantity, SensePoint};
use crate::event::{Stamp, StopCause};
use crate::meter;
use crate::units::{NoReading, Reading};

/// Seconds of silence of one converter after which the wall is blanked.
pub const SILENT_S: f64 = 0.2;
/// A response this many times the expected one, and the margin more, blanks.
pub const RESPONSE_FACTOR: f64 = 3.0;
/// Margin in volts (assumed): several times what bursts of the controller's own draw move through leads of a sound sign.
pub const RESPONSE_MARGIN_V: f64 = 0.1;
/// Margin in amperes (assumed): above the controller's bursts.
pub const RESPONSE_MARGIN_A: f64 = 1.0;

/// Watches the readings of every sense point.
pub(super) struct Interlock {
    trips: Vec<Option<[f64; 2]>>,
    /// Lowest and highest value that each point's converter can show.
    ends: Vec<[f64; 2]>,
    silent_since: Vec<Option<Stamp>>,
}

impl Interlock {
    pub(super) fn new(build: &Build, trips: &[Option<[f64; 2]>]) -> Self {
        Self { trips: trips.to_vec(), ends: build.sense.iter().map(ends).collect(), silent_since: vec![None; trips.len()] }
    }

    pub(super) fn window(&self, point: usize) -> Option<[f64; 2]> {
        self.trips[point]
    }

    /// Judges one reading that was asked for at `asked` and came back at `now`. A volts point beyond its converter's
    /// range is at least at the end of that range: it trips like a reading, where that end is outside the window.
    pub(super) fn reading(&mut self, point: usize, reading: Reading<f64>, asked: Stamp, now: Stamp) -> Result<(), StopCause> {
        let [lowest, highest] = self.ends[point];
        match reading {
            Ok(value) => {
                self.silent_since[point] = None;
                self.volts(point, value)
            }
            Err(reason) => {
                match reason {
                    NoReading::SaturatedHigh => self.volts(point, highest)?,
                    NoReading::SaturatedLow => self.volts(point, lowest)?,
                    _ => {}
                }
                self.silence(point, reason, asked, now)
            }
        }
    }

    fn volts(&self, point: usize, value: f64) -> Result<(), StopCause> {
        match self.trips[point] {
            Some(window) if value < window[0] || value > window[1] => Err(StopCause::Volts { point, value, window }),
            _ => Ok(()),
        }
    }

    fn silence(&mut self, point: usize, reason: NoReading, asked: Stamp, now: Stamp) -> Result<(), StopCause> {
        let since = *self.silent_since[point].get_or_insert(asked);
        let seconds = now.since(since);
        if seconds >= SILENT_S { Err(StopCause::Silent { point, reason, seconds }) } else { Ok(()) }
    }
}

/// Ends of a converter's range at the sense point, by its data sheet: ADS111x ± full scale; INA219, INA226 and INA228 0 to 16, 40.96 and 85 V
/// on their bus inputs; MCP3208 0 to its reference; a file of the kernel by the build.
fn ends(point: &SensePoint) -> [f64; 2] {
    let scale = meter::scale(point);
    match point.chip {
        Chip::Ads1115 { range_v, .. } => [-range_v * scale, range_v * scale],
        Chip::Ina219 { .. } => [0.0, 16.0 * scale],
        Chip::Ina226 { .. } => [0.0, 40.96 * scale],
        Chip::Ina228 { .. } => [0.0, 85.0 * scale],
        Chip::Mcp3208 { reference_v, .. } => [0.0, reference_v * scale],
        Chip::Iio { highest, .. } => [f64::NEG_INFINITY, highest.unwrap_or(f64::INFINITY) * scale],
    }
}

/// Whether a response goes beyond its expected one, in the expected direction, by more than a sound sign or
/// a moderate fault explains.
pub(super) fn response(point: usize, quantity: Quantity, value: f64, expected: f64) -> Result<(), StopCause> {
    let margin = match quantity {
        Quantity::Volts => RESPONSE_MARGIN_V,
        Quantity::Amps => RESPONSE_MARGIN_A,
        Quantity::Celsius => return Ok(()),
    };
    let along = value * expected.signum();
    if along > RESPONSE_FACTOR * expected.abs() + margin { Err(StopCause::Response { point, value, expected }) } else { Ok(()) }
}

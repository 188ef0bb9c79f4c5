//! `signproof calibrate`: a hand meter's reading beside the converter's.

use super::run::{RigName, open_rig};
use super::{Exit, load_build, print};
use crate::calibration::{self, Comparison, MeterAccuracy};
use crate::event::WitnessMode;
use crate::meter::robust::trimmed;
use clap::Args;
use std::path::PathBuf;

/// Arguments of `calibrate`.
#[derive(Args)]
pub struct CalibrateArgs {
    /// The expected-build file.
    build: PathBuf,
    /// What to run on; never chosen by itself.
    #[arg(long, value_name = "sim|board", value_parser = RigName::parse_live)]
    rig: RigName,
    /// Sense point that the meter is held to.
    #[arg(long, value_name = "NAME")]
    point: String,
    /// What the hand meter shows there now, volts.
    #[arg(long, value_name = "VOLTS")]
    meter_v: f64,
    /// The meter's stated accuracy: percent of reading.
    #[arg(long, default_value_t = 0.5, value_name = "PERCENT")]
    accuracy_pct: f64,
    /// … plus this many digits of its last place.
    #[arg(long, default_value_t = 2.0, value_name = "DIGITS")]
    accuracy_digits: f64,
    /// Volts of one digit of its last place.
    #[arg(long, default_value_t = 0.01, value_name = "VOLTS")]
    digit_v: f64,
    /// Forget the earlier comparisons of this point.
    #[arg(long)]
    anew: bool,
    /// Where corrections are kept.
    #[arg(long, value_name = "DIR")]
    state_dir: Option<PathBuf>,
    /// Simulated faults (TOML); sim rig only.
    #[arg(long, value_name = "FILE")]
    scenario: Option<PathBuf>,
    /// Draws part tolerances and noise of the sim rig.
    #[arg(long)]
    seed: Option<u64>,
    #[command(flatten)]
    board: super::board::BoardArgs,
}

/// Readings of the converter beside the meter.
const READINGS: usize = 512;

/// `signproof calibrate`.
pub fn calibrate(args: &CalibrateArgs) -> Result<u8, Exit> {
    let (_, build) = load_build(&args.build)?;
    let Some(point) = build.sense_named(&args.point) else {
        let known: Vec<&str> = build.sense.iter().map(|s| s.name.as_str()).collect();
        return Err(Exit::usage(format!("--point: the build has no sense point `{}`; it has {}", args.point, known.join(", "))));
    };
    let board = super::board::Use { args: &args.board, doing: "calibrate", storage: None };
    let (mut rig, _, _) = open_rig(&args.rig, &build, args.scenario.as_deref(), args.seed, WitnessMode::None, &board)?;
    rig.output.claim().map_err(|e| Exit::error(e.to_string()))?;
    rig.meter.identify(point).map_err(|e| Exit::error(format!("`{}`: {}", args.point, e.text())))?;
    let values: Vec<f64> = (0..READINGS).filter_map(|_| rig.meter.read(point).ok()).collect();
    let at = crate::rig::wall_now();
    rig.output.blank().map_err(|e| Exit::error(e.to_string()))?;
    let e = trimmed(&values, 0.2).filter(|_| values.len() > READINGS / 2);
    let Some(e) = e else { return Err(Exit::error(format!("`{}` gave too few readings; check the converter", args.point))) };
    let accuracy = MeterAccuracy { percent: args.accuracy_pct, digits: args.accuracy_digits, digit_v: args.digit_v };
    let state = super::state_dir(args.state_dir.as_deref())?;
    let mut all = calibration::load(&state, &build, rig.simulated).map_err(Exit::error)?;
    let mut comparisons =
        all.iter().find(|c| c.sense == args.point).map(|c| c.comparisons.clone()).filter(|_| !args.anew).unwrap_or_default();
    comparisons.push(Comparison { at, meter_v: args.meter_v, accuracy, converter_v: e.value, converter_standard_v: e.standard });
    let instrument = crate::meter::point_uncertainty(&build, &build.sense[point]);
    let correction = calibration::correction(&args.point, &comparisons, instrument).map_err(|why| Exit::usage(why.to_string()))?;
    let text = correction.text();
    all.retain(|c| c.sense != args.point);
    all.push(correction);
    let path = calibration::file(&state, &build, rig.simulated);
    let json = serde_json::to_vec_pretty(&all).map_err(|e| Exit::error(format!("writing JSON: {e}")))?;
    crate::journal::write_whole(&path, &json).map_err(|e| Exit::error(format!("{}: {e}", path.display())))?;
    print(&format!("converter {:.4} V, meter {:.3} V; correction {text}\nkept in {}", e.value, args.meter_v, path.display()));
    Ok(0)
}

//! The rig of the real sign: this controller's lines, its converters, its clock and its own state.
//!
//! Threads: `scan` clocks the panels, `guard` watches it, `meter` reads converters; the executor stays on the caller's thread.

mod bank;
mod bus;
mod clock;
mod doctor;
pub mod health;
mod kernel_files;
pub mod lock;
mod meter;
pub mod neighbours;
mod output;
pub mod pins;
mod realtime;
mod root;
mod scan;
pub mod soc;
mod spi;
mod wires;

pub use clock::synced;
pub use doctor::{Finding, doctor};
pub use root::Root;

use super::{Meter, Rig, RigError, Witness};
use crate::build::Build;
use crate::meter::Converters;
use bus::BoardBus;
use meter::ThreadMeter;
use output::BoardOutput;
use pins::PinSet;
use scan::ScanOptions;
use std::time::Duration;

/// After a frame is on the wall, readings begin this much later: the control loop of a 5 V supply of this class recovers from a load
/// step within some milliseconds (common practice, no source).
pub const SETTLE: Duration = Duration::from_millis(20);

/// What a run on the board needs to know.
pub struct BoardOptions {
    /// Where the system's files are.
    pub root: Root,
    /// How lines are written, where the board's default is not wanted.
    pub path: Option<soc::Path>,
    /// Core of the scan thread.
    pub core: Option<usize>,
    /// Replaces [`SETTLE`].
    pub settle: Option<Duration>,
    /// Replaces the guard's limit.
    pub stall: Option<Duration>,
    /// A pause in the dark after each refresh.
    pub rest: Duration,
    /// What the lock says, e.g. `run`.
    pub doing: &'static str,
    /// A directory on the storage that the record goes to.
    pub storage: std::path::PathBuf,
    /// Who looks at the wall.
    pub witness: Box<dyn Witness>,
}

fn board(root: &Root) -> Result<soc::Soc, RigError> {
    soc::identify(root).ok_or_else(|| RigError {
        what: "identifying the controller".to_owned(),
        why: "its device tree names no chip whose lines are known".to_owned(),
        todo: "run on a controller of the BCM283x family or a later one of its line; `--rig sim` needs no hardware".to_owned(),
    })
}

/// Opens everything; drives nothing yet.
///
/// # Errors
/// Where a device is missing or not permitted, or another program is on the lines.
pub fn rig(build: &Build, options: BoardOptions) -> Result<Rig, RigError> {
    let root = &options.root;
    let soc = board(root)?;
    let scan = ScanOptions { stretch: soc.stretch, core: options.core, stall: options.stall, rest: options.rest, root: root.clone() };
    let path = options.path.unwrap_or(soc.path);
    let output = BoardOutput::open(root, PinSet::of(build), path, scan, options.settle.unwrap_or(SETTLE), options.doing)?;
    let meter = converters(build, root)?;
    let health = health::BoardHealth::new(root, options.storage, output.scanner.clone(), output.driven_by.clone());
    Ok(Rig {
        name: "board".to_owned(),
        // a tree of a test is no sign
        simulated: !root.is_system(),
        output: Box::new(output),
        meter,
        clock: Box::new(clock::BoardClock::new(root)),
        health: Box::new(health),
        witness: options.witness,
    })
}

/// The converters alone: for watching the supply while another program has the lines.
///
/// # Errors
/// Where a bus is missing or not permitted.
pub fn converters(build: &Build, root: &Root) -> Result<Box<dyn Meter>, RigError> {
    let buses = build.buses().into_iter().map(|n| Ok((n, BoardBus::open(root, n)?))).collect::<Result<Vec<_>, RigError>>()?;
    let converters = Converters::new(build, buses, linux_embedded_hal::Delay)
        .with_files(kernel_files::KernelFiles::new(root.clone()))
        .with_spi(spi::open_all(root, build)?);
    let meter = ThreadMeter::new(converters, build.sense.len()).map_err(|e| RigError {
        what: "starting the meter thread".to_owned(),
        why: e.to_string(),
        todo: "close other programs".to_owned(),
    })?;
    Ok(Box::new(meter))
}

/// Drives the lines dark: OE high first, then all others low. They stay so.
///
/// # Errors
/// Where another run or program has the lines and `force` is not given; where they cannot be reached.
pub fn blank(root: &Root, set: &PinSet, force: bool) -> Result<(), RigError> {
    let soc = board(root)?;
    let lock = lock::take(root, "blank", set);
    if !force {
        lock.as_ref().map_err(Clone::clone)?;
        let found = neighbours::look(root, Some(set));
        if found.any() {
            return Err(RigError {
                what: "looking for others on the output lines".to_owned(),
                why: found.text(),
                todo: "stop that program, or add --force; nothing was driven".to_owned(),
            });
        }
    }
    output::claim(root, set, soc.path).map(|_| ())
}

//! The executor: set-up, stages, tear-down that always happens, interlock, cancellation. It emits events
//! and decides nothing about the sign.
//!
//! At a trip the lines go dark first and the record follows. The lines are driven dark at the start, between stages,
//! at the end, on an error, at a trip, on cancellation, and when anything in here panics.
//!
//! While a person looks at a picture, or measures a joint, the readings go on and the interlock stays on.

mod exec;
mod find;
mod interlock;
mod show;
#[cfg(test)]
mod tests;

pub use find::{Probe, find};
pub use interlock::{RESPONSE_FACTOR, RESPONSE_MARGIN_A, RESPONSE_MARGIN_V, SILENT_S};
pub use show::show_hold;

use crate::build::{Build, Node, Quantity};
use crate::calibration::Correction;
use crate::event::{Ending, Entry, Event, Stage, WitnessMode};
use crate::journal::Sink;
use crate::plan::{Pictures, Plan};
use crate::rig::{Output, Rig};
use exec::{Executor, Halt, journal_broke};
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};

/// Where a run is, for a display.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Progress<'a> {
    /// Stage.
    pub stage: Stage,
    /// Number of the step in the plan.
    pub step: u32,
    /// Steps of the plan.
    pub steps: u32,
    /// Step in words.
    pub title: &'a str,
    /// Last reading of the volts point nearest a supply.
    pub volts: Option<f64>,
    /// Share of the planned time done, 0 to 1.
    pub done: f64,
}

/// Runs a plan and returns how it ended; the same stands in the journal as far as that could be written. `started` is the
/// run's first event, and the corrections that the rig's meter applies follow it. `cancelled` is asked before every reading and says who cancels, e.g. `SIGINT`. The wall is dark when
/// this returns, or the ending says that it could not be made so.
///
/// # Panics
/// Passes on a panic of any collaborator, after the wall was blanked and the end recorded.
#[expect(clippy::too_many_arguments, reason = "each is one collaborator; a struct would only move the list")]
pub fn run(
    build: &Build,
    plan: &Plan,
    started: Event,
    corrections: &[Correction],
    rig: &mut Rig,
    pictures: &mut dyn Pictures,
    sink: &mut dyn Sink,
    cancelled: &dyn Fn() -> Option<String>,
    observer: &mut dyn FnMut(&Progress<'_>),
) -> Ending {
    let witness = if let Event::RunStarted { witness, .. } = &started { *witness } else { WitnessMode::None };
    let mut seq = 0;
    let result = catch_unwind(AssertUnwindSafe(|| {
        let mut executor = Executor::new(build, &plan.trips, corrections, rig, pictures, sink, cancelled, &mut seq);
        match executor.plan(plan, started, corrections, witness, observer) {
            // the lines went dark at the trip
            Err(Halt::Stop(cause)) => executor.after_trip(&cause).and(Err(Halt::Stop(cause))),
            other => other,
        }
    }));
    // tear-down: whatever happened above, the lines go dark before anything else is said
    let dark = blank(rig.output.as_mut());
    let ending = match (result, dark) {
        (Err(panic), dark) => {
            let dark = dark.map_or_else(|why| format!("; {}", not_dark(&why)), |()| String::new());
            let ending = Ending::Broken { message: format!("a bug in the tool: {}{dark}", panic_text(panic.as_ref())) };
            // the panic may have come from the clock or the sink: a second one must not hide the first
            let _ = catch_unwind(AssertUnwindSafe(|| end(rig, sink, seq, &ending)));
            resume_unwind(panic);
        }
        (Ok(_), Err(why)) => Ending::Broken { message: not_dark(&why) },
        (Ok(Ok(())), Ok(())) => Ending::Completed,
        (Ok(Err(halt)), Ok(())) => halt.ending(),
    };
    match end(rig, sink, seq, &ending) {
        Ok(()) => ending,
        // an earlier failure is the first cause: keep its words
        Err(_) if matches!(ending, Ending::Broken { .. }) => ending,
        Err(error) => Ending::Broken { message: journal_broke(&error) },
    }
}

impl Halt {
    fn ending(self) -> Ending {
        match self {
            Self::Stop(cause) => Ending::Stopped(cause),
            Self::Broken(message) => Ending::Broken { message },
        }
    }
}

fn not_dark(why: &str) -> String {
    format!("the lines could not be driven dark, switch the supply off: {why}")
}

fn end(rig: &Rig, sink: &mut dyn Sink, seq: u64, ending: &Ending) -> std::io::Result<()> {
    sink.record(&Entry { seq, at: rig.clock.now(), event: Event::RunEnded { ending: ending.clone() } })
}

/// Blanks; a panic in the rig's own code counts as a failure.
fn blank(output: &mut dyn Output) -> Result<(), String> {
    match catch_unwind(AssertUnwindSafe(|| output.blank())) {
        Ok(done) => done.map_err(|e| e.to_string()),
        Err(panic) => Err(panic_text(panic.as_ref())),
    }
}

fn panic_text(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|s| (*s).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "no message".into())
}

/// The volts point nearest a supply: for progress.
fn supply_point(build: &Build) -> Option<usize> {
    let volts = |i: &usize| build.sense[*i].quantity == Quantity::Volts;
    let rank = |i: &usize| match build.sense[*i].node {
        Node::Supply(_) => 0,
        Node::Distribution(_) => 1,
        _ => 2,
    };
    (0..build.sense.len()).filter(volts).min_by_key(rank)
}

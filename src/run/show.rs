//! One frame held with the interlock on, for tracing with a meter. Keeps no journal.

use super::exec::{Executor, Halt};
use super::{blank, not_dark};
use crate::build::Build;
use crate::event::{Ending, Entry};
use crate::frame::FrameSpec;
use crate::journal::Sink;
use crate::plan::{Pictures, Plan};
use crate::rig::Rig;
use crate::units::Reading;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::time::Duration;

/// Time between rounds of readings.
const INTERVAL: Duration = Duration::from_millis(20);
/// Seconds between lines for the reader.
const LINE_S: f64 = 0.5;

pub(super) struct Nowhere;

impl Sink for Nowhere {
    fn record(&mut self, _: &Entry) -> std::io::Result<()> {
        Ok(())
    }
}

/// Shows one frame until cancelled or for `for_s` seconds, with the interlock on; readings every half second go to
/// `reader` with the seconds so far. The supply is read once before anything is lit. The caller bounds the duty (thousandths),
/// see [`crate::plan::safe_duty`]. The wall is dark when this returns, or the ending says that it could not be made so.
///
/// # Panics
/// Passes on a panic of any collaborator, after the wall was blanked.
#[expect(clippy::too_many_arguments, reason = "each is one collaborator; a struct would only move the list")]
pub fn show_hold(
    build: &Build,
    plan: &Plan,
    frame: FrameSpec,
    duty: u16,
    for_s: Option<f64>,
    rig: &mut Rig,
    pictures: &mut dyn Pictures,
    cancelled: &dyn Fn() -> Option<String>,
    reader: &mut dyn FnMut(f64, &[Reading<f64>]),
) -> Ending {
    let (mut seq, mut nowhere) = (0, Nowhere);
    let result = catch_unwind(AssertUnwindSafe(|| {
        let mut executor = Executor::new(build, &plan.trips, &[], rig, pictures, &mut nowhere, cancelled, &mut seq);
        hold(&mut executor, frame, duty, for_s, reader)
    }));
    let dark = blank(rig.output.as_mut());
    match (result, dark) {
        (Err(panic), _) => resume_unwind(panic),
        (Ok(_), Err(why)) => Ending::Broken { message: not_dark(&why) },
        (Ok(Ok(())), Ok(())) => Ending::Completed,
        (Ok(Err(halt)), Ok(())) => halt.ending(),
    }
}

fn hold(
    executor: &mut Executor<'_>,
    frame: FrameSpec,
    duty: u16,
    for_s: Option<f64>,
    reader: &mut dyn FnMut(f64, &[Reading<f64>]),
) -> Result<(), Halt> {
    executor.claim()?;
    if !executor.identify()?.iter().any(Result::is_ok) {
        return Err(Halt::Broken("no converter answers at any sense point: without one the interlock is blind, so nothing is lit".into()));
    }
    executor.round(None)?;
    executor.light(frame, duty)?;
    let start = executor.rig.clock.now();
    let mut next = 0.0;
    loop {
        executor.health()?;
        executor.round(None)?;
        let seconds = executor.rig.clock.now().since(start);
        if seconds >= next {
            reader(seconds, executor.latest());
            next += LINE_S;
        }
        if for_s.is_some_and(|limit| seconds >= limit) {
            return Ok(());
        }
        executor.rig.clock.sleep(INTERVAL);
    }
}

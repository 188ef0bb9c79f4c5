//! One mark after another, alone, with the interlock on, and the question where it appears. Keeps no journal.

use super::exec::{Executor, Halt};
use super::show::Nowhere;
use super::{blank, not_dark};
use crate::build::Build;
use crate::event::{Ending, Question, Whereabouts};
use crate::frame::{Frame, FrameSpec};
use crate::plan::{Pictures, Plan, WINDOW_S};
use crate::rig::Rig;
use crate::scan::ScanProgram;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::Arc;
use std::time::Duration;

/// A mark to light.
#[derive(Clone, Debug, PartialEq)]
pub struct Probe {
    /// Port.
    pub port: u8,
    /// Position.
    pub position: u8,
    /// What lights it, at a duty bounded by the caller.
    pub program: Arc<ScanProgram>,
    /// What the panel shows, arrow up.
    pub mark: Frame,
}

/// Lights what `next` gives until it gives nothing more; `next` is handed the last answer. The supply is read before anything is lit and after every answer. The wall is dark
/// when this returns, or the ending says that it could not be made so.
///
/// # Panics
/// Passes on a panic of any collaborator, after the wall was blanked.
pub fn find(
    build: &Build,
    plan: &Plan,
    rig: &mut Rig,
    pictures: &mut dyn Pictures,
    cancelled: &dyn Fn() -> Option<String>,
    next: &mut dyn FnMut(Option<Whereabouts>) -> Option<Probe>,
) -> Ending {
    let (mut seq, mut nowhere) = (0, Nowhere);
    let result = catch_unwind(AssertUnwindSafe(|| {
        let mut executor = Executor::new(build, &plan.trips, &[], rig, pictures, &mut nowhere, cancelled, &mut seq);
        ask_each(build, &mut executor, next)
    }));
    let dark = blank(rig.output.as_mut());
    match (result, dark) {
        (Err(panic), _) => resume_unwind(panic),
        (Ok(_), Err(why)) => Ending::Broken { message: not_dark(&why) },
        (Ok(Ok(())), Ok(())) => Ending::Completed,
        (Ok(Err(halt)), Ok(())) => halt.ending(),
    }
}

fn ask_each(build: &Build, executor: &mut Executor<'_>, next: &mut dyn FnMut(Option<Whereabouts>) -> Option<Probe>) -> Result<(), Halt> {
    executor.claim()?;
    if !executor.identify()?.iter().any(Result::is_ok) {
        return Err(Halt::Broken("no converter answers at any sense point: without one the interlock is blind, so nothing is lit".into()));
    }
    let window = Duration::from_secs_f64(WINDOW_S);
    let mut seen = None;
    while let Some(Probe { port, position, program, mark }) = next(seen) {
        executor.health()?;
        executor.round(None)?;
        let frame = FrameSpec::MarkOf { port, position };
        executor.rig.output.show(&program)?;
        executor.rig.clock.sleep(window);
        executor.round(None)?;
        let text = format!("One panel should show {port}.{position} and an arrow. At which place, and where does its arrow point?");
        let question = Question { frame, text };
        seen = Some(executor.ask_person(|person, idle| person.where_is(build, &question, &mark, idle))?);
        executor.round(None)?;
        executor.rig.output.blank()?;
        executor.rig.clock.sleep(window);
    }
    Ok(())
}

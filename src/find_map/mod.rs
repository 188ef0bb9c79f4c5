//! Which port and position lights which place of the wall, and which way up: found by lighting each mark alone and
//! asking where it appears. For a wall that nobody knows, or one where things are in the wrong place.

mod advice;
mod file;
mod search;

pub use advice::advice;
pub use file::{Written, write};
pub use search::{Found, Search, Seat};

use crate::build::Build;
use crate::commission::{self, Album};
use crate::event::{Ending, Selection, WitnessMode};
use crate::frame::FrameSpec;
use crate::plan::{self, Pictures};
use crate::rig::Rig;
use crate::run::{self, Probe};

/// Duty of a mark, thousandths, where the permitted level allows it.
const MARK_DUTY: u16 = 300;

/// Lights each mark, asks the rig's witness, and gives what was found, or each reason why the map is not complete.
///
/// # Errors
/// How the run ended, where it did not come to its end.
pub fn find(build: &Build, rig: &mut Rig, cancelled: &dyn Fn() -> Option<String>) -> Result<Result<Found, Vec<String>>, Ending> {
    let mut search = match Search::new(build) {
        Ok(search) => search,
        Err(why) => return Ok(Err(vec![why])),
    };
    let plan = commission::plan(build, &Selection::default(), WitnessMode::None);
    let probe = search.probe().clone();
    let mut album = Album::new(&probe);
    let duty = |port: u8, position: u8| {
        let frame = FrameSpec::MarkOf { port, position };
        let lit = Album::new(&probe).lit(&frame, 1000);
        plan::safe_duty(&probe, &lit, plan.level_permitted, MARK_DUTY)
    };
    let ending = run::find(build, &plan, rig, &mut album, cancelled, &mut |seen| {
        if let Some(seen) = seen {
            search.answer(seen);
        }
        let (port, position) = search.next()?;
        Some(Probe { port, position, duty: duty(port, position), mark: search.mark(port, position) })
    });
    if ending == Ending::Completed { Ok(search.found()) } else { Err(ending) }
}

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
use crate::frame::{Frame, FrameSpec};
use crate::plan;
use crate::rig::Rig;
use crate::run::{self, Probe};
use crate::scan;
use std::sync::Arc;

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
    let probe = search.probe();
    let ending = run::find(build, &plan, rig, &mut Album::new(build), cancelled, &mut |seen| {
        if let Some(seen) = seen {
            search.answer(seen);
        }
        let (port, position) = search.next()?;
        let mark = search.mark(port, position);
        // as if every panel showed it: latch gaps, which take a little, are left out
        let lit = vec![share(&mark); probe.panels.len()];
        let duty = plan::safe_duty(&probe, &lit, plan.level_permitted, MARK_DUTY);
        let frame = FrameSpec::MarkOf { port, position };
        let program = Arc::new(scan::compile(&probe, &frame.draw(&probe), duty));
        Some(Probe { port, position, program, mark })
    });
    if ending == Ending::Completed { Ok(search.found()) } else { Err(ending) }
}

/// Lit share of each colour.
fn share(mark: &Frame) -> [f64; 3] {
    let count = |colour: u8| mark.pixels().iter().filter(|bits| **bits >> colour & 1 == 1).count();
    [0, 1, 2].map(|colour| count(colour) as f64 / mark.pixels().len().max(1) as f64)
}

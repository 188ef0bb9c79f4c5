//! The wall as pictures: one home of every drawing of a sign, for report, bench sheet and page.

mod bench;
mod geometry;
mod lit;
mod marked;
mod text;

pub use bench::{Scale, bench, feed_swatch};
pub use geometry::{Link, Placed, RIBBON_SUPPLIED_M, View, links, placed, places};
pub use lit::{drawable, lit, lit_panel};
pub use marked::{Found, Mark, wall};
pub use text::escape;

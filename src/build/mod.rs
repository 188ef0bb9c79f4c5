//! The expected-build file: raw TOML → checked [`Build`], all problems at once.

mod load;
mod model;
mod problem;
mod schema;
mod walk;

pub use load::{MAX_BYTES, MAX_CHAIN, MAX_SENSE, load, read_source};
pub use model::*;
pub use problem::{Problem, Problems};
pub use schema::json_schema;

/// Areas in mm² of the IEC 60228 class 5 table.
pub const CLASS_5_MM2: [f64; 9] = [0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0];

/// Size of a panel's footprint on the wall, in pixels.
pub fn footprint(build: &Build, panel: usize) -> [u16; 2] {
    let t = build.panel_type(panel);
    match build.panels[panel].up {
        Up::Up | Up::Down => [t.width, t.height],
        Up::Left | Up::Right => [t.height, t.width],
    }
}

//! Conductors, fuses, the DC network and its solver, worst cases, and the paper checks over them.

pub mod conductor;
mod desk;
pub mod fuse;
mod level;
pub mod linear;
pub mod network;
mod pins;

pub use desk::{DeskCheck, DeskReport, Verdict, desk};
pub use level::{Permitted, feed_amps, permitted, permitted_with};
pub use pins::{PinRow, Pins, pins};

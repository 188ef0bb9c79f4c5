//! The expected-build file: raw serde → checked [`Build`].

mod model;

pub use model::*;

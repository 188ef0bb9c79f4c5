//! The daemon in the sign: first power-up by itself, a page for the phone, a watch on the supply.

pub mod config;
pub mod events;
pub mod memory;
pub mod watch;

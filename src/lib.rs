//! signproof proves that a small LED-matrix sign was built as intended and is still as good as the
//! day it was accepted.
//!
//! Data flows one way:
//!
//! ```text
//! build file -> build -> power::desk (paper checks)
//!                 \-> plan -> run  <->  rig (board | sim)
//!                              |            ^ frame -> scan
//!                              v
//!                           event -> journal -> judge -> report -> files
//!                                                  cli: a thin shell around the same calls
//! ```
//!
//! A module uses only those to its left in that flow, plus [`units`], [`check`], [`fault`] and [`event`].

pub mod advice;
pub mod baseline;
pub mod build;
pub mod calibration;
pub mod campaign;
pub mod check;
pub mod checklist;
pub mod cli;
pub mod commission;
pub mod drawing;
pub mod drift;
pub mod event;
pub mod fault;
pub mod find_map;
pub mod frame;
pub mod journal;
pub mod judge;
pub mod meter;
pub mod plan;
pub mod power;
pub mod report;
pub mod rig;
pub mod run;
pub mod scan;
pub mod service;
pub mod sheet;
pub mod ticket;
pub mod units;
pub mod wall;

//! Build → ordered stages and steps. Pure: planning touches nothing.

use crate::event::Stage;
use crate::frame::FrameSpec;
use serde::Serialize;

/// What a step does while its frame is chosen.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// Identify chips and read the board, then take a steady window with the lines dark (nothing clocked).
    Open,
    /// Show the frame and take one steady window.
    Steady,
    /// Black, frame, black, frame … black: `cycles` lit windows between `cycles + 1` references.
    Bracket {
        /// Lit windows.
        cycles: u32,
    },
    /// Show the frame and ask the witness.
    Ask {
        /// The question.
        text: String,
    },
    /// Show the frame for `seconds` and take a reading of each point every `interval_s`.
    Hold {
        /// How long.
        seconds: f64,
        /// Time between readings.
        interval_s: f64,
    },
}

/// Show one frame and take readings, or ask.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Step {
    /// Number in the plan, from 0.
    pub number: u32,
    /// Stage it belongs to.
    pub stage: Stage,
    /// In words, e.g. `port 1 position 2 red upper`.
    pub title: String,
    /// What is lit.
    pub frame: FrameSpec,
    /// OE duty in thousandths.
    pub duty: u16,
    /// What is done.
    pub action: Action,
    /// Readings of each point in one window.
    pub samples: u32,
    /// Expected value per sense point: the level of steady windows, the response (lit minus reference)
    /// of brackets. `None` for points that say nothing here.
    pub expected: Vec<Option<f64>>,
    /// Nominal seconds.
    pub seconds: f64,
}

/// A whole run, ordered.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Plan {
    /// Steps in running order.
    pub steps: Vec<Step>,
    /// Highest lit fraction of white allowed, 0 to 1.
    pub level_permitted: f64,
    /// What binds it, in words; empty where full white is allowed.
    pub level_binds: String,
    /// Trip window per sense point (volts points only).
    pub trips: Vec<Option<[f64; 2]>>,
    /// Nominal seconds of the whole run.
    pub seconds: f64,
}

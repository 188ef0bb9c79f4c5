//! What a run measured, as quantities that can be set beside those of another run: comparison of two
//! runs and trend over many. Pure.

mod compare;
mod paths;
mod quantities;
mod stats;
mod trend;
mod words;

pub use compare::{Comparison, Mismatch, Row, RowResult, Side, Statement, compare};
pub use quantities::{ClimbLine, FeedFacts, Kind, Numbers, Quantity, WIRE_C, numbers};
pub use stats::{Welch, two_sided_factor, welch};
pub use trend::{Bounds, Trend, TrendLine, trend};

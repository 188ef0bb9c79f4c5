//! One judged limit and its place: shared by the paper checks and the judge.

use serde::{Deserialize, Serialize};

/// A place in the sign; only what applies is given.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "the fields are the words of the design: port, position and so on")]
pub struct Place {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub port: Option<u8>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<u8>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub colour: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub half: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supply: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feed: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sense: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub row: Option<u16>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub column: Option<u16>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub block: Option<u16>,
}

/// Result of one check.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CheckResult {
    /// Inside the limits by the guard band.
    Pass,
    /// Outside by it.
    Fail,
    /// Between.
    Marginal,
    /// Not measured, not witnessed, or not run.
    NotProven,
}

/// Limits of a check; an absent edge is open.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Limit {
    /// Lowest accepted.
    pub low: Option<f64>,
    /// Highest accepted.
    pub high: Option<f64>,
}

/// One judged limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Check {
    /// Stable id, e.g. `sweep/cell/1-2-red-upper`.
    pub id: String,
    /// In plain words.
    pub title: String,
    /// Where.
    #[serde(rename = "where")]
    pub place: Place,
    /// Measured value; `null` where there is none.
    pub value: Option<f64>,
    /// Unit of value and limit; empty for yes/no checks.
    pub unit: String,
    /// Limits.
    pub limit: Limit,
    /// Expanded uncertainty of the value (coverage stated in `basis`); `null` where none applies.
    pub expanded_uncertainty: Option<f64>,
    /// Result.
    pub result: CheckResult,
    /// Where the limit comes from, and anything that explains the result.
    pub basis: String,
}

/// Type-B standard uncertainties of a sense point: what the instrument is known to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct PointUncertainty {
    /// Of the gain, relative.
    pub gain_rel: f64,
    /// Of the offset, in the point's unit.
    pub offset: f64,
    /// One step of the converter, in the point's unit.
    pub lsb: f64,
}

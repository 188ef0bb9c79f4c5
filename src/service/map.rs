//! The map as found on the wall, kept until another is found.

use super::live::Shared;
use crate::build::Build;
use crate::find_map::{self, Found};
use crate::{drawing, journal};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A panel as found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SeatView {
    /// Port.
    pub port: u8,
    /// Position, 1 nearest the port.
    pub position: usize,
    /// Number of its place on the wall.
    pub place: usize,
    /// Where its arrow points.
    pub up: String,
}

/// What a search came to.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FoundMap {
    /// Digest of the build whose places and feeds it is about.
    pub build_digest: String,
    /// When it was found, RFC 3339 in UTC.
    pub found: String,
    /// True where no real sign was looked at.
    pub simulated: bool,
    /// Why there is no complete map; empty where there is one.
    pub wrong: Vec<String>,
    /// Every panel.
    pub seats: Vec<SeatView>,
    /// What to do; empty where the wall is connected as the build file says.
    pub advice: Vec<String>,
    /// What changes in the build file, as a unified diff.
    pub diff: String,
    /// The build file with the chains as found; empty where nothing changes.
    pub build_file: String,
}

/// Where there is no complete map.
pub fn without(shared: &Shared, wrong: Vec<String>) -> FoundMap {
    FoundMap {
        build_digest: shared.loaded().digest.clone(),
        found: crate::rig::wall_now(),
        simulated: shared.simulated,
        wrong,
        ..FoundMap::default()
    }
}

/// What was found, with the corrected build file where it differs.
pub fn of(shared: &Shared, build: &Build, source: &str, found: &Found) -> FoundMap {
    let places = drawing::places(build);
    let place = |panel: usize| places.iter().position(|p| *p == panel).map_or(0, |k| k + 1);
    let mut out = without(shared, vec![]);
    for (&port, chain) in found {
        let seat = |(i, seat): (usize, &find_map::Seat)| SeatView {
            port,
            position: i + 1,
            place: place(seat.panel),
            up: seat.up.word().to_owned(),
        };
        out.seats.extend(chain.iter().enumerate().map(seat));
    }
    out.advice = find_map::advice(build, found);
    if !out.advice.is_empty() {
        let simulated = if out.simulated { "SIMULATED: no real sign was looked at; " } else { "" };
        match find_map::write(source, build, found, &format!("{simulated}{}", out.found)) {
            Ok(written) => (out.build_file, out.diff) = (written.text, written.diff),
            Err(why) => out.wrong.push(why),
        }
    }
    out
}

/// Keeps it, here and in its file.
pub fn keep(shared: &Shared, map: FoundMap) {
    let text = serde_json::to_string_pretty(&map).unwrap_or_default();
    if let Err(error) = journal::write_whole(&shared.map_file(), text.as_bytes()) {
        tracing::warn!(%error, "the map that was found cannot be kept beyond this boot");
    }
    shared.live().map = Some(map);
}

/// The map of an earlier boot, of this build.
pub fn load(shared: &Shared, digest: &str) -> Option<FoundMap> {
    let map: FoundMap = serde_json::from_slice(&std::fs::read(shared.map_file()).ok()?).ok()?;
    (map.build_digest == digest && map.simulated == shared.simulated).then_some(map)
}

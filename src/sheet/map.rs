//! The neutral panel map: what is connected where, for typing into whatever plays content on the sign.

use crate::build::{Build, RowScheme};
use crate::drawing;
use serde::Serialize;

/// One panel.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct MapRow {
    /// Port of the adapter.
    pub port: u8,
    /// Position in its chain, 1 nearest the port.
    pub position: u8,
    /// Number of its place, in reading order of the front view.
    pub place: usize,
    /// Left edge on the wall in pixels, front view.
    pub x: u16,
    /// Top edge.
    pub y: u16,
    /// Pixels, arrow up.
    pub width: u16,
    /// Pixels, arrow up.
    pub height: u16,
    /// Clockwise turn seen from the front, degrees.
    pub rotation: u16,
    /// Row scheme, e.g. `1:16`; folded ones say how.
    pub scan: String,
    /// Feed.
    pub feed: String,
    /// Panel type.
    #[serde(rename = "type")]
    pub kind: String,
    /// Serial number; empty where not known.
    pub serial: String,
}

fn scan_words(scheme: &RowScheme) -> String {
    let mut out = format!("1:{}", scheme.addresses);
    if scheme.fold > 1 {
        let order: Vec<String> =
            scheme.order.iter().map(|r| format!("{}{}", r.segment, if r.mirrored { " mirrored" } else { "" })).collect();
        out.push_str(&format!(", fold {}, block {}, segments {}", scheme.fold, scheme.block, order.join("/")));
    }
    out
}

/// The map, chain after chain.
pub fn map(build: &Build) -> Vec<MapRow> {
    let places = drawing::places(build);
    build
        .panels
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let t = build.panel_type(i);
            MapRow {
                port: p.port,
                position: p.position,
                place: places.iter().position(|&k| k == i).map_or(0, |k| k + 1),
                x: p.at[0],
                y: p.at[1],
                width: t.width,
                height: t.height,
                rotation: p.up.degrees(),
                scan: scan_words(&t.scheme),
                feed: build.feeds[p.feed].name.clone(),
                kind: t.name.clone(),
                serial: p.serial.clone().unwrap_or_default(),
            }
        })
        .collect()
}

/// A field of RFC 4180: quoted where it holds a comma, a quote or a line end.
fn field(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}

/// Comma-separated values with a header line (RFC 4180, line ends LF).
pub fn csv(rows: &[MapRow]) -> String {
    let mut out = "port,position,place,x,y,width,height,rotation,scan,feed,type,serial\n".to_owned();
    for r in rows {
        let numbers =
            [r.port.into(), r.position.into(), r.place, r.x.into(), r.y.into(), r.width.into(), r.height.into(), r.rotation.into()];
        let numbers: Vec<String> = numbers.iter().map(usize::to_string).collect();
        let words = [&r.scan, &r.feed, &r.kind, &r.serial].map(|w| field(w));
        out.push_str(&format!("{},{}\n", numbers.join(","), words.join(",")));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_quoted_as_rfc_4180_says() {
        // RFC 4180, 2, rules 6 and 7
        assert_eq!(field("a,b"), "\"a,b\"");
        assert_eq!(field("a\"b"), "\"a\"\"b\"");
        assert_eq!(field("plain"), "plain");
    }

    #[test]
    fn a_fold_is_told() {
        let folded = RowScheme {
            addresses: 8,
            fold: 2,
            block: 16,
            order: vec![crate::build::FoldRun { segment: 1, mirrored: false }, crate::build::FoldRun { segment: 0, mirrored: true }],
        };
        assert_eq!(scan_words(&folded), "1:8, fold 2, block 16, segments 1/0 mirrored");
        assert_eq!(scan_words(&RowScheme::plain(16, 64)), "1:16");
    }
}

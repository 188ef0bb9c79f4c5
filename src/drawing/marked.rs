//! The wall as a picture: panels in front view with port·position and arrow, ports, the way of the data, and
//! marks. Colours come from the page's CSS classes, so light, dark and print follow it; no mark hangs on colour alone.

use super::geometry::{Placed, View, placed};
use super::text::escape;
use crate::build::Build;
use std::fmt::Write as _;

/// What stands in a corner of a panel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Mark {
    /// A numbered finding touches the panel.
    Finding(usize),
    /// A measured check of the panel failed, and no finding says why.
    Bad,
    /// The instrument could not decide a check of the panel.
    Unsure,
    /// A witness saw something else than expected.
    Seen,
}

impl Mark {
    /// Its sign; a finding has its number instead.
    pub const fn sign(&self) -> &'static str {
        match self {
            Self::Finding(_) => "",
            Self::Bad => "✕",
            Self::Unsure => "?",
            Self::Seen => "◆",
        }
    }
    /// CSS class.
    pub const fn class(&self) -> &'static str {
        match self {
            Self::Finding(_) | Self::Bad => "bad",
            Self::Unsure => "unsure",
            Self::Seen => "seen",
        }
    }
}

/// One panel's place on the wall as it was found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// Signs, weightiest first.
    pub marks: Vec<Mark>,
    /// Another panel's picture was seen here: its port and position.
    pub picture_of: Option<(u8, u8)>,
    /// Turned clockwise by so many degrees.
    pub turned: u16,
    /// Nothing of it was lit.
    pub dark: bool,
    /// All of it in words, shown on pointing.
    pub words: String,
}

/// More numbers than this do not fit into a corner.
const NUMBERS: usize = 2;

/// SVG element of the wall; `label` is for those who can't see it. `found` has an entry a panel, or none at all for the wall
/// as expected.
pub fn wall(build: &Build, found: &[Found], label: &str) -> String {
    let [width, height] = build.wall_size().map(f64::from);
    let all = placed(build, View::Front);
    let unit = all.iter().map(|p| p.size[0].min(p.size[1])).fold(f64::INFINITY, f64::min).min(width);
    let mut svg = String::new();
    let mut ports = String::new();
    let mut margin = [0.03 * width.max(height); 4];
    for chain in &build.chains {
        port(&mut ports, &all, &chain.panels, chain.port, unit, [width, height], &mut margin);
    }
    let [left, top, right, bottom] = margin;
    let _ = write!(
        svg,
        r#"<svg class="wall" viewBox="{:.1} {:.1} {:.1} {:.1}" role="img" aria-label="{}">"#,
        -left,
        -top,
        width + left + right,
        height + top + bottom,
        escape(label)
    );
    let none = Found::default();
    for (i, place) in all.iter().enumerate() {
        panel(&mut svg, build, i, place, found.get(i).unwrap_or(&none));
    }
    svg.push_str(&ports);
    svg.push_str("</svg>");
    svg
}

fn panel(svg: &mut String, build: &Build, index: usize, place: &Placed, found: &Found) {
    let panel = &build.panels[index];
    let ([w, h], [x, y]) = (place.size, place.at);
    let size = w.min(h);
    let class =
        if found.dark { "dark" } else { found.marks.iter().map(Mark::class).max_by_key(|c| (*c == "bad", *c == "seen")).unwrap_or("good") };
    let words = if found.words.is_empty() { String::new() } else { format!(": {}", found.words) };
    let _ = write!(
        svg,
        r#"<g><title>{}·{}{}</title><rect class="panel {class}" x="{x}" y="{y}" width="{w}" height="{h}"/>"#,
        panel.port,
        panel.position,
        escape(&words)
    );
    let [cx, cy] = place.middle();
    let (port, position) = found.picture_of.unwrap_or((panel.port, panel.position));
    let _ = write!(svg, r#"<text x="{cx}" y="{:.1}" font-size="{:.1}">{port}·{position}</text>"#, cy + 0.12 * size, 0.34 * size);
    // clockwise on the wall, y down
    let (sin, cos) = f64::from(found.turned).to_radians().sin_cos();
    let [dx, dy] = [place.up[0] * cos - place.up[1] * sin, place.up[0] * sin + place.up[1] * cos];
    let (tip_x, tip_y) = (cx + dx * (w / 2.0 - 0.06 * size), cy + dy * (h / 2.0 - 0.06 * size));
    let (base_x, base_y, side) = (tip_x - dx * 0.15 * size, tip_y - dy * 0.15 * size, 0.1 * size);
    let _ = write!(
        svg,
        r#"<path class="arrow" d="M{tip_x:.1} {tip_y:.1}L{:.1} {:.1}L{:.1} {:.1}Z"/>"#,
        base_x + dy * side,
        base_y - dx * side,
        base_x - dy * side,
        base_y + dx * side
    );
    let numbers: Vec<usize> = found.marks.iter().filter_map(|m| if let Mark::Finding(n) = m { Some(*n) } else { None }).collect();
    let radius = 0.14 * size;
    for (k, n) in numbers.iter().take(NUMBERS).enumerate() {
        let more = k + 1 == NUMBERS && numbers.len() > NUMBERS;
        let _ = write!(
            svg,
            r#"<circle class="number" cx="{0:.1}" cy="{1:.1}" r="{radius:.1}"/><text class="number" x="{0:.1}" y="{2:.1}" font-size="{3:.1}">{4}</text>"#,
            x + 0.2 * size + 0.32 * size * k as f64,
            y + 0.2 * size,
            y + 0.2 * size + 0.08 * size,
            0.22 * size,
            if more { "…".to_owned() } else { n.to_string() }
        );
    }
    for (k, m) in found.marks.iter().filter(|m| !matches!(m, Mark::Finding(_))).take(2).enumerate() {
        let _ = write!(
            svg,
            r#"<text class="{}" x="{:.1}" y="{:.1}" font-size="{:.1}">{}</text>"#,
            m.class(),
            x + w - 0.2 * size - 0.26 * size * k as f64,
            y + 0.29 * size,
            0.27 * size,
            m.sign()
        );
    }
    svg.push_str("</g>");
}

/// The name of a port beside the first panel's input, and the way of the data along the chain. Widens the margin where the
/// name stands outside the wall.
fn port(svg: &mut String, all: &[Placed], chain: &[usize], port: u8, unit: f64, [width, height]: [f64; 2], margin: &mut [f64; 4]) {
    let (Some(first), Some(last)) = (chain.first().map(|&p| &all[p]), chain.last().map(|&p| &all[p])) else { return };
    let font = 0.21 * unit;
    // along the lower part of upright panels, clear of the names
    let through = |p: &Placed| [p.middle()[0], p.at[1] + p.size[1] * 0.82];
    let [ix, iy] = first.input;
    let edge = first.towards(first.input, 1.0);
    let start = if ix == 0.0 { [through(first)[0], edge[1]] } else { [edge[0], through(first)[1]] };
    let end = through(last);
    let gap = 0.12 * unit;
    let outside = (ix > 0.0 && edge[0] > width - 1.0)
        || (ix < 0.0 && edge[0] < 1.0)
        || (iy > 0.0 && edge[1] > height - 1.0)
        || (iy < 0.0 && edge[1] < 1.0);
    let away = if outside { 1.0 } else { -1.0 };
    let room = 3.9 * font + 2.0 * gap;
    let begin = if outside { [start[0] + ix * gap, start[1] + iy * gap] } else { start };
    let (anchor, x, y) = if ix == 0.0 {
        ("middle", begin[0], begin[1] + iy * away * gap + if iy * away > 0.0 { font } else { 0.0 })
    } else {
        (
            if ix * away > 0.0 { "start" } else { "end" },
            begin[0] + ix * away * gap * 0.5,
            begin[1] - if outside { -0.35 * font } else { 0.5 * font },
        )
    };
    if outside {
        let side = if ix < 0.0 {
            0
        } else if iy < 0.0 {
            1
        } else if ix > 0.0 {
            2
        } else {
            3
        };
        margin[side] = margin[side].max(if ix == 0.0 { 2.2 * font + gap } else { room });
    }
    let _ = write!(svg, r#"<text class="port" x="{x:.1}" y="{y:.1}" font-size="{font:.1}" text-anchor="{anchor}">port {port}</text>"#);
    let mut points = vec![begin];
    points.extend(chain.iter().map(|&p| through(&all[p])));
    let path: Vec<String> = points.iter().map(|[x, y]| format!("{x:.1},{y:.1}")).collect();
    let _ = write!(svg, r#"<polyline class="data" points="{}"/>"#, path.join(" "));
    // an arrowhead at the end of the data
    let before = points[points.len() - 2];
    let length = ((end[0] - before[0]).powi(2) + (end[1] - before[1]).powi(2)).sqrt().max(1e-9);
    let [ux, uy] = [(end[0] - before[0]) / length, (end[1] - before[1]) / length];
    let s = 0.1 * unit;
    let _ = write!(
        svg,
        r#"<path class="arrow" d="M{:.1} {:.1}L{:.1} {:.1}L{:.1} {:.1}Z"/>"#,
        end[0] + ux * s,
        end[1] + uy * s,
        end[0] - ux * s - uy * s * 0.6,
        end[1] - uy * s + ux * s * 0.6,
        end[0] - ux * s + uy * s * 0.6,
        end[1] - uy * s - ux * s * 0.6
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    fn demo() -> Build {
        crate::build::load(include_str!("../../config/water-taxi.toml"), "water-taxi.toml").unwrap()
    }

    #[test]
    fn the_expected_wall_names_every_panel_and_port() {
        let build = demo();
        let svg = wall(&build, &[], "x");
        for p in &build.panels {
            assert!(svg.contains(&format!(">{}·{}</text>", p.port, p.position)));
        }
        assert!(svg.contains(">port 1</text>") && svg.contains(">port 2</text>"));
        assert!(!svg.contains("class=\"number\"") && !svg.contains("bad") && !svg.contains("seen"));
    }

    #[test]
    fn what_was_found_has_a_sign_beside_its_colour() {
        let build = demo();
        let mut found = vec![Found::default(); build.panels.len()];
        found[0] = Found { marks: vec![Mark::Finding(3), Mark::Seen], picture_of: Some((2, 1)), words: "x < y".into(), ..Found::default() };
        found[1] = Found { marks: vec![Mark::Unsure], ..Found::default() };
        found[2] = Found { dark: true, marks: vec![Mark::Bad], ..Found::default() };
        let svg = wall(&build, &found, "x");
        for word in [">3</text>", "◆", ">?</text>", "✕", "panel dark", "panel bad", "panel unsure", "x &lt; y"] {
            assert!(svg.contains(word), "{word}");
        }
        // the other panel's name stands where it was seen
        assert_eq!(svg.matches(">2·1</text>").count(), 2);
    }
}

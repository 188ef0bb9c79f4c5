//! The wall as a picture: panels in front view with port·position and arrow, the way of the data, and
//! marks. Colours come from the page's CSS classes, so light, dark and print follow it.

use super::geometry::{View, placed};
use super::text::escape;
use crate::build::Build;
use std::fmt::Write as _;

/// What is drawn over a panel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// Index of the panel.
    pub panel: usize,
    /// `bad`, `unsure` or `seen` (witness): the CSS class; each has its own sign beside the colour.
    pub class: &'static str,
    /// Short text for the panel.
    pub text: String,
    /// The whole of it, shown on pointing.
    pub all: String,
}

/// SVG element of the wall with what it shows, for those who can't see it. Marks beyond two a panel are counted, not drawn.
pub fn wall(build: &Build, marks: &[Mark], label: &str) -> String {
    let [width, height] = build.wall_size().map(f64::from);
    let margin = 0.04 * width.max(height).max(1.0);
    let mut svg = String::new();
    let _ = write!(
        svg,
        r#"<svg class="wall" viewBox="{:.1} {:.1} {:.1} {:.1}" role="img" aria-label="{}">"#,
        -margin,
        -margin,
        width + 2.0 * margin,
        height + 2.0 * margin,
        escape(label)
    );
    let all = placed(build, View::Front);
    for (i, panel) in build.panels.iter().enumerate() {
        let ([w, h], [x, y]) = (all[i].size, all[i].at);
        let own: Vec<&Mark> = marks.iter().filter(|m| m.panel == i).collect();
        let class = ["bad", "seen", "unsure"].into_iter().find(|c| own.iter().any(|m| m.class == *c)).unwrap_or("good");
        let size = w.min(h);
        let title =
            if own.is_empty() { String::new() } else { format!(": {}", own.iter().map(|m| m.all.as_str()).collect::<Vec<_>>().join("; ")) };
        let _ = write!(
            svg,
            r#"<g><title>{}·{}{}</title><rect class="panel {class}" x="{x}" y="{y}" width="{w}" height="{h}"/>"#,
            panel.port,
            panel.position,
            escape(&title)
        );
        let [cx, cy] = all[i].middle();
        let _ = write!(
            svg,
            r#"<text x="{cx}" y="{:.1}" font-size="{:.1}">{}·{}</text>"#,
            cy + 0.02 * size,
            0.3 * size,
            panel.port,
            panel.position
        );
        let [dx, dy] = all[i].up;
        let (tip_x, tip_y) = (cx + dx * (w / 2.0 - 0.06 * size), cy + dy * (h / 2.0 - 0.06 * size));
        let (base_x, base_y, side) = (tip_x - dx * 0.14 * size, tip_y - dy * 0.14 * size, 0.09 * size);
        let _ = write!(
            svg,
            r#"<path class="arrow" d="M{tip_x:.1} {tip_y:.1}L{:.1} {:.1}L{:.1} {:.1}Z"/>"#,
            base_x + dy * side,
            base_y + dx * side,
            base_x - dy * side,
            base_y - dx * side
        );
        for (k, m) in own.iter().take(2).enumerate() {
            let sign = match m.class {
                "bad" => "✕",
                "seen" => "◆",
                _ => "?",
            };
            let text: String = m.text.chars().take(20).collect();
            let more = if k == 1 && own.len() > 2 { format!(" +{}", own.len() - 2) } else { String::new() };
            let _ = write!(
                svg,
                r#"<text class="{}" x="{cx}" y="{:.1}" font-size="{:.1}">{sign} {}{more}</text>"#,
                m.class,
                y + h - size * (0.06 + 0.17 * (own.len().min(2) - 1 - k) as f64),
                0.15 * size,
                escape(&text)
            );
        }
        svg.push_str("</g>");
    }
    for chain in &build.chains {
        let centres: Vec<String> =
            chain.panels.iter().map(|&p| format!("{:.1},{:.1}", all[p].middle()[0], all[p].at[1] + all[p].size[1] * 0.68)).collect();
        let _ = write!(svg, r#"<polyline class="data" points="{}"/>"#, centres.join(" "));
    }
    svg.push_str("</svg>");
    svg
}

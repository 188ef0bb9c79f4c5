//! Drawing of the wall from the front: panels with port, position and arrow; marks where something is wrong.

use crate::build::Build;
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// SVG of the wall; panels in `wrong` (port, position) are hatched and marked with a cross.
pub fn wall(build: &Build, wrong: &BTreeSet<(u8, u8)>) -> String {
    let [w, h] = build.wall_size();
    let mut s = format!(
        "<svg viewBox=\"-2 -2 {} {}\" role=\"img\" aria-label=\"wall, front view\" class=\"wall\"><defs><pattern id=\"hatch\" width=\"4\" height=\"4\" \
         patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><line x1=\"0\" y1=\"0\" x2=\"0\" y2=\"4\" stroke=\"currentColor\" stroke-width=\"0.8\"/></pattern></defs>",
        w + 4,
        h + 4
    );
    for (i, p) in build.panels.iter().enumerate() {
        let [pw, ph] = build.footprint(i);
        let [x, y] = p.at;
        let bad = wrong.contains(&(p.port, p.position));
        let fill = if bad { "url(#hatch)" } else { "none" };
        let (cx, cy) = (f64::from(x) + f64::from(pw) / 2.0, f64::from(y) + f64::from(ph) / 2.0);
        let _ = write!(
            s,
            "<rect x=\"{x}\" y=\"{y}\" width=\"{pw}\" height=\"{ph}\" fill=\"{fill}\" stroke=\"currentColor\" stroke-width=\"0.8\"/>\
             <text x=\"{cx}\" y=\"{}\" text-anchor=\"middle\" font-size=\"9\">{}{}·{}</text>\
             <path d=\"M0 -5 L3 1 H1 V5 H-1 V1 H-3 Z\" transform=\"translate({} {}) rotate({})\"/>",
            cy + 3.0,
            if bad { "✗ " } else { "" },
            p.port,
            p.position,
            f64::from(x) + 8.0,
            cy,
            p.up.degrees()
        );
    }
    s.push_str("</svg>");
    s
}

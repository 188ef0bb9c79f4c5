//! Line plots as inline SVG, small and without scripts.

use super::text::escape;
use std::fmt::Write as _;

type Point = (f64, f64);

/// One line of a plot.
pub(crate) struct Series {
    pub name: String,
    pub points: Vec<(f64, f64)>,
    /// Dots at the points as well.
    pub dots: bool,
    /// Dashed: foretold, not measured.
    pub dashed: bool,
}

/// What is drawn beside the lines.
#[derive(Default)]
pub(crate) struct Extras {
    /// Spans of x with a name.
    pub bands: Vec<(String, f64, f64)>,
    /// Levels of y with a name; the plot reaches to them.
    pub lines: Vec<(f64, String)>,
    /// Moments of x with a name.
    pub marks: Vec<(f64, String)>,
    /// Colours begin again after this many series; 0 = after six.
    pub wrap: usize,
    /// The names of the lines stand beside the plot at the height that each line has here, so that they can be told apart
    /// without colours.
    pub names_at: Option<f64>,
    /// Lines that are drawn fainter than limits: levels that matter for a part of the run only.
    pub hints: Vec<(f64, String)>,
}

const W: f64 = 720.0;
const H: f64 = 318.0;
const LEFT: f64 = 76.0;
/// Half of the last label stands beyond the plot.
const RIGHT: f64 = 22.0;
/// Room for the names of the lines beside the plot, and their least distance.
const NAMES: f64 = 112.0;
const NAMES_APART: f64 = 17.0;
/// Longest name that fits there; the key below has the whole of it.
const NAME: usize = 14;
const BOTTOM: f64 = 48.0;
const TOP: f64 = 40.0;

/// At most two points (lowest, highest) for each of `columns` spans of x.
pub(crate) fn decimate(points: &[(f64, f64)], columns: usize) -> Vec<(f64, f64)> {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Vec::new() };
    if points.len() <= 2 * columns {
        return points.to_vec();
    }
    let span = (last.0 - first.0).max(1e-9) / columns as f64;
    let mut out: Vec<(f64, f64)> = Vec::with_capacity(2 * columns);
    let mut current: Option<(usize, Point, Point)> = None;
    let flush = |out: &mut Vec<(f64, f64)>, low: (f64, f64), high: (f64, f64)| {
        let (a, b) = if low.0 <= high.0 { (low, high) } else { (high, low) };
        out.push(a);
        if a != b {
            out.push(b);
        }
    };
    for &p in points {
        let column = (((p.0 - first.0) / span) as usize).min(columns - 1);
        current = Some(match current {
            Some((c, low, high)) if c == column => (c, if p.1 < low.1 { p } else { low }, if p.1 > high.1 { p } else { high }),
            Some((_, low, high)) => {
                flush(&mut out, low, high);
                (column, p, p)
            }
            None => (column, p, p),
        });
    }
    if let Some((_, low, high)) = current {
        flush(&mut out, low, high);
    }
    out
}

/// Three to seven round figures between two ends, with as many decimals as their step needs.
fn ticks(low: f64, high: f64) -> Vec<(f64, String)> {
    let rough = (high - low) / 5.0;
    let power = 10_f64.powf(rough.log10().floor());
    let with = |step: f64| {
        let decimals = (-(step * 1.000_001).log10().floor()).max(0.0) as usize;
        let first = (low / step - 1e-9).ceil() as i64;
        let last = (high / step + 1e-9).floor() as i64;
        (first..=last).map(|k| (k as f64 * step, format!("{:.decimals$}", k as f64 * step))).collect::<Vec<_>>()
    };
    [10.0, 5.0, 2.0].into_iter().map(|m| with(m * power)).find(|t| t.len() >= 3).unwrap_or_else(|| with(power))
}

/// Shapes of the dots, in the order of the colours.
const SHAPES: [&str; 6] = ["●", "■", "▲", "◆", "▼", "○"];

/// A measured point: each series has a shape of its own beside its colour.
fn dot(svg: &mut String, series: usize, x: f64, y: f64) {
    let path = match series {
        1 => "m-3.4-3.4h6.8v6.8h-6.8z",
        2 => "m0-4.4l4.2 7.4h-8.4z",
        3 => "m0-4.8l4.4 4.8-4.4 4.8-4.4-4.8z",
        4 => "m0 4.4l4.2-7.4h-8.4z",
        _ => "m-3.4 0a3.4 3.4 0 1 0 6.8 0a3.4 3.4 0 1 0-6.8 0",
    };
    let open = if series == 5 { " open" } else { "" };
    let _ = write!(svg, r#"<path class="dot s{series}{open}" d="M{x:.1} {y:.1}{path}"/>"#);
}

/// Height of a line at a place: of the nearest point.
fn at(points: &[Point], x: f64) -> Option<f64> {
    points.iter().min_by(|a, b| (a.0 - x).abs().total_cmp(&(b.0 - x).abs())).map(|p| p.1)
}

/// An SVG element; a sentence where there is nothing to draw.
pub(crate) fn plot(x_label: &str, y_label: &str, series: &[Series], extras: &Extras) -> String {
    let all = || series.iter().flat_map(|s| s.points.iter());
    if all().count() < 2 {
        return "<p>Nothing to draw: not measured.</p>".into();
    }
    let range = |values: &mut dyn Iterator<Item = f64>| {
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        if high - low < 1e-9 { (low - 0.5, high + 0.5) } else { (low, high) }
    };
    let (x0, x1) =
        range(&mut all().map(|p| p.0).chain(extras.marks.iter().map(|m| m.0)).chain(extras.bands.iter().flat_map(|b| [b.1, b.2])));
    let (y0, y1) = range(&mut all().map(|p| p.1).chain(extras.lines.iter().map(|l| l.0)));
    let room = 0.03 * (y1 - y0);
    let (y0, y1) = (y0 - room, y1 + room);
    let right = if extras.names_at.is_some() { NAMES } else { RIGHT };
    let px = |x: f64| LEFT + (x - x0) / (x1 - x0) * (W - LEFT - right);
    let py = |y: f64| H - BOTTOM - (y - y0) / (y1 - y0) * (H - BOTTOM - TOP);
    let mut svg =
        format!(r#"<svg class="plot" viewBox="0 0 {W} {H}" role="img" aria-label="{} over {}">"#, escape(y_label), escape(x_label));
    for (i, (name, from, to)) in extras.bands.iter().enumerate() {
        let (a, b) = (px(*from).max(LEFT), px(*to).min(W - right));
        if i % 2 == 0 {
            let _ = write!(
                svg,
                r#"<rect class="band" x="{a:.1}" y="{TOP}" width="{:.1}" height="{:.1}"/>"#,
                (b - a).max(0.5),
                H - BOTTOM - TOP
            );
        }
        // a name that would run over its neighbours is left to the list below the plot
        if b - a > 9.0 * name.chars().count() as f64 {
            let _ = write!(svg, r#"<text class="small" x="{:.1}" y="{:.1}">{}</text>"#, (a + b) / 2.0, TOP - 7.0, escape(name));
        }
    }
    for (y, text) in ticks(y0, y1) {
        let _ = write!(
            svg,
            r#"<path class="grid" d="M{LEFT} {0:.1}H{1}"/><text x="{2}" y="{3:.1}" class="end">{text}</text>"#,
            py(y),
            W - right,
            LEFT - 6.0,
            py(y) + 4.0,
        );
    }
    for (x, text) in ticks(x0, x1) {
        let _ = write!(svg, r#"<text x="{:.1}" y="{}">{text}</text>"#, px(x), H - BOTTOM + 18.0);
    }
    let _ = write!(svg, r#"<text x="{:.1}" y="{}">{}</text>"#, (LEFT + W - right) / 2.0, H - 6.0, escape(x_label));
    let _ = write!(svg, r#"<text class="start" x="4" y="16">{}</text>"#, escape(y_label));
    for (y, name) in &extras.hints {
        let _ = write!(
            svg,
            r#"<path class="hint" d="M{LEFT} {0:.1}H{1}"/><text class="start small" x="{2}" y="{3:.1}">{4}</text>"#,
            py(*y),
            W - right,
            LEFT + 5.0,
            py(*y) - 4.0,
            escape(name)
        );
    }
    for (y, name) in &extras.lines {
        // the name stands inside the plot: above a low line at the left, where nothing is lit yet, below a high one at the right
        let (x, beside, class) = if py(*y) > H / 2.0 { (LEFT + 5.0, -6.0, "start") } else { (W - right, 18.0, "end") };
        let _ = write!(
            svg,
            r#"<path class="limit" d="M{LEFT} {0:.1}H{1}"/><text class="{class}" x="{x}" y="{2:.1}">{3}</text>"#,
            py(*y),
            W - right,
            py(*y) + beside,
            escape(name)
        );
    }
    let wrap = if extras.wrap == 0 { 6 } else { extras.wrap };
    for (i, s) in series.iter().enumerate().filter(|(_, s)| !s.points.is_empty()) {
        let colour = i % wrap % 6;
        let path: Vec<String> = s.points.iter().map(|p| format!("{:.1},{:.1}", px(p.0), py(p.1))).collect();
        let dashed = if s.dashed { " dashed" } else { "" };
        let title = if s.name.is_empty() { String::new() } else { format!("<title>{}</title>", escape(&s.name)) };
        let _ = write!(svg, r#"<polyline class="s{colour}{dashed}" points="{}">{title}</polyline>"#, path.join(" "));
        if s.dots {
            for p in &s.points {
                dot(&mut svg, colour, px(p.0), py(p.1));
            }
        }
    }
    if let Some(x) = extras.names_at {
        let mut names: Vec<(f64, usize, &str)> = series
            .iter()
            .enumerate()
            .filter(|(_, s)| !s.name.is_empty())
            .filter_map(|(i, s)| Some((py(at(&s.points, x)?), i % wrap % 6, s.name.as_str())))
            .collect();
        names.sort_by(|a, b| a.0.total_cmp(&b.0));
        for k in 1..names.len() {
            names[k].0 = names[k].0.max(names[k - 1].0 + NAMES_APART);
        }
        // what was pushed out at the bottom comes back up
        let mut lowest = H - BOTTOM - 4.0;
        for name in names.iter_mut().rev() {
            name.0 = name.0.min(lowest);
            lowest = name.0 - NAMES_APART;
        }
        for (y, colour, name) in names {
            let short: String =
                if name.chars().count() > NAME { name.chars().take(NAME - 1).chain(['…']).collect() } else { name.to_owned() };
            let _ =
                write!(svg, r#"<text class="name start t{colour}" x="{}" y="{:.1}">{}</text>"#, W - right + 9.0, y + 4.0, escape(&short));
        }
    }
    for (x, name) in &extras.marks {
        let (at, class) = if px(*x) > W / 2.0 { (px(*x) - 5.0, "end") } else { (px(*x) + 5.0, "start") };
        let _ = write!(
            svg,
            r#"<path class="trip" d="M{0:.1} {TOP}V{1}"/><text class="trip {class}" x="{at:.1}" y="{2}">■ {3}</text>"#,
            px(*x),
            H - BOTTOM,
            (TOP + H - BOTTOM) / 2.0,
            escape(name)
        );
    }
    svg.push_str("</svg>\n<p class=\"key\">");
    for (i, s) in series.iter().enumerate().filter(|(_, s)| !s.name.is_empty()) {
        let _ = write!(
            svg,
            r#"<span><span class="s{}" aria-hidden="true">{}</span> {}</span> "#,
            i % wrap % 6,
            if s.dots { SHAPES[i % wrap % SHAPES.len()] } else { "▬" },
            escape(&s.name)
        );
    }
    svg.push_str("</p>\n");
    svg
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_few() {
        for (low, high) in [(4.75, 5.4), (0.0, 36.5), (4.80, 5.11), (0.0, 25.0), (-0.5, 0.5), (4.9991, 5.0002)] {
            let ticks = ticks(low, high);
            assert!((3..=7).contains(&ticks.len()), "{low} to {high}: {ticks:?}");
            assert!(ticks.iter().all(|t| t.0 >= low - 1e-6 && t.0 <= high + 1e-6));
            let texts: std::collections::BTreeSet<_> = ticks.iter().map(|t| &t.1).collect();
            assert_eq!(texts.len(), ticks.len(), "{ticks:?}");
        }
    }

    #[test]
    fn decimation_keeps_the_extremes() {
        let mut points: Vec<(f64, f64)> = (0..10_000).map(|i| (f64::from(i), 5.0)).collect();
        points[5_123].1 = 4.2;
        points[7_000].1 = 5.3;
        let thin = decimate(&points, 100);
        assert!(thin.len() <= 200);
        assert!(thin.contains(&(5_123.0, 4.2)) && thin.contains(&(7_000.0, 5.3)));
        assert!(thin.windows(2).all(|w| w[0].0 <= w[1].0));
    }
}

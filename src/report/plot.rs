//! Line plots as inline SVG, small and without scripts.

use super::text::{escape, figure};
use std::fmt::Write as _;

type Point = (f64, f64);

/// One line of a plot.
pub(crate) struct Series {
    pub name: String,
    pub points: Vec<(f64, f64)>,
    /// Dots at the points as well.
    pub dots: bool,
}

const W: f64 = 720.0;
const H: f64 = 260.0;
const LEFT: f64 = 62.0;
/// Half of the last label stands beyond the plot.
const RIGHT: f64 = 22.0;
const BOTTOM: f64 = 34.0;
const TOP: f64 = 10.0;

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

/// An SVG element; a sentence where there is nothing to draw.
pub(crate) fn plot(x_label: &str, y_label: &str, series: &[Series]) -> String {
    let all = || series.iter().flat_map(|s| s.points.iter());
    if all().count() < 2 {
        return "<p>Nothing to draw: not measured.</p>".into();
    }
    let range = |f: fn(&(f64, f64)) -> f64| {
        let (low, high) = all().map(f).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        if high - low < 1e-9 { (low - 0.5, high + 0.5) } else { (low, high) }
    };
    let ((x0, x1), (y0, y1)) = (range(|p| p.0), range(|p| p.1));
    let px = |x: f64| LEFT + (x - x0) / (x1 - x0) * (W - LEFT - RIGHT);
    let py = |y: f64| H - BOTTOM - (y - y0) / (y1 - y0) * (H - BOTTOM - TOP);
    let mut svg =
        format!(r#"<svg class="plot" viewBox="0 0 {W} {H}" role="img" aria-label="{} over {}">"#, escape(y_label), escape(x_label));
    for k in 0..=4 {
        let f = f64::from(k) / 4.0;
        let (x, y) = (x0 + f * (x1 - x0), y0 + f * (y1 - y0));
        let _ = write!(
            svg,
            r#"<path class="grid" d="M{LEFT} {0:.1}H{1}"/><text x="{2}" y="{3:.1}" class="end">{4}</text>"#,
            py(y),
            W - RIGHT,
            LEFT - 5.0,
            py(y) + 4.0,
            figure(y)
        );
        let _ = write!(svg, r#"<text x="{:.1}" y="{}">{}</text>"#, px(x), H - BOTTOM + 14.0, figure((x * 100.0).round() / 100.0));
    }
    let _ = write!(svg, r#"<text x="{:.1}" y="{}">{}</text>"#, (LEFT + W) / 2.0, H - 4.0, escape(x_label));
    for (i, s) in series.iter().enumerate() {
        let path: Vec<String> = s.points.iter().map(|p| format!("{:.1},{:.1}", px(p.0), py(p.1))).collect();
        let _ = write!(svg, r#"<polyline class="s{}" points="{}"><title>{}</title></polyline>"#, i % 6, path.join(" "), escape(&s.name));
        if s.dots {
            for p in &s.points {
                let _ = write!(svg, r#"<circle class="s{}" cx="{:.1}" cy="{:.1}" r="3"/>"#, i % 6, px(p.0), py(p.1));
            }
        }
    }
    svg.push_str("</svg><p class=\"key\">");
    let _ = write!(svg, "{}: ", escape(y_label));
    for (i, s) in series.iter().enumerate() {
        let _ = write!(svg, r#"<span class="s{}">▬ {}</span> "#, i % 6, escape(&s.name));
    }
    svg.push_str("</p>");
    svg
}

#[cfg(test)]
mod tests {
    use super::*;

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

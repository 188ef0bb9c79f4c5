//! The wall as it should be lit, from the front: runs of equal pixels become rectangles, levels become grey panels.

use super::geometry::{Placed, View, placed};
use super::text::escape;
use crate::build::Build;
use crate::frame::{Cell, Frame, FrameSpec};
use std::fmt::Write as _;

/// Colours of the pixel bits (bit 0 red, 1 green, 2 blue) on a screen.
const SHADES: [&str; 8] = ["#000", "#ff3b30", "#2fd158", "#ffe14d", "#3d7bff", "#ff5cf4", "#4de8ff", "#fff"];

/// Whether the frame can be drawn for this build.
pub fn drawable(build: &Build, frame: &FrameSpec) -> bool {
    match frame {
        FrameSpec::Cell(Cell { port, position, .. })
        | FrameSpec::Block { cell: Cell { port, position, .. }, .. }
        | FrameSpec::MarkOf { port, position } => {
            build.panel_at(*port, *position).is_some() && !matches!(frame, FrameSpec::Block { block, .. } if *block > 255)
        }
        FrameSpec::Level(thousandths) => *thousandths <= 1000,
        _ => true,
    }
}

/// SVG document of the wall with a test frame on it.
pub fn lit(build: &Build, frame: &FrameSpec) -> String {
    let size = build.wall_size();
    let mut svg = head(size, &frame.title());
    let all = placed(build, View::Front);
    if let FrameSpec::Level(thousandths) = frame {
        // a fine pattern that a phone would only show as moiré; the square root stands for the eye's response
        let share = (f64::from(*thousandths) / 1000.0).sqrt();
        for panel in &all {
            let _ = write!(svg, r##"<path fill="#fff" fill-opacity="{share:.3}" d="{}"/>"##, outline(panel));
        }
    } else {
        rectangles(&mut svg, size, frame.draw(build).pixels());
    }
    for panel in &all {
        let _ = write!(svg, r##"<path fill="none" stroke="#667" stroke-width=".6" d="{}"/>"##, outline(panel));
    }
    svg.push_str("</svg>");
    svg
}

/// SVG document of pixels alone, as one panel shows them.
pub fn lit_panel(frame: &Frame, title: &str) -> String {
    let mut svg = head(frame.size(), title);
    rectangles(&mut svg, frame.size(), frame.pixels());
    svg.push_str("</svg>");
    svg
}

fn head([width, height]: [u16; 2], title: &str) -> String {
    format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" shape-rendering="crispEdges"><title>{}</title><path fill="{}" d="M0 0h{width}v{height}h-{width}z"/>"#,
        escape(title),
        SHADES[0]
    )
}

fn outline(panel: &Placed) -> String {
    let ([x, y], [w, h]) = (panel.at, panel.size);
    format!("M{x} {y}h{w}v{h}h-{w}z")
}

/// Runs along rows, joined downwards where the next row has the same run; one path per colour.
fn rectangles(svg: &mut String, [width, height]: [u16; 2], pixels: &[u8]) {
    let mut paths: [String; 8] = Default::default();
    // run (from, to, bits) → first row, for the runs of the row before
    let mut open: Vec<(u16, u16, u8, u16)> = Vec::new();
    let close = |paths: &mut [String; 8], (from, to, bits, top): (u16, u16, u8, u16), bottom: u16| {
        let _ = write!(paths[usize::from(bits)], "M{from} {top}h{w}v{}h-{w}z", bottom - top, w = to - from);
    };
    for y in 0..height {
        let row = &pixels[usize::from(y) * usize::from(width)..][..usize::from(width)];
        let mut now = Vec::new();
        let mut x = 0;
        while x < width {
            let bits = row[usize::from(x)] & 7;
            let from = x;
            while x < width && row[usize::from(x)] & 7 == bits {
                x += 1;
            }
            if bits != 0 {
                let top = open.iter().find(|r| (r.0, r.1, r.2) == (from, x, bits)).map_or(y, |r| r.3);
                now.push((from, x, bits, top));
            }
        }
        for run in open.drain(..).filter(|r| !now.contains(r)) {
            close(&mut paths, run, y);
        }
        open = now;
    }
    for run in open {
        close(&mut paths, run, height);
    }
    for (bits, path) in paths.iter().enumerate().filter(|(_, p)| !p.is_empty()) {
        let _ = write!(svg, r#"<path fill="{}" d="{path}"/>"#, SHADES[bits]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reads the paths back into pixels.
    fn pixels(svg: &str, width: usize, height: usize) -> Vec<u8> {
        let mut out = vec![0; width * height];
        for part in svg.split("<path fill=\"").skip(1) {
            let bits = SHADES.iter().position(|s| part.starts_with(s) && part[s.len()..].starts_with('"')).unwrap() as u8;
            let d = part.split(" d=\"").nth(1).unwrap().split('"').next().unwrap();
            for r in d.split('M').skip(1) {
                let numbers: Vec<usize> = r.split(|c: char| !c.is_ascii_digit()).filter_map(|n| n.parse().ok()).collect();
                let [x, y, w, h, back] = numbers[..] else { panic!("{r}") };
                assert_eq!(w, back);
                for py in y..y + h {
                    for px in x..x + w {
                        assert_eq!(out[py * width + px], 0, "painted twice");
                        out[py * width + px] = bits;
                    }
                }
            }
        }
        out
    }

    proptest::proptest! {
        #[test]
        fn rectangles_paint_each_pixel_once_and_rightly(picture in proptest::collection::vec(0_u8..8, 12 * 7)) {
            let mut svg = String::new();
            rectangles(&mut svg, [12, 7], &picture);
            proptest::prop_assert_eq!(pixels(&svg, 12, 7), picture);
        }
    }

    #[test]
    fn the_marks_of_the_demo_are_a_small_picture() {
        let build = crate::build::load(include_str!("../../config/water-taxi.toml"), "water-taxi.toml").unwrap_or_else(|_| panic!("demo"));
        let marks = lit(&build, &FrameSpec::Marks);
        assert!(marks.len() < 20_000, "{}", marks.len());
        assert!(marks.contains(SHADES[1]) && marks.contains(SHADES[2]));
        assert!(!drawable(&build, &FrameSpec::MarkOf { port: 9, position: 1 }));
        assert!(drawable(&build, &FrameSpec::MarkOf { port: 2, position: 3 }));
    }
}

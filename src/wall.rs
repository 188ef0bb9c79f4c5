//! Geometry of the wall: panel pixel ↔ wall pixel.
//!
//! A panel's own frame has its arrow up, x to the right, y down, seen from the front. The wall's frame
//! is the front view as well. Turning is by quarter turns, clockwise seen from the front.

use crate::build::{Build, Up};

/// Size of a panel's footprint on the wall, in pixels.
pub fn footprint(build: &Build, panel: usize) -> [u16; 2] {
    build.footprint(panel)
}

/// Panel pixel (arrow up) of size `[w, h]` to its place inside a footprint turned by `up`.
pub fn turn(up: Up, [w, h]: [u16; 2], [x, y]: [u16; 2]) -> [u16; 2] {
    match up {
        Up::Up => [x, y],
        Up::Right => [h - 1 - y, x],
        Up::Down => [w - 1 - x, h - 1 - y],
        Up::Left => [y, w - 1 - x],
    }
}

/// Wall pixel of a panel's pixel.
pub fn to_wall(build: &Build, panel: usize, pixel: [u16; 2]) -> [u16; 2] {
    let t = build.panel_type(panel);
    let p = &build.panels[panel];
    let [x, y] = turn(p.up, [t.width, t.height], pixel);
    [p.at[0] + x, p.at[1] + y]
}

/// The panel that covers a wall pixel, and the pixel in that panel's own frame.
pub fn from_wall(build: &Build, [x, y]: [u16; 2]) -> Option<(usize, [u16; 2])> {
    build.panels.iter().enumerate().find_map(|(i, p)| {
        let [w, h] = footprint(build, i);
        let inside = x >= p.at[0] && y >= p.at[1] && x < p.at[0] + w && y < p.at[1] + h;
        inside.then(|| {
            let (dx, dy) = (x - p.at[0], y - p.at[1]);
            // undoing a turn is turning a footprint-sized panel the other way
            let back = match p.up {
                Up::Up => [dx, dy],
                Up::Right => [dy, w - 1 - dx],
                Up::Down => [w - 1 - dx, h - 1 - dy],
                Up::Left => [h - 1 - dy, dx],
            };
            (i, back)
        })
    })
}

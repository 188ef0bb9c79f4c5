//! Where things lie on a drawing: panels, their arrows and data edges, the ribbons between them. In wall
//! pixels, x to the right, y down, as seen from the chosen side.

use crate::build::{Build, InputSide, Up};
use crate::wall::footprint;

/// The side from which the wall is seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum View {
    /// As the public sees it.
    Front,
    /// As it lies face down on the bench: mirrored left to right.
    Back,
}

impl View {
    /// Lower-case word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Back => "back",
        }
    }
}

/// From a panel's edge to its data connector, millimetres (common practice, no source).
const CONNECTOR_INSET_MM: f64 = 30.0;
/// What a ribbon needs beyond the straight way to stand up from both connectors and bend, millimetres (common
/// practice, no source).
const RIBBON_BENDS_MM: f64 = 60.0;

/// Length of the ribbons that come with panels, metres (common practice, no source).
pub const RIBBON_SUPPLIED_M: f64 = 0.3;

/// A panel on the drawing.
#[derive(Clone, Debug, PartialEq)]
pub struct Placed {
    /// Index of the panel.
    pub panel: usize,
    /// Top-left corner.
    pub at: [f64; 2],
    /// Width and height.
    pub size: [f64; 2],
    /// Direction of its arrow, a unit vector.
    pub up: [f64; 2],
    /// From its middle to its data input edge, a unit vector.
    pub input: [f64; 2],
    /// Its data input connector.
    pub data_in: [f64; 2],
    /// Its data output connector.
    pub data_out: [f64; 2],
}

impl Placed {
    /// Its middle.
    pub fn middle(&self) -> [f64; 2] {
        [self.at[0] + self.size[0] / 2.0, self.at[1] + self.size[1] / 2.0]
    }
    /// A point this far (0 = middle, 1 = edge) from the middle in a direction.
    pub fn towards(&self, direction: [f64; 2], share: f64) -> [f64; 2] {
        let [x, y] = self.middle();
        [x + direction[0] * share * self.size[0] / 2.0, y + direction[1] * share * self.size[1] / 2.0]
    }
}

/// A direction of the panel's own frame (arrow up) on the wall, front view.
fn turned(up: Up, [x, y]: [f64; 2]) -> [f64; 2] {
    match up {
        Up::Up => [x, y],
        Up::Right => [-y, x],
        Up::Down => [-x, -y],
        Up::Left => [y, -x],
    }
}

/// Every panel, by its index.
pub fn placed(build: &Build, view: View) -> Vec<Placed> {
    let width = f64::from(build.wall_size()[0]);
    (0..build.panels.len())
        .map(|p| {
            let panel = &build.panels[p];
            let kind = build.panel_type(p);
            let size = footprint(build, p).map(f64::from);
            let own_input = if kind.input_side == InputSide::Left { [-1.0, 0.0] } else { [1.0, 0.0] };
            let (mut up, mut input) = (turned(panel.up, [0.0, -1.0]), turned(panel.up, own_input));
            let mut at = panel.at.map(f64::from);
            if view == View::Back {
                at[0] = width - at[0] - size[0];
                up[0] = -up[0];
                input[0] = -input[0];
            }
            let mut out = Placed { panel: p, at, size, up, input, data_in: at, data_out: at };
            let half = if input[0] == 0.0 { size[1] } else { size[0] } / 2.0;
            let share = (1.0 - CONNECTOR_INSET_MM / kind.pitch_mm / half).max(0.0);
            out.data_in = out.towards(input, share);
            out.data_out = out.towards([-input[0], -input[1]], share);
            out
        })
        .collect()
}

/// Panels in reading order of the front view: place 1 is the first of them. A place has its number whatever is
/// wired to it.
pub fn places(build: &Build) -> Vec<usize> {
    let mut order: Vec<usize> = (0..build.panels.len()).collect();
    order.sort_by_key(|&p| (build.panels[p].at[1], build.panels[p].at[0]));
    order
}

/// A ribbon.
#[derive(Clone, Debug, PartialEq)]
pub struct Link {
    /// The panel that it leaves; `None` = the adapter's port.
    pub from: Option<usize>,
    /// The panel that it enters.
    pub to: usize,
    /// Length needed along the edges between the connectors, with bends, metres; `None` from the port, whose place
    /// the build does not know.
    pub needed_m: Option<f64>,
    /// Length that the build states, metres.
    pub build_m: f64,
}

/// Every ribbon, chain after chain along the data.
pub fn links(build: &Build) -> Vec<Link> {
    let placed = placed(build, View::Front);
    let mut out = Vec::new();
    for chain in &build.chains {
        let mut from = None;
        for &to in &chain.panels {
            let needed_m = from.map(|f: usize| {
                let pitch = build.panel_type(to).pitch_mm;
                let (a, b) = (placed[f].data_out, placed[to].data_in);
                (((a[0] - b[0]).abs() + (a[1] - b[1]).abs()) * pitch + RIBBON_BENDS_MM) / 1000.0
            });
            out.push(Link { from, to, needed_m, build_m: build.panels[to].ribbon_m });
            from = Some(to);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn water_taxi() -> Build {
        crate::build::load(include_str!("../../config/water-taxi.toml"), "water-taxi.toml").unwrap()
    }

    #[test]
    fn data_enter_where_the_build_says() {
        // input on the right, upright, 64 pixels wide at 4 mm: the connector is 30 mm = 7.5 pixels inside the edge
        let build = water_taxi();
        let first = &placed(&build, View::Front)[build.panel_at(1, 1).unwrap()];
        assert_eq!((first.at, first.input, first.data_in), ([128.0, 0.0], [1.0, 0.0], [184.5, 16.0]));
        let back = &placed(&build, View::Back)[build.panel_at(1, 1).unwrap()];
        assert_eq!((back.at, back.input, back.data_in), ([0.0, 0.0], [-1.0, 0.0], [7.5, 16.0]));
    }

    #[test]
    fn a_turn_takes_the_input_edge_with_it() {
        let mut build = water_taxi();
        build.panels[0].up = Up::Right;
        let turned = &placed(&build, View::Front)[0];
        assert_eq!((turned.size, turned.up, turned.input), ([32.0, 64.0], [1.0, 0.0], [0.0, 1.0]));
    }

    #[test]
    fn neighbours_need_twice_the_inset_and_the_bends() {
        for link in links(&water_taxi()) {
            match (link.from, link.needed_m) {
                (None, needed) => assert_eq!(needed, None),
                (Some(_), needed) => assert!((needed.unwrap() - 0.120).abs() < 1e-9),
            }
        }
    }

    #[test]
    fn places_are_read_from_the_front() {
        let build = water_taxi();
        let named: Vec<(u8, u8)> = places(&build).iter().map(|&p| (build.panels[p].port, build.panels[p].position)).collect();
        assert_eq!(named, [(1, 3), (1, 2), (1, 1), (2, 3), (2, 2), (2, 1)]);
    }
}

//! The pixels of each test picture.

use super::{Cell, Frame, FrameSpec};
use crate::build::{Build, Colour, Half, PanelType};
use crate::wall;
use embedded_graphics::mono_font::{MonoTextStyle, ascii::FONT_6X10};
use embedded_graphics::pixelcolor::{Rgb888, RgbColor};
use embedded_graphics::prelude::*;
use embedded_graphics::primitives::{PrimitiveStyle, Triangle};
use embedded_graphics::text::{Baseline, Text};
use std::convert::Infallible;

const WHITE: u8 = 0b111;
/// Side of a colour corner of a mark, pixels.
const CORNER: u16 = 3;

impl FrameSpec {
    /// The picture on the wall of this build.
    pub fn draw(&self, build: &Build) -> Frame {
        let mut frame = Frame::black(build.wall_size());
        match *self {
            Self::Black => {}
            Self::Cell(cell) => fill_cell(build, &mut frame, cell, 0, u16::MAX),
            Self::Block { cell, block } => {
                fill_cell(build, &mut frame, cell, block * PanelType::DRIVER_OUTPUTS, PanelType::DRIVER_OUTPUTS);
            }
            Self::Marks => (0..build.panels.len()).for_each(|p| mark(build, &mut frame, p)),
            Self::MarkOf { port, position } => {
                if let Some(p) = build.panel_at(port, position) {
                    mark(build, &mut frame, p);
                }
            }
            Self::Field(colour) => each_pixel(build, &mut frame, |_, _| 1 << colour.index()),
            Self::Row(row) => each_pixel(build, &mut frame, |_, [_, y]| if y == row { WHITE } else { 0 }),
            Self::Column(column) => each_pixel(build, &mut frame, |_, [x, _]| if x == column { WHITE } else { 0 }),
            Self::Level(thousandths) => each_pixel(build, &mut frame, |t, at| if spread(t, at, thousandths) { WHITE } else { 0 }),
        }
        frame
    }

    /// In words, e.g. `port 1 position 2 red upper`.
    pub fn title(&self) -> String {
        match self {
            Self::Black => "black".to_owned(),
            Self::Cell(c) => cell_title(c),
            Self::Block { cell, block } => {
                let first = block * PanelType::DRIVER_OUTPUTS;
                format!("{} columns {first} to {}", cell_title(cell), first + PanelType::DRIVER_OUTPUTS - 1)
            }
            Self::Marks => "marks of all panels".to_owned(),
            Self::MarkOf { port, position } => format!("mark of port {port} position {position}"),
            Self::Field(c) => format!("all {}", c.word()),
            Self::Row(r) => format!("row {r} of every panel"),
            Self::Column(c) => format!("column {c} of every panel"),
            Self::Level(l) => format!("white at {:.1} %", f64::from(*l) / 10.0),
        }
    }
}

fn cell_title(c: &Cell) -> String {
    format!("port {} position {} {} {}", c.port, c.position, c.colour.word(), c.half.word())
}

fn each_pixel(build: &Build, frame: &mut Frame, bits: impl Fn(&PanelType, [u16; 2]) -> u8) {
    for p in 0..build.panels.len() {
        let t = build.panel_type(p);
        for y in 0..t.height {
            for x in 0..t.width {
                let b = bits(t, [x, y]);
                if b != 0 {
                    frame.set(wall::to_wall(build, p, [x, y]), b);
                }
            }
        }
    }
}

fn fill_cell(build: &Build, frame: &mut Frame, cell: Cell, first: u16, columns: u16) {
    let Some(p) = build.panel_at(cell.port, cell.position) else { return };
    let t = build.panel_type(p);
    let rows = if cell.half == Half::Upper { 0..t.height / 2 } else { t.height / 2..t.height };
    for y in rows {
        for x in first.min(t.width)..first.saturating_add(columns).min(t.width) {
            frame.set(wall::to_wall(build, p, [x, y]), 1 << cell.colour.index());
        }
    }
}

/// Whether a pixel is among the `thousandths` that are lit: exactly that share of each half, spread so that
/// every row address has the same count within one.
fn spread(t: &PanelType, [x, y]: [u16; 2], thousandths: u16) -> bool {
    let rows = u64::from(t.height / 2);
    let total = rows * u64::from(t.width);
    let lit = (total * u64::from(thousandths) + 500) / 1000;
    // column by column, rows in an order that visits distant rows first
    let row = u64::from(y) % rows;
    let place = u64::from(x) * rows + (row * 7 + u64::from(x) * 3) % rows.max(1);
    let place = if rows % 7 == 0 { u64::from(x) * rows + row } else { place };
    (place + 1) * lit / total > place * lit / total
}

struct Canvas<'a> {
    frame: &'a mut Frame,
    at: [u16; 2],
    size: [u16; 2],
}

impl OriginDimensions for Canvas<'_> {
    fn size(&self) -> Size {
        Size::new(u32::from(self.size[0]), u32::from(self.size[1]))
    }
}

impl DrawTarget for Canvas<'_> {
    type Color = Rgb888;
    type Error = Infallible;
    fn draw_iter<I: IntoIterator<Item = Pixel<Rgb888>>>(&mut self, pixels: I) -> Result<(), Infallible> {
        for Pixel(point, colour) in pixels {
            if let (Ok(x), Ok(y)) = (u16::try_from(point.x), u16::try_from(point.y))
                && x < self.size[0]
                && y < self.size[1]
            {
                let bits = u8::from(colour.r() > 127) | u8::from(colour.g() > 127) << 1 | u8::from(colour.b() > 127) << 2;
                self.frame.set([self.at[0] + x, self.at[1] + y], bits);
            }
        }
        Ok(())
    }
}

/// Port.position, an arrow to the wall's top, and four corners of different colour, upright on the wall.
fn mark(build: &Build, frame: &mut Frame, panel: usize) {
    let p = &build.panels[panel];
    let size = wall::footprint(build, panel);
    let [w, h] = size;
    for (corner, bits) in [([0, 0], 1), ([w - CORNER, 0], 2), ([0, h - CORNER], 4), ([w - CORNER, h - CORNER], WHITE)] {
        for dy in 0..CORNER {
            for dx in 0..CORNER {
                frame.set([p.at[0] + corner[0] + dx, p.at[1] + corner[1] + dy], bits);
            }
        }
    }
    let mut canvas = Canvas { frame, at: p.at, size };
    let (w, h) = (i32::from(w), i32::from(h));
    let text = format!("{}.{}", p.port, p.position);
    let style = MonoTextStyle::new(&FONT_6X10, Rgb888::WHITE);
    let width = 6 * text.len() as i32;
    let left = ((w - width - 8) / 2).max(0);
    let top = (h - 10) / 2;
    let arrow =
        Triangle::new(Point::new(left + width + 1, top + 7), Point::new(left + width + 4, top + 1), Point::new(left + width + 7, top + 7));
    // a canvas cannot fail
    let _ = Text::with_baseline(&text, Point::new(left, top), style, Baseline::Top).draw(&mut canvas);
    let _ = arrow.into_styled(PrimitiveStyle::with_fill(Rgb888::GREEN)).draw(&mut canvas);
}

/// Share of each panel's pixels of each colour that a frame lights: what the power network takes.
pub fn lit_fractions(build: &Build, frame: &Frame) -> Vec<[f64; 3]> {
    (0..build.panels.len())
        .map(|p| {
            let [w, h] = wall::footprint(build, p);
            let [x0, y0] = build.panels[p].at;
            let mut counts = [0_u32; 3];
            for y in 0..h {
                for x in 0..w {
                    let bits = frame.get([x0 + x, y0 + y]);
                    for c in Colour::ALL {
                        counts[c.index()] += u32::from(bits >> c.index() & 1);
                    }
                }
            }
            counts.map(|n| f64::from(n) / (f64::from(w) * f64::from(h)))
        })
        .collect()
}

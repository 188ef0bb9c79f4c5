//! Test pictures: what each one is ([`FrameSpec`]) and its pixels on the wall ([`Frame`]).

mod draw;

pub use draw::lit_fractions;

use crate::build::{Colour, Half};
use serde::{Deserialize, Serialize};

/// The smallest thing lit alone in the sweep.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cell {
    /// Port number.
    pub port: u8,
    /// Position in the chain, from 1.
    pub position: u8,
    /// Colour.
    pub colour: Colour,
    /// Upper or lower data lines.
    pub half: Half,
}

/// What a frame shows. Colours are on or off; levels come from the lit fraction or from OE duty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FrameSpec {
    /// Nothing lit, clocked like any other frame.
    Black,
    /// One cell, all its pixels.
    Cell(Cell),
    /// One driver chip's share of a cell: columns `16·block` to `16·block + 15` in the panel's own frame.
    Block {
        /// The cell.
        cell: Cell,
        /// Block number from the left, arrow up.
        block: u16,
    },
    /// Port·position, an up arrow and colour corners on every panel, upright on the wall.
    Marks,
    /// Every pixel in one colour.
    Field(Colour),
    /// One row of every panel (its own frame), white.
    Row(u16),
    /// One column of every panel (its own frame), white.
    Column(u16),
    /// White on this share of the pixels, in thousandths, spread evenly over each half of each panel.
    Level(u16),
    /// One panel's mark alone.
    MarkOf {
        /// Port number.
        port: u8,
        /// Position.
        position: u8,
    },
}

/// A picture in wall pixels, front view, one bit per colour.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    size: [u16; 2],
    pixels: Vec<u8>,
}

impl Frame {
    /// A dark frame of this width and height.
    pub fn black(size: [u16; 2]) -> Self {
        Self { size, pixels: vec![0; usize::from(size[0]) * usize::from(size[1])] }
    }
    /// Width and height.
    pub fn size(&self) -> [u16; 2] {
        self.size
    }
    /// Colour bits of a pixel: bit 0 red, bit 1 green, bit 2 blue. Dark outside the frame.
    pub fn get(&self, [x, y]: [u16; 2]) -> u8 {
        if x < self.size[0] && y < self.size[1] { self.pixels[usize::from(y) * usize::from(self.size[0]) + usize::from(x)] } else { 0 }
    }
    /// Sets the colour bits of a pixel; outside the frame nothing happens.
    pub fn set(&mut self, [x, y]: [u16; 2], bits: u8) {
        if x < self.size[0] && y < self.size[1] {
            self.pixels[usize::from(y) * usize::from(self.size[0]) + usize::from(x)] = bits;
        }
    }
    /// Row-major colour bits.
    pub fn pixels(&self) -> &[u8] {
        &self.pixels
    }
}

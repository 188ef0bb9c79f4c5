//! Frame → words. A row is shifted in while the row before it is lit; then, dark, it is latched and its address
//! selected.

use super::{ScanProgram, Word, scheme};
use crate::build::{Build, Half};
use crate::frame::Frame;
use crate::wall;

fn bit(pin: u8) -> u32 {
    1 << pin
}

fn all_data(build: &Build) -> u32 {
    build.adapter.ports.iter().flat_map(|p| p.data.iter().flatten()).fold(0, |m, &pin| m | bit(pin))
}

fn address_mask(build: &Build) -> u32 {
    build.adapter.address.iter().fold(0, |m, &pin| m | bit(pin))
}

fn address_bits(build: &Build, address: u16) -> u32 {
    build.adapter.address.iter().enumerate().filter(|(i, _)| address >> i & 1 == 1).fold(0, |m, (_, &pin)| m | bit(pin))
}

/// Words that turn the wall dark: OE high first, then everything else low.
pub fn blank_words(build: &Build) -> Vec<Word> {
    let a = &build.adapter;
    vec![Word { clear: 0, set: bit(a.oe) }, Word { clear: all_data(build) | bit(a.clk) | bit(a.lat) | address_mask(build), set: 0 }]
}

/// Computes the program of a frame at an OE duty in thousandths (1000 = lit for the whole row time).
pub fn compile(build: &Build, frame: &Frame, duty: u16) -> ScanProgram {
    let a = &build.adapter;
    let rows = build.addresses();
    let data: Vec<Vec<u32>> = (0..rows).map(|address| row_data(build, frame, address)).collect();
    let columns = data.first().map_or(0, Vec::len);
    // the column before whose clock OE goes high again; `columns` = after the last one
    let dark_from = (columns * usize::from(duty.min(1000)) + 500) / 1000;
    let (clk, lat, oe) = (bit(a.clk), bit(a.lat), bit(a.oe));
    let every = all_data(build);

    let mut last = 0;
    let mut prepare = blank_words(build);
    shift(&mut prepare, &data[0], &mut last, clk, None);
    latch(&mut prepare, build, 0, clk, lat, oe);

    let mut refresh = Vec::with_capacity(usize::from(rows) * (2 * columns + 6));
    // every row starts from the data of the row before, so the cycle closes on itself
    for address in 0..rows {
        let next = (address + 1) % rows;
        if dark_from > 0 {
            refresh.push(Word { clear: oe, set: 0 });
        }
        let off = (dark_from < columns).then_some((dark_from, oe));
        shift(&mut refresh, &data[usize::from(next)], &mut last, clk, off);
        latch(&mut refresh, build, next, clk, lat, oe);
    }
    let mhz = build.panels.iter().map(|p| build.panel_types[p.kind].clock_mhz).fold(f64::INFINITY, f64::min);
    ScanProgram { prepare, refresh, oe, mask: every | clk | lat | oe | address_mask(build), pulse_ns: 500.0 / mhz }
}

/// Two words a column: clock low with the new data, clock high.
fn shift(words: &mut Vec<Word>, row: &[u32], last: &mut u32, clk: u32, off: Option<(usize, u32)>) {
    for (column, &data) in row.iter().enumerate() {
        let oe = match off {
            Some((at, oe)) if at == column => oe,
            _ => 0,
        };
        words.push(Word { clear: clk | (*last & !data), set: (data & !*last) | oe });
        words.push(Word { clear: 0, set: clk });
        *last = data;
    }
}

fn latch(words: &mut Vec<Word>, build: &Build, address: u16, clk: u32, lat: u32, oe: u32) {
    words.push(Word { clear: 0, set: oe });
    words.push(Word { clear: clk, set: 0 });
    let set = address_bits(build, address);
    words.push(Word { clear: address_mask(build) & !set, set });
    words.push(Word { clear: 0, set: lat });
    words.push(Word { clear: lat, set: 0 });
}

/// Data lines per clock of one row, in the order clocked: the last one ends nearest the ports.
fn row_data(build: &Build, frame: &Frame, address: u16) -> Vec<u32> {
    let length = |chain: &crate::build::Chain| chain.panels.iter().map(|&p| build.panel_type(p).stages()).sum::<usize>();
    let columns = build.chains.iter().map(length).max().unwrap_or(0);
    let mut row = vec![0_u32; columns];
    for chain in &build.chains {
        let Some(pins) = build.adapter.ports.iter().find(|p| p.port == chain.port) else { continue };
        let mut stage_of_chain = 0;
        for &p in &chain.panels {
            let t = build.panel_type(p);
            for half in Half::ALL {
                let lines = pins.data[half.index()].map(bit);
                for stage in 0..t.stages() {
                    let pixel = scheme::stage_pixel(t, half, address, stage);
                    let bits = frame.get(wall::to_wall(build, p, pixel));
                    let word = &mut row[columns - 1 - (stage_of_chain + stage)];
                    for (c, line) in lines.iter().enumerate() {
                        if bits >> c & 1 == 1 {
                            *word |= line;
                        }
                    }
                }
            }
            stage_of_chain += t.stages();
        }
    }
    row
}

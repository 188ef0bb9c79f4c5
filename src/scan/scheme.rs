//! Which pixel a stage of a panel's shift register serves.

use crate::build::{Half, InputSide, PanelType};

/// Pixel in the panel's own frame that stage `stage` (0 nearest the data input) of a half's data lines drives
/// while row address `address` is selected.
pub fn stage_pixel(panel: &PanelType, half: Half, address: u16, stage: usize) -> [u16; 2] {
    let s = &panel.scheme;
    let block = usize::from(s.block);
    let group = block * usize::from(s.fold);
    let run = s.order[stage % group / block];
    let within = stage % block;
    let within = if run.mirrored { block - 1 - within } else { within };
    let from_input = (stage / group * block + within) as u16;
    let x = match panel.input_side {
        InputSide::Left => from_input,
        InputSide::Right => panel.width - 1 - from_input,
    };
    let y = half.index() as u16 * (panel.height / 2) + run.segment * s.addresses + address % s.addresses;
    [x, y]
}

//! The simulated person: compares the lit wall with the expected picture, panel by panel, and says what
//! differs in the words a person would use. Knows nothing of the faults.

use crate::build::{Build, Colour};
use crate::event::{Answer, Difference, Question, Seen, Whereabouts};
use crate::frame::{Frame, FrameSpec};
use crate::wall;

/// A colour counts as lit from this share of the brightest pixel on the wall.
const SEEN_SHARE: f32 = 0.3;
/// More wrong rows or columns than this are told as "part of the panel".
const COUNTED_LINES: usize = 8;

/// Looks at the wall (row-major, light per colour) and answers.
pub fn look(build: &Build, question: &Question, expected: &Frame, pixels: &[[f32; 3]]) -> Answer {
    let seen = as_bits(expected.size(), pixels);
    let mut differences = Vec::new();
    for panel in 0..build.panels.len() {
        if let Some(what) = differs(build, panel, question.frame, expected, &seen) {
            let p = &build.panels[panel];
            differences.push(Difference { port: p.port, position: p.position, seen: what });
        }
    }
    if differences.is_empty() { Answer::AsShown } else { Answer::Differs(differences) }
}

fn as_bits(size: [u16; 2], pixels: &[[f32; 3]]) -> Frame {
    let brightest = pixels.iter().flatten().copied().fold(0.0_f32, f32::max);
    let mut frame = Frame::black(size);
    if brightest > 0.0 {
        for (i, light) in pixels.iter().enumerate() {
            let bits = (0..3).filter(|&c| light[c] > SEEN_SHARE * brightest).fold(0, |b, c| b | 1 << c);
            let width = usize::from(size[0]);
            frame.set([(i % width) as u16, (i / width) as u16], bits);
        }
    }
    frame
}

/// A panel's share of a picture, row-major over its footprint.
fn crop(build: &Build, panel: usize, frame: &Frame) -> Vec<u8> {
    let [w, h] = wall::footprint(build, panel);
    let [x0, y0] = build.panels[panel].at;
    (0..h).flat_map(|y| (0..w).map(move |x| [x0 + x, y0 + y])).map(|at| frame.get(at)).collect()
}

/// The picture turned clockwise by quarter turns, where the footprint allows it.
fn turned(picture: &[u8], [w, h]: [u16; 2], quarter_turns: u16) -> Option<Vec<u8>> {
    (quarter_turns == 2 || w == h).then(|| turn(picture, [w, h], quarter_turns))
}

/// The picture turned clockwise by quarter turns; an odd number of them exchanges width and height.
fn turn(picture: &[u8], [w, h]: [u16; 2], quarter_turns: u16) -> Vec<u8> {
    let (w, h) = (usize::from(w), usize::from(h));
    match quarter_turns % 4 {
        1 => (0..w).flat_map(|y| (0..h).map(move |x| picture[(h - 1 - x) * w + y])).collect(),
        2 => picture.iter().rev().copied().collect(),
        3 => (0..w).flat_map(|y| (0..h).map(move |x| picture[x * w + (w - 1 - y)])).collect(),
        _ => picture.to_vec(),
    }
}

/// A mark is read where at least this share of what is lit in it or on the panel agrees.
const READ_SHARE: f64 = 0.7;

/// At which place of `asked` the mark appears on the wall `build`, and how far its arrow is from upright.
pub fn find(build: &Build, asked: &Build, mark: &Frame, pixels: &[[f32; 3]]) -> Whereabouts {
    let seen = as_bits(build.wall_size(), pixels);
    let [w, h] = mark.size();
    let mut best = (READ_SHARE, Whereabouts::Nowhere);
    for place in &asked.panels {
        for quarter in 0..4 {
            let size = if quarter % 2 == 0 { [w, h] } else { [h, w] };
            let want = turn(mark.pixels(), [w, h], quarter);
            let have = (0..size[1]).flat_map(|y| (0..size[0]).map(move |x| [place.at[0] + x, place.at[1] + y])).map(|at| seen.get(at));
            let (mut both, mut either) = (0_u32, 0_u32);
            for (want, have) in want.iter().zip(have) {
                both += u32::from(*want != 0 && *want == have);
                either += u32::from(*want != 0 || have != 0);
            }
            let share = f64::from(both) / f64::from(either.max(1));
            if share > best.0 {
                best = (share, Whereabouts::At { at: place.at, degrees: 90 * quarter });
            }
        }
    }
    best.1
}

fn differs(build: &Build, panel: usize, spec: FrameSpec, expected: &Frame, seen: &Frame) -> Option<Seen> {
    let want = crop(build, panel, expected);
    let have = crop(build, panel, seen);
    if want == have {
        return None;
    }
    if have.iter().all(|&b| b == 0) {
        return Some(Seen::Dark);
    }
    let size = wall::footprint(build, panel);
    if matches!(spec, FrameSpec::Marks | FrameSpec::MarkOf { .. }) {
        for quarter in 1..4 {
            if turned(&want, size, quarter).is_some_and(|t| t == have) {
                return Some(Seen::Turned { degrees: 90 * quarter });
            }
        }
        for (other, p) in build.panels.iter().enumerate() {
            if other != panel && wall::footprint(build, other) == size && crop(build, other, expected) == have {
                return Some(Seen::PictureOf { port: p.port, position: p.position });
            }
        }
    }
    if let Some(colours) = other_colours(&want, &have) {
        return Some(colours);
    }
    Some(where_wrong(build, panel, &want, &have))
}

/// One colour wherever something should be lit, another one seen there.
fn other_colours(want: &[u8], have: &[u8]) -> Option<Seen> {
    let mut lit = want.iter().zip(have).filter(|(w, _)| **w != 0);
    let (&first_want, &first_have) = lit.next()?;
    let uniform = lit.all(|(&w, &h)| w == first_want && h == first_have);
    let dark_elsewhere = want.iter().zip(have).all(|(&w, &h)| w != 0 || h == 0);
    (uniform && dark_elsewhere && first_want != first_have)
        .then(|| Seen::WrongColour { expected: colour_words(first_want), seen: colour_words(first_have) })
}

fn colour_words(bits: u8) -> String {
    let words: Vec<_> = Colour::ALL.into_iter().filter(|c| bits >> c.index() & 1 == 1).map(Colour::word).collect();
    if words.is_empty() { "dark".to_owned() } else { words.join(" and ") }
}

/// Wrong pixels in the panel's own frame, told as rows, columns or a part.
fn where_wrong(build: &Build, panel: usize, want: &[u8], have: &[u8]) -> Seen {
    let [w, _] = wall::footprint(build, panel);
    let [x0, y0] = build.panels[panel].at;
    let wrong: Vec<[u16; 2]> = (0..want.len())
        .filter(|&i| want[i] != have[i])
        .filter_map(|i| {
            let (x, y) = ((i % usize::from(w)) as u16, (i / usize::from(w)) as u16);
            wall::from_wall(build, [x0 + x, y0 + y]).map(|(_, own)| own)
        })
        .collect();
    let distinct = |axis: usize| {
        let mut all: Vec<u16> = wrong.iter().map(|p| p[axis]).collect();
        all.sort_unstable();
        all.dedup();
        all
    };
    let (columns, rows) = (distinct(0), distinct(1));
    if rows.len() <= COUNTED_LINES && rows.len() <= columns.len() {
        return Seen::Rows(rows);
    }
    if columns.len() <= COUNTED_LINES {
        return Seen::Columns(columns);
    }
    let span = |all: &[u16]| [all.first().copied().unwrap_or(0), all.last().copied().unwrap_or(0)];
    Seen::Part { columns: span(&columns), rows: span(&rows) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_a_turn_reverses_a_picture_and_four_quarters_restore_it() {
        let picture = [1, 2, 3, 4, 5, 6];
        assert_eq!(turned(&picture, [3, 2], 2), Some(vec![6, 5, 4, 3, 2, 1]));
        assert_eq!(turned(&picture, [3, 2], 1), None);
        let square = vec![1, 2, 3, 4];
        assert_eq!(turned(&square, [2, 2], 1), Some(vec![3, 1, 4, 2]));
        let mut back = square.clone();
        for _ in 0..4 {
            back = turned(&back, [2, 2], 1).unwrap();
        }
        assert_eq!(back, square);
        let three = turned(&square, [2, 2], 3).unwrap();
        assert_eq!(turned(&three, [2, 2], 1), Some(square));
    }

    #[test]
    fn a_colour_read_as_another_is_named() {
        assert_eq!(other_colours(&[1, 1, 0], &[2, 2, 0]), Some(Seen::WrongColour { expected: "red".to_owned(), seen: "green".to_owned() }));
        assert_eq!(other_colours(&[1, 1, 0], &[2, 1, 0]), None);
    }
}

//! What a witness' statements say about each panel: many differences, told picture by picture, folded into the few faults that
//! explain them.
//!
//! A walking row or column crosses whatever is dead in its way, so that one dead chip makes a dozen pictures differ. The statements on
//! whole colour fields tell most (which colour, which part of the panel); those on rows tell the address lines; the marks tell turns
//! and places. Probabilities are judgements of practice (no source).

use super::checks::{Judge, difference_text};
use crate::build::{Build, Colour, Half, PanelType};
use crate::event::{Answer, Difference, Seen};
use crate::fault::{Fault, Line};
use crate::frame::FrameSpec;
use std::collections::{BTreeMap, BTreeSet};

/// A fault that a witness' statements point at.
#[derive(Clone, Debug)]
pub(super) struct Told {
    /// `None` where no fault of the dictionary looks like this.
    pub fault: Option<Fault>,
    pub port: u8,
    pub position: u8,
    pub probability: f64,
    pub others: Vec<(Fault, f64)>,
    pub evidence: Vec<String>,
}

/// More dead rows or columns of one panel than this are told as one unknown fault.
const MOST_LINES: usize = 4;

/// The statements on one panel.
struct Statements<'a> {
    build: &'a Build,
    panel: usize,
    list: Vec<(FrameSpec, &'a Difference)>,
    /// Asked pictures that nobody objected to on this panel are as shown.
    asked: &'a [FrameSpec],
}

/// What is wrong with a field of one colour.
enum Area {
    Rows(Vec<u16>),
    Columns(Vec<u16>),
    Part { columns: [u16; 2], rows: [u16; 2] },
}

impl Statements<'_> {
    fn port(&self) -> u8 {
        self.build.panels[self.panel].port
    }
    fn position(&self) -> u8 {
        self.build.panels[self.panel].position
    }
    fn after(&self) -> u8 {
        self.position().saturating_sub(1)
    }
    fn size(&self) -> [u16; 2] {
        let t = self.build.panel_type(self.panel);
        [t.width, t.height]
    }
    fn told(&self, fault: Fault, probability: f64, others: Vec<(Fault, f64)>) -> Told {
        let evidence = self.list.iter().map(|(frame, d)| format!("the witness on {}: {}", picture(*frame), difference_text(d))).collect();
        Told { fault: Some(fault), port: self.port(), position: self.position(), probability, others, evidence }
    }
    fn unknown(&self) -> Vec<Told> {
        vec![Told { fault: None, ..self.told(Fault::PanelDark { port: 0, position: 0 }, 0.5, vec![]) }]
    }

    fn seen(&self) -> impl Iterator<Item = (FrameSpec, &Seen)> {
        self.list.iter().map(|(frame, d)| (*frame, &d.seen))
    }

    fn area(&self, seen: &Seen) -> Option<Area> {
        let [w, h] = self.size();
        match seen {
            Seen::Dark | Seen::WrongColour { .. } => Some(Area::Part { columns: [0, w - 1], rows: [0, h - 1] }),
            Seen::Part { columns, rows } => Some(Area::Part { columns: *columns, rows: *rows }),
            Seen::Rows(list) if list.len() == usize::from(h) => Some(Area::Part { columns: [0, w - 1], rows: [0, h - 1] }),
            Seen::Rows(list) => Some(Area::Rows(list.clone())),
            Seen::Columns(list) => Some(Area::Columns(list.clone())),
            _ => None,
        }
    }

    /// The fields of colour that differ, with where.
    fn fields(&self) -> Vec<(Colour, Area)> {
        self.seen().filter_map(|(frame, seen)| if let FrameSpec::Field(k) = frame { Some((k, self.area(seen)?)) } else { None }).collect()
    }

    fn halves(&self, rows: [u16; 2]) -> Vec<Half> {
        let middle = self.size()[1] / 2;
        let upper = (rows[0] < middle).then_some(Half::Upper);
        upper.into_iter().chain((rows[1] >= middle).then_some(Half::Lower)).collect()
    }

    /// Asked single rows that differ, and what was seen.
    fn rows(&self) -> Vec<(u16, &Seen)> {
        self.seen().filter_map(|(frame, seen)| if let FrameSpec::Row(r) = frame { Some((r, seen)) } else { None }).collect()
    }

    fn columns(&self) -> Vec<u16> {
        self.seen().filter_map(|(frame, _)| if let FrameSpec::Column(c) = frame { Some(c) } else { None }).collect()
    }

    /// The half in which single rows differ, where it is only one.
    fn half_of_rows(&self) -> Option<Half> {
        let middle = self.size()[1] / 2;
        let halves: BTreeSet<bool> = self.rows().iter().map(|(r, _)| *r < middle).collect();
        let asked: BTreeSet<bool> =
            self.asked.iter().filter_map(|f| if let FrameSpec::Row(r) = f { Some(*r < middle) } else { None }).collect();
        (halves.len() == 1 && asked.len() == 2).then(|| if halves.contains(&true) { Half::Upper } else { Half::Lower })
    }

    /// The address bit that moves rows, and the value that it is stuck at: rows with the other value appear where those with this one
    /// belong.
    fn address(&self) -> Option<(usize, bool)> {
        let addresses = self.build.panel_type(self.panel).scheme.addresses;
        let mut found: Option<(usize, bool)> = None;
        let rows = self.rows();
        for (asked, seen) in &rows {
            let Seen::Rows(list) = seen else { return None };
            let [other] = list.iter().copied().filter(|r| r != asked).collect::<Vec<_>>()[..] else { return None };
            let moved = asked ^ other;
            if !moved.is_power_of_two() || moved >= addresses {
                return None;
            }
            let here = (moved.trailing_zeros() as usize, asked & moved == 0);
            if found.is_some_and(|f| f != here) {
                return None;
            }
            found = Some(here);
        }
        found
    }

    /// Rows that appear in the other half: a data line of one half feeds the other.
    fn exchanged_halves(&self) -> bool {
        let middle = self.size()[1] / 2;
        let rows = self.rows();
        !rows.is_empty()
            && rows.iter().all(|(asked, seen)| {
                matches!(seen, Seen::Rows(list) if list.len() == 2 && list.contains(asked) && list.contains(&((asked + middle) % (2 * middle))))
            })
    }

    fn diagnose(&self) -> Vec<Told> {
        let (port, position, after) = (self.port(), self.position(), self.after());
        if let Some(degrees) = self.seen().find_map(|(_, s)| if let Seen::Turned { degrees } = s { Some(*degrees) } else { None }) {
            return vec![self.told(Fault::PanelTurned { port, position, degrees }, 0.95, vec![])];
        }
        let fields = self.asked.iter().filter(|f| matches!(f, FrameSpec::Field(_))).count();
        let dark = self.seen().filter(|(f, s)| matches!(f, FrameSpec::Field(_)) && **s == Seen::Dark).count();
        let marks_dark = self.seen().any(|(f, s)| matches!(f, FrameSpec::Marks | FrameSpec::MarkOf { .. }) && *s == Seen::Dark);
        if marks_dark || (fields > 0 && dark == fields) {
            return vec![self.told(Fault::PanelDark { port, position }, 0.6, vec![(Fault::RibbonOpen { port, after }, 0.3)])];
        }
        if let Some((bit, _)) = self.address() {
            return vec![self.told(Fault::LineOpen { port, line: Line::address(bit), after }, 0.8, vec![])];
        }
        let found = self.by_fields();
        if !found.is_empty() {
            return found;
        }
        if self.exchanged_halves() {
            let pairs = [[Line::R1, Line::R2], [Line::G1, Line::G2], [Line::B1, Line::B2]];
            let [first, rest @ ..] = pairs.map(|lines| Fault::LinesSwapped { port, lines, after });
            return vec![self.told(first, 0.4, rest.into_iter().map(|f| (f, 0.3)).collect())];
        }
        self.by_lines()
    }

    /// From the colour fields: dead rows, columns, chips, and data lines.
    fn by_fields(&self) -> Vec<Told> {
        let (port, position) = (self.port(), self.position());
        let width = self.size()[0];
        let (mut rows, mut out) = (BTreeSet::new(), Vec::new());
        let mut lines: BTreeMap<Half, BTreeSet<Colour>> = BTreeMap::new();
        for (colour, area) in self.fields() {
            match area {
                Area::Rows(list) => rows.extend(list),
                Area::Columns(list) if list.len() <= MOST_LINES => {
                    let half = self.half_of_rows();
                    for column in list {
                        let dead = |half| Fault::ColumnDead { port, position, colour, half, column };
                        out.push(match half {
                            Some(half) => self.told(dead(half), 0.85, vec![]),
                            None => self.told(dead(Half::Upper), 0.5, vec![(dead(Half::Lower), 0.4)]),
                        });
                    }
                }
                Area::Columns(list) => {
                    let blocks: BTreeSet<u16> = list.iter().map(|c| c / PanelType::DRIVER_OUTPUTS).collect();
                    let half = self.half_of_rows().unwrap_or(Half::Upper);
                    out.extend(
                        blocks.into_iter().map(|block| self.told(Fault::DriverDead { port, position, colour, half, block }, 0.5, vec![])),
                    );
                }
                Area::Part { columns, rows } if columns == [0, width - 1] => {
                    for half in self.halves(rows) {
                        lines.entry(half).or_default().insert(colour);
                    }
                }
                Area::Part { columns, rows } => {
                    for half in self.halves(rows) {
                        for block in columns[0] / PanelType::DRIVER_OUTPUTS..=columns[1] / PanelType::DRIVER_OUTPUTS {
                            out.push(self.told(Fault::DriverDead { port, position, colour, half, block }, 0.85, vec![]));
                        }
                    }
                }
            }
        }
        match self.crossed(&lines) {
            Some(crossed) => out.push(crossed),
            None => out.extend(lines.into_iter().flat_map(|(half, colours)| self.line(half, &colours))),
        }
        if rows.len() > MOST_LINES {
            return self.unknown();
        }
        out.extend(rows.into_iter().map(|row| self.told(Fault::RowDead { port, position, row }, 0.85, vec![])));
        out
    }

    /// The same two colours differ in both halves, and rows appear in the other one: a line of one colour and half is exchanged with one
    /// of the other colour and half.
    fn crossed(&self, lines: &BTreeMap<Half, BTreeSet<Colour>>) -> Option<Told> {
        let (port, after) = (self.port(), self.after());
        let (upper, lower) = (lines.get(&Half::Upper)?, lines.get(&Half::Lower)?);
        let [a, b] = upper.iter().copied().collect::<Vec<_>>()[..] else { return None };
        if upper != lower || !self.exchanged_halves() {
            return None;
        }
        let swapped = |x, y| Fault::LinesSwapped { port, lines: [Line::data(Half::Upper, x), Line::data(Half::Lower, y)], after };
        Some(self.told(swapped(a, b), 0.5, vec![(swapped(b, a), 0.4)]))
    }

    /// Colours that differ over the whole width of a half: an open line leaves white rows without that colour, exchanged lines leave
    /// white rows white.
    fn line(&self, half: Half, colours: &BTreeSet<Colour>) -> Vec<Told> {
        let (port, after) = (self.port(), self.after());
        let middle = self.size()[1] / 2;
        let in_half = |r: u16| (r < middle) == (half == Half::Upper);
        let asked = self.asked.iter().any(|f| matches!(f, FrameSpec::Row(r) if in_half(*r)));
        let white_differs = self.rows().iter().any(|(r, _)| in_half(*r));
        let open = |k: Colour| Fault::LineOpen { port, line: Line::data(half, k), after };
        match colours.iter().copied().collect::<Vec<_>>()[..] {
            [k] => vec![self.told(open(k), 0.85, vec![])],
            [a, b] => {
                let lines = [Line::data(half, a), Line::data(half, b)];
                let (swapped, shorted) = (Fault::LinesSwapped { port, lines, after }, Fault::LinesShorted { port, lines, after });
                match (asked, white_differs) {
                    (true, false) => vec![self.told(swapped, 0.9, vec![])],
                    (true, true) => vec![self.told(shorted, 0.7, vec![])],
                    (false, _) => vec![self.told(swapped, 0.5, vec![(shorted, 0.4)])],
                }
            }
            _ => colours.iter().map(|k| self.told(open(*k), 0.4, vec![])).collect(),
        }
    }

    /// From walking rows and columns alone.
    fn by_lines(&self) -> Vec<Told> {
        let (port, position) = (self.port(), self.position());
        let (rows, columns) = (self.rows(), self.columns());
        match (rows.len(), columns.len()) {
            (1..=MOST_LINES, 0) => {
                let dead = |row: u16| Fault::RowDead { port, position, row };
                rows.iter().map(|(row, _)| self.told(dead(*row), 0.8, vec![])).collect()
            }
            (0, 1..=MOST_LINES) => {
                let dead = |column, colour, half| Fault::ColumnDead { port, position, colour, half, column };
                let one = |c: u16| self.told(dead(c, Colour::Red, Half::Upper), 0.2, vec![]);
                columns.iter().map(|c| one(*c)).collect()
            }
            _ => self.unknown(),
        }
    }
}

fn picture(frame: FrameSpec) -> String {
    match frame {
        FrameSpec::Marks | FrameSpec::MarkOf { .. } => "the marks".into(),
        FrameSpec::Field(colour) => format!("the {} field", colour.word()),
        FrameSpec::Row(r) => format!("row {r}"),
        FrameSpec::Column(c) => format!("column {c}"),
        _ => "the picture".into(),
    }
}

/// What the witness' statements point at, for panels that `explained` does not account for already.
pub(super) fn told(judge: &Judge<'_>, explained: &dyn Fn(u8, u8) -> bool) -> Vec<Told> {
    let build = judge.build;
    let asked: Vec<FrameSpec> = judge.record.witnessed.iter().filter(|(_, _, a)| **a != Answer::Absent).map(|(_, q, _)| q.frame).collect();
    let all: Vec<(FrameSpec, &Difference)> = judge.record.differences().map(|(q, d)| (q.frame, d)).collect();
    let mut panels: Vec<Statements<'_>> = Vec::new();
    for (panel, p) in build.panels.iter().enumerate() {
        let list: Vec<_> = all.iter().copied().filter(|(_, d)| (d.port, d.position) == (p.port, p.position)).collect();
        // exchanged panels are told by the marks, and show everything else rightly or elsewhere
        let exchanged = list.iter().any(|(_, d)| matches!(d.seen, Seen::PictureOf { .. }));
        if !list.is_empty() && !exchanged && !explained(p.port, p.position) {
            panels.push(Statements { build, panel, list, asked: &asked });
        }
    }
    // an address line at the adapter moves rows on every panel alike
    let bits: BTreeSet<_> = panels.iter().map(Statements::address).collect();
    if panels.len() == build.panels.len()
        && let [Some((bit, high))] = bits.into_iter().collect::<Vec<_>>()[..]
    {
        return vec![panels[0].told(Fault::AddressStuck { line: Line::address(bit), high }, 0.9, vec![])];
    }
    let mut out: Vec<Told> = panels.iter().flat_map(Statements::diagnose).collect();
    // what begins at one ribbon shows on every panel behind it: the first is named
    out.sort_by_key(|t| (t.port, t.position));
    let mut kept: Vec<Told> = Vec::new();
    for t in out {
        let behind = |k: &&Told| k.port == t.port && same_line(k.fault.as_ref(), t.fault.as_ref());
        if !kept.iter().any(|k| behind(&k)) {
            kept.push(t);
        }
    }
    dark_tails(build, kept)
}

fn same_line(a: Option<&Fault>, b: Option<&Fault>) -> bool {
    match (a, b) {
        (Some(Fault::LineOpen { line: x, .. }), Some(Fault::LineOpen { line: y, .. })) => x == y,
        (Some(Fault::LinesSwapped { lines: x, .. }), Some(Fault::LinesSwapped { lines: y, .. }))
        | (Some(Fault::LinesShorted { lines: x, .. }), Some(Fault::LinesShorted { lines: y, .. })) => x == y,
        _ => false,
    }
}

/// Several dark panels up to the end of a chain are one open ribbon.
fn dark_tails(build: &Build, told: Vec<Told>) -> Vec<Told> {
    let mut out = told;
    for chain in &build.chains {
        let dark = |out: &[Told], position: u8| out.iter().position(|t| t.fault == Some(Fault::PanelDark { port: chain.port, position }));
        let last = chain.panels.len() as u8;
        let Some(first) = (1..=last).find(|&p| (p..=last).all(|q| dark(&out, q).is_some())) else { continue };
        if first < last {
            let evidence = (first..=last).filter_map(|p| dark(&out, p)).flat_map(|i| out[i].evidence.clone()).collect();
            out.retain(|t| !matches!(t.fault, Some(Fault::PanelDark { port, position }) if port == chain.port && position >= first));
            let after = first - 1;
            let fault = Some(Fault::RibbonOpen { port: chain.port, after });
            let others = [Line::Clk, Line::Lat, Line::Oe].map(|line| (Fault::LineOpen { port: chain.port, line, after }, 0.1)).to_vec();
            out.push(Told { fault, port: chain.port, position: first, probability: 0.6, others, evidence });
        }
    }
    out
}

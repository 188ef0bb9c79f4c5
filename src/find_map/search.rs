//! What to light next, and what the answers add up to. Pure.

use crate::build::{Build, Chain, Panel, PanelType, Up};
use crate::drawing;
use crate::event::Whereabouts;
use crate::frame::{Frame, FrameSpec};
use crate::wall;
use std::collections::BTreeMap;

/// A panel in its chain, as found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seat {
    /// Index, in the build, of the panel that was expected at this place of the wall.
    pub panel: usize,
    /// Where its arrow points.
    pub up: Up,
}

/// Every chain, position 1 first, ordered by port.
pub type Found = BTreeMap<u8, Vec<Seat>>;

/// The search on one wall.
pub struct Search<'a> {
    build: &'a Build,
    kind: usize,
    most: u8,
    asked: Option<(u8, u8)>,
    answers: BTreeMap<(u8, u8), Whereabouts>,
}

impl<'a> Search<'a> {
    /// A search on the places of this build; its chains are only a first guess.
    ///
    /// # Errors
    /// Where panels differ in size or row scheme: what lies behind an unknown panel can't be addressed.
    pub fn new(build: &'a Build) -> Result<Self, String> {
        let alike = |a: &PanelType, b: &PanelType| (a.width, a.height, &a.scheme) == (b.width, b.height, &b.scheme);
        let first = build.panels.first().ok_or("the build has no panel")?;
        if let Some(other) = (0..build.panels.len()).find(|&p| !alike(build.panel_type(p), &build.panel_types[first.kind])) {
            return Err(format!(
                "the map can be found only where all panels have the same size and row scheme; this build has `{}` and `{}`. Find it with one chain \
                 connected at a time, and a build file of that chain alone",
                build.panel_types[first.kind].name,
                build.panel_type(other).name
            ));
        }
        let most = u8::try_from(build.panels.len()).unwrap_or(u8::MAX);
        Ok(Self { build, kind: first.kind, most, asked: None, answers: BTreeMap::new() })
    }

    /// A build in which every port has as many panels as the sign has, each upright on a place of its own: its pictures
    /// address a position whatever is connected there. Shorter chains would leave rows of the picture on panels further on.
    pub fn probe(&self) -> Build {
        let t = &self.build.panel_types[self.kind];
        let mut out = self.build.clone();
        out.panels.clear();
        out.chains.clear();
        for (row, pins) in self.build.adapter.ports.iter().enumerate() {
            let first = out.panels.len();
            for position in 1..=self.most {
                let at = [t.width * u16::from(position - 1), t.height * row as u16];
                let (port, feed) = (pins.port, self.build.panels[0].feed);
                out.panels.push(Panel { port, position, kind: self.kind, at, up: Up::Up, feed, serial: None, ribbon_m: 0.0 });
            }
            out.chains.push(Chain { port: pins.port, panels: (first..out.panels.len()).collect() });
        }
        out
    }

    /// The mark of a position as its panel shows it, arrow up.
    pub fn mark(&self, port: u8, position: u8) -> Frame {
        let probe = self.probe();
        let whole = FrameSpec::MarkOf { port, position }.draw(&probe);
        let Some(panel) = probe.panel_at(port, position) else { return whole };
        let [w, h] = wall::footprint(&probe, panel);
        let [x0, y0] = probe.panels[panel].at;
        let mut mark = Frame::black([w, h]);
        for (x, y) in (0..h).flat_map(|y| (0..w).map(move |x| (x, y))) {
            mark.set([x, y], whole.get([x0 + x, y0 + y]));
        }
        mark
    }

    /// Port and position to light next: first those of the build's chains, then further along each port while places are
    /// missing. `None` = done, or nobody answers.
    #[expect(clippy::should_implement_trait, reason = "answers come in between")]
    pub fn next(&mut self) -> Option<(u8, u8)> {
        if self.answers.values().any(|a| *a == Whereabouts::Absent) {
            return None;
        }
        let expected = self.build.panels.iter().map(|p| (p.port, p.position)).find(|at| !self.answers.contains_key(at));
        self.asked = expected.or_else(|| self.further());
        self.asked
    }

    /// The answer about what [`Search::next`] gave last.
    pub fn answer(&mut self, seen: Whereabouts) {
        if let Some(asked) = self.asked.take() {
            self.answers.insert(asked, seen);
        }
    }

    fn further(&self) -> Option<(u8, u8)> {
        let lit = self.answers.values().filter(|a| matches!(a, Whereabouts::At { .. })).count();
        if lit >= self.build.panels.len() {
            return None;
        }
        self.build.adapter.ports.iter().find_map(|pins| {
            let last = (1..=self.most).take_while(|&k| self.answers.contains_key(&(pins.port, k))).last();
            let ended = last.is_some_and(|k| self.answers[&(pins.port, k)] == Whereabouts::Nowhere);
            let next = last.unwrap_or(0) + 1;
            (!ended && next <= self.most).then_some((pins.port, next))
        })
    }

    /// What the answers add up to.
    ///
    /// # Errors
    /// Every reason why it is no complete map.
    pub fn found(&self) -> Result<Found, Vec<String>> {
        let mut wrong = Vec::new();
        let mut found = Found::new();
        let mut by_place: BTreeMap<usize, (u8, u8)> = BTreeMap::new();
        for (&(port, position), answer) in &self.answers {
            match answer {
                Whereabouts::Absent => wrong.push(format!("nobody answered where {port}·{position} is")),
                Whereabouts::Nowhere => {}
                Whereabouts::At { at, degrees } => match self.seat(*at, *degrees) {
                    Err(why) => wrong.push(format!("{port}·{position}: {why}")),
                    Ok(seat) => {
                        let place = self.place(seat.panel);
                        if let Some((p, k)) = by_place.insert(seat.panel, (port, position)) {
                            wrong.push(format!(
                                "place {place} was named for {p}·{k} and for {port}·{position}: one of the answers is wrong"
                            ));
                        }
                        let chain = found.entry(port).or_default();
                        chain.push(seat);
                        if chain.len() != usize::from(position) {
                            wrong.push(format!(
                                "{port}·{position} lights place {place}, but {port}·{} lights nothing: is that panel without power, or dead?",
                                chain.len()
                            ));
                        }
                    }
                },
            }
        }
        if wrong.is_empty() {
            for panel in drawing::places(self.build).into_iter().filter(|p| !by_place.contains_key(p)) {
                let at = self.build.panels[panel].at;
                wrong.push(format!(
                    "place {} (left edge {}, top edge {} pixels) showed no mark: its power, its ribbon, or the panel itself",
                    self.place(panel),
                    at[0],
                    at[1]
                ));
            }
        }
        if wrong.is_empty() { Ok(found) } else { Err(wrong) }
    }

    fn place(&self, panel: usize) -> usize {
        drawing::places(self.build).iter().position(|&p| p == panel).map_or(0, |k| k + 1)
    }

    fn seat(&self, at: [u16; 2], degrees: u16) -> Result<Seat, String> {
        let panel = self.build.panels.iter().position(|p| p.at == at).ok_or_else(|| format!("no place begins at {}, {}", at[0], at[1]))?;
        let up = Up::Up.turned(degrees / 90);
        let t = self.build.panel_type(panel);
        let size = if matches!(up, Up::Up | Up::Down) { [t.width, t.height] } else { [t.height, t.width] };
        if size != wall::footprint(self.build, panel) {
            return Err(format!(
                "an arrow {degrees}° from upright does not fit place {}, which is {} × {} pixels: correct `at` and `up` of its panel first",
                self.place(panel),
                wall::footprint(self.build, panel)[0],
                wall::footprint(self.build, panel)[1]
            ));
        }
        Ok(Seat { panel, up })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn water_taxi() -> Build {
        crate::build::load(include_str!("../../config/water-taxi.toml"), "water-taxi.toml").unwrap()
    }

    /// Answers from a truth: place by port and position.
    type Searched = (Vec<(u8, u8)>, Result<Found, Vec<String>>);

    fn search(truth: &dyn Fn(u8, u8) -> Whereabouts) -> Searched {
        let build = water_taxi();
        let mut search = Search::new(&build).unwrap();
        let mut asked = Vec::new();
        while let Some((port, position)) = search.next() {
            asked.push((port, position));
            search.answer(truth(port, position));
            assert!(asked.len() < 100);
        }
        (asked, search.found())
    }

    fn as_built(port: u8, position: u8) -> Whereabouts {
        let build = water_taxi();
        build
            .panel_at(port, position)
            .map_or(Whereabouts::Nowhere, |p| Whereabouts::At { at: build.panels[p].at, degrees: build.panels[p].up.degrees() })
    }

    #[test]
    fn a_sign_as_built_is_asked_once_a_panel() {
        let (asked, found) = search(&as_built);
        assert_eq!(asked, [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 3)]);
        assert_eq!(found.unwrap()[&2][0], Seat { panel: 3, up: Up::Up });
    }

    #[test]
    fn a_longer_chain_is_followed_to_its_end() {
        // four panels on port 1 and two on port 2
        let (asked, found) = search(&|port, position| match (port, position) {
            (1, 4) => as_built(2, 3),
            (2, 3) => Whereabouts::Nowhere,
            _ => as_built(port, position),
        });
        assert_eq!(asked.len(), 7);
        let found = found.unwrap();
        assert_eq!((found[&1].len(), found[&2].len()), (4, 2));
    }

    #[test]
    fn what_is_no_map_is_told() {
        let all = |truth: &dyn Fn(u8, u8) -> Whereabouts| search(truth).1.unwrap_err().join("\n");
        let dark = all(&|port, position| if (port, position) == (1, 2) { Whereabouts::Nowhere } else { as_built(port, position) });
        assert!(dark.contains("1·3 lights place 1, but 1·2 lights nothing"), "{dark}");
        let twice = all(&|port, position| if (port, position) == (1, 2) { as_built(1, 1) } else { as_built(port, position) });
        assert!(twice.contains("place 3 was named for 1·1 and for 1·2"), "{twice}");
        let last = all(&|port, position| if (port, position) == (2, 3) { Whereabouts::Nowhere } else { as_built(port, position) });
        assert!(last.contains("place 4 (left edge 0, top edge 32 pixels) showed no mark"), "{last}");
        let on_edge = all(&|_, _| Whereabouts::At { at: [0, 0], degrees: 90 });
        assert!(on_edge.contains("does not fit place 1, which is 64 × 32"), "{on_edge}");
        let (asked, found) = search(&|_, _| Whereabouts::Absent);
        assert_eq!((asked.len(), found.unwrap_err().len()), (1, 1));
    }
}

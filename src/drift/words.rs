//! What changed, in words, and what that suggests to the person at the sign.

use super::compare::{Row, RowResult, Statement};
use super::quantities::Kind;
use crate::check::Place;
use crate::event::PlaceOfRun;
use std::collections::BTreeMap;

/// Word of a place of run.
pub(super) const fn place_word(place: PlaceOfRun) -> &'static str {
    match place {
        PlaceOfRun::Bench => "bench",
        PlaceOfRun::Outdoors => "outdoors",
        PlaceOfRun::Service => "service",
    }
}

/// A cell below this share of its earlier current counts as gone dark.
const DARK: f64 = -0.7;

struct Changes<'a> {
    rows: &'a [Row],
    /// Resistances whose change the panels account for.
    by_panels: &'a [&'a str],
    out: Vec<Statement>,
}

impl<'a> Changes<'a> {
    fn of(&self, kind: Kind) -> Vec<&'a Row> {
        self.rows.iter().filter(|r| r.kind == kind && r.result == RowResult::Changed).collect()
    }
    fn all(&self, kind: Kind) -> Vec<&'a Row> {
        self.rows.iter().filter(|r| r.kind == kind).collect()
    }
    fn say(&mut self, what: String, suggests: &str, place: Place) {
        self.out.push(Statement { what, suggests: suggests.to_owned(), place });
    }

    fn resistances(&mut self) {
        let sound = |r: &&Row| !self.by_panels.contains(&r.id.as_str());
        let changed: Vec<&Row> = self.of(Kind::Resistance).into_iter().filter(sound).collect();
        let feeds: Vec<&Row> = changed.iter().copied().filter(|r| r.place.feed.is_some()).collect();
        let measured = self.all(Kind::Resistance).into_iter().filter(|r| r.place.feed.is_some()).count();
        let growth: Vec<f64> = feeds.iter().map(|r| r.change / r.before).collect();
        let (low, high) = growth.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), g| (l.min(*g), h.max(*g)));
        if feeds.len() >= 2 && feeds.len() == measured && low > 0.0 && high < 2.0 * low {
            self.say(
                format!("The resistance of all {measured} sensed feeds rose alike, by {:.0} to {:.0} %.", low * 100.0, high * 100.0),
                "That suggests longer or thinner leads, or a terminal that all feeds share: compare lead lengths and cross-sections with the build, then look at the distribution's common terminals.",
                Place::default(),
            );
        } else {
            for r in &feeds {
                let feed = r.place.feed.as_deref().unwrap_or("?");
                let what = format!(
                    "Feed {feed}: resistance {} by {:.1} mΩ, from {:.1} to {:.1} mΩ.",
                    if r.change > 0.0 { "rose" } else { "fell" },
                    r.change.abs(),
                    r.before,
                    r.after
                );
                let suggests = if r.change > 0.0 {
                    "That suggests a joint loosened in transport or corroding: supply off and discharged, then look at the fuse holder, the screw terminals and the crimps of this feed, and pull each lead."
                } else {
                    "That suggests a joint that was remade, a shorter or thicker lead, or a fuse exchanged for a larger one: check the fuse against the build. Panels that all draw less look the same to volts alone."
                };
                self.say(what, suggests, r.place.clone());
            }
        }
        for r in changed.iter().filter(|r| r.place.feed.is_none()) {
            let supply = r.place.supply.as_deref().unwrap_or("?");
            let what = format!(
                "Supply {supply} and its input lead: resistance {} by {:.1} mΩ, from {:.1} to {:.1} mΩ.",
                if r.change > 0.0 { "rose" } else { "fell" },
                r.change.abs(),
                r.before,
                r.after
            );
            self.say(
                what,
                "That suggests a joint of the input lead, another input lead, or a supply whose output became softer or was exchanged.",
                r.place.clone(),
            );
        }
    }

    fn volts(&mut self) {
        let (open, all) = (self.of(Kind::OpenVolts), self.all(Kind::OpenVolts));
        let span = |rows: &[&Row]| rows.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), r| (l.min(r.change), h.max(r.change)));
        let (low, high) = span(&all);
        if !open.is_empty() && low * high > 0.0 && high - low < 0.3 * low.abs().max(high.abs()) {
            let mean = all.iter().map(|r| r.change).sum::<f64>() / all.len() as f64;
            self.say(
                format!("All sense points read {:.0} mV {} with nothing lit.", mean.abs() * 1e3, if mean > 0.0 { "more" } else { "less" }),
                "That suggests the supply's trim was turned or the supply was exchanged: measure its terminals with a hand meter and set it to the build's set_v.",
                Place::default(),
            );
            return;
        }
        for r in open {
            let name = r.place.sense.as_deref().unwrap_or("?");
            self.say(
                format!("Sense point {name} reads {:.0} mV {} with nothing lit, the others do not.", r.change.abs() * 1e3, if r.change > 0.0 { "more" } else { "less" }),
                "That suggests its sense wire, divider or converter, or a load that only this place feeds: compare with a hand meter at the same place.",
                r.place.clone(),
            );
        }
        let (idle, opened) = (self.of(Kind::IdleVolts), self.of(Kind::OpenVolts));
        if opened.is_empty() && !idle.is_empty() {
            let r = idle[0];
            self.say(
                format!(
                    "{} of {} sense points changed by up to {:.0} mV under black frames, but not with nothing clocked.",
                    idle.len(),
                    self.all(Kind::IdleVolts).len(),
                    idle.iter().map(|r| r.change.abs()).fold(0.0, f64::max) * 1e3
                ),
                "That suggests an idle draw that changed: panels exchanged for others, or driver chips that clock into the wrong state.",
                r.place.clone(),
            );
        }
    }

    fn leaks(&mut self) {
        for r in self.of(Kind::IdleDrop) {
            let feed = r.place.feed.as_deref().unwrap_or("?");
            if r.change > 0.0 {
                self.say(
                    format!("Feed {feed}: draws about {:.2} A more with everything dark.", r.change),
                    "That suggests a leak: moisture in a connector or on a panel's back, a pinched lead, or something else connected to this feed. Supply off, then look for water and corrosion.",
                    r.place.clone(),
                );
            } else {
                self.say(
                    format!("Feed {feed}: draws about {:.2} A less with everything dark.", -r.change),
                    "That suggests a panel or the controller that is no longer on this feed, or a leak that dried.",
                    r.place.clone(),
                );
            }
        }
    }

    fn cells(&mut self) {
        let mut panels: BTreeMap<(Option<u8>, Option<u8>), Vec<&Row>> = BTreeMap::new();
        let mut total: BTreeMap<(Option<u8>, Option<u8>), usize> = BTreeMap::new();
        for r in self.all(Kind::Cell) {
            *total.entry((r.place.port, r.place.position)).or_default() += 1;
        }
        for r in self.of(Kind::Cell) {
            panels.entry((r.place.port, r.place.position)).or_default().push(r);
        }
        for (key, rows) in panels {
            let place = Place { port: key.0, position: key.1, feed: rows[0].place.feed.clone(), ..Place::default() };
            let name = format!("{}·{}", key.0.unwrap_or(0), key.1.unwrap_or(0));
            let mean = rows.iter().map(|r| r.change).sum::<f64>() / rows.len() as f64;
            let alike = rows.iter().all(|r| r.change * mean > 0.0);
            if rows.iter().all(|r| r.change < DARK) && rows.len() == total[&key] {
                self.say(
                    format!("Panel {name} went dark: none of its cells responds."),
                    "That suggests its power connector, or the ribbon ahead of it: supply off and discharged, then seat both.",
                    place,
                );
            } else if rows.len() * 2 > total[&key] && alike {
                self.say(
                    format!("Panel {name} draws {:.0} % {} than before in {} of its {} cells.", mean.abs() * 100.0, if mean > 0.0 { "more" } else { "less" }, rows.len(), total[&key]),
                    "That suggests the panel itself: it was exchanged, its brightness register differs, or it ages; a panel that falls run by run should be watched with `trend`.",
                    place,
                );
            } else {
                let cells: Vec<String> = rows
                    .iter()
                    .map(|r| {
                        format!(
                            "{} {} by {:+.0} %",
                            r.place.colour.as_deref().unwrap_or(""),
                            r.place.half.as_deref().unwrap_or(""),
                            r.change * 100.0
                        )
                    })
                    .collect();
                self.say(
                    format!("Panel {name}: {} changed.", cells.join(", ")),
                    "That suggests driver chips of these colours or halves, or a data line of the ribbon: look at the panel with `show`.",
                    place,
                );
            }
        }
    }

    fn noise(&mut self) {
        for r in self.of(Kind::Noise) {
            let name = r.place.sense.as_deref().unwrap_or("?");
            let factor = r.change.exp();
            if factor > 1.0 {
                self.say(
                    format!("Sense point {name}: readings spread {factor:.1} times as much as before."),
                    "That suggests ripple of an ageing supply, a loose or wet sense wire, or a sense wire laid beside a power lead.",
                    r.place.clone(),
                );
            } else {
                self.say(
                    format!("Sense point {name}: readings spread only {factor:.1} times as much as before."),
                    "Something quieter feeds or reads it: another supply, or a sense wire laid better.",
                    r.place.clone(),
                );
            }
        }
    }

    fn temperature(&mut self) {
        for r in self.of(Kind::Temperature).into_iter().filter(|r| r.id == "temperature/ambient") {
            self.say(
                format!("It is {:.1} °C {} than in the earlier run.", r.change.abs(), if r.change > 0.0 { "warmer" } else { "colder" }),
                "Nothing is wrong with that; copper's resistance was corrected for it, the panels' own change with temperature was not.",
                Place::default(),
            );
        }
    }
}

/// Statements about the rows, weightiest first.
pub(super) fn statements(rows: &[Row], by_panels: &[&str]) -> Vec<Statement> {
    let mut changes = Changes { rows, by_panels, out: Vec::new() };
    changes.resistances();
    changes.leaks();
    changes.cells();
    changes.volts();
    changes.noise();
    changes.temperature();
    changes.out
}

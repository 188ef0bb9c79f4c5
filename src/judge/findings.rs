//! Patterns of failing cells, levels and witness differences → located faults.
//!
//! A first, rule-based reading: each rule names one kind of fault, the probability is how often the
//! pattern means that kind rather than its look-alikes (judgement of practice, no source).

use super::checks::{Judge, difference_text};
use super::{Alternative, Finding};
use crate::build::{Colour, Half, Node};
use crate::check::{CheckResult, Place};
use crate::event::{Ending, Seen, Stage, StopCause};
use crate::fault::Line;
use crate::frame::{Cell, FrameSpec};
use std::collections::{BTreeMap, BTreeSet};

/// How a cell responded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Unknown,
    Good,
    Dead,
    Low,
    High,
}

struct Finder<'a, 'b> {
    judge: &'a Judge<'b>,
    found: Vec<Finding>,
    explained: BTreeSet<Cell>,
    /// Prefixes of check ids that a finding explains.
    checks: Vec<String>,
}

pub(crate) fn findings(judge: &Judge<'_>) -> Vec<Finding> {
    let mut f = Finder { judge, found: Vec::new(), explained: BTreeSet::new(), checks: Vec::new() };
    f.converters();
    f.stopped();
    f.levels();
    f.dark();
    f.lines();
    f.amounts();
    f.witness();
    f.rest_unknown();
    f.found.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    f.found
}

fn port(p: u8, position: u8) -> Place {
    Place { port: Some(p), position: Some(position), ..Place::default() }
}

/// What to do, in the order a technician would try.
fn remedy(kind: &str) -> Vec<String> {
    const OFF: &str = "Supply off and discharged.";
    const AGAIN: &str = "Run the sweep again for this port or feed.";
    let steps: &[&str] = match kind {
        "supply-set" => {
            &["Measure at the supply terminals with a hand meter.", "Turn the supply's trimmer to set_v with nothing lit.", "Run again."]
        }
        "supply-soft" | "supply-limit" => &[
            "Measure at the supply terminals at the permitted level.",
            OFF,
            "Tighten the terminals of the input lead.",
            "If the terminals themselves sag, exchange the supply.",
            "Run the climb again.",
        ],
        "joint" => &[
            OFF,
            "Tighten and reseat both ends of the lead, out and return, and the fuse in its holder.",
            "Look for browned or loose crimps; make them new.",
            "Run the climb again.",
        ],
        "fuse-open" => &[
            OFF,
            "Take out the fuse and measure it.",
            "Look for a short in the feed before a new one goes in.",
            "Reseat the feed's lead at both ends.",
            AGAIN,
        ],
        "return-open" => &[OFF, "Reseat the feed's return conductor at both ends; look for a heated ribbon.", AGAIN],
        "panel-dark" => &[OFF, "Reseat the panel's power plug.", "Reseat its data input ribbon.", "Exchange the panel.", AGAIN],
        "panel-weak" => {
            &[OFF, "Compare the panel's type and batch with the build.", "Reseat its power plug.", "Exchange the panel.", AGAIN]
        }
        "panel-turned" => &[OFF, "Mount the panel with its arrow as the build says.", "Show the marks again."],
        "port-swap" => &[OFF, "Exchange the ribbons of the two ports at the adapter.", "Show the marks again."],
        "order-swap" => &[OFF, "Bring the ribbons of the chain into the order of the build.", "Show the marks again."],
        "ribbon-open" => {
            &[OFF, "Reseat the ribbon at both ends.", "Exchange the ribbon.", "Exchange the panel before it (its output).", AGAIN]
        }
        "line-open" | "lines-swapped" | "lines-shorted" => &[
            OFF,
            "Reseat the ribbon at both ends; look for bent pins.",
            "Exchange the ribbon.",
            "Exchange the panel before it, or the adapter where it is at the port.",
            AGAIN,
        ],
        "address-stuck" => &[
            "Measure the address line at the adapter while rows walk.",
            OFF,
            "Reseat the adapter on the controller and the first ribbon.",
            "Exchange the adapter.",
            "Show the walking rows again.",
        ],
        "driver-dead" | "column-dead" | "row-dead" => &[OFF, "Exchange the panel.", AGAIN],
        "converter-silent" | "converter-stuck" => {
            &[OFF, "Reseat the converter's bus wires; check its address links.", "Exchange the converter.", "Run the open stage again."]
        }
        "converter-offset" | "divider-off" => {
            &["Measure the point with a hand meter.", "Calibrate the point, or exchange its divider.", "Run again."]
        }
        _ => &["Hold the failing cell with `show` and trace it with a meter."],
    };
    steps.iter().map(|s| (*s).to_owned()).collect()
}

impl Finder<'_, '_> {
    fn add(&mut self, kind: &str, place: Place, probability: f64, evidence: Vec<String>, alternatives: Vec<(&str, Place, f64)>) {
        if self.found.iter().any(|f| f.kind == kind && f.place == place) {
            return;
        }
        let alternatives =
            alternatives.into_iter().map(|(k, place, probability)| Alternative { kind: k.into(), place, probability }).collect();
        self.found.push(Finding { kind: kind.into(), place, probability, alternatives, evidence, remedy: remedy(kind) });
    }

    fn state(&self, cell: Cell) -> State {
        match self.judge.cells.get(&cell) {
            Some((result, Some(r))) if self.explained.contains(&cell) || *result == CheckResult::NotProven || !r.all.value.is_finite() => {
                State::Unknown
            }
            Some((CheckResult::Fail, Some(r))) if r.all.value < 0.3 => State::Dead,
            Some((CheckResult::Fail, Some(r))) if r.all.value < 1.0 => State::Low,
            Some((CheckResult::Fail, Some(_))) => State::High,
            Some((_, Some(_))) => State::Good,
            _ => State::Unknown,
        }
    }

    fn cells_of(&self, panel: usize) -> impl Iterator<Item = Cell> + use<> {
        let (port, position) = (self.judge.build.panels[panel].port, self.judge.build.panels[panel].position);
        Half::ALL.into_iter().flat_map(move |half| Colour::ALL.into_iter().map(move |colour| Cell { port, position, colour, half }))
    }

    fn all(&self, panel: usize, state: State) -> bool {
        self.cells_of(panel).all(|c| self.state(c) == state)
    }

    fn explain(&mut self, panels: &[usize]) {
        for &p in panels {
            let cells: Vec<Cell> = self.cells_of(p).collect();
            self.explained.extend(cells);
        }
    }

    fn converters(&mut self) {
        let stopped: Vec<usize> = [self.judge.record.ending]
            .into_iter()
            .flatten()
            .filter_map(|e| match e {
                Ending::Stopped(StopCause::Silent { point, .. }) => Some(*point),
                _ => None,
            })
            .collect();
        for (i, sense) in self.judge.build.sense.iter().enumerate() {
            let unidentified = matches!(self.judge.record.converters.get(&i), Some(Err(_)));
            if unidentified || stopped.contains(&i) || self.judge.record.silent(i) {
                let why = if unidentified { "it was not identified at the start" } else { "its readings went missing" };
                self.add("converter-silent", self.judge.place(i), 0.95, vec![format!("{}: {why}", sense.name)], vec![]);
                self.checks.extend(["open/converter/", "open/volts/", "idle/level/"].map(|p| format!("{p}{}", sense.name)));
            } else if self.judge.record.stuck(i) {
                self.add(
                    "converter-stuck",
                    self.judge.place(i),
                    0.9,
                    vec![format!("{} repeated one value through lit and dark windows", sense.name)],
                    vec![],
                );
                self.checks.extend(["climb/slope/", "climb/line/", "idle/level/", "idle/drop/"].map(|p| format!("{p}{}", sense.name)));
            }
        }
    }

    /// A trip names where volts went: a feed's end alone, or everything.
    fn stopped(&mut self) {
        let Some(Ending::Stopped(StopCause::Volts { point, value, window })) = self.judge.record.ending else { return };
        let cause = StopCause::Volts { point: *point, value: *value, window: *window };
        let evidence = vec![self.judge.cause(&cause)];
        let place = self.judge.place(*point);
        let lit = self.judge.plan.steps.iter().any(|s| s.frame != FrameSpec::Black && self.judge.record.begun.contains(&s.number));
        let low = *value < window[0];
        self.checks.extend(["hold/".to_owned(), "open/volts/".to_owned()]);
        match self.judge.build.sense[*point].node {
            Node::FeedEnd(f) => {
                let place = Place { feed: Some(self.judge.build.feeds[f].name.clone()), ..Place::default() };
                // a joint still feeds the panels' idle draw; an open fuse leaves what comes through data lines
                if *value < window[0] / 2.0 {
                    self.add("fuse-open", place.clone(), 0.9, evidence, vec![("joint", place, 0.1)]);
                } else {
                    self.add("joint", place.clone(), 0.85, evidence, vec![("fuse-open", place, 0.1)]);
                }
            }
            _ if !lit => {
                let kind = if low { vec![("supply-soft", place.clone(), 0.1), ("joint", place.clone(), 0.1)] } else { vec![] };
                self.add("supply-set", Place { sense: None, ..place }, 0.8, evidence, kind);
            }
            _ if low => {
                let place = Place { sense: None, ..place };
                let others = vec![("joint", place.clone(), 0.3), ("supply-soft", place.clone(), 0.2)];
                self.add("supply-limit", place, 0.5, evidence, others);
            }
            _ => {}
        }
    }

    fn failed(&self, prefix: &str, point: usize) -> Option<f64> {
        let id = format!("{prefix}{}", self.judge.build.sense[point].name);
        self.judge.checks.iter().find(|c| c.id == id && c.result == CheckResult::Fail).and_then(|c| c.value)
    }

    fn levels(&mut self) {
        let points = self.judge.volts_points();
        for s in 0..self.judge.build.supplies.len() {
            let name = self.judge.build.supplies[s].name.clone();
            let set = self.judge.build.supplies[s].set_v.value();
            let at: Vec<usize> = points.iter().copied().filter(|&p| self.judge.place(p).supply.as_deref() == Some(&name)).collect();
            let feeds: Vec<usize> = points
                .iter()
                .copied()
                .filter(|&p| matches!(self.judge.build.sense[p].node, Node::FeedEnd(f) if self.judge.build.feeds[f].supply == s))
                .collect();
            let off = |f: &Self, p: usize| f.failed("open/volts/", p).or_else(|| f.failed("idle/level/", p));
            let wrong: Vec<(usize, f64)> = at.iter().filter_map(|&p| off(self, p).map(|v| (p, v))).collect();
            let place = Place { supply: Some(name.clone()), ..Place::default() };
            if let Some(&(first, value)) = wrong.first() {
                // a feed's end that agrees with the distribution speaks for the supply, one at its expected level for the converter
                let shift = value - set;
                let agreeing = feeds.iter().filter(|&&p| {
                    let expected = self.judge.steps(Stage::Open).iter().find_map(|s| s.expected.get(p).copied().flatten());
                    matches!((self.judge.level(Stage::Open, p), expected), (Some(e), Some(x)) if (e.value - x) / shift > 0.5)
                });
                let (agreeing, others) = (agreeing.count(), feeds.len());
                let evidence = vec![
                    format!("{} reads {value:.3} V; set to {set:.2} V", self.judge.build.sense[first].name),
                    format!("{agreeing} of {others} feed ends shift with it"),
                ];
                let sensed = self.judge.place(first);
                if others == 0 || agreeing * 2 >= others {
                    let p = if others == 0 { 0.75 } else { 0.95 };
                    self.add(
                        "supply-set",
                        place.clone(),
                        p,
                        evidence,
                        vec![("divider-off", sensed.clone(), (1.0 - p) / 2.0), ("converter-offset", sensed, (1.0 - p) / 2.0)],
                    );
                } else {
                    self.add(
                        "divider-off",
                        sensed.clone(),
                        0.5,
                        evidence,
                        vec![("converter-offset", sensed, 0.45), ("supply-set", place.clone(), 0.05)],
                    );
                }
                self.checks.extend(["open/volts/".to_owned(), "idle/level/".to_owned()]);
            }
            // slopes of the climb: the common part first, then each feed's own lead
            let steep: Vec<(usize, f64)> =
                at.iter().filter_map(|&p| self.failed("climb/slope/", p).filter(|v| *v > 1.0).map(|v| (p, v))).collect();
            if let Some((p, v)) = steep.first() {
                let evidence = vec![format!("{} falls {v:.2} times as far as expected under load", self.judge.build.sense[*p].name)];
                let terminal = steep.iter().any(|(p, _)| matches!(self.judge.build.sense[*p].node, Node::Supply(_)));
                let terminals_sensed = at.iter().any(|&p| matches!(self.judge.build.sense[p].node, Node::Supply(_)));
                let (kind, other, probability) = match (terminal, terminals_sensed) {
                    (true, _) => ("supply-soft", "joint", 0.9),
                    (false, true) => ("joint", "supply-soft", 0.9),
                    (false, false) => ("joint", "supply-soft", 0.55),
                };
                self.add(kind, place.clone(), probability, evidence, vec![(other, place.clone(), 1.0 - probability)]);
                self.checks.push("climb/".into());
                // the same resistance makes every cell of the supply respond too much at the common points
                let high: Vec<Cell> = self.judge.cells.keys().copied().filter(|c| self.state(*c) == State::High).collect();
                self.explained.extend(high);
            }
            if steep.is_empty() {
                for p in feeds {
                    if let Some(v) = self.failed("climb/slope/", p).filter(|v| *v > 1.0) {
                        let place = Place { feed: self.judge.place(p).feed, ..Place::default() };
                        let evidence = vec![format!(
                            "{} falls {v:.2} times as far as expected under load, its distribution does not",
                            self.judge.build.sense[p].name
                        )];
                        self.add("joint", place.clone(), 0.9, evidence, vec![("return-open", place, 0.05)]);
                        self.checks.extend(
                            ["climb/slope/", "climb/line/", "hold/min/"]
                                .map(|prefix| format!("{prefix}{}", self.judge.build.sense[p].name)),
                        );
                        if let Node::FeedEnd(f) = self.judge.build.sense[p].node {
                            let high: Vec<Cell> = self
                                .judge
                                .cells
                                .keys()
                                .copied()
                                .filter(|c| self.state(*c) == State::High && self.feed_of(*c) == Some(f))
                                .collect();
                            self.explained.extend(high);
                        }
                    }
                }
            }
        }
    }

    fn feed_of(&self, cell: Cell) -> Option<usize> {
        self.judge.build.panel_at(cell.port, cell.position).map(|p| self.judge.build.panels[p].feed)
    }

    /// Whole panels, tails of chains and feeds without response.
    fn dark(&mut self) {
        let build = self.judge.build;
        for (i, feed) in build.feeds.iter().enumerate() {
            let panels: Vec<usize> = (0..build.panels.len()).filter(|&p| build.panels[p].feed == i).collect();
            let dead = panels.iter().filter(|&&p| self.all(p, State::Dead)).count();
            let place = Place { feed: Some(feed.name.clone()), ..Place::default() };
            // a feed with one panel can't be told from that panel; a feed that is a chain's tail hardly from its ribbon
            if panels.len() >= 2 && dead == panels.len() && self.others_respond(&panels) {
                let tail =
                    build.chains.iter().any(|c| c.panels.len() >= panels.len() && c.panels[c.panels.len() - panels.len()..] == panels[..]);
                let first = &build.panels[panels[0]];
                let ribbon = Place { port: Some(first.port), position: Some(first.position - 1), ..Place::default() };
                let evidence = vec![format!("no cell of any of the {} panels on {} responds", panels.len(), feed.name)];
                let fuse = if tail { 0.5 } else { 0.85 };
                let mut other = vec![("return-open", place.clone(), 0.1)];
                if tail {
                    other.push(("ribbon-open", ribbon, 0.4));
                }
                self.add("fuse-open", place, fuse, evidence, other);
                self.explain(&panels);
            }
        }
        for chain in &build.chains {
            let n = chain.panels.len();
            let tail = (0..n).rev().take_while(|&k| self.all(chain.panels[k], State::Dead)).count();
            if tail >= 2 {
                let after = n - tail;
                let place = Place { port: Some(chain.port), position: u8::try_from(after).ok(), ..Place::default() };
                let evidence = vec![format!("port {}: nothing responds from position {} on", chain.port, after + 1)];
                let first = Place { port: Some(chain.port), position: u8::try_from(after + 1).ok(), ..Place::default() };
                self.add("ribbon-open", place, 0.8, evidence, vec![("panel-dark", first, 0.15)]);
                self.explain(&chain.panels[n - tail..]);
            }
            for (k, &p) in chain.panels.iter().enumerate() {
                if self.all(p, State::Dead) {
                    let place = port(chain.port, build.panels[p].position);
                    let ribbon = Place { port: Some(chain.port), position: u8::try_from(k).ok(), ..Place::default() };
                    let alone = build.panels.iter().filter(|q| q.feed == build.panels[p].feed).count() == 1;
                    let evidence = vec![format!(
                        "no cell of {}·{} responds; the panels beyond it {}",
                        chain.port,
                        build.panels[p].position,
                        if k + 1 == n { "do not exist" } else { "do" }
                    )];
                    let mut other = Vec::new();
                    if k + 1 == n {
                        other.push(("ribbon-open", ribbon, 0.3));
                    }
                    if alone {
                        other.push((
                            "fuse-open",
                            Place { feed: Some(build.feeds[build.panels[p].feed].name.clone()), ..Place::default() },
                            0.25,
                        ));
                    }
                    let probability = 0.9 - other.iter().map(|o| o.2).sum::<f64>();
                    self.add("panel-dark", place, probability, evidence, other);
                    self.explain(&[p]);
                }
            }
        }
    }

    fn others_respond(&self, panels: &[usize]) -> bool {
        (0..self.judge.build.panels.len()).filter(|p| !panels.contains(p)).any(|p| self.cells_of(p).any(|c| self.state(c) == State::Good))
            || self.judge.build.panels.len() == panels.len()
    }

    /// One half and colour dead from a position on; two lines that respond as one.
    fn lines(&mut self) {
        let build = self.judge.build;
        for chain in &build.chains {
            let n = chain.panels.len();
            for half in Half::ALL {
                for colour in Colour::ALL {
                    let cell = |k: usize| Cell { port: chain.port, position: build.panels[chain.panels[k]].position, colour, half };
                    let tail = (0..n).rev().take_while(|&k| self.state(cell(k)) == State::Dead).count();
                    if tail == 0 {
                        continue;
                    }
                    let after = n - tail;
                    let line = Line::data(half, colour).word();
                    let place =
                        Place { port: Some(chain.port), position: u8::try_from(after).ok(), line: Some(line.into()), ..Place::default() };
                    let evidence = vec![format!(
                        "port {}: {} {} ({line}) does not respond from position {} on",
                        chain.port,
                        colour.word(),
                        half.word(),
                        after + 1
                    )];
                    let probability = if tail == 1 { 0.75 } else { 0.9 };
                    let mut first = port(chain.port, cell(after).position);
                    first.colour = Some(colour.word().into());
                    first.half = Some(half.word().into());
                    self.add("line-open", place, probability, evidence, vec![("driver-dead", first, 0.95 - probability)]);
                    self.explained.extend((after..n).map(cell));
                }
                for (a, b) in [(Colour::Red, Colour::Green), (Colour::Red, Colour::Blue), (Colour::Green, Colour::Blue)] {
                    let shorted = |k: usize| {
                        let t = build.panel_type(chain.panels[k]);
                        let sum = (t.full_a[a.index()] + t.full_a[b.index()]).value();
                        [a, b].into_iter().all(|c| {
                            let cell = Cell { port: chain.port, position: build.panels[chain.panels[k]].position, colour: c, half };
                            let want = sum / t.full_a[c.index()].value();
                            self.state(cell) == State::High
                                && matches!(self.judge.cells.get(&cell), Some((_, Some(r))) if (r.all.value / want - 1.0).abs() < 0.2)
                        })
                    };
                    let tail = (0..n).rev().take_while(|&k| shorted(k)).count();
                    if tail > 0 {
                        let after = n - tail;
                        let names = format!("{} {}", Line::data(half, a).word(), Line::data(half, b).word());
                        let place = Place {
                            port: Some(chain.port),
                            position: u8::try_from(after).ok(),
                            line: Some(names.clone()),
                            ..Place::default()
                        };
                        self.add("lines-shorted", place, 0.85, vec![format!("{names} each draw what both together would")], vec![]);
                        let cells = (after..n).flat_map(|k| {
                            [a, b].map(|colour| Cell { port: chain.port, position: build.panels[chain.panels[k]].position, colour, half })
                        });
                        self.explained.extend(cells);
                    }
                }
            }
        }
    }

    /// Panels that respond throughout by too little; cells that lost a block.
    fn amounts(&mut self) {
        for (p, panel) in self.judge.build.panels.iter().enumerate() {
            let low: Vec<Cell> = self.cells_of(p).filter(|c| self.state(*c) == State::Low).collect();
            if low.len() == 6 {
                let ratios: Vec<f64> =
                    low.iter().filter_map(|c| self.judge.cells.get(c).and_then(|x| x.1.as_ref()).map(|r| r.all.value)).collect();
                let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
                self.add(
                    "panel-weak",
                    port(panel.port, panel.position),
                    0.8,
                    vec![format!("all its cells respond at {mean:.2} of what is expected")],
                    vec![],
                );
                self.explain(&[p]);
                continue;
            }
            for cell in self.cells_of(p).collect::<Vec<_>>() {
                let state = self.state(cell);
                if !matches!(state, State::Low | State::Dead) {
                    continue;
                }
                let prefix = format!("sweep/block/{}-", super::checks::cell_word(cell));
                let block = self
                    .judge
                    .checks
                    .iter()
                    .find(|c| c.id.starts_with(&prefix) && c.result == CheckResult::Fail)
                    .and_then(|c| c.place.block);
                let mut place = port(cell.port, cell.position);
                place.colour = Some(cell.colour.word().into());
                place.half = Some(cell.half.word().into());
                place.block = block;
                let line = Place {
                    port: Some(cell.port),
                    position: Some(cell.position - 1),
                    line: Some(Line::data(cell.half, cell.colour).word().into()),
                    ..Place::default()
                };
                let ratio = self.judge.cells.get(&cell).and_then(|x| x.1.as_ref()).map_or(0.0, |r| r.all.value);
                let evidence = vec![format!(
                    "{}·{} {} {} responds at {ratio:.2} of what is expected, the panels beyond are not affected alike",
                    cell.port,
                    cell.position,
                    cell.colour.word(),
                    cell.half.word()
                )];
                self.add("driver-dead", place, if block.is_some() { 0.9 } else { 0.65 }, evidence, vec![("line-open", line, 0.1)]);
                self.explained.insert(cell);
            }
        }
    }

    fn witness(&mut self) {
        let mut rows: BTreeMap<(u8, u8), BTreeSet<u16>> = BTreeMap::new();
        let mut pictures: BTreeMap<(u8, u8), (u8, u8)> = BTreeMap::new();
        for (question, d) in self.judge.record.differences() {
            let place = port(d.port, d.position);
            let evidence = vec![format!("the witness on “{}”: {}", question.text, difference_text(d))];
            match &d.seen {
                Seen::PictureOf { port, position } => {
                    pictures.insert((d.port, d.position), (*port, *position));
                }
                Seen::Turned { .. } => self.add("panel-turned", place, 0.95, evidence, vec![]),
                Seen::Rows(list) => rows.entry((d.port, d.position)).or_default().extend(list),
                Seen::Columns(list) => {
                    for c in list {
                        self.add(
                            "column-dead",
                            Place { column: Some(*c), ..place.clone() },
                            0.85,
                            evidence.clone(),
                            vec![("driver-dead", place.clone(), 0.1)],
                        );
                    }
                }
                Seen::Part { columns, .. } => {
                    let place = Place { block: Some(columns[0] / 16), ..place };
                    self.add("driver-dead", place, 0.7, evidence, vec![]);
                }
                Seen::WrongColour { seen, .. } if seen != "dark" => {
                    let after = Place { port: Some(d.port), position: Some(d.position.saturating_sub(1)), ..Place::default() };
                    // a fault of the port shows on every panel behind it: name the first only
                    if !self.found.iter().any(|f| f.kind == "lines-swapped" && f.place.port == Some(d.port)) {
                        self.add("lines-swapped", after.clone(), 0.8, evidence, vec![("lines-shorted", after, 0.15)]);
                    }
                }
                Seen::Dark | Seen::WrongColour { .. } => {
                    let known = self
                        .found
                        .iter()
                        .any(|f| ["panel-dark", "ribbon-open", "fuse-open", "line-open", "driver-dead"].contains(&f.kind.as_str()));
                    if !known {
                        self.add(
                            "panel-dark",
                            place,
                            0.5,
                            evidence,
                            vec![("ribbon-open", port(d.port, d.position.saturating_sub(1)), 0.3)],
                        );
                    }
                }
                Seen::Other(_) => self.add("unknown", place, 0.5, evidence, vec![]),
            }
        }
        self.swaps(&pictures);
        self.rows(&rows);
        self.checks.push("marks/".into());
    }

    fn swaps(&mut self, pictures: &BTreeMap<(u8, u8), (u8, u8)>) {
        for (&(port_a, position_a), &(port_b, position_b)) in pictures {
            let evidence = vec![format!("the witness: {port_a}·{position_a} shows the picture of {port_b}·{position_b}")];
            let pair = port_a.min(port_b);
            if port_a == port_b {
                let low = position_a.min(position_b);
                let mutual = pictures.get(&(port_b, position_b)) == Some(&(port_a, position_a));
                let place = Place { line: Some(format!("positions {low} and {}", position_a.max(position_b))), ..port(pair, low) };
                self.add("order-swap", place, if mutual { 0.9 } else { 0.6 }, evidence, vec![]);
            } else {
                let place = Place { port: Some(pair), line: Some(format!("ports {pair} and {}", port_a.max(port_b))), ..Place::default() };
                self.add("port-swap", place, 0.9, evidence, vec![]);
            }
        }
    }

    fn rows(&mut self, rows: &BTreeMap<(u8, u8), BTreeSet<u16>>) {
        if rows.is_empty() {
            return;
        }
        let asked: BTreeSet<u16> = self
            .judge
            .record
            .witnessed
            .iter()
            .filter_map(|(_, q, _)| if let FrameSpec::Row(r) = q.frame { Some(r % self.judge.build.addresses()) } else { None })
            .collect();
        let everywhere = rows.len() == self.judge.build.panels.len() && rows.len() > 1;
        let wrong: BTreeSet<u16> = rows.values().flatten().map(|r| r % self.judge.build.addresses()).collect();
        // a stuck bit leaves dark exactly those rows whose address has the other value there
        let stuck = (0..self.judge.build.adapter.address.len()).find_map(|bit| {
            [false, true]
                .into_iter()
                .find(|high| {
                    let dark: BTreeSet<u16> = asked.iter().copied().filter(|r| (r >> bit & 1 == 1) != *high).collect();
                    !dark.is_empty()
                        && dark.iter().all(|r| wrong.contains(r))
                        && asked.iter().filter(|r| wrong.contains(r)).count() == dark.len()
                })
                .map(|high| (bit, high))
        });
        if everywhere {
            let (line, text, p) = match stuck {
                Some((bit, high)) => (
                    Some(Line::address(bit).word().to_owned()),
                    format!("rows that need it {} are missing on every panel", if high { "low" } else { "high" }),
                    0.9,
                ),
                None => (None, "rows are wrong on every panel".to_owned(), 0.6),
            };
            self.add("address-stuck", Place { line, ..Place::default() }, p, vec![text], vec![]);
            return;
        }
        for (&(p, position), list) in rows {
            for row in list {
                let place = Place { row: Some(*row), ..port(p, position) };
                self.add(
                    "row-dead",
                    place,
                    0.8,
                    vec![format!("the witness: row {row} of {p}·{position} differs")],
                    vec![("line-open", port(p, position.saturating_sub(1)), 0.15)],
                );
            }
        }
    }

    /// What failed and no rule explains.
    fn rest_unknown(&mut self) {
        let left: Vec<(Place, String)> = self
            .judge
            .checks
            .iter()
            .filter(|c| c.result == CheckResult::Fail)
            .filter(|c| {
                let cell = self.judge.cells.keys().find(|k| c.id == format!("sweep/cell/{}", super::checks::cell_word(**k)));
                match cell {
                    Some(cell) => !self.explained.contains(cell),
                    None if c.id.starts_with("sweep/block/") => !self.found.iter().any(|f| f.place.port == c.place.port),
                    None => !self.checks.iter().any(|p| c.id.starts_with(p.as_str())),
                }
            })
            .map(|c| (c.place.clone(), format!("{}: {}", c.id, c.value.map_or("no value".into(), |v| format!("{v:.4} {}", c.unit)))))
            .collect();
        if let Some((place, _)) = left.first() {
            let place = if left.len() == 1 { place.clone() } else { Place::default() };
            self.add("unknown", place, 0.5, left.into_iter().map(|l| l.1).collect(), vec![]);
        }
    }
}

//! Located faults: what explains the measured pattern, what a trip says, what the witness said; with remedies in the
//! order a technician would try.
//!
//! Faults that the readings tell come with the probability of the comparison in `explain`; those that only a witness or a trip
//! tells come with one that is a judgement of practice (no source).

use super::checks::Judge;
use super::dictionary::place_of;
use super::explain::{Explained, Explanation};
use super::{Alternative, Finding, witnessed};
use crate::build::{Build, Node, Quantity};
use crate::check::{CheckResult, Place};
use crate::event::{Ending, Role, Seen, Stage, StopCause};
use crate::fault::Fault;
use crate::frame::Cell;
use std::collections::BTreeMap;

struct Finder<'a, 'b> {
    judge: &'a Judge<'b>,
    found: Vec<Finding>,
    /// Prefixes of check ids that a finding explains.
    checks: Vec<String>,
}

pub(crate) fn findings(judge: &Judge<'_>, explained: Option<&Explained>) -> Vec<Finding> {
    let mut f = Finder { judge, found: Vec::new(), checks: Vec::new() };
    f.converters();
    f.measured(explained);
    f.stopped();
    f.witness();
    f.by_hand();
    f.drifted();
    f.rest_unknown();
    f.found.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    f.found
}

fn port(p: u8, position: u8) -> Place {
    Place { port: Some(p), position: Some(position), ..Place::default() }
}

fn supply_place(build: &Build, supply: Option<usize>) -> Place {
    Place { supply: supply.map(|s| build.supplies[s].name.clone()), ..Place::default() }
}

fn feed_place(build: &Build, feed: usize) -> Place {
    place_of(build, &Fault::FuseOpen { feed })
}

/// Of what a point's own converter or divider does.
fn converter_place(build: &Build, sense: usize) -> Place {
    place_of(build, &Fault::ConverterSilent { sense })
}

/// What to do, in the order a technician would try.
fn remedy(kind: &str) -> Vec<String> {
    const OFF: &str = "Supply off and discharged.";
    const AGAIN: &str = "Run the sweep again for this port or feed.";
    let steps: &[&str] = match kind {
        "supply-set" => &[
            "Measure at the supply terminals with a hand meter.",
            OFF,
            "Take the load off. Supply on with nothing connected: turn its trimmer to SET_V.",
            OFF,
            "Connect the load again, check its polarity, and run again.",
        ],
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
        "port-swap" => {
            &[OFF, "Exchange the ribbons of the two ports at the adapter, or accept the map as it is: `find-map`.", "Show the marks again."]
        }
        "order-swap" => &[
            OFF,
            "Bring the ribbons of the chain into the order of the build, or accept the map as it is: `find-map`.",
            "Show the marks again.",
        ],
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
        let supply = self.judge.build.supplies.iter().find(|s| place.supply.as_deref().is_none_or(|name| name == s.name));
        let set = supply.map_or_else(|| "the volts of the build".to_owned(), |s| format!("{:.2} V", s.set_v.value()));
        let remedy = remedy(kind).into_iter().map(|step| step.replace("SET_V", &set)).collect();
        self.found.push(Finding { kind: kind.into(), place, probability, alternatives, evidence, remedy });
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
                self.add("converter-silent", converter_place(self.judge.build, i), 0.95, vec![format!("{}: {why}", sense.name)], vec![]);
                self.checks.extend(["open/converter/", "open/volts/", "idle/level/"].map(|p| format!("{p}{}", sense.name)));
            } else if self.judge.record.stuck(i) {
                self.add(
                    "converter-stuck",
                    place_of(self.judge.build, &Fault::ConverterStuck { sense: i }),
                    0.9,
                    vec![format!("{} repeated one value through lit and dark windows", sense.name)],
                    vec![],
                );
                self.checks.extend(["climb/slope/", "climb/line/", "idle/level/", "idle/drop/"].map(|p| format!("{p}{}", sense.name)));
            }
        }
    }

    /// Faults that explain the readings.
    fn measured(&mut self, explained: Option<&Explained>) {
        let Some(explained) = explained else { return };
        for e in &explained.found {
            let build = self.judge.build;
            let alternatives = e.alternatives.iter().map(|(h, p)| (h.fault.kind(), place_of(build, &h.fault), *p)).collect();
            let evidence = vec![evidence(e)];
            self.add(e.best.fault.kind(), place_of(build, &e.best.fault), e.probability, evidence, alternatives);
        }
        if let Some((worst, _, _)) = explained.misfits.iter().min_by(|a, b| a.2.total_cmp(&b.2)) {
            let place = Place {
                colour: Some(worst.colour.word().to_owned()),
                half: Some(worst.half.word().to_owned()),
                ..port(worst.port, worst.position)
            };
            let text = |(c, block, share): &(Cell, Option<u16>, f64)| {
                let block = block.map(|b| format!(" block {b}")).unwrap_or_default();
                format!(
                    "{}·{} {} {}{block} gives {share:.2} of its expected response, which no known fault explains",
                    c.port,
                    c.position,
                    c.colour.word(),
                    c.half.word()
                )
            };
            self.add("unknown", place, 0.5, explained.misfits.iter().take(6).map(text).collect(), vec![]);
        }
        if !explained.found.is_empty() || !explained.misfits.is_empty() {
            // what is left of the checks is told by the pattern as a whole
            self.checks.extend(["pattern", "sweep/", "climb/", "hold/", "idle/", "open/volts/"].map(str::to_owned));
        }
    }

    /// A trip names where volts went: a feed's end alone, or everything.
    fn stopped(&mut self) {
        let Some(Ending::Stopped(cause)) = self.judge.record.ending else { return };
        let build = self.judge.build;
        let (point, value, low, collapsed) = match cause {
            StopCause::Volts { point, value, window } | StopCause::Predicted { point, value, window } => {
                (*point, *value, *value < window[0], *value < window[0] / 2.0)
            }
            // far more than expected: where volts are read, far down
            StopCause::Response { point, value, .. } if build.sense[*point].quantity == Quantity::Volts => (*point, *value, true, false),
            StopCause::Response { point, .. } => return self.overcurrent(*point, cause),
            StopCause::Undervoltage => {
                if !self.told_by_readings() {
                    self.undervoltage(cause);
                }
                return;
            }
            StopCause::Silent { .. } | StopCause::Cancelled { .. } | StopCause::ByHand { .. } => return,
        };
        let place = supply_place(build, build.supply_of(point));
        let lit = !self.judge.stopped_dark();
        if self.told_by_readings() {
            if !lit && low {
                // the controller's draw alone may be more than the supply gives
                self.also("supply-limit", place, 0.3);
            }
            return;
        }
        let evidence = vec![cause.text(build)];
        self.checks.extend(["hold/", "open/volts/", "climb/", "pattern"].map(str::to_owned));
        if lit && !collapsed && (!low || self.stays(point, value)) {
            return self.jumped(point, low, evidence);
        }
        // the sweep has measured the resistances; where it was not run they may be to blame as well
        let swept = self.judge.cells.values().all(|c| c.1.is_some()) && !self.judge.cells.is_empty();
        match build.feed_end_of(point).map(|f| feed_place(build, f)) {
            Some(feed) if swept && !collapsed => self.add("supply-limit", place, 0.7, evidence, vec![("joint", feed, 0.3)]),
            // a joint still feeds the panels' idle draw; an open fuse leaves what comes through data lines
            Some(feed) if collapsed => self.add("fuse-open", feed.clone(), 0.9, evidence, vec![("joint", feed, 0.1)]),
            Some(feed) => self.add("joint", feed.clone(), 0.85, evidence, vec![("fuse-open", feed, 0.1)]),
            None if !lit => {
                let others = if low { [("supply-limit", 0.2), ("supply-soft", 0.1), ("joint", 0.1)].as_slice() } else { &[] };
                let others = others.iter().map(|(kind, share)| (*kind, place.clone(), *share)).collect();
                self.add("supply-set", place, if low { 0.6 } else { 0.8 }, evidence, others);
            }
            None => {
                let others = if swept { vec![] } else { vec![("joint", place.clone(), 0.2), ("supply-soft", place.clone(), 0.15)] };
                self.add("supply-limit", place, if swept { 0.95 } else { 0.6 }, evidence, others);
            }
        }
    }

    /// Mean of a point's readings in the dark after a trip.
    fn after(&self, point: usize) -> Option<f64> {
        let values: Vec<f64> =
            self.judge.record.windows.iter().filter(|w| w.role == Role::After).flat_map(|w| w.values(point).iter().copied()).collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    }

    /// Level of a point with nothing lit before the trip.
    fn before(&self, point: usize) -> Option<f64> {
        self.judge.level(Stage::Idle, point).or_else(|| self.judge.level(Stage::Open, point)).map(|e| e.value)
    }

    /// Whether most of what tripped is still there in the dark: then light did not cause it.
    fn stays(&self, point: usize, value: f64) -> bool {
        matches!((self.before(point), self.after(point)), (Some(before), Some(after)) if before - after > 0.6 * (before - value))
    }

    /// Volts that went up, or down and stayed there in the dark, while something was lit. Where other points moved along it is the supply,
    /// where this one did it alone it is its own converter; one alone can't tell.
    fn jumped(&mut self, point: usize, low: bool, evidence: Vec<String>) {
        let build = self.judge.build;
        let supply = build.supply_of(point);
        let moved = |p: usize| self.after(p).zip(self.before(p)).map(|(after, before)| after - before);
        let others: Vec<f64> =
            self.judge.volts_points().into_iter().filter(|&p| p != point && build.supply_of(p) == supply).filter_map(moved).collect();
        let along = !others.is_empty() && others.iter().all(|d| if low { *d < -0.05 } else { *d > 0.05 });
        let (set, own) = (supply_place(build, supply), converter_place(build, point));
        match (along, others.is_empty(), build.sense[point].node, low) {
            (true, ..) => {
                let others = if low { vec![("supply-soft", set.clone(), 0.1)] } else { vec![] };
                self.add("supply-set", set, 0.8, evidence, others);
            }
            // an end that fell alone and stayed down may as well have lost its fuse
            (_, false, Node::FeedEnd(f), true) => {
                let feed = feed_place(build, f);
                let alternatives = vec![("joint", feed.clone(), 0.2), ("converter-offset", own.clone(), 0.2), ("divider-off", own, 0.2)];
                self.add("fuse-open", feed, 0.4, evidence, alternatives);
            }
            (_, false, ..) => self.add("converter-offset", own.clone(), 0.5, evidence, vec![("divider-off", own, 0.5)]),
            _ => self.add("supply-set", set, 0.4, evidence, vec![("converter-offset", own.clone(), 0.3), ("divider-off", own, 0.3)]),
        }
    }

    /// Whether the readings before a trip explain it: it needs no other cause.
    fn told_by_readings(&mut self) -> bool {
        let electric = ["supply-set", "supply-soft", "joint", "fuse-open", "leak", "return-open", "converter-offset", "divider-off"];
        let told = self.found.iter().any(|f| electric.contains(&f.kind.as_str()));
        if told {
            self.checks.extend(["hold/".to_owned(), "open/board".to_owned()]);
        }
        told
    }

    /// One more look-alike of the first finding, with its share.
    fn also(&mut self, kind: &str, place: Place, share: f64) {
        let Some(first) = self.found.first_mut().filter(|f| f.kind != kind) else { return };
        first.probability *= 1.0 - share;
        first.alternatives.iter_mut().for_each(|a| a.probability *= 1.0 - share);
        first.alternatives.push(Alternative { kind: kind.into(), place, probability: share });
        first.alternatives.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    }

    /// More current than any picture takes: a short, which the dictionary has no place for.
    fn overcurrent(&mut self, point: usize, cause: &StopCause) {
        self.add("unknown", self.judge.place(point), 0.5, vec![format!("{}; look for a short", cause.text(self.judge.build))], vec![]);
    }

    /// The controller's own flag, with every sense point still inside its window: between them lies the controller's feed.
    fn undervoltage(&mut self, cause: &StopCause) {
        let build = self.judge.build;
        let feed = feed_place(build, build.controller.feed);
        let supply = supply_place(build, Some(build.feeds[build.controller.feed].supply));
        self.checks.extend(["hold/".to_owned(), "open/board".to_owned()]);
        let others = vec![("supply-limit", supply, 0.4), ("fuse-open", feed.clone(), 0.1)];
        self.add("joint", feed, 0.5, vec![cause.text(self.judge.build)], others);
    }

    /// Whether a finding of the readings accounts for what a witness sees on a panel.
    fn accounted(&self, port: u8, position: u8) -> Option<usize> {
        let build = self.judge.build;
        let feed = build.panel_at(port, position).map(|p| build.feeds[build.panels[p].feed].name.clone());
        self.found.iter().position(|f| {
            let (place, here) = (&f.place, f.place.port == Some(port));
            match f.kind.as_str() {
                "ribbon-open" | "line-open" | "lines-swapped" | "lines-shorted" => {
                    here && place.position.is_some_and(|after| position > after)
                }
                "panel-dark" | "panel-weak" | "driver-dead" => here && place.position == Some(position),
                "fuse-open" | "return-open" | "joint" => place.feed.is_some() && place.feed == feed,
                _ => false,
            }
        })
    }

    fn witness(&mut self) {
        let mut pictures: BTreeMap<(u8, u8), (u8, u8)> = BTreeMap::new();
        let mut agrees: BTreeMap<usize, usize> = BTreeMap::new();
        for (_, d) in self.judge.record.differences() {
            if let Seen::PictureOf { port, position } = &d.seen {
                pictures.insert((d.port, d.position), (*port, *position));
            } else if let Some(finding) = self.accounted(d.port, d.position) {
                *agrees.entry(finding).or_default() += 1;
            }
        }
        let told = witnessed::told(self.judge, &|port, position| self.accounted(port, position).is_some());
        for (finding, count) in agrees {
            self.found[finding].evidence.push(format!("{count} statements of the witness on these panels fit it"));
        }
        self.swaps(&pictures);
        let build = self.judge.build;
        for t in told {
            let others = t.others.iter().map(|(f, p)| (f.kind(), place_of(build, f), *p)).collect();
            let (kind, place) = t.fault.as_ref().map_or(("unknown", port(t.port, t.position)), |f| (f.kind(), place_of(build, f)));
            self.add(kind, place, t.probability, t.evidence, others);
        }
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

    /// What a hand meter showed. Other answers that fail say themselves what to put right.
    fn by_hand(&mut self) {
        for c in self.judge.checks.iter().filter(|c| c.result == CheckResult::Fail) {
            let Some(value) = c.value else { continue };
            if c.id.starts_with("by-hand/volts/") {
                self.add("supply-set", c.place.clone(), 0.95, vec![format!("by hand: {value:.2} V")], vec![]);
            } else if c.id == "by-hand/joint" {
                self.add("joint", Place::default(), 0.8, vec![format!("by hand: {value:.0} °C at the hottest joint")], vec![]);
            }
        }
        self.checks.push("by-hand/".into());
    }

    /// Points whose dark level is another one than before: alone it is the point's own converter, all together the supply.
    fn drifted(&mut self) {
        let build = self.judge.build;
        let failed = |p: &usize| {
            let id = format!("rest/return/{}", build.sense[*p].name);
            self.judge.checks.iter().find(|c| c.id == id && c.result == CheckResult::Fail)
        };
        let volts = self.judge.volts_points();
        let mut told: Vec<(usize, bool, String)> = Vec::new();
        for supply in 0..build.supplies.len() {
            let of_it: Vec<usize> = volts.iter().copied().filter(|&p| build.supply_of(p) == Some(supply)).collect();
            let moved = of_it.iter().filter_map(|p| Some((*p, failed(p)?)));
            let moved: Vec<_> = moved.map(|(p, c)| (p, format!("{}: {:+.3} V", c.title, c.value.unwrap_or_default()))).collect();
            let alone = moved.len() < of_it.len();
            told.extend(moved.into_iter().map(|(p, text)| (p, alone, text)));
        }
        for (point, alone, text) in told {
            let own = converter_place(build, point);
            if alone {
                self.add("converter-offset", own.clone(), 0.45, vec![text], vec![("divider-off", own, 0.45)]);
            } else {
                let others = vec![("converter-offset", own.clone(), 0.3), ("divider-off", own, 0.3)];
                self.add("supply-set", supply_place(build, build.supply_of(point)), 0.4, vec![text], others);
            }
            self.checks.push(format!("rest/return/{}", build.sense[point].name));
        }
    }

    /// What failed and no rule explains.
    fn rest_unknown(&mut self) {
        let left: Vec<(Place, String)> = self
            .judge
            .checks
            .iter()
            .filter(|c| c.result == CheckResult::Fail)
            .filter(|c| !self.checks.iter().any(|p| c.id.starts_with(p.as_str())))
            .map(|c| (c.place.clone(), format!("{}: {}", c.id, c.value.map_or("no value".into(), |v| format!("{v:.4} {}", c.unit)))))
            .collect();
        if let Some((place, _)) = left.first() {
            let place = if left.len() == 1 { place.clone() } else { Place::default() };
            self.add("unknown", place, 0.5, left.into_iter().map(|l| l.1).collect(), vec![]);
        }
    }
}

/// What speaks for an explanation.
fn evidence(e: &Explanation) -> String {
    let size = match (&e.best.fault, e.magnitude) {
        (Fault::JointFeed { .. } | Fault::JointInput { .. } | Fault::SupplySoft { .. }, Some(x)) => {
            format!(", about {:.0} mΩ more than expected", x * 1e3)
        }
        (Fault::SupplySet { .. } | Fault::ConverterOffset { .. }, Some(x)) => format!(", about {:+.0} mV", x * 1e3),
        (Fault::DividerOff { .. }, Some(x)) => format!(", about {:+.1} %", x * 100.0),
        (Fault::PanelWeak { .. }, Some(x)) => format!(", about {:.0} % of what is expected", (1.0 - x) * 100.0),
        (Fault::Leak { .. }, Some(x)) => format!(", about {x:.1} A"),
        _ => String::new(),
    };
    let odds = if e.odds > 14.0 { "more than a million to one".to_owned() } else { format!("{:.0} to one", e.odds.exp()) };
    format!("the readings of the sweep and the levels fit this {odds} better than a sound sign{size}")
}

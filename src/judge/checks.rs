//! The limit checks of every stage.

use super::explain::{CONVINCED, Explained};
use super::record::Record;
use super::response::{Ratio, Responses};
use super::settle::settle;
use crate::build::{Build, Colour, Half, Node, PanelType, Quantity};
use crate::check::{Check, CheckResult, Limit, Place, PointUncertainty};
use crate::event::{Answer, Difference, Ending, Role, Seen, Stage, StopCause};
use crate::frame::{Cell, FrameSpec};
use crate::meter::decide::decide;
use crate::meter::least_squares::{Line, line};
use crate::meter::robust::{Estimate, coverage_factor, trimmed};
use crate::plan::{Action, Plan, Step};
use std::collections::BTreeMap;

/// What the checks are made from, and what the findings need besides the checks.
pub(crate) struct Judge<'a> {
    pub build: &'a Build,
    pub plan: &'a Plan,
    pub record: &'a Record<'a>,
    pub instruments: &'a [PointUncertainty],
    pub checks: Vec<Check>,
    pub cells: BTreeMap<Cell, (CheckResult, Option<Ratio>)>,
    pub responses: Option<Responses>,
}

/// Response of a driver chip over the expected one.
const BLOCK_LIMIT: Limit = Limit { low: Some(0.4), high: Some(1.7) };

/// Word of a frame for stable ids, e.g. `field-red`.
pub(crate) fn frame_word(frame: FrameSpec) -> String {
    match frame {
        FrameSpec::Black => "black".into(),
        FrameSpec::Cell(c) => format!("cell-{}", cell_word(c)),
        FrameSpec::Block { cell, block } => format!("block-{}-{block}", cell_word(cell)),
        FrameSpec::Marks => "marks".into(),
        FrameSpec::Field(c) => format!("field-{}", c.word()),
        FrameSpec::Row(r) => format!("row-{r}"),
        FrameSpec::Column(c) => format!("column-{c}"),
        FrameSpec::Level(l) => format!("level-{l}"),
        FrameSpec::MarkOf { port, position } => format!("mark-{port}-{position}"),
    }
}

/// `port-position-colour-half`.
pub(crate) fn cell_word(c: Cell) -> String {
    format!("{}-{}-{}-{}", c.port, c.position, c.colour.word(), c.half.word())
}

/// A witness's difference in words.
pub(crate) fn difference_text(d: &Difference) -> String {
    let seen = match &d.seen {
        Seen::Dark => "dark".to_owned(),
        Seen::Turned { degrees } => format!("turned clockwise by {degrees}°"),
        Seen::PictureOf { port, position } => format!("shows the picture of {port}·{position}"),
        Seen::WrongColour { expected, seen } => format!("shows {seen} where {expected} is expected"),
        Seen::Rows(rows) => format!("rows {} differ", list(rows)),
        Seen::Columns(columns) => format!("columns {} differ", list(columns)),
        Seen::Part { columns, rows } => format!("columns {}–{}, rows {}–{} differ", columns[0], columns[1], rows[0], rows[1]),
        Seen::Other(text) => text.clone(),
    };
    format!("{}·{}: {seen}", d.port, d.position)
}

fn list(numbers: &[u16]) -> String {
    numbers.iter().map(u16::to_string).collect::<Vec<_>>().join(", ")
}

impl Judge<'_> {
    pub fn run(&mut self) {
        self.open();
        self.idle();
        self.sweep();
        self.marks();
        self.climb();
        self.hold();
        self.rest();
        self.ending();
    }

    pub fn steps(&self, stage: Stage) -> Vec<&Step> {
        self.plan.steps.iter().filter(|s| s.stage == stage).collect()
    }

    pub fn volts_points(&self) -> Vec<usize> {
        (0..self.build.sense.len()).filter(|&i| self.build.sense[i].quantity == Quantity::Volts).collect()
    }

    fn instrument(&self, point: usize) -> PointUncertainty {
        self.instruments.get(point).copied().unwrap_or_default()
    }

    pub fn place(&self, point: usize) -> Place {
        let s = &self.build.sense[point];
        let mut place = Place { sense: Some(s.name.clone()), ..Place::default() };
        match s.node {
            Node::Supply(i) | Node::Distribution(i) => place.supply = self.build.supplies.get(i).map(|s| s.name.clone()),
            Node::FeedEnd(i) => place.feed = self.build.feeds.get(i).map(|f| f.name.clone()),
            Node::Panel(i) => {
                place.port = self.build.panels.get(i).map(|p| p.port);
                place.position = self.build.panels.get(i).map(|p| p.position);
            }
            Node::Controller => {}
        }
        place
    }

    /// A level with nothing lit is outside its window, or not safely inside.
    pub fn level_in_doubt(&self) -> bool {
        let of_level = |id: &str| id.starts_with("open/volts/") || id.starts_with("idle/level/");
        self.stopped_dark() || self.checks.iter().any(|c| of_level(&c.id) && matches!(c.result, CheckResult::Fail | CheckResult::Marginal))
    }

    /// The run was stopped before anything was lit.
    pub fn stopped_dark(&self) -> bool {
        let lit = self.plan.steps.iter().any(|s| s.frame != FrameSpec::Black && self.record.begun.contains_key(&s.number));
        self.record.stop().is_some() && !lit
    }

    /// Steady level of a point over all steps of a stage, Type A only.
    pub fn level(&self, stage: Stage, point: usize) -> Option<Estimate> {
        let values: Vec<f64> = self.steps(stage).iter().flat_map(|s| self.record.steady(s.number, point)).collect();
        trimmed(&values, 0.2)
    }

    fn expected_level(&self, stage: Stage, point: usize) -> Option<f64> {
        self.steps(stage).iter().find_map(|s| s.expected.get(point).copied().flatten())
    }

    /// Standard uncertainty and degrees of freedom of an absolute level.
    fn absolute(&self, point: usize, e: Estimate) -> (f64, f64) {
        let i = self.instrument(point);
        let b2 = (i.gain_rel * e.value).powi(2) + i.offset.powi(2) + i.lsb.powi(2) / 12.0;
        // one reading alone says nothing of its noise: a code step stands in for it
        let a = if e.standard.is_finite() { e.standard } else { i.lsb };
        let u = (a * a + b2).sqrt();
        (u, if a > 0.0 && e.dof > 0.0 { e.dof * (u / a).powi(4) } else { f64::INFINITY })
    }

    #[expect(clippy::too_many_arguments, reason = "one line of the check table")]
    fn measured(&mut self, id: String, title: String, place: Place, unit: &str, value: f64, expanded: f64, limit: Limit, basis: String) {
        let result = decide(value, expanded, limit);
        let expanded_uncertainty = expanded.is_finite().then_some(expanded);
        let basis = if result == CheckResult::Marginal { format!("{basis}; to settle it: {}", settle(&id)) } else { basis };
        self.checks.push(Check {
            id,
            title,
            place,
            value: value.is_finite().then_some(value),
            unit: unit.into(),
            limit,
            expanded_uncertainty,
            result,
            basis,
        });
    }

    fn said(&mut self, id: &str, title: String, place: Place, result: CheckResult, basis: String) {
        self.checks.push(Check {
            id: id.into(),
            title,
            place,
            value: None,
            unit: String::new(),
            limit: Limit::default(),
            expanded_uncertainty: None,
            result,
            basis,
        });
    }

    fn absent(&mut self, id: String, title: String, place: Place, unit: &str, limit: Limit, basis: String) {
        self.checks.push(Check {
            id,
            title,
            place,
            value: None,
            unit: unit.into(),
            limit,
            expanded_uncertainty: None,
            result: CheckResult::NotProven,
            basis,
        });
    }

    fn open(&mut self) {
        for (i, sense) in self.build.sense.iter().enumerate() {
            let (result, basis) = match self.record.converters.get(&i) {
                Some(Ok(found)) => (CheckResult::Pass, format!("found {found}")),
                Some(Err(why)) => (
                    CheckResult::NotProven,
                    format!("{}: check the converter's plug and address; this says nothing about the panels", why.text()),
                ),
                None => (CheckResult::NotProven, "not asked for in this run".into()),
            };
            self.said(
                &format!("open/converter/{}", sense.name),
                format!("converter of {} answers as {}", sense.name, sense.chip.word()),
                self.place(i),
                result,
                basis,
            );
        }
        let flags: Vec<bool> = self.record.boards.iter().filter_map(|b| b.undervoltage).collect();
        let (result, basis) = if flags.iter().any(|f| *f) {
            (CheckResult::Fail, "the controller reported undervoltage during the run")
        } else if flags.is_empty() {
            (CheckResult::NotProven, "this controller does not report it; not required")
        } else {
            (CheckResult::Pass, "every report of the controller's own flag")
        };
        self.said("open/board", "controller reports no undervoltage".into(), Place::default(), result, basis.into());
        for point in self.volts_points() {
            let sense = &self.build.sense[point];
            let (limit, from) = match sense.node {
                Node::Supply(s) | Node::Distribution(s) => {
                    let w = self.build.supplies[s].accept_v;
                    (Limit { low: Some(w[0].value()), high: Some(w[1].value()) }, "accept_v of the build")
                }
                _ => {
                    let w = self.plan.trips.get(point).copied().flatten();
                    (Limit { low: w.map(|w| w[0]), high: w.map(|w| w[1]) }, "trip window of the plan")
                }
            };
            let (id, title) = (format!("open/volts/{}", sense.name), format!("{} in its window, nothing lit", sense.name));
            match self.level(Stage::Open, point) {
                Some(e) => {
                    let (u, dof) = self.absolute(point, e);
                    self.measured(id, title, self.place(point), "V", e.value, u * coverage_factor(dof, 1), limit, format!("{from}; 95 %"));
                }
                None => self.absent(id, title, self.place(point), "V", limit, format!("{from}; not measured")),
            }
        }
    }

    fn idle(&mut self) {
        for point in self.volts_points() {
            let name = self.build.sense[point].name.clone();
            let place = self.place(point);
            let (Some(expected), Some(supply)) = (self.expected_level(Stage::Idle, point), self.build.supply_of(point)) else {
                let why = "the plan has no black frames for this point".into();
                self.absent(format!("idle/level/{name}"), format!("{name} under black frames"), place, "V", Limit::default(), why);
                continue;
            };
            let s = &self.build.supplies[supply];
            let (below, above) = ((s.set_v - s.accept_v[0]).value(), (s.accept_v[1] - s.set_v).value());
            let limit = Limit { low: Some(expected - below), high: Some(expected + above) };
            let basis = "expected level, with the supply anywhere in accept_v; 95 %";
            let (id, title) = (format!("idle/level/{name}"), format!("{name} under black frames"));
            let measured = self.level(Stage::Idle, point);
            match measured {
                Some(e) => {
                    let (u, dof) = self.absolute(point, e);
                    self.measured(id, title, place.clone(), "V", e.value, u * coverage_factor(dof, 1), limit, basis.into());
                }
                None => self.absent(id, title, place.clone(), "V", limit, "not measured".into()),
            }
            let expected_open = self.expected_level(Stage::Open, point);
            if let (Some(open), Some(idle), Some(expected_open)) = (self.level(Stage::Open, point), measured, expected_open) {
                let tolerance = self.build.limits.rest_v.value();
                let nominal = expected - expected_open;
                let limit = Limit { low: Some(nominal - tolerance), high: Some(nominal + tolerance) };
                let (value, expanded) = self.difference(point, idle, open);
                let id = format!("idle/drop/{name}");
                self.measured(
                    id,
                    format!("{name}: change from dark lines to black frames"),
                    place,
                    "V",
                    value,
                    expanded,
                    limit,
                    "expected change ± rest_v of the build; 95 %".into(),
                );
            }
        }
        for point in (0..self.build.sense.len()).filter(|&i| self.build.sense[i].quantity == Quantity::Amps) {
            let name = self.build.sense[point].name.clone();
            if let (Some(e), Some(x)) = (self.level(Stage::Idle, point), self.expected_level(Stage::Idle, point)) {
                let (u, dof) = self.absolute(point, e);
                // the controller may idle at half its stated draw; above it by two fifths something else draws
                let limit = Limit { low: Some(0.5 * x), high: Some(1.4 * x) };
                let basis = "50 % to 140 % of the expected idle draw; common practice, no source";
                self.measured(
                    format!("idle/amps/{name}"),
                    format!("{name}: idle draw"),
                    self.place(point),
                    "A",
                    e.value,
                    u * coverage_factor(dof, 1),
                    limit,
                    basis.into(),
                );
            }
        }
    }

    /// Difference of two levels of one point with its expanded uncertainty: the offset cancels.
    fn difference(&self, point: usize, a: Estimate, b: Estimate) -> (f64, f64) {
        let i = self.instrument(point);
        let value = a.value - b.value;
        let noise = |e: Estimate| if e.standard.is_finite() { e.standard } else { i.lsb };
        let type_a = noise(a).hypot(noise(b));
        let u = (type_a.powi(2) + (i.gain_rel * value).powi(2) + i.lsb.powi(2) / 6.0).sqrt();
        let dof = a.dof.min(b.dof).max(1.0);
        let dof = if type_a > 0.0 { dof * (u / type_a).powi(4) } else { f64::INFINITY };
        (value, u * coverage_factor(dof, 1))
    }

    fn sweep(&mut self) {
        let steps: Vec<&Step> = self.plan.steps.iter().filter(|s| s.stage == Stage::Sweep).collect();
        let points: Vec<usize> =
            (0..self.build.sense.len()).filter(|&i| self.build.sense[i].quantity != Quantity::Celsius && !self.record.stuck(i)).collect();
        let responses = Responses::gather(self.build, self.record, &steps, points, self.instruments);
        let measured: BTreeMap<u32, Ratio> = steps.iter().filter_map(|s| Some((s.number, responses.ratio(s)?))).collect();
        let mut cells: BTreeMap<Cell, u32> = BTreeMap::new();
        let mut blocks: BTreeMap<(Cell, u16), u32> = BTreeMap::new();
        for s in &steps {
            match s.frame {
                FrameSpec::Cell(c) => {
                    cells.insert(c, s.number);
                }
                FrameSpec::Block { cell, block } => {
                    blocks.insert((cell, block), s.number);
                }
                _ => {}
            }
        }
        let pct = self.build.limits.cell_pct;
        let limit = Limit { low: Some(1.0 - pct / 100.0), high: Some(1.0 + pct / 100.0) };
        let family = self.build.panels.len() * 6;
        for panel in &self.build.panels {
            for colour in Colour::ALL {
                for half in Half::ALL {
                    let cell = Cell { port: panel.port, position: panel.position, colour, half };
                    let place = Place {
                        port: Some(cell.port),
                        position: Some(cell.position),
                        colour: Some(colour.word().into()),
                        half: Some(half.word().into()),
                        feed: self.build.feeds.get(panel.feed).map(|f| f.name.clone()),
                        ..Place::default()
                    };
                    let id = format!("sweep/cell/{}", cell_word(cell));
                    let title = format!("{}·{} {} {}: response over expected", cell.port, cell.position, colour.word(), half.word());
                    let ratio = cells.get(&cell).and_then(|n| measured.get(n)).cloned();
                    self.ratio_check(id, title, place, ratio.as_ref(), limit, family, &format!("1 ± {pct} % (cell_pct)"));
                    let result = self.checks[self.checks.len() - 1].result;
                    self.cells.insert(cell, (result, ratio));
                }
            }
        }
        let family = blocks.len();
        for ((cell, block), number) in blocks {
            let place = Place {
                port: Some(cell.port),
                position: Some(cell.position),
                colour: Some(cell.colour.word().into()),
                half: Some(cell.half.word().into()),
                block: Some(block),
                ..Place::default()
            };
            let id = format!("sweep/block/{}-{block}", cell_word(cell));
            let width = self.build.panel_at(cell.port, cell.position).map_or(u16::MAX, |p| self.build.panel_type(p).width);
            let first = block * PanelType::DRIVER_OUTPUTS;
            let title = format!(
                "{}·{} {} {} columns {first} to {}: response over expected",
                cell.port,
                cell.position,
                cell.colour.word(),
                cell.half.word(),
                (first + PanelType::DRIVER_OUTPUTS).min(width) - 1
            );
            self.ratio_check(id, title, place, measured.get(&number), BLOCK_LIMIT, family, "a dead chip gives 0, a live one about 1");
        }
        self.responses = Some(responses);
    }

    #[expect(clippy::too_many_arguments, reason = "one line of the check table")]
    fn ratio_check(&mut self, id: String, title: String, place: Place, ratio: Option<&Ratio>, limit: Limit, family: usize, from: &str) {
        match ratio {
            Some(r) => {
                let expanded = r.all.standard * coverage_factor(r.all.dof, family);
                let basis = format!("{from}; 95 % over {family} checks; {} cycles", r.cycles);
                self.measured(id, title, place, "", r.all.value, expanded, limit, basis);
            }
            None => self.absent(id, title, place, "", limit, "not measured in this run".into()),
        }
    }

    /// Whether the readings as a whole fit a sound sign better than any fault.
    pub fn pattern(&mut self, explained: &Explained) {
        let limit = Limit { low: None, high: Some(CONVINCED) };
        self.checks.push(Check {
            id: "pattern".into(),
            title: "the readings as a whole fit a sound sign".into(),
            place: Place::default(),
            value: Some(explained.odds),
            unit: String::new(),
            limit,
            expanded_uncertainty: None,
            result: if explained.found.is_empty() && explained.misfits.is_empty() { CheckResult::Pass } else { CheckResult::Fail },
            basis: format!(
                "logarithm of the odds of the most probable fault against none, by {} readings; χ² {:.0} after what was found",
                explained.rows, explained.chi_square
            ),
        });
    }

    fn marks(&mut self) {
        let asks: Vec<(u32, FrameSpec, String)> = self
            .steps(Stage::Marks)
            .iter()
            .filter_map(|s| match &s.action {
                Action::Ask { text } => Some((s.number, s.frame, text.clone())),
                _ => None,
            })
            .collect();
        let mut used: BTreeMap<String, u32> = BTreeMap::new();
        for (number, frame, text) in asks {
            let count = used.entry(frame_word(frame)).or_default();
            *count += 1;
            let suffix = if *count > 1 { format!("-{count}") } else { String::new() };
            let id = format!("marks/{}{suffix}", frame_word(frame));
            let answer = self.record.witnessed.iter().rev().find(|(s, _, _)| *s == number).map(|(_, _, a)| *a);
            let (result, basis) = match answer {
                Some(Answer::AsShown) => (CheckResult::Pass, "as shown, by the witness".to_owned()),
                Some(Answer::Differs(list)) => (CheckResult::Fail, list.iter().map(difference_text).collect::<Vec<_>>().join("; ")),
                Some(Answer::Absent) => (CheckResult::NotProven, "nobody looked at the wall".to_owned()),
                None => (CheckResult::NotProven, "not asked in this run".to_owned()),
            };
            self.said(&id, text, Place::default(), result, basis);
        }
        if used.is_empty() {
            self.said(
                "marks/witness",
                "a witness looked at the wall".into(),
                Place::default(),
                CheckResult::NotProven,
                "no question was planned in this run".into(),
            );
        }
    }

    fn climb(&mut self) {
        let steps: Vec<(u32, u16)> = self
            .steps(Stage::Climb)
            .iter()
            .filter_map(|s| if let FrameSpec::Level(l) = s.frame { Some((s.number, l)) } else { None })
            .collect();
        let top = steps.iter().map(|s| s.1).max();
        let reached = steps.iter().filter(|s| self.record.windows.iter().any(|w| w.step == s.0)).map(|s| s.1).max();
        let result = if top.is_some() && reached == top { CheckResult::Pass } else { CheckResult::NotProven };
        let value = reached.map(|r| f64::from(r) / 1000.0);
        let low = top.map(|t| f64::from(t) / 1000.0);
        let basis = if self.plan.level_binds.is_empty() {
            "full white is permitted".to_owned()
        } else {
            format!("permitted level, bound by {}", self.plan.level_binds)
        };
        self.checks.push(Check {
            id: "climb/level".into(),
            title: "level reached (lit fraction of white)".into(),
            place: Place::default(),
            value,
            unit: String::new(),
            limit: Limit { low, high: None },
            expanded_uncertainty: None,
            result,
            basis,
        });
        let pct = self.build.limits.climb_pct;
        for point in self.volts_points() {
            let name = self.build.sense[point].name.clone();
            let place = self.place(point);
            let limit = Limit { low: Some(1.0 - pct / 100.0), high: Some(1.0 + pct / 100.0) };
            let (id, title) = (format!("climb/slope/{name}"), format!("{name}: V–I slope over expected"));
            let pairs = self.climb_pairs(&[(point, 1.0)]);
            let Some(Line { slope, residual: deviation, .. }) = line(&pairs) else {
                self.absent(id, title, place, "", limit, "fewer than three levels measured".into());
                continue;
            };
            let span =
                pairs.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max) - pairs.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
            let i = self.instrument(point);
            // residuals can be small by chance or by quantisation; a code step over the span is the least
            let quantum = i.lsb / 12.0_f64.sqrt() / span;
            let type_a = slope.standard.max(quantum);
            let u = type_a.hypot(i.gain_rel);
            let dof = if type_a > 0.0 { slope.dof * (u / type_a).powi(4) } else { f64::INFINITY };
            self.measured(
                id,
                title,
                place.clone(),
                "",
                slope.value,
                u * coverage_factor(dof, 1),
                limit,
                format!("1 ± {pct} % (climb_pct); 95 %; {} levels", pairs.len()),
            );
            let expanded = quantum * 2.0;
            let basis = "residual deviation at most 15 % of the line's span; common practice, no source";
            let limit = Limit { low: None, high: Some(0.15) };
            self.measured(
                format!("climb/line/{name}"),
                format!("{name}: V–I line is straight"),
                place,
                "",
                deviation / (span * slope.value.abs()).max(1e-9),
                expanded,
                limit,
                basis.into(),
            );
        }
    }

    /// Readings of the hold: seconds since its start, and value.
    pub fn hold_series(&self, point: usize) -> Vec<(f64, f64)> {
        let steps: Vec<u32> = self.steps(Stage::Hold).iter().map(|s| s.number).collect();
        let windows: Vec<_> = self.record.windows.iter().filter(|w| steps.contains(&w.step)).collect();
        let Some(first) = windows.first() else { return Vec::new() };
        let mut out = Vec::new();
        for w in &windows {
            let values = w.values(point);
            let (from, length) = (w.from.since(first.from), w.to.since(w.from));
            let gaps = values.len().saturating_sub(1).max(1) as f64;
            out.extend(values.iter().enumerate().map(|(i, v)| (from + length * i as f64 / gaps, *v)));
        }
        out
    }

    fn hold(&mut self) {
        let planned: f64 = self
            .steps(Stage::Hold)
            .iter()
            .filter_map(|s| if let Action::Hold { seconds, .. } = s.action { Some(seconds) } else { None })
            .sum();
        let interval = self
            .steps(Stage::Hold)
            .iter()
            .find_map(|s| if let Action::Hold { interval_s, .. } = s.action { Some(interval_s) } else { None });
        let points = self.volts_points();
        let held = points.iter().filter_map(|&p| self.hold_series(p).last().map(|l| l.0)).fold(0.0, f64::max);
        let asked = self.build.limits.hold_s;
        // the last reading comes up to two intervals before the end
        let complete = planned >= asked * 0.999 && asked > 0.0 && held >= planned * 0.98 - 2.0 * interval.unwrap_or(0.0);
        let tripped = self.record.blanked.iter().any(|c| !matches!(c, StopCause::Cancelled { .. } | StopCause::ByHand { .. }));
        let result = if tripped && held > 0.0 {
            CheckResult::Fail
        } else if complete {
            CheckResult::Pass
        } else {
            CheckResult::NotProven
        };
        self.checks.push(Check {
            id: "hold/time".into(),
            title: "permitted level held without a trip".into(),
            place: Place::default(),
            value: Some(held),
            unit: "s".into(),
            limit: Limit { low: Some(asked), high: None },
            expanded_uncertainty: None,
            result,
            basis: "hold_s of the build, to its last reading; no interlock".into(),
        });
        for point in points {
            let name = self.build.sense[point].name.clone();
            let place = self.place(point);
            let series = self.hold_series(point);
            let d = self.build.limits.hold_drift_v_per_min.value();
            let limit = Limit { low: Some(-d), high: Some(d) };
            let (id, title) = (format!("hold/drift/{name}"), format!("{name}: drift after the first minute"));
            let late: Vec<(f64, f64)> = series.iter().copied().filter(|p| p.0 >= 60.0).collect();
            // the controller's load has memory: means of 20 spans are nearly independent, single readings are not
            let bins = bins(&late, 20);
            match line(&bins) {
                Some(Line { slope, .. }) if held >= 120.0 => {
                    let expanded = 60.0 * slope.standard * coverage_factor(slope.dof, 1);
                    self.measured(
                        id,
                        title,
                        place.clone(),
                        "V/min",
                        60.0 * slope.value,
                        expanded,
                        limit,
                        "hold_drift_v_per_min of the build; 95 %".into(),
                    );
                }
                _ => self.absent(
                    id,
                    title,
                    place.clone(),
                    "V/min",
                    limit,
                    "the hold was shorter than two minutes; required only where the build's hold is longer".into(),
                ),
            }
            let low = self.plan.trips.get(point).copied().flatten().map(|w| w[0]);
            let limit = Limit { low, high: None };
            let (id, title) = (format!("hold/min/{name}"), format!("{name}: lowest volts of the hold"));
            let lowest = series.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
            if lowest.is_finite() {
                let (u, _) = self.absolute(point, Estimate { value: lowest, standard: 0.0, dof: f64::INFINITY });
                self.measured(
                    id,
                    title,
                    place,
                    "V",
                    lowest,
                    u * coverage_factor(f64::INFINITY, 1),
                    limit,
                    "low edge of the trip window; 95 %".into(),
                );
            } else {
                self.absent(id, title, place, "V", limit, "not measured".into());
            }
        }
    }

    fn rest(&mut self) {
        let tolerance = self.build.limits.rest_v.value();
        let limit = Limit { low: Some(-tolerance), high: Some(tolerance) };
        for point in self.volts_points() {
            let name = self.build.sense[point].name.clone();
            let (id, title) = (format!("rest/return/{name}"), format!("{name} returns to where it was"));
            let before =
                self.level(Stage::Idle, point).map(|e| (e, "idle")).or_else(|| self.level(Stage::Open, point).map(|e| (e, "open")));
            match (self.level(Stage::Rest, point), before) {
                (Some(after), Some((before, word))) => {
                    let (value, expanded) = self.difference(point, after, before);
                    self.measured(
                        id,
                        title,
                        self.place(point),
                        "V",
                        value,
                        expanded,
                        limit,
                        format!("rest minus {word}; rest_v of the build; 95 %"),
                    );
                }
                _ => self.absent(id, title, self.place(point), "V", limit, "not measured at both ends of the run".into()),
            }
        }
    }

    fn ending(&mut self) {
        let (result, basis) = match self.record.ending {
            Some(Ending::Completed) => (CheckResult::Pass, "every planned step was run".to_owned()),
            Some(Ending::Stopped(cause)) => (CheckResult::NotProven, format!("stopped: {}", cause.text(self.build))),
            Some(Ending::Broken { message }) => (CheckResult::NotProven, format!("broke: {message}")),
            None => (CheckResult::NotProven, "the journal has no end: the run was cut off".to_owned()),
        };
        self.said("run/end", "run completed".into(), Place::default(), result, basis);
        let never = self.never_ran().len();
        let result = if never == 0 && !self.plan.steps.is_empty() { CheckResult::Pass } else { CheckResult::NotProven };
        self.said(
            "run/steps",
            "every planned step ran".into(),
            Place::default(),
            result,
            format!("{never} of {} steps never ran", self.plan.steps.len()),
        );
    }

    /// Steps of the plan without a window of readings or an answer, in words.
    pub fn never_ran(&self) -> Vec<String> {
        let done = |s: &Step| match s.action {
            Action::Ask { .. } => self.record.witnessed.iter().any(|w| w.0 == s.number),
            Action::Bracket { .. } => self.record.windows.iter().any(|w| w.step == s.number && w.role == Role::Lit),
            _ if self.build.sense.is_empty() => self.record.begun.contains_key(&s.number),
            _ => self.record.windows.iter().any(|w| w.step == s.number),
        };
        self.plan
            .steps
            .iter()
            .filter(|s| !done(s))
            .map(|s| {
                let why = self.record.skipped.get(&s.number).map(|w| format!(" ({w})")).unwrap_or_default();
                format!("{} step {}: {}{why}", s.stage.word(), s.number, s.title)
            })
            .collect()
    }
}

/// Means of `count` equal spans of time.
fn bins(series: &[(f64, f64)], count: usize) -> Vec<(f64, f64)> {
    let (Some(first), Some(last)) = (series.first(), series.last()) else { return Vec::new() };
    let span = (last.0 - first.0).max(1e-9) / count as f64;
    let mut sums = vec![(0.0, 0.0, 0.0); count];
    for (t, v) in series {
        let b = &mut sums[(((t - first.0) / span) as usize).min(count - 1)];
        *b = (b.0 + t, b.1 + v, b.2 + 1.0);
    }
    sums.into_iter().filter(|b| b.2 > 0.0).map(|b| (b.0 / b.2, b.1 / b.2)).collect()
}

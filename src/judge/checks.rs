//! The limit checks of every stage.

use super::evidence::{Estimate, Evidence};
use crate::build::{Build, Node, Quantity};
use crate::check::{Check, CheckResult, Limit, Place, PointUncertainty};
use crate::event::{Answer, Role, Stage};
use crate::frame::{Cell, FrameSpec};
use crate::meter::decide::{decide, t_quantile};
use crate::plan::{Action, Plan, Step};

const CONFIDENCE: f64 = 0.95;

/// What all checks look at.
pub struct Case<'a> {
    pub build: &'a Build,
    pub plan: &'a Plan,
    pub evidence: &'a Evidence<'a>,
    pub instruments: &'a [PointUncertainty],
}

fn sense_place(build: &Build, point: usize) -> Place {
    Place { sense: Some(build.sense[point].name.clone()), ..Place::default() }
}

/// Place of a cell.
pub fn cell_place(cell: &Cell) -> Place {
    Place {
        port: Some(cell.port),
        position: Some(cell.position),
        colour: Some(cell.colour.word().to_owned()),
        half: Some(cell.half.word().to_owned()),
        ..Place::default()
    }
}

fn check(id: String, title: String, place: Place, unit: &str, limit: Limit, basis: &str) -> Check {
    Check {
        id,
        title,
        place,
        value: None,
        unit: unit.to_owned(),
        limit,
        expanded_uncertainty: None,
        result: CheckResult::NotProven,
        basis: basis.to_owned(),
    }
}

impl Case<'_> {
    /// All checks in stage order.
    pub fn all(&self) -> Vec<Check> {
        let mut out = Vec::new();
        self.open(&mut out);
        self.idle(&mut out);
        self.sweep(&mut out);
        self.marks(&mut out);
        self.climb(&mut out);
        self.hold(&mut out);
        self.rest(&mut out);
        out
    }

    fn steps(&self, stage: Stage) -> impl Iterator<Item = &Step> {
        self.plan.steps.iter().filter(move |s| s.stage == stage)
    }

    /// Standard uncertainty of an absolute level: Type A with the instrument's gain and offset.
    fn level(&self, step: u32, point: usize) -> Option<Estimate> {
        let a = self.evidence.steady(step, point)?;
        let b = self.instruments[point];
        let type_b = (b.gain_rel * a.mean).hypot(b.offset).hypot(b.lsb / 12.0_f64.sqrt());
        let standard = a.standard.hypot(type_b);
        // Welch–Satterthwaite (JCGM 100, G.4.1); Type B parts have infinite degrees of freedom
        let dof = if a.standard > 0.0 { a.dof * (standard / a.standard).powi(4) } else { f64::INFINITY };
        Some(Estimate { mean: a.mean, standard, dof })
    }

    fn volts_points(&self) -> impl Iterator<Item = usize> {
        (0..self.build.sense.len()).filter(|&p| self.build.sense[p].quantity == Quantity::Volts)
    }

    fn open(&self, out: &mut Vec<Check>) {
        for (point, sense) in self.build.sense.iter().enumerate() {
            let mut c = check(
                format!("open/converter/{}", sense.name),
                format!("the converter of `{}` is the chip that the build names", sense.name),
                sense_place(self.build, point),
                "",
                Limit::default(),
                "identification at its address",
            );
            if let Some(found) = self.evidence.converters.get(&point) {
                c.result = if found.is_ok() { CheckResult::Pass } else { CheckResult::Fail };
                c.basis = match found {
                    Ok(text) => text.clone(),
                    Err(reason) => reason.text().to_owned(),
                };
            }
            out.push(c);
        }
        let step = self.steps(Stage::Open).next().map(|s| s.number);
        let n = self.volts_points().count();
        for point in self.volts_points() {
            let sense = &self.build.sense[point];
            let (limit, basis) = match sense.node {
                Node::Supply(s) | Node::Distribution(s) => {
                    let [low, high] = self.build.supplies[s].accept_v;
                    // what the controller's own draw loses on the way belongs to the sign, not to the setting
                    (
                        Limit { low: Some(low.value()), high: Some(high.value()) },
                        "accepted window of the supply (common practice, no source)",
                    )
                }
                _ => {
                    let [low, high] = self.plan.trips[point].unwrap_or([0.0, 0.0]);
                    (Limit { low: Some(low), high: Some(high) }, "trip window")
                }
            };
            let mut c = check(
                format!("open/volts/{}", sense.name),
                format!("volts at `{}` with nothing lit", sense.name),
                sense_place(self.build, point),
                "V",
                limit,
                basis,
            );
            if let Some(e) = step.and_then(|s| self.level(s, point)) {
                settle(&mut c, e, n);
            }
            out.push(c);
        }
        let mut c = check(
            "open/undervoltage".to_owned(),
            "the controller reports no undervoltage".to_owned(),
            Place::default(),
            "",
            Limit::default(),
            "flag of the board",
        );
        match self.evidence.undervoltage {
            Some(false) => c.result = CheckResult::Pass,
            Some(true) => c.result = CheckResult::Fail,
            None => {}
        }
        out.push(c);
    }

    fn idle(&self, out: &mut Vec<Check>) {
        let Some(step) = self.steps(Stage::Idle).next() else { return };
        let n = self.volts_points().count();
        for point in self.volts_points() {
            let Some(expected) = step.expected[point] else { continue };
            let sense = &self.build.sense[point];
            let limit = Limit { low: Some(expected - 0.10), high: Some(expected + 0.10) };
            let title = format!("volts at `{}` with black frames, against the computed network", sense.name);
            let mut c = check(
                format!("idle/volts/{}", sense.name),
                title,
                sense_place(self.build, point),
                "V",
                limit,
                "within 0.10 V (setting by hand; common practice, no source)",
            );
            if let Some(e) = self.level(step.number, point) {
                settle(&mut c, e, n);
            }
            out.push(c);
        }
    }

    /// Response per cycle: lit minus the mean of the references beside it.
    fn responses(&self, step: u32, of: &dyn Fn(&[crate::event::PointReadings]) -> Option<f64>) -> Vec<f64> {
        let Some(windows) = self.evidence.windows.get(&step) else { return Vec::new() };
        let reference = |cycle: u32| windows.iter().find(|w| w.role == Role::Reference && w.cycle == cycle).and_then(|w| of(w.points));
        windows
            .iter()
            .filter(|w| w.role == Role::Lit)
            .filter_map(|w| Some(of(w.points)? - f64::midpoint(reference(w.cycle)?, reference(w.cycle + 1)?)))
            .collect()
    }

    /// Measured over expected response of a step, by the best of the sense points and their differences.
    pub fn ratio(&self, step: &Step) -> Option<(Estimate, String)> {
        let mean = |p: &crate::event::PointReadings| (!p.values.is_empty()).then(|| p.values.iter().sum::<f64>() / p.values.len() as f64);
        let mut best: Option<(Estimate, String)> = None;
        let mut offer = |expected: f64, gain: f64, responses: Vec<f64>, name: String| {
            if expected.abs() < 1e-4 {
                return;
            }
            if let Some(e) = Estimate::robust(&responses) {
                let own = e.standard / expected.abs();
                // cycles that happen to agree do not make the instrument better than its own step
                let standard = own.hypot(gain).max(1e-3);
                if best.as_ref().is_none_or(|(b, _)| standard < b.standard) {
                    best = Some((Estimate { mean: e.mean / expected, standard, dof: e.dof }, name));
                }
            }
        };
        for point in self.volts_points() {
            let Some(expected) = step.expected[point] else { continue };
            let gain = self.instruments[point].gain_rel;
            offer(expected, gain, self.responses(step.number, &|p| mean(&p[point])), self.build.sense[point].name.clone());
            let Node::FeedEnd(f) = self.build.sense[point].node else { continue };
            for other in self.volts_points() {
                if self.build.sense[other].node == Node::Distribution(self.build.feeds[f].supply)
                    && let Some(base) = step.expected[other]
                {
                    // what both points share, the controller's own load, cancels
                    let responses = self.responses(step.number, &|p| Some(mean(&p[point])? - mean(&p[other])?));
                    let name = format!("{} minus {}", self.build.sense[point].name, self.build.sense[other].name);
                    offer(expected - base, 2.0 * gain, responses, name);
                }
            }
        }
        best
    }

    fn sweep(&self, out: &mut Vec<Check>) {
        let cells: Vec<(Cell, Option<&Step>)> = self
            .build
            .panels
            .iter()
            .flat_map(|p| {
                crate::build::Colour::ALL.into_iter().flat_map(move |colour| {
                    crate::build::Half::ALL.into_iter().map(move |half| Cell { port: p.port, position: p.position, colour, half })
                })
            })
            .map(|cell| (cell, self.steps(Stage::Sweep).find(|s| s.frame == FrameSpec::Cell(cell))))
            .collect();
        let n = cells.len();
        let share = self.build.limits.cell_pct / 100.0;
        for (cell, step) in cells {
            let id = format!("sweep/cell/{}-{}-{}-{}", cell.port, cell.position, cell.colour.word(), cell.half.word());
            let limit = Limit { low: Some(1.0 - share), high: Some(1.0 + share) };
            let title = format!("{}: response of the supply, measured over expected", FrameSpec::Cell(cell).title());
            let mut c = check(id, title, cell_place(&cell), "1", limit, "not run");
            if let Some((e, by)) = step.and_then(|s| self.ratio(s)) {
                settle(&mut c, e, n);
                c.basis = format!("part tolerance and leads, ± {:.0} % (common practice, no source); by {by}", self.build.limits.cell_pct);
            }
            out.push(c);
        }
        let blocks: Vec<&Step> = self.steps(Stage::Sweep).filter(|s| matches!(s.frame, FrameSpec::Block { .. })).collect();
        for step in &blocks {
            let FrameSpec::Block { cell, block } = step.frame else { continue };
            let id = format!("sweep/block/{}-{}-{}-{}-{block}", cell.port, cell.position, cell.colour.word(), cell.half.word());
            // a dead chip gives 0, a live one about 1
            let limit = Limit { low: Some(0.5), high: Some(1.6) };
            let mut place = cell_place(&cell);
            place.block = Some(block);
            let mut c = check(id, format!("{}: driver chip responds", step.frame.title()), place, "1", limit, "not run");
            if let Some((e, by)) = self.ratio(step) {
                settle(&mut c, e, blocks.len());
                c.basis = format!("half of the expected response (a dead chip gives none); by {by}");
            }
            out.push(c);
        }
    }

    fn marks(&self, out: &mut Vec<Check>) {
        for step in self.steps(Stage::Marks) {
            let Action::Ask { text } = &step.action else { continue };
            let mut c =
                check(format!("marks/{}", step.number), text.clone(), Place::default(), "", Limit::default(), "needs a person who looks");
            match self.evidence.answers.get(&step.number) {
                Some(Answer::AsShown) => {
                    c.result = CheckResult::Pass;
                    c.basis = "witness: as shown".to_owned();
                }
                Some(Answer::Differs(list)) => {
                    c.result = CheckResult::Fail;
                    let words: Vec<String> =
                        list.iter().map(|d| format!("port {} position {}: {}", d.port, d.position, d.seen.text())).collect();
                    c.basis = format!("witness: {}", words.join("; "));
                    if let [one] = &list[..] {
                        c.place = Place { port: Some(one.port), position: Some(one.position), ..Place::default() };
                    }
                }
                _ => {}
            }
            out.push(c);
        }
    }

    fn climb(&self, out: &mut Vec<Check>) {
        let steps: Vec<&Step> = self.steps(Stage::Climb).collect();
        if steps.len() < 3 {
            return;
        }
        let n = self.volts_points().count();
        for point in self.volts_points() {
            let sense = &self.build.sense[point];
            let share = self.build.limits.climb_pct / 100.0;
            let limit = Limit { low: Some(1.0 - share), high: Some(1.0 + share) };
            let title = format!("volts lost at `{}` per step of the climb, measured over expected", sense.name);
            let basis = "straight line through the climb against the computed network (common practice, no source)";
            let mut c = check(format!("climb/{}", sense.name), title, sense_place(self.build, point), "1", limit, basis);
            // measured against expected volts: the slope is the ratio of resistances
            let pairs: Vec<(f64, f64)> =
                steps.iter().filter_map(|s| Some((s.expected[point]?, self.evidence.steady(s.number, point)?.mean))).collect();
            if let Some(e) = slope(&pairs).filter(|_| pairs.len() == steps.len()) {
                settle(&mut c, e, n);
            }
            out.push(c);
        }
    }

    fn hold(&self, out: &mut Vec<Check>) {
        let Some(step) = self.steps(Stage::Hold).next() else { return };
        let held = self.evidence.stages_ended.contains(&Stage::Hold);
        let n = self.volts_points().count();
        let windows = self.evidence.windows.get(&step.number);
        for point in self.volts_points() {
            let sense = &self.build.sense[point];
            let drift = self.build.limits.hold_drift_v_per_min.value();
            let limit = Limit { low: Some(-drift), high: Some(drift) };
            let title = format!("drift of `{}` during the hold, after its first minute", sense.name);
            let mut c = check(
                format!("hold/drift/{}", sense.name),
                title,
                sense_place(self.build, point),
                "V/min",
                limit,
                "straight line (common practice, no source)",
            );
            if let Some(windows) = windows.filter(|_| held) {
                let start = windows.first().map_or(0.0, |w| w.from_s);
                let late: Vec<(f64, f64)> = windows
                    .iter()
                    .filter(|w| w.from_s - start >= 60.0 || step.seconds <= 120.0)
                    .filter(|w| !w.points[point].values.is_empty())
                    .map(|w| {
                        let v = &w.points[point].values;
                        (f64::midpoint(w.from_s, w.to_s) / 60.0, v.iter().sum::<f64>() / v.len() as f64)
                    })
                    .collect();
                if let Some(e) = slope(&late) {
                    settle(&mut c, e, n);
                } else {
                    c.basis = "the hold was too short to know a drift".to_owned();
                    c.result = CheckResult::Pass;
                    c.value = None;
                }
            }
            out.push(c);
        }
    }

    fn rest(&self, out: &mut Vec<Check>) {
        let (Some(idle), Some(rest)) = (self.steps(Stage::Idle).next(), self.steps(Stage::Rest).next()) else { return };
        let n = self.volts_points().count();
        for point in self.volts_points() {
            let sense = &self.build.sense[point];
            let within = self.build.limits.rest_v.value();
            let limit = Limit { low: Some(-within), high: Some(within) };
            let title = format!("`{}` after the run against before", sense.name);
            let mut c =
                check(format!("rest/{}", sense.name), title, sense_place(self.build, point), "V", limit, "common practice, no source");
            // the same converter gives both sides: its gain and offset cancel
            if let (Some(a), Some(b)) = (self.evidence.steady(idle.number, point), self.evidence.steady(rest.number, point)) {
                let e = Estimate { mean: b.mean - a.mean, standard: a.standard.hypot(b.standard), dof: a.dof + b.dof };
                settle(&mut c, e, n);
            }
            out.push(c);
        }
    }
}

/// Probability for each of `n` decisions so that all together hold with `p` (Šidák).
fn family(p: f64, n: usize) -> f64 {
    p.powf(1.0 / n.max(1) as f64)
}

fn settle(c: &mut Check, e: Estimate, family_size: usize) {
    let guard = t_quantile(family(CONFIDENCE, family_size), e.dof) * e.standard;
    c.value = Some(e.mean);
    c.expanded_uncertainty = Some(guard);
    c.result = decide(e.mean, guard, c.limit);
}

/// Slope of a straight line by least squares, with its standard uncertainty.
fn slope(points: &[(f64, f64)]) -> Option<Estimate> {
    let n = points.len() as f64;
    if points.len() < 3 {
        return None;
    }
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let sxy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    if sxx <= 0.0 {
        return None;
    }
    let b = sxy / sxx;
    let rss: f64 = points.iter().map(|p| (p.1 - my - b * (p.0 - mx)).powi(2)).sum();
    Some(Estimate { mean: b, standard: (rss / (n - 2.0) / sxx).sqrt(), dof: n - 2.0 })
}

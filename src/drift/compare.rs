//! Two runs side by side: what changed beyond chance and beyond a practical threshold.

use super::quantities::{Kind, Numbers, Quantity};
use super::stats::{two_sided_factor, welch};
use super::{paths, words};
use crate::check::Place;
use crate::event::PlaceOfRun;
use crate::meter::stats::combine;
use crate::units::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Temperature coefficient of copper's resistance at 20 °C, per kelvin (IEC 60028:1925, the 0.00393 of the standard annealed copper).
pub(super) const COPPER_PER_K: f64 = 0.003_93;
/// A resistance counts as changed beyond this, mΩ (common practice, no source: a re-made crimp differs by about one).
const SAME_MOHM: f64 = 2.0;
/// … or beyond this share of the expected resistance, whichever is larger (common practice, no source).
const SAME_RESISTANCE: f64 = 0.10;
/// A cell's current counts as changed beyond this share (common practice, no source).
pub(super) const SAME_CELL: f64 = 0.05;
/// Noise counts as changed beyond this factor (common practice, no source).
const SAME_NOISE: f64 = 1.5;
/// Current along a feed under black frames counts as changed beyond this, A (common practice, no source).
pub(super) const SAME_LEAK_A: f64 = 0.25;
/// Temperatures further apart than this are pointed out, K (common practice, no source).
const SAME_KELVIN: f64 = 5.0;

/// One of the two runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Side {
    /// Id of the run.
    pub run_id: String,
    /// Where it was.
    pub place: PlaceOfRun,
    /// True where no real sign was attached.
    pub simulated: bool,
    /// Digest of the build.
    pub build_digest: String,
    /// Ambient temperature in °C.
    pub ambient_c: Option<f64>,
}

impl Side {
    fn of(n: &Numbers) -> Self {
        Self {
            run_id: n.run_id.clone(),
            place: n.place,
            simulated: n.simulated,
            build_digest: n.build_digest.clone(),
            ambient_c: n.ambient_c,
        }
    }
}

/// What can be said of one quantity.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RowResult {
    /// Beyond chance and beyond the practical threshold.
    Changed,
    /// A change beyond the threshold can be excluded.
    Same,
    /// Neither: the readings do not suffice.
    Open,
}

/// One quantity in both runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Row {
    /// Id of the quantity.
    pub id: String,
    /// In words.
    pub title: String,
    /// What sort.
    pub kind: Kind,
    /// Where.
    #[serde(rename = "where")]
    pub place: Place,
    /// Unit of the two values.
    pub unit: String,
    /// Earlier run; resistances at the later run's temperature where both are known.
    pub before: f64,
    /// Later run.
    pub after: f64,
    /// What is tested: after minus before for levels and resistances; for cells the relative change of current, for noise
    /// the logarithm of the ratio, for drops the change of current in A.
    pub change: f64,
    /// Expanded uncertainty of the change, 95 % over the family; `null` where it cannot be known.
    pub expanded: Option<f64>,
    /// Welch's t; `null` where nothing can be tested.
    pub t: Option<f64>,
    /// Its degrees of freedom.
    pub dof: Option<f64>,
    /// The practical threshold of `change`.
    pub threshold: f64,
    /// The result.
    pub result: RowResult,
}

/// What changed, in words, and what that suggests.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Statement {
    /// What changed.
    pub what: String,
    /// What that suggests, and where to look.
    pub suggests: String,
    /// Where.
    #[serde(rename = "where")]
    pub place: Place,
}

/// Two runs of one sign, compared.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Comparison {
    /// The earlier run.
    pub before: Side,
    /// The later run.
    pub after: Side,
    /// False where the builds differ: only what both have is compared.
    pub same_build: bool,
    /// What changed, weightiest first.
    pub statements: Vec<Statement>,
    /// How it was compared and what could not be.
    pub notes: Vec<String>,
    /// Every quantity that both runs have.
    pub rows: Vec<Row>,
}

/// Why two runs are not compared.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Mismatch {
    /// Simulated and real.
    #[error(
        "run {simulated} is simulated and run {real} is real: they are never compared, because a simulated sign says nothing about a real one"
    )]
    Simulated {
        /// The simulated run.
        simulated: String,
        /// The real run.
        real: String,
    },
    /// Other builds.
    #[error(
        "the runs are of different builds ({before} and {after}): compare runs of one build, or add --different-builds to compare what both have"
    )]
    Builds {
        /// Start of the earlier digest.
        before: String,
        /// Start of the later digest.
        after: String,
    },
}

fn short(digest: &str) -> String {
    digest.chars().take(12).collect()
}

/// Compares two runs.
///
/// # Errors
/// Where one is simulated and the other is not; where the builds differ and that is not `allowed`.
pub fn compare(before: &Numbers, after: &Numbers, allowed: bool) -> Result<Comparison, Mismatch> {
    if before.simulated != after.simulated {
        let (s, r) = if before.simulated { (before, after) } else { (after, before) };
        return Err(Mismatch::Simulated { simulated: s.run_id.clone(), real: r.run_id.clone() });
    }
    let same_build = before.build_digest == after.build_digest;
    if !same_build && !allowed {
        return Err(Mismatch::Builds { before: short(&before.build_digest), after: short(&after.build_digest) });
    }
    let at: BTreeMap<&str, &Quantity> = after.quantities.iter().map(|q| (q.id.as_str(), q)).collect();
    let pairs: Vec<(&Quantity, &Quantity)> = before.quantities.iter().filter_map(|a| Some((a, *at.get(a.id.as_str())?))).collect();
    let to_after = copper_factor(before.ambient_c, after.ambient_c);
    let members = pairs.iter().filter(|(a, _)| a.kind != Kind::Temperature).count();
    let resistance = |side: &Numbers, id: &Option<String>| -> Option<Measured<f64>> {
        let q = side.quantities.iter().find(|q| Some(&q.id) == id.as_ref())?;
        Some(q.measured())
    };
    let changes = paths::changes(before, after, to_after, same_mohm);
    let rows: Vec<Row> = pairs
        .iter()
        .map(|(a, b)| {
            let path = resistance(before, &a.through).zip(resistance(after, &b.through));
            let factor = a.through.as_ref().and_then(|id| changes.get(id)).map(|c| c.factor);
            row(a, b, Path { ends: path, factor }, to_after, before.same_v, members)
        })
        .collect();
    let mut notes = vec![format!(
        "{members} quantities tested by Welch's t, 95 % over all of them together; a change must also exceed its practical threshold."
    )];
    match (before.ambient_c, after.ambient_c) {
        (Some(a), Some(b)) if (a - b).abs() >= 0.05 => notes.push(format!(
            "Ambient {b:.1} °C against {a:.1} °C: resistances are compared at the later run's temperature (copper, {:.2} % per kelvin).",
            COPPER_PER_K * 100.0
        )),
        (Some(_), Some(_)) => {}
        _ => notes.push("The ambient temperature of one run is not known: resistances are not corrected for it (0.39 % per kelvin), so small changes may be the weather.".into()),
    }
    let unpaired = before.quantities.len() + after.quantities.len() - 2 * pairs.len();
    if unpaired > 0 {
        notes.push(format!("{unpaired} quantities were measured in only one of the runs and are not compared."));
    }
    let open = rows.iter().filter(|r| r.result == RowResult::Open).count();
    if open > 0 {
        notes.push(format!("{open} quantities vary too much to exclude a change beyond the threshold."));
    }
    if !same_build {
        notes.push("The builds differ: a change may be meant.".into());
    }
    notes.push(
        "Resistances rest on the build's nominal currents: their scale is as good as the panels' tolerance, equally in both runs.".into(),
    );
    notes.push("Only the spread of readings is counted: an exchanged converter, divider or sense wire shows as a change.".into());
    let by_panels: Vec<&str> = changes.iter().filter(|(_, c)| c.panels).map(|(id, _)| id.as_str()).collect();
    for r in rows.iter().filter(|r| by_panels.contains(&r.id.as_str())) {
        notes.push(format!(
            "{}: the climb's slope went from {:.1} to {:.1} mΩ; the panels named above account for that, so the path is taken to be as it was.",
            r.title, r.before, r.after
        ));
    }
    let statements = words::statements(&rows, &by_panels);
    Ok(Comparison { before: Side::of(before), after: Side::of(after), same_build, statements, notes, rows })
}

/// Factor that takes a resistance of copper from the earlier run's temperature to the later one's; 1 where either is not known.
fn copper_factor(before: Option<f64>, after: Option<f64>) -> f64 {
    let at = |c: f64| 1.0 + COPPER_PER_K * (c - 20.0);
    before.zip(after).map_or(1.0, |(b, a)| at(a) / at(b))
}

/// Relative standard uncertainty and its degrees of freedom.
fn relative(m: Measured<f64>) -> (f64, f64) {
    ((m.standard / m.value).abs(), m.dof)
}

/// The path that a quantity goes through: its resistance in both runs, and the factor that its cells agree on.
struct Path {
    ends: Option<(Measured<f64>, Measured<f64>)>,
    factor: Option<Measured<f64>>,
}

/// Greatest change of a resistance that counts as none, mΩ.
fn same_mohm(q: &Quantity) -> f64 {
    SAME_MOHM.max(SAME_RESISTANCE * q.expected.unwrap_or(0.0))
}

fn row(a: &Quantity, b: &Quantity, path: Path, to_after: f64, same_v: f64, members: usize) -> Row {
    let (mut x, mut y) = (a.measured(), b.measured());
    let mut earlier = a.value;
    let threshold = match a.kind {
        Kind::OpenVolts | Kind::IdleVolts => same_v,
        Kind::IdleAmps => SAME_LEAK_A,
        Kind::IdleDrop => SAME_LEAK_A,
        Kind::Resistance => same_mohm(a),
        Kind::Cell => SAME_CELL,
        Kind::Noise => SAME_NOISE.ln(),
        Kind::Temperature => SAME_KELVIN,
    };
    match a.kind {
        Kind::Resistance => {
            // the earlier value is the known copper; what was added since may be any metal
            earlier = x.value * to_after;
            // wires may be warmer or colder than the air: half to one and a half times the correction, rectangular
            let correction = (earlier - x.value).abs() / 12.0_f64.sqrt();
            x = Measured { value: earlier, standard: (x.standard * to_after).hypot(correction), dof: x.dof };
        }
        Kind::Noise => {
            let ln = |m: Measured<f64>| Measured { value: m.value.ln(), standard: m.standard / m.value, dof: m.dof };
            (x, y) = (ln(x), ln(y));
        }
        // a response is current times resistance: the resistance's own change is taken out
        Kind::Cell if x.value.abs() > 0.02 => {
            let reference = x.value * path.factor.map_or(1.0, |f| f.value);
            let share = y.value / reference;
            let mut parts = vec![relative(x)];
            parts.extend(path.factor.map(relative));
            let (of_reference, dof) = combine(&parts);
            y = Measured { value: share, standard: (y.standard / reference).abs(), dof: y.dof };
            x = Measured { value: 1.0, standard: share.abs() * of_reference, dof };
        }
        // volts lost over resistance are current; before and after each by its own resistance would divide the converters'
        // offset by two different figures, so the change of volts is divided by the mean of both
        Kind::IdleDrop => {
            if let Some((r, s)) = path.ends.filter(|(r, s)| r.value > 0.0 && s.value > 0.0) {
                let ohm = f64::midpoint(r.value, s.value) * 1e-3;
                let scale = |m: Measured<f64>| Measured { value: m.value / ohm, standard: m.standard / ohm, dof: m.dof };
                (x, y) = (scale(x), scale(y));
            }
        }
        _ => {}
    }
    let change = y.value - x.value;
    let tested = welch(y, x);
    let expanded = tested.map(|w| w.standard * two_sided_factor(w.dof, members));
    let beyond = change.abs() > threshold;
    let result = match expanded {
        _ if !change.is_finite() => RowResult::Open,
        Some(u) if beyond && change.abs() > u => RowResult::Changed,
        Some(u) if change.abs() + u <= threshold => RowResult::Same,
        Some(_) => RowResult::Open,
        // temperatures are single readings: what differs, differs
        None if a.kind == Kind::Temperature => {
            if beyond {
                RowResult::Changed
            } else {
                RowResult::Same
            }
        }
        None => RowResult::Open,
    };
    let figure = |v: f64| format!("{v:.5e}").parse::<f64>().unwrap_or(v);
    Row {
        id: a.id.clone(),
        title: a.title.clone(),
        kind: a.kind,
        place: a.place.clone(),
        unit: a.unit.clone(),
        before: figure(earlier),
        after: b.value,
        change: if change.is_finite() { figure(change) } else { 0.0 },
        expanded: expanded.filter(|u| u.is_finite()).map(figure),
        t: tested.map(|w| figure(w.t)).filter(|t| t.is_finite()),
        dof: tested.map(|w| figure(w.dof.min(1e6))),
        threshold: figure(threshold),
        result,
    }
}

impl Comparison {
    /// For the terminal.
    pub fn text(&self) -> String {
        let side = |s: &Side| {
            let ambient = s.ambient_c.map_or("ambient not known".to_owned(), |c| format!("{c:.1} °C"));
            format!("{} ({}, {ambient})", s.run_id, words::place_word(s.place))
        };
        let mut out = String::new();
        if self.after.simulated {
            out.push_str("SIMULATED: no sign was tested\n");
        }
        out.push_str(&format!("before: {}\nafter:  {}\n", side(&self.before), side(&self.after)));
        if self.statements.is_empty() {
            out.push_str("nothing changed beyond chance and the practical thresholds\n");
        }
        for s in &self.statements {
            out.push_str(&format!("- {}\n  {}\n", s.what, s.suggests));
        }
        let changed: Vec<&Row> = self.rows.iter().filter(|r| r.result == RowResult::Changed).collect();
        if !changed.is_empty() {
            out.push_str("\nchanged                                    before        after    change        ± U     t\n");
        }
        for r in changed.iter().take(30) {
            let number = |v: Option<f64>| v.map_or("–".to_owned(), |v| format!("{v:.4}"));
            out.push_str(&format!(
                "{:<36} {:>9.4} {:<3} {:>9.4}  {:>+9.4}  {:>9} {:>7}\n",
                r.id,
                r.before,
                r.unit,
                r.after,
                r.change,
                number(r.expanded),
                r.t.map_or("–".to_owned(), |t| format!("{t:.1}"))
            ));
        }
        if changed.len() > 30 {
            out.push_str(&format!("and {} more: --format json lists all\n", changed.len() - 30));
        }
        let same = self.rows.iter().filter(|r| r.result == RowResult::Same).count();
        out.push_str(&format!("\n{same} of {} quantities are the same.\n", self.rows.len()));
        for n in &self.notes {
            out.push_str(&format!("{n}\n"));
        }
        out
    }
}

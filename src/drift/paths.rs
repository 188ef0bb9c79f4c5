//! Which part of a change of cell responses is the path's, and which the panels'.
//!
//! A response is a panel's current times the resistance of its path, and the climb's slope is the sum of both over a path's
//! panels: volts alone give only products. The explanation with the fewest changed parts is taken: either the path is
//! as it was, or it changed as the climb says, or as one of its panels says, and every panel whose responses do not follow changed.

use super::compare::SAME_CELL;
use super::quantities::{Kind, Numbers, Quantity};
use crate::units::Measured;
use std::collections::BTreeMap;

/// How a path changed: the factor on its resistance, as a value with uncertainty, and whether panels account for the climb's slope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Change {
    pub factor: Measured<f64>,
    /// The climb's slope changed, but the path did not.
    pub panels: bool,
}

/// Port and position.
type Panel = (Option<u8>, Option<u8>);
/// Of a panel's cells in the earlier and the later run.
type Responses = (Vec<Measured<f64>>, Vec<Measured<f64>>);

fn by_id<'a>(numbers: &'a Numbers, id: &str) -> Option<&'a Quantity> {
    numbers.quantities.iter().find(|q| q.id == id)
}

fn quotient(after: Measured<f64>, before: Measured<f64>) -> Measured<f64> {
    let value = after.value / before.value;
    let share = |m: Measured<f64>| (m.standard / m.value).abs();
    let (relative, dof) = crate::meter::stats::combine(&[(share(after), after.dof), (share(before), before.dof)]);
    Measured { value, standard: value.abs() * relative, dof }
}

/// Sum of several values.
fn sum(list: &[Measured<f64>]) -> Measured<f64> {
    let parts: Vec<(f64, f64)> = list.iter().map(|m| (m.standard, m.dof)).collect();
    let (standard, dof) = crate::meter::stats::combine(&parts);
    Measured { value: list.iter().map(|m| m.value).sum(), standard, dof }
}

/// Every path with cells in both runs. `copper` is the factor that the temperature alone explains, `same_mohm` the greatest
/// change of a resistance that counts as none.
pub(super) fn changes(before: &Numbers, after: &Numbers, copper: f64, same_mohm: impl Fn(&Quantity) -> f64) -> BTreeMap<String, Change> {
    let mut paths: BTreeMap<&str, BTreeMap<Panel, Responses>> = BTreeMap::new();
    for a in before.quantities.iter().filter(|q| q.kind == Kind::Cell) {
        let (Some(path), Some(b)) = (a.through.as_deref(), by_id(after, &a.id)) else { continue };
        // what was dark already is dark for whatever path
        if a.value.abs() > 0.1 && b.through == a.through {
            let panel = paths.entry(path).or_default().entry((a.place.port, a.place.position)).or_default();
            panel.0.push(a.measured());
            panel.1.push(b.measured());
        }
    }
    let mut out = BTreeMap::new();
    for (path, panels) in paths {
        let (Some(r), Some(s)) = (by_id(before, path), by_id(after, path)) else { continue };
        if r.value <= 0.0 || s.value <= 0.0 {
            continue;
        }
        let climb = quotient(s.measured(), r.measured());
        // wires may be warmer or colder than the air: half to one and a half times the correction, rectangular
        let as_it_was = Measured { value: copper, standard: (copper - 1.0).abs() / 12.0_f64.sqrt(), dof: f64::INFINITY };
        let of_panels: Vec<Measured<f64>> =
            panels.values().map(|(x, y)| quotient(sum(y), sum(x))).filter(|q| q.value.is_finite()).collect();
        let same = same_mohm(r) / r.value;
        let changed = |factor: f64| (factor / copper - 1.0).abs() > same;
        let cost =
            |factor: f64| usize::from(changed(factor)) + of_panels.iter().filter(|p| (p.value / factor - 1.0).abs() > SAME_CELL).count();
        let candidates = [as_it_was, climb].into_iter().chain(of_panels.iter().copied().filter(|p| p.value > 0.1));
        // the first of the cheapest: a path that is as it was goes before one that changed
        let Some(factor) = candidates.min_by_key(|c| cost(c.value)) else { continue };
        out.insert(path.to_owned(), Change { factor, panels: changed(climb.value) && !changed(factor.value) });
    }
    out
}

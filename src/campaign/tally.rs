//! Counting what a campaign found, with Wilson intervals.

use super::{Request, Trial};
use crate::build::Build;
use crate::check::Place;
use crate::fault::Fault;
use crate::judge::{self, Finding, Outcome};
use crate::report;
use crate::rig::sim::scenario_text;
use serde::Serialize;
use std::collections::BTreeMap;

/// A share with its 95 % Wilson score interval (Wilson 1927).
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Proportion {
    /// How many.
    pub k: u64,
    /// Of how many.
    pub n: u64,
    /// `k / n`; 0 where `n` is 0.
    pub rate: f64,
    /// Lower edge.
    pub low: f64,
    /// Upper edge.
    pub high: f64,
}

impl Proportion {
    /// Of `k` in `n`.
    pub fn of(k: u64, n: u64) -> Self {
        if n == 0 {
            return Self { k, n, rate: 0.0, low: 0.0, high: 1.0 };
        }
        let z = 1.959_963_985;
        let (p, m) = (k as f64 / n as f64, n as f64);
        let centre = (p + z * z / (2.0 * m)) / (1.0 + z * z / m);
        let half = z / (1.0 + z * z / m) * (p * (1.0 - p) / m + z * z / (4.0 * m * m)).sqrt();
        Self { k, n, rate: p, low: (centre - half).max(0.0), high: (centre + half).min(1.0) }
    }
}

/// Counts of one kind.
#[derive(Clone, Debug, Serialize)]
pub struct KindResult {
    /// Kind word.
    pub kind: String,
    /// Faults of this kind.
    pub faults: u64,
    /// Detected.
    pub detected: Proportion,
    /// True kind and place first, where the set is a single one.
    pub located_first: Proportion,
    /// True kind and place within the set.
    pub located_in_set: Proportion,
    /// Mean size of the set.
    pub mean_set_size: f64,
    /// What was named first instead, with counts.
    pub taken_for: BTreeMap<String, u64>,
    /// Seeds of faults that were not found, at most 20.
    pub missed_seeds: Vec<u64>,
}

/// A sign whose fault was not found, for looking at it again.
#[derive(Clone, Debug, Serialize)]
pub struct Miss {
    /// Seed of the trial: a campaign of one trial from this seed replays it.
    pub seed: u64,
    /// What was wrong, as a scenario file.
    pub scenario: String,
    /// What was said.
    pub outcome: Outcome,
    /// What was named instead.
    pub named: Vec<String>,
}

/// The result of a campaign.
#[derive(Clone, Debug, Serialize)]
pub struct Summary {
    /// All trials.
    pub trials: u64,
    /// With a fault.
    pub faulty: u64,
    /// Without.
    pub healthy: u64,
    /// Faulty signs not called sound.
    pub detected: Proportion,
    /// True kind and place first, among findings whose set is a single one.
    pub located_first: Proportion,
    /// True kind and place within the set.
    pub located_in_set: Proportion,
    /// Mean size of the set.
    pub mean_set_size: f64,
    /// With two faults: both among the findings.
    pub both_found: Proportion,
    /// Healthy signs called fail, stopped or error.
    pub false_alarms: Proportion,
    /// Healthy signs called marginal.
    pub healthy_marginal: Proportion,
    /// Whole runs judged a second; 0 until timed.
    pub trials_per_second: f64,
    /// Per kind.
    pub kinds: Vec<KindResult>,
    /// Signs of which a fault was not found, at most 50.
    pub misses: Vec<Miss>,
    /// Seeds of healthy signs that were called wrong, at most 20.
    pub false_alarm_seeds: Vec<u64>,
    /// First seed.
    pub seed: u64,
}

/// The run gave cause not to accept the sign: a failed check, a stop, an error.
fn alarmed(t: &Trial) -> bool {
    matches!(t.outcome, Outcome::Fail | Outcome::Stopped | Outcome::Error) || t.failed || t.findings.iter().any(|f| f.kind != "unknown")
}

fn is(kind: &str, place: &Place, build: &Build, fault: &Fault) -> bool {
    kind == fault.kind() && *place == judge::place_of(build, fault)
}

/// The finding that has the fault first or among its alternatives.
fn finding_of<'t>(build: &Build, t: &'t Trial, fault: &Fault) -> Option<&'t Finding> {
    let first = t.findings.iter().find(|f| is(&f.kind, &f.place, build, fault));
    first.or_else(|| t.findings.iter().find(|f| f.alternatives.iter().any(|a| is(&a.kind, &a.place, build, fault))))
}

const MOST_MISSES: usize = 50;

fn miss(build: &Build, t: &Trial) -> Miss {
    let words = |f: &Finding| format!("{} {}", f.kind, report::place_words(&f.place));
    Miss {
        seed: t.seed,
        scenario: scenario_text(build, t.seed, &t.faults),
        outcome: t.outcome,
        named: t.findings.iter().map(words).collect(),
    }
}

#[derive(Default)]
struct Count {
    faults: u64,
    detected: u64,
    single: u64,
    first: u64,
    in_set: u64,
    sizes: f64,
    sets: u64,
    taken_for: BTreeMap<String, u64>,
    missed: Vec<u64>,
}

impl Summary {
    /// Counts the trials.
    pub fn of(build: &Build, trials: &[Trial], request: &Request) -> Self {
        let mut kinds: BTreeMap<String, Count> = BTreeMap::new();
        let (mut healthy, mut alarms, mut marginals, mut pairs, mut both) = (0, 0, 0, 0, 0);
        let (mut false_alarm_seeds, mut misses) = (Vec::new(), Vec::new());
        for t in trials {
            if t.faults.is_empty() {
                healthy += 1;
                marginals += u64::from(t.marginal && !alarmed(t));
                if alarmed(t) {
                    alarms += 1;
                    false_alarm_seeds.push(t.seed);
                }
                continue;
            }
            if t.faults.len() > 1 {
                pairs += 1;
                both += u64::from(t.faults.iter().all(|f| finding_of(build, t, f).is_some()));
            }
            if misses.len() < MOST_MISSES && t.faults.iter().any(|f| finding_of(build, t, f).is_none()) {
                misses.push(miss(build, t));
            }
            for fault in &t.faults {
                let c = kinds.entry(fault.kind().to_owned()).or_default();
                c.faults += 1;
                let detected = alarmed(t) || t.marginal;
                c.detected += u64::from(detected);
                let found = finding_of(build, t, fault);
                let about = found.or(t.findings.first());
                if let Some(f) = about {
                    let size = 1 + f.alternatives.len() as u64;
                    c.sizes += size as f64;
                    c.sets += 1;
                    if size == 1 {
                        c.single += 1;
                        c.first += u64::from(is(&f.kind, &f.place, build, fault));
                    }
                    if !is(&f.kind, &f.place, build, fault) {
                        *c.taken_for.entry(f.kind.clone()).or_default() += 1;
                    }
                }
                c.in_set += u64::from(found.is_some());
                if found.is_none() || !detected {
                    c.missed.push(t.seed);
                }
            }
        }
        let sum = |of: &dyn Fn(&Count) -> u64| kinds.values().map(of).sum::<u64>();
        let faults = sum(&|c| c.faults);
        let sets = sum(&|c| c.sets).max(1);
        Self {
            trials: trials.len() as u64,
            faulty: trials.len() as u64 - healthy,
            healthy,
            detected: Proportion::of(sum(&|c| c.detected), faults),
            located_first: Proportion::of(sum(&|c| c.first), sum(&|c| c.single)),
            located_in_set: Proportion::of(sum(&|c| c.in_set), faults),
            mean_set_size: kinds.values().map(|c| c.sizes).sum::<f64>() / sets as f64,
            both_found: Proportion::of(both, pairs),
            false_alarms: Proportion::of(alarms, healthy),
            healthy_marginal: Proportion::of(marginals, healthy),
            trials_per_second: 0.0,
            kinds: kinds
                .iter()
                .map(|(kind, c)| KindResult {
                    kind: kind.clone(),
                    faults: c.faults,
                    detected: Proportion::of(c.detected, c.faults),
                    located_first: Proportion::of(c.first, c.single),
                    located_in_set: Proportion::of(c.in_set, c.faults),
                    mean_set_size: c.sizes / c.sets.max(1) as f64,
                    taken_for: c.taken_for.clone(),
                    missed_seeds: c.missed.iter().copied().take(20).collect(),
                })
                .collect(),
            misses,
            false_alarm_seeds: false_alarm_seeds.into_iter().take(20).collect(),
            seed: request.seed,
        }
    }

    /// A table for people.
    pub fn text(&self) -> String {
        let p = |x: &Proportion| format!("{:6.2} % ({}/{}, {:.2} to {:.2} %)", x.rate * 100.0, x.k, x.n, x.low * 100.0, x.high * 100.0);
        let mut out = format!(
            "{} trials: {} with a fault, {} healthy; {:.1} a second\n",
            self.trials, self.faulty, self.healthy, self.trials_per_second
        );
        out.push_str(&format!("detected                    {}\n", p(&self.detected)));
        out.push_str(&format!("located within the set      {}   mean size {:.2}\n", p(&self.located_in_set), self.mean_set_size));
        out.push_str(&format!("first, where set is single  {}\n", p(&self.located_first)));
        if self.both_found.n > 0 {
            out.push_str(&format!("both of two faults found    {}\n", p(&self.both_found)));
        }
        out.push_str(&format!("healthy: false alarms       {}\n", p(&self.false_alarms)));
        out.push_str(&format!("healthy: marginal           {}\n\n", p(&self.healthy_marginal)));
        out.push_str(&format!(
            "{:<17} {:>6} {:>9} {:>9} {:>9} {:>6}  taken for\n",
            "kind", "faults", "detected", "in set", "first", "size"
        ));
        for k in &self.kinds {
            let taken: Vec<String> = k.taken_for.iter().map(|(kind, n)| format!("{kind} {n}")).collect();
            out.push_str(&format!(
                "{:<17} {:>6} {:>8.2}% {:>8.2}% {:>8.2}% {:>6.2}  {}\n",
                k.kind,
                k.faults,
                k.detected.rate * 100.0,
                k.located_in_set.rate * 100.0,
                k.located_first.rate * 100.0,
                k.mean_set_size,
                taken.join(", ")
            ));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wilson_intervals_are_those_of_the_textbook() {
        // NIST/SEMATECH e-Handbook 7.2.4.1, Wilson method: 4 defectives in 20 gives 0.0807 to 0.4160 (recomputed from the formula)
        let p = Proportion::of(4, 20);
        assert!((p.low - 0.0807).abs() < 2e-4 && (p.high - 0.4160).abs() < 2e-4, "{p:?}");
        assert_eq!(Proportion::of(0, 10).low, 0.0);
    }
}

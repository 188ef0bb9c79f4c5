//! Measures the judge: thousands of simulated signs with random parts, some with a random fault, each run and judged whole.

pub mod draw;
mod tally;
mod trial;

pub use tally::{KindResult, Proportion, Summary};
pub use trial::{Bench, Trial};

use crate::build::Build;
use crate::commission;
use crate::fault::Fault;
use crate::judge::{self, Proof};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use std::sync::atomic::{AtomicU64, Ordering};

/// What a campaign is asked to do.
#[derive(Clone, Debug)]
pub struct Request {
    /// Trials, half of them with a fault.
    pub trials: u64,
    /// First seed.
    pub seed: u64,
    /// Only these kinds; all that coverage calls proven by measurement where empty.
    pub kinds: Vec<String>,
    /// Two faults at once.
    pub pairs: bool,
}

/// Seconds of the hold in a campaign: long enough for the stages' order, short enough for thousands of runs.
pub const HOLD_S: f64 = 3.0;

/// Share of trials with a fault.
const FAULTY_SHARE: f64 = 0.6;

/// Faults that may be drawn, by kind.
fn universe(build: &Build, kinds: &[String]) -> Vec<(String, Vec<Fault>)> {
    let covered = commission::coverage(build);
    let measured = |fault: &Fault| {
        let place = judge::place_of(build, fault);
        covered.iter().any(|c| c.kind == fault.kind() && c.place == place && c.proof == Proof::Measured)
    };
    Fault::KINDS
        .iter()
        .filter(|k| kinds.is_empty() || kinds.iter().any(|w| w == *k))
        .map(|k| ((*k).to_owned(), judge::places(build, k).into_iter().filter(|f| measured(f)).collect::<Vec<_>>()))
        .filter(|(_, places)| !places.is_empty())
        .collect()
}

/// Whether a reading that is off takes its point out of the trip window at rest, which ends the run before anything is lit.
fn trips(build: &Build, fault: &Fault) -> bool {
    let (sense, off) = match *fault {
        Fault::ConverterOffset { sense, millivolt } => (sense, millivolt / 1e3),
        Fault::DividerOff { sense, percent } => (sense, 5.0 * percent / 100.0),
        _ => return false,
    };
    // the supply may stand anywhere in its window
    let supplies = build.supplies.iter().map(|s| s.accept_v.map(crate::units::Volts::value));
    let (low, high) = supplies.fold((f64::INFINITY, 0.0_f64), |(l, h), [a, b]| (l.min(a), h.max(b)));
    low + off < build.limits.trip_low_v[sense].value() || high + off > build.limits.trip_high_v.value()
}

/// Two faults hide one another where they are of the same panel, feed, port or sense point, or where one ends the run before the
/// other can show.
fn hides(build: &Build, a: &Fault, b: &Fault) -> bool {
    let ends = |f: &Fault| {
        matches!(
            f,
            Fault::SupplySet { .. }
                | Fault::SupplyLimit { .. }
                | Fault::SupplySoft { .. }
                | Fault::JointInput { .. }
                | Fault::FuseOpen { .. }
                | Fault::ConverterSilent { .. }
        ) || trips(build, f)
    };
    if ends(a) || ends(b) {
        return true;
    }
    let (pa, pb) = (judge::place_of(build, a), judge::place_of(build, b));
    let feeds = |p: &crate::check::Place| -> Vec<String> {
        let of_panels = build.panels.iter().filter(|x| Some(x.port) == p.port).map(|x| build.feeds[x.feed].name.clone());
        let of_sense = p.sense.iter().filter_map(|s| build.sense_named(s)).filter_map(|i| match build.sense[i].node {
            crate::build::Node::FeedEnd(f) => Some(build.feeds[f].name.clone()),
            _ => None,
        });
        p.feed.iter().cloned().chain(of_sense).chain(of_panels).collect()
    };
    let distribution = |p: &crate::check::Place| p.sense.is_some() && feeds(p).is_empty();
    if pa.port.is_some() && pb.port.is_some() {
        return pa.port == pb.port;
    }
    distribution(&pa) || distribution(&pb) || feeds(&pa).iter().any(|f| feeds(&pb).contains(f))
}

/// Runs the trials on all cores; `progress` is told how many are done.
pub fn campaign(build: &Build, request: &Request, progress: &(dyn Fn(u64) + Sync)) -> Summary {
    let mut build = build.clone();
    build.limits.hold_s = HOLD_S;
    let universe = universe(&build, &request.kinds);
    let next = AtomicU64::new(0);
    let threads = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let worker = || {
        let mut bench = Bench::new(&build);
        let mut trials = Vec::new();
        loop {
            let n = next.fetch_add(1, Ordering::Relaxed);
            if n >= request.trials {
                return trials;
            }
            let seed = request.seed.wrapping_add(n);
            let mut rng = StdRng::seed_from_u64(seed ^ 0x5eed_fa17);
            let faults = draw(&build, &universe, request.pairs, &mut rng);
            trials.push(bench.trial(seed, faults));
            progress(n + 1);
        }
    };
    let mut trials: Vec<Trial> = std::thread::scope(|scope| {
        let handles: Vec<_> = (0..threads).map(|_| scope.spawn(worker)).collect();
        handles.into_iter().flat_map(|h| h.join().unwrap_or_default()).collect()
    });
    trials.sort_by_key(|t| t.seed);
    Summary::of(&build, &trials, request)
}

fn draw(build: &Build, universe: &[(String, Vec<Fault>)], pairs: bool, rng: &mut StdRng) -> Vec<Fault> {
    let mut one = || {
        let (_, places) = &universe[rng.random_range(0..universe.len())];
        let place = places[rng.random_range(0..places.len())].clone();
        draw::magnitude(build, place, rng)
    };
    if universe.is_empty() {
        return Vec::new();
    }
    if !pairs {
        let fault = one();
        return if rng.random_bool(FAULTY_SHARE) { vec![fault] } else { Vec::new() };
    }
    for _ in 0..200 {
        let (a, b) = (one(), one());
        if !hides(build, &a, &b) {
            return vec![a, b];
        }
    }
    Vec::new()
}

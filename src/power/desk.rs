//! The paper checks: everything that can be known before anything is connected.

use super::level::{derated_amps, feed_amps, permitted};
use super::network::{Network, Parts};
use super::{conductor, fuse, pins};
use crate::build::{Build, Chip, Node, Quantity, SensePoint};
use crate::check::{Limit, Place};
use serde::Serialize;

/// Share of the supply that one lead may lose.
const DROP_SHARE: f64 = 0.03;
/// Input capacitance of a panel (assumed, no source).
const PANEL_FARADS: f64 = 1e-3;
/// Longest time at the limit at start (common practice, no source).
const INRUSH_MS: f64 = 50.0;

/// Result of a paper check.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Holds.
    Pass,
    /// Holds, but mind it.
    Caution,
    /// Does not hold.
    Fail,
}

/// One paper check.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DeskCheck {
    /// Stable id.
    pub id: String,
    /// In plain words.
    pub title: String,
    /// Where.
    #[serde(rename = "where")]
    pub place: Place,
    /// Computed value.
    pub value: Option<f64>,
    /// Its unit.
    pub unit: &'static str,
    /// Limits.
    pub limit: Limit,
    /// Result.
    pub verdict: Verdict,
    /// Where the limit comes from.
    pub basis: String,
}

/// All paper checks of a build.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DeskReport {
    /// Sign's name.
    pub sign: String,
    /// `sound` or `not-sound`.
    pub result: &'static str,
    /// Highest permitted lit fraction of white.
    pub level_permitted: f64,
    /// What binds it; empty for full white.
    pub level_binds: String,
    /// The checks.
    pub checks: Vec<DeskCheck>,
}

fn most(value: f64, limit: f64) -> Verdict {
    if value <= limit { Verdict::Pass } else { Verdict::Fail }
}

/// Makes all paper checks, at the permitted level and worst case.
pub fn desk(build: &Build) -> DeskReport {
    let level = permitted(build);
    let mut checks = Vec::new();
    if level.level < 1.0 {
        checks.push(DeskCheck {
            id: "level".to_owned(),
            title: if level.level > 0.0 { "full white is too much for this build" } else { "nothing may be lit on this build" }.to_owned(),
            place: level.place.clone(),
            value: Some(level.level * 100.0),
            unit: "%",
            limit: Limit { low: Some(100.0), high: None },
            verdict: if level.level > 0.0 { Verdict::Caution } else { Verdict::Fail },
            basis: if level.level > 0.0 {
                format!("limit the brightness in whatever drives the sign; what binds it: {}", level.binds)
            } else {
                format!("a limit is exceeded with everything dark, or as soon as anything lights: {}", level.binds)
            },
        });
    }
    feeds(build, level.level, &mut checks);
    supplies(build, level.level, &mut checks);
    volts(build, level.level, &mut checks);
    inrush(build, &mut checks);
    refresh(build, &mut checks);
    converters(build, level.level, &mut checks);
    for (i, caution) in pins::cautions(build).into_iter().enumerate() {
        checks.push(DeskCheck {
            id: format!("pins/{i}"),
            title: "pins and buffers".to_owned(),
            place: Place::default(),
            value: None,
            unit: "",
            limit: Limit::default(),
            verdict: Verdict::Caution,
            basis: caution,
        });
    }
    let failed = checks.iter().any(|c| c.verdict == Verdict::Fail);
    DeskReport {
        sign: build.sign.name.clone(),
        result: if failed { "not-sound" } else { "sound" },
        level_permitted: level.level,
        level_binds: level.binds,
        checks,
    }
}

fn high(limit: f64) -> Limit {
    Limit { low: None, high: Some(limit) }
}

fn feeds(build: &Build, level: f64, out: &mut Vec<DeskCheck>) {
    for (f, feed) in build.feeds.iter().enumerate() {
        let place = Place { feed: Some(feed.name.clone()), ..Place::default() };
        let amps = feed_amps(build, f, level);
        let limit = feed.fuse_a.value() * build.limits.fuse_load_pct / 100.0;
        out.push(DeskCheck {
            id: format!("feed/{}/fuse-load", feed.name),
            title: format!("load of feed {} against its {} A fuse", feed.name, feed.fuse_a.value()),
            place: place.clone(),
            value: Some(amps),
            unit: "A",
            limit: high(limit),
            verdict: most(amps, limit),
            basis: format!("{:.0} % of the rating for continuous load (fuse makers' derating at 25 °C)", build.limits.fuse_load_pct),
        });
        let (verdict, low, basis) = match conductor::ampacity(&feed.lead) {
            Some((a, basis)) if a < feed.fuse_a => {
                (Verdict::Fail, Some(a.value()), format!("{basis}; the lead would burn before the fuse opens"))
            }
            Some((a, basis)) if a.value() < feed.fuse_a.value() * fuse::CONVENTIONAL_FUSING => (
                Verdict::Caution,
                Some(a.value()),
                format!("{basis}; below 1.35 × the fuse, which need not open under that (conventional fusing current)"),
            ),
            Some((a, basis)) => (Verdict::Pass, Some(a.value()), basis.to_owned()),
            None => (Verdict::Caution, None, "no table lists what this lead carries; state its maker's rating".to_owned()),
        };
        out.push(DeskCheck {
            id: format!("feed/{}/lead", feed.name),
            title: format!("what the lead of feed {} carries against its fuse", feed.name),
            place,
            value: low,
            unit: "A",
            limit: Limit { low: Some(feed.fuse_a.value()), high: None },
            verdict,
            basis,
        });
    }
}

fn supplies(build: &Build, level: f64, out: &mut Vec<DeskCheck>) {
    for (s, supply) in build.supplies.iter().enumerate() {
        let place = Place { supply: Some(supply.name.clone()), ..Place::default() };
        let of_supply: Vec<usize> = (0..build.feeds.len()).filter(|&f| build.feeds[f].supply == s).collect();
        let amps: f64 = of_supply.iter().map(|&f| feed_amps(build, f, level)).sum();
        let limit = derated_amps(build, s) * build.limits.supply_load_pct / 100.0;
        let mut push = |id: &str, title: String, value: f64, unit, limit, verdict, basis: &str| {
            out.push(DeskCheck {
                id: format!("supply/{}/{id}", supply.name),
                title,
                place: place.clone(),
                value: Some(value),
                unit,
                limit,
                verdict,
                basis: basis.to_owned(),
            });
        };
        push(
            "load",
            format!("load of supply {} at the highest ambient temperature", supply.name),
            amps,
            "A",
            high(limit),
            most(amps, limit),
            "share of the derated rating (common practice, no source)",
        );
        let carries = conductor::ampacity(&supply.input_lead);
        push(
            "input-lead",
            format!("current in the input lead of supply {}", supply.name),
            amps,
            "A",
            Limit { low: None, high: carries.map(|c| c.0.value()) },
            carries.map_or(Verdict::Caution, |c| most(amps, c.0.value())),
            carries.map_or("no table lists what this lead carries; state its maker's rating", |c| c.1),
        );
        // I_limit must open the largest fuse while the rest of the load goes on
        let largest = of_supply.iter().copied().max_by(|&a, &b| build.feeds[a].fuse_a.value().total_cmp(&build.feeds[b].fuse_a.value()));
        if let Some(f) = largest {
            let needed = 2.0 * build.feeds[f].fuse_a.value() + amps - feed_amps(build, f, level);
            let gives = supply.rated_a.value() * supply.limit_factor;
            push(
                "opens-fuse",
                format!("current that supply {} can give into a short behind its largest fuse ({})", supply.name, build.feeds[f].name),
                gives,
                "A",
                Limit { low: Some(needed), high: None },
                if gives >= needed { Verdict::Pass } else { Verdict::Caution },
                "twice the fuse's rating plus the rest of the load opens it within seconds (blade-fuse time-current limits, from memory)",
            );
        }
        let va = supply.rated_a.value() * supply.set_v.value();
        push(
            "hazard",
            format!("energy of supply {}", supply.name),
            va,
            "VA",
            high(240.0),
            if va > 240.0 { Verdict::Caution } else { Verdict::Pass },
            "beyond 240 VA (IEC 62368-1: above 100 W is class PS3) a short burns and starts fires though it does not shock: fuse every feed",
        );
    }
}

fn volts(build: &Build, level: f64, out: &mut Vec<DeskCheck>) {
    let mut network = Network::new(build);
    let Ok(solution) = network.solve(&Parts::worst(build), &vec![[level; 3]; build.panels.len()]) else {
        out.push(DeskCheck {
            id: "volts".to_owned(),
            title: "volts at the panels and the controller".to_owned(),
            place: Place::default(),
            value: None,
            unit: "V",
            limit: Limit::default(),
            verdict: Verdict::Fail,
            basis: "the computed network has no operating point: see that resistances and currents of the build are plausible".to_owned(),
        });
        return;
    };
    let mut push = |id: String, title: String, place: Place, volts: f64, min: f64| {
        out.push(DeskCheck {
            id,
            title,
            place,
            value: Some(volts),
            unit: "V",
            limit: Limit { low: Some(min), high: None },
            verdict: if volts >= min { Verdict::Pass } else { Verdict::Fail },
            basis: "computed network, tolerances against us, permitted level".to_owned(),
        });
    };
    for (i, p) in build.panels.iter().enumerate() {
        push(
            format!("volts/{}-{}", p.port, p.position),
            format!("volts at port {} position {}", p.port, p.position),
            Place { port: Some(p.port), position: Some(p.position), ..Place::default() },
            solution.volts(Node::Panel(i)),
            build.panel_type(i).min_v.value(),
        );
    }
    push(
        "volts/controller".to_owned(),
        "volts at the controller".to_owned(),
        Place::default(),
        solution.volts(Node::Controller),
        build.controller.min_v.value(),
    );
    drops(build, &solution, out);
    whole_drop(build, &solution, out);
}

/// The greatest drop from a supply's terminals to one of its panels.
fn whole_drop(build: &Build, solution: &super::network::Solution, out: &mut Vec<DeskCheck>) {
    let drop = |i: usize| solution.volts(Node::Supply(build.feeds[build.panels[i].feed].supply)) - solution.volts(Node::Panel(i));
    let Some(farthest) = (0..build.panels.len()).max_by(|&a, &b| drop(a).total_cmp(&drop(b))) else { return };
    let p = &build.panels[farthest];
    let limit = build.limits.drop_v.value();
    out.push(DeskCheck {
        id: "drop/farthest-panel".to_owned(),
        title: format!("volts lost from the supply's terminals to port {} position {}, the most of any panel", p.port, p.position),
        place: Place { port: Some(p.port), position: Some(p.position), ..Place::default() },
        value: Some(drop(farthest)),
        unit: "V",
        limit: high(limit),
        verdict: most(drop(farthest), limit),
        basis: "limits.drop_v of the build, worst case, permitted level".to_owned(),
    });
}

/// Volts lost in each lead at the permitted level, worst case.
fn drops(build: &Build, solution: &super::network::Solution, out: &mut Vec<DeskCheck>) {
    let mut push = |id: String, title: String, place: Place, volts: f64, set: f64| {
        let limit = set * DROP_SHARE;
        out.push(DeskCheck {
            id,
            title,
            place,
            value: Some(volts),
            unit: "V",
            limit: high(limit),
            verdict: if volts <= limit { Verdict::Pass } else { Verdict::Caution },
            basis: "3 % of the supply in one lead, out and return (ABYC E-11, critical circuits)".to_owned(),
        });
    };
    for (s, supply) in build.supplies.iter().enumerate() {
        let place = Place { supply: Some(supply.name.clone()), ..Place::default() };
        let drop = solution.volts(Node::Supply(s)) - solution.volts(Node::Distribution(s));
        push(
            format!("drop/input/{}", supply.name),
            format!("volts lost in the input lead of supply {}", supply.name),
            place,
            drop,
            supply.set_v.value(),
        );
    }
    for (f, feed) in build.feeds.iter().enumerate() {
        let place = Place { feed: Some(feed.name.clone()), ..Place::default() };
        let drop = solution.volts(Node::Distribution(feed.supply)) - solution.volts(Node::FeedEnd(f));
        let set = build.supplies[feed.supply].set_v.value();
        push(format!("drop/feed/{}", feed.name), format!("volts lost in fuse and lead of feed {}", feed.name), place, drop, set);
    }
}

/// Charge of the panels' input capacitors against what the supply may give at start.
fn inrush(build: &Build, out: &mut Vec<DeskCheck>) {
    for (s, supply) in build.supplies.iter().enumerate() {
        let panels = build.panels.iter().filter(|p| build.feeds[p.feed].supply == s).count();
        let limit_a = supply.rated_a.value() * supply.limit_factor;
        let ms = panels as f64 * PANEL_FARADS * supply.set_v.value() / limit_a * 1000.0;
        out.push(DeskCheck {
            id: format!("supply/{}/inrush", supply.name),
            title: format!("time that supply {} is at its limit while the panels' capacitors charge", supply.name),
            place: Place { supply: Some(supply.name.clone()), ..Place::default() },
            value: Some(ms),
            unit: "ms",
            limit: high(INRUSH_MS),
            verdict: if ms <= INRUSH_MS { Verdict::Pass } else { Verdict::Caution },
            basis: "1 mF a panel (assumed, no source); a supply that limits for longer may give up and try again".to_owned(),
        });
    }
}

/// Highest volts that can come, at each converter's input.
fn converters(build: &Build, level: f64, out: &mut Vec<DeskCheck>) {
    for sense in &build.sense {
        let (range_v, stands_v) = match sense.chip {
            Chip::Ads1115 { range_v, supply_v, .. } => (range_v, supply_v + 0.3),
            Chip::Mcp3208 { reference_v, supply_v, .. } => (reference_v, supply_v + 0.6),
            Chip::Ina219 { .. } | Chip::Ina226 { .. } | Chip::Ina228 { .. } => {
                if let (Quantity::Amps, Some(ohm), Some(full_v)) = (sense.quantity, sense.chip.shunt_ohm(), sense.chip.shunt_full_v()) {
                    shunt(build, level, sense, ohm, full_v * 1000.0, out);
                }
                continue;
            }
            // what it stands is not known: the kernel's driver does not tell
            Chip::Iio { .. } => continue,
        };
        let ratio = sense.divider.map_or(1.0, |d| (d.top.value() + d.bottom.value()) / d.bottom.value());
        let highest = build.limits.trip_high_v.value() / ratio;
        let limit = range_v.min(stands_v);
        out.push(DeskCheck {
            id: format!("converter/{}", sense.name),
            title: format!("highest volts at the converter input of `{}`", sense.name),
            place: Place { sense: Some(sense.name.clone()), ..Place::default() },
            value: Some(highest),
            unit: "V",
            limit: high(limit),
            verdict: most(highest, limit),
            basis: match sense.chip {
                Chip::Mcp3208 { .. } => "its reference, and its own supply + 0.6 V (Microchip DS21298)".to_owned(),
                _ => "its range, and its own supply + 0.3 V (TI SBAS444)".to_owned(),
            },
        });
    }
}

/// Volts across a power monitor's shunt when the place carries all that it may.
fn shunt(build: &Build, level: f64, sense: &SensePoint, ohm: f64, full_mv: f64, out: &mut Vec<DeskCheck>) {
    let of_supply = |s: usize| (0..build.feeds.len()).filter(|&f| build.feeds[f].supply == s).map(|f| feed_amps(build, f, level)).sum();
    let amps: f64 = match sense.node {
        Node::Supply(s) | Node::Distribution(s) => of_supply(s),
        Node::FeedEnd(f) => feed_amps(build, f, level),
        Node::Panel(p) => feed_amps(build, build.panels[p].feed, level),
        Node::Controller => build.controller.draw_a.value(),
    };
    let mv = amps * ohm * 1000.0;
    out.push(DeskCheck {
        id: format!("converter/{}", sense.name),
        title: format!("millivolts across the shunt of `{}` at the permitted level", sense.name),
        place: Place { sense: Some(sense.name.clone()), ..Place::default() },
        value: Some(mv),
        unit: "mV",
        limit: high(full_mv),
        verdict: most(mv, full_mv),
        basis: format!(
            "range of the shunt input, ±{full_mv} mV ({})",
            if full_mv > 200.0 {
                "TI SBOS448"
            } else if full_mv > 100.0 {
                "TI SLYS021"
            } else {
                "TI SBOS547"
            }
        ),
    });
}

fn refresh(build: &Build, out: &mut Vec<DeskCheck>) {
    let longest = build.chains.iter().map(|c| c.panels.iter().map(|&p| build.panel_type(p).stages()).sum::<usize>()).max().unwrap_or(0);
    let mhz = build.panels.iter().map(|p| build.panel_types[p.kind].clock_mhz).fold(f64::INFINITY, f64::min);
    let hz = mhz * 1e6 / (f64::from(build.addresses()) * (longest as f64 + 3.0));
    out.push(DeskCheck {
        id: "refresh".to_owned(),
        title: "refresh rate of the longest chain at the panel clock".to_owned(),
        place: Place::default(),
        value: Some(hz),
        unit: "Hz",
        limit: Limit { low: Some(build.limits.refresh_hz), high: None },
        verdict: if hz >= build.limits.refresh_hz { Verdict::Pass } else { Verdict::Fail },
        basis: "below about 100 Hz rows are seen to flicker (common practice, no source)".to_owned(),
    });
}

impl DeskReport {
    /// No check fails.
    pub fn sound(&self) -> bool {
        self.checks.iter().all(|c| c.verdict != Verdict::Fail)
    }

    /// 0 sound (cautions and a reduced level included), 1 a check fails.
    pub fn exit_code(&self) -> u8 {
        u8::from(!self.sound())
    }

    /// Cautions and a reduced level first, then every check.
    pub fn text(&self) -> String {
        let mut out = format!("{}: {}\n", self.sign, if self.sound() { "sound on paper" } else { "NOT sound on paper" });
        if self.level_permitted < 1.0 {
            out.push_str(&format!("permitted level {:.1} % of white; what binds it: {}\n", self.level_permitted * 100.0, self.level_binds));
        } else {
            out.push_str("permitted level 100 % of white\n");
        }
        for c in &self.checks {
            if c.verdict != Verdict::Pass {
                let word = if c.verdict == Verdict::Fail { "FAIL" } else { "caution" };
                out.push_str(&format!("{word}: {}: {}\n", c.title, c.basis));
            }
        }
        out.push('\n');
        for c in &self.checks {
            let value = c.value.map_or_else(|| "–".to_owned(), |v| format!("{v:.3} {}", c.unit));
            let limit = match (c.limit.low, c.limit.high) {
                (Some(l), _) => format!("≥ {l:.3}"),
                (_, Some(h)) => format!("≤ {h:.3}"),
                _ => String::new(),
            };
            let word = match c.verdict {
                Verdict::Pass => "pass",
                Verdict::Caution => "caution",
                Verdict::Fail => "FAIL",
            };
            out.push_str(&format!("{word:<8} {value:>12}  {limit:<10} {}\n", c.title));
        }
        out
    }
}

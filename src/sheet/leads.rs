//! Cut list of the leads, fuse table, ribbons, parts count.

use crate::build::{Buffer, Build, Chip, Conductor, Lead};
use crate::drawing::{self, RIBBON_SUPPLIED_M};
use crate::power::{conductor, feed_amps, permitted};
use serde::Serialize;
use std::collections::BTreeMap;

/// Service loop: this share of a lead's length …
const LOOP_SHARE: f64 = 0.10;
/// … and at least this, metres (both common practice, no source).
const LOOP_LEAST_M: f64 = 0.05;
/// One line of the cut list: conductors that are cut alike.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Cut {
    /// Where it begins.
    pub from: String,
    /// Where it ends.
    pub to: String,
    /// Area or gauge.
    pub conductor: String,
    /// Length between the ends as the build states it, metres.
    pub build_m: f64,
    /// Length to cut, service loop included, metres, in whole centimetres.
    pub cut_m: f64,
    /// Conductors: one out (+), one return (−).
    pub count: u32,
    /// Terminal at the near end of each conductor.
    pub near: String,
    /// Terminal at the far end of each conductor.
    pub far: String,
}

/// Conductors of one area or gauge together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Total {
    /// Area or gauge.
    pub conductor: String,
    /// Conductors.
    pub count: u32,
    /// By the build, metres.
    pub build_m: f64,
    /// To cut, metres.
    pub cut_m: f64,
}

/// One fuse.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FuseRow {
    /// Index of the feed.
    pub feed: usize,
    /// Name of the feed.
    pub name: String,
    /// Supply it hangs on.
    pub supply: String,
    /// Rating, amperes.
    pub fuse_a: f64,
    /// Area or gauge of its lead.
    pub conductor: String,
    /// What the lead carries, amperes; `None` where no table lists it.
    pub carries_a: Option<f64>,
    /// Worst-case load at the permitted level, amperes.
    pub load_a: f64,
    /// What it feeds.
    pub feeds: String,
}

/// One ribbon.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RibbonRow {
    /// Where it comes from.
    pub from: String,
    /// Panel that it enters.
    pub to: String,
    /// Length needed, metres; `None` from the adapter, whose place the build does not know.
    pub needed_m: Option<f64>,
    /// Length that the build states, metres.
    pub build_m: f64,
    /// What to mind; empty where nothing.
    pub mind: String,
}

/// A kind of part and how many.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Part {
    /// How many, with its unit where it is not pieces.
    pub count: String,
    /// What.
    pub what: String,
}

/// Area or gauge in words.
pub fn conductor_words(conductor: Conductor) -> String {
    match conductor {
        Conductor::Mm2(area) => format!("{area} mm²"),
        Conductor::Awg(gauge) => format!("{gauge} AWG"),
    }
}

fn cut(from: String, to: String, near: &str, far: String, lead: &Lead) -> Cut {
    let raw = lead.length_m + (lead.length_m * LOOP_SHARE).max(LOOP_LEAST_M);
    Cut {
        from,
        to,
        conductor: conductor_words(lead.conductor),
        build_m: lead.length_m,
        // to the next centimetre; the last bit of a sum must not make it one more
        cut_m: (raw * 100.0 - 1e-6).ceil() / 100.0,
        count: 2,
        near: near.to_owned(),
        far,
    }
}

/// What hangs on a feed, in words.
fn fed(build: &Build, feed: usize) -> (usize, String) {
    let mut all: Vec<String> = build.panels.iter().filter(|p| p.feed == feed).map(|p| format!("{}·{}", p.port, p.position)).collect();
    let panels = all.len();
    if build.controller.feed == feed {
        all.push("controller".to_owned());
    }
    (panels, if all.is_empty() { "nothing (spare)".to_owned() } else { all.join(", ") })
}

/// Every lead of the build.
pub fn cuts(build: &Build) -> Vec<Cut> {
    let mut out: Vec<Cut> = build
        .supplies
        .iter()
        .map(|s| {
            let far = "for the distribution's input".to_owned();
            cut(format!("supply {}", s.name), format!("distribution {}", s.name), "for the supply's screws", far, &s.input_lead)
        })
        .collect();
    for (f, feed) in build.feeds.iter().enumerate() {
        let (panels, what) = fed(build, f);
        let controller = build.controller.feed == f;
        let mut ends = Vec::new();
        if panels > 0 {
            ends.push(format!("{panels} panel power {}", if panels == 1 { "plug" } else { "plugs" }));
        }
        if controller {
            ends.push("the controller's 5 V input".to_owned());
        }
        let far = if ends.is_empty() { "insulated".to_owned() } else { format!("for {}", ends.join(" and ")) };
        let near = "fuse holder (+), return bar (−)";
        out.push(cut(format!("feed {} of {}", feed.name, build.supplies[feed.supply].name), what, near, far, &feed.lead));
    }
    out
}

/// What joins several supplies and what never does; `None` where there is one.
pub fn joined(build: &Build) -> Option<String> {
    if build.supplies.len() < 2 {
        return None;
    }
    let names: Vec<&str> = build.supplies.iter().map(|s| s.name.as_str()).collect();
    Some(format!(
        "Join the return bars (−) of the supplies {} to each other with a lead {}, as short as it goes: data lines and sense points need one \
         common − (common practice, no source). Never join their + sides.",
        names.join(", "),
        as_input_leads(build)
    ))
}

/// Size of a lead that carries as much as any input lead, in words.
fn as_input_leads(build: &Build) -> String {
    let mut sizes: Vec<String> = build.supplies.iter().map(|s| conductor_words(s.input_lead.conductor)).collect();
    sizes.sort();
    sizes.dedup();
    match sizes.as_slice() {
        [one] => format!("of {one}, as the input leads"),
        several => format!("as thick as the thickest input lead ({})", several.join(", ")),
    }
}

/// The cut list by area or gauge.
pub fn totals(cuts: &[Cut]) -> Vec<Total> {
    let mut out: Vec<Total> = Vec::new();
    for c in cuts {
        let k = out.iter().position(|t| t.conductor == c.conductor).unwrap_or_else(|| {
            out.push(Total { conductor: c.conductor.clone(), count: 0, build_m: 0.0, cut_m: 0.0 });
            out.len() - 1
        });
        out[k].count += c.count;
        out[k].build_m += f64::from(c.count) * c.build_m;
        out[k].cut_m += f64::from(c.count) * c.cut_m;
    }
    out
}

/// Every fuse.
pub fn fuses(build: &Build) -> Vec<FuseRow> {
    let level = permitted(build).level;
    build
        .feeds
        .iter()
        .enumerate()
        .map(|(f, feed)| FuseRow {
            feed: f,
            name: feed.name.clone(),
            supply: build.supplies[feed.supply].name.clone(),
            fuse_a: feed.fuse_a.value(),
            conductor: conductor_words(feed.lead.conductor),
            carries_a: conductor::ampacity(&feed.lead).map(|(a, _)| a.value()),
            load_a: feed_amps(build, f, level),
            feeds: fed(build, f).1,
        })
        .collect()
}

/// Every ribbon.
pub fn ribbons(build: &Build) -> Vec<RibbonRow> {
    drawing::links(build)
        .into_iter()
        .map(|link| {
            let to = &build.panels[link.to];
            let from = match link.from {
                None => format!("adapter, port {}", to.port),
                Some(p) => format!("{}·{} output", build.panels[p].port, build.panels[p].position),
            };
            let longest = link.needed_m.unwrap_or(link.build_m);
            let mut mind = Vec::new();
            if longest > RIBBON_SUPPLIED_M + 1e-9 {
                mind.push(format!("longer than the {RIBBON_SUPPLIED_M} m that come with panels: order or make it"));
            }
            if link.needed_m.is_some_and(|n| n > link.build_m + 1e-9) {
                mind.push("longer than the build says: correct ribbon_m".to_owned());
            }
            if link.from.is_none() {
                mind.push("mount the adapter within reach".to_owned());
            }
            let to = format!("{}·{} input", to.port, to.position);
            RibbonRow { from, to, needed_m: link.needed_m, build_m: link.build_m, mind: mind.join("; ") }
        })
        .collect()
}

fn counted<K: Ord>(items: impl IntoIterator<Item = K>) -> BTreeMap<K, usize> {
    let mut out = BTreeMap::new();
    for item in items {
        *out.entry(item).or_insert(0) += 1;
    }
    out
}

/// Everything that must lie on the bench.
pub fn parts(build: &Build) -> Vec<Part> {
    let mut out = Vec::new();
    let mut add = |count: String, what: String| out.push(Part { count, what });
    for (kind, n) in counted(build.panels.iter().map(|p| p.kind)) {
        let t = &build.panel_types[kind];
        add(n.to_string(), format!("panels {}, {} × {} pixels, pitch {} mm", t.name, t.width, t.height, t.pitch_mm));
    }
    for s in &build.supplies {
        add("1".to_owned(), format!("supply {}, {} A at 5 V, enclosed", s.name, s.rated_a.value()));
    }
    add(build.supplies.len().to_string(), "fused distribution with return bar".to_owned());
    let ratings = counted(build.feeds.iter().map(|f| format!("{}", f.fuse_a.value())));
    for (rating, n) in ratings {
        add(format!("{n} + spares"), format!("fuse {rating} A"));
    }
    add("1".to_owned(), format!("controller: {}", build.controller.model));
    let model = if ["", "adapter"].contains(&build.adapter.model.as_str()) {
        "adapter".to_owned()
    } else {
        format!("adapter: {}", build.adapter.model)
    };
    let buffer = match build.adapter.buffer {
        Buffer::Hct => ", with HCT buffers",
        Buffer::Hc => ", with HC buffers",
        Buffer::None => ", without buffers",
    };
    let pull_up = if build.adapter.oe_pull_up { " and a pull-up resistor at OE" } else { "" };
    add("1".to_owned(), format!("{model}{buffer}{pull_up}"));
    let cuts = cuts(build);
    for t in totals(&cuts) {
        add(format!("{:.2} m", t.cut_m), format!("stranded copper {}, half of it for + and half for −", t.conductor));
    }
    if build.supplies.len() > 1 {
        let what = format!("lead between the return bars (−) of two supplies {}, as short as it goes", as_input_leads(build));
        add((build.supplies.len() - 1).to_string(), what);
    }
    let ends: u32 = cuts.iter().map(|c| 2 * c.count).sum();
    add(ends.to_string(), "terminals, two for each conductor (see the cut list for what they must fit)".to_owned());
    add(build.panels.len().to_string(), "power plugs for panels".to_owned());
    let long = ribbons(build).iter().filter(|r| r.needed_m.unwrap_or(r.build_m) > RIBBON_SUPPLIED_M + 1e-9).count();
    let note =
        if long > 0 { format!("16-way ribbons, {long} of them longer than {RIBBON_SUPPLIED_M} m") } else { "16-way ribbons".to_owned() };
    add(build.panels.len().to_string(), note);
    for (chip, _) in counted(build.sense.iter().map(|s| match &s.chip {
        Chip::Iio { device, .. } => format!("that is the kernel's device {device}"),
        chip => chip.described(),
    })) {
        add("1".to_owned(), format!("converter {chip}"));
    }
    let resistors = build.sense.iter().filter_map(|s| s.divider).flat_map(|d| {
        let tolerance = format!("{} %", d.tolerance_pct);
        [(d.top.value() as u64, tolerance.clone()), (d.bottom.value() as u64, tolerance)]
    });
    for ((ohm, tolerance), n) in counted(resistors) {
        add(n.to_string(), format!("resistor {ohm} Ω, {tolerance}"));
    }
    out
}

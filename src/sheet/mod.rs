//! The bench sheet: what the builder works from, with the sign face down. Pure: build → one HTML file that prints
//! on A4 and Letter; and the neutral panel map.

mod cautions;
mod leads;
mod map;
mod pins;

pub use leads::{Cut, FuseRow, Part, RibbonRow, Total, cuts, fuses, joined, parts, ribbons, totals};
pub use map::{MapRow, csv, map};
pub use pins::{PinLine, adapter_parts, pin_lines};

use crate::build::{Build, Chip, Node, Quantity};
use crate::checklist::{self, Item};
use crate::drawing::{self, Scale, View};
use crate::power::{self, Verdict};
use askama::Template;

/// One sense point in words.
struct SenseRow {
    name: String,
    what: String,
    node: String,
    reference: String,
    chip: String,
    divider: String,
    at_input: String,
}

/// One question with what it is judged against.
struct Question {
    item: Item,
    limit: String,
}

#[derive(Template)]
#[template(path = "sheet/sheet.html")]
struct Page<'a> {
    build: &'a Build,
    digest: String,
    sound: bool,
    fails: Vec<String>,
    cautions: Vec<String>,
    level: String,
    back: String,
    front: String,
    scale: String,
    wall_mm: String,
    ribbons: Vec<RibbonRow>,
    cuts: Vec<Cut>,
    totals: Vec<Total>,
    fuses: Vec<(String, FuseRow)>,
    joined: Option<String>,
    adapter_parts: Vec<String>,
    pins: Vec<PinLine>,
    connector: Vec<(String, String)>,
    sense: Vec<SenseRow>,
    parts: Vec<Part>,
    questions: Vec<Question>,
    joint_max_c: f64,
}

/// The permitted level in a sentence, with what to do in whatever drives the sign.
pub fn level_sentence(build: &Build) -> String {
    let permitted = power::permitted(build);
    if permitted.level >= 1.0 {
        return "Full white is permitted: the brightness need not be limited.".to_owned();
    }
    // a whole percent that is never above the level
    let percent = (permitted.level * 100.0 + 1e-9).floor();
    format!(
        "Permitted level {:.1} % of white, bound by {}. Limit the brightness in whatever drives the sign to {percent:.0} %.",
        permitted.level * 100.0,
        permitted.binds
    )
}

fn node_words(build: &Build, node: Node) -> String {
    match node {
        Node::Supply(s) => format!("terminals of supply {}", build.supplies[s].name),
        Node::Distribution(s) => format!("distribution of supply {}", build.supplies[s].name),
        Node::FeedEnd(f) => {
            let feed = &build.feeds[f].name;
            // all that hangs on a feed is at its far end: one plug of them is named, so that nobody has to choose
            match build.panels.iter().find(|p| p.feed == f) {
                Some(p) => format!("far end of feed {feed}, at the power plug of {}·{}", p.port, p.position),
                None if build.controller.feed == f => format!("far end of feed {feed}, at the controller's 5 V input"),
                None => format!("far end of feed {feed}"),
            }
        }
        Node::Panel(p) => format!("power plug of {}·{}", build.panels[p].port, build.panels[p].position),
        Node::Controller => "controller's 5 V input".to_owned(),
    }
}

fn sense_rows(build: &Build) -> Vec<SenseRow> {
    build
        .sense
        .iter()
        .map(|s| {
            let channel = if let Chip::Ads1115 { channel, .. } = s.chip { format!(", input {channel}") } else { String::new() };
            let shunt = match s.chip {
                Chip::Ina226 { shunt_ohm: Some(ohm), .. } if s.quantity == Quantity::Amps => format!("shunt {ohm} Ω"),
                _ => "none".to_owned(),
            };
            let (divider, ratio) = match s.divider {
                Some(d) => {
                    let (top, bottom) = (d.top.value(), d.bottom.value());
                    (format!("{top} Ω to the node, {bottom} Ω to the − wire, {} %", d.tolerance_pct), bottom / (top + bottom))
                }
                None => (shunt, 1.0),
            };
            let volts = match s.node {
                Node::Supply(i) | Node::Distribution(i) => build.supplies[i].set_v.value(),
                Node::FeedEnd(f) => build.supplies[build.feeds[f].supply].set_v.value(),
                Node::Panel(p) => build.supplies[build.feeds[build.panels[p].feed].supply].set_v.value(),
                Node::Controller => build.supplies[build.feeds[build.controller.feed].supply].set_v.value(),
            };
            let (what, at_input) = match s.quantity {
                Quantity::Volts => ("volts", format!("{:.2} V", volts * ratio)),
                Quantity::Amps => ("amperes", "–".to_owned()),
                Quantity::Celsius => ("ambient °C", "–".to_owned()),
            };
            SenseRow {
                name: s.name.clone(),
                what: what.to_owned(),
                node: format!("+ of the {}", node_words(build, s.node)),
                reference: format!("− of the {}", node_words(build, s.reference)),
                chip: format!("{}{channel}", s.chip.described()),
                divider,
                at_input,
            }
        })
        .collect()
}

fn questions(build: &Build) -> Vec<Question> {
    checklist::items(build)
        .into_iter()
        .map(|item| {
            let limit = item.limit(build);
            let limit = match (limit.low, limit.high) {
                (Some(l), Some(h)) => format!("{l:.2} to {h:.2} {}", item.unit()),
                (Some(l), None) => format!("at least {l} {}", item.unit()),
                _ => String::new(),
            };
            Question { item, limit }
        })
        .collect()
}

/// The sheet as one HTML file.
///
/// # Errors
/// Of the template, which has no failing parts.
pub fn html(build: &Build) -> Result<String, askama::Error> {
    let desk = power::desk(build);
    let scale = Scale::of(build);
    let [w, h] = build.wall_size().map(|n| f64::from(n) * scale.pitch_mm);
    let lines = pins::CONNECTOR.map(|name| if name == "E" && build.adapter.address.len() < 5 { "GND" } else { name });
    Page {
        build,
        digest: build.digest(),
        sound: desk.result == "sound",
        fails: cautions::said(&desk, Verdict::Fail),
        cautions: cautions::said(&desk, Verdict::Caution),
        level: level_sentence(build),
        back: drawing::bench(build, View::Back),
        front: drawing::bench(build, View::Front),
        scale: format!("1:{}", scale.one_to),
        wall_mm: format!("{w:.0} × {h:.0} mm"),
        ribbons: ribbons(build),
        cuts: cuts(build),
        totals: totals(&cuts(build)),
        fuses: fuses(build).into_iter().map(|f| (drawing::feed_swatch(build, f.feed, &format!("s{}-", f.feed)), f)).collect(),
        joined: joined(build),
        adapter_parts: adapter_parts(build),
        pins: pin_lines(build),
        connector: lines
            .chunks(2)
            .enumerate()
            .map(|(i, c)| (format!("{} {}", 2 * i + 1, c[0]), format!("{} {}", 2 * i + 2, c[1])))
            .collect(),
        sense: sense_rows(build),
        parts: parts(build),
        questions: questions(build),
        joint_max_c: build.limits.joint_max_c,
    }
    .render()
    .map(|mut page| {
        page.push('\n');
        page
    })
}

//! The walked tree → [`Build`]: resolves names and defaults. Values that were reported as bad become NaN or
//! an index 0 here; the caller throws such a build away.

use super::fields::{KNEE_FIELDS, LIMIT_FIELDS, TRIP_FLOOR_V, default_of};
use super::model::*;
use super::problem::nearest;
use super::walk::{Item, Sink, clip};
use crate::units::{Amps, Ohms, Volts};

/// Builds everything but what hangs together across tables.
pub(super) fn build(root: &Item, sink: &Sink) -> Build {
    let panel_types: Vec<PanelType> = root.named("panel_types").into_iter().map(|(n, t)| panel_type(n, t, sink)).collect();
    let supplies: Vec<Supply> = root.named("supplies").into_iter().map(|(n, s)| supply(n, s, sink)).collect();
    let feeds: Vec<Feed> = root.named("feeds").into_iter().map(|(n, f)| feed(n, f, &supplies, root, sink)).collect();
    let c = root.get("controller");
    let controller = Controller {
        model: c.owned("model").unwrap_or_default(),
        feed: index_of(c.get("feed"), "feed", root, "feeds", sink),
        draw_a: Amps::new(c.number("draw_a")),
        min_v: Volts::new(c.number("min_v")),
    };
    let adapter = adapter(root.get("adapter"));
    let (chains, panels) = chains(root, sink);
    let s = root.get("sign");
    let sign = Sign {
        name: s.owned("name").unwrap_or_default(),
        serial: s.owned("serial").unwrap_or_default(),
        place: s.owned("place"),
        notes: s.owned("notes"),
    };
    let mut build = Build {
        sign,
        panel_types,
        supplies,
        feeds,
        controller,
        adapter,
        chains,
        panels,
        sense: Vec::new(),
        limits: limits(root.get("limits")),
    };
    build.sense = root.list("sense").iter().filter_map(|item| sense(item, &build, root, sink)).collect();
    let given = root.get("limits").get("trip_low_v").as_number();
    build.limits.trip_low_v = build.sense.iter().map(|s| trip_low(s, &build, given)).collect();
    build
}

/// Index of a named table, by the text in `item`.
fn index_of(item: &Item, what: &str, root: &Item, table: &str, sink: &Sink) -> usize {
    let Some(name) = item.as_text() else { return 0 };
    let known = root.named(table);
    match known.iter().position(|(k, _)| *k == name) {
        Some(index) => index,
        None => {
            if !known.is_empty() {
                unknown(item, what, name, &known.iter().map(|(k, _)| *k).collect::<Vec<_>>(), sink);
            }
            0
        }
    }
}

fn unknown(item: &Item, what: &str, name: &str, known: &[&str], sink: &Sink) {
    let hint = nearest(name, known.iter().copied()).map(|near| format!("did you mean {near:?}?"));
    let list = known.iter().take(12).copied().collect::<Vec<_>>().join(", ");
    let more = if known.len() > 12 { ", …" } else { "" };
    sink.add(
        &item.span,
        format!("there is no {what} {:?}", clip(name)),
        if known.len() == 1 { list } else { format!("one of {list}{more}") },
        hint,
    );
}

fn panel_type(name: &str, t: &Item, sink: &Sink) -> PanelType {
    let (width, height) = match t.list("size") {
        [w, h] => (w.whole().unwrap_or(0), h.whole().unwrap_or(0)),
        _ => (0, 0),
    };
    let addresses: u16 = t.text("scan").and_then(|s| s.strip_prefix("1:")).and_then(|n| n.parse().ok()).unwrap_or(0);
    let colours = |key: &str, fallback: &dyn Fn(&str) -> f64| {
        Colour::ALL.map(|c| if t.has(key) { t.get(key).number(c.word()) } else { fallback(c.word()) })
    };
    PanelType {
        name: name.to_owned(),
        width,
        height,
        pitch_mm: t.number("pitch_mm"),
        scheme: scheme(t, width, height, addresses, sink),
        input_side: if t.text("input_side") == Some("left") { InputSide::Left } else { InputSide::Right },
        min_v: Volts::new(t.number("min_v")),
        idle_a: Amps::new(t.number("idle_a")),
        full_a: colours("full_a", &|_| f64::NAN).map(Amps::new),
        tolerance_pct: t.number("tolerance_pct"),
        knee_v: colours("knee_v", &|c| default_of(KNEE_FIELDS, c)).map(Volts::new),
        clock_mhz: t.number("clock_mhz"),
        startup: t
            .list("startup")
            .iter()
            .map(|w| StartupWord { word: w.get("word").whole().unwrap_or(0), latch_clocks: w.get("latch_clocks").whole().unwrap_or(1) })
            .collect(),
        maker: t.owned("maker"),
        batch: t.owned("batch"),
    }
}

fn scheme(t: &Item, width: u16, height: u16, addresses: u16, sink: &Sink) -> RowScheme {
    let plain = RowScheme::plain(addresses.max(1), width);
    if width == 0 || height == 0 || addresses == 0 {
        return plain;
    }
    let unit = 2 * addresses;
    if !height.is_multiple_of(unit) {
        let near = (height / unit).max(1) * unit;
        let hint = format!("with scan 1:{addresses} the height may be {near} or {}; check both against the panel's label", near + unit);
        let what = format!("a height of {height} does not go with scan 1:{addresses}");
        sink.also(
            &t.get("size").span,
            what,
            format!("a height that is a multiple of {unit} (2 · {addresses} addresses)"),
            Some(hint),
            Some((t.get("scan").span.clone(), "the scan".to_owned())),
        );
        return plain;
    }
    let fold = height / unit;
    let item = t.get("fold");
    if !t.has("fold") {
        let order = (0..fold).map(|segment| FoldRun { segment, mirrored: false }).collect();
        return RowScheme { addresses, fold, block: width, order };
    }
    let runs = item.list("order");
    let order: Vec<FoldRun> =
        runs.iter().map(|r| FoldRun { segment: r.get("segment").whole().unwrap_or(0), mirrored: r.flag("mirrored") }).collect();
    let block: Option<u16> = item.get("block").whole();
    if let Some(block) = block.filter(|&b| b > width || !width.is_multiple_of(b)) {
        sink.add(
            &item.get("block").span,
            format!("blocks of {block} columns do not fill a width of {width}"),
            format!("a divisor of {width}"),
            None,
        );
    }
    if !runs.is_empty() && runs.len() != usize::from(fold) {
        let what = format!("`order` has {} run{}", runs.len(), if runs.len() == 1 { "" } else { "s" });
        let why = format!("{fold}: height {height} / (2 · {addresses} addresses)");
        sink.add(&item.get("order").span, what, why, None);
    } else {
        for (i, run) in order.iter().enumerate() {
            if run.segment >= fold {
                sink.add(&runs[i].span, format!("there is no segment {}", run.segment), format!("0 to {}", fold - 1), None);
            } else if let Some(first) = order[..i].iter().position(|r| r.segment == run.segment) {
                sink.also(
                    &runs[i].span,
                    format!("segment {} is served twice", run.segment),
                    "each segment once",
                    None,
                    Some((runs[first].span.clone(), "first here".to_owned())),
                );
            }
        }
    }
    RowScheme { addresses, fold, block: block.unwrap_or(width), order }
}

fn lead(item: &Item, sink: &Sink) -> Lead {
    let conductor = match (item.has("mm2"), item.has("awg")) {
        (true, true) => {
            let message = "a lead has both mm2 and awg".to_owned();
            sink.add(&item.span, message, "one of them", Some("keep the one that is printed on the wire".to_owned()));
            Conductor::Awg(0)
        }
        (false, false) => {
            if !item.span.is_empty() {
                sink.add(
                    &item.span,
                    "a lead has no cross-section".to_owned(),
                    "mm2 or awg",
                    Some("add for example `mm2 = 1.5`".to_owned()),
                );
            }
            Conductor::Awg(0)
        }
        (true, false) => Conductor::Mm2(item.number("mm2")),
        (false, true) => Conductor::Awg(item.get("awg").whole().unwrap_or(0)),
    };
    Lead {
        conductor,
        length_m: item.number("length_m"),
        rated_a: item.get("rated_a").as_number().map(Amps::new),
        joints: Ohms::new(item.number("joints_mohm") * 1e-3),
    }
}

fn supply(name: &str, s: &Item, sink: &Sink) -> Supply {
    let [low, high] = s.pair("accept_v");
    let set = s.number("set_v");
    if low >= high {
        let what = format!("the window {low} to {high} V is empty");
        sink.add(&s.get("accept_v").span, what, "the lower limit first, then the higher", None);
    } else if set < low || set > high {
        sink.also(
            &s.get("set_v").span,
            format!("supply {name} is set to {set} V, outside its own accepted window"),
            format!("a value from {low} to {high}"),
            None,
            Some((s.get("accept_v").span.clone(), "the window".to_owned())),
        );
    }
    Supply {
        name: name.to_owned(),
        set_v: Volts::new(set),
        rated_a: Amps::new(s.number("rated_a")),
        accept_v: [Volts::new(low), Volts::new(high)],
        source: Ohms::new(s.number("source_mohm") * 1e-3),
        limit_factor: s.number("limit_factor"),
        derate_from_c: s.number("derate_from_c"),
        derate_pct_per_k: s.number("derate_pct_per_k"),
        input_lead: lead(s.get("input_lead"), sink),
        maker: s.owned("maker"),
    }
}

fn feed(name: &str, f: &Item, supplies: &[Supply], root: &Item, sink: &Sink) -> Feed {
    let supply = if f.has("supply") {
        index_of(f.get("supply"), "supply", root, "supplies", sink)
    } else {
        if supplies.len() > 1 {
            let names: Vec<&str> = supplies.iter().map(|s| s.name.as_str()).collect();
            sink.add(
                &f.span,
                format!("feed {name} does not say which supply it is on"),
                format!("`supply`: one of {}", names.join(", ")),
                Some(format!("with {} supplies each feed needs it: add `supply = {:?}`", names.len(), names[0])),
            );
        }
        0
    };
    Feed {
        name: name.to_owned(),
        supply,
        fuse_a: Amps::new(f.number("fuse_a")),
        fuse_ohm: f.get("fuse_mohm").as_number().map(|m| Ohms::new(m * 1e-3)),
        lead: lead(f.get("lead"), sink),
    }
}

fn adapter(a: &Item) -> Adapter {
    let pin = |item: &Item| item.whole::<u8>().unwrap_or(u8::MAX);
    let mut ports: Vec<PortPins> = a
        .list("ports")
        .iter()
        .map(|p| {
            let mut data = [[u8::MAX; 3]; 2];
            for (i, item) in p.list("data").iter().enumerate() {
                data[i / 3][i % 3] = pin(item);
            }
            PortPins { port: p.get("port").whole().unwrap_or(0), data }
        })
        .collect();
    ports.sort_by_key(|p| p.port);
    Adapter {
        model: a.owned("model").unwrap_or_else(|| "adapter".to_owned()),
        buffer: match a.text("buffer") {
            Some("HCT") => Buffer::Hct,
            Some("HC") => Buffer::Hc,
            _ => Buffer::None,
        },
        oe_pull_up: a.flag("oe_pull_up"),
        clk: pin(a.get("clk")),
        lat: pin(a.get("lat")),
        oe: pin(a.get("oe")),
        address: a.list("address").iter().map(pin).collect(),
        ports,
    }
}

fn chains(root: &Item, sink: &Sink) -> (Vec<Chain>, Vec<Panel>) {
    let mut sorted: Vec<(u8, &Item)> = root.list("chains").iter().map(|c| (c.get("port").whole().unwrap_or(0), c)).collect();
    sorted.sort_by_key(|(port, _)| *port);
    let (mut chains, mut panels) = (Vec::new(), Vec::new());
    for (port, chain) in sorted {
        let first = panels.len();
        for (i, p) in chain.list("panels").iter().enumerate() {
            let at = match p.list("at") {
                [x, y] => [x.whole().unwrap_or(0), y.whole().unwrap_or(0)],
                _ => [0, 0],
            };
            panels.push(Panel {
                port,
                position: (i + 1) as u8,
                kind: index_of(p.get("type"), "panel type", root, "panel_types", sink),
                at,
                up: match p.text("up") {
                    Some("right") => Up::Right,
                    Some("down") => Up::Down,
                    Some("left") => Up::Left,
                    _ => Up::Up,
                },
                feed: index_of(p.get("feed"), "feed", root, "feeds", sink),
                serial: p.owned("serial"),
                ribbon_m: p.number("ribbon_m"),
            });
        }
        chains.push(Chain { port, panels: (first..panels.len()).collect() });
    }
    (chains, panels)
}

fn sense(s: &Item, build: &Build, root: &Item, sink: &Sink) -> Option<SensePoint> {
    let place = |key: &str| s.text(key).map(|text| node(s.get(key), text, build, root, sink));
    let node = place("node").flatten();
    let reference = if s.has("reference") { place("reference").flatten() } else { Some(Node::Controller) };
    let c = s.get("chip");
    let bus = c.get("bus").whole().unwrap_or(0);
    let address = c.get("address").whole().unwrap_or(0);
    let quantity = match s.text("quantity") {
        Some("amps") => Quantity::Amps,
        Some("celsius") => Quantity::Celsius,
        _ => Quantity::Volts,
    };
    let channel = c.get("channel").whole().unwrap_or(0);
    let shunt_ohm = c.get("shunt_ohm").as_number();
    let chip = match c.text("kind")? {
        "ina219" => Chip::Ina219 { bus, address, shunt_ohm },
        "ina228" => Chip::Ina228 { bus, address, shunt_ohm },
        "mcp3208" => Chip::Mcp3208 {
            bus,
            select: c.get("select").whole().unwrap_or(0),
            channel,
            reference_v: c.number("reference_v"),
            accuracy_pct: c.number("accuracy_pct"),
            supply_v: c.number("supply_v"),
        },
        "iio" => Chip::Iio {
            device: c.owned("device").unwrap_or_default(),
            file: c.owned("file").unwrap_or_default(),
            step: c.number("step"),
            accuracy_pct: c.number("accuracy_pct"),
            highest: c.get("highest").as_number(),
        },
        kind => match AdsPart::from_word(kind) {
            // those without ranges have this one
            Some(part) => Chip::Ads1115 {
                part,
                bus,
                address,
                channel,
                range_v: if c.has("range_v") { c.number("range_v") } else { 2.048 },
                supply_v: c.number("supply_v"),
            },
            None => Chip::Ina226 { bus, address, shunt_ohm },
        },
    };
    let d = s.get("divider");
    let divider = s.has("divider").then(|| Divider {
        top: Ohms::new(d.number("top_ohm")),
        bottom: Ohms::new(d.number("bottom_ohm")),
        tolerance_pct: d.number("tolerance_pct"),
    });
    Some(SensePoint { name: s.owned("name").unwrap_or_default(), quantity, node: node?, reference: reference?, chip, divider })
}

/// Resolves a place such as `distribution`, `feed:F1` or `panel:1-2`.
fn node(item: &Item, text: &str, build: &Build, root: &Item, sink: &Sink) -> Option<Node> {
    let (word, name) = text.split_once(':').map_or((text, None), |(w, n)| (w, Some(n)));
    let words = ["supply", "distribution", "feed", "panel", "controller"];
    let find = |what: &str, table: &str, name: &str| {
        let known = root.named(table);
        let found = known.iter().position(|(k, _)| *k == name);
        if found.is_none() && !known.is_empty() {
            unknown(item, what, name, &known.iter().map(|(k, _)| *k).collect::<Vec<_>>(), sink);
        }
        found
    };
    let say = |message: String, expected: &str, hint: Option<String>| {
        sink.add(&item.span, message, expected, hint);
        None
    };
    match (word, name) {
        ("controller", None) => Some(Node::Controller),
        ("supply" | "distribution", _) => {
            let index = match name {
                Some(name) => find("supply", "supplies", name)?,
                None if build.supplies.len() > 1 => {
                    let example = format!("write for example \"{word}:{}\"", build.supplies[0].name);
                    return say(format!("{text:?} does not say of which supply"), "its name after a colon", Some(example));
                }
                None => 0,
            };
            Some(if word == "supply" { Node::Supply(index) } else { Node::Distribution(index) })
        }
        ("feed", Some(name)) => find("feed", "feeds", name).map(Node::FeedEnd),
        ("panel", Some(name)) => {
            let place = name.split_once('-').and_then(|(a, b)| Some((a.parse().ok()?, b.parse().ok()?)));
            match place {
                None => say(format!("{:?} is not a panel", clip(text)), "panel:PORT-POSITION, such as \"panel:1-2\"", None),
                Some((port, position)) => match build.panel_at(port, position) {
                    Some(panel) => Some(Node::Panel(panel)),
                    None => say(format!("there is no panel at port {port}, position {position}"), "a panel of the chains", None),
                },
            }
        }
        ("feed" | "panel", None) => {
            let example = if word == "feed" { "\"feed:F1\"" } else { "\"panel:1-2\"" };
            say(format!("{text:?} does not say which {word}"), &format!("its name after a colon, such as {example}"), None)
        }
        _ => {
            let hint = nearest(word, words).map(|near| format!("did you mean \"{near}\"?"));
            say(format!("{:?} is not a place", clip(text)), "supply, distribution, feed:NAME, panel:PORT-POSITION or controller", hint)
        }
    }
}

fn limits(item: &Item) -> Limits {
    let get = |key: &str| item.get(key).as_number().unwrap_or_else(|| default_of(LIMIT_FIELDS, key));
    Limits {
        trip_low_v: Vec::new(),
        trip_high_v: Volts::new(get("trip_high_v")),
        hold_s: get("hold_s"),
        fuse_load_pct: get("fuse_load_pct"),
        supply_load_pct: get("supply_load_pct"),
        drop_v: Volts::new(get("drop_v")),
        refresh_hz: get("refresh_hz"),
        ambient_max_c: get("ambient_max_c"),
        cell_pct: get("cell_pct"),
        rest_v: Volts::new(get("rest_v")),
        hold_drift_v_per_min: Volts::new(get("hold_drift")),
        climb_pct: get("climb_pct"),
        joint_max_c: get("joint_max_c"),
    }
}

/// Low trip of one point. Where the controller's current passes, the place is never lower than the
/// controller's own terminals, so its `min_v` is a bound; elsewhere only the floor applies.
fn trip_low(point: &SensePoint, build: &Build, given: Option<f64>) -> Volts {
    if point.quantity != Quantity::Volts {
        return Volts::new(0.0);
    }
    if let Some(v) = given {
        return Volts::new(v);
    }
    let feed = build.controller.feed;
    let supply = build.feeds.get(feed).map_or(0, |f| f.supply);
    let passes = match point.node {
        Node::Controller => true,
        Node::FeedEnd(f) => f == feed,
        Node::Supply(s) | Node::Distribution(s) => s == supply,
        Node::Panel(_) => false,
    };
    let floor = Volts::new(TRIP_FLOOR_V);
    if passes { floor.max(build.controller.min_v) } else { floor }
}

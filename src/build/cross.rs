//! Checks across tables: what is used twice, what does not fit, what is not there.

use super::fields::MAX_WALL;
use super::model::*;
use super::walk::{Item, Sink};
use std::collections::BTreeMap;
use std::ops::Range;

/// All of them. `sound` is false where single values were wrong already; checks that would only echo
/// that are then left out.
pub(super) fn checks(root: &Item, build: &Build, sound: bool, sink: &Sink) {
    pins(root, sink);
    ports(root, build, sink);
    serials(root, sink);
    sense(root, build, sink);
    trips(root, build, sink);
    if sound {
        geometry(root, build, sink);
    }
}

/// The other place of a clash.
fn other(span: &Range<usize>, label: &str) -> Option<(Range<usize>, String)> {
    Some((span.clone(), label.to_owned()))
}

/// Lines of an I²C bus on the 40-pin header. Buses 0 and 1: the header's own; 3 to 6: the defaults of the
/// later controllers' overlays (from memory).
fn bus_pins(bus: u8) -> Option<[u8; 2]> {
    Some(match bus {
        0 => [0, 1],
        1 => [2, 3],
        3 => [4, 5],
        4 => [8, 9],
        5 => [12, 13],
        6 => [22, 23],
        _ => return None,
    })
}

fn pins(root: &Item, sink: &Sink) {
    let a = root.get("adapter");
    let mut lines: Vec<(String, &Item)> = Vec::new();
    for (key, name) in [("clk", "CLK"), ("lat", "LAT"), ("oe", "OE")] {
        lines.push((name.to_owned(), a.get(key)));
    }
    for (item, name) in a.list("address").iter().zip(["A", "B", "C", "D", "E"]) {
        lines.push((name.to_owned(), item));
    }
    for port in a.list("ports") {
        let number: u8 = port.get("port").whole().unwrap_or(0);
        for (item, name) in port.list("data").iter().zip(["R1", "G1", "B1", "R2", "G2", "B2"]) {
            lines.push((format!("port {number} {name}"), item));
        }
    }
    let mut buses: BTreeMap<u8, (&Item, &str)> = BTreeMap::new();
    for s in root.list("sense") {
        let bus = s.get("chip").get("bus");
        if let Some(number) = bus.whole::<u8>() {
            buses.entry(number).or_insert((bus, s.text("name").unwrap_or("a sense point")));
        }
    }
    let mut used: BTreeMap<u8, (String, &Item)> = BTreeMap::new();
    for (name, item) in lines {
        let Some(pin) = item.whole::<u8>() else { continue };
        if let Some((first, place)) = used.get(&pin) {
            let label = format!("{first} is here");
            sink.also(
                &item.span,
                format!("GPIO {pin} is used twice: by {first} and {name}"),
                "a line of its own",
                Some("follow both wires on the adapter and correct the wrong number".to_owned()),
                other(&place.span, &label),
            );
        } else {
            for (bus, (chip, point)) in &buses {
                if bus_pins(*bus).is_some_and(|p| p.contains(&pin)) {
                    let label = format!("{point} is on bus {bus}");
                    sink.also(
                        &item.span,
                        format!("GPIO {pin} of {name} is needed by I²C bus {bus}"),
                        format!("a line other than {} of that bus", bus_pins(*bus).map_or(String::new(), |[a, b]| format!("{a} and {b}"))),
                        Some("move the line on the adapter, or the converter to another bus".to_owned()),
                        other(&chip.span, &label),
                    );
                }
            }
            used.insert(pin, (name, item));
        }
    }
}

/// Reports the second of each two items with the same key.
fn twice<'a, K: Ord>(items: impl IntoIterator<Item = (K, &'a Item)>, mut say: impl FnMut(&K, &'a Item, &'a Item)) {
    let mut seen: BTreeMap<K, &Item> = BTreeMap::new();
    for (key, item) in items {
        match seen.get(&key) {
            Some(first) => say(&key, first, item),
            None => {
                seen.insert(key, item);
            }
        }
    }
}

fn port_numbers(items: &[Item]) -> impl Iterator<Item = (u8, &Item)> {
    items.iter().filter_map(|p| Some((p.get("port").whole::<u8>()?, p.get("port"))))
}

fn ports(root: &Item, build: &Build, sink: &Sink) {
    let a = root.get("adapter");
    let printed = a.list("ports");
    twice(port_numbers(printed), |port, first, item| {
        sink.also(&item.span, format!("port {port} is there twice"), "each port once", None, other(&first.span, "first here"));
    });
    let chains = root.list("chains");
    twice(port_numbers(chains), |port, first, item| {
        let hint = "put all panels of a port into one chain, in the order of the data".to_owned();
        sink.also(&item.span, format!("port {port} has two chains"), "one chain a port", Some(hint), other(&first.span, "first here"));
    });
    let known: Vec<u8> = port_numbers(printed).map(|(port, _)| port).collect();
    for (port, item) in port_numbers(chains) {
        if !known.contains(&port) && !known.is_empty() {
            let list = known.iter().map(u8::to_string).collect::<Vec<_>>().join(", ");
            sink.also(
                &item.span,
                format!("the adapter has no port {port}"),
                if known.len() == 1 { list } else { format!("one of {list}") },
                Some("correct the number, or describe the port in [[adapter.ports]]".to_owned()),
                printed.first().and_then(|p| other(&p.get("port").span, "the adapter's ports begin here")),
            );
        }
    }
    let lines = a.list("address").len();
    let mut said = Vec::new();
    for chain in chains {
        for panel in chain.list("panels") {
            let Some(name) = panel.text("type") else { continue };
            let Some(kind) = build.panel_types.iter().find(|t| t.name == name) else { continue };
            let need = kind.scheme.address_lines() as usize;
            if lines > 0 && need > lines && !said.contains(&name) {
                said.push(name);
                let scan = root.get("panel_types").get(name).get("scan");
                let letters = ["A", "B", "C", "D", "E"];
                sink.also(
                    &scan.span,
                    format!("scan 1:{} needs address line {}, which the adapter lacks", kind.scheme.addresses, letters[need - 1]),
                    format!("a scan for {lines} address lines, at most 1:{}", 1 << lines),
                    Some(format!("add the GPIO of {} to `address`, or correct the scan", letters[lines..need].join(" and "))),
                    other(&a.get("address").span, "the adapter's address lines"),
                );
            }
        }
    }
}

fn serials(root: &Item, sink: &Sink) {
    let panels = root.list("chains").iter().flat_map(|c| c.list("panels"));
    twice(panels.filter_map(|p| Some((p.text("serial")?, p.get("serial")))), |serial, first, item| {
        let what = format!("two panels have the serial number {serial:?}");
        sink.also(&item.span, what, "a serial number of its own", None, other(&first.span, "first here"));
    });
}

fn trips(root: &Item, build: &Build, sink: &Sink) {
    let high = build.limits.trip_high_v.value();
    for (name, s) in root.named("supplies") {
        let [low, top] = s.pair("accept_v");
        if top > high {
            let hint = format!("lower the window, or raise `trip_high_v` above {top}");
            let what = format!("supply {name} is accepted up to {top} V, but the wall is blanked above {high} V");
            sink.add(&s.get("accept_v").span, what, format!("at most {high} V"), Some(hint));
        }
        // a place on the supply's own side trips before anything is lit where the window begins below its trip
        let own = |node: Node| matches!(node, Node::Supply(i) | Node::Distribution(i) if build.supplies[i].name == name);
        let trip = build.sense.iter().zip(&build.limits.trip_low_v).find(|(p, trip)| own(p.node) && trip.value() > low);
        if let Some((point, trip)) = trip {
            let what = format!("supply {name} is accepted down to {low} V, but the wall is blanked below {trip} at {}", point.name);
            let hint = format!("raise the window's low end to {} or more", trip.value());
            sink.add(&s.get("accept_v").span, what, format!("at least {trip}"), Some(hint));
        }
    }
}

fn sense(root: &Item, build: &Build, sink: &Sink) {
    let items = root.list("sense");
    twice(items.iter().filter_map(|s| Some((s.text("name")?, s.get("name")))), |name, first, item| {
        let what = format!("two sense points are named {name:?}");
        sink.also(&item.span, what, "a name of its own", None, other(&first.span, "first here"));
    });
    let place = |s: &Item| {
        let c = s.get("chip");
        Some((c.get("bus").whole::<u8>()?, c.get("address").whole::<u8>()?))
    };
    // one address on one bus is one chip
    let mut chips: BTreeMap<(u8, u8), &Item> = BTreeMap::new();
    for s in items {
        let Some(at) = place(s) else { continue };
        let chip = s.get("chip");
        match chips.get(&at) {
            Some(first) if first.text("kind") != chip.text("kind") && first.has("kind") && chip.has("kind") => {
                sink.also(
                    &chip.get("kind").span,
                    format!("address 0x{:02x} on bus {} belongs to two kinds of chip", at.1, at.0),
                    "one chip at one address",
                    Some("correct the kind or the address".to_owned()),
                    other(&first.get("kind").span, "the other chip"),
                );
            }
            Some(_) => {}
            None => {
                chips.insert(at, chip);
            }
        }
    }
    let input_of = |at: (u8, u8), what: std::fmt::Arguments<'_>| format!("{what} of the chip at 0x{:02x} on bus {}", at.1, at.0);
    let inputs = items.iter().filter_map(|s| {
        let c = s.get("chip");
        match c.text("kind")? {
            "ads1115" => Some((input_of(place(s)?, format_args!("channel {}", c.get("channel").whole::<u8>()?)), c.get("channel"))),
            "iio" => Some((format!("{} of the kernel's device {}", c.text("file")?, c.text("device")?), c.get("file"))),
            _ => Some((input_of(place(s)?, format_args!("{}", s.text("quantity").unwrap_or("volts"))), c.get("address"))),
        }
    });
    twice(inputs, |what, first, item| {
        sink.also(&item.span, format!("two sense points use {what}"), "an input of its own", None, other(&first.span, "first here"));
    });
    for s in items {
        chip(s, build, sink);
    }
}

/// Full scale of an INA226's shunt input in volts (TI SBOS547).
const SHUNT_FULL_V: f64 = 0.081_92;
/// How far an ADS111x input may exceed its supply, in volts (TI SBAS444, absolute maximum ratings).
const OVER_SUPPLY_V: f64 = 0.3;
/// Highest bus volts of an INA226 (TI SBOS547).
const INA226_BUS_V: f64 = 36.0;

fn chip(s: &Item, build: &Build, sink: &Sink) {
    let c = s.get("chip");
    let Some(kind) = c.text("kind") else { return };
    let quantity = s.text("quantity").unwrap_or("volts");
    let (low, high) = match kind {
        "ads1115" => (0x48, 0x4b),
        _ => (0x40, 0x4f),
    };
    if kind == "iio" {
    } else if let Some(address) = c.get("address").whole::<i64>().filter(|a| !(low..=high).contains(a)) {
        let what = format!("an {kind} can't have the address 0x{address:02x}");
        sink.add(&c.get("address").span, what, format!("0x{low:02x} to 0x{high:02x}"), None);
    }
    let misplaced: &[&str] = match kind {
        "ads1115" => &["shunt_ohm", "device", "file", "highest"],
        "iio" => &["bus", "address", "channel", "range_v", "shunt_ohm"],
        _ => &["channel", "range_v", "device", "file", "highest"],
    };
    for key in misplaced.iter().filter(|k| c.has(k)) {
        sink.add(&c.get(key).span, format!("`{key}` does not apply to an {kind}"), "nothing here", Some("take it out".to_owned()));
    }
    let needed: &[&str] = match (kind, quantity) {
        ("ads1115", _) => &["bus", "address", "channel", "range_v"],
        ("ina226", "amps") => &["bus", "address", "shunt_ohm"],
        ("iio", _) => &["device", "file"],
        _ => &["bus", "address"],
    };
    for key in needed.iter().filter(|k| !c.has(k)) {
        let example = match *key {
            "channel" => "channel = 0",
            "range_v" => "range_v = 4.096",
            "bus" => "bus = 1",
            "address" if kind == "ads1115" => "address = 0x48",
            "address" => "address = 0x40",
            "device" => "device = \"ads1015\"",
            "file" => "file = \"voltage0\"",
            _ => "shunt_ohm = 0.002",
        };
        let what = format!("`{key}` is missing: an {kind} that measures {quantity} needs it");
        sink.add(&c.span, what, format!("`{key}`"), Some(format!("add `{example}` with the chip's own value")));
    }
    if kind == "iio" {
        return file(s, quantity, build, sink);
    }
    match quantity {
        "volts" => input(s, kind, build, sink),
        "amps" => shunt(s, kind, build, sink),
        _ => sink.add(
            &s.get("quantity").span,
            format!("an {kind} does not measure temperature"),
            "volts or amps",
            Some("take the sense point out and give the ambient temperature when the run starts".to_owned()),
        ),
    }
}

/// A file of the kernel: its channel must be of the quantity, and what can come within what it reads.
fn file(s: &Item, quantity: &str, build: &Build, sink: &Sink) {
    let c = s.get("chip");
    if let Some(device) = c.text("device").filter(|d| d.contains('/') || d.starts_with('.')) {
        let hint = "give the text of its `name` file, or the folder's own name such as iio:device0 or hwmon2".to_owned();
        sink.add(&c.get("device").span, format!("{device:?} is a path"), "a name", Some(hint));
    }
    let words: [&str; 2] = match quantity {
        "amps" => ["current", "curr"],
        "celsius" => ["temp", "temp"],
        _ => ["voltage", "in"],
    };
    if let Some(name) = c.text("file") {
        let word = name.trim_end_matches(|d: char| d.is_ascii_digit());
        let number = &name[word.len()..];
        // hwmon numbers all its channels; IIO leaves the number out where there is one channel
        let sound = number.len() <= 3 && (word == words[0] || (word == words[1] && !number.is_empty()));
        if !sound {
            let (iio, hwmon) = (words[0], words[1]);
            let expected = format!("{iio} with its number (IIO), or {hwmon} with its number (hwmon)");
            let hint = format!("the file in_{iio}0_raw is written \"{iio}0\", the file {hwmon}1_input \"{hwmon}1\"");
            sink.add(&c.get("file").span, format!("{name:?} is no channel of the kernel that gives {quantity}"), expected, Some(hint));
        }
    }
    match quantity {
        "volts" if c.has("highest") => input(s, "iio", build, sink),
        "amps" => {
            let _ = carried(s, build, sink);
        }
        _ => {}
    }
    if quantity != "volts" && s.has("divider") {
        let what = format!("a divider does not apply to {quantity}");
        sink.add(&s.get("divider").span, what, "nothing here", Some("take it out".to_owned()));
    }
}

/// The highest volts that can come must be within what the input stands and what the range can read.
fn input(s: &Item, kind: &str, build: &Build, sink: &Sink) {
    let c = s.get("chip");
    let accepted = build.supplies.iter().map(|x| x.accept_v[1].value()).fold(f64::NEG_INFINITY, f64::max);
    let top = accepted.max(build.limits.trip_high_v.value());
    let d = s.get("divider");
    let ratio = if s.has("divider") {
        let t = d.number("tolerance_pct") / 100.0;
        let (up, down) = (d.number("top_ohm") * (1.0 - t), d.number("bottom_ohm") * (1.0 + t));
        down / (up + down)
    } else {
        1.0
    };
    let volts = top * ratio;
    let how = if s.has("divider") { "behind its divider" } else { "without a divider" };
    let what = |limit: &str| format!("up to {top} V at the place are {volts:.3} V at the input {how}: more than {limit}");
    let hint = if s.has("divider") {
        "choose a lower ratio, such as 10 kΩ over 10 kΩ".to_owned()
    } else {
        "add `divider = { top_ohm = 10000, bottom_ohm = 10000, tolerance_pct = 0.1 }`".to_owned()
    };
    if kind == "ina226" {
        if volts > INA226_BUS_V {
            sink.add(&c.span, what("the chip reads"), format!("at most {INA226_BUS_V} V"), Some(hint));
        }
        return;
    }
    if kind == "iio" {
        let highest = c.number("highest");
        if volts > highest {
            sink.add(&c.get("highest").span, what("the file can give"), format!("a value above {volts:.3} V, not {highest}"), Some(hint));
        }
        return;
    }
    let stands = c.number("supply_v") + OVER_SUPPLY_V;
    if volts > stands {
        let expected = format!("at most {stands:.1} V: the chip's supply + {OVER_SUPPLY_V} V, whatever its range");
        sink.add(&c.span, what("the chip withstands"), expected, Some(hint));
    } else if volts > c.number("range_v") {
        let range = c.number("range_v");
        sink.add(&c.get("range_v").span, what("the range covers"), format!("a range above {volts:.3} V, not {range}"), None);
    }
}

fn shunt(s: &Item, kind: &str, build: &Build, sink: &Sink) {
    let c = s.get("chip");
    if kind == "ads1115" {
        let hint = "use an ina226, or measure volts here".to_owned();
        sink.add(&s.get("quantity").span, "an ads1115 does not measure amperes".to_owned(), "volts", Some(hint));
        return;
    }
    if let Some(amps) = carried(s, build, sink) {
        let volts = amps * c.number("shunt_ohm");
        if volts > SHUNT_FULL_V {
            sink.add(
                &c.get("shunt_ohm").span,
                format!("{amps} A through this shunt are {:.1} mV: more than the chip reads", volts * 1e3),
                format!("at most {:.4} Ω ({} mV at {amps} A)", SHUNT_FULL_V / amps, SHUNT_FULL_V * 1e3),
                None,
            );
        }
    }
}

/// The most that a place at which amperes are measured carries: its supply's rating, or its fuse's.
fn carried(s: &Item, build: &Build, sink: &Sink) -> Option<f64> {
    let node = s.text("node").unwrap_or_default();
    let name = node.split_once(':').map(|(_, n)| n);
    match (node.split(':').next().unwrap_or_default(), name) {
        ("supply", None) => build.supplies.first().map(|x| x.rated_a.value()),
        ("supply", Some(n)) => build.supplies.iter().find(|x| x.name == n).map(|x| x.rated_a.value()),
        ("feed", Some(n)) => build.feeds.iter().find(|x| x.name == n).map(|x| x.fuse_a.value()),
        _ => {
            let hint = "the shunt sits in a supply's input lead or in a feed".to_owned();
            sink.add(&s.get("node").span, format!("amperes are not measured at {node:?}"), "supply or feed:NAME", Some(hint));
            None
        }
    }
}

/// A panel on the wall: left, top, right, bottom.
struct Tile<'a> {
    item: &'a Item,
    name: String,
    x: [u32; 2],
    y: [u32; 2],
}

fn geometry(root: &Item, build: &Build, sink: &Sink) {
    let mut chains: Vec<&Item> = root.list("chains").iter().collect();
    chains.sort_by_key(|c| c.get("port").whole::<u8>());
    let items = chains.iter().flat_map(|c| c.list("panels"));
    let tiles: Vec<Tile<'_>> = build
        .panels
        .iter()
        .zip(items)
        .map(|(p, item)| {
            let t = &build.panel_types[p.kind];
            let [w, h] = match p.up {
                Up::Up | Up::Down => [t.width, t.height],
                Up::Left | Up::Right => [t.height, t.width],
            };
            let [x, y] = p.at.map(u32::from);
            let name = format!("panel {}·{}", p.port, p.position);
            Tile { item: item.get("at"), name, x: [x, x + u32::from(w)], y: [y, y + u32::from(h)] }
        })
        .collect();
    let mut clean = true;
    for (i, t) in tiles.iter().enumerate() {
        if t.x[1] > u32::from(MAX_WALL) || t.y[1] > u32::from(MAX_WALL) {
            clean = false;
            let what = format!("{} reaches to {} × {} pixels", t.name, t.x[1], t.y[1]);
            sink.add(&t.item.span, what, format!("a wall of at most {MAX_WALL} × {MAX_WALL}"), None);
        }
        for first in &tiles[..i] {
            let across = t.x[0] < first.x[1] && first.x[0] < t.x[1];
            let down = t.y[0] < first.y[1] && first.y[0] < t.y[1];
            if across && down {
                clean = false;
                let label = format!("{} is here", first.name);
                if (t.x, t.y) == (first.x, first.y) {
                    let what = format!("{} and {} are in one place", first.name, t.name);
                    sink.also(&t.item.span, what, "a place of its own", None, other(&first.item.span, &label));
                } else {
                    let (w, h) = (t.x[1].min(first.x[1]) - t.x[0].max(first.x[0]), t.y[1].min(first.y[1]) - t.y[0].max(first.y[0]));
                    let what = format!("{} overlaps {} by {w} × {h} pixels", t.name, first.name);
                    let size = format!("this panel covers x {} to {}, y {} to {}", t.x[0], t.x[1] - 1, t.y[0], t.y[1] - 1);
                    sink.also(&t.item.span, what, "a place of its own", Some(size), other(&first.item.span, &label));
                }
            }
        }
    }
    if clean {
        gap(&tiles, sink);
    }
}

/// The wall is the box from [0, 0] around all panels; it must be covered.
fn gap(tiles: &[Tile<'_>], sink: &Sink) {
    let cuts = |get: &dyn Fn(&Tile<'_>) -> [u32; 2]| {
        let mut all: Vec<u32> = tiles.iter().flat_map(get).chain([0]).collect();
        all.sort_unstable();
        all.dedup();
        all
    };
    let (xs, ys) = (cuts(&|t| t.x), cuts(&|t| t.y));
    let covered = |x: u32, y: u32| tiles.iter().any(|t| t.x[0] <= x && x < t.x[1] && t.y[0] <= y && y < t.y[1]);
    for y in ys.windows(2) {
        let Some(first) = xs.windows(2).position(|x| !covered(x[0], y[0])) else { continue };
        let mut last = first;
        while last + 2 < xs.len() && !covered(xs[last + 1], y[0]) {
            last += 1;
        }
        let (left, right) = (xs[first], xs[last + 1]);
        // shown at the panel nearest to the hole
        let distance = |t: &Tile<'_>| {
            let axis = |a: [u32; 2], lo: u32, hi: u32| a[0].saturating_sub(hi) + lo.saturating_sub(a[1]);
            axis(t.x, left, right) + axis(t.y, y[0], y[1])
        };
        if let Some(near) = tiles.iter().min_by_key(|t| distance(t)) {
            let what = format!("gap: no panel covers x {left} to {}, y {} to {}", right - 1, y[0], y[1] - 1);
            let (w, h) = (xs[xs.len() - 1], ys[ys.len() - 1]);
            let hint = "compare each `at` with the wall, front view; the top-left panel is at [0, 0]".to_owned();
            sink.add(&near.item.span, what, format!("panels without a gap over the whole {w} × {h} pixels"), Some(hint));
        }
        return;
    }
}

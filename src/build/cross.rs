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

/// Lines of an SPI bus on the 40-pin header, the chip's own select last (from memory).
fn spi_pins(bus: u8, select: u8) -> Vec<u8> {
    let (lines, selects) = if bus == 0 { ([10, 9, 11], [8, 7, 7]) } else { ([20, 19, 21], [18, 17, 16]) };
    lines.into_iter().chain([selects[usize::from(select.min(2))]]).collect()
}

/// Name and lines of the bus that a converter is on.
fn bus_of(chip: &Item) -> Option<(String, Vec<u8>)> {
    let bus: u8 = chip.get("bus").whole()?;
    if chip.text("kind") == Some("mcp3208") {
        return Some((format!("SPI bus {bus}"), spi_pins(bus, chip.get("select").whole().unwrap_or(0))));
    }
    Some((format!("I²C bus {bus}"), bus_pins(bus)?.to_vec()))
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
    let mut buses: BTreeMap<(String, Vec<u8>), (&Item, &str)> = BTreeMap::new();
    for s in root.list("sense") {
        if let Some(bus) = bus_of(s.get("chip")) {
            buses.entry(bus).or_insert((s.get("chip").get("bus"), s.text("name").unwrap_or("a sense point")));
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
            for ((bus, lines), (chip, point)) in &buses {
                if lines.contains(&pin) {
                    let label = format!("{point} is on {}", bus.trim_start_matches("I²C "));
                    let all = lines.iter().map(u8::to_string).collect::<Vec<_>>().join(" and ");
                    sink.also(
                        &item.span,
                        format!("GPIO {pin} of {name} is needed by {bus}"),
                        format!("a line other than {all} of that bus"),
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
        // an SPI bus has another number space
        (c.text("kind") != Some("mcp3208")).then_some(())?;
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
            "mcp3208" => {
                let number = |key: &str| c.get(key).whole::<u8>();
                let (channel, select, bus) = (number("channel")?, number("select")?, number("bus")?);
                Some((format!("channel {channel} of the chip at select {select} of SPI bus {bus}"), c.get("channel")))
            }
            kind if AdsPart::from_word(kind).is_some() => {
                let channel = c.get("channel").whole::<u8>().unwrap_or(0);
                let at = if c.has("channel") { c.get("channel") } else { c.get("address") };
                Some((input_of(place(s)?, format_args!("channel {channel}")), at))
            }
            "iio" => Some((format!("{} of the kernel's device {}", c.text("file")?, c.text("device")?), c.get("file"))),
            _ => Some((input_of(place(s)?, format_args!("{}", s.text("quantity").unwrap_or("volts"))), c.get("address"))),
        }
    });
    twice(inputs, |what, first, item| {
        sink.also(&item.span, format!("two sense points use {what}"), "an input of its own", None, other(&first.span, "first here"));
    });
    for s in items {
        super::converters::check(s, build, sink);
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

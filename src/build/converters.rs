//! Checks of one sense point's converter: what it needs, what does not apply to it, what it stands and reads.

use super::model::*;
use super::walk::{Item, Sink};

/// How far an input of the ADS families may exceed its supply, in volts (TI SBAS444, absolute maximum ratings).
const ADS_OVER_SUPPLY_V: f64 = 0.3;
/// The same of an MCP3208 (Microchip DS21298, absolute maximum ratings).
const MCP_OVER_SUPPLY_V: f64 = 0.6;

/// What a kind of converter is.
#[derive(Clone, Copy, PartialEq)]
enum Family {
    Ads(AdsPart),
    /// A power monitor: highest bus volts, greatest volts of its shunt.
    Monitor {
        bus_v: f64,
        shunt_v: f64,
    },
    Spi,
    File,
}

impl Family {
    fn of(kind: &str) -> Option<Self> {
        if let Some(part) = AdsPart::from_word(kind) {
            return Some(Self::Ads(part));
        }
        Some(match kind {
            // TI SBOS448 (16 V range, ±320 mV), SBOS547, SLYS021 (±163.84 mV)
            "ina219" => Self::Monitor { bus_v: 16.0, shunt_v: 0.32 },
            "ina226" => Self::Monitor { bus_v: 36.0, shunt_v: 0.081_92 },
            "ina228" => Self::Monitor { bus_v: 85.0, shunt_v: 0.163_84 },
            "mcp3208" => Self::Spi,
            "iio" => Self::File,
            _ => return None,
        })
    }
    /// I²C addresses that its pins can choose.
    fn addresses(self) -> Option<(i64, i64)> {
        match self {
            Self::Ads(_) => Some((0x48, 0x4b)),
            Self::Monitor { .. } => Some((0x40, 0x4f)),
            Self::Spi | Self::File => None,
        }
    }
    /// Keys that it can't do without.
    fn needed(self, quantity: &str) -> &'static [&'static str] {
        match self {
            Self::Ads(part) if part.selects() => &["bus", "address", "channel", "range_v"],
            Self::Ads(part) if part.has_ranges() => &["bus", "address", "range_v"],
            Self::Monitor { .. } if quantity == "amps" => &["bus", "address", "shunt_ohm"],
            Self::Ads(_) | Self::Monitor { .. } => &["bus", "address"],
            Self::Spi => &["bus", "select", "channel", "reference_v"],
            Self::File => &["device", "file"],
        }
    }
    /// Keys that are another kind's.
    fn misplaced(self) -> &'static [&'static str] {
        match self {
            Self::Ads(_) => &["shunt_ohm", "select", "reference_v", "device", "file", "highest"],
            Self::Monitor { .. } => &["channel", "range_v", "select", "reference_v", "device", "file", "highest"],
            Self::Spi => &["address", "range_v", "shunt_ohm", "device", "file", "highest"],
            Self::File => &["bus", "address", "channel", "range_v", "shunt_ohm", "select", "reference_v"],
        }
    }
}

/// A key as it would be written for a kind.
fn example(key: &str, family: Family) -> &'static str {
    match key {
        "channel" => "channel = 0",
        "range_v" => "range_v = 4.096",
        "shunt_ohm" => "shunt_ohm = 0.002",
        "address" if matches!(family, Family::Ads(_)) => "address = 0x48",
        "address" => "address = 0x40",
        "select" => "select = 0",
        "reference_v" => "reference_v = 3.3",
        "device" => "device = \"ads1015\"",
        "file" => "file = \"voltage0\"",
        _ if family == Family::Spi => "bus = 0",
        _ => "bus = 1",
    }
}

/// All checks of a sense point's converter.
pub(super) fn check(s: &Item, build: &Build, sink: &Sink) {
    let c = s.get("chip");
    let Some(kind) = c.text("kind") else { return };
    let Some(family) = Family::of(kind) else { return };
    let quantity = s.text("quantity").unwrap_or("volts");
    let within = |key: &str, low: i64, high: i64, what: &dyn Fn(i64) -> String, expected: String| {
        if let Some(value) = c.get(key).whole::<i64>().filter(|v| !(low..=high).contains(v)) {
            sink.add(&c.get(key).span, what(value), expected, None);
        }
    };
    if let Some((low, high)) = family.addresses() {
        within("address", low, high, &|a| format!("an {kind} can't have the address 0x{a:02x}"), format!("0x{low:02x} to 0x{high:02x}"));
    }
    match family {
        Family::Ads(part) => {
            let most = if part.selects() { 3 } else { 0 };
            let expected = if most == 0 { "0, or no `channel` at all".to_owned() } else { format!("0 to {most}") };
            within("channel", 0, most, &|n| format!("an {kind} has no input {n}"), expected);
            if !part.has_ranges() && c.has("range_v") && c.number("range_v") != 2.048 {
                let what = format!("an {kind} has no other range than 2.048 V");
                sink.add(&c.get("range_v").span, what, "2.048, or no `range_v` at all", None);
            }
        }
        Family::Spi => within("bus", 0, 1, &|n| format!("the header has no SPI bus {n}"), "0 or 1".to_owned()),
        Family::Monitor { .. } | Family::File => {}
    }
    for key in family.misplaced().iter().filter(|k| c.has(k)) {
        sink.add(&c.get(key).span, format!("`{key}` does not apply to an {kind}"), "nothing here", Some("take it out".to_owned()));
    }
    for key in family.needed(quantity).iter().filter(|k| !c.has(k)) {
        let what = format!("`{key}` is missing: an {kind} that measures {quantity} needs it");
        let hint = format!("add `{}` with the chip's own value", example(key, family));
        sink.add(&c.span, what, format!("`{key}`"), Some(hint));
    }
    match (family, quantity) {
        (Family::File, _) => file(s, quantity, build, sink),
        (_, "volts") => input(s, family, build, sink),
        (Family::Monitor { shunt_v, .. }, "amps") => shunt(s, shunt_v, build, sink),
        (_, "amps") => {
            let hint = "use a power monitor such as the ina226, or measure volts here".to_owned();
            sink.add(&s.get("quantity").span, format!("an {kind} does not measure amperes"), "volts", Some(hint));
        }
        _ => sink.add(
            &s.get("quantity").span,
            format!("an {kind} does not measure temperature"),
            "volts or amps",
            Some("use a sensor that the kernel reads (kind \"iio\"), or give the ambient temperature when the run starts".to_owned()),
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
        "volts" if c.has("highest") => input(s, Family::File, build, sink),
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
fn input(s: &Item, family: Family, build: &Build, sink: &Sink) {
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
    let (over_v, key, full) = match family {
        Family::Monitor { bus_v, .. } => {
            if volts > bus_v {
                sink.add(&c.span, what("the chip reads"), format!("at most {bus_v} V"), Some(hint));
            }
            return;
        }
        Family::File => {
            let highest = c.number("highest");
            if volts > highest {
                let expected = format!("a value above {volts:.3} V, not {highest}");
                sink.add(&c.get("highest").span, what("the file can give"), expected, Some(hint));
            }
            return;
        }
        Family::Ads(part) => {
            let range = if part.has_ranges() || c.has("range_v") { c.number("range_v") } else { 2.048 };
            (ADS_OVER_SUPPLY_V, "range_v", range)
        }
        Family::Spi => (MCP_OVER_SUPPLY_V, "reference_v", c.number("reference_v")),
    };
    let stands = c.number("supply_v") + over_v;
    if volts > stands {
        let expected = format!("at most {stands:.1} V: the chip's supply + {over_v} V, whatever its range");
        sink.add(&c.span, what("the chip withstands"), expected, Some(hint));
    } else if volts > full {
        let at = if c.has(key) { &c.get(key).span } else { &c.span };
        sink.add(at, what("the range covers"), format!("a range above {volts:.3} V, not {full}"), None);
    }
}

fn shunt(s: &Item, full_v: f64, build: &Build, sink: &Sink) {
    let c = s.get("chip");
    if let Some(amps) = carried(s, build, sink) {
        let volts = amps * c.number("shunt_ohm");
        if volts > full_v {
            sink.add(
                &c.get("shunt_ohm").span,
                format!("{amps} A through this shunt are {:.1} mV: more than the chip reads", volts * 1e3),
                format!("at most {:.4} Ω ({} mV at {amps} A)", full_v / amps, full_v * 1e3),
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

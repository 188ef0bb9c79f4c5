//! Text of a build file → checked [`Build`], or every problem in it.

use super::problem::{Problem, Problems};
use super::walk::{Collector, Tab, nearest};
use super::*;
use crate::units::{Amps, Ohms, Volts};
use std::collections::HashMap;
use std::ops::Range;
use std::path::Path;
use toml::de::DeTable;

/// Largest build file.
pub const MAX_BYTES: usize = 1 << 20;
/// Most panels in one chain.
pub const MAX_CHAIN: usize = 64;
/// Most sense points.
pub const MAX_SENSE: usize = 32;
/// Greatest wall coordinate.
const MAX_PIXELS: f64 = 4096.0;
/// Highest GPIO number on the 40-pin header.
const MAX_GPIO: i64 = 27;

/// Reads a file, at most [`MAX_BYTES`] of it.
///
/// # Errors
/// Why the file cannot be read, in words.
pub fn read_source(path: &Path) -> Result<String, String> {
    use std::io::Read as _;
    let file = std::fs::File::open(path).map_err(|e| format!("cannot be opened ({e}); check the name"))?;
    let mut bytes = Vec::new();
    file.take(MAX_BYTES as u64 + 1).read_to_end(&mut bytes).map_err(|e| format!("cannot be read ({e})"))?;
    String::from_utf8(bytes).map_err(|_| "is not UTF-8 text; a build file is plain text".to_owned())
}

/// Parses and checks.
///
/// # Errors
/// All problems of the file.
pub fn load(source: &str, file_name: &str) -> Result<Build, Problems> {
    let fail = |source: &str, list: Vec<Problem>| Problems { file: file_name.to_owned(), source: source.to_owned(), list };
    if source.len() >= MAX_BYTES {
        return Err(fail(
            "",
            vec![Problem {
                span: 0..0,
                message: format!("{file_name} is too large"),
                expected: "expected less than 1 MiB".to_owned(),
                hint: String::new(),
            }],
        ));
    }
    let (table, errors) = DeTable::parse_recoverable(source);
    if !errors.is_empty() {
        let list = errors
            .into_iter()
            .map(|e| Problem {
                span: e.span().unwrap_or(0..0),
                message: e.message().lines().next().unwrap_or("not TOML").to_owned(),
                expected: e.message().lines().skip(1).collect::<Vec<_>>().join(" "),
                hint: "the file must be TOML before anything else can be checked".to_owned(),
            })
            .collect();
        return Err(fail(source, list));
    }
    let out = Collector::default();
    let build = read(&table, &out);
    match build {
        Some(build) if out.is_empty() => Ok(build),
        _ => Err(fail(source, out.into_list())),
    }
}

struct Names<'a> {
    out: &'a Collector,
    what: &'static str,
    names: Vec<String>,
}

impl Names<'_> {
    fn find(&self, name: &str, span: Range<usize>) -> Option<usize> {
        let found = self.names.iter().position(|n| n == name);
        if found.is_none() {
            let hint = nearest(name, self.names.iter().map(String::as_str)).map(|n| format!("did you mean \"{n}\"?")).unwrap_or_default();
            self.out.add(
                span,
                format!("there is no {} \"{name}\"", self.what),
                format!("expected one of: {}", self.names.join(", ")),
                hint,
            );
        }
        found
    }
}

fn read(table: &toml::Spanned<DeTable<'_>>, out: &Collector) -> Option<Build> {
    let root = Tab::new(table.get_ref(), 0..0, "the file", out);
    if let Some(schema) = root.whole("schema", 1, 1_000_000)
        && schema != 1
    {
        out.add(
            root.at("schema"),
            format!("schema {schema} is not known"),
            "expected schema = 1",
            "this file may be for a newer signproof",
        );
    }
    let sign = root.table("sign").map(|t| {
        let sign = Sign {
            name: t.text("name").map(|x| x.0).unwrap_or_default(),
            serial: t.text("serial").map(|x| x.0).unwrap_or_default(),
            place: t.maybe_text("place").map(|x| x.0),
            notes: t.maybe_text("notes").map(|x| x.0),
        };
        t.done();
        sign
    });
    let types: Vec<(String, Option<PanelType>)> = root
        .named("panel_types")
        .into_iter()
        .map(|(name, t)| {
            let kind = panel_type(&name, &t, out);
            t.done();
            (name, kind)
        })
        .collect();
    let type_names = Names { out, what: "panel type", names: types.iter().map(|t| t.0.clone()).collect() };
    let supplies: Vec<(String, Option<Supply>)> = root
        .named("supplies")
        .into_iter()
        .map(|(name, t)| {
            let supply = supply(&name, &t, out);
            t.done();
            (name, supply)
        })
        .collect();
    let supply_names = Names { out, what: "supply", names: supplies.iter().map(|s| s.0.clone()).collect() };
    let feeds: Vec<(String, Option<Feed>)> = root
        .named("feeds")
        .into_iter()
        .map(|(name, t)| {
            let feed = feed(&name, &t, &supply_names, out);
            t.done();
            (name, feed)
        })
        .collect();
    let feed_names = Names { out, what: "feed", names: feeds.iter().map(|f| f.0.clone()).collect() };
    let controller = root.table("controller").and_then(|t| {
        let model = t.maybe_text("model").map(|x| x.0).unwrap_or_default();
        let feed = t.text("feed").and_then(|(name, span)| feed_names.find(&name, span));
        let draw_a = t.number("draw_a", 0.05, 20.0, " A");
        let min_v = t.number_or("min_v", 4.0, 5.25, " V", 4.75);
        t.done();
        Some(Controller { model, feed: feed?, draw_a: Amps::new(draw_a?), min_v: Volts::new(min_v) })
    });
    let adapter = root.table("adapter").and_then(|t| {
        let adapter = adapter(&t, out);
        t.done();
        adapter
    });
    let (chains, panels, panel_spans) = chains(&root, &types, &type_names, &feed_names, adapter.as_ref(), out);
    let all_types: Option<Vec<PanelType>> = types.into_iter().map(|t| t.1).collect();
    let supplies: Option<Vec<Supply>> = supplies.into_iter().map(|s| s.1).collect();
    let feeds: Option<Vec<Feed>> = feeds.into_iter().map(|f| f.1).collect();
    let limits_tab = root.maybe_table("limits");
    let limits = limits(limits_tab.as_ref());
    let sense = sense(&root, &supply_names, &feed_names, &panels, out);
    root.done();
    if let Some(adapter) = &adapter {
        pins(adapter, &sense, root.at("adapter"), out);
    }

    let mut build = Build {
        sign: sign?,
        panel_types: all_types?,
        supplies: supplies?,
        feeds: feeds?,
        controller: controller?,
        adapter: adapter?,
        chains,
        panels,
        sense: sense.iter().map(|s| s.0.clone()).collect(),
        limits,
    };
    placement(&build, &panel_spans, out);
    inputs(&build, &sense, out);
    trips(&mut build, limits_tab.as_ref());
    Some(build)
}

fn panel_type(name: &str, t: &Tab<'_>, out: &Collector) -> Option<PanelType> {
    let size = t.two("size", 8.0, 256.0, true);
    let pitch_mm = t.number("pitch_mm", 0.5, 100.0, " mm");
    let scan = t.text("scan");
    let input_side = t.word("input_side", &[("left", InputSide::Left), ("right", InputSide::Right)]);
    let min_v = t.number("min_v", 3.0, 5.5, " V");
    let idle_a = t.number("idle_a", 0.0, 5.0, " A");
    let full_a = t.table("full_a").map(|f| {
        let amps = [f.number("red", 0.0, 40.0, " A"), f.number("green", 0.0, 40.0, " A"), f.number("blue", 0.0, 40.0, " A")];
        f.done();
        amps
    });
    let tolerance_pct = t.number_or("tolerance_pct", 0.0, 50.0, " %", 10.0);
    let knee_v = t.maybe_table("knee_v").map(|k| {
        let volts =
            [k.number_or("red", 1.0, 5.0, " V", 3.6), k.number_or("green", 1.0, 5.0, " V", 4.1), k.number_or("blue", 1.0, 5.0, " V", 4.2)];
        k.done();
        volts
    });
    let clock_mhz = t.number_or("clock_mhz", 1.0, 50.0, " MHz", 20.0);
    let maker = t.maybe_text("maker").map(|x| x.0);
    let batch = t.maybe_text("batch").map(|x| x.0);
    let startup = t
        .tables("startup", false)
        .iter()
        .filter_map(|w| {
            let (word, clocks) = (w.whole("word", 0, 0xffff), w.whole("latch_clocks", 1, 16));
            w.done();
            Some(StartupWord { word: word? as u16, latch_clocks: clocks? as u8 })
        })
        .collect();
    let fold_tab = t.maybe_table("fold");
    let [width, height] = size?.map(|n| n as u16);
    if size?.iter().any(|n| n.fract() != 0.0) || height % 2 != 0 || width % 8 != 0 {
        out.add(
            t.at("size"),
            format!("a panel of {width} by {height} pixels is not possible"),
            "expected a width that is a multiple of 8 and an even height",
            "",
        );
        return None;
    }
    let (scan, span) = scan?;
    let addresses = scan.strip_prefix("1:").and_then(|n| n.parse::<u16>().ok()).filter(|n| [4, 8, 16, 32].contains(n));
    let Some(addresses) = addresses else {
        out.add(
            span,
            format!("`scan` of `{name}` is \"{scan}\""),
            "expected \"1:4\", \"1:8\", \"1:16\" or \"1:32\"",
            "the number of row addresses stands behind the colon",
        );
        return None;
    };
    if height % (2 * addresses) != 0 {
        out.add(
            span,
            format!("a height of {height} does not divide into 2 × {addresses} rows"),
            format!("expected `scan` with 2 × addresses dividing {height}"),
            "rows lit at once = height / addresses, half of them in each half",
        );
        return None;
    }
    let fold = height / (2 * addresses);
    let mut scheme =
        RowScheme { addresses, fold, block: width, order: (0..fold).map(|segment| FoldRun { segment, mirrored: false }).collect() };
    if let Some(f) = fold_tab {
        fold_table(&f, &mut scheme, width, out);
        f.done();
    }
    let full = full_a?;
    Some(PanelType {
        name: name.to_owned(),
        width,
        height,
        pitch_mm: pitch_mm?,
        scheme,
        input_side: input_side?,
        min_v: Volts::new(min_v?),
        idle_a: Amps::new(idle_a?),
        full_a: [Amps::new(full[0]?), Amps::new(full[1]?), Amps::new(full[2]?)],
        tolerance_pct,
        knee_v: knee_v.unwrap_or([3.6, 4.1, 4.2]).map(Volts::new),
        clock_mhz,
        startup,
        maker,
        batch,
    })
}

fn fold_table(f: &Tab<'_>, scheme: &mut RowScheme, width: u16, out: &Collector) {
    let block = f.maybe_whole("block", 1, i64::from(width)).map_or(width, |b| b as u16);
    let order: Vec<FoldRun> = f
        .tables("order", true)
        .iter()
        .filter_map(|run| {
            let segment = run.whole("segment", 0, i64::from(scheme.fold) - 1);
            let mirrored = run.flag("mirrored").unwrap_or(false);
            run.done();
            Some(FoldRun { segment: segment? as u16, mirrored })
        })
        .collect();
    let mut segments: Vec<u16> = order.iter().map(|r| r.segment).collect();
    segments.sort_unstable();
    if !width.is_multiple_of(block) || segments != (0..scheme.fold).collect::<Vec<_>>() {
        out.add(
            f.span.clone(),
            "the fold does not describe this panel",
            format!("expected `block` dividing {width} and `order` naming each of the {} segments once", scheme.fold),
            "segment 0 is the top rows of a half",
        );
        return;
    }
    scheme.block = block;
    scheme.order = order;
}

fn lead(t: &Tab<'_>, key: &'static str, out: &Collector) -> Option<Lead> {
    let l = t.table(key)?;
    let mm2 = l.maybe_number("mm2", 0.1, 100.0, " mm²");
    let awg = l.maybe_whole("awg", 4, 28);
    let length_m = l.number("length_m", 0.01, 50.0, " m");
    let rated_a = l.maybe_number("rated_a", 0.1, 500.0, " A").map(Amps::new);
    let joints = l.number_or("joints_mohm", 0.0, 100.0, " mΩ", 2.0);
    l.done();
    let conductor = match (mm2, awg) {
        (Some(area), None) if crate::build::CLASS_5_MM2.iter().any(|a| (a - area).abs() < 1e-9) => Conductor::Mm2(area),
        (Some(area), None) => {
            let known: Vec<String> = CLASS_5_MM2.iter().map(f64::to_string).collect();
            out.add(
                l.at("mm2"),
                format!("{area} mm² is not a standard area"),
                format!("expected one of {} (IEC 60228)", known.join(", ")),
                "for other wire use awg",
            );
            return None;
        }
        (None, Some(n)) => Conductor::Awg(n as u8),
        _ => {
            if !(l.has("mm2") ^ l.has("awg")) {
                out.add(l.span.clone(), format!("the conductor of {} is not clear", l.name), "expected exactly one of `mm2` and `awg`", "");
            }
            return None;
        }
    };
    Some(Lead { conductor, length_m: length_m?, rated_a, joints: Ohms::new(joints / 1000.0) })
}

fn supply(name: &str, t: &Tab<'_>, out: &Collector) -> Option<Supply> {
    let set_v = t.number("set_v", 4.0, 6.0, " V");
    let rated_a = t.number("rated_a", 0.5, 500.0, " A");
    let accept = t.two("accept_v", 4.0, 6.0, false).unwrap_or([4.90, 5.25]);
    let source = t.number_or("source_mohm", 0.05, 500.0, " mΩ", 1.0);
    let limit_factor = t.number_or("limit_factor", 1.0, 3.0, "", 1.2);
    let derate_from_c = t.number_or("derate_from_c", 0.0, 100.0, " °C", 50.0);
    let derate = t.number_or("derate_pct_per_k", 0.0, 10.0, " % per kelvin", 2.5);
    let maker = t.maybe_text("maker").map(|x| x.0);
    let input_lead = lead(t, "input_lead", out);
    if accept[0] >= accept[1] || set_v.is_some_and(|v| v < accept[0] || v > accept[1]) {
        out.add(t.at("accept_v"), format!("the window of `{name}` does not hold its setting"), "expected [low, high] around set_v", "");
    }
    Some(Supply {
        name: name.to_owned(),
        set_v: Volts::new(set_v?),
        rated_a: Amps::new(rated_a?),
        accept_v: accept.map(Volts::new),
        source: Ohms::new(source / 1000.0),
        limit_factor,
        derate_from_c,
        derate_pct_per_k: derate,
        input_lead: input_lead?,
        maker,
    })
}

fn feed(name: &str, t: &Tab<'_>, supplies: &Names<'_>, out: &Collector) -> Option<Feed> {
    let supply = match t.maybe_text("supply") {
        Some((s, span)) => supplies.find(&s, span),
        None if supplies.names.len() == 1 => Some(0),
        None => {
            if !t.has("supply") {
                out.add(
                    t.span.clone(),
                    format!("`supply` is missing in {}", t.name),
                    "expected the name of a supply: there are several",
                    "",
                );
            }
            None
        }
    };
    let fuse_a = t.number("fuse_a", 0.1, 100.0, " A");
    let fuse_ohm = t.maybe_number("fuse_mohm", 0.01, 1000.0, " mΩ").map(|m| Ohms::new(m / 1000.0));
    let lead = lead(t, "lead", out);
    Some(Feed { name: name.to_owned(), supply: supply?, fuse_a: Amps::new(fuse_a?), fuse_ohm, lead: lead? })
}

fn adapter(t: &Tab<'_>, out: &Collector) -> Option<Adapter> {
    let model = t.maybe_text("model").map(|x| x.0).unwrap_or_default();
    let buffer = t.word("buffer", &[("HCT", Buffer::Hct), ("HC", Buffer::Hc), ("none", Buffer::None)]);
    let oe_pull_up = t.flag("oe_pull_up").unwrap_or(false);
    let pin = |t: &Tab<'_>, key: &'static str| t.whole(key, 0, MAX_GPIO).map(|n| n as u8);
    let (clk, lat, oe) = (pin(t, "clk"), pin(t, "lat"), pin(t, "oe"));
    let mut address = vec![pin(t, "a"), pin(t, "b")];
    let more: Vec<Option<u8>> = ["c", "d", "e"].into_iter().map(|k| t.maybe_whole(k, 0, MAX_GPIO).map(|n| n as u8)).collect();
    for (i, line) in more.iter().enumerate() {
        if line.is_some() && more[..i].iter().all(Option::is_some) {
            address.push(*line);
        } else if line.is_some() {
            out.add(t.span.clone(), "an address line is missing before a higher one", "expected A, B, C, D, E without gaps", "");
        }
    }
    let mut ports = Vec::new();
    let tabs = t.tables("ports", true);
    if tabs.len() > 3 {
        out.add(t.at("ports"), format!("{} ports need more lines than the header has", tabs.len()), "expected at most 3 ports", "");
    }
    for p in &tabs {
        let port = p.whole("port", 1, 9).map(|n| n as u8);
        let lines = ["r1", "g1", "b1", "r2", "g2", "b2"].map(|k| pin(p, k));
        p.done();
        if let (Some(port), [Some(r1), Some(g1), Some(b1), Some(r2), Some(g2), Some(b2)]) = (port, lines) {
            if ports.iter().any(|q: &PortPins| q.port == port) {
                out.add(p.span.clone(), format!("port {port} stands twice in the adapter"), "expected each port once", "");
            }
            ports.push(PortPins { port, data: [[r1, g1, b1], [r2, g2, b2]] });
        }
    }
    ports.sort_by_key(|p| p.port);
    let address: Option<Vec<u8>> = address.into_iter().collect();
    Some(Adapter { model, buffer: buffer?, oe_pull_up, clk: clk?, lat: lat?, oe: oe?, address: address?, ports })
}

type Placed = (Vec<Chain>, Vec<Panel>, Vec<Range<usize>>);

fn chains(
    root: &Tab<'_>,
    types: &[(String, Option<PanelType>)],
    type_names: &Names<'_>,
    feed_names: &Names<'_>,
    adapter: Option<&Adapter>,
    out: &Collector,
) -> Placed {
    type Spanned = (Panel, Range<usize>);
    let mut read: Vec<(u8, Vec<Spanned>)> = Vec::new();
    let mut total = 0;
    for t in root.tables("chains", true) {
        let port = t.whole("port", 1, 9).map(|n| n as u8);
        if let (Some(port), Some(adapter)) = (port, adapter)
            && !adapter.ports.iter().any(|p| p.port == port)
        {
            let have: Vec<String> = adapter.ports.iter().map(|p| p.port.to_string()).collect();
            out.add(t.at("port"), format!("the adapter has no port {port}"), format!("expected one of: {}", have.join(", ")), "");
        }
        let entries = t.tables("panels", true);
        if entries.is_empty() && t.has("panels") {
            out.add(t.at("panels"), format!("{} has no panels", t.name), "expected at least one panel", "");
        }
        if entries.len() > MAX_CHAIN {
            out.add(
                t.at("panels"),
                format!("{} panels in one chain", entries.len()),
                format!("expected at most {MAX_CHAIN}"),
                "split the chain over several ports",
            );
            t.done();
            continue;
        }
        let mut panels = Vec::new();
        for (i, p) in entries.iter().enumerate() {
            let kind = p.text("type").and_then(|(name, span)| type_names.find(&name, span));
            let at = p.two("at", 0.0, MAX_PIXELS, true);
            let up = p.word("up", &[("up", Up::Up), ("right", Up::Right), ("down", Up::Down), ("left", Up::Left)]);
            let feed = p.text("feed").and_then(|(name, span)| feed_names.find(&name, span));
            let serial = p.maybe_text("serial").map(|x| x.0);
            let ribbon_m = p.number_or("ribbon_m", 0.02, 5.0, " m", 0.3);
            p.done();
            if let (Some(port), Some(kind), Some(at), Some(up), Some(feed)) = (port, kind, at, up, feed) {
                if let (Some(adapter), Some(t)) = (adapter, &types[kind].1) {
                    let needed = t.scheme.address_lines() as usize;
                    if needed > adapter.address.len() {
                        let line = ["A", "B", "C", "D", "E"][needed - 1];
                        out.add(
                            p.at("type"),
                            format!("\"{}\" needs address line {line}", t.name),
                            format!("expected an adapter with A to {line}"),
                            "",
                        );
                    }
                }
                let panel = Panel { port, position: (i + 1) as u8, kind, at: at.map(|n| n as u16), up, feed, serial, ribbon_m };
                panels.push((panel, p.span.clone()));
            }
        }
        t.done();
        if let Some(port) = port {
            if read.iter().any(|(q, _)| *q == port) {
                out.add(t.at("port"), format!("port {port} has two chains"), "expected one chain a port", "");
            }
            total += panels.len();
            read.push((port, panels));
        }
    }
    read.sort_by_key(|(port, _)| *port);
    let mut placed: Placed = (Vec::new(), Vec::with_capacity(total), Vec::with_capacity(total));
    for (port, panels) in read {
        let first = placed.1.len();
        placed.0.push(Chain { port, panels: (first..first + panels.len()).collect() });
        for (panel, span) in panels {
            placed.1.push(panel);
            placed.2.push(span);
        }
    }
    placed
}

/// Panels neither overlap nor leave a hole.
fn placement(build: &Build, spans: &[Range<usize>], out: &Collector) {
    let mut owner: HashMap<[u16; 2], usize> = HashMap::new();
    let mut told = std::collections::HashSet::new();
    let mut area = 0_u64;
    for (p, span) in spans.iter().enumerate() {
        let [w, h] = crate::build::footprint(build, p);
        area += u64::from(w) * u64::from(h);
        let [x0, y0] = build.panels[p].at;
        // all sizes are multiples of 8 by 2
        for y in (y0..y0 + h).step_by(2) {
            for x in (x0..x0 + w).step_by(2) {
                if let Some(&q) = owner.get(&[x, y]) {
                    if told.insert((p, q)) {
                        let other = &build.panels[q];
                        let same = other.at == build.panels[p].at;
                        out.add(
                            span.clone(),
                            format!(
                                "this panel {} port {} position {}",
                                if same { "is in the place of" } else { "overlaps" },
                                other.port,
                                other.position
                            ),
                            "expected a place of its own",
                            "",
                        );
                    }
                } else {
                    owner.insert([x, y], p);
                }
            }
        }
    }
    let [w, h] = build.wall_size();
    if told.is_empty() && area != u64::from(w) * u64::from(h) && !spans.is_empty() {
        out.add(
            spans[0].clone(),
            format!("the panels leave a gap in the wall of {w} by {h} pixels"),
            "expected panels that fill the wall",
            "check `at` and `up` of each panel",
        );
    }
}

/// No pin twice, none that a used bus needs.
fn pins(adapter: &Adapter, sense: &Sensed, span: Range<usize>, out: &Collector) {
    let pins = adapter.pins();
    for (i, (name, pin)) in pins.iter().enumerate() {
        if let Some((other, _)) = pins[..i].iter().find(|(_, p)| p == pin) {
            out.add(span.clone(), format!("GPIO {pin} is used twice: {other} and {name}"), "expected a line of its own for each", "");
        }
        if sense.iter().any(|(s, _)| s.chip.place().0 == 1) && (*pin == 2 || *pin == 3) {
            out.add(
                span.clone(),
                format!("GPIO {pin} ({name}) is needed by I²C bus 1"),
                "expected another line: a sense point uses that bus",
                "",
            );
        }
    }
}

type Sensed = Vec<(SensePoint, Range<usize>)>;

fn sense(root: &Tab<'_>, supplies: &Names<'_>, feeds: &Names<'_>, panels: &[Panel], out: &Collector) -> Sensed {
    let tabs = root.tables("sense", true);
    if tabs.len() > MAX_SENSE {
        out.add(root.at("sense"), format!("{} sense points", tabs.len()), format!("expected at most {MAX_SENSE}"), "");
        return Vec::new();
    }
    let mut points: Sensed = Vec::new();
    for t in &tabs {
        let name = t.text("name");
        let quantity = if t.has("quantity") {
            t.word("quantity", &[("volts", Quantity::Volts), ("amps", Quantity::Amps), ("celsius", Quantity::Celsius)])
        } else {
            Some(Quantity::Volts)
        };
        let node_of = |key: &'static str| t.text(key).and_then(|(text, span)| node(&text, span, supplies, feeds, panels, out));
        let at = node_of("node");
        let reference = if t.has("reference") { node_of("reference") } else { Some(Node::Controller) };
        let chip = t.table("chip").and_then(|c| {
            let chip = chip(&c, out);
            c.done();
            chip
        });
        let divider = t.maybe_table("divider").and_then(|d| {
            let (top, bottom) = (d.number("top_ohm", 1.0, 1e7, " Ω"), d.number("bottom_ohm", 1.0, 1e7, " Ω"));
            let tolerance_pct = d.number_or("tolerance_pct", 0.0, 20.0, " %", 1.0);
            d.done();
            Some(Divider { top: Ohms::new(top?), bottom: Ohms::new(bottom?), tolerance_pct })
        });
        t.done();
        let (Some((name, span)), Some(quantity), Some(node), Some(reference), Some(chip)) = (name, quantity, at, reference, chip) else {
            continue;
        };
        if points.iter().any(|(p, _)| p.name == name) {
            out.add(span, format!("two sense points are called \"{name}\""), "expected a name of its own", "");
        }
        let channel = |c: &Chip| if let Chip::Ads1115 { channel, .. } = c { Some(*channel) } else { None };
        for (other, _) in &points {
            if other.chip.place() == chip.place()
                && (other.chip.word() != chip.word() || (channel(&chip).is_some() && channel(&other.chip) == channel(&chip)))
            {
                out.add(
                    t.at("chip"),
                    format!("\"{name}\" and \"{}\" are on the same input", other.name),
                    "expected another channel or address",
                    "",
                );
            }
        }
        if quantity == Quantity::Amps && !matches!(chip, Chip::Ina226 { shunt_ohm: Some(_), .. }) {
            out.add(t.at("chip"), format!("\"{name}\" measures amps without a shunt"), "expected kind = \"ina226\" with shunt_ohm", "");
        }
        points.push((SensePoint { name, quantity, node, reference, chip, divider }, t.span.clone()));
    }
    points
}

fn node(text: &str, span: Range<usize>, supplies: &Names<'_>, feeds: &Names<'_>, panels: &[Panel], out: &Collector) -> Option<Node> {
    let (word, name) = text.split_once(':').map_or((text, None), |(w, n)| (w, Some(n)));
    let of_supply = |make: fn(usize) -> Node| match name {
        Some(name) => supplies.find(name, span.clone()).map(make),
        None if supplies.names.len() == 1 => Some(make(0)),
        None => {
            out.add(
                span.clone(),
                format!("\"{text}\" does not say of which supply"),
                format!("expected \"{text}:NAME\", NAME one of {}", supplies.names.join(", ")),
                "",
            );
            None
        }
    };
    match (word, name) {
        ("supply", _) => of_supply(Node::Supply),
        ("distribution", _) => of_supply(Node::Distribution),
        ("feed", Some(name)) => feeds.find(name, span).map(Node::FeedEnd),
        ("controller", None) => Some(Node::Controller),
        ("panel", Some(place)) => {
            let found = place.split_once('-').and_then(|(a, b)| {
                let (port, position) = (a.parse::<u8>().ok()?, b.parse::<u8>().ok()?);
                panels.iter().position(|p| p.port == port && p.position == position)
            });
            if found.is_none() {
                out.add(span, format!("there is no panel \"{place}\""), "expected panel:PORT-POSITION of a panel in a chain", "");
            }
            found.map(Node::Panel)
        }
        _ => {
            out.add(
                span,
                format!("\"{text}\" is no place of the network"),
                "expected supply, distribution, feed:NAME, panel:PORT-POSITION or controller",
                nearest(word, ["supply", "distribution", "feed", "panel", "controller"])
                    .map(|n| format!("did you mean \"{n}\"?"))
                    .unwrap_or_default(),
            );
            None
        }
    }
}

fn chip(c: &Tab<'_>, out: &Collector) -> Option<Chip> {
    let ads = c.word("kind", &[("ads1115", true), ("ina226", false)])?;
    let bus = c.whole("bus", 0, 22).map(|n| n as u8);
    let (low, high) = if ads { (0x48, 0x4b) } else { (0x40, 0x4f) };
    let address = c.whole("address", low, high).map(|n| n as u8);
    if ads {
        let channel = c.whole("channel", 0, 3).map(|n| n as u8);
        let range_v = c.number("range_v", 0.2, 6.2, " V");
        let supply_v = c.number_or("supply_v", 2.0, 5.5, " V", 3.3);
        if let Some(r) = range_v
            && ![0.256, 0.512, 1.024, 2.048, 4.096, 6.144].contains(&r)
        {
            out.add(c.at("range_v"), format!("the chip has no range of {r} V"), "expected 0.256, 0.512, 1.024, 2.048, 4.096 or 6.144", "");
            return None;
        }
        Some(Chip::Ads1115 { bus: bus?, address: address?, channel: channel?, range_v: range_v?, supply_v })
    } else {
        let shunt_ohm = c.maybe_number("shunt_ohm", 1e-5, 10.0, " Ω");
        Some(Chip::Ina226 { bus: bus?, address: address?, shunt_ohm })
    }
}

/// No converter input beyond its chip's limit at the highest volts that can come.
fn inputs(build: &Build, sense: &Sensed, out: &Collector) {
    let highest = build.supplies.iter().map(|s| s.accept_v[1].value()).fold(build.limits.trip_high_v.value(), f64::max);
    for (point, span) in sense {
        let Chip::Ads1115 { range_v, supply_v, .. } = point.chip else { continue };
        let ratio = point.divider.map_or(1.0, |d| (d.top.value() + d.bottom.value()) / d.bottom.value());
        let at_pin = highest / ratio;
        // TI SBAS444: no input above the chip's own supply + 0.3 V, whatever the range
        if at_pin > supply_v + 0.3 {
            out.add(
                span.clone(),
                format!("{highest:.2} V at \"{}\" puts {at_pin:.2} V on an input that stands {:.2} V", point.name, supply_v + 0.3),
                "expected a divider that keeps the input below the chip's supply + 0.3 V",
                "two equal resistors halve it",
            );
        } else if at_pin > range_v {
            out.add(
                span.clone(),
                format!("{highest:.2} V at \"{}\" is {at_pin:.2} V at the input, beyond the range of {range_v} V", point.name),
                "expected a larger range_v or a divider",
                "",
            );
        }
    }
}

fn limits(t: Option<&Tab<'_>>) -> Limits {
    let n = |key, low, high, unit: &str, default| t.map_or(default, |t| t.number_or(key, low, high, unit, default));
    Limits {
        trip_low_v: Vec::new(),
        trip_high_v: Volts::new(n("trip_high_v", 5.0, 6.0, " V", 5.40)),
        hold_s: n("hold_s", 1.0, 86_400.0, " s", 1200.0),
        fuse_load_pct: n("fuse_load_pct", 10.0, 100.0, " %", 75.0),
        supply_load_pct: n("supply_load_pct", 10.0, 100.0, " %", 80.0),
        drop_v: Volts::new(n("drop_v", 0.01, 2.0, " V", 0.5)),
        refresh_hz: n("refresh_hz", 10.0, 10_000.0, " Hz", 100.0),
        ambient_max_c: n("ambient_max_c", -20.0, 90.0, " °C", 40.0),
        cell_pct: n("cell_pct", 5.0, 95.0, " %", 35.0),
        rest_v: Volts::new(n("rest_v", 0.001, 1.0, " V", 0.02)),
        hold_drift_v_per_min: Volts::new(n("hold_drift_v_per_min", 1e-5, 1.0, " V/min", 0.005)),
        climb_pct: n("climb_pct", 5.0, 500.0, " %", 50.0),
        joint_max_c: n("joint_max_c", 30.0, 150.0, " °C", 60.0),
    }
}

/// Low trip of each volts point: the build's own, or just above what the controller needs, never under 4.65 V.
fn trips(build: &mut Build, t: Option<&Tab<'_>>) {
    let own = t.and_then(|t| t.maybe_number("trip_low_v", 4.0, 5.2, " V"));
    if let Some(t) = t {
        t.done();
    }
    let near_controller = (build.controller.min_v.value() + 0.02).max(4.65);
    build.limits.trip_low_v = build
        .sense
        .iter()
        .map(|p| match (p.quantity, p.node) {
            (Quantity::Volts, Node::Supply(_) | Node::Distribution(_) | Node::Controller) => Volts::new(own.unwrap_or(near_controller)),
            (Quantity::Volts, _) => Volts::new(own.unwrap_or(4.65).min(4.65)),
            _ => Volts::new(0.0),
        })
        .collect();
}

//! Whole build files: the examples, walls of other shapes, the digest, limits of size, and that nothing panics.

use proptest::prelude::*;
use signproof::build::{self, Build, Node, Up};

const TAXI: &str = include_str!("../config/water-taxi.toml");
const KIOSK: &str = include_str!("../config/kiosk.toml");
const TWO_BY_TWO: &str = include_str!("good_builds/two-by-two.toml");
const TWO_SUPPLIES: &str = include_str!("good_builds/two-supplies.toml");

fn good(source: &str) -> Build {
    build::load(source, "test.toml").unwrap_or_else(|p| panic!("{}", p.render(false)))
}

fn messages(source: &str) -> Vec<String> {
    match build::load(source, "test.toml") {
        Ok(_) => Vec::new(),
        Err(p) => p.list().iter().map(|p| p.message.clone()).collect(),
    }
}

#[test]
fn the_water_taxi_board_is_as_drawn() {
    let b = good(TAXI);
    assert_eq!(b.wall_size(), [192, 64]);
    assert_eq!(b.panels.len(), 6);
    assert_eq!(b.panels[b.panel_at(1, 1).unwrap()].at, [128, 0]);
    assert_eq!(b.panels[b.panel_at(2, 3).unwrap()].at, [0, 32]);
    assert_eq!(b.feeds.iter().map(|f| f.name.as_str()).collect::<Vec<_>>(), ["F1", "F2", "F3", "F4"]);
    // every wall column hangs on its own feed
    for p in &b.panels {
        assert_eq!(b.feeds[p.feed].name, format!("F{}", p.at[0] / 64 + 1));
    }
    assert_eq!(b.sense.len(), 4);
    assert_eq!(b.sense[0].node, Node::Distribution(0));
    assert_eq!(b.sense[3].node, Node::FeedEnd(2));
    assert_eq!(b.sense[3].reference, Node::Controller);
    // 4.75 V is the controller's own limit; the panel feeds are not on its way
    assert_eq!(b.limits.trip_low_v.iter().map(|v| v.value()).collect::<Vec<_>>(), [4.75, 4.65, 4.65, 4.65]);
    assert_eq!(b.limits.trip_high_v.value(), 5.40);
    let scheme = &b.panel_types[0].scheme;
    assert_eq!((scheme.addresses, scheme.fold, scheme.address_lines()), (16, 1, 4));
}

#[test]
fn the_kiosk_loads() {
    let b = good(KIOSK);
    assert_eq!(b.wall_size(), [192, 32]);
    assert_eq!(b.panels.iter().map(|p| b.feeds[p.feed].name.as_str()).collect::<Vec<_>>(), ["F1", "F1", "F2"]);
}

#[test]
fn a_wall_of_two_by_two_may_have_its_upper_row_on_port_3() {
    let b = good(TWO_BY_TWO);
    assert_eq!(b.wall_size(), [128, 64]);
    assert_eq!(b.chains.iter().map(|c| (c.port, c.panels.len())).collect::<Vec<_>>(), [(2, 2), (3, 2)]);
    assert_eq!(b.panels[b.panel_at(3, 1).unwrap()].at, [64, 0]);
    assert_eq!(b.panels[b.panel_at(2, 2).unwrap()].at, [0, 32]);
    assert_eq!(b.panels[b.panel_at(2, 1).unwrap()].up, Up::Down);
}

#[test]
fn twelve_panels_may_hang_on_two_supplies() {
    let b = good(TWO_SUPPLIES);
    assert_eq!(b.panels.len(), 12);
    assert_eq!(b.wall_size(), [256, 96]);
    assert_eq!(b.supplies.iter().map(|s| s.name.as_str()).collect::<Vec<_>>(), ["left", "right"]);
    assert!(b.panels.iter().all(|p| b.supplies[b.feeds[p.feed].supply].name == if p.at[0] < 128 { "left" } else { "right" }));
    assert_eq!(b.sense[1].node, Node::Distribution(1));
    // the controller hangs on the left supply only
    assert_eq!(b.limits.trip_low_v[0].value(), 4.75);
    assert_eq!(b.limits.trip_low_v[1].value(), 4.65);
}

#[test]
fn a_folded_scan_follows_from_height_and_addresses() {
    let folded = KIOSK.replace("scan = \"1:16\"", "scan = \"1:8\"");
    let scheme = good(&folded).panel_types[0].scheme.clone();
    assert_eq!((scheme.addresses, scheme.fold, scheme.block), (8, 2, 64));
    assert_eq!(scheme.order.iter().map(|r| r.segment).collect::<Vec<_>>(), [0, 1]);
    let told = folded
        .replace("scan = \"1:8\"", "scan = \"1:8\"\nfold = { block = 16, order = [{ segment = 1 }, { segment = 0, mirrored = true }] }");
    let scheme = good(&told).panel_types[0].scheme.clone();
    assert_eq!(scheme.block, 16);
    assert_eq!(scheme.order.iter().map(|r| (r.segment, r.mirrored)).collect::<Vec<_>>(), [(1, false), (0, true)]);
}

#[test]
fn the_digest_is_of_the_build_not_of_the_bytes() {
    let plain = good(TAXI).digest();
    assert_eq!(plain.len(), 64);
    let stripped: String = TAXI.lines().filter(|l| !l.trim().starts_with('#')).map(|l| format!("{l}\r\n")).collect();
    assert_eq!(good(&stripped).digest(), plain, "comments and line ends");
    let reordered = TAXI
        .replace("set_v = 5.10\nrated_a = 40.0\n", "rated_a = 40\nset_v = 5.1\n")
        .replace("address = 0x48, channel = 0", "channel = 0, address = 72");
    assert_ne!(reordered, TAXI);
    assert_eq!(good(&reordered).digest(), plain, "order of keys, spelling of numbers");
    // whole sections exchanged
    let (a, b) = (TAXI.find("[feeds.F1]").unwrap(), TAXI.find("[feeds.F2]").unwrap());
    let c = TAXI.find("[feeds.F3]").unwrap();
    let swapped = format!("{}{}{}{}", &TAXI[..a], &TAXI[b..c], &TAXI[a..b], &TAXI[c..]);
    assert_eq!(good(&swapped).digest(), plain, "order of sections");
    let (d, e) = (TAXI.find("[[chains]]").unwrap(), TAXI.rfind("[[chains]]").unwrap());
    let f = TAXI.find("[[sense]]").unwrap();
    let swapped = format!("{}{}{}{}", &TAXI[..d], &TAXI[e..f], &TAXI[d..e], &TAXI[f..]);
    assert_eq!(good(&swapped).digest(), plain, "order of chains");
    assert_eq!(good(&TAXI.replace("tolerance_pct = 10\n", "")).digest(), plain, "a default written out");
    assert_ne!(good(&TAXI.replace("set_v = 5.10", "set_v = 5.11")).digest(), plain);
    assert_ne!(good(&TAXI.replace("P-0101", "P-0999")).digest(), plain);
}

#[test]
fn all_problems_are_told_at_once() {
    let bad = TAXI
        .replace("set_v = 5.10", "set_v = \"5.10\"")
        .replace("pitch_mm = 4.0", "pich_mm = 4.0")
        .replace("at = [64, 0]", "at = [0, 0]")
        .replace("lat = 10", "lat = 9");
    let told = messages(&bad).join("\n");
    for part in ["`supplies.main.set_v` is the text", "unknown key `pich_mm`", "`pitch_mm` is missing", "GPIO 9 is used twice"] {
        assert!(told.contains(part), "{part:?} is not in:\n{told}");
    }
    // places are judged once single values are right
    assert!(messages(&TAXI.replace("at = [64, 0]", "at = [0, 0]")).join("\n").contains("are in one place"));
}

#[test]
fn size_limits_hold() {
    let long = format!("{TAXI}\n#{}", "x".repeat(build::MAX_BYTES));
    assert!(messages(&long)[0].contains("bytes"));
    // just below the limit is read
    let full = format!("{TAXI}#{}", "x".repeat(build::MAX_BYTES - TAXI.len() - 2));
    assert_eq!(full.len(), build::MAX_BYTES - 1);
    good(&full);
    let panel =
        |n: usize| (0..n).map(|i| format!("  {{ type = \"p5-64x32\", at = [{}, 0], feed = \"F1\" }},\n", i * 64)).collect::<String>();
    let start = KIOSK.find("panels = [").unwrap() + "panels = [\n".len();
    let end = start + KIOSK[start..].find("]\n\n").unwrap();
    let with = |n: usize| format!("{}{}{}", &KIOSK[..start], panel(n), &KIOSK[end..]);
    assert_eq!(good(&with(64)).panels.len(), 64);
    let told = messages(&with(65));
    assert!(told.iter().any(|m| m.contains("has 65 items")), "{told:?}");
    let point = |n: usize| {
        format!("[[sense]]\nname = \"x{n}\"\nnode = \"supply\"\nchip = {{ kind = \"ina226\", bus = 1, address = {} }}\n", 0x40 + n % 16)
    };
    let many: String = (0..32).map(point).collect();
    let told = messages(&format!("{KIOSK}{many}"));
    assert!(told.iter().any(|m| m.contains("has 33 items")), "{told:?}");
}

#[test]
fn nested_brackets_do_not_exhaust_the_stack() {
    assert!(build::load(&format!("a = {}", "[".repeat(500_000)), "deep.toml").is_err());
    assert!(build::load(&format!("a = {}", "{a=".repeat(300_000)), "deep.toml").is_err());
    assert!(build::load(&"a.".repeat(500_000), "deep.toml").is_err());
}

/// How long the worst files of the permitted size take; run by hand: `cargo test --release --test build_file -- --ignored --nocapture`.
#[test]
#[ignore = "prints times, judges nothing"]
fn times_of_refusal() {
    let kiosk = |n: usize| {
        KIOSK.replace("panels = [\n", &format!("panels = [\n{}", "  { type = \"p5-64x32\", at = [0, 0], feed = \"F1\" },\n".repeat(n)))
    };
    let mega = build::MAX_BYTES;
    let cases = [
        ("1 MiB + 1 byte", "#".repeat(mega + 1)),
        ("chain of 65 panels", kiosk(62)),
        ("chain of 20 000 panels", kiosk(19_997)),
        ("a key 200 000 times", "a=1\n".repeat(200_000)),
        ("100 000 unknown keys", (0..100_000).map(|i| format!("k{i}=1\n")).collect()),
        ("500 000 brackets", format!("a = {}", "[".repeat(500_000))),
        ("not closed", TAXI.repeat(200).replace("size = [64, 32]", "size = [64, 32")),
    ];
    for (name, text) in cases {
        let start = std::time::Instant::now();
        let problems = build::load(&text, "big.toml").unwrap_err();
        let loaded = start.elapsed();
        let length = problems.render(false).len();
        println!("{name}: {loaded:.1?}, rendered after {:.1?}, {length} bytes, {} problems", start.elapsed(), problems.list().len());
    }
}

#[test]
fn colour_is_only_there_when_asked_for() {
    let problems = build::load("schema = 2", "x.toml").unwrap_err();
    assert!(!problems.render(false).contains('\u{1b}'));
    assert!(problems.render(true).contains('\u{1b}'));
}

#[test]
fn the_json_schema_is_current() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/build.schema.json");
    let text = format!("{}\n", serde_json::to_string_pretty(&build::json_schema()).unwrap());
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(path, &text).unwrap();
    }
    assert_eq!(std::fs::read_to_string(path).unwrap_or_default(), text, "run with UPDATE=1 to rewrite config/build.schema.json");
}

fn boundary(text: &str, at: usize) -> usize {
    (0..=at.min(text.len())).rev().find(|&i| text.is_char_boundary(i)).unwrap_or(0)
}

/// A cut, a changed byte, a doubled or a missing line.
fn mutated(source: &'static str) -> impl Strategy<Value = String> {
    let n = source.len();
    let change = (
        0..n,
        prop_oneof![
            Just("\""),
            Just("["),
            Just("]"),
            Just("="),
            Just("-9"),
            Just("nan"),
            Just("é"),
            Just("\n"),
            Just("{"),
            Just("1e999"),
            Just("")
        ],
        0..6usize,
    );
    (proptest::collection::vec(change, 0..6), proptest::option::of(0..n), any::<bool>()).prop_map(move |(changes, cut, drop_line)| {
        let mut text = source.to_owned();
        for (at, with, take) in changes {
            let from = boundary(&text, at);
            let to = boundary(&text, from + take).max(from);
            text.replace_range(from..to, with);
        }
        if drop_line {
            let count = text.lines().count();
            let nth = cut.unwrap_or(3) % count.max(1);
            text = text.lines().enumerate().filter(|(i, _)| *i != nth).map(|(_, l)| format!("{l}\n")).collect();
        } else if let Some(cut) = cut {
            text.truncate(boundary(&text, cut));
        }
        text
    })
}

fn never_panics(text: &str) -> Result<(), TestCaseError> {
    match build::load(text, "mutated.toml") {
        Ok(b) => prop_assert_eq!(b.digest().len(), 64),
        Err(problems) => {
            prop_assert!(!problems.list().is_empty());
            let shown = problems.render(false);
            for p in problems.list() {
                prop_assert!(p.line >= 1 && p.column >= 1 && p.line <= text.lines().count() + 1);
                prop_assert!(text.get(p.span.clone()).is_some());
            }
            prop_assert!(shown.contains("mutated.toml"));
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]
    #[test]
    fn a_damaged_water_taxi_never_panics(text in mutated(TAXI)) { never_panics(&text)?; }
    #[test]
    fn a_damaged_kiosk_never_panics(text in mutated(KIOSK)) { never_panics(&text)?; }
    #[test]
    fn any_text_never_panics(text in "\\PC{0,200}") { never_panics(&text)?; }
}

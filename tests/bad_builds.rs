//! Bad build files and what the person at the bench is told. Each is the demo build with one thing made wrong
//! (or several). `UPDATE=1 cargo test --test bad_builds` rewrites the golden messages; read the diff.

use signproof::build::load;
use std::path::Path;

const DEMO: &str = include_str!("../config/water-taxi.toml");

/// Name, and what is replaced by what (first occurrence).
const CASES: &[(&str, &[(&str, &str)])] = &[
    ("syntax-unclosed-text", &[("name = \"Harbour steps water-taxi board\"", "name = \"Harbour steps")]),
    ("syntax-two-errors", &[("schema = 1", "schema = "), ("rated_a = 40.0", "rated_a = ,")]),
    ("duplicate-key", &[("set_v = 5.10", "set_v = 5.10\nset_v = 5.20")]),
    ("schema-newer", &[("schema = 1", "schema = 2")]),
    ("schema-missing", &[("schema = 1", "")]),
    ("sign-missing", &[("[sign]", "[sing]")]),
    ("serial-missing", &[("serial = \"WT-0003\"", "")]),
    ("unknown-key", &[("pitch_mm = 4.0", "pitch_mm = 4.0\npich = 5")]),
    ("size-not-a-pair", &[("size = [64, 32]", "size = [64]")]),
    ("size-odd-height", &[("size = [64, 32]", "size = [64, 31]")]),
    ("size-text", &[("size = [64, 32]", "size = \"64x32\"")]),
    ("pitch-negative", &[("pitch_mm = 4.0", "pitch_mm = -4.0")]),
    ("scan-wrong-form", &[("scan = \"1:16\"", "scan = \"16\"")]),
    ("scan-does-not-divide", &[("scan = \"1:16\"", "scan = \"1:32\"")]),
    ("input-side-typo", &[("input_side = \"right\"", "input_side = \"rigth\"")]),
    ("min-v-nan", &[("min_v = 4.50", "min_v = nan")]),
    ("full-a-colour-missing", &[("full_a = { red = 1.45, green = 1.10, blue = 1.05 }", "full_a = { red = 1.45, green = 1.10 }")]),
    ("full-a-colour-unknown", &[("blue = 1.05 }", "blue = 1.05, white = 3.6 }")]),
    ("fold-incomplete", &[("scan = \"1:16\"", "scan = \"1:8\"\nfold = { block = 16, order = [{ segment = 0 }] }")]),
    ("set-outside-window", &[("set_v = 5.10", "set_v = 5.40")]),
    ("window-reversed", &[("accept_v = [4.90, 5.25]", "accept_v = [5.25, 4.90]")]),
    ("mm2-not-standard", &[("mm2 = 10.0", "mm2 = 9.0")]),
    ("lead-both", &[("mm2 = 10.0", "mm2 = 10.0, awg = 8")]),
    ("lead-neither", &[("mm2 = 10.0, ", "")]),
    ("lead-too-long", &[("length_m = 0.6", "length_m = 600")]),
    ("fuse-text", &[("fuse_a = 15.0", "fuse_a = \"15 A\"")]),
    ("supply-unknown", &[("fuse_a = 15.0", "fuse_a = 15.0\nsupply = \"mian\"")]),
    ("controller-feed-unknown", &[("feed = \"F4\"", "feed = \"F5\"")]),
    ("controller-missing", &[("[controller]", "[controler]")]),
    ("buffer-unknown", &[("buffer = \"HCT\"", "buffer = \"LS\"")]),
    ("pin-twice", &[("lat = 5", "lat = 4")]),
    ("pin-of-the-bus", &[("lat = 5", "lat = 2")]),
    ("pin-beyond-the-header", &[("lat = 5", "lat = 30")]),
    ("address-line-missing", &[("d = 19", "")]),
    ("address-gap", &[("c = 18\n", "")]),
    ("port-twice", &[("{ port = 2, r1", "{ port = 1, r1")]),
    ("port-line-missing", &[("b2 = 12 }", "}")]),
    ("chain-on-absent-port", &[("port = 2\npanels", "port = 3\npanels")]),
    ("two-chains-on-a-port", &[("port = 2\npanels", "port = 1\npanels")]),
    ("panel-type-unknown", &[("type = \"p4-64x32\", at = [128, 0]", "type = \"p4-64x23\", at = [128, 0]")]),
    ("panel-feed-unknown", &[("up = \"up\", feed = \"F3\"", "up = \"up\", feed = \"F9\"")]),
    ("panel-up-unknown", &[("at = [128, 0], up = \"up\"", "at = [128, 0], up = \"north\"")]),
    ("panels-same-place", &[("at = [64, 0]", "at = [128, 0]")]),
    ("panels-overlap", &[("at = [64, 0]", "at = [96, 0]")]),
    ("panels-gap", &[("at = [0, 0], up = \"up\", feed = \"F1\" },", "at = [256, 0], up = \"up\", feed = \"F1\" },")]),
    ("sense-node-unknown", &[("node = \"feed:F1\"", "node = \"fed:F1\"")]),
    ("sense-feed-unknown", &[("node = \"feed:F1\"", "node = \"feed:G1\"")]),
    ("sense-panel-unknown", &[("node = \"feed:F1\"", "node = \"panel:1-9\"")]),
    ("sense-name-twice", &[("name = \"feed-2\"", "name = \"feed-1\"")]),
    ("sense-channel-twice", &[("channel = 1,", "channel = 0,")]),
    ("chip-unknown", &[("kind = \"ads1115\"", "kind = \"ads1155\"")]),
    ("chip-address", &[("address = 0x48", "address = 0x58")]),
    ("chip-range", &[("range_v = 4.096", "range_v = 5.0")]),
    ("input-beyond-supply", &[("divider = { top_ohm = 10000, bottom_ohm = 10000, tolerance_pct = 0.1 }", "")]),
    ("input-beyond-range", &[("range_v = 4.096", "range_v = 2.048")]),
    ("amps-without-shunt", &[("node = \"feed:F1\"", "quantity = \"amps\"\nnode = \"feed:F1\"")]),
    ("limit-unknown", &[("[controller]", "[limits]\nhold = 60\n\n[controller]")]),
    (
        "several-at-once",
        &[
            ("pitch_mm = 4.0", "pitch_mm = 0"),
            ("feed = \"F4\"", "feed = \"F8\""),
            ("lat = 5", "lat = 4"),
            ("rated_a = 40.0", "rated = 40.0"),
        ],
    ),
];

#[test]
fn each_bad_file_has_its_golden_message() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad_builds");
    let update = std::env::var_os("UPDATE").is_some();
    let mut wrong = Vec::new();
    for (name, edits) in CASES {
        let mut text = DEMO.to_owned();
        for (from, to) in *edits {
            assert!(text.contains(from), "{name}: the demo no longer has {from}");
            text = text.replacen(from, to, 1);
        }
        let problems = load(&text, "bad.toml").expect_err(name);
        let message = problems.render(false);
        let golden = dir.join(format!("{name}.txt"));
        if update {
            std::fs::write(&golden, &message).unwrap();
        } else if std::fs::read_to_string(&golden).unwrap_or_default() != message {
            wrong.push(format!("{name}:\n{message}"));
        }
    }
    assert!(wrong.is_empty(), "{} messages differ from their golden files:\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn too_large_a_file_and_too_long_a_chain_are_refused() {
    let large = format!("{DEMO}\n# {}", "x".repeat(1 << 20));
    assert!(load(&large, "large.toml").unwrap_err().render(false).contains("less than 1 MiB"));
    let panel = "{ type = \"p4-64x32\", at = [0, 0], up = \"up\", feed = \"F1\" },";
    let long = DEMO.replacen("panels = [", &format!("panels = [{}", panel.repeat(62)), 1);
    assert!(load(&long, "long.toml").unwrap_err().render(false).contains("65 panels in one chain"));
}

#[test]
fn the_examples_load_and_comments_do_not_change_the_digest() {
    let kiosk = include_str!("../config/kiosk.toml");
    assert_eq!(load(kiosk, "kiosk.toml").unwrap().panels.len(), 3);
    let plain = load(DEMO, "a").unwrap().digest();
    let other = load(&format!("# another comment\n{}", DEMO.replace("set_v = 5.10", "set_v = 5.1")), "b").unwrap().digest();
    assert_eq!(plain, other);
    assert_ne!(plain, load(&DEMO.replace("set_v = 5.10", "set_v = 5.11"), "c").unwrap().digest());
}

#[test]
fn ports_need_not_be_used_in_their_order() {
    // a 2 × 2 wall, upper row on port 3, lower row on port 2 (common practice, no source)
    let head = &DEMO[..DEMO.find("[[chains]]").unwrap()];
    let sense = &DEMO[DEMO.find("[[sense]]").unwrap()..];
    let chain = |port: u8, y: u8| {
        format!(
            "[[chains]]\nport = {port}\npanels = [\n  {{ type = \"p4-64x32\", at = [64, {y}], up = \"up\", feed = \"F2\" }},\n  \
             {{ type = \"p4-64x32\", at = [0, {y}], up = \"up\", feed = \"F1\" }},\n]\n"
        )
    };
    let text = format!("{head}{}{}{sense}", chain(3, 0), chain(2, 32)).replace("{ port = 1, r1", "{ port = 3, r1");
    let build = load(&text, "two-by-two.toml").unwrap_or_else(|p| panic!("{}", p.render(false)));
    assert_eq!(build.wall_size(), [128, 64]);
    assert_eq!(build.panels[build.panel_at(3, 1).unwrap()].at, [64, 0]);
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(200))]
    #[test]
    fn no_damage_to_a_file_makes_the_reader_panic(at in 0..DEMO.len(), cut in 0..40_usize, put in "[\\[\\]{}=\",.a-z0-9\n-]{0,6}") {
        let bytes = DEMO.as_bytes();
        let mut text = bytes[..at].to_vec();
        text.extend_from_slice(put.as_bytes());
        text.extend_from_slice(&bytes[(at + cut).min(bytes.len())..]);
        let text = String::from_utf8_lossy(&text);
        if let Err(problems) = load(&text, "damaged.toml") {
            proptest::prop_assert!(!problems.list.is_empty());
            proptest::prop_assert!(!problems.render(false).is_empty());
        }
    }
}

//! The bench sheet: its drawings, its cut list, its map.

use signproof::build::{self, Build, Conductor, Up};
use signproof::drawing::{self, Scale, View};
use signproof::sheet;
use std::process::Command;

const BUILDS: [(&str, &str); 3] = [
    ("water-taxi", include_str!("../config/water-taxi.toml")),
    ("kiosk", include_str!("../config/kiosk.toml")),
    ("two-supplies", include_str!("good_builds/two-supplies.toml")),
];

fn load(name: &str, text: &str) -> Build {
    build::load(text, name).unwrap_or_else(|p| panic!("{}", p.render(false)))
}

/// The three builds, and one with panels turned every way.
fn builds() -> Vec<Build> {
    let mut all: Vec<Build> = BUILDS.iter().map(|(name, text)| load(name, text)).collect();
    let turned = include_str!("../config/kiosk.toml")
        .replace("size = [64, 32]", "size = [32, 32]")
        .replace("at = [0, 0], up = \"up\"", "at = [0, 0], up = \"down\"")
        .replace("at = [64, 0], up = \"up\"", "at = [32, 0], up = \"right\"")
        .replace("at = [128, 0], up = \"up\"", "at = [64, 0], up = \"left\"");
    all.push(load("turned", &turned));
    assert_eq!(all[3].panels.iter().map(|p| p.up).collect::<Vec<_>>(), [Up::Down, Up::Right, Up::Left]);
    all
}

fn numbers(text: &str) -> Vec<f64> {
    text.split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-')).filter_map(|w| w.parse().ok()).collect()
}

fn attribute<'a>(text: &'a str, name: &str) -> &'a str {
    let at = text.find(&format!(" {name}=\"")).unwrap_or_else(|| panic!("{name} in {text}")) + name.len() + 3;
    &text[at..at + text[at..].find('"').unwrap()]
}

/// Per panel: its name, the corners of its rectangle, the points of its arrow.
fn panels(svg: &str) -> Vec<(String, [f64; 4], Vec<f64>)> {
    let mut out: Vec<_> = svg
        .split("<g class=\"panel\"")
        .skip(1)
        .map(|g| {
            let rect = &g[g.find("<rect").unwrap()..];
            let edge = ["x", "y", "width", "height"].map(|n| attribute(rect, n).parse().unwrap());
            let arrow = &g[g.find("class=\"arrow\"").unwrap()..];
            (attribute(&format!(" {g}"), "data-panel").to_owned(), edge, numbers(attribute(arrow, "d")))
        })
        .collect();
    out.sort_by(|a, b| a.0.cmp(&b.0));
    out
}

/// Ribbons between panels, in drawing order.
fn ribbons(svg: &str) -> Vec<Vec<f64>> {
    let paths = svg.split("<path class=\"ribbon\"").skip(1).map(|p| &p[..p.find('>').unwrap()]);
    paths.filter(|p| !p.contains("dasharray")).map(|p| numbers(attribute(p, "d"))).collect()
}

#[test]
fn the_back_view_is_the_mirror_of_the_front() {
    for build in builds() {
        let (front, back) = (drawing::bench(&build, View::Front), drawing::bench(&build, View::Back));
        let width = Scale::of(&build).paper(f64::from(build.wall_size()[0]));
        let near = |a: f64, b: f64| (a - b).abs() < 0.03;
        let (f, b) = (panels(&front), panels(&back));
        assert_eq!(f.len(), build.panels.len());
        assert_eq!(f.len(), b.len());
        for (f, b) in f.iter().zip(&b) {
            assert_eq!(f.0, b.0);
            assert!(near(b.1[0], width - f.1[0] - f.1[2]), "{} {:?} {:?}", f.0, f.1, b.1);
            assert!((1..4).all(|k| near(b.1[k], f.1[k])), "{} {:?} {:?}", f.0, f.1, b.1);
            // the tip first, then the two corners, exchanged by the mirror or not
            let mirrored: Vec<[f64; 2]> = f.2.chunks(2).map(|p| [width - p[0], p[1]]).collect();
            let found = b.2.chunks(2).all(|p| mirrored.iter().any(|m| near(m[0], p[0]) && near(m[1], p[1])));
            assert!(found && near(mirrored[0][0], b.2[0]) && near(mirrored[0][1], b.2[1]), "arrow of {}", f.0);
        }
        let (f, b) = (ribbons(&front), ribbons(&back));
        assert_eq!(f.len(), build.panels.len() - build.chains.len());
        for (f, b) in f.iter().zip(&b) {
            for (f, b) in f.chunks(2).zip(b.chunks(2)) {
                assert!(near(b[0], width - f[0]) && near(b[1], f[1]), "ribbon {f:?} {b:?}");
            }
        }
    }
}

#[test]
fn the_drawing_is_to_scale() {
    let build = load("water-taxi", BUILDS[0].1);
    let scale = Scale::of(&build);
    for (_, [_, _, w, h], _) in panels(&drawing::bench(&build, View::Back)) {
        // 64 × 32 pixels of 4 mm
        assert!((w * scale.one_to - 256.0).abs() < 0.1 && (h * scale.one_to - 128.0).abs() < 0.1);
    }
}

#[test]
fn cut_list_totals_equal_the_leads_of_the_build() {
    for build in builds() {
        let leads: Vec<_> = build.supplies.iter().map(|s| s.input_lead).chain(build.feeds.iter().map(|f| f.lead)).collect();
        let cuts = sheet::cuts(&build);
        let totals = sheet::totals(&cuts);
        assert_eq!(cuts.len(), leads.len());
        let metres: f64 = totals.iter().map(|t| t.build_m).sum();
        assert!((metres - leads.iter().map(|l| 2.0 * l.length_m).sum::<f64>()).abs() < 1e-9);
        assert_eq!(totals.iter().map(|t| t.count as usize).sum::<usize>(), 2 * leads.len());
        for t in &totals {
            let own = leads.iter().filter(|l| match l.conductor {
                Conductor::Mm2(area) => format!("{area} mm²"),
                Conductor::Awg(gauge) => format!("{gauge} AWG"),
            } == t.conductor);
            let metres: f64 = own.map(|l| 2.0 * l.length_m).sum();
            assert!((t.build_m - metres).abs() < 1e-9, "{}", t.conductor);
        }
        for c in &cuts {
            let spare = c.cut_m - c.build_m;
            assert!(spare >= (0.1 * c.build_m).max(0.05) - 1e-9 && spare < (0.1 * c.build_m).max(0.05) + 0.01, "{c:?}");
        }
    }
}

#[test]
fn a_ribbon_that_must_be_longer_is_flagged() {
    // the two lower panels exchanged in the chain: 2·1 right, 2·2 left, 2·3 middle
    let text = BUILDS[0].1.replace(
        "{ type = \"p4-64x32\", at = [64, 32], up = \"up\", feed = \"F2\", serial = \"P-0105\" },\n  { type = \"p4-64x32\", at = [0, 32], up = \"up\", feed = \"F1\", serial = \"P-0106\" },",
        "{ type = \"p4-64x32\", at = [0, 32], up = \"up\", feed = \"F1\", serial = \"P-0106\" },\n  { type = \"p4-64x32\", at = [64, 32], up = \"up\", feed = \"F2\", serial = \"P-0105\" },",
    );
    assert_ne!(text, BUILDS[0].1);
    let rows = sheet::ribbons(&load("long", &text));
    // from the left edge of the right panel over the whole middle one: 256 mm, two insets of 30 mm, bends of 60 mm
    assert!((rows[4].needed_m.unwrap() - 0.376).abs() < 1e-9, "{:?}", rows[4]);
    assert!(rows[4].mind.contains("longer than the 0.3 m that come with panels"), "{:?}", rows[4]);
    assert!(rows[4].mind.contains("longer than the build says"));
    assert!(rows[..4].iter().all(|r| !r.mind.contains("longer")), "{rows:?}");
}

#[test]
fn the_sheet_says_what_the_builder_needs() {
    let html = sheet::html(&load("kiosk", BUILDS[1].1)).unwrap();
    for words in [
        "From the BACK",
        "mirrored",
        "set to 5.10 V",
        "accepted 5.00 to 5.25 V",
        // two panels share a 5 A fuse: 0.16 A + 5.28 A · level ≤ 3.75 A, so 67.99 %
        "Limit the brightness in whatever drives the sign to 67 %",
        "10000 Ω to the node",
        "22 AWG",
        "Only by whoever is licensed",
        "at least 5 Ω",
        "at most 60 °C",
    ] {
        assert!(html.contains(words), "{words}");
    }
    assert!(!html.contains("<script"));
    assert!(!html.contains("Not sound on paper"));
    assert!(sheet::level_sentence(&load("water-taxi", BUILDS[0].1)).starts_with("Full white is permitted"));
}

#[test]
fn names_cannot_break_the_page() {
    let text = BUILDS[1].1.replace("name = \"Harbour steps ticket kiosk\"", "name = \"<b>&\\\"kiosk\"");
    let text = text.replace("model = \"hand-wired adapter, one port\"", "model = \"</table><script>\"");
    let html = sheet::html(&load("hostile", &text)).unwrap();
    assert!(html.contains("kiosk"));
    assert!(!html.contains("<b>&") && !html.contains("<script"));
}

#[test]
fn the_map_is_complete_and_the_same_as_csv_and_json() {
    let run = |format: &str| {
        let args = ["sheet", "config/water-taxi.toml", "--map", format];
        let out = Command::new(env!("CARGO_BIN_EXE_signproof")).current_dir(env!("CARGO_MANIFEST_DIR")).args(args).output().unwrap();
        assert!(out.status.success());
        String::from_utf8(out.stdout).unwrap()
    };
    let csv = run("csv");
    let mut lines = csv.lines();
    let head: Vec<&str> = lines.next().unwrap().split(',').collect();
    let json: serde_json::Value = serde_json::from_str(&run("json")).unwrap();
    let rows: Vec<&str> = lines.collect();
    assert_eq!(rows.len(), 6);
    assert_eq!(rows[0], "1,1,3,128,0,64,32,0,1:16,F3,p4-64x32,P-0101");
    for (row, object) in rows.iter().zip(json.as_array().unwrap()) {
        for (name, cell) in head.iter().zip(row.split(',')) {
            let value = &object[*name];
            assert_eq!(value.as_str().map_or_else(|| value.to_string(), str::to_owned), cell, "{name}");
        }
    }
}

#[test]
fn the_sheet_is_written_to_a_file() {
    let temp = tempfile::tempdir().unwrap();
    let file = temp.path().join("sheet.html");
    let out = Command::new(env!("CARGO_BIN_EXE_signproof"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["sheet", "config/kiosk.toml", "-o", file.to_str().unwrap()])
        .output()
        .unwrap();
    assert!(out.status.success());
    assert!(std::fs::read_to_string(file).unwrap().contains("Bench sheet: Harbour steps ticket kiosk"));
}

#[test]
fn several_supplies_share_their_minus_and_never_their_plus() {
    let two = sheet::html(&load("two-supplies", BUILDS[2].1)).unwrap();
    for words in [
        "Join the return bars (−) of the supplies left, right to each other with a lead of 6 mm², as the input leads, as short as it goes",
        "Never join their + sides.",
        "lead between the return bars (−) of two supplies of 6 mm²",
    ] {
        assert!(two.contains(words), "{words}");
    }
    let one = sheet::html(&load("kiosk", BUILDS[1].1)).unwrap();
    assert!(!one.contains("return bars (−) of") && !one.contains("Never join"));
    let thicker = BUILDS[2].1.replacen("mm2 = 6.0, length_m = 0.6", "mm2 = 10.0, length_m = 0.6", 1);
    let uneven = sheet::joined(&load("uneven", &thicker)).unwrap();
    assert!(uneven.contains("as thick as the thickest input lead (10 mm², 6 mm²)"), "{uneven}");
}

#[test]
fn the_adapter_has_the_buffers_and_the_resistor_that_the_build_states() {
    let html = sheet::html(&load("kiosk", BUILDS[1].1)).unwrap();
    // OE, CLK, LAT, four address lines, six of data
    for words in [
        "74HCT, fed from 5 V",
        "each of the 13 lines",
        "from OE (GPIO 4, header pin 7) to the controller",
        "with HCT buffers and a pull-up",
    ] {
        assert!(html.contains(words), "{words}");
    }
    let bare = BUILDS[1].1.replace("buffer = \"HCT\"", "buffer = \"none\"").replace("oe_pull_up = true", "oe_pull_up = false");
    assert_eq!(
        sheet::adapter_parts(&load("bare", &bare)),
        ["Buffers: none; the controller drives the ports directly.", "OE pull-up: none."]
    );
}

#[test]
fn the_far_end_of_a_feed_is_named_by_its_panel() {
    let text = BUILDS[1].1.replacen("node = \"distribution\"", "node = \"feed:F2\"", 1);
    let html = sheet::html(&load("feed-end", &text)).unwrap();
    assert!(html.contains("+ of the far end of feed F2, at the power plug of 1·3"), "no panel is named");
}

#[test]
fn what_is_said_of_equal_feeds_is_said_once() {
    // 1.5 mm² carries 13.5 A (IEC 60204-1 table 6, from memory): less than 1.35 × 13 A
    let text = BUILDS[2].1.replace("fuse_a = 15.0\nlead = { mm2 = 2.5", "fuse_a = 13.0\nlead = { mm2 = 1.5");
    let html = sheet::html(&load("equal", &text)).unwrap();
    assert_eq!(html.matches("what the lead of").count(), 1, "{html}");
    assert!(html.contains("what the lead of each of the feeds F1 to F6 carries against its fuse: 13.50 A"), "{html}");
}

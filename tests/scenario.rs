//! Scenario files: every kind of fault, and what is refused.

use signproof::build::{
    Adapter, Buffer, Build, Chain, Chip, Colour, Conductor, Controller, Feed, Half, InputSide, Lead, Limits, Node, Panel, PanelType,
    Quantity, RowScheme, SensePoint, Sign, Supply, Up,
};
use signproof::fault::{Fault, Line};
use signproof::rig::sim::scenario::{Scenario, TimedFault};
use signproof::units::{Amps, Ohms, Volts};
use std::collections::BTreeSet;

fn build(supplies: &[&str]) -> Build {
    let lead = Lead { conductor: Conductor::Mm2(1.5), length_m: 0.5, rated_a: None, joints: Ohms::new(0.002) };
    Build {
        sign: Sign::default(),
        panel_types: vec![PanelType {
            name: "p4-64x32".into(),
            width: 64,
            height: 32,
            pitch_mm: 4.0,
            scheme: RowScheme::plain(16, 64),
            input_side: InputSide::Right,
            min_v: Volts::new(4.5),
            idle_a: Amps::new(0.1),
            full_a: [Amps::new(1.45), Amps::new(1.1), Amps::new(1.05)],
            tolerance_pct: 10.0,
            knee_v: [Volts::new(4.0); 3],
            clock_mhz: 20.0,
            startup: vec![],
            maker: None,
            batch: None,
        }],
        supplies: supplies
            .iter()
            .map(|name| Supply {
                name: (*name).into(),
                set_v: Volts::new(5.1),
                rated_a: Amps::new(40.0),
                accept_v: [Volts::new(4.9), Volts::new(5.25)],
                source: Ohms::new(0.001),
                limit_factor: 1.2,
                derate_from_c: 50.0,
                derate_pct_per_k: 2.5,
                input_lead: lead,
                maker: None,
            })
            .collect(),
        feeds: ["F1", "F2"].map(|name| Feed { name: name.into(), supply: 0, fuse_a: Amps::new(10.0), fuse_ohm: None, lead }).to_vec(),
        controller: Controller { model: "board".into(), feed: 0, draw_a: Amps::new(3.0), min_v: Volts::new(4.75) },
        adapter: Adapter {
            model: "adapter".into(),
            buffer: Buffer::Hct,
            oe_pull_up: true,
            clk: 17,
            lat: 4,
            oe: 18,
            address: vec![22, 23, 24, 25],
            ports: vec![],
        },
        chains: vec![Chain { port: 1, panels: vec![0, 1, 2] }, Chain { port: 2, panels: vec![3, 4] }],
        panels: [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2)]
            .map(|(port, position)| Panel {
                port,
                position,
                kind: 0,
                at: [64 * (3 - u16::from(position)), 32 * (u16::from(port) - 1)],
                up: Up::Up,
                feed: 0,
                serial: None,
                ribbon_m: 0.2,
            })
            .to_vec(),
        limits: Limits {
            trip_low_v: vec![Volts::new(4.65)],
            trip_high_v: Volts::new(5.4),
            hold_s: 1.0,
            fuse_load_pct: 75.0,
            supply_load_pct: 90.0,
            drop_v: Volts::new(0.3),
            refresh_hz: 100.0,
            ambient_max_c: 40.0,
            cell_pct: 20.0,
            rest_v: Volts::new(0.02),
            hold_drift_v_per_min: Volts::new(0.01),
            climb_pct: 30.0,
            joint_max_c: 60.0,
        },
        sense: vec![SensePoint {
            name: "distribution".into(),
            quantity: Quantity::Volts,
            node: Node::Distribution(0),
            reference: Node::Controller,
            chip: Chip::Ads1115 { part: Default::default(), bus: 1, address: 0x48, channel: 0, range_v: 4.096, supply_v: 3.3 },
            divider: None,
        }],
    }
}

fn refused(source: &str, supplies: &[&str]) -> String {
    Scenario::parse(source, "s.toml", &build(supplies)).unwrap_err()
}

#[test]
fn an_empty_scenario_is_a_sound_sign() {
    let s = Scenario::parse("", "s.toml", &build(&["main"])).unwrap();
    assert_eq!(s, Scenario { seed: None, tolerances: true, ambient_c: 20.0, faults: vec![] });
}

#[test]
fn head_and_times() {
    let source = "seed = 42\ntolerances = false\nambient_c = -5\n[[fault]]\nkind = \"fuse-open\"\nfeed = \"F2\"\nat_s = 1.5\nfor_s = 2\n";
    let s = Scenario::parse(source, "s.toml", &build(&["main"])).unwrap();
    let fault = TimedFault { fault: Fault::FuseOpen { feed: 1 }, at_s: 1.5, for_s: Some(2.0) };
    assert_eq!((s.seed, s.tolerances, s.ambient_c, s.faults), (Some(42), false, -5.0, vec![fault.clone()]));
    let at = |s: f64| fault.active((s * 1e9) as u64);
    assert_eq!([at(1.4), at(1.5), at(3.4), at(3.5)], [false, true, true, false]);
    assert!(TimedFault::lasting(Fault::FuseOpen { feed: 0 }).active(0));
}

#[test]
fn every_kind() {
    let lines = [Line::R1, Line::G1];
    let (colour, half) = (Colour::Blue, Half::Lower);
    let cases = [
        ("supply-set", "volts = 4.8", Fault::SupplySet { supply: 0, volts: 4.8 }),
        ("supply-soft", "milliohm = 20", Fault::SupplySoft { supply: 0, milliohm: 20.0 }),
        ("supply-limit", "supply = 'main'\namps = 12", Fault::SupplyLimit { supply: 0, amps: 12.0 }),
        ("joint", "feed = 'F2'\nmilliohm = 30", Fault::JointFeed { feed: 1, milliohm: 30.0 }),
        ("joint", "input = 'main'\nmilliohm = 3", Fault::JointInput { supply: 0, milliohm: 3.0 }),
        ("joint", "input = true\nmilliohm = 3", Fault::JointInput { supply: 0, milliohm: 3.0 }),
        ("fuse-open", "feed = 'F1'", Fault::FuseOpen { feed: 0 }),
        ("leak", "feed = 'F2'\namps = 0.5", Fault::Leak { feed: 1, amps: 0.5 }),
        ("panel-dark", "port = 2\nposition = 2", Fault::PanelDark { port: 2, position: 2 }),
        ("panel-weak", "port = 1\nposition = 3\nfactor = 0.7", Fault::PanelWeak { port: 1, position: 3, factor: 0.7 }),
        ("panel-turned", "port = 1\nposition = 1\ndegrees = 180", Fault::PanelTurned { port: 1, position: 1, degrees: 180 }),
        ("port-swap", "ports = [1, 2]", Fault::PortSwap { ports: [1, 2] }),
        ("order-swap", "port = 1\npositions = [2, 3]", Fault::OrderSwap { port: 1, positions: [2, 3] }),
        ("ribbon-open", "port = 1\nafter = 2", Fault::RibbonOpen { port: 1, after: 2 }),
        ("line-open", "port = 2\nline = 'CLK'\nafter = 0", Fault::LineOpen { port: 2, line: Line::Clk, after: 0 }),
        ("lines-swapped", "port = 1\nlines = ['R1', 'G1']\nafter = 1", Fault::LinesSwapped { port: 1, lines, after: 1 }),
        ("lines-shorted", "port = 1\nlines = ['R1', 'G1']\nafter = 0", Fault::LinesShorted { port: 1, lines, after: 0 }),
        ("address-stuck", "line = 'D'\nhigh = true", Fault::AddressStuck { line: Line::D, high: true }),
        (
            "driver-dead",
            "port = 1\nposition = 2\ncolour = 'blue'\nhalf = 'lower'\nblock = 3",
            Fault::DriverDead { port: 1, position: 2, colour, half, block: 3 },
        ),
        (
            "column-dead",
            "port = 1\nposition = 2\ncolour = 'blue'\nhalf = 'lower'\ncolumn = 63",
            Fault::ColumnDead { port: 1, position: 2, colour, half, column: 63 },
        ),
        ("row-dead", "port = 1\nposition = 2\nrow = 31", Fault::RowDead { port: 1, position: 2, row: 31 }),
        ("return-open", "feed = 'F2'", Fault::ReturnOpen { feed: 1 }),
        ("converter-silent", "sense = 'distribution'", Fault::ConverterSilent { sense: 0 }),
        ("converter-stuck", "sense = 'distribution'", Fault::ConverterStuck { sense: 0 }),
        ("converter-offset", "sense = 'distribution'\nmillivolt = -40", Fault::ConverterOffset { sense: 0, millivolt: -40.0 }),
        ("divider-off", "sense = 'distribution'\npercent = 2", Fault::DividerOff { sense: 0, percent: 2.0 }),
    ];
    let b = build(&["main"]);
    for (kind, fields, fault) in &cases {
        let source = format!("[[fault]]\nkind = \"{kind}\"\n{fields}\n");
        let s = Scenario::parse(&source, "s.toml", &b).unwrap();
        assert_eq!(s.faults, [TimedFault::lasting(fault.clone())], "{kind}");
        assert_eq!(fault.kind(), *kind);
        // Without any one of its fields it is refused, but for the supply where there is one.
        for dropped in fields.lines().filter(|l| !l.starts_with("supply")) {
            let rest: Vec<&str> = fields.lines().filter(|l| *l != dropped).collect();
            let source = format!("[[fault]]\nkind = \"{kind}\"\n{}\n", rest.join("\n"));
            assert!(Scenario::parse(&source, "s.toml", &b).is_err(), "{kind} without {dropped}");
        }
    }
    let covered: BTreeSet<&str> = cases.iter().map(|c| c.0).collect();
    assert_eq!(covered, Fault::KINDS.into_iter().collect());
}

#[test]
fn bad_input_names_its_line() {
    for (line, fields, says) in [
        (2, "kind = \"fuse-opne\"\nfeed = \"F1\"", "did you mean `fuse-open`"),
        (3, "kind = \"fuse-open\"\nfeed = \"F9\"", "known: F1, F2"),
        (4, "kind = \"leak\"\nfeed = \"F1\"\namps = -1", "expected 0.001 to 100"),
        (4, "kind = \"leak\"\nfeed = \"F1\"\namps = nan", "`amps`"),
        (4, "kind = \"leak\"\nfeed = \"F1\"\namps = \"much\"", "must be a number"),
        (4, "kind = \"fuse-open\"\nfeed = \"F1\"\nat_ss = 3", "did you mean `at_s`"),
        (4, "kind = \"fuse-open\"\nfeed = \"F1\"\nfor_s = 0", "`for_s`"),
        (3, "kind = \"panel-dark\"\nport = 3\nposition = 1", "no chain on port 3"),
        (4, "kind = \"panel-dark\"\nport = 2\nposition = 3", "positions 1 to 2"),
        (4, "kind = \"panel-dark\"\nport = 2\nposition = 0", "positions 1 to 2"),
        (4, "kind = \"ribbon-open\"\nport = 2\nafter = 2", "after 0"),
        (4, "kind = \"line-open\"\nport = 2\nline = \"E\"\nafter = 0", "`line` names `E`"),
        (3, "kind = \"address-stuck\"\nline = \"CLK\"\nhigh = true", "known: A, B, C, D"),
        (3, "kind = \"port-swap\"\nports = [1, 1]", "twice"),
        (3, "kind = \"port-swap\"\nports = [1]", "list of two"),
        (4, "kind = \"lines-shorted\"\nport = 1\nlines = [\"R1\", \"R1\"]\nafter = 0", "twice"),
        (5, "kind = \"row-dead\"\nport = 1\nposition = 1\nrow = 32", "0 to 31"),
        (7, "kind = \"driver-dead\"\nport = 1\nposition = 1\ncolour = \"red\"\nhalf = \"upper\"\nblock = 4", "0 to 3"),
        (5, "kind = \"column-dead\"\nport = 1\nposition = 1\ncolour = \"rde\"\nhalf = \"upper\"\ncolumn = 4", "did you mean `red`"),
        (1, "kind = \"panel-turned\"\nport = 1\nposition = 1\ndegrees = 45", "90, 180 or 270"),
        (1, "kind = \"joint\"\nfeed = \"F1\"\ninput = \"main\"\nmilliohm = 1", "either"),
        (1, "feed = \"F1\"", "`kind` is missing"),
        (2, "kind = 7", "word"),
    ] {
        let text = refused(&format!("[[fault]]\n{fields}\n"), &["main"]);
        assert!(text.lines().any(|l| l.starts_with(&format!("s.toml:{line}: ")) && l.contains(says)), "{fields}\n{text}");
    }
    for (source, says) in [
        ("seed = -1", "s.toml:1: `seed`"),
        ("ambient = 20", "did you mean `ambient_c`"),
        ("ambient_c = 400", "s.toml:1: `ambient_c`"),
        ("tolerances = 1", "true or false"),
        ("fault = 3", "[[fault]]"),
        ("fault = [3]", "[[fault]]"),
        ("\nseed = = 1", "s.toml:2: "),
    ] {
        assert!(refused(source, &["main"]).contains(says), "{}", refused(source, &["main"]));
    }
}

#[test]
fn all_problems_at_once_in_line_order() {
    let text = refused("[[fault]]\nkind = \"leak\"\nfeed = \"F8\"\namps = 1e9\n[[fault]]\nkind = \"nothing\"\n[other]\n", &["main"]);
    let lines: Vec<&str> = text.lines().map(|l| l.split(": ").next().unwrap()).collect();
    assert_eq!(lines, ["s.toml:3", "s.toml:4", "s.toml:6", "s.toml:7"], "{text}");
}

#[test]
fn with_two_supplies_one_is_named() {
    let source = "[[fault]]\nkind = \"supply-set\"\nvolts = 4.8\n";
    assert!(refused(source, &["left", "right"]).contains("left, right"));
    assert!(refused("[[fault]]\nkind = \"joint\"\ninput = true\nmilliohm = 3\n", &["left", "right"]).contains("left, right"));
    let named = format!("{source}supply = \"right\"\n");
    let s = Scenario::parse(&named, "s.toml", &build(&["left", "right"])).unwrap();
    assert_eq!(s.faults[0].fault, Fault::SupplySet { supply: 1, volts: 4.8 });
}

#[test]
fn every_fault_reads_back_from_its_text() {
    for source in [include_str!("../config/water-taxi.toml"), include_str!("good_builds/two-supplies.toml")] {
        let build = signproof::build::load(source, "build.toml").unwrap();
        for kind in Fault::KINDS {
            for fault in signproof::judge::places(&build, kind) {
                let text = signproof::rig::sim::scenario_text(&build, 7, std::slice::from_ref(&fault));
                let read = Scenario::parse(&text, "scenario.toml", &build).unwrap_or_else(|e| panic!("{text}{e}"));
                assert_eq!((&read.faults[0].fault, read.seed), (&fault, Some(7)), "{text}");
            }
        }
    }
}

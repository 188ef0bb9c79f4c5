//! The supply network against an independent circuit simulator (ngspice, a Debian package). Its exit status proves
//! nothing, so every expected node is parsed and currents are summed. Run with `cargo test --test ngspice -- --ignored`.

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use signproof::build::{Build, Chain, Node, Panel, load};
use signproof::power::network::{Network, Parts};
use std::collections::HashMap;
use std::fmt::Write as _;
use std::process::Command;

/// Every node of the project's network has this to 0 V (`G_MIN`).
const TO_GROUND_OHM: f64 = 1e9;

/// A build with many feeds, panels, ports and supplies; the geometry does not matter here.
fn random_build(rng: &mut StdRng, feeds: usize) -> Build {
    let mut b = load(include_str!("../config/water-taxi.toml"), "water-taxi.toml").unwrap();
    let supplies = rng.random_range(1..=3.min(feeds));
    b.supplies = (0..supplies).map(|_| b.supplies[0].clone()).collect();
    b.feeds = (0..feeds).map(|i| signproof::build::Feed { supply: i % supplies, ..b.feeds[0].clone() }).collect();
    b.controller.feed = rng.random_range(0..feeds);
    b.panels.clear();
    b.chains.clear();
    let mut feed = 0;
    for port in 1..=rng.random_range(1..=3_u8) {
        let first = b.panels.len();
        for position in 1..=rng.random_range(1..=64_u8) {
            let panel = Panel {
                port,
                position,
                kind: 0,
                at: [0, 0],
                up: signproof::build::Up::Up,
                feed: feed % feeds,
                serial: None,
                ribbon_m: 0.3,
            };
            b.panels.push(panel);
            feed += rng.random_range(0..3);
        }
        b.chains.push(Chain { port, panels: (first..b.panels.len()).collect() });
    }
    b
}

/// Parts of a linear network: no knee is reached, and the controller takes a steady current.
fn random_parts(b: &Build, rng: &mut StdRng) -> Parts {
    let mut parts = Parts::nominal(b, 20.0);
    for s in &mut parts.supplies {
        s.set_v = rng.random_range(4.9..5.2);
        s.limit_a = 1e6;
        s.source_ohm = rng.random_range(0.0005..0.01);
        s.input_out_ohm = rng.random_range(0.001..0.02);
        s.input_return_ohm = rng.random_range(0.001..0.02);
    }
    for f in &mut parts.feeds {
        f.fuse_ohm = rng.random_range(0.003..0.03);
        f.out_ohm = rng.random_range(0.003..0.05);
        // some returns are open: the ribbons' shared ground carries that current
        f.return_ohm = if rng.random_bool(0.15) { 50.0 } else { rng.random_range(0.003..0.05) };
        f.leak_s = rng.random_range(0.0..0.05);
    }
    for p in &mut parts.panels {
        p.idle_a = rng.random_range(0.0..0.01);
        p.full_a = [rng.random_range(0.0..0.02); 3];
        p.knee_v = [1.0; 3];
    }
    for r in &mut parts.ribbon_ohm {
        *r = rng.random_range(0.01..0.1);
    }
    parts.controller_w = 0.0;
    parts.controller_extra_a = rng.random_range(0.1..1.0);
    parts
}

/// The netlist, written from build and parts alone. Places: `s` supply, `d` distribution, `e` feed end; `p` plus, `m` minus.
fn netlist(b: &Build, parts: &Parts, lit: f64) -> (String, Vec<String>) {
    let mut n = String::from("* supply network of a sign\n");
    let mut nodes: Vec<String> = Vec::new();
    let minus = |s: usize| if s == 0 { "0".to_owned() } else { format!("sm{s}") };
    for (s, p) in parts.supplies.iter().enumerate() {
        nodes.extend([format!("sp{s}"), format!("dp{s}"), format!("dm{s}")]);
        if s > 0 {
            nodes.push(minus(s));
        }
        let _ = writeln!(n, "Vs{s} q{s} {} DC {:e}\nRs{s} q{s} sp{s} {:e}", minus(s), p.set_v, p.source_ohm);
        let _ = writeln!(n, "Ro{s} sp{s} dp{s} {:e}\nRi{s} dm{s} {} {:e}", p.input_out_ohm, minus(s), p.input_return_ohm);
    }
    for (f, p) in parts.feeds.iter().enumerate() {
        let s = b.feeds[f].supply;
        nodes.extend([format!("ep{f}"), format!("em{f}")]);
        let _ = writeln!(
            n,
            "Rf{f} dp{s} ep{f} {:e}\nRr{f} em{f} dm{s} {:e}\nRl{f} ep{f} em{f} {:e}",
            p.fuse_ohm + p.out_ohm,
            p.return_ohm,
            1.0 / p.leak_s
        );
    }
    for (i, p) in parts.panels.iter().enumerate() {
        let own = b.panels[i].feed;
        let up = if b.panels[i].position == 1 { b.controller.feed } else { b.panels[i - 1].feed };
        let _ = writeln!(n, "Ip{i} ep{own} em{own} DC {:e}", p.idle_a + p.full_a.iter().sum::<f64>() * lit);
        if own != up {
            let _ = writeln!(n, "Rg{i} em{up} em{own} {:e}", parts.ribbon_ohm[i]);
            // half feeding through the data lines: 30 Ω above 0.6 V
            let _ = writeln!(n, "Bd{i} ep{up} ep{own} I = V(ep{up},ep{own}) > 0.6 ? (V(ep{up},ep{own}) - 0.6) / 30 : 0");
        }
    }
    let c = b.controller.feed;
    let _ = writeln!(n, "Ic ep{c} em{c} DC {:e}", parts.controller_extra_a);
    for (i, node) in nodes.iter().enumerate() {
        let _ = writeln!(n, "Rz{i} {node} 0 {TO_GROUND_OHM:e}");
    }
    let list: Vec<String> = nodes.iter().map(|x| format!("v({x})")).collect();
    let _ = writeln!(n, ".options reltol=1e-12 abstol=1e-15 vntol=1e-14\n.control\nset numdgt=15\nop");
    for v in &list {
        let _ = writeln!(n, "print {v}");
    }
    n.push_str("quit\n.endc\n.end\n");
    (n, nodes)
}

fn judged(text: &str) -> HashMap<String, f64> {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("net.cir");
    std::fs::write(&file, text).unwrap();
    let out = Command::new("ngspice").arg("-b").arg(&file).output().expect("ngspice must be installed: apt-get install ngspice");
    String::from_utf8_lossy(&out.stdout)
        .lines()
        .filter_map(|l| l.split_once(" = "))
        .filter_map(|(name, v)| Some((name.trim().trim_start_matches("v(").trim_end_matches(')').to_owned(), v.trim().parse().ok()?)))
        .collect()
}

#[test]
#[ignore = "needs ngspice"]
fn sixty_random_networks_agree_with_the_circuit_simulator() {
    let mut rng = StdRng::seed_from_u64(60_228);
    let (mut smallest, mut largest) = (usize::MAX, 0);
    for case in 0..60 {
        let feeds = if case < 20 { rng.random_range(2..6) } else { rng.random_range(2..94) };
        let b = random_build(&mut rng, feeds);
        let parts = random_parts(&b, &mut rng);
        let lit = rng.random_range(0.0..1.0);
        let (text, nodes) = netlist(&b, &parts, lit);
        let theirs = judged(&text);
        let v = |name: &str| {
            if name == "0" { 0.0 } else { *theirs.get(name).unwrap_or_else(|| panic!("case {case}: no {name} in the simulator's answer")) }
        };
        for node in &nodes {
            assert!(v(node).is_finite());
        }
        (smallest, largest) = (smallest.min(nodes.len()), largest.max(nodes.len()));
        let ours = Network::new(&b).solve(&parts, &vec![[lit; 3]; b.panels.len()]).unwrap();
        let close = |a: f64, b: f64, what: &str| assert!((a - b).abs() <= 1e-9 * 5.0, "case {case} {what}: {a} against {b}");
        for s in 0..b.supplies.len() {
            let minus = if s == 0 { "0".to_owned() } else { format!("sm{s}") };
            close(ours.volts(Node::Supply(s)), v(&format!("sp{s}")) - v(&minus), "supply");
            close(ours.volts(Node::Distribution(s)), v(&format!("dp{s}")) - v(&format!("dm{s}")), "distribution");
        }
        let mut total = 0.0;
        for f in 0..feeds {
            let s = b.feeds[f].supply;
            close(ours.volts(Node::FeedEnd(f)), v(&format!("ep{f}")) - v(&format!("em{f}")), "feed end");
            total += (v(&format!("dp{s}")) - v(&format!("ep{f}"))) / (parts.feeds[f].fuse_ohm + parts.feeds[f].out_ohm);
        }
        // the simulator's own answer must obey Kirchhoff's law, and ours give the same total
        let loads: f64 = parts.panels.iter().map(|p| p.idle_a + p.full_a.iter().sum::<f64>() * lit).sum::<f64>() + parts.controller_extra_a;
        let leaks: f64 = (0..feeds).map(|f| (v(&format!("ep{f}")) - v(&format!("em{f}"))) * parts.feeds[f].leak_s).sum();
        assert!((total - loads - leaks).abs() < 1e-5, "case {case}: {total} {loads} {leaks}");
        let given: f64 = (0..b.supplies.len()).map(|s| ours.supply_a(s)).sum();
        assert!((given - total).abs() < 1e-5, "case {case}: {given} {total}");
    }
    assert!(smallest <= 12 && largest >= 150, "{smallest} to {largest} nodes");
    println!("60 networks of {smallest} to {largest} nodes agree");
}

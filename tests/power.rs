//! The supply network of the demo sign: Kirchhoff's law, energy, and what faults do.

use proptest::prelude::*;
use signproof::build::{Build, Node, load};
use signproof::power::network::{Network, Parts, Solution};

fn demo() -> Build {
    load(include_str!("../config/water-taxi.toml"), "water-taxi.toml").unwrap()
}

fn solve(build: &Build, parts: &Parts, level: f64) -> Solution {
    Network::new(build).solve(parts, &vec![[level; 3]; build.panels.len()]).unwrap()
}

#[test]
fn what_the_supply_gives_is_what_the_loads_take() {
    let b = demo();
    let s = solve(&b, &Parts::nominal(&b, 20.0), 1.0);
    let loads: f64 = (0..6).map(|p| s.panel_a(p)).sum::<f64>() + s.controller_a();
    assert!((s.supply_a(0) - loads).abs() < 1e-6, "{} {loads}", s.supply_a(0));
    // six panels of 0.10 + 1.45 + 1.10 + 1.05 A and a controller of 15 W
    assert!((s.supply_a(0) - (6.0 * 3.70 + 15.0 / s.volts(Node::Controller))).abs() < 1e-6);
}

#[test]
fn drops_follow_the_handbook_resistances() {
    let b = demo();
    let s = solve(&b, &Parts::nominal(&b, 20.0), 1.0);
    // IEC 60228 class 5, 10 mm²: 1.91 Ω/km; 0.6 m out and back, 2 mΩ of joints
    let lead = 2.0 * 0.6 * 1.91e-3 + 2e-3;
    let drop = s.volts(Node::Supply(0)) - s.volts(Node::Distribution(0));
    assert!((drop - s.supply_a(0) * lead).abs() < 1e-3, "{drop}");
}

#[test]
fn an_open_return_sends_its_current_through_the_ribbons() {
    let b = demo();
    let sound = solve(&b, &Parts::nominal(&b, 20.0), 0.5);
    let mut parts = Parts::nominal(&b, 20.0);
    parts.feeds[2].return_ohm = f64::INFINITY;
    let open = solve(&b, &parts, 0.5);
    // positions 1 of both ports hang on F3: what their feed brings leaves by the ribbons ahead of and behind them
    let ribbon = |s: &Solution, port: u8, position: u8| s.ribbon_a(b.panel_at(port, position).unwrap());
    let leaves = |s: &Solution| ribbon(s, 1, 2) + ribbon(s, 2, 2) - ribbon(s, 1, 1) - ribbon(s, 2, 1);
    assert!((leaves(&open) - open.feed_a(2)).abs() < 1e-5, "{} {}", leaves(&open), open.feed_a(2));
    assert!(leaves(&open) > 3.0 && leaves(&sound).abs() < 0.3, "{} {}", leaves(&open), leaves(&sound));
    assert!(open.return_a(2).abs() < 1e-6);
}

#[test]
fn a_supply_beyond_its_limit_gives_way() {
    let b = demo();
    let mut parts = Parts::nominal(&b, 20.0);
    parts.supplies[0].limit_a = 10.0;
    let s = solve(&b, &parts, 1.0);
    assert!(s.volts(Node::Supply(0)) < 4.5);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn kirchhoff_holds_for_any_parts(
        level in 0.0..1.0_f64,
        joint in prop::sample::select(vec![0.0, 0.005, 0.03, 0.2, f64::INFINITY]),
        feed in 0..4_usize,
        set in 4.0..5.5_f64,
        limit in 5.0..60.0_f64,
        leak in 0.0..1.0_f64,
    ) {
        let b = demo();
        let mut parts = Parts::nominal(&b, 40.0);
        parts.feeds[feed].fuse_ohm += joint;
        parts.feeds[feed].leak_s = leak;
        parts.supplies[0].set_v = set;
        parts.supplies[0].limit_a = limit;
        if let Ok(s) = Network::new(&b).solve(&parts, &[[level; 3]; 6]) {
            prop_assert!(s.kirchhoff_a() < 1e-6, "{}", s.kirchhoff_a());
        } else {
            // only a supply that cannot carry the load may have no operating point
            prop_assert!(limit < 30.0 || set < 4.6);
        }
    }
}

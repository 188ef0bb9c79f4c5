//! Laws that every operating point of the supply network must obey, computed from its volts and currents as anyone could
//! with meters, not by the solver's own equations.

use proptest::prelude::*;
use signproof::build::{Build, Node, load};
use signproof::power::network::{Network, Parts, Solution};

fn demo() -> Build {
    load(include_str!("../config/water-taxi.toml"), "water-taxi.toml").unwrap()
}

/// Watts that the source gives, and watts that leads, fuses, ribbons, leaks and loads take. No half feeding here.
fn watts(b: &Build, parts: &Parts, s: &Solution) -> (f64, f64) {
    let heat = |amps: f64, ohm: f64| if ohm.is_finite() { amps * amps * ohm } else { 0.0 };
    let (mut given, mut taken) = (0.0, 0.0);
    for (i, p) in parts.supplies.iter().enumerate() {
        let amps = s.supply_a(i);
        given += p.set_v * amps;
        taken += heat(amps, p.source_ohm + p.input_out_ohm + p.input_return_ohm);
    }
    for (f, p) in parts.feeds.iter().enumerate() {
        taken += heat(s.feed_a(f), p.fuse_ohm + p.out_ohm) + heat(s.return_a(f), p.return_ohm);
        taken += s.volts(Node::FeedEnd(f)).powi(2) * p.leak_s;
    }
    for i in 0..b.panels.len() {
        taken += s.volts(Node::Panel(i)) * s.panel_a(i) + heat(s.ribbon_a(i), parts.ribbon_ohm[i]);
    }
    taken += s.volts(Node::Controller) * s.controller_a();
    (given, taken)
}

#[test]
fn a_panel_without_volts_is_half_fed_through_its_data_lines() {
    let b = demo();
    let mut parts = Parts::nominal(&b, 20.0);
    parts.feeds[1].fuse_ohm = f64::INFINITY;
    let s = Network::new(&b).solve(&parts, &[[0.2; 3]; 6]).unwrap();
    let v = s.volts(Node::FeedEnd(1));
    assert!(v > 0.2 && v < 4.4, "{v}");
    assert!(s.feed_a(1).abs() < 1e-6);
    // what it takes comes from the feed of its upstream neighbours
    let mut closed = Parts::nominal(&b, 20.0);
    closed.feeds[1].fuse_ohm = 0.01;
    let own = Network::new(&b).solve(&closed, &[[0.2; 3]; 6]).unwrap();
    assert!(s.feed_a(2) > own.feed_a(2) + 0.05, "{} {}", s.feed_a(2), own.feed_a(2));
}

#[test]
fn the_slope_by_controller_current_is_that_of_two_solutions() {
    let b = demo();
    let mut parts = Parts::nominal(&b, 20.0);
    let mut network = Network::new(&b);
    let lit = [[0.5; 3]; 6];
    let middle = network.solve(&parts, &lit).unwrap();
    parts.controller_extra_a = 0.01;
    let more = network.solve(&parts, &lit).unwrap();
    parts.controller_extra_a = -0.01;
    let less = network.solve(&parts, &lit).unwrap();
    assert!(!b.sense.is_empty());
    for point in &b.sense {
        let (slope, ratio) = (middle.sense_per_controller_amp(point), (more.sense(point) - less.sense(point)) / 0.02);
        assert!(slope < -1e-4, "{}: {slope}", point.name);
        assert!((slope / ratio - 1.0).abs() < 1e-3, "{}: {slope} {ratio}", point.name);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn energy_balances(
        lit in prop::collection::vec(prop::array::uniform3(0.0..1.0_f64), 6),
        joint in 0.0..0.02_f64, feed in 0..4_usize, leak in 0.0..0.1_f64, extra in -0.5..0.5_f64,
        open_return in prop::option::of(0..3_usize),
    ) {
        let b = demo();
        let mut parts = Parts::nominal(&b, 20.0);
        parts.feeds[feed].fuse_ohm += joint;
        parts.feeds[feed].leak_s = leak;
        parts.controller_extra_a = extra;
        if let Some(f) = open_return {
            parts.feeds[f].return_ohm = f64::INFINITY;
        }
        let s = Network::new(&b).solve(&parts, &lit).unwrap();
        let (given, taken) = watts(&b, &parts, &s);
        prop_assert!((given / taken - 1.0).abs() < 1e-6, "{given} {taken}");
    }

    /// Loads that only take have an operating point whatever is broken, and a start from the last one finds one too.
    #[test]
    fn there_is_always_an_operating_point(
        lit in prop::collection::vec(prop::array::uniform3(0.0..1.0_f64), 6),
        fuse_open in prop::array::uniform4(prop::bool::weighted(0.2)),
        return_open in prop::array::uniform4(prop::bool::weighted(0.2)),
        ribbon_open in prop::collection::vec(prop::bool::weighted(0.2), 6),
        joint in prop::array::uniform4(0.0..1.0_f64),
        leak in prop::array::uniform4(0.0..0.4_f64),
        set in 3.0..5.5_f64, limit in 1.0..60.0_f64, extra in -0.5..1.0_f64,
    ) {
        let b = demo();
        let mut network = Network::new(&b);
        network.solve(&Parts::nominal(&b, 20.0), &[[1.0; 3]; 6]).unwrap();
        let mut parts = Parts::nominal(&b, 40.0);
        for (f, p) in parts.feeds.iter_mut().enumerate() {
            p.out_ohm += joint[f];
            p.leak_s = leak[f];
            if fuse_open[f] { p.fuse_ohm = f64::INFINITY; }
            if return_open[f] { p.return_ohm = f64::INFINITY; }
        }
        for (r, open) in parts.ribbon_ohm.iter_mut().zip(&ribbon_open) {
            if *open { *r = f64::INFINITY; }
        }
        parts.supplies[0].set_v = set;
        parts.supplies[0].limit_a = limit;
        parts.controller_extra_a = extra;
        for s in [network.solve(&parts, &lit), Network::new(&b).solve(&parts, &lit)] {
            let s = s.map_err(|e| TestCaseError::fail(e.to_string()))?;
            prop_assert!(s.kirchhoff_a() < 1e-6, "{}", s.kirchhoff_a());
        }
    }
}

/// Every return cut and one fuse blown, on a supply set far too low: once found to have no operating point.
#[test]
fn a_sign_cut_off_nearly_everywhere_has_an_operating_point() {
    let b = demo();
    let mut parts = Parts::nominal(&b, 40.0);
    for feed in &mut parts.feeds {
        feed.return_ohm = f64::INFINITY;
    }
    parts.feeds[1].fuse_ohm = f64::INFINITY;
    parts.feeds[3].out_ohm += 0.982_813_059_468_929_4;
    (parts.supplies[0].set_v, parts.supplies[0].limit_a) = (3.0, 1.0);
    let mut lit = [[0.0; 3]; 6];
    lit[4][2] = 0.439_787_020_974_617_86;
    let mut warm = Network::new(&b);
    warm.solve(&Parts::nominal(&b, 20.0), &[[1.0; 3]; 6]).unwrap();
    for s in [warm.solve(&parts, &lit), Network::new(&b).solve(&parts, &lit)] {
        assert!(s.unwrap().kirchhoff_a() < 1e-6);
    }
}

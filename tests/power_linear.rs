//! The linear core of the supply network: the reference ladder in exact fractions, a handbook's drop, laws of circuits.

use proptest::prelude::*;
use signproof::build::Conductor;
use signproof::power::conductor::ohm_per_m;
use signproof::power::linear::{Circuit, CircuitError};

/// Three loads on a ladder behind a feed, with a return to 0 V. Expected volts: exact rational arithmetic; a circuit
/// simulator (ngspice 39) prints the same to its 13 digits.
#[test]
fn the_ladder_meets_its_exact_solution() {
    let mut c = Circuit::default();
    let (b, p1, p2, p3, g) = (c.node(), c.node(), c.node(), c.node(), c.node());
    c.source(b, None, 5.0, 2.6e-3);
    for (from, to, ohm) in [(b, p1, 12.4e-3), (p1, p2, 7.98e-3), (p2, p3, 7.98e-3), (g, None, 2.6e-3), (p1, g, 100.0)] {
        c.resistor(from, to, ohm);
    }
    for p in [p1, p2, p3] {
        c.current(p, g, 3.5);
    }
    let v = c.solve().unwrap();
    let exact = [4.972_574_826_830_478, 4.841_777_847_098_911, 4.785_917_847_098_910_5, 4.757_987_847_098_911, 0.027_425_173_169_522_2];
    for (got, want) in v.iter().zip(exact) {
        assert!((got / want - 1.0).abs() < 1e-12, "{got} against {want}");
    }
    let given = (5.0 - v[0]) / 2.6e-3;
    assert!((given / 10.548_143_526_739_294 - 1.0).abs() < 1e-11, "{given}");
}

/// Training handbook's example (NEC chapter 9 table 8): 4 A over 100 ft of two 16 AWG wires at 4.99 Ω per 1000 ft lose
/// 3.992 V. The table is for stranded wire at 75 °C: ASTM B258 and IACS at 75 °C with 2 % of lay come to it.
#[test]
fn a_handbook_drop_is_met() {
    let metre = ohm_per_m(Conductor::Awg(16), 75.0).unwrap() * 1.02;
    let ohm = metre * 0.3048 * 100.0;
    let mut c = Circuit::default();
    let (plus, minus) = (c.node(), c.node());
    c.source(plus, None, 24.0, ohm);
    c.resistor(minus, None, ohm);
    c.current(plus, minus, 4.0);
    let v = c.solve().unwrap();
    let drop = 24.0 - (v[0] - v[1]);
    assert!((drop / 3.992 - 1.0).abs() < 0.005, "{drop}");
}

#[test]
fn what_nothing_fixes_is_refused() {
    // a current source into an open node, and two nodes joined only to each other
    let mut c = Circuit::default();
    let a = c.node();
    c.current(None, a, 1.0);
    assert_eq!(c.solve(), Err(CircuitError::Floating(0)));
    let mut c = Circuit::default();
    let (a, b, d) = (c.node(), c.node(), c.node());
    c.resistor(a, None, 1.0);
    c.resistor(b, d, 0.1);
    assert_eq!(c.solve(), Err(CircuitError::Floating(1)));
    let mut c = Circuit::default();
    let a = c.node();
    c.resistor(a, None, 1.0);
    c.resistor(a, None, 0.0);
    assert_eq!(c.solve(), Err(CircuitError::Value(1)));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    /// Any mesh: currents of each node sum to nothing (computed from its elements, not by the solver), and a meter and a
    /// source may change places (reciprocity).
    #[test]
    fn meshes_obey_the_laws(
        size in 2..40_usize,
        chords in prop::collection::vec((0..40_usize, 0..40_usize, 0.001..1.0_f64), 1..80),
        trunk in prop::collection::vec(0.001..1.0_f64, 40),
        loads in prop::collection::vec(0.0..5.0_f64, 40),
        (from, to) in (0..40_usize, 0..40_usize),
    ) {
        let mut links: Vec<(Option<usize>, Option<usize>, f64)> =
            (0..size).map(|i| (Some(i), i.checked_sub(1), trunk[i])).collect();
        links.extend(chords.iter().map(|&(a, b, r)| (Some(a % size), Some(b % size), r)).filter(|(a, b, _)| a != b));
        let net = || {
            let mut c = Circuit::default();
            for _ in 0..size {
                c.node();
            }
            for &(a, b, r) in &links {
                c.resistor(a, b, r);
            }
            c
        };
        let mut c = net();
        for (i, &amps) in loads.iter().enumerate().take(size) {
            c.current(Some(i), None, amps);
        }
        let v = c.solve().unwrap();
        let mut left: Vec<f64> = loads[..size].to_vec();
        for &(a, b, r) in &links {
            let at = |n: Option<usize>| n.map_or(0.0, |i| v[i]);
            let amps = (at(a) - at(b)) / r;
            if let Some(i) = a { left[i] += amps; }
            if let Some(i) = b { left[i] -= amps; }
        }
        for (i, amps) in left.iter().enumerate() {
            prop_assert!(amps.abs() < 1e-8, "node {i}: {amps}");
        }
        let transfer = |at: usize, seen: usize| {
            let mut c = net();
            c.current(None, Some(at), 1.0);
            c.solve().unwrap()[seen]
        };
        let (one, other) = (transfer(from % size, to % size), transfer(to % size, from % size));
        prop_assert!((one - other).abs() <= 1e-10 * one.abs().max(1e-3), "{one} {other}");
    }
}

//! The planner on a small build with ohmic leads.

use super::testing::{Ohmic, Sketches, build};
use super::*;
use crate::event::{Selection, WitnessMode};

fn planned(feed_end: bool, level: f64, selection: &Selection) -> Plan {
    let build = build(feed_end);
    let mut physics = Ohmic { build: build.clone(), level };
    plan(&build, selection, WitnessMode::Ask, &mut physics, &mut Sketches::default())
}

#[test]
fn stages_come_in_order_and_numbers_have_no_gaps() {
    let p = planned(true, 1.0, &Selection::default());
    assert!(p.steps.windows(2).all(|w| w[0].stage <= w[1].stage));
    assert!(p.steps.iter().enumerate().all(|(i, s)| s.number as usize == i));
    assert!(Stage::ALL.iter().all(|s| p.stage(*s).count() > 0));
}

#[test]
fn every_cell_is_swept_and_windows_keep_below_three_flashes_a_second() {
    let p = planned(false, 1.0, &Selection::default());
    let mut cells: Vec<_> = p.stage(Stage::Sweep).filter(|s| matches!(s.frame, FrameSpec::Cell(_))).collect();
    cells.dedup_by_key(|s| s.frame);
    assert_eq!(cells.len(), 2 * 3 * 2);
    for s in cells {
        assert!(f64::from(s.samples) * READING_S >= WINDOW_S, "{} samples at one point", s.samples);
        assert!(s.expected[0].is_some_and(|e| e < -0.002), "{:?}", s.expected);
    }
}

#[test]
fn blocks_are_swept_only_where_a_wire_at_the_feeds_end_resolves_them() {
    let blocks = |feed_end| -> Vec<u8> {
        let p = planned(feed_end, 1.0, &Selection::default());
        p.steps.iter().filter_map(|s| if let FrameSpec::Block { cell, .. } = s.frame { Some(cell.position) } else { None }).collect()
    };
    assert!(blocks(false).is_empty());
    assert_eq!(blocks(true), vec![1; 3 * 2 * 4], "the wire is on F1, which feeds position 1");
}

#[test]
fn nothing_exceeds_the_permitted_level() {
    let b = build(true);
    let p = planned(true, 0.055, &Selection::default());
    let white: f64 = b.panels.iter().enumerate().map(|(i, _)| b.panel_type(i).full_a.iter().map(|a| a.value()).sum::<f64>()).sum();
    for s in &p.steps {
        let lit = Sketches::default().lit(&s.frame, 1000);
        let asked: f64 =
            lit.iter().enumerate().map(|(i, l)| b.panel_type(i).full_a.iter().zip(l).map(|(a, f)| a.value() * f).sum::<f64>()).sum();
        assert!(asked * f64::from(s.duty) / 1000.0 <= 0.055 * white + 1e-9, "{}: duty {}", s.title, s.duty);
    }
    let red = p.steps.iter().find(|s| s.frame == FrameSpec::Field(crate::build::Colour::Red)).unwrap();
    assert_eq!(red.duty, (1000.0_f64 * 0.055 * 3.6 / 1.45).floor() as u16);
    assert_eq!(p.stage(Stage::Climb).last().unwrap().frame, FrameSpec::Level(55));
}

#[test]
fn a_cut_run_still_reads_the_supply_first_and_lights_only_what_was_chosen() {
    let p = planned(true, 1.0, &Selection { feeds: Some(vec!["F2".into()]), ..Selection::default() });
    assert_eq!(p.steps[0].action, Action::Open);
    assert_eq!(p.stage(Stage::Climb).count() + p.stage(Stage::Hold).count(), 0);
    for s in &p.steps {
        assert_eq!(Sketches::default().lit(&s.frame, 1000)[0], [0.0; 3], "{}", s.title);
    }
    let only = planned(true, 1.0, &Selection { stages: Some(vec![Stage::Hold]), ..Selection::default() });
    assert_eq!(only.steps.iter().map(|s| s.stage).collect::<Vec<_>>(), [Stage::Open, Stage::Hold]);
}

#[test]
fn one_row_question_per_address_bit() {
    let p = planned(true, 1.0, &Selection::default());
    let rows: Vec<_> = p.steps.iter().filter_map(|s| if let FrameSpec::Row(r) = s.frame { Some(r) } else { None }).collect();
    assert_eq!(rows, [0, 1, 2, 4, 8, 16], "and the first of the lower half");
}

#[test]
fn text_and_json_tell_the_whole_plan() {
    let p = planned(true, 0.5, &Selection::default());
    let text = p.text();
    assert!(text.contains("permitted level 50.0 % (fuse of F1)"));
    for s in &p.steps {
        assert!(text.contains(&s.title));
    }
    let json = serde_json::to_value(&p).unwrap();
    assert_eq!(json["steps"].as_array().unwrap().len(), p.steps.len());
}

#[test]
fn a_window_of_few_points_keeps_little_of_a_mains_ripple() {
    // the mean of samples at equal intervals of a sinusoid of unit amplitude, at its worst phase (Dirichlet kernel)
    let kept = |points: usize, hz: f64| {
        let interval = READING_S * points as f64;
        let count = f64::from(samples(points));
        let half = std::f64::consts::PI * hz * interval;
        ((count * half).sin() / (count * half.sin())).abs()
    };
    for points in 1..=5 {
        for hz in [50.0, 60.0, 100.0, 120.0] {
            assert!(kept(points, hz) < 0.04, "{points} points, {hz} Hz: {:.3}", kept(points, hz));
        }
    }
    assert!(kept(7, 100.0) > 0.6, "the documented exception");
}

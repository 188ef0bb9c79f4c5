//! The picture decoded from the register words equals the frame, for random walls.

use proptest::prelude::*;
use signproof::build::*;
use signproof::frame::{Frame, FrameSpec};
use signproof::rig::sim::panels::{Hazards, Panels};
use signproof::scan::{Word, blank_words, compile, replay_prepare, replay_refresh};
use signproof::units::{Amps, Volts};
use signproof::wall;

fn kind(width: u16, height: u16, scheme: RowScheme, input_side: InputSide) -> PanelType {
    PanelType {
        name: "t".to_owned(),
        width,
        height,
        pitch_mm: 4.0,
        scheme,
        input_side,
        min_v: Volts::new(4.5),
        idle_a: Amps::new(0.1),
        full_a: [Amps::new(1.0); 3],
        tolerance_pct: 10.0,
        knee_v: [Volts::new(4.0); 3],
        clock_mhz: 20.0,
        startup: Vec::new(),
        maker: None,
        batch: None,
    }
}

/// The demo build with other panels: chains below one another, panels side by side.
fn wall_of(types: Vec<PanelType>, chains: &[Vec<(usize, Up)>]) -> Build {
    let source = include_str!("../config/water-taxi.toml");
    let mut b = load(source, "water-taxi.toml").unwrap();
    b.panel_types = types;
    let ports = (0..3_u8).map(|p| PortPins { port: p + 1, data: [[p * 6, p * 6 + 1, p * 6 + 2], [p * 6 + 3, p * 6 + 4, p * 6 + 5]] });
    b.adapter = Adapter { clk: 18, lat: 19, oe: 20, address: vec![21, 22, 23, 24, 25], ports: ports.collect(), ..b.adapter };
    b.panels.clear();
    b.chains.clear();
    let mut top = 0;
    for (c, chain) in chains.iter().enumerate() {
        let (mut left, mut tallest, first) = (0, 0, b.panels.len());
        for (i, &(kind, up)) in chain.iter().enumerate() {
            let panel = Panel { port: c as u8 + 1, position: i as u8 + 1, kind, at: [left, top], up, feed: 0, serial: None, ribbon_m: 0.2 };
            b.panels.push(panel);
            let [w, h] = wall::footprint(&b, b.panels.len() - 1);
            left += w;
            tallest = tallest.max(h);
        }
        top += tallest;
        b.chains.push(Chain { port: c as u8 + 1, panels: (first..b.panels.len()).collect() });
    }
    b
}

fn any_kind() -> impl Strategy<Value = PanelType> {
    let sizes = prop::sample::select(vec![
        (32_u16, 16_u16, 8_u16),
        (64, 32, 16),
        (64, 64, 32),
        (32, 32, 16),
        (64, 32, 8),
        (32, 32, 8),
        (32, 16, 4),
    ]);
    (sizes, any::<bool>(), 0..4_usize, any::<[bool; 3]>()).prop_map(|((w, h, addresses), left, block, [flip, m0, m1])| {
        let side = if left { InputSide::Left } else { InputSide::Right };
        let scheme = if h / 2 / addresses == 1 {
            RowScheme::plain(addresses, w)
        } else {
            let order = vec![FoldRun { segment: u16::from(flip), mirrored: m0 }, FoldRun { segment: u16::from(!flip), mirrored: m1 }];
            RowScheme { addresses, fold: 2, block: [4, 8, 16, w][block], order }
        };
        kind(w, h, scheme, side)
    })
}

fn any_up() -> impl Strategy<Value = Up> {
    prop::sample::select(vec![Up::Up, Up::Right, Up::Down, Up::Left])
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn what_is_decoded_is_the_frame(
        types in prop::collection::vec(any_kind(), 3),
        chains in prop::collection::vec(prop::collection::vec((0..3_usize, any_up()), 1..6), 1..4),
        seed in any::<u64>(),
        duty in prop::sample::select(vec![1000_u16, 1000, 500, 137, 20]),
    ) {
        let b = wall_of(types, &chains);
        let size = b.wall_size();
        let mut frame = Frame::black(size);
        let mut state = seed | 1;
        for y in 0..size[1] {
            for x in 0..size[0] {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                frame.set([x, y], (state >> 20) as u8 & 7);
            }
        }
        let program = compile(&b, &frame, duty);
        let mut panels = Panels::new(&b, &[]);
        for w in blank_words(&b) {
            signproof::scan::Lines::write(&mut panels, w.clear, w.set);
        }
        panels.begin_refresh();
        replay_prepare(&program, &mut panels);
        prop_assert!(panels.light().lit.iter().flatten().all(|l| *l == 0.0), "a stale row was lit");
        panels.begin_refresh();
        replay_refresh(&program, &mut panels);
        let light = panels.light();
        prop_assert_eq!(panels.hazards(), Hazards::default());
        let share = program.lit_share() as f32;
        prop_assert!(share > 0.0);
        for y in 0..size[1] {
            for x in 0..size[0] {
                if wall::from_wall(&b, [x, y]).is_none() {
                    continue;
                }
                for c in 0..3 {
                    let want = if frame.get([x, y]) >> c & 1 == 1 { share } else { 0.0 };
                    let got = light.pixels[usize::from(y) * usize::from(size[0]) + usize::from(x)][c];
                    prop_assert!((got - want).abs() < 1e-5, "pixel {x},{y} colour {c}: {got} for {want}");
                }
            }
        }
    }
}

/// A decoder of its own, for one plain panel: nothing of the project's panel model.
#[test]
fn an_independent_decoder_agrees() {
    let b = wall_of(vec![kind(32, 16, RowScheme::plain(8, 32), InputSide::Left)], &[vec![(0, Up::Up)]]);
    let mut frame = Frame::black([32, 16]);
    for y in 0..16 {
        for x in 0..32 {
            frame.set([x, y], ((x * 5 + y * 3 + x * y) % 8) as u8);
        }
    }
    let program = compile(&b, &frame, 1000);
    let (mut level, mut shift, mut latched, mut seen) = (0_u32, vec![0_u32; 32], vec![0_u32; 32], vec![0_u8; 512]);
    for w in program.prepare.iter().chain(&program.refresh) {
        let before = level;
        level = level & !w.clear | w.set;
        if !before & level & 1 << 18 != 0 {
            shift.rotate_right(1);
            shift[0] = level & 63;
        }
        if !before & level & 1 << 19 != 0 {
            latched.clone_from(&shift);
        }
        if level & 1 << 20 == 0 {
            let row = (level >> 21 & 31) as usize;
            for x in 0..32 {
                seen[row * 32 + x] |= latched[x] as u8 & 7;
                seen[(row + 8) * 32 + x] |= (latched[x] >> 3) as u8 & 7;
            }
        }
    }
    assert_eq!(seen, frame.pixels());
}

#[test]
fn two_writes_a_column_when_colours_repeat_and_three_at_most() {
    let b = wall_of(vec![kind(64, 32, RowScheme::plain(16, 64), InputSide::Right)], &[vec![(0, Up::Up); 3]]);
    let writes = |w: &Word| usize::from(w.clear != 0) + usize::from(w.set != 0);
    for (spec, exact) in [(FrameSpec::Field(Colour::Red), Some(2)), (FrameSpec::Level(500), None), (FrameSpec::Marks, None)] {
        let program = compile(&b, &spec.draw(&b), 1000);
        let row = program.refresh.len() / 16;
        for words in program.refresh.chunks(row) {
            // the first word lights the row, the last five latch the next
            for column in words[1..row - 5].chunks(2) {
                let n: usize = column.iter().map(writes).sum();
                assert!(n <= 3 && exact.is_none_or(|e| n == e), "{}: {n}", spec.title());
            }
        }
    }
}

#[test]
fn a_level_lights_exactly_its_share_of_each_half() {
    let b = wall_of(vec![kind(64, 32, RowScheme::plain(16, 64), InputSide::Right)], &[vec![(0, Up::Up)]]);
    for thousandths in [0, 1, 37, 500, 999, 1000] {
        let frame = FrameSpec::Level(thousandths).draw(&b);
        for half in 0..2_u16 {
            let lit = (0..16).flat_map(|y| (0..64).map(move |x| [x, y + half * 16])).filter(|p| frame.get(*p) == 7).count();
            assert_eq!(lit as f64, (f64::from(thousandths) / 1000.0 * 1024.0).round(), "{thousandths}");
        }
    }
}

/// The quick way through the panels and the one that follows every word tell the same, fault or not.
#[test]
fn both_ways_through_the_panels_agree() {
    use signproof::build::{Colour as C, Half as H};
    use signproof::fault::{Fault, Line};
    let b = wall_of(vec![kind(64, 32, RowScheme::plain(16, 64), InputSide::Right)], &[vec![(0, Up::Up); 3], vec![(0, Up::Down); 2]]);
    let swap_nothing = Fault::LinesSwapped { port: 2, lines: [Line::Clk, Line::Clk], after: 1 };
    for fault in [
        Fault::RibbonOpen { port: 1, after: 1 },
        Fault::LineOpen { port: 1, line: Line::G1, after: 1 },
        Fault::LineOpen { port: 1, line: Line::Oe, after: 2 },
        Fault::LineOpen { port: 1, line: Line::Clk, after: 1 },
        Fault::LineOpen { port: 1, line: Line::Lat, after: 0 },
        Fault::LineOpen { port: 1, line: Line::C, after: 1 },
        Fault::LinesSwapped { port: 1, lines: [Line::R1, Line::B2], after: 1 },
        Fault::LinesShorted { port: 1, lines: [Line::R1, Line::G1], after: 0 },
        Fault::AddressStuck { line: Line::B, high: true },
        Fault::PortSwap { ports: [1, 2] },
        Fault::OrderSwap { port: 1, positions: [1, 3] },
        Fault::PanelTurned { port: 1, position: 1, degrees: 180 },
        Fault::DriverDead { port: 1, position: 2, colour: C::Blue, half: H::Lower, block: 1 },
        Fault::PanelDark { port: 2, position: 1 },
    ] {
        for spec in [FrameSpec::Marks, FrameSpec::Level(370), FrameSpec::Field(C::Red), FrameSpec::Row(3)] {
            let program = compile(&b, &spec.draw(&b), 700);
            // exchanging a line with itself changes nothing, but makes every word count
            let lights: Vec<_> = [vec![fault.clone()], vec![fault.clone(), swap_nothing.clone()]]
                .iter()
                .map(|faults| {
                    let mut panels = Panels::new(&b, faults);
                    replay_prepare(&program, &mut panels);
                    panels.begin_refresh();
                    replay_refresh(&program, &mut panels);
                    panels.light()
                })
                .collect();
            assert_eq!(lights[0], lights[1], "{fault:?} {spec:?}");
        }
    }
}

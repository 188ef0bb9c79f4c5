//! A small build and test doubles, for the tests of `plan` and `run`.

use super::{Physics, Pictures};
use crate::build::*;
use crate::frame::{Frame, FrameSpec};
use crate::scan::ScanProgram;
use crate::units::{Amps, Ohms, Volts};
use std::sync::Arc;

/// Two panels on one port, each on its own feed, the controller on a third; one wire at the distribution
/// and, where asked, one at the end of the first feed.
pub fn build(feed_end: bool) -> Build {
    let lead = |length_m| Lead { conductor: Conductor::Mm2(1.5), length_m, rated_a: None, joints: Ohms::new(0.002) };
    let feed = |name: &str| Feed { name: name.into(), supply: 0, fuse_a: Amps::new(10.0), fuse_ohm: None, lead: lead(0.45) };
    let panel = |position: u8, x| Panel {
        port: 1,
        position,
        kind: 0,
        at: [x, 0],
        up: Up::Up,
        feed: usize::from(position) - 1,
        serial: None,
        ribbon_m: 0.2,
    };
    let sense = |name: &str, node, channel| SensePoint {
        name: name.into(),
        quantity: Quantity::Volts,
        node,
        reference: Node::Controller,
        chip: Chip::Ads1115 { part: Default::default(), bus: 1, address: 0x48, channel, range_v: 4.096, supply_v: 3.3 },
        divider: Some(Divider { top: Ohms::new(10e3), bottom: Ohms::new(10e3), tolerance_pct: 0.1 }),
    };
    let mut points = vec![sense("distribution", Node::Distribution(0), 0)];
    if feed_end {
        points.push(sense("end of F1", Node::FeedEnd(0), 1));
    }
    Build {
        sign: Sign { name: "Harbour steps water-taxi board".into(), serial: "WT-0003".into(), place: None, notes: None },
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
            knee_v: [Volts::new(3.0), Volts::new(4.0), Volts::new(4.0)],
            clock_mhz: 25.0,
            startup: vec![],
            maker: None,
            batch: None,
        }],
        supplies: vec![Supply {
            name: "main".into(),
            set_v: Volts::new(5.1),
            rated_a: Amps::new(20.0),
            accept_v: [Volts::new(4.9), Volts::new(5.25)],
            source: Ohms::new(0.001),
            limit_factor: 1.1,
            derate_from_c: 50.0,
            derate_pct_per_k: 2.0,
            input_lead: lead(0.6),
            maker: None,
        }],
        feeds: vec![feed("F1"), feed("F2"), feed("F3")],
        controller: Controller { model: "controller".into(), feed: 2, draw_a: Amps::new(3.0), min_v: Volts::new(4.75) },
        adapter: Adapter {
            model: "adapter".into(),
            buffer: Buffer::Hct,
            oe_pull_up: true,
            clk: 17,
            lat: 4,
            oe: 18,
            address: vec![22, 23, 24, 25],
            ports: vec![PortPins { port: 1, data: [[11, 27, 7], [8, 9, 10]] }],
        },
        chains: vec![Chain { port: 1, panels: vec![0, 1] }],
        panels: vec![panel(1, 64), panel(2, 0)],
        limits: Limits {
            trip_low_v: vec![Volts::new(4.65); points.len()],
            trip_high_v: Volts::new(5.4),
            hold_s: 20.0,
            fuse_load_pct: 75.0,
            supply_load_pct: 80.0,
            drop_v: Volts::new(0.4),
            refresh_hz: 100.0,
            ambient_max_c: 45.0,
            cell_pct: 10.0,
            rest_v: Volts::new(0.02),
            hold_drift_v_per_min: Volts::new(0.005),
            climb_pct: 25.0,
            joint_max_c: 60.0,
        },
        sense: points,
    }
}

/// Ohms that every load shares, and of the lead of one feed.
pub const SHARED: f64 = 0.0065;
/// Ohms of a feed.
pub const FEED: f64 = 0.026;

/// Constant-current loads behind a shared resistance and a resistance per feed.
pub struct Ohmic {
    /// The build.
    pub build: Build,
    /// Permitted level.
    pub level: f64,
}

impl Physics for Ohmic {
    fn permitted(&self) -> (f64, String) {
        (self.level, "fuse of F1".into())
    }
    fn predict(&mut self, lit: &[[f64; 3]]) -> Vec<Option<f64>> {
        let amps: Vec<f64> = lit
            .iter()
            .enumerate()
            .map(|(i, l)| {
                let t = self.build.panel_type(i);
                t.idle_a.value() + t.full_a.iter().zip(l).map(|(a, f)| a.value() * f).sum::<f64>()
            })
            .collect();
        let distribution = 5.1 - SHARED * amps.iter().sum::<f64>();
        let at = |s: &SensePoint| match s.node {
            Node::FeedEnd(f) => {
                distribution - FEED * amps.iter().zip(&self.build.panels).filter(|(_, p)| p.feed == f).map(|(a, _)| a).sum::<f64>()
            }
            _ => distribution,
        };
        self.build.sense.iter().map(|s| Some(at(s))).collect()
    }
}

/// Lit fractions by arithmetic; a program's mask is the number of programs asked for so far.
#[derive(Default)]
pub struct Sketches {
    /// Pictures and duties in the order their programs were asked for.
    pub shown: Vec<(FrameSpec, u16)>,
}

impl Pictures for Sketches {
    fn lit(&mut self, spec: &FrameSpec, duty: u16) -> Vec<[f64; 3]> {
        let mut lit = vec![[0.0; 3]; 2];
        match *spec {
            FrameSpec::Black => {}
            FrameSpec::Cell(c) => lit[usize::from(c.position) - 1][c.colour.index()] = 0.5,
            FrameSpec::Block { cell: c, .. } => lit[usize::from(c.position) - 1][c.colour.index()] = 0.125,
            FrameSpec::Marks => lit.fill([0.2; 3]),
            FrameSpec::MarkOf { position, .. } => lit[usize::from(position) - 1] = [0.2; 3],
            FrameSpec::Field(c) => lit.iter_mut().for_each(|l| l[c.index()] = 1.0),
            FrameSpec::Row(_) => lit.fill([1.0 / 32.0; 3]),
            FrameSpec::Column(_) => lit.fill([1.0 / 64.0; 3]),
            FrameSpec::Level(k) => lit.fill([f64::from(k) / 1000.0; 3]),
        }
        lit.into_iter().map(|panel| panel.map(|l| l * f64::from(duty) / 1000.0)).collect()
    }
    fn frame(&self, _: &FrameSpec) -> Frame {
        Frame::black([128, 32])
    }
    fn program(&mut self, spec: &FrameSpec, duty: u16) -> Arc<ScanProgram> {
        self.shown.push((*spec, duty));
        Arc::new(ScanProgram { prepare: vec![], refresh: vec![], oe: 0, mask: self.shown.len() as u32, pulse_ns: 25.0 })
    }
}

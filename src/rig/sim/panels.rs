//! Panels at pin level: register words go into shift registers, latches, row decoders and LEDs.
//!
//! An input that is open reads low, but OE, which reads high (dark): assumed, no source. Shorted lines read
//! low where either is low. A panel without power neither lights nor passes data on.

use crate::build::{Build, Colour, Half};
use crate::fault::{Fault, Line};
use crate::scan::{Lines, scheme};
use crate::wall;

type Bus = u16;
const DATA: Bus = 0b11_1111;
const CLK: Bus = 1 << Line::Clk as u16;
const LAT: Bus = 1 << Line::Lat as u16;
const OE: Bus = 1 << Line::Oe as u16;
const ADDRESS_SHIFT: u32 = Line::A as u32;
const ADDRESS: Bus = 0b1_1111 << ADDRESS_SHIFT;

#[derive(Clone, Copy)]
enum Wiring {
    Open(Line),
    OpenAll,
    Swap(Line, Line),
    Short(Line, Line),
    Stuck(Line, bool),
}

const fn bit(line: Line) -> Bus {
    1 << line as u16
}

impl Wiring {
    fn apply(self, bus: Bus) -> Bus {
        match self {
            Self::Open(Line::Oe) => bus | OE,
            Self::Open(line) | Self::Stuck(line, false) => bus & !bit(line),
            Self::Stuck(line, true) => bus | bit(line),
            Self::OpenAll => OE,
            Self::Swap(a, b) => {
                let differ = (bus & bit(a) != 0) != (bus & bit(b) != 0);
                if differ { bus ^ (bit(a) | bit(b)) } else { bus }
            }
            Self::Short(a, b) => {
                if bus & bit(a) != 0 && bus & bit(b) != 0 {
                    bus
                } else {
                    bus & !(bit(a) | bit(b))
                }
            }
        }
    }
    /// A control line mixed with another line: every word must be followed through every panel then.
    fn mixes(self) -> bool {
        match self {
            Self::Swap(a, b) | Self::Short(a, b) => a.half_colour().is_none() || b.half_colour().is_none(),
            _ => false,
        }
    }
}

struct Panel {
    wiring: Vec<Wiring>,
    powered: bool,
    shift: Vec<u8>,
    head: usize,
    out: u8,
    latched: Vec<u8>,
    seen: Bus,
    pending: u32,
    /// Pulses lit per pixel (own frame, row-major) and colour.
    lit: Vec<[u32; 3]>,
    /// Pixel per half, address and stage, as an index into `lit`.
    pixel: Vec<u32>,
    addresses: u16,
    address_mask: Bus,
    stages: usize,
}

impl Panel {
    /// Books the pulses lit so far on the pixels they fell on.
    fn flush(&mut self) {
        if self.pending == 0 {
            return;
        }
        let address = usize::from((self.seen & self.address_mask) >> ADDRESS_SHIFT);
        for half in 0..2 {
            let base = (half * usize::from(self.addresses) + address) * self.stages;
            for stage in 0..self.stages {
                let bits = self.latched[stage] >> (3 * half);
                if bits & 0b111 != 0 {
                    let pixel = &mut self.lit[self.pixel[base + stage] as usize];
                    for (c, pulses) in pixel.iter_mut().enumerate() {
                        if bits >> c & 1 == 1 {
                            *pulses += self.pending;
                        }
                    }
                }
            }
        }
        self.pending = 0;
    }
}

/// How the lines reach one panel, where no control line is mixed with another: its register then holds what the data
/// lines were `offset + stage` clocks ago, and need not be shifted.
struct Route {
    /// Stages of the panels between the port and this one.
    offset: usize,
    /// GPIO numbers of its port's data lines.
    pins: [u8; 6],
    /// Data bits at the port → at this panel.
    data: [u8; 64],
    clocked: bool,
    latches: bool,
    /// OE reaches it and it has power.
    lights: bool,
    /// Address bits that reach it.
    address: Bus,
}

/// What can be seen and what it draws.
#[derive(Clone, Debug, PartialEq)]
pub struct Light {
    /// Per panel and colour: share of the whole panel lit, 1 where every pixel is lit whenever its row is selected.
    pub lit: Vec<[f64; 3]>,
    /// Wall pixels, row-major: share of the row's time lit, per colour.
    pub pixels: Vec<[f32; 3]>,
    /// OE is high at every panel.
    pub blanked: bool,
}

/// Broken rules of the panel interface.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Hazards {
    /// The address changed while lit.
    pub address_while_lit: u32,
    /// The latch opened while lit.
    pub latch_while_lit: u32,
    /// Data changed in the word that raised CLK.
    pub data_at_clock: u32,
}

/// All panels of a sign behind the adapter.
pub struct Panels {
    build: Build,
    panels: Vec<Panel>,
    /// Panels of each port in electrical order.
    chains: Vec<Vec<usize>>,
    turns: Vec<u16>,
    dark: Vec<bool>,
    faults: Vec<Fault>,
    adapter: Vec<Wiring>,
    level: u32,
    control: u32,
    address_pins: u32,
    /// `None` where every word must be followed.
    routes: Option<Vec<Route>>,
    /// Levels at the last rising clock edges.
    history: Vec<u32>,
    longest: usize,
    pending: u32,
    pulses: u32,
    hazards: Hazards,
}

impl Panels {
    /// Panels wired and broken as `faults` say; faults of other parts are ignored.
    pub fn new(build: &Build, faults: &[Fault]) -> Self {
        let mut chains: Vec<Vec<usize>> = build.chains.iter().map(|c| c.panels.clone()).collect();
        let index = |port: u8| build.chains.iter().position(|c| c.port == port);
        let mut turns = vec![0; build.panels.len()];
        let mut dark = vec![false; build.panels.len()];
        for fault in faults {
            match *fault {
                Fault::PortSwap { ports: [a, b] } => {
                    if let (Some(a), Some(b)) = (index(a), index(b)) {
                        chains.swap(a, b);
                    }
                }
                Fault::OrderSwap { port, positions: [a, b] } => {
                    if let Some(c) = index(port) {
                        chains[c].swap(usize::from(a) - 1, usize::from(b) - 1);
                    }
                }
                Fault::PanelTurned { port, position, degrees } => {
                    if let Some(p) = build.panel_at(port, position) {
                        turns[p] = degrees / 90 % 4;
                    }
                }
                Fault::PanelDark { port, position } => {
                    if let Some(p) = build.panel_at(port, position) {
                        dark[p] = true;
                    }
                }
                _ => {}
            }
        }
        let mut panels: Vec<Panel> = (0..build.panels.len()).map(|p| new_panel(build, p)).collect();
        let mut adapter = Vec::new();
        for fault in faults {
            let (port, after, wiring) = match *fault {
                Fault::RibbonOpen { port, after } => (port, after, Wiring::OpenAll),
                Fault::LineOpen { port, line, after } => (port, after, Wiring::Open(line)),
                Fault::LinesSwapped { port, lines: [a, b], after } => (port, after, Wiring::Swap(a, b)),
                Fault::LinesShorted { port, lines: [a, b], after } => (port, after, Wiring::Short(a, b)),
                Fault::AddressStuck { line, high } => {
                    adapter.push(Wiring::Stuck(line, high));
                    continue;
                }
                _ => continue,
            };
            if let Some(&p) = index(port).and_then(|c| chains[c].get(usize::from(after))) {
                panels[p].wiring.push(wiring);
            }
        }
        let mixed = panels.iter().flat_map(|p| &p.wiring).any(|w| w.mixes());
        let a = &build.adapter;
        let address_pins = a.address.iter().fold(0, |m, &pin| m | 1_u32 << pin);
        let longest = chains.iter().map(|c| c.iter().map(|&p| panels[p].stages).sum()).max().unwrap_or(0);
        let mut out = Self {
            build: build.clone(),
            panels,
            chains,
            turns,
            dark,
            faults: faults.to_vec(),
            adapter,
            level: 0,
            control: address_pins | 1 << a.clk | 1 << a.oe | 1 << a.lat,
            address_pins,
            routes: None,
            history: Vec::new(),
            longest,
            pending: 0,
            pulses: 0,
            hazards: Hazards::default(),
        };
        if !mixed {
            out.routes = Some(out.find_routes());
        }
        out
    }

    fn find_routes(&self) -> Vec<Route> {
        let mut routes: Vec<Option<Route>> = self.panels.iter().map(|_| None).collect();
        for (c, chain) in self.chains.iter().enumerate() {
            let port = self.build.chains[c].port;
            let mut pins = [0; 6];
            if let Some(p) = self.build.adapter.ports.iter().find(|p| p.port == port) {
                pins = [p.data[0][0], p.data[0][1], p.data[0][2], p.data[1][0], p.data[1][1], p.data[1][2]];
            }
            let mut data: [u8; 64] = std::array::from_fn(|i| i as u8);
            let (mut offset, mut control, mut dark) = (0, ADDRESS | CLK | LAT, false);
            for &p in chain {
                let panel = &self.panels[p];
                for wiring in &panel.wiring {
                    for bits in &mut data {
                        *bits = (wiring.apply(Bus::from(*bits)) & DATA) as u8;
                    }
                    // an open line stays low whatever is driven, but OE, which then stays high
                    control = wiring.apply(control) & (ADDRESS | CLK | LAT);
                    dark |= wiring.apply(0) & OE != 0;
                }
                dark |= !panel.powered;
                routes[p] = Some(Route {
                    offset,
                    pins,
                    data,
                    clocked: control & CLK != 0,
                    latches: control & LAT != 0,
                    lights: !dark,
                    address: control & ADDRESS,
                });
                offset += panel.stages;
            }
        }
        routes.into_iter().flatten().collect()
    }

    /// Tells which panels have enough volts to work.
    pub fn set_powered(&mut self, powered: &[bool]) {
        for (panel, &on) in self.panels.iter_mut().zip(powered) {
            panel.powered = on;
        }
        if self.routes.is_some() {
            self.routes = Some(self.find_routes());
        }
    }

    /// Starts counting light afresh.
    pub fn begin_refresh(&mut self) {
        self.pulses = 0;
        self.pending = 0;
        for panel in &mut self.panels {
            panel.pending = 0;
            panel.lit.fill([0; 3]);
        }
    }

    /// Rules broken since the start.
    pub fn hazards(&self) -> Hazards {
        self.hazards
    }

    fn bus(&self, level: u32, port: u8) -> Bus {
        let a = &self.build.adapter;
        let on = |pin: u8| (level >> pin & 1) as Bus;
        let mut bus = on(a.clk) << Line::Clk as u16 | on(a.lat) << Line::Lat as u16 | on(a.oe) << Line::Oe as u16;
        for (i, &pin) in a.address.iter().enumerate() {
            bus |= on(pin) << (ADDRESS_SHIFT as usize + i);
        }
        if let Some(pins) = a.ports.iter().find(|p| p.port == port) {
            for (i, &pin) in pins.data.iter().flatten().enumerate() {
                bus |= on(pin) << i;
            }
        }
        self.adapter.iter().fold(bus, |b, w| w.apply(b))
    }

    /// Propagates the lines through every chain.
    fn settle(&mut self) {
        for c in 0..self.chains.len() {
            let head = self.bus(self.level, self.build.chains[c].port);
            // controls run through; data come from the panel before, as it stood before this edge
            let mut control = head & !DATA;
            let mut data = head & DATA;
            for i in 0..self.chains[c].len() {
                let panel = &mut self.panels[self.chains[c][i]];
                let mut bus = control | data;
                for wiring in &panel.wiring {
                    bus = wiring.apply(bus);
                }
                control = bus & !DATA;
                data = if panel.powered { Bus::from(panel.out) } else { 0 };
                if !panel.powered {
                    control = OE;
                }
                let before = panel.seen;
                let changed = before ^ bus;
                if changed & (LAT | OE | ADDRESS) != 0 {
                    panel.flush();
                }
                if changed & bus & LAT != 0 {
                    for s in 0..panel.stages {
                        panel.latched[s] = panel.shift[(panel.head + panel.stages - 1 - s) % panel.stages];
                    }
                }
                if changed & bus & CLK != 0 {
                    panel.shift[panel.head] = (bus & DATA) as u8;
                    panel.head = (panel.head + 1) % panel.stages;
                    panel.out = panel.shift[panel.head];
                }
                panel.seen = bus;
            }
        }
    }

    /// What is on the wall after the words since [`Panels::begin_refresh`].
    pub fn light(&mut self) -> Light {
        let [w, h] = self.build.wall_size();
        let mut pixels = vec![[0.0; 3]; usize::from(w) * usize::from(h)];
        let mut lit = vec![[0.0; 3]; self.panels.len()];
        self.flush_routed();
        let blanked = self.panels.iter().all(|p| p.seen & OE != 0);
        for (p, share) in lit.iter_mut().enumerate() {
            self.panels[p].flush();
            if self.dark[p] || !self.panels[p].powered || self.pulses == 0 {
                continue;
            }
            let t = self.build.panel_type(p);
            let rows = f64::from(t.scheme.addresses) / f64::from(self.pulses);
            for y in 0..t.height {
                for x in 0..t.width {
                    let pulses = self.panels[p].lit[usize::from(y) * usize::from(t.width) + usize::from(x)];
                    if pulses == [0; 3] {
                        continue;
                    }
                    let at = self.on_wall(p, [x, y]);
                    for colour in Colour::ALL {
                        let c = colour.index();
                        if pulses[c] == 0 || self.dead(p, [x, y], colour) {
                            continue;
                        }
                        let light = f64::from(pulses[c]) * rows;
                        share[c] += light;
                        if let Some([wx, wy]) = at {
                            pixels[usize::from(wy) * usize::from(w) + usize::from(wx)][c] = light as f32;
                        }
                    }
                }
            }
            for s in share.iter_mut() {
                *s /= f64::from(t.width) * f64::from(t.height);
            }
        }
        Light { lit, pixels, blanked }
    }

    /// Wall place of a panel's pixel, turned where the panel is; a panel turned on its side is centred and cropped.
    fn on_wall(&self, panel: usize, pixel: [u16; 2]) -> Option<[u16; 2]> {
        let turn = self.turns[panel];
        if turn == 0 {
            return Some(wall::to_wall(&self.build, panel, pixel));
        }
        let t = self.build.panel_type(panel);
        let p = &self.build.panels[panel];
        let up = p.up.turned(turn);
        let [x, y] = wall::turn(up, [t.width, t.height], pixel);
        let [fw, fh] = wall::footprint(&self.build, panel);
        let [tw, th] = if turn.is_multiple_of(2) { [fw, fh] } else { [fh, fw] };
        let shift = |at: u16, turned: u16, foot: u16| {
            let moved = i32::from(at) + (i32::from(foot) - i32::from(turned)) / 2;
            (0..i32::from(foot)).contains(&moved).then_some(moved as u16)
        };
        Some([p.at[0] + shift(x, tw, fw)?, p.at[1] + shift(y, th, fh)?])
    }

    fn dead(&self, panel: usize, [x, y]: [u16; 2], colour: Colour) -> bool {
        let here = &self.build.panels[panel];
        let t = self.build.panel_type(panel);
        let half = if y < t.height / 2 { Half::Upper } else { Half::Lower };
        self.faults.iter().any(|f| match *f {
            Fault::DriverDead { port, position, colour: c, half: h, block } => {
                (port, position, c, h) == (here.port, here.position, colour, half) && x / crate::build::PanelType::DRIVER_OUTPUTS == block
            }
            Fault::ColumnDead { port, position, colour: c, half: h, column } => {
                (port, position, c, h, column) == (here.port, here.position, colour, half, x)
            }
            Fault::RowDead { port, position, row } => (port, position, row) == (here.port, here.position, y),
            _ => false,
        })
    }
}

fn new_panel(build: &Build, p: usize) -> Panel {
    let t = build.panel_type(p);
    let stages = t.stages();
    let mut pixel = Vec::with_capacity(2 * usize::from(t.scheme.addresses) * stages);
    for half in Half::ALL {
        for address in 0..t.scheme.addresses {
            for stage in 0..stages {
                let [x, y] = scheme::stage_pixel(t, half, address, stage);
                pixel.push(u32::from(y) * u32::from(t.width) + u32::from(x));
            }
        }
    }
    Panel {
        wiring: Vec::new(),
        powered: true,
        shift: vec![0; stages],
        head: 0,
        out: 0,
        latched: vec![0; stages],
        seen: 0,
        pending: 0,
        lit: vec![[0; 3]; usize::from(t.width) * usize::from(t.height)],
        pixel,
        addresses: t.scheme.addresses,
        address_mask: (t.scheme.addresses - 1) << ADDRESS_SHIFT,
        stages,
    }
}

impl Panels {
    /// Books the pulses since the last change on every panel that they reached.
    fn flush_routed(&mut self) {
        if let Some(routes) = &self.routes
            && self.pending > 0
        {
            for (panel, route) in self.panels.iter_mut().zip(routes) {
                if route.lights {
                    panel.pending = self.pending;
                    panel.flush();
                }
            }
        }
        self.pending = 0;
    }

    /// A change of LAT, OE or the address, by routes.
    fn settle_routed(&mut self, latch: bool) {
        self.flush_routed();
        let Some(routes) = &self.routes else { return };
        let a = &self.build.adapter;
        let mut control: Bus = (self.level >> a.oe & 1) as Bus * OE;
        for (i, &pin) in a.address.iter().enumerate() {
            control |= ((self.level >> pin & 1) as Bus) << (ADDRESS_SHIFT as usize + i);
        }
        let control = self.adapter.iter().fold(control, |b, w| w.apply(b));
        for (panel, route) in self.panels.iter_mut().zip(routes) {
            panel.seen = control & (route.address | OE) | if route.lights { 0 } else { OE };
            if latch && route.latches {
                let known = self.history.len();
                for (s, latched) in panel.latched.iter_mut().enumerate() {
                    let back = route.offset + s + 1;
                    *latched = if route.clocked && back <= known {
                        let level = self.history[known - back];
                        let bits = route.pins.iter().enumerate().fold(0, |b, (i, &pin)| b | (level >> pin & 1) << i);
                        route.data[bits as usize]
                    } else {
                        0
                    };
                }
            }
        }
        if self.history.len() > 8 * self.longest.max(1) {
            let old = self.history.len() - self.longest;
            self.history.drain(..old);
        }
    }
}

impl Lines for Panels {
    fn write(&mut self, clear: u32, set: u32) {
        let before = self.level;
        self.level = (before & !clear) | set;
        let changed = before ^ self.level;
        let a = &self.build.adapter;
        let (clk, oe, lat) = (1 << a.clk, 1 << a.oe, 1 << a.lat);
        if self.level & oe == 0 && before & oe == 0 {
            self.hazards.address_while_lit += u32::from(changed & self.address_pins != 0);
            self.hazards.latch_while_lit += u32::from(changed & self.level & lat != 0);
        }
        let clocks = changed & self.level & clk != 0;
        if clocks && changed & !self.control != 0 {
            self.hazards.data_at_clock += 1;
        }
        self.pulses += 1;
        if self.routes.is_some() {
            if clocks {
                self.history.push(self.level);
            }
            if changed & (self.control & !clk) != 0 {
                self.settle_routed(changed & self.level & lat != 0);
            }
            self.pending += u32::from(self.level & oe == 0);
            return;
        }
        if changed != 0 {
            self.settle();
        }
        for panel in &mut self.panels {
            panel.pending += u32::from(panel.seen & OE == 0);
        }
    }
}

//! What each fault of the dictionary would do to the rows of a pattern.

use super::pattern::{Pattern, Row, What};
use crate::build::{Build, Colour, Half, Node, PanelType};
use crate::check::Place;
use crate::fault::{Fault, Line};
use crate::frame::Cell;
use crate::plan::Plan;
use crate::power::network::{Network, Parts};

/// How a fault moves the rows.
#[derive(Clone, Debug)]
pub(crate) enum Effect {
    /// Rows multiplied by these; all others stay.
    Gains(Vec<(usize, f64)>),
    /// Rows moved by these.
    Shifts(Vec<(usize, f64)>),
    /// Rows moved by these per unit of an unknown magnitude between two limits.
    Slope { rows: Vec<(usize, f64)>, low: f64, high: f64 },
    /// Rows multiplied by `1 − x` of an unknown magnitude `x` between two limits.
    Weaker { rows: Vec<usize>, low: f64, high: f64 },
}

/// One possible explanation.
#[derive(Clone, Debug)]
pub(crate) struct Hypothesis {
    /// The fault, with a nominal magnitude.
    pub fault: Fault,
    pub effect: Effect,
    /// Rows that take another colour's tolerance: its unknown.
    pub colours: Vec<(usize, usize)>,
    /// Natural logarithm of its probability before anything is measured, relative to its kind.
    pub ln_prior: f64,
}

impl Hypothesis {
    /// Rows that it moves.
    pub fn rows(&self) -> Box<dyn Iterator<Item = usize> + '_> {
        match &self.effect {
            Effect::Gains(rows) | Effect::Shifts(rows) | Effect::Slope { rows, .. } => Box::new(rows.iter().map(|r| r.0)),
            Effect::Weaker { rows, .. } => Box::new(rows.iter().copied()),
        }
    }
}

/// The place of a fault as findings name it. For faults of a ribbon, `position` counts the panels before the break.
pub fn place_of(build: &Build, fault: &Fault) -> Place {
    let supply = |i: usize| build.supplies.get(i).map(|s| s.name.clone());
    let feed = |i: usize| build.feeds.get(i).map(|f| f.name.clone());
    let sense = |i: usize| build.sense.get(i).map(|s| s.name.clone());
    let panel = |port: u8, position: u8| Place { port: Some(port), position: Some(position), ..Place::default() };
    let cell = |port: u8, position: u8, colour: Colour, half: Half| Place {
        colour: Some(colour.word().to_owned()),
        half: Some(half.word().to_owned()),
        ..panel(port, position)
    };
    let pair = |lines: [Line; 2]| {
        let mut words = lines.map(Line::word);
        if lines[0] > lines[1] {
            words.swap(0, 1);
        }
        Some(words.join(" "))
    };
    match *fault {
        Fault::SupplySet { supply: s, .. }
        | Fault::SupplySoft { supply: s, .. }
        | Fault::SupplyLimit { supply: s, .. }
        | Fault::JointInput { supply: s, .. } => Place { supply: supply(s), ..Place::default() },
        Fault::JointFeed { feed: f, .. } | Fault::FuseOpen { feed: f } | Fault::Leak { feed: f, .. } | Fault::ReturnOpen { feed: f } => {
            Place { feed: feed(f), ..Place::default() }
        }
        Fault::PanelDark { port, position } | Fault::PanelWeak { port, position, .. } | Fault::PanelTurned { port, position, .. } => {
            panel(port, position)
        }
        Fault::PortSwap { ports: [a, b] } => {
            Place { port: Some(a.min(b)), line: Some(format!("ports {} and {}", a.min(b), a.max(b))), ..Place::default() }
        }
        Fault::OrderSwap { port, positions: [a, b] } => {
            Place { line: Some(format!("positions {} and {}", a.min(b), a.max(b))), ..panel(port, a.min(b)) }
        }
        Fault::RibbonOpen { port, after } => panel(port, after),
        Fault::LineOpen { port, line, after } => Place { line: Some(line.word().to_owned()), ..panel(port, after) },
        Fault::LinesSwapped { port, lines, after } | Fault::LinesShorted { port, lines, after } => {
            Place { line: pair(lines), ..panel(port, after) }
        }
        Fault::AddressStuck { line, .. } => Place { line: Some(line.word().to_owned()), ..Place::default() },
        Fault::DriverDead { port, position, colour, half, block } => Place { block: Some(block), ..cell(port, position, colour, half) },
        Fault::ColumnDead { port, position, colour, half, column } => Place { column: Some(column), ..cell(port, position, colour, half) },
        Fault::RowDead { port, position, row } => Place { row: Some(row), ..panel(port, position) },
        Fault::ConverterSilent { sense: s }
        | Fault::ConverterStuck { sense: s }
        | Fault::ConverterOffset { sense: s, .. }
        | Fault::DividerOff { sense: s, .. } => Place { sense: sense(s), ..Place::default() },
    }
}

struct Maker<'a> {
    build: &'a Build,
    plan: &'a Plan,
    rows: &'a [Row],
    out: Vec<Hypothesis>,
}

/// Every fault that can move a row of this pattern. `thorough` adds those that need the network solved anew.
pub(crate) fn dictionary(build: &Build, plan: &Plan, pattern: &Pattern, thorough: bool) -> Vec<Hypothesis> {
    let mut m = Maker { build, plan, rows: &pattern.rows, out: Vec::new() };
    m.panels();
    m.lines();
    m.drivers();
    m.exchanges();
    m.resistances();
    m.instruments();
    if thorough {
        m.network_cases();
    }
    let mut out = m.out;
    out.retain(|h| match &h.effect {
        Effect::Gains(rows) | Effect::Shifts(rows) | Effect::Slope { rows, .. } => !rows.is_empty(),
        Effect::Weaker { rows, .. } => !rows.is_empty(),
    });
    // each kind is as likely as any other, and each of its places
    let kinds: std::collections::BTreeMap<&str, f64> = out.iter().fold(Default::default(), |mut m, h| {
        *m.entry(h.fault.kind()).or_insert(0.0) += 1.0;
        m
    });
    for h in &mut out {
        h.ln_prior = -kinds[h.fault.kind()].ln();
    }
    out
}

impl Maker<'_> {
    fn add(&mut self, fault: Fault, effect: Effect) {
        self.out.push(Hypothesis { fault, effect, colours: Vec::new(), ln_prior: 0.0 });
    }

    fn cell(row: &Row) -> Option<(Cell, Option<u16>)> {
        match row.what {
            What::Common(c) | What::Own(c) => Some((c, None)),
            What::Block(c, b) => Some((c, Some(b))),
            What::Current(c, b) => Some((c, b)),
            What::Level(_) | What::Idle(_) => None,
        }
    }

    /// Rows of cells with their gain, where the closure gives one.
    fn gains(&self, gain: impl Fn(Cell, Option<u16>) -> Option<f64>) -> Vec<(usize, f64)> {
        self.rows.iter().enumerate().filter_map(|(i, r)| Self::cell(r).and_then(|(c, b)| gain(c, b)).map(|g| (i, g))).collect()
    }

    fn panels(&mut self) {
        for p in &self.build.panels {
            let (port, position) = (p.port, p.position);
            let here = |c: Cell| (c.port, c.position) == (port, position);
            let dark = self.gains(|c, _| here(c).then_some(0.0));
            let rows = dark.iter().map(|(i, _)| *i).collect();
            self.add(Fault::PanelDark { port, position }, Effect::Gains(dark));
            self.add(Fault::PanelWeak { port, position, factor: 0.5 }, Effect::Weaker { rows, low: 0.08, high: 0.85 });
        }
    }

    fn lines(&mut self) {
        let data: Vec<(Line, Half, Colour)> = Line::ALL.into_iter().filter_map(|l| l.half_colour().map(|(h, c)| (l, h, c))).collect();
        for chain in &self.build.chains {
            let port = chain.port;
            let full = |c: Cell, colour: Colour| {
                let p = self.build.panel_at(c.port, c.position)?;
                Some(self.build.panel_type(p).full_a[colour.index()].value())
            };
            for after in 0..chain.panels.len() as u8 {
                let beyond = |c: Cell| c.port == port && c.position > after;
                let dark = self.gains(|c, _| beyond(c).then_some(0.0));
                self.add(Fault::RibbonOpen { port, after }, Effect::Gains(dark.clone()));
                for line in [Line::Clk, Line::Lat, Line::Oe] {
                    self.add(Fault::LineOpen { port, line, after }, Effect::Gains(dark.clone()));
                }
                for (i, &(line, half, colour)) in data.iter().enumerate() {
                    let of = |c: Cell, h: Half, k: Colour| beyond(c) && c.half == h && c.colour == k;
                    let open = self.gains(|c, _| of(c, half, colour).then_some(0.0));
                    self.add(Fault::LineOpen { port, line, after }, Effect::Gains(open));
                    for &(other, h2, c2) in &data[i + 1..] {
                        let both = |c: Cell| of(c, half, colour) || of(c, h2, c2);
                        let shorted = self.gains(|c, _| both(c).then_some(0.0));
                        self.add(Fault::LinesShorted { port, lines: [line, other], after }, Effect::Gains(shorted));
                        if colour != c2 {
                            let swapped = self.gains(|c, _| {
                                let to = if of(c, half, colour) { c2 } else { colour };
                                both(c).then(|| Some(full(c, to)? / full(c, c.colour)?)).flatten()
                            });
                            let shows = |c: Cell| if of(c, half, colour) { c2 } else { colour };
                            let colours = swapped
                                .iter()
                                .filter_map(|&(i, _)| {
                                    let (c, _) = Self::cell(&self.rows[i])?;
                                    let own = self.rows[i].loads[0].0;
                                    Some((i, own + shows(c).index() - c.colour.index()))
                                })
                                .collect();
                            let fault = Fault::LinesSwapped { port, lines: [line, other], after };
                            self.out.push(Hypothesis { fault, effect: Effect::Gains(swapped), colours, ln_prior: 0.0 });
                        }
                    }
                }
            }
        }
    }

    /// Panels or ports exchanged: the current is drawn, but through the other one's feed.
    fn exchanges(&mut self) {
        let build = self.build;
        let elsewhere = |a: (u8, u8), b: (u8, u8)| match (build.panel_at(a.0, a.1), build.panel_at(b.0, b.1)) {
            (Some(p), Some(q)) if build.panels[p].kind == build.panels[q].kind => build.panels[p].feed != build.panels[q].feed,
            _ => false,
        };
        let own = |m: &Self, partner: &dyn Fn((u8, u8)) -> Option<(u8, u8)>| -> Vec<(usize, f64)> {
            let rows = m.rows.iter().enumerate();
            rows.filter_map(|(i, r)| match r.what {
                // a block is read at its feed's end where there is a point
                What::Own(c) | What::Block(c, _) if r.base.is_some() => {
                    let here = (c.port, c.position);
                    partner(here).filter(|&there| elsewhere(here, there)).map(|_| (i, 0.0))
                }
                _ => None,
            })
            .collect()
        };
        for chain in &build.chains {
            let (port, last) = (chain.port, chain.panels.len() as u8);
            for a in 1..=last {
                for b in a + 1..=last {
                    let partner = |(p, x): (u8, u8)| match x {
                        _ if p != port => None,
                        x if x == a => Some((port, b)),
                        x if x == b => Some((port, a)),
                        _ => None,
                    };
                    let rows = own(self, &partner);
                    self.add(Fault::OrderSwap { port, positions: [a, b] }, Effect::Gains(rows));
                }
            }
        }
        for (i, a) in build.chains.iter().enumerate() {
            for b in &build.chains[i + 1..] {
                let partner = |(p, x): (u8, u8)| match p {
                    p if p == a.port => Some((b.port, x)),
                    p if p == b.port => Some((a.port, x)),
                    _ => None,
                };
                let rows = own(self, &partner);
                self.add(Fault::PortSwap { ports: [a.port, b.port] }, Effect::Gains(rows));
            }
        }
    }

    fn drivers(&mut self) {
        for p in 0..self.build.panels.len() {
            let (panel, t) = (&self.build.panels[p], self.build.panel_type(p));
            let blocks = t.width.div_ceil(PanelType::DRIVER_OUTPUTS);
            let left = 1.0 - f64::from(PanelType::DRIVER_OUTPUTS) / f64::from(t.width);
            for half in Half::ALL {
                for colour in Colour::ALL {
                    for block in 0..blocks {
                        let here = |c: Cell| (c.port, c.position, c.colour, c.half) == (panel.port, panel.position, colour, half);
                        let gains = self.gains(|c, b| match b {
                            _ if !here(c) => None,
                            None => Some(left),
                            Some(b) if b == block => Some(0.0),
                            Some(_) => None,
                        });
                        self.add(
                            Fault::DriverDead { port: panel.port, position: panel.position, colour, half, block },
                            Effect::Gains(gains),
                        );
                    }
                }
            }
        }
    }

    fn feed_of(&self, cell: Cell) -> Option<usize> {
        self.build.panel_at(cell.port, cell.position).map(|p| self.build.panels[p].feed)
    }

    fn at_supply(&self, point: usize) -> bool {
        matches!(self.build.sense[point].node, Node::Supply(_))
    }

    fn on_feed(&self, point: usize, feed: usize) -> bool {
        self.build.feed_end_of(point) == Some(feed)
    }

    /// Added resistance in feeds, input leads and supplies, by ohm.
    fn resistances(&mut self) {
        let build = self.build;
        let mut network = Network::new(build);
        let Ok(dark) = network.solve(&Parts::nominal(build, 30.0), &vec![[0.0; 3]; build.panels.len()]) else { return };
        for feed in 0..build.feeds.len() {
            let rows = self
                .rows
                .iter()
                .enumerate()
                .filter_map(|(i, r)| match r.what {
                    What::Own(c) | What::Block(c, _) if self.feed_of(c) == Some(feed) && self.on_feed(r.point, feed) => {
                        Some((i, r.amps / r.volts))
                    }
                    What::Level(p) if self.on_feed(p, feed) => Some((i, -dark.feed_a(feed))),
                    _ => None,
                })
                .collect();
            self.add(Fault::JointFeed { feed, milliohm: 30.0 }, Effect::Slope { rows, low: 0.004, high: 0.3 });
        }
        for supply in 0..build.supplies.len() {
            let amps = dark.supply_a(supply);
            let rows = |input: bool| -> Vec<(usize, f64)> {
                self.rows
                    .iter()
                    .enumerate()
                    .filter(|(_, r)| !(input && self.at_supply(r.point)) && self.build.supply_of(r.point) == Some(supply))
                    .filter_map(|(i, r)| match r.what {
                        What::Common(_) => Some((i, r.amps / r.volts)),
                        // with nothing taken off, the way to the supply is in it
                        What::Own(_) | What::Block(..) if r.base.is_none() => Some((i, r.amps / r.volts)),
                        What::Level(_) => Some((i, -amps)),
                        _ => None,
                    })
                    .collect()
            };
            let (input, soft) = (rows(true), rows(false));
            self.add(Fault::JointInput { supply, milliohm: 20.0 }, Effect::Slope { rows: input, low: 0.002, high: 0.15 });
            self.add(Fault::SupplySoft { supply, milliohm: 20.0 }, Effect::Slope { rows: soft, low: 0.002, high: 0.15 });
            let levels = self
                .rows
                .iter()
                .enumerate()
                .filter(|(_, r)| matches!(r.what, What::Level(p) if self.build.supply_of(p) == Some(supply)))
                .map(|(i, _)| (i, 1.0))
                .collect();
            self.add(Fault::SupplySet { supply, volts: 0.0 }, Effect::Slope { rows: levels, low: -1.0, high: 1.0 });
        }
    }

    fn instruments(&mut self) {
        for sense in 0..self.build.sense.len() {
            let volts = |p: usize| self.plan.steps.first().and_then(|s| s.expected[p]).unwrap_or(5.0);
            let level = |r: &Row| r.what == What::Level(sense);
            let rows = self.rows.iter().enumerate().filter(|(_, r)| level(r)).map(|(i, _)| (i, 1.0)).collect();
            self.add(Fault::ConverterOffset { sense, millivolt: 100.0 }, Effect::Slope { rows, low: -0.7, high: 0.7 });
            let rows = self
                .rows
                .iter()
                .enumerate()
                .filter_map(|(i, r)| match r.what {
                    What::Level(p) if p == sense => Some((i, volts(p))),
                    What::Common(_) | What::Current(..) if r.point == sense => Some((i, r.mean)),
                    What::Own(_) | What::Block(..) if r.point == sense => Some((i, r.mean * r.total / r.volts)),
                    What::Own(_) | What::Block(..) if r.base == Some(sense) => Some((i, -r.mean * (r.total - r.volts) / r.volts)),
                    _ => None,
                })
                .collect();
            self.add(Fault::DividerOff { sense, percent: 5.0 }, Effect::Slope { rows, low: -0.25, high: 0.25 });
        }
    }

    /// Faults that send current other ways: the network solved with them, against the same without.
    fn network_cases(&mut self) {
        let build = self.build;
        let nominal = Parts::nominal(build, 30.0);
        let mut network = Network::new(build);
        let panels = build.panels.len();
        let dark = vec![[0.0; 3]; panels];
        let Ok(sound) = network.solve(&nominal, &dark) else { return };
        // one panel of each feed at a tenth of white stands for its cells
        let probes: Vec<Option<Vec<[f64; 3]>>> = (0..build.feeds.len())
            .map(|f| {
                let p = build.panels.iter().position(|p| p.feed == f)?;
                let mut lit = dark.clone();
                lit[p] = [0.1; 3];
                Some(lit)
            })
            .collect();
        let responses = |network: &mut Network, parts: &Parts| -> Option<(Vec<f64>, Vec<Vec<f64>>)> {
            let base = network.solve(parts, &dark).ok()?;
            let levels: Vec<f64> = build.sense.iter().map(|s| base.sense(s)).collect();
            let mut out = Vec::new();
            for probe in &probes {
                out.push(match probe {
                    Some(lit) => {
                        let s = network.solve(parts, lit).ok()?;
                        build.sense.iter().zip(&levels).map(|(p, l)| s.sense(p) - l).collect()
                    }
                    None => Vec::new(),
                });
            }
            Some((levels, out))
        };
        let Some((levels, normal)) = responses(&mut network, &nominal) else { return };
        // a controller without its feed would not be running this
        for feed in (0..build.feeds.len()).filter(|&f| build.panels.iter().any(|p| p.feed == f)) {
            let level_shifts = |changed: &[f64]| -> Vec<(usize, f64)> {
                self.rows
                    .iter()
                    .enumerate()
                    .filter_map(|(i, r)| if let What::Level(p) = r.what { Some((i, changed[p] - levels[p])) } else { None })
                    .collect()
            };
            // its panels pass nothing on; what is left at its end comes through data lines, and is little
            let first = |port: u8| build.panels.iter().filter(|p| p.port == port && p.feed == feed).map(|p| p.position).min();
            let own: Vec<(usize, f64)> = self
                .rows
                .iter()
                .enumerate()
                .filter(|(_, r)| matches!(r.what, What::Level(p) if self.on_feed(p, feed)))
                .map(|(i, _)| (i, 1.0))
                .collect();
            if own.is_empty() {
                let gone = self.gains(|c, _| first(c.port).is_some_and(|f| c.position >= f).then_some(0.0));
                self.add(Fault::FuseOpen { feed }, Effect::Gains(gone));
            } else {
                self.add(Fault::FuseOpen { feed }, Effect::Slope { rows: own, low: -5.5, high: -1.2 });
            }
            let mut leaking = nominal.clone();
            leaking.feeds[feed].leak_s = 0.2;
            if let Ok(s) = network.solve(&leaking, &dark) {
                let amps = s.feed_a(feed) - sound.feed_a(feed);
                let changed: Vec<f64> = build.sense.iter().map(|p| s.sense(p)).collect();
                let mut rows: Vec<(usize, f64)> = level_shifts(&changed).into_iter().map(|(i, v)| (i, v / amps.max(1e-6))).collect();
                let supply = Some(build.feeds[feed].supply);
                rows.extend(self.rows.iter().enumerate().filter_map(|(i, r)| {
                    match r.what {
                        What::Idle(p) => (if matches!(build.sense[p].node, Node::FeedEnd(_)) {
                            self.on_feed(p, feed)
                        } else {
                            build.supply_of(p) == supply
                        })
                        .then_some((i, 1.0)),
                        _ => None,
                    }
                }));
                self.add(Fault::Leak { feed, amps: 2.0 }, Effect::Slope { rows, low: 0.3, high: 8.0 });
            }
            let mut open = nominal.clone();
            open.feeds[feed].return_ohm = f64::INFINITY;
            if let Some((changed, moved)) = responses(&mut network, &open) {
                let mut shifts = level_shifts(&changed);
                for (i, r) in self.rows.iter().enumerate() {
                    let Some(f) = Self::cell(r).and_then(|(c, _)| self.feed_of(c)) else { continue };
                    if moved[f].is_empty() || normal[f].is_empty() {
                        continue;
                    }
                    let of = |v: &[f64]| v[r.point] - r.base.map_or(0.0, |b| v[b]);
                    let (now, before) = (of(&moved[f]), of(&normal[f]));
                    if before.abs() > 1e-9 {
                        shifts.push((i, r.mean * (now / before - 1.0)));
                    }
                }
                self.add(Fault::ReturnOpen { feed }, Effect::Shifts(shifts));
            }
        }
    }
}

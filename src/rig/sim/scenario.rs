//! Scenario files: what is wrong with the simulated sign, and when.

use crate::build::{Build, Colour, Half};
use crate::fault::{Fault, Line};
use std::ops::Range;
use toml::de::{DeTable, DeValue};

/// A fault with its time.
#[derive(Clone, Debug, PartialEq)]
pub struct TimedFault {
    /// What.
    pub fault: Fault,
    /// From when, seconds of virtual time.
    pub at_s: f64,
    /// For how long, seconds; `None` = for good.
    pub for_s: Option<f64>,
}

impl TimedFault {
    /// There from the start, for good.
    pub const fn lasting(fault: Fault) -> Self {
        Self { fault, at_s: 0.0, for_s: None }
    }
    /// Whether it is there at this virtual time.
    pub fn active(&self, now_ns: u64) -> bool {
        let now = now_ns as f64 * 1e-9;
        now >= self.at_s && self.for_s.is_none_or(|length| now < self.at_s + length)
    }
}

/// A checked scenario.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Draws part tolerances and noise; the command line's comes first.
    pub seed: Option<u64>,
    /// False = nominal parts.
    pub tolerances: bool,
    /// Degrees Celsius.
    pub ambient_c: f64,
    /// Faults in file order.
    pub faults: Vec<TimedFault>,
}

impl Default for Scenario {
    fn default() -> Self {
        Self { seed: None, tolerances: true, ambient_c: 20.0, faults: Vec::new() }
    }
}

impl Scenario {
    /// Reads a scenario against a build. The error lists every problem as `file:line: what`, one a line.
    pub fn parse(source: &str, file_name: &str, build: &Build) -> Result<Self, String> {
        let mut problems = Problems { source, list: Vec::new() };
        let (root, errors) = DeTable::parse_recoverable(source);
        for e in errors {
            problems.add(e.span().unwrap_or(0..0), e.message().to_owned());
        }
        let mut out = Self::default();
        if problems.list.is_empty() {
            let mut top = Fields::new(root.get_ref(), 0..0, build, &mut problems);
            out.seed = top.optional("seed").and_then(|(v, s)| top.whole(v, s, "seed", u64::MAX >> 1));
            out.tolerances = top.optional("tolerances").is_none_or(|(v, s)| top.truth(v, s, "tolerances"));
            out.ambient_c = top.number_or("ambient_c", -60.0, 100.0, 20.0);
            let list = top.optional("fault");
            top.finish("a scenario");
            match list {
                Some((DeValue::Array(list), _)) => {
                    for item in list {
                        match item.get_ref() {
                            DeValue::Table(t) => out.faults.extend(read_fault(t, item.span(), build, &mut problems)),
                            _ => problems.add(item.span(), "expected a table [[fault]]".to_owned()),
                        }
                    }
                }
                Some((_, span)) => problems.add(span, "`fault` must be a list: write [[fault]]".to_owned()),
                None => {}
            }
        }
        if problems.list.is_empty() {
            return Ok(out);
        }
        problems.list.sort_by_key(|(line, _)| *line);
        Err(problems.list.iter().map(|(line, text)| format!("{file_name}:{line}: {text}")).collect::<Vec<_>>().join("\n"))
    }
}

struct Problems<'a> {
    source: &'a str,
    list: Vec<(usize, String)>,
}

impl Problems<'_> {
    fn add(&mut self, span: Range<usize>, text: String) {
        let end = span.start.min(self.source.len());
        self.list.push((1 + self.source.as_bytes()[..end].iter().filter(|b| **b == b'\n').count(), text));
    }
}

fn meant<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> String {
    known
        .map(|k| (strsim::damerau_levenshtein(word, k), k))
        .filter(|(d, k)| *d <= 1 + k.len() / 4)
        .min()
        .map(|(_, k)| format!(" (did you mean `{k}`?)"))
        .unwrap_or_default()
}

/// The keys of one table. A getter that fails notes the problem and returns a stand-in: the scenario is
/// dropped as soon as there is a problem.
struct Fields<'t, 'p, 's> {
    table: &'t DeTable<'t>,
    span: Range<usize>,
    build: &'t Build,
    problems: &'p mut Problems<'s>,
    known: Vec<&'static str>,
}

impl<'t, 'p, 's> Fields<'t, 'p, 's> {
    fn new(table: &'t DeTable<'t>, span: Range<usize>, build: &'t Build, problems: &'p mut Problems<'s>) -> Self {
        Self { table, span, build, problems, known: Vec::new() }
    }
    fn optional(&mut self, key: &'static str) -> Option<(&'t DeValue<'t>, Range<usize>)> {
        self.known.push(key);
        self.table.get(key).map(|v| (v.get_ref(), v.span()))
    }
    fn needed(&mut self, key: &'static str) -> Option<(&'t DeValue<'t>, Range<usize>)> {
        let found = self.optional(key);
        if found.is_none() {
            self.problems.add(self.span.clone(), format!("`{key}` is missing"));
        }
        found
    }
    fn finish(self, what: &str) {
        for (key, _) in self.table {
            let word: &str = key.get_ref();
            if !self.known.contains(&word) {
                let hint = meant(word, self.known.iter().copied());
                self.problems.add(key.span(), format!("unknown key `{word}` in {what}{hint}; known: {}", self.known.join(", ")));
            }
        }
    }
    fn in_range(&mut self, v: &DeValue<'_>, span: Range<usize>, key: &str, low: f64, high: f64) -> Option<f64> {
        let number = match v {
            DeValue::Float(f) => f.as_str().replace('_', "").parse::<f64>().ok(),
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|i| i as f64),
            _ => None,
        };
        match number {
            Some(x) if x >= low && x <= high => Some(x),
            Some(x) => {
                self.problems.add(span, format!("`{key}` is {x}; expected {low} to {high}"));
                None
            }
            None => {
                self.problems.add(span, format!("`{key}` must be a number from {low} to {high}"));
                None
            }
        }
    }
    fn number(&mut self, key: &'static str, low: f64, high: f64) -> f64 {
        self.needed(key).and_then(|(v, s)| self.in_range(v, s, key, low, high)).unwrap_or(low)
    }
    fn number_or(&mut self, key: &'static str, low: f64, high: f64, default: f64) -> f64 {
        self.optional(key).and_then(|(v, s)| self.in_range(v, s, key, low, high)).unwrap_or(default)
    }
    fn whole(&mut self, v: &DeValue<'_>, span: Range<usize>, key: &str, high: u64) -> Option<u64> {
        let number = match v {
            DeValue::Integer(i) => u64::from_str_radix(i.as_str(), i.radix()).ok().filter(|n| *n <= high),
            _ => None,
        };
        if number.is_none() {
            self.problems.add(span, format!("`{key}` must be a whole number from 0 to {high}"));
        }
        number
    }
    fn byte(&mut self, key: &'static str) -> Option<(u8, Range<usize>)> {
        let (v, s) = self.needed(key)?;
        self.whole(v, s.clone(), key, 255).map(|n| (n as u8, s))
    }
    fn below(&mut self, key: &'static str, count: u16) -> u16 {
        let Some((v, s)) = self.needed(key) else { return 0 };
        self.whole(v, s, key, u64::from(count.max(1) - 1)).unwrap_or(0) as u16
    }
    fn truth(&mut self, v: &DeValue<'_>, span: Range<usize>, key: &str) -> bool {
        if let DeValue::Boolean(b) = v {
            return *b;
        }
        self.problems.add(span, format!("`{key}` must be true or false"));
        false
    }
    fn one_of(&mut self, v: &DeValue<'_>, span: Range<usize>, key: &str, names: &[&str]) -> Option<usize> {
        let DeValue::String(word) = v else {
            self.problems.add(span, format!("`{key}` must be one of: {}", names.join(", ")));
            return None;
        };
        let found = names.iter().position(|n| *n == word.as_ref());
        if found.is_none() {
            let hint = meant(word, names.iter().copied());
            let known = if names.is_empty() { "none in this build".to_owned() } else { names.join(", ") };
            self.problems.add(span, format!("`{key}` names `{word}`, which is not there{hint}; known: {known}"));
        }
        found
    }
    fn name(&mut self, key: &'static str, names: &[&str]) -> usize {
        self.needed(key).and_then(|(v, s)| self.one_of(v, s, key, names)).unwrap_or(0)
    }
    fn feed(&mut self) -> usize {
        let names: Vec<&str> = self.build.feeds.iter().map(|f| f.name.as_str()).collect();
        self.name("feed", &names)
    }
    fn sense(&mut self) -> usize {
        let names: Vec<&str> = self.build.sense.iter().map(|f| f.name.as_str()).collect();
        self.name("sense", &names)
    }
    fn supply(&mut self) -> usize {
        let names: Vec<&str> = self.build.supplies.iter().map(|f| f.name.as_str()).collect();
        match self.optional("supply") {
            Some((v, s)) => self.one_of(v, s, "supply", &names).unwrap_or(0),
            None if names.len() == 1 => 0,
            None => {
                self.problems.add(self.span.clone(), format!("`supply` is missing; there are several: {}", names.join(", ")));
                0
            }
        }
    }
    fn length(&self, port: u8) -> Option<u8> {
        self.build.chains.iter().find(|c| c.port == port).map(|c| c.panels.len() as u8)
    }
    fn check_port(&mut self, port: u8, span: Range<usize>) {
        if self.length(port).is_none() {
            let ports: Vec<String> = self.build.chains.iter().map(|c| c.port.to_string()).collect();
            self.problems.add(span, format!("there is no chain on port {port}; ports with one: {}", ports.join(", ")));
        }
    }
    fn port(&mut self) -> u8 {
        let Some((port, span)) = self.byte("port") else { return 0 };
        self.check_port(port, span);
        port
    }
    fn check_position(&mut self, port: u8, position: u8, span: Range<usize>) {
        if let Some(n) = self.length(port)
            && !(1..=n).contains(&position)
        {
            self.problems.add(span, format!("port {port} has positions 1 to {n}, not {position}"));
        }
    }
    fn panel(&mut self) -> (u8, u8) {
        let port = self.port();
        let Some((position, span)) = self.byte("position") else { return (port, 0) };
        self.check_position(port, position, span);
        (port, position)
    }
    /// Width and height of a panel; stand-ins where it is absent, which is a problem already.
    fn size(&self, (port, position): (u8, u8)) -> (u16, u16) {
        let panel = self.build.panel_at(port, position);
        panel.map_or((u16::MAX, u16::MAX), |p| (self.build.panel_type(p).width, self.build.panel_type(p).height))
    }
    fn after(&mut self, port: u8) -> u8 {
        let Some((after, span)) = self.byte("after") else { return 0 };
        if let Some(n) = self.length(port)
            && after >= n
        {
            self.problems.add(span, format!("`after` is {after}; port {port} has ribbons after 0 (the port) to {}", n.max(1) - 1));
        }
        after
    }
    fn items(&mut self, key: &'static str) -> Option<[(&'t DeValue<'t>, Range<usize>); 2]> {
        let (v, span) = self.needed(key)?;
        if let DeValue::Array(a) = v
            && let [x, y] = a.iter().collect::<Vec<_>>()[..]
        {
            return Some([(x.get_ref(), x.span()), (y.get_ref(), y.span())]);
        }
        self.problems.add(span, format!("`{key}` must be a list of two"));
        None
    }
    fn bytes(&mut self, key: &'static str) -> Option<[(u8, Range<usize>); 2]> {
        let [(x, xs), (y, ys)] = self.items(key)?;
        let (a, b) = (self.whole(x, xs.clone(), key, 255), self.whole(y, ys.clone(), key, 255));
        let (a, b) = (a? as u8, b? as u8);
        if a == b {
            self.problems.add(ys, format!("`{key}` names {a} twice; expected two different ones"));
            return None;
        }
        Some([(a, xs), (b, ys)])
    }
    /// Lines that the adapter has.
    fn lines_there(&self) -> Vec<Line> {
        let there = self.build.adapter.address.len();
        Line::ALL.into_iter().filter(|l| l.address_bit().is_none_or(|bit| bit < there)).collect()
    }
    fn one_line(&mut self, v: &DeValue<'_>, span: Range<usize>, key: &str, lines: &[Line]) -> Option<Line> {
        let words: Vec<&str> = lines.iter().map(|l| l.word()).collect();
        self.one_of(v, span, key, &words).map(|i| lines[i])
    }
    fn line(&mut self, lines: &[Line]) -> Line {
        self.needed("line").and_then(|(v, s)| self.one_line(v, s, "line", lines)).unwrap_or(Line::A)
    }
    fn lines(&mut self) -> [Line; 2] {
        let there = self.lines_there();
        let Some([(x, xs), (y, ys)]) = self.items("lines") else { return [Line::A, Line::B] };
        let (a, b) = (self.one_line(x, xs, "lines", &there), self.one_line(y, ys.clone(), "lines", &there));
        let (Some(a), Some(b)) = (a, b) else { return [Line::A, Line::B] };
        if a == b {
            self.problems.add(ys, format!("`lines` names {} twice; expected two different ones", a.word()));
        }
        [a, b]
    }
    fn colour_half(&mut self) -> (Colour, Half) {
        let colour = self.name("colour", &Colour::ALL.map(Colour::word));
        let half = self.name("half", &Half::ALL.map(Half::word));
        (Colour::ALL[colour], Half::ALL[half])
    }
    fn joint(&mut self) -> Fault {
        let milliohm = self.number("milliohm", 0.001, 1e6);
        match (self.table.contains_key("feed"), self.optional("input")) {
            (true, None) => Fault::JointFeed { feed: self.feed(), milliohm },
            (false, Some((v, span))) => {
                self.known.push("feed");
                let names: Vec<&str> = self.build.supplies.iter().map(|s| s.name.as_str()).collect();
                let supply = match v {
                    DeValue::Boolean(true) if names.len() == 1 => Some(0),
                    _ => self.one_of(v, span, "input", &names),
                };
                Fault::JointInput { supply: supply.unwrap_or(0), milliohm }
            }
            _ => {
                self.known.push("feed");
                self.problems.add(self.span.clone(), "a joint needs either `feed = \"…\"` or `input = \"…\"` (the supply)".to_owned());
                Fault::JointFeed { feed: 0, milliohm }
            }
        }
    }
}

fn read_fault(table: &DeTable<'_>, span: Range<usize>, build: &Build, problems: &mut Problems<'_>) -> Option<TimedFault> {
    let mut f = Fields::new(table, span, build, problems);
    let (kind, kind_span) = f.needed("kind")?;
    let DeValue::String(kind) = kind else {
        f.problems.add(kind_span, "`kind` must be a word in quotes".to_owned());
        return None;
    };
    let fault = match kind.as_ref() {
        "supply-set" => Fault::SupplySet { supply: f.supply(), volts: f.number("volts", 0.0, 20.0) },
        "supply-soft" => Fault::SupplySoft { supply: f.supply(), milliohm: f.number("milliohm", 0.001, 1e5) },
        "supply-limit" => Fault::SupplyLimit { supply: f.supply(), amps: f.number("amps", 0.01, 1000.0) },
        "joint" => f.joint(),
        "fuse-open" => Fault::FuseOpen { feed: f.feed() },
        "leak" => Fault::Leak { feed: f.feed(), amps: f.number("amps", 0.001, 100.0) },
        "panel-dark" => {
            let (port, position) = f.panel();
            Fault::PanelDark { port, position }
        }
        "panel-weak" => {
            let (port, position) = f.panel();
            Fault::PanelWeak { port, position, factor: f.number("factor", 0.0, 2.0) }
        }
        "panel-turned" => {
            let (port, position) = f.panel();
            let degrees = f.number("degrees", 0.0, 360.0);
            if ![90.0, 180.0, 270.0].contains(&degrees) {
                f.problems.add(f.span.clone(), "`degrees` must be 90, 180 or 270".to_owned());
            }
            Fault::PanelTurned { port, position, degrees: degrees as u16 }
        }
        "port-swap" => {
            let pair = f.bytes("ports");
            for (port, span) in pair.iter().flatten() {
                f.check_port(*port, span.clone());
            }
            Fault::PortSwap { ports: pair.map_or([0, 0], |p| p.map(|(n, _)| n)) }
        }
        "order-swap" => {
            let port = f.port();
            let pair = f.bytes("positions");
            for (position, span) in pair.iter().flatten() {
                f.check_position(port, *position, span.clone());
            }
            Fault::OrderSwap { port, positions: pair.map_or([0, 0], |p| p.map(|(n, _)| n)) }
        }
        "ribbon-open" => {
            let port = f.port();
            Fault::RibbonOpen { port, after: f.after(port) }
        }
        "line-open" => {
            let port = f.port();
            let there = f.lines_there();
            Fault::LineOpen { port, line: f.line(&there), after: f.after(port) }
        }
        "lines-swapped" => {
            let port = f.port();
            Fault::LinesSwapped { port, lines: f.lines(), after: f.after(port) }
        }
        "lines-shorted" => {
            let port = f.port();
            Fault::LinesShorted { port, lines: f.lines(), after: f.after(port) }
        }
        "address-stuck" => {
            let mut there = f.lines_there();
            there.retain(|l| l.address_bit().is_some());
            let line = f.line(&there);
            let high = f.needed("high").is_some_and(|(v, s)| f.truth(v, s, "high"));
            Fault::AddressStuck { line, high }
        }
        "driver-dead" => {
            let at = f.panel();
            let (colour, half) = f.colour_half();
            let block = f.below("block", f.size(at).0.div_ceil(crate::build::PanelType::DRIVER_OUTPUTS));
            Fault::DriverDead { port: at.0, position: at.1, colour, half, block }
        }
        "column-dead" => {
            let at = f.panel();
            let (colour, half) = f.colour_half();
            let column = f.below("column", f.size(at).0);
            Fault::ColumnDead { port: at.0, position: at.1, colour, half, column }
        }
        "row-dead" => {
            let at = f.panel();
            Fault::RowDead { port: at.0, position: at.1, row: f.below("row", f.size(at).1) }
        }
        "return-open" => Fault::ReturnOpen { feed: f.feed() },
        "converter-silent" => Fault::ConverterSilent { sense: f.sense() },
        "converter-stuck" => Fault::ConverterStuck { sense: f.sense() },
        "converter-offset" => Fault::ConverterOffset { sense: f.sense(), millivolt: f.number("millivolt", -1e4, 1e4) },
        "divider-off" => Fault::DividerOff { sense: f.sense(), percent: f.number("percent", -90.0, 1000.0) },
        other => {
            let hint = meant(other, Fault::KINDS.iter().copied());
            f.problems.add(kind_span, format!("unknown kind of fault `{other}`{hint}"));
            return None;
        }
    };
    let at_s = f.number_or("at_s", 0.0, 1e6, 0.0);
    let for_s = f.optional("for_s").and_then(|(v, s)| f.in_range(v, s, "for_s", 1e-6, 1e6));
    f.finish(&format!("a `{kind}` fault"));
    Some(TimedFault { fault, at_s, for_s })
}

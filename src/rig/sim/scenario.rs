//! Scenario files: which faults a simulated sign has, and when.

use crate::build::{Build, Colour, Half};
use crate::fault::{Fault, Line};
use serde::Deserialize;

/// A fault that may come and go.
#[derive(Clone, Debug, PartialEq)]
pub struct TimedFault {
    /// What.
    pub fault: Fault,
    /// From this virtual second on.
    pub at_s: f64,
    /// For this long; for ever where absent.
    pub for_s: Option<f64>,
}

/// A simulated sign's deviations from its build.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Draws tolerances and noise where the command line gives no seed.
    pub seed: Option<u64>,
    /// False = nominal parts.
    pub tolerances: bool,
    /// Ambient temperature.
    pub ambient_c: f64,
    /// Faults.
    pub faults: Vec<TimedFault>,
}

impl Default for Scenario {
    fn default() -> Self {
        Self { seed: None, tolerances: true, ambient_c: 20.0, faults: Vec::new() }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    seed: Option<u64>,
    tolerances: Option<bool>,
    ambient_c: Option<f64>,
    #[serde(default)]
    fault: Vec<toml::Spanned<RawFault>>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Input {
    Yes(bool),
    Supply(String),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFault {
    kind: String,
    at_s: Option<f64>,
    for_s: Option<f64>,
    supply: Option<String>,
    feed: Option<String>,
    input: Option<Input>,
    sense: Option<String>,
    volts: Option<f64>,
    milliohm: Option<f64>,
    amps: Option<f64>,
    factor: Option<f64>,
    percent: Option<f64>,
    millivolt: Option<f64>,
    degrees: Option<u16>,
    port: Option<u8>,
    ports: Option<[u8; 2]>,
    position: Option<u8>,
    positions: Option<[u8; 2]>,
    after: Option<u8>,
    line: Option<Line>,
    lines: Option<[Line; 2]>,
    high: Option<bool>,
    colour: Option<Colour>,
    half: Option<Half>,
    block: Option<u16>,
    column: Option<u16>,
    row: Option<u16>,
}

impl Scenario {
    /// Reads and checks a scenario against the build it is for.
    ///
    /// # Errors
    /// All problems, one a line, each with `file:line`.
    pub fn parse(source: &str, file_name: &str, build: &Build) -> Result<Self, String> {
        let line_of = |at: usize| source[..at.min(source.len())].matches('\n').count() + 1;
        let raw: Raw = toml::from_str(source).map_err(|e| {
            let line = e.span().map_or(1, |s| line_of(s.start));
            format!("{file_name}:{line}: {}", e.message())
        })?;
        let mut problems = Vec::new();
        let mut faults = Vec::new();
        for spanned in &raw.fault {
            let entry = spanned.get_ref();
            let at_s = entry.at_s.unwrap_or(0.0);
            let timed = if at_s >= 0.0 && entry.for_s.is_none_or(|d| d > 0.0) {
                fault(entry, build).map(|fault| TimedFault { fault, at_s, for_s: entry.for_s })
            } else {
                Err("`at_s` must be 0 or more and `for_s` above 0".to_owned())
            };
            match timed {
                Ok(f) => faults.push(f),
                Err(why) => problems.push(format!("{file_name}:{}: fault `{}`: {why}", line_of(spanned.span().start), entry.kind)),
            }
        }
        if problems.is_empty() {
            Ok(Self { seed: raw.seed, tolerances: raw.tolerances.unwrap_or(true), ambient_c: raw.ambient_c.unwrap_or(20.0), faults })
        } else {
            Err(problems.join("\n"))
        }
    }
}

fn need<T>(value: Option<T>, key: &str) -> Result<T, String> {
    value.ok_or_else(|| format!("`{key}` is missing"))
}

fn within(value: f64, key: &str, low: f64, high: f64) -> Result<f64, String> {
    if (low..=high).contains(&value) { Ok(value) } else { Err(format!("`{key}` is {value}, expected {low} to {high}")) }
}

/// A fault from its entry; every place must exist in the build.
fn fault(raw: &RawFault, build: &Build) -> Result<Fault, String> {
    let supply = |name: Option<&String>| match name {
        Some(name) => build.supplies.iter().position(|s| s.name == *name).ok_or_else(|| format!("the build has no supply `{name}`")),
        None if build.supplies.len() == 1 => Ok(0),
        None => Err("`supply` is missing: the build has several".to_owned()),
    };
    let feed = || {
        let name = need(raw.feed.as_ref(), "feed")?;
        build.feed_named(name).ok_or_else(|| format!("the build has no feed `{name}`"))
    };
    let sense = || {
        let name = need(raw.sense.as_ref(), "sense")?;
        build.sense_named(name).ok_or_else(|| format!("the build has no sense point `{name}`"))
    };
    let length = |port: u8| {
        build
            .chains
            .iter()
            .find(|c| c.port == port)
            .map(|c| c.panels.len() as u8)
            .ok_or_else(|| format!("the build has no chain on port {port}"))
    };
    let panel = || {
        let (port, position) = (need(raw.port, "port")?, need(raw.position, "position")?);
        let index = build.panel_at(port, position).ok_or_else(|| format!("the build has no panel at port {port} position {position}"))?;
        Ok::<_, String>((port, position, build.panel_type(index)))
    };
    let ribbon = || {
        let (port, after) = (need(raw.port, "port")?, raw.after.unwrap_or(0));
        if after < length(port)? {
            Ok((port, after))
        } else {
            Err(format!("`after` is {after}: there is no panel behind it on port {port}"))
        }
    };
    let cell = || Ok::<_, String>((need(raw.colour, "colour")?, need(raw.half, "half")?));
    let milliohm = || within(need(raw.milliohm, "milliohm")?, "milliohm", 0.0, 1e6);
    Ok(match raw.kind.as_str() {
        "supply-set" => {
            Fault::SupplySet { supply: supply(raw.supply.as_ref())?, volts: within(need(raw.volts, "volts")?, "volts", 0.0, 60.0)? }
        }
        "supply-soft" => Fault::SupplySoft { supply: supply(raw.supply.as_ref())?, milliohm: milliohm()? },
        "supply-limit" => {
            Fault::SupplyLimit { supply: supply(raw.supply.as_ref())?, amps: within(need(raw.amps, "amps")?, "amps", 0.0, 1000.0)? }
        }
        "joint" => match (&raw.feed, &raw.input) {
            (Some(_), None) => Fault::JointFeed { feed: feed()?, milliohm: milliohm()? },
            (None, Some(Input::Supply(name))) => Fault::JointInput { supply: supply(Some(name))?, milliohm: milliohm()? },
            (None, Some(Input::Yes(true))) => Fault::JointInput { supply: supply(raw.supply.as_ref())?, milliohm: milliohm()? },
            _ => return Err("exactly one of `feed` and `input` says where".to_owned()),
        },
        "fuse-open" => Fault::FuseOpen { feed: feed()? },
        "return-open" => Fault::ReturnOpen { feed: feed()? },
        "leak" => Fault::Leak { feed: feed()?, amps: within(need(raw.amps, "amps")?, "amps", 0.0, 1000.0)? },
        "panel-dark" => panel().map(|(port, position, _)| Fault::PanelDark { port, position })?,
        "panel-weak" => {
            let (port, position, _) = panel()?;
            Fault::PanelWeak { port, position, factor: within(need(raw.factor, "factor")?, "factor", 0.0, 10.0)? }
        }
        "panel-turned" => {
            let (port, position, _) = panel()?;
            match need(raw.degrees, "degrees")? {
                degrees @ (90 | 180 | 270) => Fault::PanelTurned { port, position, degrees },
                other => return Err(format!("`degrees` is {other}, expected 90, 180 or 270")),
            }
        }
        "port-swap" => {
            let ports = need(raw.ports, "ports")?;
            length(ports[0])?;
            length(ports[1])?;
            Fault::PortSwap { ports }
        }
        "order-swap" => {
            let (port, positions) = (need(raw.port, "port")?, need(raw.positions, "positions")?);
            let n = length(port)?;
            if positions.iter().any(|p| !(1..=n).contains(p)) {
                return Err(format!("`positions` {positions:?}: port {port} has positions 1 to {n}"));
            }
            Fault::OrderSwap { port, positions }
        }
        "ribbon-open" => ribbon().map(|(port, after)| Fault::RibbonOpen { port, after })?,
        "line-open" => ribbon().and_then(|(port, after)| Ok(Fault::LineOpen { port, line: need(raw.line, "line")?, after }))?,
        "lines-swapped" => ribbon().and_then(|(port, after)| Ok(Fault::LinesSwapped { port, lines: need(raw.lines, "lines")?, after }))?,
        "lines-shorted" => ribbon().and_then(|(port, after)| Ok(Fault::LinesShorted { port, lines: need(raw.lines, "lines")?, after }))?,
        "address-stuck" => {
            let line = need(raw.line, "line")?;
            if line.address_bit().is_none_or(|b| b >= build.adapter.address.len()) {
                return Err(format!("`line` is {}: not an address line of this adapter", line.word()));
            }
            Fault::AddressStuck { line, high: need(raw.high, "high")? }
        }
        "driver-dead" => {
            let ((port, position, t), (colour, half), block) = (panel()?, cell()?, need(raw.block, "block")?);
            if block * crate::build::PanelType::DRIVER_OUTPUTS >= t.width {
                return Err(format!("`block` is {block}: the panel is {} columns wide", t.width));
            }
            Fault::DriverDead { port, position, colour, half, block }
        }
        "column-dead" => {
            let ((port, position, t), (colour, half), column) = (panel()?, cell()?, need(raw.column, "column")?);
            if column >= t.width {
                return Err(format!("`column` is {column}: the panel is {} columns wide", t.width));
            }
            Fault::ColumnDead { port, position, colour, half, column }
        }
        "row-dead" => {
            let ((port, position, t), row) = (panel()?, need(raw.row, "row")?);
            if row >= t.height {
                return Err(format!("`row` is {row}: the panel is {} rows high", t.height));
            }
            Fault::RowDead { port, position, row }
        }
        "converter-silent" => Fault::ConverterSilent { sense: sense()? },
        "converter-stuck" => Fault::ConverterStuck { sense: sense()? },
        "converter-offset" => {
            Fault::ConverterOffset { sense: sense()?, millivolt: within(need(raw.millivolt, "millivolt")?, "millivolt", -5000.0, 5000.0)? }
        }
        "divider-off" => Fault::DividerOff { sense: sense()?, percent: within(need(raw.percent, "percent")?, "percent", -99.0, 1000.0)? },
        other => {
            let near = Fault::KINDS.iter().max_by(|a, b| strsim::jaro(a, other).total_cmp(&strsim::jaro(b, other)));
            return Err(format!("there is no such kind{}", near.map(|n| format!("; did you mean `{n}`?")).unwrap_or_default()));
        }
    })
}

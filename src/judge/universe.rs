//! Every place where a fault of the dictionary can be, each with the smallest magnitude that a bench sees (judgement of practice,
//! no source).

use crate::build::{Build, Colour, Half, PanelType};
use crate::fault::{Fault, Line};
use crate::power::permitted;

/// Every place of a kind in this build, each with the smallest magnitude of the range. Kinds whose effect a person must see are
/// included; a line kind names data lines and CLK, LAT, OE (address lines only move rows).
pub fn places(build: &Build, kind: &str) -> Vec<Fault> {
    let mut out = Vec::new();
    let supplies = 0..build.supplies.len();
    let with_panels: Vec<usize> = (0..build.feeds.len()).filter(|&f| build.panels.iter().any(|p| p.feed == f)).collect();
    let panels = || build.panels.iter().map(|p| (p.port, p.position));
    let ribbons = || build.chains.iter().flat_map(|c| (0..c.panels.len() as u8).map(move |after| (c.port, after)));
    let data: Vec<Line> = Line::ALL.into_iter().filter(|l| l.half_colour().is_some()).collect();
    match kind {
        "supply-set" => {
            for supply in supplies {
                let [low, high] = build.supplies[supply].accept_v.map(crate::units::Volts::value);
                out.extend([low * 0.99, high * 1.01].map(|volts| Fault::SupplySet { supply, volts }));
            }
        }
        "supply-soft" => out.extend(supplies.map(|supply| Fault::SupplySoft { supply, milliohm: 10.0 })),
        "supply-limit" => out.extend(supplies.map(|supply| Fault::SupplyLimit { supply, amps: supply_limits(build, supply)[1] })),
        "joint" => {
            out.extend(with_panels.iter().map(|&feed| Fault::JointFeed { feed, milliohm: 10.0 }));
            out.extend(supplies.map(|supply| Fault::JointInput { supply, milliohm: 10.0 }));
        }
        "fuse-open" => out.extend(with_panels.iter().map(|&feed| Fault::FuseOpen { feed })),
        "return-open" => out.extend(with_panels.iter().map(|&feed| Fault::ReturnOpen { feed })),
        "leak" => out.extend(with_panels.iter().map(|&feed| Fault::Leak { feed, amps: 1.0 })),
        "panel-dark" => out.extend(panels().map(|(port, position)| Fault::PanelDark { port, position })),
        "panel-weak" => out.extend(panels().map(|(port, position)| Fault::PanelWeak { port, position, factor: 0.75 })),
        "panel-turned" => out.extend(panels().map(|(port, position)| Fault::PanelTurned { port, position, degrees: 180 })),
        "port-swap" => {
            for (i, a) in build.chains.iter().enumerate() {
                out.extend(build.chains[i + 1..].iter().map(|b| Fault::PortSwap { ports: [a.port, b.port] }));
            }
        }
        "order-swap" => {
            for c in &build.chains {
                for a in 1..=c.panels.len() as u8 {
                    out.extend((a + 1..=c.panels.len() as u8).map(|b| Fault::OrderSwap { port: c.port, positions: [a, b] }));
                }
            }
        }
        "ribbon-open" => out.extend(ribbons().map(|(port, after)| Fault::RibbonOpen { port, after })),
        "line-open" => {
            for (port, after) in ribbons() {
                out.extend(data.iter().chain(&[Line::Clk, Line::Lat, Line::Oe]).map(|&line| Fault::LineOpen { port, line, after }));
            }
        }
        "lines-swapped" | "lines-shorted" => {
            for (port, after) in ribbons() {
                for (i, &a) in data.iter().enumerate() {
                    for &b in &data[i + 1..] {
                        let lines = [a, b];
                        out.push(if kind == "lines-swapped" {
                            Fault::LinesSwapped { port, lines, after }
                        } else {
                            Fault::LinesShorted { port, lines, after }
                        });
                    }
                }
            }
        }
        "address-stuck" => {
            for bit in 0..build.adapter.address.len() {
                out.extend([false, true].map(|high| Fault::AddressStuck { line: Line::address(bit), high }));
            }
        }
        "driver-dead" | "column-dead" => {
            for (i, p) in build.panels.iter().enumerate() {
                let width = build.panel_type(i).width;
                for half in Half::ALL {
                    for colour in Colour::ALL {
                        let (port, position) = (p.port, p.position);
                        if kind == "driver-dead" {
                            let blocks = width.div_ceil(PanelType::DRIVER_OUTPUTS);
                            out.extend((0..blocks).map(|block| Fault::DriverDead { port, position, colour, half, block }));
                        } else {
                            out.extend((0..width).map(|column| Fault::ColumnDead { port, position, colour, half, column }));
                        }
                    }
                }
            }
        }
        "row-dead" => {
            for (i, p) in build.panels.iter().enumerate() {
                out.extend((0..build.panel_type(i).height).map(|row| Fault::RowDead { port: p.port, position: p.position, row }));
            }
        }
        "converter-silent" => out.extend((0..build.sense.len()).map(|sense| Fault::ConverterSilent { sense })),
        "converter-stuck" => out.extend((0..build.sense.len()).map(|sense| Fault::ConverterStuck { sense })),
        "converter-offset" => out.extend((0..build.sense.len()).map(|sense| Fault::ConverterOffset { sense, millivolt: 100.0 })),
        "divider-off" => out.extend((0..build.sense.len()).map(|sense| Fault::DividerOff { sense, percent: 3.0 })),
        _ => {}
    }
    out
}

/// Current limits that a weak supply may have and the climb can show, amperes: 30 to 75 % of the full load, and below what the permitted
/// level takes, with a reserve for parts that take less than stated.
pub fn supply_limits(build: &Build, supply: usize) -> [f64; 2] {
    let (full, dark) = (full_load(build, supply), controller(build, supply));
    let most = dark + permitted(build).level * (full - dark);
    let high = (0.75 * full).min(0.85 * most);
    [(0.3 * full).min(0.8 * high), high]
}

fn controller(build: &Build, supply: usize) -> f64 {
    if build.feeds[build.controller.feed].supply == supply { build.controller.draw_a.value() } else { 0.0 }
}

/// Full-white current of a supply's panels and controller, amperes.
pub fn full_load(build: &Build, supply: usize) -> f64 {
    let panels: f64 =
        build.panels.iter().filter(|p| build.feeds[p.feed].supply == supply).map(|p| build.panel_types[p.kind].white_a().value()).sum();
    panels + controller(build, supply)
}

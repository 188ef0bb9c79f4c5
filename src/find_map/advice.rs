//! What to do about a wall that is connected otherwise than the build says. Pure.

use super::search::{Found, Seat};
use crate::build::Build;
use crate::drawing;

/// Advice in words, one line each; empty where all is as the build says.
pub fn advice(build: &Build, found: &Found) -> Vec<String> {
    let mut out = Vec::new();
    let expected = |port: u8| -> Vec<usize> { build.chains.iter().find(|c| c.port == port).map_or(vec![], |c| c.panels.clone()) };
    let seen = |port: u8| -> Vec<usize> { found.get(&port).map_or(vec![], |seats| seats.iter().map(|s| s.panel).collect()) };
    let mut other: Vec<u8> = build.adapter.ports.iter().map(|p| p.port).filter(|&p| expected(p) != seen(p)).collect();
    while let Some(a) = other.first().copied() {
        if let Some(&b) = other[1..].iter().find(|&&b| expected(a) == seen(b) && expected(b) == seen(a)) {
            out.push(format!("Swap the ribbons of ports {a} and {b} at the adapter, or accept this map."));
            other.retain(|p| *p != a && *p != b);
            continue;
        }
        let (want, have) = (places(build, &expected(a)), places(build, &seen(a)));
        out.push(format!("Port {a}: its ribbons run through places {have}, the build says {want}. Connect them as the sheet draws them, or accept this map."));
        other.remove(0);
    }
    for seat in found.values().flatten().filter(|s| turned_by(build, **s) != 0) {
        out.push(format!(
            "Place {}: the panel is turned by {}° clockwise, seen from the front. Mount it as the sheet draws it, or accept this map.",
            places(build, &[seat.panel]),
            turned_by(build, *seat)
        ));
    }
    out
}

/// Clockwise degrees from the build's orientation to the one found.
pub(super) fn turned_by(build: &Build, seat: Seat) -> u16 {
    (seat.up.degrees() + 360 - build.panels[seat.panel].up.degrees()) % 360
}

pub(super) fn places(build: &Build, panels: &[usize]) -> String {
    let order = drawing::places(build);
    let numbers: Vec<String> = panels.iter().map(|p| order.iter().position(|o| o == p).map_or(0, |k| k + 1).to_string()).collect();
    if numbers.is_empty() { "none".to_owned() } else { numbers.join(", ") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::build::Up;

    fn water_taxi() -> Build {
        crate::build::load(include_str!("../../config/water-taxi.toml"), "water-taxi.toml").unwrap()
    }

    fn chain(panels: [usize; 3]) -> Vec<Seat> {
        panels.map(|panel| Seat { panel, up: Up::Up }).to_vec()
    }

    #[test]
    fn swapped_ports_are_named() {
        let build = water_taxi();
        assert!(advice(&build, &Found::from([(1, chain([0, 1, 2])), (2, chain([3, 4, 5]))])).is_empty());
        let said = advice(&build, &Found::from([(1, chain([3, 4, 5])), (2, chain([0, 1, 2]))]));
        assert_eq!(said, ["Swap the ribbons of ports 1 and 2 at the adapter, or accept this map."]);
    }

    #[test]
    fn another_order_and_a_turned_panel_are_named() {
        let build = water_taxi();
        let mut found = Found::from([(1, chain([0, 2, 1])), (2, chain([3, 4, 5]))]);
        found.get_mut(&2).unwrap()[0].up = Up::Down;
        let said = advice(&build, &found);
        assert_eq!(said.len(), 2);
        assert!(said[0].starts_with("Port 1: its ribbons run through places 3, 1, 2, the build says 3, 2, 1."), "{said:?}");
        assert!(said[1].starts_with("Place 6: the panel is turned by 180° clockwise"), "{said:?}");
    }
}

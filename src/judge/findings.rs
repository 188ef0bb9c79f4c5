//! Patterns of failed checks and of what the witness said → located faults. Rules, with probabilities that are
//! judgements of how often each explanation is the true one (common practice, no source).

use super::{Alternative, Finding};
use crate::build::{Build, Colour, Half};
use crate::check::{Check, CheckResult, Place};
use crate::event::{Answer, Seen, StopCause};
use crate::fault::Line;
use std::collections::BTreeSet;

const OFF: &str = "Supply off and discharged.";

fn finding(kind: &str, place: Place, probability: f64, evidence: Vec<String>, remedy: &[&str]) -> Finding {
    Finding {
        kind: kind.to_owned(),
        place,
        probability,
        alternatives: Vec::new(),
        evidence,
        remedy: remedy.iter().map(|s| (*s).to_owned()).collect(),
    }
}

fn also(mut f: Finding, kind: &str, place: Place, probability: f64) -> Finding {
    f.alternatives.push(Alternative { kind: kind.to_owned(), place, probability });
    f
}

fn panel_place(build: &Build, panel: usize) -> Place {
    let p = &build.panels[panel];
    Place { port: Some(p.port), position: Some(p.position), ..Place::default() }
}

type CellKey = (u8, u8, usize, usize);

/// Locates faults from the checks, the answers and the stop.
pub fn find(build: &Build, checks: &[Check], answers: &[&Answer], stop: Option<&StopCause>, lit_before: bool) -> Vec<Finding> {
    let mut out = Vec::new();
    let dead = cells(checks, |v| v < 0.4);
    let weak = cells(checks, |v| v >= 0.4);
    if let Some(cause) = stop {
        stopped(build, cause, lit_before, &mut out);
    }
    converters(checks, &mut out);
    levels(build, checks, &mut out);
    dead_cells(build, dead, &mut out);
    let panels: BTreeSet<(u8, u8)> = weak.iter().map(|c| (c.0, c.1)).collect();
    for (port, position) in panels {
        let place = Place { port: Some(port), position: Some(position), ..Place::default() };
        let f = finding(
            "panel-weak",
            place.clone(),
            0.6,
            vec!["its cells respond outside the limits, but not by nothing".to_owned()],
            &["Compare its batch with the others.", OFF, "Check its power connector.", "Change the panel."],
        );
        let feed = build.panel_at(port, position).map(|p| build.feeds[build.panels[p].feed].name.clone());
        out.push(also(f, "joint", Place { feed, ..Place::default() }, 0.3));
    }
    blocks(checks, &mut out);
    witnessed(answers, &mut out);
    let failed = checks.iter().any(|c| c.result == CheckResult::Fail);
    if out.is_empty() && failed {
        let ids: Vec<String> = checks.iter().filter(|c| c.result == CheckResult::Fail).map(|c| c.title.clone()).take(5).collect();
        out.push(finding("unknown", Place::default(), 1.0, ids, &["Look at the failed checks; none of the known faults explains them."]));
    }
    out.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    out
}

fn cells(checks: &[Check], pick: impl Fn(f64) -> bool) -> BTreeSet<CellKey> {
    checks
        .iter()
        .filter(|c| c.result == CheckResult::Fail && c.id.starts_with("sweep/cell/") && c.value.is_some_and(&pick))
        .filter_map(|c| {
            let colour = Colour::ALL.iter().position(|x| Some(x.word()) == c.place.colour.as_deref())?;
            let half = Half::ALL.iter().position(|x| Some(x.word()) == c.place.half.as_deref())?;
            Some((c.place.port?, c.place.position?, colour, half))
        })
        .collect()
}

fn stopped(build: &Build, cause: &StopCause, lit_before: bool, out: &mut Vec<Finding>) {
    if let StopCause::Silent { point, .. } = cause {
        let place = Place { sense: Some(build.sense[*point].name.clone()), ..Place::default() };
        out.push(finding(
            "converter-silent",
            place,
            0.9,
            vec![cause.text(build)],
            &[OFF, "Check the converter's four wires.", "Change the converter."],
        ));
    } else if let StopCause::Volts { point, value, window } = cause
        && let crate::build::Node::FeedEnd(f) = build.sense[*point].node
        && *value < window[0]
    {
        let place = Place { feed: Some(build.feeds[f].name.clone()), ..Place::default() };
        let remedy = [
            OFF,
            "Measure this feed's fuse with the hand meter.",
            "Look for a short in its lead before a new fuse goes in.",
            "Tighten its terminals.",
        ];
        let open = *value < window[0] / 2.0;
        let (kind, other) = if open { ("fuse-open", "joint") } else { ("joint", "fuse-open") };
        out.push(also(finding(kind, place.clone(), 0.85, vec![cause.text(build)], &remedy), other, place, 0.15));
    } else if let StopCause::Volts { value, window, .. } = cause {
        let low = *value < window[0];
        let f = finding(
            if low && lit_before { "supply-limit" } else { "supply-set" },
            Place { supply: build.supplies.first().map(|s| s.name.clone()), ..Place::default() },
            0.5,
            vec![cause.text(build)],
            &[
                "Read the supply's terminals with a hand meter, nothing connected.",
                OFF,
                "Check the input lead's terminals.",
                "Set or change the supply.",
            ],
        );
        let input = Place { supply: build.supplies.first().map(|s| s.name.clone()), ..Place::default() };
        out.push(if low { also(also(f, "joint", input.clone(), 0.3), "supply-soft", input, 0.2) } else { f });
    }
}

fn converters(checks: &[Check], out: &mut Vec<Finding>) {
    for c in checks.iter().filter(|c| c.id.starts_with("open/converter/") && c.result == CheckResult::Fail) {
        out.push(finding(
            "converter-silent",
            c.place.clone(),
            0.9,
            vec![c.basis.clone()],
            &[OFF, "Check the converter's wires and address.", "Change the converter."],
        ));
    }
}

fn levels(build: &Build, checks: &[Check], out: &mut Vec<Finding>) {
    let failed = |id: &str| checks.iter().filter(|c| c.id.starts_with(id) && c.result == CheckResult::Fail).collect::<Vec<_>>();
    let supply = Place { supply: build.supplies.first().map(|s| s.name.clone()), ..Place::default() };
    let low = failed("open/volts/").into_iter().chain(failed("idle/volts/")).collect::<Vec<_>>();
    let all = checks.iter().filter(|c| c.id.starts_with("idle/volts/")).count();
    if !low.is_empty() {
        let evidence = low.iter().map(|c| format!("{}: {:.3} V", c.title, c.value.unwrap_or_default())).collect();
        if failed("idle/volts/").len() == all && all > 1 {
            out.push(finding(
                "supply-set",
                supply.clone(),
                0.8,
                evidence,
                &["Trim the supply with a hand meter at its terminals.", "Run again."],
            ));
        } else {
            let sense = low[0].place.clone();
            let f = finding(
                "divider-off",
                sense.clone(),
                0.4,
                evidence,
                &["Read this point with a hand meter.", OFF, "Check the divider's resistors."],
            );
            out.push(also(also(f, "converter-offset", sense, 0.3), "supply-set", supply.clone(), 0.3));
        }
    }
    let steep = failed("climb/");
    if steep.len() == checks.iter().filter(|c| c.id.starts_with("climb/")).count() && !steep.is_empty() {
        let evidence = steep.iter().map(|c| format!("{}: {:.2}", c.title, c.value.unwrap_or_default())).collect();
        let f = finding(
            "joint",
            supply.clone(),
            0.5,
            evidence,
            &[OFF, "Tighten the supply's and the distribution's terminals.", "Crimp the input lead anew."],
        );
        out.push(also(f, "supply-soft", supply, 0.4));
    } else {
        for c in steep {
            let feed = c.place.sense.as_ref().and_then(|s| build.sense_named(s)).and_then(|p| match build.sense[p].node {
                crate::build::Node::FeedEnd(f) => Some(build.feeds[f].name.clone()),
                _ => None,
            });
            let evidence = vec![format!("{}: {:.2}", c.title, c.value.unwrap_or_default())];
            let place = Place { feed, ..Place::default() };
            out.push(finding(
                "joint",
                place,
                0.8,
                evidence,
                &[OFF, "Tighten this feed's terminals and fuse holder.", "Crimp its lead anew."],
            ));
        }
    }
}

fn dead_cells(build: &Build, mut dead: BTreeSet<CellKey>, out: &mut Vec<Finding>) {
    let all_of = |dead: &BTreeSet<CellKey>, p: usize| {
        let x = &build.panels[p];
        (0..3).all(|c| (0..2).all(|h| dead.contains(&(x.port, x.position, c, h))))
    };
    let take = |dead: &mut BTreeSet<CellKey>, p: usize| {
        let x = &build.panels[p];
        dead.retain(|k| (k.0, k.1) != (x.port, x.position));
    };
    let dark: Vec<usize> = (0..build.panels.len()).filter(|&p| all_of(&dead, p)).collect();
    let mut told: BTreeSet<usize> = BTreeSet::new();
    // a feed: exactly its panels (and what hangs behind them) are dark
    for (f, feed) in build.feeds.iter().enumerate() {
        let own: Vec<usize> = (0..build.panels.len()).filter(|&p| build.panels[p].feed == f).collect();
        let behind = |p: &usize| {
            own.iter().any(|&o| build.panels[o].port == build.panels[*p].port && build.panels[o].position <= build.panels[*p].position)
        };
        if own.len() > 1 && own.iter().all(|p| dark.contains(p)) && dark.iter().all(behind) {
            let place = Place { feed: Some(feed.name.clone()), ..Place::default() };
            out.push(finding(
                "fuse-open",
                place,
                0.85,
                vec![format!("no panel of feed {} responds", feed.name)],
                &[OFF, "Measure this feed's fuse with the hand meter.", "Look for a short in its lead before a new fuse goes in."],
            ));
            told.extend(&dark);
        }
    }
    for chain in &build.chains {
        let first = chain.panels.iter().position(|p| dark.contains(p) && !told.contains(p));
        if let Some(first) = first
            && chain.panels[first..].iter().all(|p| dark.contains(p))
            && chain.panels.len() - first > 1
        {
            let place = Place { port: Some(chain.port), position: Some(first as u8 + 1), ..Place::default() };
            let f = finding(
                "ribbon-open",
                place.clone(),
                0.7,
                vec![format!("port {}: no panel from position {} on responds", chain.port, first + 1)],
                &[OFF, "Reseat the ribbon ahead of this position at both ends.", "Change the ribbon."],
            );
            out.push(also(f, "line-open", Place { line: Some("CLK".to_owned()), ..place }, 0.3));
            told.extend(&chain.panels[first..]);
        }
    }
    for p in dark {
        take(&mut dead, p);
        if told.insert(p) {
            let f = finding(
                "panel-dark",
                panel_place(build, p),
                0.6,
                vec!["none of its six cells responds".to_owned()],
                &[OFF, "Check its power connector and its ribbon.", "Change the panel."],
            );
            out.push(also(f, "ribbon-open", panel_place(build, p), 0.4));
        }
    }
    // a data line: the same colour and half dead from a position to the end of its chain
    for chain in &build.chains {
        for c in 0..3 {
            for h in 0..2 {
                let positions: Vec<u8> = (1..=chain.panels.len() as u8).filter(|&n| dead.contains(&(chain.port, n, c, h))).collect();
                let Some(&first) = positions.first() else { continue };
                let line = Line::data(Half::ALL[h], Colour::ALL[c]);
                let place = Place {
                    port: Some(chain.port),
                    position: Some(first),
                    colour: Some(Colour::ALL[c].word().to_owned()),
                    half: Some(Half::ALL[h].word().to_owned()),
                    line: Some(line.word().to_owned()),
                    ..Place::default()
                };
                out.push(finding(
                    "line-open",
                    place,
                    0.75,
                    vec![format!(
                        "port {}: {} does nothing at position {first}{}",
                        chain.port,
                        line.word(),
                        if positions.len() > 1 { " and beyond" } else { "" }
                    )],
                    &[
                        OFF,
                        "Check this line in the ribbon ahead of the position.",
                        "Change the ribbon, then the adapter's buffer, then the panel.",
                    ],
                ));
            }
        }
    }
}

fn blocks(checks: &[Check], out: &mut Vec<Finding>) {
    let covered = |c: &Check| {
        checks.iter().any(|o| {
            o.id.starts_with("sweep/cell/")
                && o.result == CheckResult::Fail
                && o.value.is_some_and(|v| v < 0.4)
                && o.place.port == c.place.port
                && o.place.position == c.place.position
                && o.place.colour == c.place.colour
                && o.place.half == c.place.half
        })
    };
    for c in checks.iter().filter(|c| c.id.starts_with("sweep/block/") && c.result == CheckResult::Fail && !covered(c)) {
        out.push(finding(
            "driver-dead",
            c.place.clone(),
            0.8,
            vec![format!("{}: {:.2} of the expected response", c.title, c.value.unwrap_or_default())],
            &[OFF, "Change the panel, or its driver chip."],
        ));
    }
}

fn witnessed(answers: &[&Answer], out: &mut Vec<Finding>) {
    let mut told: BTreeSet<String> = BTreeSet::new();
    for answer in answers {
        let Answer::Differs(list) = answer else { continue };
        for d in list {
            let place = Place { port: Some(d.port), position: Some(d.position), ..Place::default() };
            let (kind, remedy): (&str, &[&str]) = match &d.seen {
                Seen::Turned { .. } => ("panel-turned", &[OFF, "Mount the panel the other way up, or correct `up` in the build."]),
                Seen::PictureOf { port, .. } if *port != d.port => ("port-swap", &[OFF, "Exchange the ribbons of the two ports."]),
                Seen::PictureOf { .. } => ("order-swap", &[OFF, "Exchange the ribbons of the two positions."]),
                Seen::WrongColour { .. } => ("lines-swapped", &[OFF, "Check the data lines of the ribbon ahead of this position."]),
                Seen::Rows(_) => ("row-dead", &[OFF, "Check the address lines; if only this panel shows it, change the panel."]),
                Seen::Columns(_) => ("column-dead", &["Change the panel."]),
                Seen::Part { .. } => ("driver-dead", &["Change the panel."]),
                Seen::Dark => ("panel-dark", &[OFF, "Check its power connector and ribbon."]),
                Seen::Other(_) => ("unknown", &["Look at the wall with the report at hand."]),
            };
            if told.insert(format!("{kind}{place:?}")) {
                out.push(finding(kind, place, 0.7, vec![format!("witness: {}", d.seen.text())], remedy));
            }
        }
    }
}

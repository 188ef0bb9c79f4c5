//! Instruments, board, expected build, how to verify, cautions.

use super::{Cell, escape, figure, heading, soft, table};
use crate::build::{Buffer, Build, Node};
use crate::event::{Entry, Event};
use crate::report::{Report, unit};
use std::fmt::Write as _;

pub(super) fn instruments(page: &mut String, r: &Report, build: &Build) {
    heading(page, "Instruments");
    let rows: Vec<Vec<Cell>> = r
        .supply
        .iter()
        .zip(&build.sense)
        .map(|(p, sense)| {
            let b = &p.instrument;
            // greatest at the highest reading; a code step counts as rectangular (JCGM 100, 4.3.7)
            let expanded = p.max.map(|v| 2.0 * ((b.gain_rel * v).powi(2) + b.offset.powi(2) + b.lsb.powi(2) / 12.0).sqrt());
            let (small, factor) = (format!("m{}", unit(sense.quantity)), 1e3);
            let detail = format!(
                "gain {} %, offset {} {small}, step {} {small}",
                figure((1e5 * b.gain_rel).round() / 1e3),
                figure((1e3 * factor * b.offset).round() / 1e3),
                figure((1e3 * factor * b.lsb).round() / 1e3)
            );
            let digits = |v: Option<f64>| Cell::number(v, 3);
            vec![
                Cell::html(format!("{}<br><span class=\"soft\">{}</span>", escape(&p.sense), escape(&sense.chip.described())), ""),
                digits(p.min),
                digits(p.mean),
                digits(p.max),
                Cell::html(format!("± {}<br><span class=\"soft\">{detail}</span>", expanded.map_or("–".into(), |u| format!("{u:.3}"))), ""),
                Cell::html(
                    format!("{}{}", p.readings, if p.missing > 0 { format!("<br>{} missing", p.missing) } else { String::new() }),
                    if p.missing > 0 { "marginal" } else { "" },
                ),
            ]
        })
        .collect();
    let units: std::collections::BTreeSet<&str> = r.supply.iter().map(|p| p.unit.as_str()).collect();
    let units = units.into_iter().collect::<Vec<_>>().join(", ");
    let heads = [
        ("sense point".to_owned(), ""),
        (format!("lowest {units}"), "n"),
        (format!("mean {units}"), "n"),
        (format!("highest {units}"), "n"),
        (format!("known to {units}"), "wide"),
        ("readings".to_owned(), "n"),
    ];
    let heads: Vec<(&str, &str)> = heads.iter().map(|(t, c)| (t.as_str(), *c)).collect();
    table(page, "instruments and their uncertainty", &heads, &rows);
    if r.calibration.is_empty() {
        soft(page, "Calibration: no sense point was corrected by a hand meter; `signproof calibrate` does so.");
    }
    for c in &r.calibration {
        let dates: Vec<String> = c
            .comparisons
            .iter()
            .map(|k| {
                let a = k.accuracy;
                format!(
                    "{}: meter {:.3} V (± {} % and {} digits of {} V), converter {:.4} V",
                    k.at, k.meter_v, a.percent, a.digits, a.digit_v, k.converter_v
                )
            })
            .collect();
        let text = format!(
            "Calibration of {}: readings times {:.5} plus {:.1} mV, known to {:.1} mV near 5 V. {}.",
            c.sense,
            c.gain,
            1e3 * c.offset_v,
            1e3 * c.standard_v,
            dates.join("; ")
        );
        let _ = writeln!(page, "<p>{}</p>", escape(&text));
    }
    let clock = if r.clock_synchronised {
        "The wall clock was synchronised during the whole run."
    } else {
        "The wall clock was NOT synchronised all the time: dates may be wrong, spans are right."
    };
    soft(
        page,
        &format!(
            "Known to: expanded uncertainty (coverage factor 2) of one reading at the highest value, from the standard uncertainties of gain and offset below it and the code step (JCGM 100). ± elsewhere: expanded uncertainty of that value, the guard band of its decision (JCGM 106). {clock}"
        ),
    );
}

pub(super) fn board(page: &mut String, r: &Report) {
    heading(page, "Controller");
    let Some(b) = &r.board else {
        soft(page, "The controller's state was not recorded.");
        return;
    };
    let yes = |v: Option<bool>| v.map(|v| if v { "YES" } else { "no" }.to_owned());
    let number = |v: Option<f64>, unit: &str| v.map(|v| format!("{} {unit}", figure(v)));
    let facts = [
        ("model", b.model.clone()),
        ("serial", b.serial.clone()),
        ("its own temperature", number(b.soc_c, "°C")),
        ("undervoltage at the last report", yes(b.undervoltage)),
        ("slowed by heat", yes(b.throttled)),
        ("clock synchronised", yes(b.clock_synced)),
        ("running for", b.uptime_s.map(span)),
        ("storage left", number(b.free_mib.map(|m| m as f64), "MiB")),
        ("panels clocked by", b.scan.as_ref().map(|s| format!("{}; {}", s.path, s.manner))),
        (
            "refreshes",
            b.scan
                .as_ref()
                .map(|s| format!("{} at {:.1} Hz, jitter {:.0} µs, longest {:.0} µs", s.refreshes, s.refresh_hz, s.jitter_us, s.worst_us)),
        ),
        ("times that the guard blanked", b.scan.as_ref().map(|s| s.stalls.to_string())),
    ];
    let unknown: Vec<&str> = facts.iter().filter(|f| f.1.is_none()).map(|f| f.0).collect();
    let rows: Vec<Vec<Cell>> = facts.iter().filter_map(|(k, v)| v.as_ref().map(|v| vec![Cell::text(k), Cell::text(v)])).collect();
    table(page, "facts of the controller", &[("fact", ""), ("value", "")], &rows);
    if !unknown.is_empty() {
        soft(page, &format!("Not reported by it: {}.", unknown.join(", ")));
    }
}

/// Seconds in the unit that suits them.
fn span(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.0} h", s / 3600.0),
        s => format!("{:.0} days", s / 86_400.0),
    }
}

pub(super) fn expected_build(page: &mut String, r: &Report, build: &Build, entries: &[Entry]) {
    heading(page, "Expected build");
    let mut list: Vec<String> = Vec::new();
    for t in &build.panel_types {
        let count = build.panels.iter().filter(|p| build.panel_types[p.kind].name == t.name).count();
        list.push(format!(
            "{count} panels {}: {} × {} pixels, {} mm pitch, at least {:.2} V, full red {} A, green {} A, blue {} A (± {} %), idle {} A",
            t.name,
            t.width,
            t.height,
            figure(t.pitch_mm),
            t.min_v.value(),
            figure(t.full_a[0].value()),
            figure(t.full_a[1].value()),
            figure(t.full_a[2].value()),
            figure(t.tolerance_pct),
            figure(t.idle_a.value())
        ));
    }
    for c in &build.chains {
        list.push(format!("port {}: {} panels", c.port, c.panels.len()));
    }
    for s in &build.supplies {
        list.push(format!(
            "supply {}: {:.2} V, {} A, accepted {:.2} to {:.2} V at its terminals",
            s.name,
            s.set_v.value(),
            figure(s.rated_a.value()),
            s.accept_v[0].value(),
            s.accept_v[1].value()
        ));
    }
    let c = &build.controller;
    list.push(format!(
        "controller: {}, on feed {}, up to {} A, at least {:.2} V",
        c.model,
        build.feeds[c.feed].name,
        figure(c.draw_a.value()),
        c.min_v.value()
    ));
    let buffer = match build.adapter.buffer {
        Buffer::Hct => "HCT inputs",
        Buffer::Hc => "HC inputs",
        Buffer::None => "no buffer",
    };
    list.push(format!("adapter: {}, {} ports, {buffer}", build.adapter.model, build.adapter.ports.len()));
    for s in &build.sense {
        let node = match s.node {
            Node::Supply(i) => format!("terminals of supply {}", build.supplies[i].name),
            Node::Distribution(i) => format!("distribution of supply {}", build.supplies[i].name),
            Node::FeedEnd(i) => format!("end of feed {}", build.feeds[i].name),
            Node::Panel(i) => format!("panel {}·{}", build.panels[i].port, build.panels[i].position),
            Node::Controller => "controller".into(),
        };
        list.push(format!("sense point {}: {node}", s.name));
    }
    page.push_str("<ul>");
    for item in &list {
        let _ = write!(page, "<li>{}</li>", escape(item));
    }
    let _ = write!(page, "</ul>\n<p class=\"soft\">Digest of the checked build: <code>{}</code></p>\n", escape(&r.build_digest));
    let file = entries.iter().find_map(|e| if let Event::RunStarted { build_file, .. } = &e.event { Some(build_file) } else { None });
    if let Some(file) = file {
        let _ = writeln!(
            page,
            "<details class=\"noprint\"><summary>The expected-build file</summary><pre tabindex=\"0\">{}</pre></details>",
            escape(file)
        );
    }
}

pub(super) fn verify(page: &mut String, r: &Report) {
    heading(page, "How to verify this report");
    let _ = write!(
        page,
        "<p>The journal of run {} holds every reading, each line chained to the one before. Anyone can make this page again from it, without the sign:</p>\n<ul><li><code>signproof judge RUN</code> makes the same report, byte for byte.</li><li><code>signproof ticket RUN -o FILE.zip</code> bundles it with the journal; <code>signproof verify FILE.zip</code> checks manifest, chain and signature and judges again.</li><li>Without signproof: unpack the ticket and run <code>sha256sum -c MANIFEST.sha256</code>; a signed ticket also passes <code>minisign -V -m MANIFEST.sha256 -p signproof.pub</code> with the public key of the sign's owner.</li></ul>\n",
        escape(&r.run_id)
    );
}

pub(super) fn cautions(page: &mut String, r: &Report) {
    heading(page, "Cautions");
    page.push_str("<ul>");
    for c in &r.cautions {
        let _ = write!(page, "<li>{}</li>", escape(c));
    }
    page.push_str("</ul>\n");
}

//! Coverage, instruments, board, expected build, how to verify, cautions.

use super::{Cell, escape, figure, heading, soft, table};
use crate::build::{Buffer, Build, Node};
use crate::event::{Entry, Event};
use crate::judge::Proof;
use crate::report::words::kind_text;
use crate::report::{Report, unit};
use std::fmt::Write as _;

pub(super) fn coverage(page: &mut String, r: &Report) {
    heading(page, "What this test can and can't prove");
    soft(page, "By kind of fault, with these sense points. Places are counted; each is in report.json.");
    let mut groups: Vec<((&str, Proof, &str), usize)> = Vec::new();
    for c in &r.coverage {
        let key = (c.kind.as_str(), c.proof, c.reason.as_str());
        match groups.iter_mut().find(|g| g.0 == key) {
            Some(g) => g.1 += 1,
            None => groups.push((key, 1)),
        }
    }
    let rows: Vec<Vec<Cell>> = groups
        .into_iter()
        .map(|((kind, proof, reason), count)| {
            let word = match proof {
                Proof::Measured => "✔ measured",
                Proof::Witness => "◆ witness",
                Proof::NotProven => "◔ not proven",
            };
            vec![Cell::text(kind_text(kind)), Cell::text(word), Cell::text(count.to_string()), Cell::text(reason)]
        })
        .collect();
    table(page, "coverage", &[("fault", ""), ("proof", ""), ("places", "n"), ("why", "")], &rows);
}

pub(super) fn instruments(page: &mut String, r: &Report, build: &Build) {
    heading(page, "Instruments");
    let rows: Vec<Vec<Cell>> = r
        .supply
        .iter()
        .zip(&build.sense)
        .map(|(p, sense)| {
            let number = |v: Option<f64>| Cell::text(v.map_or("–".into(), |v| format!("{v:.4} {}", unit(sense.quantity))));
            vec![
                Cell::text(&p.sense),
                Cell::text(sense.chip.described()),
                number(p.min),
                number(p.mean),
                number(p.max),
                Cell::text(p.readings.to_string()),
                Cell::text(p.missing.to_string()),
                Cell::number(Some(100.0 * p.instrument.gain_rel), 3),
                Cell::number(Some(1e3 * p.instrument.offset), 3),
                Cell::number(Some(1e3 * p.instrument.lsb), 3),
            ]
        })
        .collect();
    let heads = [
        ("sense point", ""),
        ("chip", ""),
        ("min", "n"),
        ("mean", "n"),
        ("max", "n"),
        ("readings", "n"),
        ("missing", "n"),
        ("gain u %", "n"),
        ("offset u m", "n"),
        ("code step m", "n"),
    ];
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
            "u: standard uncertainty of the instrument (JCGM 100), in percent of the reading and in thousandths of the unit. ± U in the tables: expanded uncertainty, the guard band of each decision (JCGM 106). {clock}"
        ),
    );
}

pub(super) fn board(page: &mut String, r: &Report) {
    heading(page, "Controller");
    let Some(b) = &r.board else {
        soft(page, "The controller's state was not recorded.");
        return;
    };
    let yes = |v: Option<bool>| v.map_or("not reported", |v| if v { "YES" } else { "no" }).to_owned();
    let text = |v: &Option<String>| v.clone().unwrap_or_else(|| "not reported".into());
    let number = |v: Option<f64>, unit: &str| v.map_or_else(|| "not reported".into(), |v| format!("{} {unit}", figure(v)));
    let scan = b.scan.iter().flat_map(|s| {
        [
            ("panels clocked by", format!("{}; {}", s.path, s.manner)),
            ("refreshes", format!("{} at {:.1} Hz, jitter {:.0} µs, longest {:.0} µs", s.refreshes, s.refresh_hz, s.jitter_us, s.worst_us)),
            ("times that the guard blanked", s.stalls.to_string()),
        ]
    });
    let rows: Vec<Vec<Cell>> = [
        ("model", text(&b.model)),
        ("serial", text(&b.serial)),
        ("its own temperature", number(b.soc_c, "°C")),
        ("undervoltage at the last report", yes(b.undervoltage)),
        ("slowed by heat", yes(b.throttled)),
        ("up since", number(b.uptime_s, "s")),
        ("storage left", number(b.free_mib.map(|m| m as f64), "MiB")),
    ]
    .into_iter()
    .chain(scan)
    .map(|(k, v)| vec![Cell::text(k), Cell::text(v)])
    .collect();
    table(page, "facts of the controller", &[("fact", ""), ("value", "")], &rows);
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
        "<p>The journal of run {} holds every reading, each line chained to the one before. Anyone can make this page again from it, without the sign:</p>\n<ul><li><code>signproof judge RUN</code> makes the same report, byte for byte.</li><li><code>signproof ticket RUN -o FILE.zip</code> bundles it with the journal; <code>signproof verify FILE.zip</code> checks manifest, chain and signature and judges again.</li><li>Without signproof: unpack the ticket and run <code>sha256sum -c MANIFEST.sha256</code>; a signed ticket also passes <code>minisign -V -m MANIFEST.sha256 -p signproof.pub</code> with the public key of the sign's owner.</li></ul>\n<p class=\"soft\">{}</p>\n",
        escape(&r.run_id),
        escape(&r.tool)
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

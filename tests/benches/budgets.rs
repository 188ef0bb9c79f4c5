//! The budgets of the design, measured: `cargo bench`. A name states its budget; nothing here fails by time, a machine may be busy.

#[path = "../runs/mod.rs"]
mod runs;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use signproof::build::{self, Build};
use signproof::commission::{JOURNAL, judge_again, write_readings};
use signproof::frame::FrameSpec;
use signproof::power::network::{Network, Parts};
use signproof::scan::{self, Lines, ScanProgram};
use std::fmt::Write as _;
use std::hint::black_box;
use std::time::Duration;

/// `count` panels in one row on one port, four to a feed.
fn row(count: u16) -> Build {
    let mut text = std::fs::read_to_string("tests/good_builds/power-monitor.toml").unwrap();
    text.truncate(text.find("[feeds.F1]").unwrap());
    for feed in 0..count.div_ceil(4) {
        let _ = writeln!(text, "[feeds.F{feed}]\nfuse_a = 30.0\nlead = {{ mm2 = 6.0, length_m = 0.45 }}");
    }
    text.push_str(
        "[feeds.C]\nfuse_a = 5.0\nlead = { mm2 = 2.5, length_m = 0.45 }\n[controller]\nmodel = \"single-board computer\"\nfeed = \"C\"\n\
         draw_a = 3.0\nmin_v = 4.75\n[adapter]\nbuffer = \"HCT\"\noe_pull_up = true\noe = 4\naddress = [5, 6, 7, 8]\nclk = 9\nlat = 10\n\
         [[adapter.ports]]\nport = 1\ndata = [11, 12, 13, 16, 17, 18]\n[[chains]]\nport = 1\npanels = [\n",
    );
    for p in 0..count {
        let _ = writeln!(text, "{{ type = \"p4\", at = [{}, 0], feed = \"F{}\" }},", (count - 1 - p) * 64, p / 4);
    }
    text.push_str("]\n[[sense]]\nname = \"volts\"\nnode = \"distribution\"\nchip = { kind = \"ina226\", bus = 1, address = 0x40 }\n");
    build::load(&text, "row").unwrap_or_else(|p| panic!("{}", p.render(false)))
}

fn commissioning(c: &mut Criterion) {
    let (build, file) = runs::load("config/water-taxi.toml");
    let mut group = c.benchmark_group("whole commissioning of the six-panel demo, budget 1 s");
    group.sample_size(10).measurement_time(Duration::from_secs(10));
    group.bench_function("20-minute hold, journal synced, judged and reported", |b| {
        b.iter(|| runs::simulate(&build, &file, "", 1).report.outcome);
    });
    group.finish();
}

struct Register(u32);

impl Lines for Register {
    fn write(&mut self, clear: u32, set: u32) {
        self.0 = (self.0 & !clear) | set;
        black_box(self.0);
    }
}

fn scanning(c: &mut Criterion) {
    let build = row(24);
    let mut group = c.benchmark_group("24-panel chain, 1536 × 32");
    for spec in [FrameSpec::Black, FrameSpec::Level(500), FrameSpec::Marks] {
        let frame = spec.draw(&build);
        group.bench_function(format!("scan program of {}, budget 2 ms", spec.title()), |b| b.iter(|| scan::compile(&build, &frame, 1000)));
    }
    let program = scan::compile(&build, &FrameSpec::Level(500).draw(&build), 1000);
    let columns = 16 * 1536;
    writes(&program, columns);
    group.throughput(criterion::Throughput::Elements(columns));
    let mut register = Register(0);
    group.bench_function("replay into a register in memory, budget 3 ns a column", |b| {
        b.iter(|| scan::replay_refresh(black_box(&program), &mut register));
    });
    group.finish();
}

fn writes(program: &ScanProgram, columns: u64) {
    let words = program.refresh.iter().map(|w| u64::from(w.clear != 0) + u64::from(w.set != 0)).sum::<u64>();
    println!(
        "register writes of a half-lit wall: {:.3} a column (budget 2 for repeated colours, 3 at most)",
        words as f64 / columns as f64
    );
}

fn network(c: &mut Criterion) {
    let build = row(64);
    let parts = Parts::nominal(&build, 30.0);
    let mut group = c.benchmark_group("network of 64 panels, budget 1 ms");
    let levels: Vec<Vec<[f64; 3]>> = [0.02, 0.03].iter().map(|l| vec![[*l; 3]; 64]).collect();
    group.bench_function("solved afresh", |b| {
        b.iter_batched(|| Network::new(&build), |mut n| n.solve(&parts, &levels[0]).unwrap(), BatchSize::LargeInput);
    });
    let mut network = Network::new(&build);
    let mut turn = 0;
    group.bench_function("solved from a neighbouring level", |b| {
        b.iter(|| {
            turn ^= 1;
            network.solve(&parts, &levels[turn]).unwrap()
        });
    });
    group.finish();
}

/// A run of the demo whose hold is so long, kept in a directory.
fn kept(hold_s: f64) -> (tempfile::TempDir, u64) {
    let (build, file) = runs::demo(hold_s);
    let run = runs::simulate(&build, &file, "", 1);
    let temp = tempfile::tempdir().unwrap();
    std::fs::write(temp.path().join(JOURNAL), run.journal).unwrap();
    (temp, run.report.supply.iter().map(|p| p.readings).sum())
}

fn judging(c: &mut Criterion) {
    let mut group = c.benchmark_group("judge and report from the journal: html, json, csv");
    group.sample_size(10);
    for (name, hold_s) in [("the demo", 1200.0), ("a million readings, budget 2 s and 1 MiB of HTML", 23_000.0)] {
        let (dir, readings) = kept(hold_s);
        group.bench_function(name, |b| {
            b.iter(|| {
                let done = judge_again(dir.path()).unwrap();
                write_readings(dir.path()).unwrap();
                done.report.outcome
            });
        });
        let html = std::fs::metadata(dir.path().join("report.html")).unwrap().len();
        println!("{name}: {readings} readings, report.html {html} bytes");
    }
    group.finish();
}

criterion_group!(budgets, commissioning, scanning, network, judging);
criterion_main!(budgets);

//! The simulated sign outside an emulated board: register writes in, converter counts out.
//!
//! `sign-in-the-loop BUILD SCENARIO CAPTURE ASK TELL`: CAPTURE is a pipe with the emulator's trace of register writes. When the board's converter
//! starts a conversion, a write of 0 to GPSET1 stands in the trace, the board's time in nanoseconds comes through ASK, and the emulated processor
//! waits until the counts of the four inputs went into TELL. So each conversion sees exactly what was written before it, however slow either
//! side is. Ends with the capture and prints what was seen as `writes N hazards N updates N dark B`.
//!
//! Light is counted over whole refreshes, without the pauses between them: an emulated board has no time of its own for those.

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use signproof::build::{self, Build, Chip};
use signproof::meter;
use signproof::rig::sim::chips::Analog;
use signproof::rig::sim::scenario::Scenario;
use signproof::rig::sim::{Seen, World};
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};

/// Without a row lit for this long of the board's time the wall is dark: longer than the pause between two refreshes.
const DARK_NS: u64 = 100_000_000;

/// What one line of the trace says.
enum Said {
    /// A write: clear mask, set mask.
    Word(u32, u32),
    /// A conversion starts.
    Asks,
}

/// A write to GPSET0, GPSET1 or GPCLR0 (BCM2835 ARM Peripherals, table 6-1; the block is at 0x3f200000 on this board).
fn said(line: &[u8]) -> Option<Said> {
    const AT: &[u8] = b"addr 0x3f2000";
    let at = line.windows(AT.len()).position(|w| w == AT)? + AT.len();
    let (register, rest) = line[at..].split_at_checked(2)?;
    let value = rest.strip_prefix(b" value 0x")?;
    let digits = value.iter().take_while(|b| b.is_ascii_hexdigit()).count();
    let mask = u32::from_str_radix(std::str::from_utf8(&value[..digits]).ok()?, 16).ok()?;
    match register {
        b"1c" => Some(Said::Word(0, mask)),
        b"28" => Some(Said::Word(mask, 0)),
        b"20" => Some(Said::Asks),
        _ => None,
    }
}

/// Counts of the converter's inputs, with 1 count rms of noise.
fn counts(build: &Build, world: &mut World, rng: &mut StdRng) -> [i16; 4] {
    let mut out = [0; 4];
    for (i, point) in build.sense.iter().enumerate() {
        if let Chip::Ads1115 { channel, range_v, .. } = point.chip {
            let noise: f64 = rng.sample(StandardNormal);
            let input = world.volts(i) / meter::scale(point);
            out[usize::from(channel)] = (input / range_v * 32768.0 + noise).round().clamp(-32768.0, 32767.0) as i16;
        }
    }
    out
}

/// Counts the rows lit, so that the wall is looked at after whole refreshes.
struct Rows {
    oe: u32,
    of_refresh: u32,
    low: bool,
    lit: u32,
}

impl Rows {
    /// True where a refresh ends with this write.
    fn ends(&mut self, clear: u32, set: u32) -> bool {
        let low = (self.low || clear & self.oe != 0) && set & self.oe == 0;
        let rose = self.low && !low;
        self.low = low;
        self.lit += u32::from(rose);
        let ends = rose && self.lit >= self.of_refresh;
        if ends {
            self.lit = 0;
        }
        ends
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [build, scenario, capture, ask, tell] = &arguments[..] else {
        panic!("usage: sign-in-the-loop BUILD SCENARIO CAPTURE ASK TELL");
    };
    let read = |path: &String| std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let build = build::load(&read(build), build).unwrap_or_else(|p| panic!("{}", p.render(false)));
    let scenario = Scenario::parse(&read(scenario), scenario, &build).unwrap_or_else(|e| panic!("{e}"));
    let seed = scenario.seed.unwrap_or(1);
    let mut world = World::new(&build, &scenario, seed, 0, Seen::default());
    let mut rng = StdRng::seed_from_u64(seed);

    // both ways, so that neither side waits for the other at opening
    let pipe = |path: &String| File::options().read(true).write(true).open(path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let (mut ask, mut tell) = (pipe(ask), pipe(tell));
    let mut lines = BufReader::with_capacity(1 << 20, File::open(capture).unwrap_or_else(|e| panic!("{capture}: {e}")));
    let mut line = Vec::new();
    let mut rows = Rows { oe: 1 << build.adapter.oe, of_refresh: u32::from(build.addresses()), low: false, lit: 0 };
    let (mut writes, mut updates, mut began, mut last_lit) = (0_u64, 0_u64, None, 0);
    while lines.read_until(b'\n', &mut line).is_ok_and(|n| n > 0) {
        match said(&line) {
            Some(Said::Word(clear, set)) => {
                writes += 1;
                world.word(clear, set);
                if rows.ends(clear, set) {
                    world.look();
                    last_lit = world.now_ns();
                }
            }
            Some(Said::Asks) => {
                let mut time = [0; 8];
                if ask.read_exact(&mut time).is_err() {
                    break;
                }
                let now = u64::from_le_bytes(time);
                let since = now - *began.get_or_insert(now);
                world.advance(since.saturating_sub(world.now_ns()));
                if world.now_ns() - last_lit > DARK_NS {
                    world.look();
                    rows.lit = 0;
                    last_lit = world.now_ns();
                }
                let answer = counts(&build, &mut world, &mut rng);
                let bytes: Vec<u8> = answer.iter().flat_map(|c| c.to_le_bytes()).collect();
                if tell.write_all(&bytes).is_err() {
                    break;
                }
                updates += 1;
            }
            None => {}
        }
        line.clear();
    }
    world.look();
    let h = world.hazards();
    let dark = !rows.low;
    println!("writes {writes} hazards {} updates {updates} dark {dark}", h.address_while_lit + h.latch_while_lit + h.data_at_clock);
}

//! The simulated sign outside an emulated board: register writes in, converter counts out.
//!
//! `sign-in-the-loop BUILD SCENARIO CAPTURE SOCKET`: CAPTURE is a pipe with the emulator's trace of register writes, SOCKET its serial
//! line. Every few milliseconds a line with the counts of the converter's four inputs goes into the board. Ends with the capture and prints
//! what was seen as `writes N hazards N updates N`.

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use signproof::build::{self, Build, Chip};
use signproof::meter;
use signproof::rig::sim::chips::Analog;
use signproof::rig::sim::scenario::Scenario;
use signproof::rig::sim::{Seen, World};
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant};

/// Between two lines to the board.
const EVERY: Duration = Duration::from_millis(8);

/// One write: clear mask, set mask.
type Word = (u32, u32);

/// The write of one line of the trace, where it is one to GPSET0 or GPCLR0 (BCM2835 ARM Peripherals, table 6-1; the block is
/// at 0x3f200000 on this board).
fn word(line: &[u8]) -> Option<Word> {
    const SET: &[u8] = b"addr 0x3f20001c value 0x";
    const CLEAR: &[u8] = b"addr 0x3f200028 value 0x";
    let at = line.windows(5).position(|w| w == b"addr ")?;
    let rest = &line[at..];
    let (value, set) = match (rest.strip_prefix(SET), rest.strip_prefix(CLEAR)) {
        (Some(value), _) => (value, true),
        (_, Some(value)) => (value, false),
        _ => return None,
    };
    let digits = value.iter().take_while(|b| b.is_ascii_hexdigit()).count();
    let mask = u32::from_str_radix(std::str::from_utf8(&value[..digits]).ok()?, 16).ok()?;
    Some(if set { (0, mask) } else { (mask, 0) })
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

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [build, scenario, capture, socket] = &arguments[..] else {
        panic!("usage: sign-in-the-loop BUILD SCENARIO CAPTURE SOCKET");
    };
    let read = |path: &String| std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let build = build::load(&read(build), build).unwrap_or_else(|p| panic!("{}", p.render(false)));
    let scenario = Scenario::parse(&read(scenario), scenario, &build).unwrap_or_else(|e| panic!("{e}"));
    let seed = scenario.seed.unwrap_or(1);
    let mut world = World::new(&build, &scenario, seed, 0, Seen::default());
    let mut rng = StdRng::seed_from_u64(seed);

    let trace = std::fs::File::open(capture).unwrap_or_else(|e| panic!("{capture}: {e}"));
    let (send, words) = sync_channel::<Vec<Word>>(1000);
    std::thread::spawn(move || {
        let mut lines = BufReader::with_capacity(1 << 20, trace);
        let mut line = Vec::new();
        let mut batch = Vec::with_capacity(256);
        while lines.read_until(b'\n', &mut line).is_ok_and(|n| n > 0) {
            batch.extend(word(&line));
            line.clear();
            let due = batch.len() == 256 || (!batch.is_empty() && lines.buffer().is_empty());
            if due && send.send(std::mem::take(&mut batch)).is_err() {
                return;
            }
        }
        let _ = send.send(batch);
    });

    // the emulator makes its end once it runs
    let mut board = loop {
        match UnixStream::connect(socket) {
            Ok(stream) => break stream,
            Err(_) => std::thread::sleep(Duration::from_millis(50)),
        }
    };
    board.set_nonblocking(true).expect("a socket can be made non-blocking");
    let start = Instant::now();
    let (mut next, mut writes, mut updates) = (EVERY, 0_u64, 0_u64);
    loop {
        match words.recv_timeout(next.saturating_sub(start.elapsed())) {
            Ok(batch) => {
                writes += batch.len() as u64;
                for (clear, set) in batch {
                    world.word(clear, set);
                }
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => break,
        }
        let now = start.elapsed();
        if now >= next {
            next = now + EVERY;
            world.look();
            let behind = (now.as_nanos() as u64).saturating_sub(world.now_ns());
            world.advance(behind);
            let [a, b, c, d] = counts(&build, &mut world, &mut rng);
            // a board that does not listen yet, or no more, is none of this program's business
            if board.write_all(format!("{a},{b},{c},{d}\n").as_bytes()).is_ok() {
                updates += 1;
            }
        }
    }
    let h = world.hazards();
    println!("writes {writes} hazards {} updates {updates}", h.address_while_lit + h.latch_while_lit + h.data_at_clock);
}

//! The thread that clocks a program over and over, and the one that watches it.

use super::root::Root;
use super::wires::{Paced, Wires, spin_ns};
use crate::rig::RigError;
use crate::scan::{self, ScanProgram};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Without a refresh for this long, or for three refreshes where that is longer, the guard drives OE high.
const STALL: Duration = Duration::from_millis(20);
/// The first refresh of a program, or the dark, comes within this time, or something is broken.
const ANSWER: Duration = Duration::from_millis(500);
/// How often the guard looks.
const LOOK: Duration = Duration::from_millis(4);

/// What the scan thread runs at.
#[derive(Clone, Debug)]
pub struct ScanOptions {
    /// See [`super::soc::Soc::stretch`].
    pub stretch: f64,
    /// The core that the thread is bound to.
    pub core: Option<usize>,
    /// Replaces the guard's 20 ms, for machines that are no real boards.
    pub stall: Option<Duration>,
    /// A pause in the dark after each refresh, for machines that are no real boards.
    pub rest: Duration,
    /// Where the system's files are.
    pub root: Root,
}

/// Refreshes since the start of the thread.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Refreshes {
    /// How many.
    pub count: u64,
    /// Mean time of one, seconds.
    pub mean_s: f64,
    /// Sum of squared deviations from the mean.
    m2: f64,
    /// The longest, seconds.
    pub worst_s: f64,
    /// Times that the guard had to blank.
    pub stalls: u32,
}

impl Refreshes {
    fn add(&mut self, seconds: f64) {
        // Welford's recurrence
        self.count += 1;
        let delta = seconds - self.mean_s;
        self.mean_s += delta / self.count as f64;
        self.m2 += delta * (seconds - self.mean_s);
        self.worst_s = self.worst_s.max(seconds);
    }
    /// Standard deviation of the time of a refresh, seconds.
    pub fn jitter_s(&self) -> f64 {
        if self.count < 2 { 0.0 } else { (self.m2 / (self.count - 1) as f64).sqrt() }
    }
}

#[derive(Default)]
struct Desk {
    /// The newest order and its number; older ones need not be carried out.
    order: Option<Order>,
    given: u64,
    done: u64,
    ended: bool,
    stats: Refreshes,
    /// How the thread runs.
    manner: Option<String>,
    stalled: bool,
}

enum Order {
    Show(Arc<ScanProgram>),
    Dark,
    End,
}

struct Shared {
    wires: Arc<Wires>,
    desk: Mutex<Desk>,
    changed: Condvar,
    /// Number of the newest order, so that the hot loop need not lock.
    given: AtomicU64,
    start: Instant,
    /// When the last refresh ended, nanoseconds since `start`; 0 while nothing is shown.
    beat: AtomicU64,
    /// Longest refresh of the program shown, nanoseconds; 0 before its first one.
    longest: AtomicU64,
    stall: Duration,
}

impl Shared {
    fn desk(&self) -> MutexGuard<'_, Desk> {
        self.desk.lock().unwrap_or_else(PoisonError::into_inner)
    }
    fn now(&self) -> u64 {
        (self.start.elapsed().as_nanos() as u64).max(1)
    }
    fn give(&self, order: Order) -> u64 {
        let mut desk = self.desk();
        desk.given += 1;
        desk.order = Some(order);
        self.given.store(desk.given, Ordering::SeqCst);
        self.changed.notify_all();
        desk.given
    }
    fn wait_done(&self, number: u64, limit: Duration) -> bool {
        let desk = self.desk();
        let waiting = |d: &mut Desk| d.done < number && !d.ended && !d.stalled;
        let (desk, _) = self.changed.wait_timeout_while(desk, limit, waiting).unwrap_or_else(PoisonError::into_inner);
        desk.done >= number
    }
}

/// The two threads. Dropping it blanks and ends them.
pub struct Scanner {
    shared: Arc<Shared>,
    threads: Vec<JoinHandle<()>>,
}

impl Scanner {
    /// Starts both threads, in the dark.
    ///
    /// # Errors
    /// Where the system gives no threads.
    pub fn start(wires: Arc<Wires>, options: &ScanOptions) -> std::io::Result<Self> {
        let shared = Arc::new(Shared {
            wires,
            desk: Mutex::default(),
            changed: Condvar::new(),
            given: AtomicU64::new(0),
            start: Instant::now(),
            beat: AtomicU64::new(0),
            longest: AtomicU64::new(0),
            stall: options.stall.unwrap_or(STALL),
        });
        let (a, b, o) = (Arc::clone(&shared), Arc::clone(&shared), options.clone());
        let scan = std::thread::Builder::new().name("scan".to_owned()).spawn(move || {
            let end = EndMark(&a);
            replay(&a, &o);
            drop(end);
        })?;
        let mut scanner = Self { shared, threads: vec![scan] };
        scanner.threads.push(std::thread::Builder::new().name("guard".to_owned()).spawn(move || guard(&b))?);
        Ok(scanner)
    }

    /// Shows a program; returns after its first whole refresh.
    pub fn show(&self, program: &Arc<ScanProgram>) -> Result<(), RigError> {
        self.check()?;
        // `replay` opens the wires once the first row is loaded
        let number = self.shared.give(Order::Show(Arc::clone(program)));
        if self.shared.wait_done(number, 2 * ANSWER.max(3 * self.shared.stall)) {
            return Ok(());
        }
        self.shared.wires.close();
        self.check()?;
        Err(broken("showing a frame", "the scan thread did not finish a refresh"))
    }

    /// OE high at once; returns when the scan thread has stopped clocking.
    pub fn blank(&self) -> Result<(), RigError> {
        self.shared.wires.close();
        let number = self.shared.give(Order::Dark);
        let done = self.shared.wait_done(number, ANSWER);
        // once more, for the word that was under way when the wires were closed
        self.shared.wires.close();
        if done || self.shared.desk().stalled {
            Ok(())
        } else {
            Err(broken("blanking", "the scan thread does not answer; OE was driven high"))
        }
    }

    /// Whether all is well with the threads.
    pub fn check(&self) -> Result<(), RigError> {
        let desk = self.shared.desk();
        if desk.stalled {
            let ms = self.shared.stall.as_millis();
            return Err(broken("clocking the panels", &format!("no refresh for {ms} ms; the wall was blanked")));
        }
        if desk.ended { Err(broken("clocking the panels", "the scan thread has ended")) } else { Ok(()) }
    }

    /// Refreshes so far, and how the thread runs.
    pub fn refreshes(&self) -> (Refreshes, Option<String>) {
        let desk = self.shared.desk();
        (desk.stats, desk.manner.clone())
    }
}

impl Drop for Scanner {
    fn drop(&mut self) {
        self.shared.wires.close();
        self.shared.give(Order::End);
        for thread in self.threads.drain(..) {
            let _ = thread.join();
        }
        self.shared.wires.close();
        self.shared.wires.rest();
    }
}

fn broken(what: &str, why: &str) -> RigError {
    let todo = "close other programs, or bind the scan to a core of its own with --scan-core".to_owned();
    RigError { what: what.to_owned(), why: why.to_owned(), todo }
}

/// Says that the thread is over, also where it panics.
struct EndMark<'a>(&'a Shared);

impl Drop for EndMark<'_> {
    fn drop(&mut self) {
        self.0.wires.close();
        self.0.beat.store(0, Ordering::SeqCst);
        self.0.desk().ended = true;
        self.0.changed.notify_all();
    }
}

fn replay(shared: &Shared, options: &ScanOptions) {
    let spin = spin_ns();
    let manner = super::realtime::raise(&options.root, options.core);
    shared.desk().manner = Some(manner);
    let mut lines = Paced::new(Arc::clone(&shared.wires));
    let mut showing: Option<Arc<ScanProgram>> = None;
    let mut taken = 0;
    let mut fresh = false;
    loop {
        if showing.is_none() || shared.given.load(Ordering::Relaxed) != taken {
            let mut desk = shared.desk();
            while desk.order.is_none() {
                desk = shared.changed.wait(desk).unwrap_or_else(PoisonError::into_inner);
            }
            let order = desk.order.take();
            taken = desk.given;
            match order {
                Some(Order::Show(program)) => {
                    drop(desk);
                    lines.pace(&program, options.stretch, spin);
                    scan::replay_prepare(&program, &mut lines);
                    shared.longest.store(0, Ordering::SeqCst);
                    shared.beat.store(shared.now(), Ordering::SeqCst);
                    // not where it was blanked meanwhile
                    if shared.given.load(Ordering::SeqCst) == taken {
                        shared.wires.open();
                        if shared.given.load(Ordering::SeqCst) != taken {
                            shared.wires.close();
                        }
                    }
                    showing = Some(program);
                    fresh = true;
                }
                Some(Order::Dark) => {
                    shared.wires.close();
                    shared.beat.store(0, Ordering::SeqCst);
                    shared.wires.rest();
                    showing = None;
                    desk.done = taken;
                    shared.changed.notify_all();
                }
                Some(Order::End) | None => return,
            }
            continue;
        }
        let Some(program) = &showing else { continue };
        let began = shared.now();
        scan::replay_refresh(program, &mut lines);
        let ended = shared.now();
        shared.beat.store(ended, Ordering::SeqCst);
        shared.longest.fetch_max(ended - began, Ordering::SeqCst);
        let mut desk = shared.desk();
        desk.stats.add((ended - began) as f64 * 1e-9);
        if fresh {
            fresh = false;
            desk.done = taken;
            shared.changed.notify_all();
        }
        drop(desk);
        if !options.rest.is_zero() {
            std::thread::sleep(options.rest);
        }
    }
}

fn guard(shared: &Shared) {
    loop {
        {
            let desk = shared.desk();
            let (desk, _) = shared.changed.wait_timeout_while(desk, LOOK, |d| !d.ended).unwrap_or_else(PoisonError::into_inner);
            if desk.ended {
                shared.wires.close();
                return;
            }
        }
        let beat = shared.beat.load(Ordering::SeqCst);
        if beat == 0 {
            continue;
        }
        let longest = Duration::from_nanos(shared.longest.load(Ordering::SeqCst));
        // the first refresh of a program has no measure yet but the time in which it must be shown
        let limit = if longest.is_zero() { ANSWER.max(3 * shared.stall) } else { shared.stall.max(3 * longest) };
        if shared.now().saturating_sub(beat) > limit.as_nanos() as u64 {
            shared.wires.close();
            shared.beat.store(0, Ordering::SeqCst);
            let mut desk = shared.desk();
            desk.stalled = true;
            desk.stats.stalls += 1;
            shared.changed.notify_all();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::bank::Bank;
    use super::super::pins::PinSet;
    use super::super::wires::Driver;
    use super::*;
    use crate::scan::Word;
    use std::io::{Read, Seek, SeekFrom};

    const OE: u32 = 1 << 4;

    /// A page of a file in place of registers: it keeps the last word written to each.
    struct Page {
        _dir: tempfile::TempDir,
        path: std::path::PathBuf,
    }

    impl Page {
        fn new() -> Self {
            let dir = tempfile::tempdir().unwrap();
            let path = dir.path().join("gpiomem");
            std::fs::write(&path, [0; 4096]).unwrap();
            Self { _dir: dir, path }
        }
        /// Last masks written to the set and to the clear register (offsets 0x1c and 0x28).
        fn last(&self) -> [u32; 2] {
            let mut file = std::fs::File::open(&self.path).unwrap();
            [0x1c, 0x28].map(|offset| {
                let mut word = [0; 4];
                file.seek(SeekFrom::Start(offset)).unwrap();
                file.read_exact(&mut word).unwrap();
                u32::from_le_bytes(word)
            })
        }
        fn scanner(&self, stall: u64) -> Scanner {
            let set = PinSet { oe: 4, others: vec![5, 6] };
            let wires = Wires::new(Driver::Bank(Bank::open(&self.path).unwrap()), &set);
            let options = ScanOptions {
                stretch: 1.0,
                core: None,
                stall: Some(Duration::from_millis(stall)),
                rest: Duration::ZERO,
                root: Root::default(),
            };
            Scanner::start(Arc::new(wires), &options).unwrap()
        }
    }

    fn program(words: usize, pulse_ns: f64) -> Arc<ScanProgram> {
        let mut refresh = vec![Word { clear: OE, set: 0 }];
        refresh.extend([Word { clear: 0, set: 1 << 5 }, Word { clear: 1 << 5, set: 0 }].repeat(words));
        Arc::new(ScanProgram { prepare: vec![Word { clear: 0, set: OE }], refresh, oe: OE, mask: OE | 3 << 5, pulse_ns })
    }

    #[test]
    fn shown_then_dark_and_dark_for_good() {
        let page = Page::new();
        let scanner = page.scanner(1000);
        let program = program(50, 25.0);
        scanner.show(&program).unwrap();
        assert_eq!(page.last()[0], 1 << 5, "clocking: the last word set is not OE");
        std::thread::sleep(Duration::from_millis(20));
        scanner.blank().unwrap();
        let dark = page.last();
        assert_eq!(dark, [OE, 3 << 5], "OE high last, all others low");
        std::thread::sleep(Duration::from_millis(20));
        assert_eq!(page.last(), dark, "nothing is written in the dark");
        let (refreshes, manner) = scanner.refreshes();
        assert!(refreshes.count > 10 && refreshes.mean_s > 50.0 * 2.0 * 25e-9, "{refreshes:?}");
        assert!(manner.unwrap().contains("priority"));
        scanner.show(&program).unwrap();
        drop(scanner);
        assert_eq!(page.last()[0], OE, "dropped: dark");
    }

    #[test]
    fn the_guard_blanks_where_refreshes_do_not_come() {
        let page = Page::new();
        let scanner = page.scanner(1);
        // two seconds a refresh
        let error = scanner.show(&program(1000, 1e6)).unwrap_err();
        assert!(error.why.contains("the wall was blanked"), "{error}");
        assert!(scanner.check().is_err());
        assert_eq!(scanner.refreshes().0.stalls, 1);
        assert!(scanner.shared.wires.is_closed());
    }
}

//! Each kind of fault of the dictionary alone, at the magnitude written here, on the demo sign in simulation: it changes the outcome, or
//! the report says that this build's sense points cannot prove it there.

mod runs;

use runs::{coverage, demo, simulate};
use signproof::fault::Fault;
use signproof::judge::{Outcome, Proof};
use std::collections::BTreeSet;
use std::sync::Mutex;

/// Kind, place and magnitude as the scenario file has them, and the place as the coverage table names it.
const FAULTS: [(&str, &str, &str, &str); 25] = [
    ("supply-set", "volts = 4.80", "supply", "main"),
    ("supply-soft", "milliohm = 20", "supply", "main"),
    ("supply-limit", "amps = 8", "supply", "main"),
    ("joint", "feed = \"F2\"\nmilliohm = 50", "feed", "F2"),
    ("joint", "input = true\nmilliohm = 20", "supply", "main"),
    ("fuse-open", "feed = \"F1\"", "feed", "F1"),
    ("leak", "feed = \"F3\"\namps = 0.5", "feed", "F3"),
    ("panel-dark", "port = 1\nposition = 2", "position", "2"),
    ("panel-weak", "port = 2\nposition = 3\nfactor = 0.7", "position", "3"),
    ("panel-turned", "port = 1\nposition = 1\ndegrees = 180", "position", "1"),
    ("port-swap", "ports = [1, 2]", "port", "1"),
    ("order-swap", "port = 2\npositions = [1, 2]", "port", "2"),
    ("ribbon-open", "port = 1\nafter = 1", "port", "1"),
    ("line-open", "port = 2\nline = \"B1\"\nafter = 0", "port", "2"),
    ("lines-swapped", "port = 1\nlines = [\"G1\", \"B1\"]\nafter = 0", "port", "1"),
    ("lines-shorted", "port = 1\nlines = [\"R1\", \"R2\"]\nafter = 1", "port", "1"),
    ("address-stuck", "line = \"C\"\nhigh = true", "line", "C"),
    ("driver-dead", "port = 2\nposition = 2\ncolour = \"red\"\nhalf = \"lower\"\nblock = 1", "position", "2"),
    ("column-dead", "port = 1\nposition = 3\ncolour = \"green\"\nhalf = \"upper\"\ncolumn = 32", "position", "3"),
    ("row-dead", "port = 1\nposition = 1\nrow = 5", "position", "1"),
    ("return-open", "feed = \"F2\"", "feed", "F2"),
    ("converter-silent", "sense = \"feed-1\"", "sense", "feed-1"),
    ("converter-stuck", "sense = \"feed-2\"", "sense", "feed-2"),
    ("converter-offset", "sense = \"distribution\"\nmillivolt = 300", "sense", "distribution"),
    ("divider-off", "sense = \"feed-3\"\npercent = 5", "sense", "feed-3"),
];

#[test]
fn every_kind_of_fault_alone_shows_or_is_listed_as_not_provable_there() {
    let kinds: BTreeSet<&str> = FAULTS.iter().map(|f| f.0).collect();
    assert_eq!(kinds, Fault::KINDS.into_iter().collect(), "the table has every kind");
    let (build, file) = demo(10.0);
    let sound = simulate(&build, &file, "", 7).report;
    assert_eq!(sound.outcome, Outcome::Pass, "without a fault: {:?}", sound.reasons);
    let next = Mutex::new(FAULTS.iter());
    let unseen = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(2, usize::from) {
            scope.spawn(|| {
                loop {
                    let Some((kind, magnitude, key, place)) = next.lock().unwrap().next() else { return };
                    let run = simulate(&build, &file, &format!("[[fault]]\nkind = \"{kind}\"\n{magnitude}\n"), 7);
                    let not_proven = coverage(&run.report, kind, key, place).any(|c| c.proof == Proof::NotProven);
                    println!("{kind:18} {:10} not proven there: {not_proven}; {}", run.report.outcome.word(), run.report.reasons[0]);
                    if run.report.outcome == Outcome::Pass && !not_proven {
                        unseen.lock().unwrap().push(format!("{kind}: {magnitude}"));
                    }
                }
            });
        }
    });
    let unseen = unseen.into_inner().unwrap();
    assert!(unseen.is_empty(), "passed as if sound: {unseen:#?}");
}

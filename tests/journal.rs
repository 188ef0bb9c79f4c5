//! The journal's invariants: what is written comes back, what is cut recovers, what is changed shows.

use signproof::event::{Ending, Entry, Event, Stage, Stamp};
use signproof::frame::FrameSpec;
use signproof::journal::{FileStorage, Journal, MAX_LINE, Sink, Storage, read};
use std::io;

fn entry(seq: u64, seconds: f64, event: Event) -> Entry {
    Entry { seq, at: Stamp { mono_ns: (seconds * 1e9) as u64, unix_ms: 1_700_000_000_000, synced: true }, event }
}

fn small() -> Vec<Entry> {
    vec![
        entry(0, 0.0, Event::StageStarted { stage: Stage::Open }),
        entry(1, 0.1, Event::Shown { step: 0, frame: FrameSpec::Black }),
        entry(2, 0.2, Event::StepSkipped { step: 1, why: "no witness; “quoted”\nnew line".into() }),
        entry(3, 0.3, Event::StageEnded { stage: Stage::Open }),
        entry(4, 0.4, Event::RunEnded { ending: Ending::Completed }),
    ]
}

fn written(entries: &[Entry]) -> Vec<u8> {
    let mut journal = Journal::create(Vec::new());
    for e in entries {
        journal.record(e).unwrap();
    }
    journal.into_storage()
}

#[test]
fn what_is_written_comes_back() {
    let back = read(&written(&small()));
    assert_eq!(back.entries, small());
    assert!(back.ended && back.torn.is_none());
}

#[test]
fn every_truncation_recovers_to_the_last_whole_line() {
    let bytes = written(&small());
    for cut in 0..bytes.len() {
        let back = read(&bytes[..cut]);
        let whole = bytes[..cut].iter().filter(|b| **b == b'\n').count();
        assert_eq!(back.entries, small()[..whole], "cut at {cut}");
        assert!(!back.ended, "cut at {cut}");
        let tail = cut - bytes[..cut].iter().rposition(|b| *b == b'\n').map_or(0, |p| p + 1);
        let said = (tail > 0).then(|| format!("line {}: the line was cut off", whole + 1));
        assert_eq!(back.torn, said, "cut at {cut}");
    }
}

#[test]
fn a_flipped_bit_anywhere_is_detected_at_its_line() {
    let bytes = written(&small());
    for at in 0..bytes.len() {
        let line = 1 + bytes[..at].iter().filter(|b| **b == b'\n').count();
        for bit in 0..8 {
            let mut bad = bytes.clone();
            bad[at] ^= 1 << bit;
            let back = read(&bad);
            let found = back.torn.unwrap_or_default();
            assert!(found.starts_with(&format!("line {line}:")), "byte {at} bit {bit}: {found}");
            assert_eq!(back.entries, small()[..line - 1], "byte {at} bit {bit}");
        }
    }
}

#[test]
fn a_rewritten_line_with_a_right_crc_breaks_the_chain() {
    let bytes = written(&small());
    let mut other = small();
    other[1].event = Event::Shown { step: 0, frame: FrameSpec::Marks };
    let forged = written(&other);
    let line = |b: &[u8], n: usize| b.split_inclusive(|c| *c == b'\n').nth(n).unwrap().to_vec();
    let mixed: Vec<u8> = (0..5).flat_map(|n| line(if n == 1 { &forged } else { &bytes }, n)).collect();
    let back = read(&mixed);
    assert_eq!(back.torn.as_deref(), Some("line 3: the chain to the line before is broken"));
}

#[test]
fn a_missing_line_and_a_line_after_the_end_are_problems() {
    let bytes = written(&small());
    let lines: Vec<&[u8]> = bytes.split_inclusive(|c| *c == b'\n').collect();
    let gap = [lines[0], lines[2]].concat();
    assert_eq!(read(&gap).torn.as_deref(), Some("line 2: the chain to the line before is broken"));
    let more = [bytes.as_slice(), lines[4]].concat();
    let back = read(&more);
    assert_eq!(back.torn.as_deref(), Some("line 6: a line after the end of the run"));
    assert!(back.ended && back.entries.len() == 5);
}

#[test]
fn an_entry_out_of_order_is_refused_when_written() {
    let mut journal = Journal::create(Vec::new());
    let error = journal.record(&entry(1, 0.0, Event::StageStarted { stage: Stage::Open })).unwrap_err();
    assert!(error.to_string().contains("entry 1 came where 0 was expected"), "{error}");
}

#[test]
fn the_largest_build_file_fits_a_line_and_a_longer_line_is_refused_when_written() {
    let worst = |bytes: usize| entry(0, 0.0, Event::StepSkipped { step: 0, why: "\u{1}".repeat(bytes) });
    let mut journal = Journal::create(Vec::new());
    journal.record(&worst(1 << 20)).unwrap();
    let back = read(&journal.into_storage());
    assert_eq!((back.entries.len(), back.torn), (1, None));
    let mut journal = Journal::create(Vec::new());
    assert!(journal.record(&worst(MAX_LINE / 6)).unwrap_err().to_string().contains("more than a line's"));
    assert!(journal.into_storage().is_empty());
}

/// Counts syncs, fails from a given call on.
#[derive(Default)]
struct Fragile {
    bytes: Vec<u8>,
    syncs: usize,
    appends_left: Option<usize>,
    syncs_left: Option<usize>,
}

impl Storage for Fragile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        if self.appends_left == Some(0) {
            return Err(io::Error::other("no space left"));
        }
        self.appends_left = self.appends_left.map(|n| n - 1);
        self.bytes.extend_from_slice(bytes);
        Ok(())
    }
    fn sync(&mut self) -> io::Result<()> {
        if self.syncs_left == Some(0) {
            return Err(io::Error::other("medium gone"));
        }
        self.syncs_left = self.syncs_left.map(|n| n - 1);
        self.syncs += 1;
        Ok(())
    }
}

#[test]
fn a_failing_medium_is_an_error_and_closes_the_journal() {
    let mut journal = Journal::create(Fragile { appends_left: Some(1), ..Fragile::default() });
    let entries = small();
    journal.record(&entries[0]).unwrap();
    assert!(journal.record(&entries[1]).unwrap_err().to_string().contains("no space left"));
    assert!(journal.record(&entries[1]).unwrap_err().to_string().contains("closed"));

    let mut journal = Journal::create(Fragile { syncs_left: Some(1), ..Fragile::default() });
    for e in &entries[..3] {
        journal.record(e).unwrap();
    }
    assert!(journal.record(&entries[3]).unwrap_err().to_string().contains("medium gone"), "a stage's end is synced");
}

#[test]
fn readings_are_synced_before_five_seconds_have_passed() {
    let mut journal = Journal::create(Fragile::default());
    for k in 0..=100 {
        journal.record(&entry(k, k as f64, Event::Shown { step: 0, frame: FrameSpec::Black })).unwrap();
    }
    // the first entry, then every fourth second
    assert_eq!(journal.into_storage().syncs, 1 + 100 / 4);
}

#[test]
fn virtual_seconds_alone_are_not_worth_a_sync() {
    let mut journal = Journal::in_virtual_time(Fragile::default());
    for k in 0..100 {
        journal.record(&entry(k, k as f64, Event::Shown { step: 0, frame: FrameSpec::Black })).unwrap();
    }
    journal.flush().unwrap();
    journal.record(&entry(100, 100.0, Event::StageEnded { stage: Stage::Open })).unwrap();
    assert_eq!(journal.into_storage().syncs, 2);
}

#[test]
fn a_journal_never_overwrites_another() {
    let place = tempfile::tempdir().unwrap();
    let path = place.path().join("journal.jsonl");
    let mut journal = Journal::create(FileStorage::create(&path).unwrap());
    for e in small() {
        journal.record(&e).unwrap();
    }
    assert_eq!(read(&std::fs::read(&path).unwrap()).entries, small());
    assert!(FileStorage::create(&path).is_err());
}

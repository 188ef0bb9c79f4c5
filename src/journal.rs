//! The record of a run: append-only JSON lines, checksummed and chained.
//!
//! Invariants:
//! - One line an entry: `{"crc":"8 hex","prev":"64 hex","entry":{…}}` and a newline. `crc` is CRC-32 over the bytes of the line from `"prev"` to
//!   the closing brace; `prev` is SHA-256 of the line before without its newline (64 zeros for the first).
//! - `entry.seq` counts from 0 without gaps.
//! - Nothing follows the entry `run-ended`.
//! - Synced to storage after the start, at the end of each stage, at trips, before and after a witness is asked, at the end, and (but in
//!   virtual time) at the first entry 3.9 s or more after the last sync: blocks of readings come at most 4 s apart, so 5 s are never exceeded by more
//!   than one block in the making.
//! - A reader accepts the longest prefix of whole, valid lines; a line is at most 8 MiB, newline included (a build file of 1 MiB with
//!   every byte escaped fits).
//! - After a failed write or sync nothing more is accepted: the run cannot be proven any more.

use crate::event::{Entry, Event};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::io::{self, Write};
use std::path::Path;

/// Longest line in bytes, newline included.
pub const MAX_LINE: usize = 8 << 20;
const SYNC_AFTER_S: f64 = 3.9;

/// Where a journal goes.
pub trait Storage {
    /// Adds bytes at the end.
    ///
    /// # Errors
    /// The storage's own.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Makes everything appended durable.
    ///
    /// # Errors
    /// The storage's own.
    fn sync(&mut self) -> io::Result<()>;
}

/// A journal in a file.
pub struct FileStorage {
    file: std::fs::File,
}

impl FileStorage {
    /// A new file; an existing one is an error.
    ///
    /// # Errors
    /// Of the file system.
    pub fn create(path: &Path) -> io::Result<Self> {
        let file = std::fs::OpenOptions::new().write(true).create_new(true).open(path)?;
        if let Some(dir) = path.parent() {
            std::fs::File::open(if dir.as_os_str().is_empty() { Path::new(".") } else { dir })?.sync_all()?;
        }
        Ok(Self { file })
    }
}

impl Storage for FileStorage {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.file.write_all(bytes)
    }
    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }
}

impl Storage for Vec<u8> {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.extend_from_slice(bytes);
        Ok(())
    }
    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Takes entries; the first consumer of the event stream.
pub trait Sink {
    /// Keeps an entry.
    ///
    /// # Errors
    /// Where it could not be kept: the run must not go on.
    fn record(&mut self, entry: &Entry) -> io::Result<()>;
    /// Makes everything recorded so far durable: called before a wait of unknown length. Nothing to do where `record`
    /// keeps at once.
    ///
    /// # Errors
    /// As [`Sink::record`].
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// In memory.
impl Sink for Vec<Entry> {
    fn record(&mut self, entry: &Entry) -> io::Result<()> {
        self.push(entry.clone());
        Ok(())
    }
}

/// Writes a journal.
pub struct Journal<S> {
    storage: S,
    previous: String,
    next: u64,
    synced_at: Option<u64>,
    timed: bool,
    closed: bool,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line<'a> {
    crc: String,
    prev: String,
    #[serde(borrow)]
    entry: &'a serde_json::value::RawValue,
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut s, b| {
        use std::fmt::Write as _;
        let _ = write!(s, "{b:02x}");
        s
    })
}

fn first_link() -> String {
    "0".repeat(64)
}

impl<S: Storage> Journal<S> {
    /// An empty journal.
    pub fn create(storage: S) -> Self {
        Self { storage, previous: first_link(), next: 0, synced_at: None, timed: true, closed: false }
    }
    /// An empty journal of a simulated run: virtual seconds fly by, so that only what is worth a sync of its own is synced.
    pub fn in_virtual_time(storage: S) -> Self {
        Self { timed: false, ..Self::create(storage) }
    }
    /// The storage with everything recorded.
    pub fn into_storage(self) -> S {
        self.storage
    }
}

impl<S: Storage> Journal<S> {
    fn keep(&mut self, entry: &Entry) -> io::Result<()> {
        if entry.seq != self.next {
            return Err(io::Error::other(format!("entry {} came where {} was expected: a bug of the caller", entry.seq, self.next)));
        }
        let body = format!("\"prev\":\"{}\",\"entry\":{}}}", self.previous, serde_json::to_string(entry)?);
        let mut line = format!("{{\"crc\":\"{:08x}\",{body}", crc32fast::hash(body.as_bytes()));
        if line.len() >= MAX_LINE {
            return Err(io::Error::other(format!("entry {} takes {} bytes, more than a line's {MAX_LINE}", entry.seq, line.len())));
        }
        self.previous = hex(&Sha256::digest(line.as_bytes()));
        self.next += 1;
        line.push('\n');
        self.storage.append(line.as_bytes())?;
        let due = self.timed && self.synced_at.is_none_or(|t| (entry.at.mono_ns.saturating_sub(t)) as f64 * 1e-9 >= SYNC_AFTER_S);
        let important = matches!(
            entry.event,
            Event::RunStarted { .. }
                | Event::StageEnded { .. }
                | Event::Blanked { .. }
                | Event::Witnessed { .. }
                | Event::Checklist(_)
                | Event::ByHand { .. }
                | Event::RunEnded { .. }
        );
        if due || important {
            self.storage.sync()?;
            self.synced_at = Some(entry.at.mono_ns);
        }
        Ok(())
    }

    /// After a failure the journal is closed: what is on the medium then ends at the failure.
    fn guarded(&mut self, act: impl FnOnce(&mut Self) -> io::Result<()>) -> io::Result<()> {
        if self.closed {
            return Err(io::Error::other("the journal is closed since an earlier entry could not be kept"));
        }
        let result = act(self);
        self.closed = result.is_err();
        result
    }
}

impl<S: Storage> Sink for Journal<S> {
    fn record(&mut self, entry: &Entry) -> io::Result<()> {
        self.guarded(|journal| journal.keep(entry))
    }
    fn flush(&mut self) -> io::Result<()> {
        self.guarded(|journal| journal.storage.sync())
    }
}

/// What could be read of a journal.
#[derive(Debug, Default)]
pub struct Recovered {
    /// Entries of the longest valid prefix.
    pub entries: Vec<Entry>,
    /// Why reading stopped before the end of the file, with the line number; `None` for a whole journal.
    pub torn: Option<String>,
    /// True where the run's end was recorded.
    pub ended: bool,
}

/// Reads a journal, whole or torn.
pub fn read(bytes: &[u8]) -> Recovered {
    let mut out = Recovered::default();
    let mut previous = first_link();
    for (i, line) in bytes.split_inclusive(|b| *b == b'\n').enumerate() {
        let checked =
            if out.ended { Err("a line after the end of the run".to_owned()) } else { check(line, &previous, out.entries.len() as u64) };
        match checked {
            Ok(entry) => {
                previous = hex(&Sha256::digest(&line[..line.len() - 1]));
                out.ended = matches!(entry.event, Event::RunEnded { .. });
                out.entries.push(entry);
            }
            Err(why) => {
                out.torn = Some(format!("line {}: {why}", i + 1));
                break;
            }
        }
    }
    out
}

fn check(line: &[u8], previous: &str, seq: u64) -> Result<Entry, String> {
    let Some(line) = line.strip_suffix(b"\n") else { return Err("the line was cut off".to_owned()) };
    if line.len() >= MAX_LINE {
        return Err("the line is longer than any that is written".to_owned());
    }
    let text = std::str::from_utf8(line).map_err(|_| "not text".to_owned())?;
    let parsed: Line<'_> = serde_json::from_str(text).map_err(|e| format!("not a journal line ({e})"))?;
    let body = text.get(18..).unwrap_or_default();
    if parsed.crc != format!("{:08x}", crc32fast::hash(body.as_bytes())) {
        return Err("the checksum does not fit".to_owned());
    }
    if parsed.prev != previous {
        return Err("the chain to the line before is broken".to_owned());
    }
    let entry: Entry = serde_json::from_str(parsed.entry.get()).map_err(|e| format!("an entry that this version does not know ({e})"))?;
    if entry.seq == seq { Ok(entry) } else { Err(format!("entry {} stands where {seq} should", entry.seq)) }
}

/// Writes a whole file so that a power cut leaves either the old or the new one: write, sync, rename, sync the directory.
///
/// # Errors
/// Of the file system.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = atomic_write_file::AtomicWriteFile::open(path)?;
    file.write_all(bytes)?;
    file.commit()
}

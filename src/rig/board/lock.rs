//! One program at a time on the lines: a lock file that also says, after a crash, which lines were driven.

use super::pins::PinSet;
use super::root::Root;
use crate::rig::RigError;
use rustix::fs::{FlockOperation, flock};
use serde::{Deserialize, Serialize};
use std::fs::{File, OpenOptions, Permissions};
use std::io::{ErrorKind, Read, Seek, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;

/// On a file system that forgets at power-off, writable by every user of Debian's.
const PATH: &str = "/run/lock/signproof.lock";
const MODE: u32 = 0o644;
/// Longest note read back.
const NOTE_MAX: u64 = 4096;

/// What stands in the lock file.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// Process that wrote it.
    pub process: u32,
    /// What it does, e.g. `run`.
    pub doing: String,
    /// The OE line.
    pub oe: u8,
    /// The other lines.
    pub others: Vec<u8>,
}

impl Note {
    /// The lines of the note, where they are plausible.
    pub fn pins(&self) -> Option<PinSet> {
        let good = self.oe < 28 && self.others.len() < 28 && self.others.iter().all(|&p| p < 28 && p != self.oe);
        good.then(|| PinSet { oe: self.oe, others: self.others.clone() })
    }
}

/// The lock, held until dropped.
#[derive(Debug)]
pub struct Lock {
    _file: File,
}

/// Where the lock file is.
pub fn path(root: &Root) -> PathBuf {
    root.at(PATH)
}

/// What the last program wrote, if anything.
pub fn last(root: &Root) -> Option<Note> {
    let mut text = String::new();
    File::open(path(root)).ok()?.take(NOTE_MAX).read_to_string(&mut text).ok()?;
    serde_json::from_str(&text).ok()
}

fn open(root: &Root) -> std::io::Result<File> {
    // a file of another user in a shared directory may be read and locked, but not written or created over
    match OpenOptions::new().read(true).write(true).open(path(root)) {
        Err(e) if e.kind() == ErrorKind::PermissionDenied => File::open(path(root)),
        Err(e) if e.kind() == ErrorKind::NotFound => {
            let file = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(path(root))?;
            // whatever the umask: others must be able to read and lock it
            file.set_permissions(Permissions::from_mode(MODE))?;
            Ok(file)
        }
        other => other,
    }
}

/// Takes the lock and notes the lines.
///
/// # Errors
/// Where another program holds it, by number and purpose; where the file cannot be made.
pub fn take(root: &Root, doing: &str, set: &PinSet) -> Result<Lock, RigError> {
    let what = "taking the lock of the lines".to_owned();
    let shown = path(root).display().to_string();
    let mut file = open(root).map_err(|e| RigError {
        what: what.clone(),
        why: format!("{shown}: {e}"),
        todo: "check that /run/lock is there and may be written by this user".to_owned(),
    })?;
    if flock(&file, FlockOperation::NonBlockingLockExclusive).is_err() {
        // another kind of program may hold it without a note of its own: that of an ended process says nothing
        let noted = last(root).filter(|n| root.at(&format!("/proc/{}", n.process)).exists());
        let holder = noted.map_or_else(
            || "another program".to_owned(),
            |n| format!("`signproof {}` (process {})", n.doing.chars().filter(|c| !c.is_control()).take(40).collect::<String>(), n.process),
        );
        return Err(RigError { what, why: format!("{holder} has it ({shown})"), todo: "wait for its end, or stop it".to_owned() });
    }
    let note = Note { process: std::process::id(), doing: doing.to_owned(), oe: set.oe, others: set.others.clone() };
    let text = serde_json::to_string(&note).unwrap_or_default();
    let written = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| file.write_all(text.as_bytes()));
    if let Err(error) = written {
        tracing::warn!(%error, file = %shown, "the lines could not be noted: `signproof blank` will need the build file");
    }
    Ok(Lock { _file: file })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_second_is_refused_by_name_and_the_note_stays() {
        let dir = tempfile::tempdir().unwrap();
        let root = Root::new(dir.path());
        std::fs::create_dir_all(root.at("/run/lock")).unwrap();
        std::fs::create_dir_all(root.at(&format!("/proc/{}", std::process::id()))).unwrap();
        let set = PinSet { oe: 4, others: vec![5, 6] };
        let first = take(&root, "run", &set).unwrap();
        let refused = take(&root, "show", &set).unwrap_err();
        assert!(refused.why.contains(&format!("`signproof run` (process {})", std::process::id())), "{refused}");
        drop(first);
        assert_eq!(last(&root).unwrap().pins(), Some(set.clone()));
        take(&root, "show", &set).unwrap();
        assert_eq!(last(&root).unwrap().doing, "show");
    }

    #[test]
    fn a_holder_without_a_note_is_not_taken_for_the_program_before_it() {
        let dir = tempfile::tempdir().unwrap();
        let root = Root::new(dir.path());
        std::fs::create_dir_all(root.at("/run/lock")).unwrap();
        let set = PinSet { oe: 4, others: vec![] };
        drop(take(&root, "blank", &set).unwrap());
        let player = File::open(path(&root)).unwrap();
        flock(&player, FlockOperation::NonBlockingLockExclusive).unwrap();
        // the process of the note is not in the tree's /proc
        let refused = take(&root, "run", &set).unwrap_err();
        assert!(refused.why.starts_with("another program has it"), "{refused}");
    }

    #[test]
    fn a_note_with_absurd_lines_is_not_used() {
        for note in [Note { oe: 28, ..Note::default() }, Note { oe: 3, others: vec![3], ..Note::default() }] {
            assert_eq!(note.pins(), None);
        }
    }
}

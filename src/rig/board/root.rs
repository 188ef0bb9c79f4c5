//! Where the system's files are. `/`, but for tests that bring a tree of their own.

use std::path::{Path, PathBuf};

/// A prefix for `/dev`, `/sys`, `/proc` and `/run`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Root(PathBuf);

impl Default for Root {
    fn default() -> Self {
        Self(PathBuf::from("/"))
    }
}

impl Root {
    /// A tree below `dir`.
    pub fn new(dir: impl Into<PathBuf>) -> Self {
        Self(dir.into())
    }
    /// True where this is the system itself.
    pub fn is_system(&self) -> bool {
        self.0 == Path::new("/")
    }
    /// The place of an absolute path.
    pub fn at(&self, path: &str) -> PathBuf {
        self.0.join(path.trim_start_matches('/'))
    }
    /// Text of a file without the NUL and white space at its end; `None` where there is none or it cannot be read.
    pub fn text(&self, path: &str) -> Option<String> {
        let bytes = std::fs::read(self.at(path)).ok()?;
        let text = String::from_utf8_lossy(&bytes);
        let text = text.trim_end_matches(|c: char| c == '\0' || c.is_whitespace());
        (!text.is_empty()).then(|| text.to_owned())
    }
    /// Entries of a directory, sorted by name; empty where it cannot be read.
    pub fn list(&self, path: &str) -> Vec<PathBuf> {
        let mut all: Vec<PathBuf> = std::fs::read_dir(self.at(path)).into_iter().flatten().flatten().map(|e| e.path()).collect();
        all.sort();
        all
    }
}

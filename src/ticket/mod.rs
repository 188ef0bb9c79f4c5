//! A run bundled for the service desk, and the check of such a bundle.
//!
//! A ticket is a zip of known members. `MANIFEST.sha256` names the digest of each (`sha256sum -c` checks it);
//! `MANIFEST.sha256.minisig`, where there is one, signs the manifest (`minisign -V` checks it).

mod make;
mod pack;
mod redact;
mod sign;
mod text;
mod unpack;
mod verify;

pub use make::{Redacted, Request, make, redacted};
pub use sign::{KeyPair, PUBLIC_NAME, SECRET_NAME, SignError, public_key, read_key};
pub use text::text;
pub use unpack::Refused;
pub use verify::{Answer, Verdict, verify};

use serde::{Deserialize, Serialize};

/// Version of the ticket's format.
pub const FORMAT: u32 = 1;

/// Name of the manifest.
pub const MANIFEST: &str = "MANIFEST.sha256";
/// Name of the manifest's signature.
pub const SIGNATURE: &str = "MANIFEST.sha256.minisig";

/// Every member that a ticket may have, with the greatest size that is read, in bytes.
pub const MEMBERS: [(&str, u64); 14] = [
    ("README.txt", 64 << 10),
    ("ticket.json", 64 << 10),
    ("report.html", 4 << 20),
    ("report.json", 16 << 20),
    ("journal.jsonl", 32 << 20),
    ("readings.csv", 384 << 20),
    ("build.toml", 1 << 20),
    ("board.json", 64 << 10),
    ("calibration.json", 1 << 20),
    ("baseline.json", 8 << 20),
    ("symptom.txt", 64 << 10),
    (PUBLIC_NAME, 4 << 10),
    (MANIFEST, 16 << 10),
    (SIGNATURE, 4 << 10),
];

/// What a ticket says of itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct About {
    /// [`FORMAT`] of the writer.
    pub format: u32,
    /// Tool and version that made the ticket.
    pub made_by: String,
    /// Tool and version that ran the sign.
    pub ran_by: String,
    /// Id of the run.
    pub run_id: String,
    /// Outcome word.
    pub outcome: String,
    /// True where no real sign was attached.
    pub simulated: bool,
    /// True where serials, names and site were taken out; the journal was then chained anew.
    pub redacted: bool,
}

/// SHA-256 in lower-case hex.
fn hex_digest(digest: &[u8]) -> String {
    digest.iter().fold(String::with_capacity(64), |mut s, b| {
        use std::fmt::Write as _;
        let _ = write!(s, "{b:02x}");
        s
    })
}

/// Tool and version of this program.
fn this_tool() -> String {
    concat!("signproof ", env!("CARGO_PKG_VERSION")).to_owned()
}

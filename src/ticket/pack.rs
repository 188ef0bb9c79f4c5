//! Writing a ticket: members in a fixed order with fixed times, so that the same run makes the same bytes.

use super::{MANIFEST, hex_digest};
use sha2::{Digest, Sha256};
use std::io::{Cursor, Write};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

/// Lines `digest  name`, as `sha256sum` writes them.
pub(super) fn manifest(members: &[(&'static str, Vec<u8>)]) -> String {
    members.iter().map(|(name, bytes)| format!("{}  {name}\n", hex_digest(&Sha256::digest(bytes)))).collect()
}

/// The zip, with the manifest and what signs it behind the members.
pub(super) fn pack(
    members: &[(&'static str, Vec<u8>)],
    manifest: &str,
    signature: Option<(&'static str, String)>,
) -> std::io::Result<Vec<u8>> {
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .last_modified_time(DateTime::default())
        .unix_permissions(0o644);
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let tail = [Some((MANIFEST, manifest.to_owned())), signature].into_iter().flatten();
    let tail: Vec<(&str, Vec<u8>)> = tail.map(|(n, t)| (n, t.into_bytes())).collect();
    for (name, bytes) in members.iter().chain(&tail) {
        zip.start_file(*name, options)?;
        zip.write_all(bytes)?;
    }
    Ok(zip.finish()?.into_inner())
}

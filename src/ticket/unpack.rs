//! Reading a ticket from a stranger. Nothing is trusted before it is checked: the directory of the zip is read here and
//! must be exactly of the kind that this program writes; only then is a member inflated, as a stream, and never beyond
//! the size that the directory states.

use super::MEMBERS;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

/// Greatest file that is looked at, bytes.
const MAX_FILE: u64 = 128 << 20;
/// Greatest directory, bytes: 14 members need less than 2 KiB.
const MAX_DIRECTORY: u64 = 8 << 10;
/// A member above 1 MiB may not inflate to more than this many times its packed size; readings reach about 20.
const MAX_RATIO: u64 = 120;
const END: usize = 22;
const CENTRAL: usize = 46;
const LOCAL: usize = 30;

/// Why a file is not read as a ticket.
#[derive(Debug, thiserror::Error)]
pub enum Refused {
    /// It can't be read at all.
    #[error("{0}")]
    Io(#[from] io::Error),
    /// It is not what this program writes.
    #[error("refused: {0}; nothing of it was unpacked")]
    Hostile(String),
}

fn hostile<T>(why: impl Into<String>) -> Result<T, Refused> {
    Err(Refused::Hostile(why.into()))
}

fn u16_at(b: &[u8], at: usize) -> u64 {
    u64::from(u16::from_le_bytes([b[at], b[at + 1]]))
}

fn u32_at(b: &[u8], at: usize) -> u64 {
    u64::from(u32::from_le_bytes([b[at], b[at + 1], b[at + 2], b[at + 3]]))
}

/// One member as the directory states it.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Listed {
    name: &'static str,
    method: u64,
    packed: u64,
    size: u64,
    offset: u64,
}

/// A ticket whose structure was checked.
pub(super) struct Unpacked {
    zip: zip::ZipArchive<BufReader<File>>,
    members: Vec<Listed>,
}

impl Unpacked {
    /// Opens a file and checks its structure; inflates nothing.
    pub fn open(path: &Path) -> Result<Self, Refused> {
        let mut file = File::open(path)?;
        let kind = file.metadata()?;
        if !kind.is_file() {
            return hostile("not a plain file");
        }
        let members = directory(&mut file, kind.len())?;
        file.rewind()?;
        let zip = zip::ZipArchive::new(BufReader::new(file)).map_err(|e| Refused::Hostile(e.to_string()))?;
        let same = zip.len() == members.len() && zip.file_names_raw().zip(&members).all(|(a, b)| a == b.name.as_bytes());
        if !same {
            return hostile("its directory can be read in two ways");
        }
        Ok(Self { zip, members })
    }

    /// Names in the order of the file.
    pub fn names(&self) -> Vec<&'static str> {
        self.members.iter().map(|m| m.name).collect()
    }

    /// Size of a member as the directory states it; 0 where there is none.
    pub fn size(&self, name: &str) -> u64 {
        self.members.iter().find(|m| m.name == name).map_or(0, |m| m.size)
    }

    fn stream(&mut self, name: &str, mut take: impl FnMut(&[u8])) -> Result<(), Refused> {
        let Some(at) = self.members.iter().position(|m| m.name == name) else { return hostile(format!("it has no {name}")) };
        let size = self.members[at].size;
        let mut member = self.zip.by_index(at).map_err(|e| Refused::Hostile(e.to_string()))?.take(size + 1);
        let mut buffer = [0; 16 << 10];
        let mut seen = 0;
        loop {
            // a wrong checksum or a broken stream shows here
            let n = match member.read(&mut buffer) {
                Ok(n) => n,
                Err(e) => return hostile(format!("{name} can't be inflated ({e})")),
            };
            if n == 0 {
                break;
            }
            seen += n as u64;
            if seen > size {
                return hostile(format!("{name} inflates to more than the {size} bytes that it states"));
            }
            take(&buffer[..n]);
        }
        if seen == size { Ok(()) } else { hostile(format!("{name} has {seen} bytes where {size} are stated")) }
    }

    /// SHA-256 of a member, without keeping it.
    pub fn digest(&mut self, name: &str) -> Result<String, Refused> {
        let mut hash = Sha256::new();
        self.stream(name, |bytes| hash.update(bytes))?;
        Ok(super::hex_digest(&hash.finalize()))
    }

    /// A whole member.
    pub fn read(&mut self, name: &str) -> Result<Vec<u8>, Refused> {
        // what the directory states is bounded by now; growing step by step would take twice as much
        let mut out = Vec::with_capacity(self.size(name) as usize);
        self.stream(name, |bytes| out.extend_from_slice(bytes))?;
        Ok(out)
    }

    /// A whole member as text.
    pub fn text(&mut self, name: &str) -> Result<String, Refused> {
        String::from_utf8(self.read(name)?).or_else(|_| hostile(format!("{name} is not text")))
    }
}

/// The end record: number of members, place and size of the directory.
fn end_record(file: &mut File, length: u64) -> Result<(u64, u64, u64), Refused> {
    if length < END as u64 {
        return hostile("too short for a zip");
    }
    if length > MAX_FILE {
        return hostile(format!("{length} bytes are more than any ticket has ({MAX_FILE})"));
    }
    let mut end = [0; END];
    file.seek(SeekFrom::Start(length - END as u64))?;
    file.read_exact(&mut end)?;
    if u32_at(&end, 0) != 0x0605_4b50 || u16_at(&end, 20) != 0 {
        return hostile("it does not end as a ticket does: not a zip, or something was added behind it");
    }
    let (disk, first, here, total) = (u16_at(&end, 4), u16_at(&end, 6), u16_at(&end, 8), u16_at(&end, 10));
    let (size, offset) = (u32_at(&end, 12), u32_at(&end, 16));
    if disk != 0 || first != 0 || here != total {
        return hostile("it is split over several files");
    }
    if total == 0 || total > MEMBERS.len() as u64 || size > MAX_DIRECTORY {
        return hostile(format!("{total} members where a ticket has {} at most", MEMBERS.len()));
    }
    if offset + size + END as u64 != length {
        return hostile("there is something between its directory and its end");
    }
    Ok((total, offset, size))
}

fn directory(file: &mut File, length: u64) -> Result<Vec<Listed>, Refused> {
    let (total, offset, size) = end_record(file, length)?;
    let mut bytes = vec![0; size as usize];
    file.seek(SeekFrom::Start(offset))?;
    file.read_exact(&mut bytes)?;
    let mut members: Vec<Listed> = Vec::new();
    let mut rest = bytes.as_slice();
    for _ in 0..total {
        let (member, used) = listed(rest)?;
        if members.iter().any(|m| m.name == member.name) {
            return hostile(format!("{} is there twice", member.name));
        }
        members.push(member);
        rest = &rest[used..];
    }
    if !rest.is_empty() {
        return hostile("its directory holds more than it states");
    }
    tiled(file, &members, offset)?;
    Ok(members)
}

/// One entry of the directory and its length.
fn listed(rest: &[u8]) -> Result<(Listed, usize), Refused> {
    if rest.len() < CENTRAL || u32_at(rest, 0) != 0x0201_4b50 {
        return hostile("its directory is broken");
    }
    let (flags, method) = (u16_at(rest, 8), u16_at(rest, 10));
    let (packed, size) = (u32_at(rest, 20), u32_at(rest, 24));
    let (name_len, extra, comment) = (u16_at(rest, 28) as usize, u16_at(rest, 30) as usize, u16_at(rest, 32) as usize);
    let (mode, offset) = (u32_at(rest, 38) >> 16, u32_at(rest, 42));
    let used = CENTRAL + name_len + extra + comment;
    if rest.len() < used {
        return hostile("its directory is broken");
    }
    let given = String::from_utf8_lossy(&rest[CENTRAL..CENTRAL + name_len]).into_owned();
    let Some(&(name, most)) = MEMBERS.iter().find(|(n, _)| n.as_bytes() == &rest[CENTRAL..CENTRAL + name_len]) else {
        let shown: String = given.chars().take(60).map(|c| if c.is_control() { '?' } else { c }).collect();
        return hostile(format!("it holds `{shown}`, which no ticket has"));
    };
    if !matches!(mode & 0o170_000, 0 | 0o100_000) {
        return hostile(format!("{name} is a link or another thing than a plain file"));
    }
    // bit 1 and 2: effort of the packer; bit 11: names in UTF-8. Encryption and sizes behind the data are not ours
    if flags & !0x0806 != 0 || !matches!(method, 0 | 8) {
        return hostile(format!("{name} is encrypted or packed in a way that tickets don't use"));
    }
    if size > most || packed > most {
        return hostile(format!("{name} states {} bytes where {most} are allowed", size.max(packed)));
    }
    if size > 1 << 20 && size / packed.max(1) > MAX_RATIO {
        return hostile(format!("{name} would inflate to {} times its size", size / packed.max(1)));
    }
    Ok((Listed { name, method, packed, size, offset }, used))
}

/// Members must follow one another without gap or overlap, up to the directory, each under its own name.
fn tiled(file: &mut File, members: &[Listed], directory: u64) -> Result<(), Refused> {
    let mut sorted: Vec<&Listed> = members.iter().collect();
    sorted.sort_by_key(|m| m.offset);
    let mut at = 0;
    for m in sorted {
        if m.offset != at || at + LOCAL as u64 > directory {
            return hostile(format!("{} overlaps another member or hides something before it", m.name));
        }
        let mut head = [0; LOCAL];
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut head)?;
        let (name_len, extra) = (u16_at(&head, 26), u16_at(&head, 28));
        let mut name = vec![0; name_len as usize];
        if name_len as usize != m.name.len() || at + LOCAL as u64 + name_len > directory {
            return hostile(format!("{} has two names", m.name));
        }
        file.read_exact(&mut name)?;
        if u32_at(&head, 0) != 0x0403_4b50 || name != m.name.as_bytes() || u16_at(&head, 8) != m.method {
            return hostile(format!("{} has two names", m.name));
        }
        at += LOCAL as u64 + name_len + extra + m.packed;
    }
    if at == directory { Ok(()) } else { hostile("something is hidden before its directory") }
}

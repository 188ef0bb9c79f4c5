//! The expected-build file: text → checked [`Build`], or all its problems at once.

mod assemble;
mod converters;
mod cross;
mod fields;
mod model;
mod other_files;
mod problem;
mod schema;
mod spec;
mod syntax;
mod walk;

pub use fields::{MAX_CHAIN, MAX_PORTS, MAX_SENSE, MAX_WALL, TRIP_FLOOR_V};
pub use model::*;
pub use other_files::FileKind;
pub use problem::{Problem, Problems};
pub use schema::json_schema;

/// Greatest size of a build file in bytes; larger ones are refused unread.
pub const MAX_BYTES: usize = 1 << 20;

/// Reads and checks an expected-build file. `file_name` only appears in messages.
///
/// # Errors
/// All problems of the file at once, each with its place. Where the file is not even TOML, the rest is
/// looked at as far as it can be understood.
pub fn load(source: &str, file_name: &str) -> Result<Build, Problems> {
    if source.len() >= MAX_BYTES {
        let message = format!("the file has {} bytes", source.len());
        let hint = "is this a build file? one for three full chains has some 30 000 bytes";
        return Err(Problems::whole(file_name, message, format!("less than {MAX_BYTES} bytes (1 MiB)"), hint));
    }
    let sink = walk::Sink::default();
    let (table, errors) = toml::de::DeTable::parse_recoverable(source);
    // a missing key at the top has no place of its own: the start of the file is shown
    let root = walk::table(table.get_ref(), &fields::ROOT, "the file", &(0..0), &sink);
    if !errors.is_empty() {
        return Err(Problems::new(file_name, source, syntax::problems(source, &errors, sink.into_problems())));
    }
    let build = assemble::build(&root, &sink);
    let sound = sink.is_empty();
    cross::checks(&root, &build, sound, &sink);
    let problems = sink.into_problems();
    if !problems.is_empty()
        && let Some(other) = FileKind::Build.instead(source)
    {
        let message = format!("this looks like {}", other.words());
        return Err(Problems::whole(file_name, message, FileKind::Build.words().to_owned(), "name the sign's expected-build file"));
    }
    if problems.is_empty() { Ok(build) } else { Err(Problems::new(file_name, source, problems)) }
}

/// Reads a text file of less than [`MAX_BYTES`]; of a larger one just enough to see that it is.
///
/// # Errors
/// Why the file cannot be read, in words.
pub fn read_source(path: &std::path::Path) -> Result<String, String> {
    use std::io::Read as _;
    let file = std::fs::File::open(path).map_err(|e| format!("cannot be opened ({e}); check the name"))?;
    let mut bytes = Vec::new();
    file.take(MAX_BYTES as u64).read_to_end(&mut bytes).map_err(|e| format!("cannot be read ({e})"))?;
    String::from_utf8(bytes).map_err(|_| "is not UTF-8 text; a build file is plain text".to_owned())
}

//! What is not TOML: the parser's errors without their echo.
//!
//! After one broken line the parser stumbles over many that are right; the person at the bench should see the
//! one to correct.

use super::problem::Problem;
use std::collections::BTreeSet;
use std::ops::Range;

/// Most syntax errors told at once.
const SHOWN: usize = 20;

/// Starts of the lines of a source.
struct Lines<'a> {
    source: &'a str,
    starts: Vec<usize>,
}

impl<'a> Lines<'a> {
    fn new(source: &'a str) -> Self {
        let starts = std::iter::once(0).chain(source.match_indices('\n').map(|(i, _)| i + 1)).collect();
        Self { source, starts }
    }
    /// Number of the line of a byte, from 0.
    fn of(&self, at: usize) -> usize {
        self.starts.partition_point(|&s| s <= at).saturating_sub(1)
    }
    fn is_header(&self, line: usize) -> bool {
        let text = &self.source[self.starts[line]..];
        text.trim_start_matches([' ', '\t']).starts_with('[')
    }
}

/// Syntax errors, and wrong values on other lines before an unclosed list. Unknown and missing keys are left
/// out: after a broken line they are mostly its echo.
pub(super) fn problems(source: &str, errors: &[toml::de::Error], walked: Vec<Problem>) -> Vec<Problem> {
    let lines = Lines::new(source);
    let span = |e: &toml::de::Error| e.span().unwrap_or(0..0);
    let mut errors: Vec<&toml::de::Error> = errors.iter().collect();
    errors.sort_by_key(|e| span(e).start);
    let open = unclosed(source, &errors, &lines);
    let readable_to = open.as_ref().map_or(source.len(), |(range, _)| range.start);
    let mut out: Vec<Problem> = Vec::new();
    let mut broken = BTreeSet::new();
    let mut twice_under = None;
    for error in errors {
        let span = span(error);
        let line = lines.of(span.start);
        if span.start >= readable_to && open.is_some() || !broken.insert(line) {
            continue;
        }
        if out.len() >= SHOWN {
            break;
        }
        if error.message() == "duplicate key" {
            // a section that is there twice doubles all its keys
            let header = (0..=line).rev().find(|&l| lines.is_header(l));
            if lines.is_header(line) {
                twice_under = Some(line);
            } else if header.is_some() && header == twice_under {
                continue;
            }
            out.push(problem(span, "this name is there twice", "each key and each section once", "keep one of them, or rename one"));
            continue;
        }
        // the parser's own words, but for the commonest slips of the pen
        let (message, expected) = match error.message().split_once(", expected ") {
            Some(("invalid basic string", "`\"`")) => ("a text without its closing quote", "`\"` at the end of the text"),
            Some(("string values must be quoted", _)) => {
                ("this is neither a number nor a text in quotes", "quotes around a text, a comma between two items")
            }
            Some((message, "nothing")) => (message, "another spelling"),
            Some((message, expected)) => (message, expected),
            None => (error.message(), "a line such as `key = value` or a header such as `[section]`"),
        };
        let hint = "correct this first: what follows may be misread until then";
        out.push(problem(span, &format!("not readable: {message}"), expected, hint));
    }
    if let Some((range, closing)) = open {
        let what = if closing == ']' { "this list is not closed" } else { "this table is not closed" };
        let hint = "correct this first: what follows could not be read";
        out.push(problem(range, what, &format!("`{closing}` at its end"), hint));
    }
    let echo = |p: &Problem| {
        p.message.starts_with("unknown key")
            || p.message.contains("is missing in")
            || p.span.start + 1 >= readable_to
            || broken.contains(&lines.of(p.span.start))
    };
    let last = lines.of(readable_to);
    out.extend(walked.into_iter().filter(|p| !echo(p) && (lines.of(p.span.start) != last || readable_to == source.len())));
    out
}

fn problem(span: Range<usize>, message: &str, expected: &str, hint: &str) -> Problem {
    Problem {
        line: 0,
        column: 0,
        span,
        message: message.to_owned(),
        expected: expected.to_owned(),
        hint: Some(hint.to_owned()),
        also: None,
    }
}

/// The bracket that was never closed, where the errors look like that: keys of later lines are read as
/// items of a list, or as entries without a comma between.
fn unclosed(source: &str, errors: &[&toml::de::Error], lines: &Lines<'_>) -> Option<(Range<usize>, char)> {
    let signs = ["unexpected `=` in array", "unclosed array", "unclosed inline table", "missing comma between key-value pairs"];
    let first = errors.iter().find(|e| signs.iter().any(|s| e.message().starts_with(s)))?;
    let at = first.span()?.start.min(source.len());
    let mut depth = 0usize;
    for (i, byte) in source.as_bytes()[..at].iter().enumerate().rev() {
        match byte {
            b']' | b'}' => depth += 1,
            b'[' | b'{' if depth == 0 => {
                // a comma that is really missing stands on the line of its bracket
                let here = lines.of(i) == lines.of(at) && !first.message().starts_with("unclosed");
                return (!here).then_some((i..i + 1, if *byte == b'[' { ']' } else { '}' }));
            }
            b'[' | b'{' => depth -= 1,
            _ => {}
        }
    }
    None
}

//! What is wrong with a build file, for the person at the bench.

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use std::fmt;
use std::ops::Range;

/// One mistake in a build file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Line, from 1; 0 where the problem is the file as a whole.
    pub line: usize,
    /// Column in characters, from 1; 0 where the problem is the file as a whole.
    pub column: usize,
    /// Bytes of the source it concerns.
    pub span: Range<usize>,
    /// What is wrong.
    pub message: String,
    /// What was expected there.
    pub expected: String,
    /// What to do.
    pub hint: Option<String>,
    /// Another place that has to do with it, and how.
    pub also: Option<(Range<usize>, String)>,
}

/// Everything wrong with a build file, in the order of its lines. Never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problems {
    file: String,
    source: String,
    list: Vec<Problem>,
    left_out: usize,
}

/// Problems that are told in full; more than this nobody reads.
const SHOWN: usize = 100;

impl Problems {
    pub(super) fn new(file: &str, source: &str, mut list: Vec<Problem>) -> Self {
        for p in &mut list {
            p.span = first_line(source, p.span.clone());
            if let Some((span, _)) = &mut p.also {
                *span = first_line(source, span.clone());
            }
        }
        list.sort_by_key(|p| p.span.start);
        list.dedup();
        let left_out = list.len().saturating_sub(SHOWN);
        list.truncate(SHOWN);
        for p in &mut list {
            let before = &source[..p.span.start];
            let line_start = before.rfind('\n').map_or(0, |i| i + 1);
            p.line = before.bytes().filter(|&b| b == b'\n').count() + 1;
            p.column = source[line_start..p.span.start].chars().count() + 1;
        }
        Self { file: file.to_owned(), source: source.to_owned(), list, left_out }
    }

    /// One problem of the file as a whole.
    pub(super) fn whole(file: &str, message: String, expected: String, hint: &str) -> Self {
        let problem = Problem { line: 0, column: 0, span: 0..0, message, expected, hint: Some(hint.to_owned()), also: None };
        Self { file: file.to_owned(), source: String::new(), list: vec![problem], left_out: 0 }
    }

    /// The problems, in the order of their lines.
    pub fn list(&self) -> &[Problem] {
        &self.list
    }

    /// All problems as text: file, line and column, the line itself, what was expected, what to do.
    pub fn render(&self, colour: bool) -> String {
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let mut out = String::new();
        for p in &self.list {
            if p.line == 0 {
                out.push_str(&format!("error: {}: {}; expected {}\n", self.file, p.message, p.expected));
                if let Some(hint) = &p.hint {
                    out.push_str(&format!("  = help: {hint}\n"));
                }
                out.push('\n');
                continue;
            }
            // only the lines concerned go to the renderer: it reads all it is given for every problem
            let (mut from, mut to) = (p.span.start, p.span.end);
            if let Some((span, _)) = &p.also {
                (from, to) = (from.min(span.start), to.max(span.end));
            }
            let from = self.source[..from].rfind('\n').map_or(0, |i| i + 1);
            let to = self.source[to..].find('\n').map_or(self.source.len(), |i| to + i);
            let shift = |span: &Range<usize>| span.start - from..span.end - from;
            let mut snippet = Snippet::source(&self.source[from..to])
                .path(self.file.as_str())
                .line_start(self.source[..from].bytes().filter(|&b| b == b'\n').count() + 1)
                .annotation(AnnotationKind::Primary.span(shift(&p.span)).label(format!("expected {}", p.expected)));
            if let Some((span, label)) = &p.also {
                snippet = snippet.annotation(AnnotationKind::Context.span(shift(span)).label(label.as_str()));
            }
            let mut group = Level::ERROR.primary_title(p.message.as_str()).element(snippet);
            if let Some(hint) = &p.hint {
                group = group.element(Level::HELP.message(hint.as_str()));
            }
            out.push_str(&renderer.render(&[group]));
            out.push_str("\n\n");
        }
        let n = self.list.len() + self.left_out;
        if self.left_out > 0 {
            out.push_str(&format!("… and {} more\n", self.left_out));
        }
        out.push_str(&format!("{}: {n} problem{}\n", self.file, if n == 1 { "" } else { "s" }));
        out
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl std::error::Error for Problems {}

/// The part of a span that lies on its first line, on character boundaries.
fn first_line(source: &str, span: Range<usize>) -> Range<usize> {
    let mut start = span.start.min(source.len());
    while !source.is_char_boundary(start) {
        start -= 1;
    }
    let line_end = source[start..].find('\n').map_or(source.len(), |i| start + i);
    let mut end = span.end.clamp(start, line_end);
    while !source.is_char_boundary(end) {
        end += 1;
    }
    start..end
}

/// The name of `known` nearest to `word`, where it is near enough to be a slip of the pen.
pub(super) fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = word.to_lowercase();
    known
        .into_iter()
        .map(|k| (strsim::damerau_levenshtein(&lower, &k.to_lowercase()), k))
        .filter(|&(d, k)| d <= k.chars().count().max(word.chars().count()) / 3 || k.starts_with(word) && word.len() >= 3)
        .min()
        .map(|(_, k)| k)
}

//! Everything wrong with a build file, told to the person at the bench.

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use std::ops::Range;

/// One problem of a build file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Bytes of the file it concerns.
    pub span: Range<usize>,
    /// What is wrong.
    pub message: String,
    /// What was expected.
    pub expected: String,
    /// What to do; may be empty.
    pub hint: String,
}

/// All problems of one file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problems {
    /// Name of the file.
    pub file: String,
    /// Its text (empty where it was too large to look at).
    pub source: String,
    /// In file order.
    pub list: Vec<Problem>,
}

impl Problems {
    /// Line and column (both from 1) of a problem.
    pub fn place(&self, problem: &Problem) -> (usize, usize) {
        let at = (0..=problem.span.start.min(self.source.len())).rev().find(|&i| self.source.is_char_boundary(i)).unwrap_or(0);
        let before = &self.source[..at];
        let line_start = before.rfind('\n').map_or(0, |i| i + 1);
        (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
    }

    /// Each problem with file, line, column, the source line, what was expected and a hint.
    pub fn render(&self, colour: bool) -> String {
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let mut out = String::new();
        for problem in &self.list {
            let clamp = |i: usize| (0..=i.min(self.source.len())).rev().find(|&i| self.source.is_char_boundary(i)).unwrap_or(0);
            let span = clamp(problem.span.start)..clamp(problem.span.end.max(problem.span.start));
            let title = Level::ERROR.primary_title(problem.message.as_str());
            let mut group = if self.source.is_empty() {
                Group::with_title(title)
            } else {
                title.element(
                    Snippet::source(self.source.as_str())
                        .path(self.file.as_str())
                        .annotation(AnnotationKind::Primary.span(span).label(problem.expected.as_str())),
                )
            };
            if self.source.is_empty() {
                group = group.element(Level::NOTE.message(problem.expected.as_str()));
            }
            if !problem.hint.is_empty() {
                group = group.element(Level::HELP.message(problem.hint.as_str()));
            }
            out.push_str(&renderer.render(&[group]));
            out.push_str("\n\n");
        }
        let n = self.list.len();
        out.push_str(&format!("{}: {n} problem{}; nothing was driven\n", self.file, if n == 1 { "" } else { "s" }));
        out
    }
}

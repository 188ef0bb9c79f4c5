//! `report.html`: one file, no scripts, nothing fetched, verdict first.

mod by_hand;
mod checks;
mod comparison;
mod coverage;
mod head;
mod proof;
mod supply;
mod tables;
mod todo;
mod walls;

use super::Report;
use super::text::{escape, figure};
use crate::build::Build;
use crate::check::{Check, CheckResult};
use crate::event::Entry;
use std::fmt::Write as _;

/// Rows of a table that stays on one sheet of paper.
const SHORT: usize = 8;

const STYLE: &str = include_str!("style.css");

const fn result_word(result: CheckResult) -> (&'static str, &'static str) {
    match result {
        CheckResult::Pass => ("✔", "pass"),
        CheckResult::Fail => ("✕", "fail"),
        CheckResult::Marginal => ("≈", "marginal"),
        CheckResult::NotProven => ("◔", "not-proven"),
    }
}

/// A table that scrolls sideways where the page is narrow. `heads` are (text, class of the column).
fn table(page: &mut String, label: &str, heads: &[(&str, &str)], rows: &[Vec<Cell>]) {
    // a short table is not cut by the end of a sheet
    let short = if rows.len() <= SHORT { " short" } else { "" };
    let _ = write!(page, "<div class=\"scroll{short}\" role=\"region\" tabindex=\"0\" aria-label=\"{}\"><table><thead><tr>", escape(label));
    for (text, class) in heads {
        let class = if class.is_empty() { String::new() } else { format!(" class=\"{class}\"") };
        let _ = write!(page, "<th scope=\"col\"{class}>{}</th>", escape(text));
    }
    page.push_str("</tr></thead><tbody>");
    for row in rows {
        page.push_str("<tr>");
        for (i, cell) in row.iter().enumerate() {
            let class = [heads.get(i).map_or("", |h| h.1), cell.class].join(" ");
            let class = if class.trim().is_empty() { String::new() } else { format!(" class=\"{}\"", class.trim()) };
            let (open, close) = if i == 0 { ("th scope=\"row\"", "th") } else { ("td", "td") };
            let _ = write!(page, "<{open}{class}>{}</{close}>", cell.html);
        }
        page.push_str("</tr>");
    }
    page.push_str("</tbody></table></div>\n");
}

/// A cell of a table: safe HTML and a class.
struct Cell {
    html: String,
    class: &'static str,
}

impl Cell {
    fn text(text: impl AsRef<str>) -> Self {
        Self { html: escape(text.as_ref()), class: "" }
    }
    fn html(html: String, class: &'static str) -> Self {
        Self { html, class }
    }
    fn number(value: Option<f64>, decimals: usize) -> Self {
        Self { html: value.map_or_else(|| "–".into(), |v| number(v, decimals)), class: "" }
    }
}

/// A figure with a true minus sign, and no sign before nothing.
fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.contains(|c: char| ('1'..='9').contains(&c)) => format!("−{rest}"),
        Some(rest) => rest.to_owned(),
        None => text,
    }
}

/// Value and expanded uncertainty, both to the second significant figure of the uncertainty (JCGM 100, 7.2.6).
fn with_uncertainty(value: f64, expanded: Option<f64>) -> String {
    match expanded.filter(|u| u.is_finite() && *u > 0.0) {
        Some(u) => {
            let decimals = (1.0 - u.log10().floor()).clamp(0.0, 6.0) as usize;
            format!("{} ±\u{a0}{}", number(value, decimals), number(u, decimals))
        }
        // four significant figures where nothing says how well it is known
        None => {
            let digits = if value == 0.0 { 0.0 } else { value.abs().log10().floor() };
            let text = number(value, (3.0 - digits).clamp(0.0, 6.0) as usize);
            if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
        }
    }
}

fn heading(page: &mut String, text: &str) {
    let _ = writeln!(page, "<h2>{}</h2>", escape(text));
}

/// Small print; what stands between backticks is a command.
fn soft(page: &mut String, text: &str) {
    let _ = writeln!(page, "<p class=\"soft\">{}</p>", commands(text));
}

/// Escaped text with what stands between backticks as code.
fn commands(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for (i, part) in text.split('`').enumerate() {
        if i % 2 == 1 {
            let _ = write!(out, "<code>{}</code>", escape(part));
        } else {
            out.push_str(&escape(part));
        }
    }
    out
}

/// Limits in words; empty where there are none.
fn limit_text(check: &Check) -> String {
    let figure = |v| figure(v).replace('-', "−");
    match (check.limit.low, check.limit.high) {
        (Some(l), Some(h)) => format!("{} to {}", figure(l), figure(h)),
        (Some(l), None) => format!("≥ {}", figure(l)),
        (None, Some(h)) => format!("≤ {}", figure(h)),
        (None, None) => String::new(),
    }
}

/// First letter in upper case.
fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// `1 check`, `2 checks`.
fn counted(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// Word of a place of run.
const fn place_of_run(place: crate::event::PlaceOfRun) -> &'static str {
    match place {
        crate::event::PlaceOfRun::Bench => "on the bench",
        crate::event::PlaceOfRun::Outdoors => "outdoors",
        crate::event::PlaceOfRun::Service => "during service",
    }
}

/// The whole page.
pub fn html(report: &Report, build: &Build, entries: &[Entry]) -> String {
    let mut page = String::with_capacity(128 * 1024);
    head::head(&mut page, report);
    todo::to_do(&mut page, report);
    comparison::comparison(&mut page, report);
    walls::walls(&mut page, report, build, entries);
    supply::supply(&mut page, report, build, entries);
    supply::climb(&mut page, report);
    tables::feeds(&mut page, report, build);
    tables::cells(&mut page, report, build);
    by_hand::by_hand(&mut page, report, entries);
    checks::checks(&mut page, report);
    coverage::coverage(&mut page, report, walls::witnessed(entries));
    proof::instruments(&mut page, report, build);
    proof::board(&mut page, report);
    proof::expected_build(&mut page, report, build, entries);
    proof::verify(&mut page, report);
    proof::cautions(&mut page, report);
    page.push_str("</main>\n</body>\n</html>\n");
    page
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_have_true_minus_signs_and_as_many_decimals_as_they_are_known_to() {
        assert_eq!((number(-0.4, 0), number(-1.25, 1), number(0.0, 0)), ("0".into(), "−1.2".into(), "0".into()));
        assert_eq!(with_uncertainty(2.11854, Some(0.02781)), "2.119 ±\u{a0}0.028");
        assert_eq!(with_uncertainty(-0.0149, Some(0.0365)), "−0.015 ±\u{a0}0.036");
        assert_eq!(with_uncertainty(41.0, Some(11.6)), "41 ±\u{a0}12");
        assert_eq!(
            (with_uncertainty(5.1, None), with_uncertainty(1199.91, None), with_uncertainty(0.0, None)),
            ("5.1".into(), "1200".into(), "0".into())
        );
        assert_eq!(commands("run `a<b`, then `c`"), "run <code>a&lt;b</code>, then <code>c</code>");
    }
}

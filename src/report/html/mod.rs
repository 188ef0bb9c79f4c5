//! `report.html`: one file, no scripts, nothing fetched, verdict first.

mod comparison;
mod proof;
mod supply;
mod tables;
mod todo;
mod walls;

use super::Report;
use super::text::{escape, figure};
use crate::build::Build;
use crate::check::CheckResult;
use crate::event::Entry;
use crate::judge::Outcome;
use std::fmt::Write as _;

const STYLE: &str = include_str!("style.css");

/// A shape beside the word: the verdict must not hang on colour alone.
const fn outcome_sign(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "✔",
        Outcome::Fail => "✕",
        Outcome::Marginal => "≈",
        Outcome::Incomplete => "◔",
        Outcome::Stopped => "■",
        Outcome::Error => "⚠",
    }
}

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
    let _ = write!(page, "<div class=\"scroll\" role=\"region\" tabindex=\"0\" aria-label=\"{}\"><table><thead><tr>", escape(label));
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
        Self { html: value.map_or_else(|| "–".into(), |v| format!("{v:.decimals$}").replace('-', "−")), class: "" }
    }
}

fn heading(page: &mut String, text: &str) {
    let _ = writeln!(page, "<h2>{}</h2>", escape(text));
}

fn soft(page: &mut String, text: &str) {
    let _ = writeln!(page, "<p class=\"soft\">{}</p>", escape(text));
}

/// The whole page.
pub fn html(report: &Report, build: &Build, entries: &[Entry]) -> String {
    let mut page = String::with_capacity(128 * 1024);
    head(&mut page, report);
    todo::to_do(&mut page, report);
    comparison::comparison(&mut page, report);
    walls::walls(&mut page, report, build, entries);
    supply::supply(&mut page, report, build, entries);
    supply::climb(&mut page, report);
    tables::feeds(&mut page, report, build);
    tables::cells(&mut page, report, build);
    tables::checks(&mut page, report);
    proof::coverage(&mut page, report);
    proof::instruments(&mut page, report, build);
    proof::board(&mut page, report);
    proof::expected_build(&mut page, report, build, entries);
    proof::verify(&mut page, report);
    proof::cautions(&mut page, report);
    page.push_str("</main>\n</body>\n</html>\n");
    page
}

/// Start of the run, and whether the clock can be believed.
fn time_text(r: &Report) -> String {
    let start = if r.started.is_empty() { "start not recorded" } else { &r.started };
    let clock = if r.clock_synchronised { "clock synchronised" } else { "clock NOT synchronised: date and time may be wrong" };
    format!("{start} ({clock})")
}

fn head(page: &mut String, r: &Report) {
    let title = format!("{}: {}", r.outcome.word(), r.sign.name);
    let title: String = title.chars().take(70).collect();
    let _ = write!(
        page,
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n",
        escape(&title)
    );
    if r.simulated {
        page.push_str("<p class=\"sim\">SIMULATED — no real sign was attached</p>\n");
    }
    let word = r.outcome.word();
    let _ = write!(
        page,
        "<h1>{} <span class=\"serial\">{}</span></h1>\n<p class=\"verdict {word}\"><span aria-hidden=\"true\">{}</span> {}</p>\n",
        escape(&r.sign.name),
        escape(&r.sign.serial),
        outcome_sign(r.outcome),
        word.to_uppercase()
    );
    if let Some((first, rest)) = r.reasons.split_first() {
        let _ = writeln!(page, "<p>{}</p>", escape(first));
        if !rest.is_empty() {
            let list: String = rest.iter().map(|reason| format!("<li>{}</li>", escape(reason))).collect();
            let _ = writeln!(page, "<ul class=\"soft tight\">{list}</ul>");
        }
    }
    let place = format!("{:?}", r.place).to_lowercase();
    let ambient = r.ambient_c.map_or("not known".into(), |c| format!("{} °C", figure(c)));
    let binds = if r.level_binds.is_empty() { String::new() } else { format!(", bound by {}", r.level_binds) };
    let _ = writeln!(
        page,
        "<p class=\"soft\">Run {} · {} · rig {} · {place} · ambient {} · permitted level {} %{}</p>",
        escape(&r.run_id),
        escape(&time_text(r)),
        escape(&r.rig),
        escape(&ambient),
        figure(100.0 * r.level_permitted),
        escape(&binds)
    );
}

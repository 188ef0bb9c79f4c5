//! The verdict, in a word, a sign and a sentence, and the facts of the run.

use super::{STYLE, commands, counted, escape, figure, place_of_run};
use crate::check::CheckResult;
use crate::judge::Outcome;
use crate::report::Report;
use std::fmt::Write as _;

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

/// What the word means, for those who see it for the first time.
const fn meaning(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "The sign is as it was meant to be built.",
        Outcome::Fail => "The sign is not as it was meant to be built.",
        Outcome::Marginal => "Too near a limit for this instrument to decide.",
        Outcome::Incomplete => "Not everything that must be proven was proven.",
        Outcome::Stopped => "The run was stopped before its end.",
        Outcome::Error => "The tool or an instrument failed: nothing is said of the sign.",
    }
}

/// `2026-11-26 00:51:00 UTC`, from RFC 3339 in UTC.
fn moment(rfc3339: &str) -> String {
    let text: String = rfc3339.chars().take(19).collect();
    if text.len() == 19 { format!("{} UTC", text.replace('T', " ")) } else { "not recorded".into() }
}

pub(super) fn head(page: &mut String, r: &Report) {
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
        "<h1>{} <span class=\"serial\">{}</span></h1>\n<div class=\"verdict {word}\"><span class=\"sign\" aria-hidden=\"true\">{}</span><div><p class=\"word\">{}</p><p>{}</p></div></div>\n",
        escape(&r.sign.name),
        escape(&r.sign.serial),
        outcome_sign(r.outcome),
        word.to_uppercase(),
        meaning(r.outcome)
    );
    // the counts stand below; failed checks have their own table
    let told = |x: &&String| x.starts_with("Failed: ") || (r.outcome == Outcome::Fail && x.ends_with(" checks failed."));
    let reasons: Vec<&String> = r.reasons.iter().filter(|x| !told(x)).collect();
    if !r.findings.is_empty() {
        let _ =
            writeln!(page, "<p><strong>{} found</strong>, listed below with what to do.</p>", counted(r.findings.len(), "fault", "faults"));
    }
    for reason in reasons {
        let _ = writeln!(page, "<p>{}</p>", commands(reason));
    }
    let count = |result| r.checks.iter().filter(|c| c.result == result).count();
    let tally = [
        ("pass", "✔", count(CheckResult::Pass), "passed"),
        ("fail", "✕", count(CheckResult::Fail), "failed"),
        ("marginal", "≈", count(CheckResult::Marginal), "undecided"),
        ("not-proven", "◔", count(CheckResult::NotProven), "not proven"),
    ];
    page.push_str("<p class=\"tally\">Checks: ");
    for (class, sign, n, word) in tally {
        // none of a kind is no news, and needs no colour
        let class = if n == 0 { "none" } else { class };
        let _ = write!(page, "<span class=\"{class}\"><span aria-hidden=\"true\">{sign}</span> {n} {word}</span> ");
    }
    page.push_str("</p>\n");
    let clock = if r.clock_synchronised { "clock synchronised" } else { "clock NOT synchronised: date and time may be wrong" };
    let binds = if r.level_binds.is_empty() { String::new() } else { format!(", bound by {}", r.level_binds) };
    let facts = [
        ("Tested", format!("{} ({clock})", moment(&r.started))),
        ("Where", place_of_run(r.place).to_owned()),
        ("Ambient", r.ambient_c.map_or("not known".into(), |c| format!("{} °C", figure(c)))),
        ("Permitted level", format!("{} % of white{binds}", figure(100.0 * r.level_permitted))),
        ("Tested by", format!("{}, rig {}", r.tool, r.rig)),
        ("Run", r.run_id.clone()),
    ];
    page.push_str("<dl class=\"facts\">");
    for (name, value) in facts {
        let _ = write!(page, "<div><dt>{name}</dt><dd>{}</dd></div>", escape(&value));
    }
    page.push_str("</dl>\n");
}

#[cfg(test)]
mod tests {
    use super::moment;

    #[test]
    fn moments_read_without_effort() {
        assert_eq!(moment("2026-11-26T00:51:00.786Z"), "2026-11-26 00:51:00 UTC");
        assert_eq!(moment(""), "not recorded");
    }
}

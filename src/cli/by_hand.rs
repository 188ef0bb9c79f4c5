//! The before-power checklist: from a file, or asked at the terminal.

use super::Exit;
use crate::build::Build;
use crate::checklist::{self, Accuracy, Kind};
use crate::event::{Checklist, HandReading};
use std::collections::BTreeMap;
use std::io::{BufRead, Write};
use std::path::Path;

/// Reads a filled-in checklist.
pub fn load(path: &Path, build: &Build) -> Result<Checklist, Exit> {
    let name = path.display().to_string();
    let text = crate::build::read_source(path).map_err(|why| Exit::usage(format!("{name}: {why}")))?;
    checklist::read(&text, &name, build).map_err(Exit::usage)
}

/// Lines from a person; `None` at the end of input.
struct Asker<'a> {
    input: &'a mut dyn BufRead,
    output: &'a mut dyn Write,
}

impl Asker<'_> {
    fn line(&mut self, question: &str) -> Option<String> {
        let _ = write!(self.output, "{question} ");
        let _ = self.output.flush();
        let mut line = String::new();
        match self.input.read_line(&mut line) {
            Ok(n) if n > 0 => Some(line.trim().to_owned()),
            _ => None,
        }
    }
    /// Asks until `parse` understands; an empty line is no answer.
    fn until<T>(&mut self, question: &str, parse: impl Fn(&str) -> Result<T, String>) -> Option<Option<T>> {
        loop {
            let line = self.line(question)?;
            if line.is_empty() {
                return Some(None);
            }
            match parse(&line) {
                Ok(value) => return Some(Some(value)),
                Err(why) => {
                    let _ = writeln!(self.output, "  {why}");
                }
            }
        }
    }
    fn accuracy(&mut self, unit: &str) -> Option<Accuracy> {
        let question =
            format!("  the meter's accuracy for it, as PERCENT DIGITS STEP (e.g. 0.5 2 0.01 for ±(0.5 % + 2 digits of 0.01 {unit})):");
        self.until(&question, parse_accuracy)?
    }
    fn reading(&mut self, question: &str, unit: &str, known: &mut BTreeMap<String, Accuracy>) -> Option<Option<(f64, Accuracy)>> {
        let Some(value) = self.until(question, parse_number)? else { return Some(None) };
        let accuracy = match known.get(unit) {
            Some(a) => *a,
            None => match self.accuracy(unit) {
                Some(a) => a,
                None => {
                    let _ = writeln!(self.output, "  without the meter's accuracy the reading can't be judged: left out");
                    return Some(None);
                }
            },
        };
        known.insert(unit.to_owned(), accuracy);
        Some(Some((value, accuracy)))
    }
}

fn parse_number(text: &str) -> Result<f64, String> {
    match text.replace(',', ".").parse::<f64>() {
        Ok(v) if v.is_finite() && v.abs() <= 1e9 => Ok(v),
        _ => Err(format!("`{text}` is no number; an empty line leaves it out")),
    }
}

fn parse_accuracy(text: &str) -> Result<Accuracy, String> {
    let numbers: Vec<f64> = text.split_whitespace().filter_map(|w| parse_number(w).ok()).collect();
    match numbers[..] {
        [percent, digits, step] if numbers.iter().all(|n| *n >= 0.0) && percent <= 50.0 => Ok(Accuracy { percent, digits, step }),
        _ => Err(format!("`{text}`: expected three numbers from 0 up, percent at most 50")),
    }
}

fn parse_yes(text: &str) -> Result<bool, String> {
    match text.to_lowercase().as_str() {
        "y" | "yes" => Ok(true),
        "n" | "no" => Ok(false),
        _ => Err("answer y or n; an empty line leaves it unanswered".to_owned()),
    }
}

/// Goes through the checklist; `None` where nobody wants to or the input ends early. `now` stands where no moment is given.
pub fn ask(build: &Build, now: &str, input: &mut dyn BufRead, output: &mut dyn Write) -> Option<Checklist> {
    let mut asker = Asker { input, output };
    let _ = writeln!(
        asker.output,
        "Before-power checklist: what was found before the supply was switched on, from paper. Nothing is lit yet.\n\
         y = yes, n = no, an empty line = not done. Mains wiring and protective earth: only what a licensed person did."
    );
    let who = asker.line("Who looked and measured? (empty: no checklist for this run)")?;
    if who.is_empty() {
        return None;
    }
    let check = |text: &str| checklist::check_moment(text).map(|()| text.to_owned());
    let when = asker.until(&format!("When? (empty: {now})"), check)?.unwrap_or_else(|| now.to_owned());
    let meter = asker.line("Which meter?")?;
    let licensed = asker.line("Who is licensed, set the supply's selector and checked protective earth? (empty: nobody)")?;
    let mut list =
        Checklist { who, when, licensed: (!licensed.is_empty()).then_some(licensed), answers: BTreeMap::new(), readings: Vec::new() };
    let mut known = BTreeMap::new();
    for item in checklist::items(build) {
        if item.kind == Kind::YesNo {
            if let Some(yes) = asker.until(&item.question, parse_yes)? {
                list.answers.insert(item.id, yes);
            }
        } else if let Some((value, accuracy)) = asker.reading(&item.question, item.unit(), &mut known)? {
            list.readings.push(HandReading { item: item.id, value, error: accuracy.error(value), meter: meter.clone() });
        }
    }
    Some(list)
}

/// Asks for the hottest joint's temperature.
pub fn ask_joint(input: &mut dyn BufRead, output: &mut dyn Write) -> Option<(HandReading, String)> {
    let mut asker = Asker { input, output };
    let question = "The hold is over and the wall is dark. Measure the hottest joint or fuse at once: how many °C? (empty: not measured)";
    let (value, accuracy) = asker.reading(question, "°C", &mut BTreeMap::new())??;
    let meter = asker.line("  with which thermometer?").unwrap_or_default();
    let who = asker.line("  who measured?").unwrap_or_default();
    Some((HandReading { item: checklist::JOINT.to_owned(), value, error: accuracy.error(value), meter }, who))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn build() -> Build {
        crate::build::load(include_str!("../../config/water-taxi.toml"), "water-taxi.toml").unwrap()
    }

    fn typed(text: &str) -> Option<Checklist> {
        ask(&build(), "2026-03-01T10:00:00Z", &mut text.as_bytes(), &mut Vec::new())
    }

    #[test]
    fn answers_become_a_checklist() {
        // who, when, meter, licensed, five answers, ohms with accuracy, two licensed answers, volts with accuracy
        let list = typed("Builder\n\nhand meter\nElectrician\ny\ny\ny\nperhaps\nn\ny\n150\n1 3 0.1\ny\ny\n5,02\n0.5 2 0.01\n").unwrap();
        assert_eq!((list.who.as_str(), list.when.as_str()), ("Builder", "2026-03-01T10:00:00Z"));
        assert_eq!(list.licensed.as_deref(), Some("Electrician"));
        // `perhaps` was asked again
        assert_eq!(list.answers.get("strands"), Some(&false));
        assert_eq!(list.answers.len(), 7);
        let volts = list.reading("volts/main").unwrap();
        assert_eq!(volts.value, 5.02);
        assert!((volts.error - (0.0251 + 0.02)).abs() < 1e-12);
        assert_eq!(list.reading("ohms/main").unwrap().error, 1.5 + 0.3);
    }

    #[test]
    fn nobody_and_an_early_end_are_no_checklist() {
        assert_eq!(typed("\n"), None);
        assert_eq!(typed(""), None);
        assert_eq!(typed("Builder\n\nmeter\n\ny\ny\n"), None);
    }

    #[test]
    fn what_is_not_done_is_left_out() {
        let list = typed("Builder\n\nmeter\n\n\n\n\n\n\n\n\n\n\n").unwrap();
        assert!(list.answers.is_empty() && list.readings.is_empty() && list.licensed.is_none());
    }

    #[test]
    fn a_joint_needs_a_reading_and_an_accuracy() {
        let ask = |text: &str| ask_joint(&mut text.as_bytes(), &mut Vec::new());
        let (reading, who) = ask("41.5\n1 10 0.1\nthermometer\nBuilder\n").unwrap();
        assert_eq!((reading.value, who.as_str()), (41.5, "Builder"));
        assert!((reading.error - 1.415).abs() < 1e-12);
        assert_eq!(ask("\n"), None);
        assert_eq!(ask("41\n\n"), None);
    }
}

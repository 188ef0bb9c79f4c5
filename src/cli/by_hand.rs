//! The before-power checklist: from a file, from flags, or asked at the terminal.

use super::Exit;
use crate::build::Build;
use crate::checklist::{self, Accuracy, Kind};
use crate::event::{Checklist, HandReading};
use clap::Args;
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

/// Reads a filled-in checklist.
pub fn load(path: &Path, build: &Build) -> Result<Checklist, Exit> {
    let name = path.display().to_string();
    let text = crate::build::read_source(path).map_err(|why| Exit::usage(format!("{name}: {why}")))?;
    checklist::read(&text, &name, build).map_err(Exit::usage)
}

/// Answers and hand readings given on the command line.
#[derive(Args)]
pub struct ByHandArgs {
    /// What was found by hand, as names of the checklist with yes, no or a reading: `polarity=yes,volts/main=5.02,joint=41`.
    #[arg(long, value_delimiter = ',', value_name = "NAME=ANSWER", conflicts_with = "checklist", requires = "by_hand_who")]
    by_hand: Vec<String>,
    /// Who looked and measured.
    #[arg(long, value_name = "NAME", requires = "by_hand")]
    by_hand_who: Option<String>,
    /// Who is licensed, set the supply's selector and checked protective earth.
    #[arg(long, value_name = "NAME", requires = "by_hand")]
    by_hand_licensed: Option<String>,
    /// The hand meter.
    #[arg(long, value_name = "MODEL", requires = "by_hand")]
    hand_meter: Option<String>,
    /// Its accuracy for volts, ohms or celsius: ± (percent of the reading + digits of a step), e.g. `volts=0.5,2,0.01`.
    #[arg(long, value_name = "KIND=PERCENT,DIGITS,STEP", requires = "by_hand")]
    hand_accuracy: Vec<String>,
}

impl ByHandArgs {
    /// The checklist that the flags make, `None` without any. They go the way of the file, so the same problems are found.
    pub fn checklist(&self, build: &Build, now: &str) -> Result<Option<Checklist>, Exit> {
        if self.by_hand.is_empty() {
            return Ok(None);
        }
        let text = self.file(build, now).map_err(Exit::usage)?;
        checklist::read(&text, "--by-hand", build).map(Some).map_err(Exit::usage)
    }

    fn file(&self, build: &Build, now: &str) -> Result<String, String> {
        let mut meter = toml::Table::new();
        meter.insert("model".to_owned(), self.hand_meter.clone().unwrap_or_else(|| "hand meter, model not given".to_owned()).into());
        for text in &self.hand_accuracy {
            let wanted = || format!("--hand-accuracy {text}: expected volts, ohms or celsius and three numbers, such as volts=0.5,2,0.01");
            let (kind, numbers) = text.split_once('=').ok_or_else(wanted)?;
            let a = parse_accuracy(&numbers.replace(',', " ")).map_err(|_| wanted())?;
            let fields = [("percent", a.percent), ("digits", a.digits), ("step", a.step)];
            let table = fields.into_iter().map(|(name, value)| (name.to_owned(), toml::Value::Float(value))).collect::<toml::Table>();
            if !["volts", "ohms", "celsius"].contains(&kind) {
                return Err(wanted());
            }
            meter.insert(kind.to_owned(), table.into());
        }
        let [mut answers, mut ohms, mut volts, mut end] = std::array::from_fn(|_| toml::Table::new());
        for text in &self.by_hand {
            let wanted =
                || format!("--by-hand {text}: expected NAME=yes, NAME=no or NAME=READING, such as polarity=yes or volts/main=5.02");
            let (name, answer) = text.split_once('=').ok_or_else(wanted)?;
            let (name, answer) = (name.trim(), answer.trim());
            let (table, key, kind) = match name.split_once('/') {
                Some(("ohms", supply)) => (&mut ohms, supply, "ohms"),
                Some(("volts", supply)) => (&mut volts, supply, "volts"),
                _ if name == checklist::JOINT => (&mut end, "joint_c", "celsius"),
                _ => (&mut answers, name, ""),
            };
            let value = if kind.is_empty() {
                toml::Value::Boolean(parse_yes(answer).map_err(|_| wanted())?)
            } else {
                if !meter.contains_key(kind) {
                    return Err(format!(
                        "--by-hand {text}: a reading needs the meter's accuracy: --hand-accuracy {kind}=PERCENT,DIGITS,STEP"
                    ));
                }
                toml::Value::Float(answer.parse().map_err(|_| wanted())?)
            };
            if table.insert(key.to_owned(), value).is_some() {
                return Err(format!("--by-hand {text}: `{name}` is answered twice"));
            }
        }
        let mut file = toml::Table::new();
        file.insert("schema".to_owned(), 1.into());
        file.insert("serial".to_owned(), build.sign.serial.clone().into());
        file.insert("who".to_owned(), self.by_hand_who.clone().unwrap_or_default().into());
        file.insert("when".to_owned(), now.into());
        if let Some(licensed) = &self.by_hand_licensed {
            file.insert("licensed".to_owned(), licensed.clone().into());
        }
        for (name, table) in [("meter", meter), ("answers", answers), ("ohms", ohms), ("volts", volts), ("end", end)] {
            file.insert(name.to_owned(), table.into());
        }
        toml::to_string(&file).map_err(|e| format!("--by-hand: {e}"))
    }
}

/// The next line from a person; `None` at the end of input.
type Lines<'a> = dyn FnMut() -> Option<String> + 'a;

struct Asker<'a> {
    input: &'a mut Lines<'a>,
    output: &'a mut dyn Write,
}

impl Asker<'_> {
    fn line(&mut self, question: &str) -> Option<String> {
        let _ = write!(self.output, "{question} ");
        let _ = self.output.flush();
        (self.input)().map(|line| line.trim().to_owned())
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
pub fn ask<'a>(build: &Build, now: &str, input: &'a mut Lines<'a>, output: &'a mut dyn Write) -> Option<Checklist> {
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
pub fn ask_joint<'a>(input: &'a mut Lines<'a>, output: &'a mut dyn Write) -> Option<(HandReading, String)> {
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
        let mut lines = text.lines().map(str::to_owned);
        ask(&build(), "2026-03-01T10:00:00Z", &mut || lines.next(), &mut Vec::new())
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
        let ask = |text: &str| {
            let mut lines = text.lines().map(str::to_owned);
            ask_joint(&mut || lines.next(), &mut Vec::new())
        };
        let (reading, who) = ask("41.5\n1 10 0.1\nthermometer\nBuilder\n").unwrap();
        assert_eq!((reading.value, who.as_str()), (41.5, "Builder"));
        assert!((reading.error - 1.415).abs() < 1e-12);
        assert_eq!(ask("\n"), None);
        assert_eq!(ask("41\n\n"), None);
    }
}

//! The before-power checklist: its questions, the file in which answers come from paper or another machine, and
//! how answers and hand readings are judged. Pure.

use crate::build::Build;
use crate::check::{Check, CheckResult, Limit, Place};
use crate::event::{Checklist, Entry, Event, HandReading};
use crate::meter::decide::{decide, t_quantile};
use serde::Deserialize;
use std::collections::BTreeMap;

/// Least resistance between + and − with the supply off: 5 V over it is 1 A with nothing lit (common practice, no
/// source).
pub const SHORT_OHM: f64 = 5.0;
/// Name of the reading of the hottest joint.
pub const JOINT: &str = "joint";

/// How a question is answered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// Yes or no.
    YesNo,
    /// Ohms between + and − of this supply's distribution, at least [`SHORT_OHM`].
    Ohms {
        /// Index of the supply.
        supply: usize,
    },
    /// Volts at this supply's terminals, inside the build's window.
    Volts {
        /// Index of the supply.
        supply: usize,
    },
}

/// One question.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// Stable name, as in the checklist file: `polarity`, `volts/main`.
    pub id: String,
    /// In words, to be answered with yes where it is a yes-or-no question.
    pub question: String,
    /// How it is answered.
    pub kind: Kind,
    /// Only by whoever is licensed to.
    pub licensed: bool,
    /// A no, or a reading outside its limits, ends the run before a line is driven.
    pub stops: bool,
}

/// The questions of a build, in the order in which they are done.
pub fn items(build: &Build) -> Vec<Item> {
    let yes = |id: &str, question: &str, licensed: bool, stops: bool| Item {
        id: id.to_owned(),
        question: question.to_owned(),
        kind: Kind::YesNo,
        licensed,
        stops,
    };
    let mut out = vec![
        yes("arrows", "Every panel's arrow points as drawn, and its data input is at the edge drawn?", false, false),
        yes("polarity", "Polarity right at every power connector, panels and controller: red on +, black on −?", false, true),
        yes("fuses", "Every fuse in its holder, with the rating of the table?", false, true),
        yes("strands", "No loose strand at any terminal, and every crimp holds a firm pull?", false, true),
        yes("strain-relief", "Strain relief on every lead that leaves the case?", false, false),
    ];
    for (supply, s) in build.supplies.iter().enumerate() {
        out.push(Item {
            id: format!("ohms/{}", s.name),
            question: format!("Supply {} off: ohms between + and − at its distribution, once the reading has settled?", s.name),
            kind: Kind::Ohms { supply },
            licensed: false,
            stops: true,
        });
    }
    out.push(yes("selector", "The supply's input selector set for the local mains?", true, true));
    out.push(yes("protective-earth", "Protective earth connected and checked?", true, true));
    for (supply, s) in build.supplies.iter().enumerate() {
        out.push(Item {
            id: format!("volts/{}", s.name),
            question: format!(
                "Supply {} on, nothing connected to it: volts at its terminals (set it to {:.2} V)?",
                s.name,
                s.set_v.value()
            ),
            kind: Kind::Volts { supply },
            licensed: false,
            stops: true,
        });
    }
    out
}

impl Item {
    /// Unit of its reading; empty for yes or no.
    pub const fn unit(&self) -> &'static str {
        match self.kind {
            Kind::YesNo => "",
            Kind::Ohms { .. } => "Ω",
            Kind::Volts { .. } => "V",
        }
    }
    /// What its reading must keep to.
    pub fn limit(&self, build: &Build) -> Limit {
        match self.kind {
            Kind::YesNo => Limit::default(),
            Kind::Ohms { .. } => Limit { low: Some(SHORT_OHM), high: None },
            Kind::Volts { supply } => {
                let [low, high] = build.supplies[supply].accept_v.map(|v| v.value());
                Limit { low: Some(low), high: Some(high) }
            }
        }
    }
    fn basis(&self) -> &'static str {
        match self.kind {
            Kind::YesNo => "answered by hand",
            Kind::Ohms { .. } => "5 V over it would be 1 A with nothing lit (common practice, no source)",
            Kind::Volts { .. } => "window of the build (4.90 to 5.25 V: common practice, no source)",
        }
    }
    fn place(&self, build: &Build) -> Place {
        match self.kind {
            Kind::YesNo => Place::default(),
            Kind::Ohms { supply } | Kind::Volts { supply } => {
                Place { supply: Some(build.supplies[supply].name.clone()), ..Place::default() }
            }
        }
    }
}

fn outside(value: f64, limit: Limit) -> bool {
    limit.low.is_some_and(|l| value < l) || limit.high.is_some_and(|h| value > h)
}

/// Why a run may not begin with these answers, in words with what to do; `None` where it may. Whatever the meter's
/// accuracy, a reading outside its limits is a reason.
pub fn stop(build: &Build, list: &Checklist) -> Option<String> {
    items(build).into_iter().filter(|item| item.stops).find_map(|item| match item.kind {
        Kind::YesNo => (list.answers.get(&item.id) == Some(&false))
            .then(|| format!("the checklist: `{}` was answered with no. Put it right, then fill the checklist in again", item.id)),
        Kind::Ohms { supply } => {
            let value = list.reading(&item.id)?.value;
            outside(value, item.limit(build)).then(|| {
                format!(
                    "the checklist: {value} Ω between + and − of supply {}, at least {SHORT_OHM} Ω expected. There is a short: find it with \
                     the supply off, feed by feed",
                    build.supplies[supply].name
                )
            })
        }
        Kind::Volts { supply } => {
            let value = list.reading(&item.id)?.value;
            let s = &build.supplies[supply];
            outside(value, item.limit(build)).then(|| {
                format!(
                    "the checklist: {value:.2} V at the terminals of supply {}, outside {:.2} to {:.2} V. Set it to {:.2} V with nothing \
                     connected, then measure again",
                    s.name,
                    s.accept_v[0].value(),
                    s.accept_v[1].value(),
                    s.set_v.value()
                )
            })
        }
    })
}

/// Guard band of a hand reading: its greatest error taken as rectangular (JCGM 100, 4.3.7), 95 % coverage.
fn guard(reading: &HandReading) -> f64 {
    t_quantile(0.95, f64::INFINITY) * reading.error / 3f64.sqrt()
}

/// Where a reading comes from, for the basis of its check.
fn source(reading: &HandReading, who: &str, when: &str) -> String {
    format!("{} ± {:.3} greatest error; {who}, {when}", reading.meter, reading.error)
}

fn of_item(build: &Build, item: &Item, list: &Checklist) -> Check {
    let by = match (&list.licensed, item.licensed) {
        (Some(licensed), true) => format!("{licensed} (licensed); written down by {}", list.who),
        (None, true) => format!("{}; who is licensed was not said", list.who),
        (_, false) => list.who.clone(),
    };
    let mut check = Check {
        id: format!("by-hand/{}", item.id),
        title: item.question.clone(),
        place: item.place(build),
        value: None,
        unit: item.unit().to_owned(),
        limit: item.limit(build),
        expanded_uncertainty: None,
        result: CheckResult::NotProven,
        basis: "not answered on the checklist".to_owned(),
    };
    if item.kind == Kind::YesNo {
        if let Some(&yes) = list.answers.get(&item.id) {
            check.result = if yes { CheckResult::Pass } else { CheckResult::Fail };
            check.basis = format!("{}: {by}, {}", item.basis(), list.when);
        }
    } else if let Some(reading) = list.reading(&item.id) {
        check.value = Some(reading.value);
        check.expanded_uncertainty = Some(guard(reading));
        check.result = decide(reading.value, guard(reading), check.limit);
        check.basis = format!("{}; {}", item.basis(), source(reading, &by, &list.when));
    }
    check
}

/// The checks of a run's checklist and hand readings; none where nobody handed any in.
pub fn checks(build: &Build, entries: &[Entry]) -> Vec<Check> {
    let mut out = Vec::new();
    for entry in entries {
        match &entry.event {
            Event::Checklist(list) => out.extend(items(build).iter().map(|item| of_item(build, item, list))),
            Event::ByHand { reading, who } if reading.item == JOINT => {
                let limit = Limit { low: None, high: Some(build.limits.joint_max_c) };
                out.push(Check {
                    id: format!("by-hand/{JOINT}"),
                    title: "temperature of the hottest joint at the end of the hold".to_owned(),
                    place: Place::default(),
                    value: Some(reading.value),
                    unit: "°C".to_owned(),
                    limit,
                    expanded_uncertainty: Some(guard(reading)),
                    result: decide(reading.value, guard(reading), limit),
                    basis: format!(
                        "{:.0} °C (common practice, no source); {} ± {:.2} greatest error; {who}",
                        build.limits.joint_max_c, reading.meter, reading.error
                    ),
                });
            }
            _ => {}
        }
    }
    out
}

/// Accuracy as a meter's data sheet states it: ± (percent of the reading + digits of the last place).
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Accuracy {
    /// Percent of the reading.
    pub percent: f64,
    /// Digits of the last place.
    pub digits: f64,
    /// What one digit of the last place is worth in the range used.
    pub step: f64,
}

impl Accuracy {
    /// Greatest error of a reading.
    pub fn error(&self, value: f64) -> f64 {
        self.percent / 100.0 * value.abs() + self.digits * self.step
    }
    fn sound(&self) -> bool {
        [self.percent, self.digits, self.step].iter().all(|v| v.is_finite() && *v >= 0.0) && self.percent <= 50.0
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MeterFile {
    model: String,
    volts: Option<Accuracy>,
    ohms: Option<Accuracy>,
    celsius: Option<Accuracy>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct EndFile {
    joint_c: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    schema: i64,
    serial: String,
    who: String,
    when: toml::Value,
    licensed: Option<String>,
    meter: MeterFile,
    #[serde(default)]
    answers: BTreeMap<String, bool>,
    #[serde(default)]
    ohms: BTreeMap<String, f64>,
    #[serde(default)]
    volts: BTreeMap<String, f64>,
    #[serde(default)]
    end: EndFile,
}

/// A moment as written by hand: with or without its distance from UTC.
fn moment(text: &str) -> bool {
    text.parse::<jiff::Timestamp>().is_ok() || text.parse::<jiff::civil::DateTime>().is_ok()
}

/// Checks a moment typed by a person.
///
/// # Errors
/// What was expected.
pub fn check_moment(text: &str) -> Result<(), String> {
    if moment(text) { Ok(()) } else { Err(format!("`{text}` is no date with time; write for example 2026-03-01T10:15")) }
}

/// Reads a filled-in checklist file of this build.
///
/// # Errors
/// What is wrong, one problem a line, with what was expected.
pub fn read(source: &str, file_name: &str, build: &Build) -> Result<Checklist, String> {
    let file: File = toml::from_str(source).map_err(|e| format!("{file_name}: {e}"))?;
    let mut wrong: Vec<String> = Vec::new();
    if file.schema != 1 {
        wrong.push(format!("schema = {}: this version knows schema 1", file.schema));
    }
    if file.serial != build.sign.serial {
        wrong.push(format!(
            "serial = \"{}\": the build is of sign \"{}\"; was the file filled in for another sign?",
            file.serial, build.sign.serial
        ));
    }
    if file.who.trim().is_empty() {
        wrong.push("who is empty: name the person who looked".to_owned());
    }
    let when = match &file.when {
        toml::Value::String(s) => s.clone(),
        other => other.to_string(),
    };
    if let Err(why) = check_moment(&when) {
        wrong.push(format!("when: {why}"));
    }
    let items = items(build);
    let named = |id: &str, of: &str| -> Result<(), String> {
        let known: Vec<&str> = items.iter().filter(|i| (i.kind == Kind::YesNo) == of.is_empty()).map(|i| i.id.as_str()).collect();
        if known.contains(&id) {
            Ok(())
        } else {
            Err(format!("`{id}` is no question of this build's checklist; known: {}", known.join(", ")))
        }
    };
    for id in file.answers.keys() {
        wrong.extend(named(id, "").err());
    }
    let mut readings = Vec::new();
    let mut take = |id: String, value: f64, accuracy: Option<Accuracy>, kind: &str, range: [f64; 2]| {
        let Some(accuracy) = accuracy else {
            wrong.push(format!(
                "{id}: the reading has no accuracy; give `{kind} = {{ percent = …, digits = …, step = … }}` in [meter], from the meter's data sheet"
            ));
            return;
        };
        if !accuracy.sound() {
            wrong.push(format!("[meter] {kind}: percent (0 to 50), digits and step must be numbers from 0 up"));
        } else if !(range[0]..=range[1]).contains(&value) {
            wrong.push(format!(
                "{id} = {value}: expected {} to {}; where the meter shows over range, give the top of its range",
                range[0], range[1]
            ));
        } else {
            readings.push(HandReading { item: id, value, error: accuracy.error(value), meter: file.meter.model.clone() });
        }
    };
    for (name, &value) in &file.ohms {
        take(format!("ohms/{name}"), value, file.meter.ohms, "ohms", [0.0, 1e9]);
    }
    for (name, &value) in &file.volts {
        take(format!("volts/{name}"), value, file.meter.volts, "volts", [-1000.0, 1000.0]);
    }
    if let Some(value) = file.end.joint_c {
        take(JOINT.to_owned(), value, file.meter.celsius, "celsius", [-60.0, 500.0]);
    }
    for reading in readings.iter().filter(|r| r.item != JOINT) {
        wrong.extend(named(&reading.item, "reading").err());
    }
    if wrong.is_empty() {
        Ok(Checklist { who: file.who, when, licensed: file.licensed, answers: file.answers, readings })
    } else {
        Err(wrong.iter().map(|w| format!("{file_name}: {w}")).collect::<Vec<_>>().join("\n"))
    }
}

/// The empty file of a build, to be filled in.
pub fn form(build: &Build) -> String {
    let mut out = format!(
        "# Before-power checklist of {} ({}). Fill it in from paper, then: signproof run BUILD --checklist THIS-FILE\n\
         # Leave a line out (put # before it) where something was not done.\nschema = 1\nserial = {}\nwho = \"\"\n\
         when = \"\"          # e.g. 2026-03-01T10:15\nlicensed = \"\"      # who is licensed, set the selector and checked protective earth\n\n\
         [meter]            # ± (percent of the reading + digits × step), from its data sheet\nmodel = \"\"\n\
         # volts = {{ percent = 0.5, digits = 2, step = 0.01 }}\n# ohms = {{ percent = 0.8, digits = 3, step = 0.1 }}\n\
         # celsius = {{ percent = 1.0, digits = 10, step = 0.1 }}\n\n[answers]          # true = yes, false = no\n",
        build.sign.name,
        build.sign.serial,
        toml::Value::String(build.sign.serial.clone())
    );
    let items = items(build);
    for item in items.iter().filter(|i| i.kind == Kind::YesNo) {
        out.push_str(&format!("# {}\n# {} = \n", item.question, item.id));
    }
    for (head, word) in [("ohms", "ohms/"), ("volts", "volts/")] {
        out.push_str(&format!("\n[{head}]\n"));
        for item in items.iter().filter(|i| i.id.starts_with(word)) {
            let name = toml::Value::String(item.id[word.len()..].to_owned());
            out.push_str(&format!("# {}\n# {name} = \n", item.question));
        }
    }
    out.push_str("\n[end]              # at the end of the hold\n# The hottest joint, °C:\n# joint_c = \n");
    out
}

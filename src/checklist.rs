//! The before-power checklist: its questions, the file in which answers come from paper or another machine, and
//! how answers and hand readings are judged. Pure.

use crate::build::{Build, FileKind};
use crate::check::{Check, CheckResult, Limit, Place};
use crate::event::{Checklist, Entry, Event, HandReading};
use crate::meter::decide::{decide, t_quantile};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Least resistance between + and − with the supply off: 5 V over it is 1 A with nothing lit (common practice, no
/// source).
pub const SHORT_OHM: f64 = 5.0;
/// Name of the reading of the hottest joint.
pub const JOINT: &str = "joint";
/// What a thermometer at a joint can show, °C.
const JOINT_RANGE_C: [f64; 2] = [-60.0, 500.0];

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

/// The checks of a checklist.
pub fn checks_of(build: &Build, list: &Checklist) -> Vec<Check> {
    items(build).iter().map(|item| of_item(build, item, list)).collect()
}

/// The checks of a run's checklist and hand readings; none where nobody handed any in. Of several lists the last counts.
pub fn checks(build: &Build, entries: &[Entry]) -> Vec<Check> {
    let list = entries.iter().rev().find_map(|e| if let Event::Checklist(list) = &e.event { Some(list) } else { None });
    let mut out = list.map_or(vec![], |list| checks_of(build, list));
    for entry in entries {
        if let Event::ByHand { reading, who } = &entry.event
            && reading.item == JOINT
        {
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
    }
    out
}

/// A reading of the hottest joint.
///
/// # Errors
/// What was expected.
pub fn joint(celsius: f64, accuracy: Accuracy, meter: &str) -> Result<HandReading, String> {
    let [low, high] = JOINT_RANGE_C;
    if !(low..=high).contains(&celsius) {
        return Err(format!("{celsius} °C: expected {low} to {high}"));
    }
    if !accuracy.sound() {
        return Err("the accuracy: percent (0 to 50), digits and step must be numbers from 0 up".to_owned());
    }
    check_name("the thermometer", meter)?;
    Ok(HandReading { item: JOINT.to_owned(), value: celsius, error: accuracy.error(celsius), meter: meter.to_owned() })
}

/// Accuracy as a meter's data sheet states it: ± (percent of the reading + digits of the last place).
#[derive(Clone, Copy, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
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

/// The hand meter, with its accuracy for each kind of reading.
#[derive(Debug, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HandMeter {
    /// The model, for the record.
    pub model: String,
    /// For volts.
    pub volts: Option<Accuracy>,
    /// For ohms.
    pub ohms: Option<Accuracy>,
    /// For °C.
    pub celsius: Option<Accuracy>,
}

/// What is found at the end of the hold.
#[derive(Debug, Default, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AtTheEnd {
    /// The hottest joint, °C.
    pub joint_c: Option<f64>,
}

/// A filled-in checklist as it comes from outside, not checked yet: from its file, or from a form.
#[derive(Debug, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FilledIn {
    /// 1.
    pub schema: i64,
    /// Serial number of the sign it was filled in for.
    pub serial: String,
    /// Who looked and measured.
    pub who: String,
    /// When, as a date with time.
    #[schemars(with = "String")]
    pub when: toml::Value,
    /// Who is licensed and did what only they may do.
    pub licensed: Option<String>,
    /// The meter.
    pub meter: HandMeter,
    /// Yes or no, by name of the question.
    #[serde(default)]
    pub answers: BTreeMap<String, bool>,
    /// Ohms, by supply.
    #[serde(default)]
    pub ohms: BTreeMap<String, f64>,
    /// Volts, by supply.
    #[serde(default)]
    pub volts: BTreeMap<String, f64>,
    /// At the end of the hold.
    #[serde(default)]
    pub end: AtTheEnd,
}

/// Longest name of a person or a meter, characters.
const NAME_MAX: usize = 200;

/// Checks a name that goes into the record.
///
/// # Errors
/// What was expected.
pub fn check_name(what: &str, name: &str) -> Result<(), String> {
    if name.chars().count() > NAME_MAX || name.chars().any(char::is_control) {
        return Err(format!("{what}: at most {NAME_MAX} characters, none of them a control character"));
    }
    Ok(())
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
    let file: FilledIn = toml::from_str(source).map_err(|e| format!("{file_name}: {}", FileKind::Checklist.trouble(source, &e)))?;
    check(file, build).map_err(|wrong| wrong.iter().map(|w| format!("{file_name}: {w}")).collect::<Vec<_>>().join("\n"))
}

/// Checks a filled-in checklist of this build.
///
/// # Errors
/// What is wrong, each with what was expected.
pub fn check(file: FilledIn, build: &Build) -> Result<Checklist, Vec<String>> {
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
    let licensed = file.licensed.filter(|name| !name.trim().is_empty());
    for (what, name) in [("who", Some(&file.who)), ("licensed", licensed.as_ref()), ("[meter] model", Some(&file.meter.model))] {
        wrong.extend(name.and_then(|name| check_name(what, name).err()));
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
            // a reading that is no number is not in the range either
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
        take(JOINT.to_owned(), value, file.meter.celsius, "celsius", JOINT_RANGE_C);
    }
    for reading in readings.iter().filter(|r| r.item != JOINT) {
        wrong.extend(named(&reading.item, "reading").err());
    }
    if wrong.is_empty() { Ok(Checklist { who: file.who, when, licensed, answers: file.answers, readings }) } else { Err(wrong) }
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

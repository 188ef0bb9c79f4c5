//! Walks the parsed file along its description, collects every unknown, missing and wrong value, and
//! leaves a tree of good values with their places.

use super::problem::{Problem, nearest};
use super::spec::{Kind, NAME_MAX, Need, Spec};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Where all problems go.
#[derive(Default)]
pub(super) struct Sink(RefCell<Vec<Problem>>);

impl Sink {
    pub fn add(&self, span: &Range<usize>, message: String, expected: impl Into<String>, hint: Option<String>) {
        self.also(span, message, expected, hint, None);
    }
    pub fn also(
        &self,
        span: &Range<usize>,
        message: String,
        expected: impl Into<String>,
        hint: Option<String>,
        also: Option<(Range<usize>, String)>,
    ) {
        self.0.borrow_mut().push(Problem { line: 0, column: 0, span: span.clone(), message, expected: expected.into(), hint, also });
    }
    pub fn is_empty(&self) -> bool {
        self.0.borrow().is_empty()
    }
    pub fn into_problems(self) -> Vec<Problem> {
        self.0.into_inner()
    }
}

/// A value with its place. `Bad` was reported already.
#[derive(Debug)]
pub(super) struct Item {
    pub val: Val,
    pub span: Range<usize>,
}

#[derive(Debug)]
pub(super) enum Val {
    Bad,
    Number(f64),
    Text(String),
    Bool(bool),
    List(Vec<Item>),
    Table(BTreeMap<String, Item>),
}

static NOTHING: Item = Item { val: Val::Bad, span: 0..0 };

impl Item {
    /// The value under a key; a bad one where there is none.
    pub fn get(&self, key: &str) -> &Self {
        match &self.val {
            Val::Table(map) => map.get(key).unwrap_or(&NOTHING),
            _ => &NOTHING,
        }
    }
    pub fn has(&self, key: &str) -> bool {
        matches!(&self.val, Val::Table(map) if map.contains_key(key))
    }
    /// NaN where there is no good number, so that comparisons stay silent.
    pub fn number(&self, key: &str) -> f64 {
        self.get(key).as_number().unwrap_or(f64::NAN)
    }
    pub fn as_number(&self) -> Option<f64> {
        if let Val::Number(n) = self.val { Some(n) } else { None }
    }
    /// A whole number that the description has confined to the range of `T`.
    pub fn whole<T: TryFrom<i64>>(&self) -> Option<T> {
        self.as_number().and_then(|n| T::try_from(n as i64).ok())
    }
    pub fn text(&self, key: &str) -> Option<&str> {
        self.get(key).as_text()
    }
    pub fn as_text(&self) -> Option<&str> {
        if let Val::Text(t) = &self.val { Some(t) } else { None }
    }
    pub fn owned(&self, key: &str) -> Option<String> {
        self.text(key).map(str::to_owned)
    }
    pub fn flag(&self, key: &str) -> bool {
        matches!(self.get(key).val, Val::Bool(true))
    }
    pub fn list(&self, key: &str) -> &[Self] {
        if let Val::List(items) = &self.get(key).val { items } else { &[] }
    }
    /// The named tables, ordered by name.
    pub fn named(&self, key: &str) -> Vec<(&str, &Self)> {
        match &self.get(key).val {
            Val::Table(map) => map.iter().map(|(k, v)| (k.as_str(), v)).collect(),
            _ => Vec::new(),
        }
    }
    /// Both numbers of a list of two.
    pub fn pair(&self, key: &str) -> [f64; 2] {
        match self.list(key) {
            [a, b] => [a.as_number().unwrap_or(f64::NAN), b.as_number().unwrap_or(f64::NAN)],
            _ => [f64::NAN; 2],
        }
    }
}

/// Walks a table. `place` is its name in messages, `at` where a missing key is reported.
pub(super) fn table(table: &DeTable<'_>, spec: &Spec, place: &str, at: &Range<usize>, sink: &Sink) -> Item {
    let mut map = BTreeMap::new();
    for (key, value) in table.iter() {
        let name: &str = key.get_ref();
        let shown = clip(name);
        let Some(field) = spec.fields.iter().find(|f| f.key == name) else {
            let known: Vec<&str> = spec.fields.iter().map(|f| f.key).collect();
            let hint = match nearest(name, known.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "take the line out, or put it where it belongs".to_owned(),
            };
            sink.add(&key.span(), format!("unknown key `{shown}` in {place}"), format!("one of {}", known.join(", ")), Some(hint));
            continue;
        };
        let inner = if spec.name == "Build" { name.to_owned() } else { format!("{place}.{name}") };
        map.insert(name.to_owned(), check(value, &field.kind, field.about, &inner, &key.span(), sink));
    }
    for field in spec.fields {
        if map.contains_key(field.key) {
            continue;
        }
        match field.need {
            Need::Required => {
                let hint = match field.kind {
                    Kind::Table(_) => format!("add a section `[{}]`", path(spec, place, field.key)),
                    Kind::Named { .. } => format!("add a section such as `[{}.NAME]`", path(spec, place, field.key)),
                    _ => format!("add `{} = {}` with the sign's own value", field.key, field.example),
                };
                sink.add(
                    at,
                    format!("`{}` is missing in {place}", field.key),
                    format!("`{}`: {}", field.key, short(field.about)),
                    Some(hint),
                );
            }
            Need::Optional => {}
            Need::Default(value) => {
                map.insert(field.key.to_owned(), Item { val: Val::Number(value), span: at.clone() });
            }
        }
    }
    Item { val: Val::Table(map), span: at.clone() }
}

fn path(spec: &Spec, place: &str, key: &str) -> String {
    if spec.name == "Build" { key.to_owned() } else { format!("{place}.{key}") }
}

/// What a key is, without its details and default.
fn short(about: &str) -> &str {
    about.split(';').next().unwrap_or(about)
}

fn check(value: &Spanned<DeValue<'_>>, kind: &Kind, about: &str, place: &str, key: &Range<usize>, sink: &Sink) -> Item {
    let span = value.span();
    let about = short(about);
    let wrong = |what: String, hint: Option<String>| {
        sink.add(&span, format!("`{place}` {what}"), format!("{}: {about}", kind.words()), hint);
        Val::Bad
    };
    let kind_wrong = || wrong(format!("is {}", type_words(value.get_ref())), None);
    let val = match (kind, value.get_ref()) {
        (Kind::Number { min, max }, v) => match number(v) {
            Some(n) if !n.is_finite() => wrong(format!("is {n}, not a finite number"), None),
            Some(n) if n < *min || n > *max => wrong(format!("is {n}: out of range"), None),
            Some(n) => Val::Number(n),
            None => wrong(format!("is {}", type_words(v)), quoted_number(v)),
        },
        (Kind::Whole { min, max }, v @ DeValue::Integer(_)) => match number(v) {
            Some(n) if n < *min as f64 || n > *max as f64 => wrong(format!("is {n}: out of range"), None),
            Some(n) => Val::Number(n),
            None => kind_wrong(),
        },
        (Kind::Whole { .. }, v) => wrong(format!("is {}", type_words(v)), quoted_number(v)),
        (Kind::Choice(values), v) => match number(v) {
            Some(n) if values.contains(&n) => Val::Number(n),
            Some(n) => wrong(format!("is {n}: no such value"), None),
            None => wrong(format!("is {}", type_words(v)), quoted_number(v)),
        },
        (Kind::Text { max, lines }, DeValue::String(s)) => {
            if s.trim().is_empty() {
                wrong("is blank".to_owned(), None)
            } else if s.chars().count() > *max {
                wrong(format!("has {} characters", s.chars().count()), Some(format!("use at most {max}")))
            } else if s.chars().any(|c| c.is_control() && !(*lines && c == '\n')) {
                wrong("holds a control character".to_owned(), Some("use printable characters only".to_owned()))
            } else {
                Val::Text(s.clone().into_owned())
            }
        }
        (Kind::Name, DeValue::String(s)) => match bad_name(s) {
            Some(why) => wrong(why, None),
            None => Val::Text(s.clone().into_owned()),
        },
        (Kind::Bool, DeValue::Boolean(b)) => Val::Bool(*b),
        (Kind::Word(words), DeValue::String(s)) => match words.iter().find(|w| **w == s.as_ref()) {
            Some(w) => Val::Text((*w).to_owned()),
            None => {
                let hint = nearest(s, words.iter().copied()).map(|w| format!("did you mean \"{w}\"?"));
                wrong(format!("is {:?}", clip(s)), hint)
            }
        },
        (Kind::List { item, min, max }, DeValue::Array(items)) => {
            if items.len() < *min || items.len() > *max {
                // its items are not looked at: a list that is far too long is refused fast
                let n = items.len();
                let message = format!("`{place}` has {n} item{}", if n == 1 { "" } else { "s" });
                let count = if min == max { format!("{min}") } else { format!("{min} to {max}") };
                sink.add(&span_of_list(items, &span, key), message, format!("{count}: {about}"), None);
                Val::Bad
            } else {
                let each = |(i, v): (usize, &Spanned<DeValue<'_>>)| check(v, item, about, &format!("{place}[{}]", i + 1), &v.span(), sink);
                Val::List(items.iter().enumerate().map(each).collect())
            }
        }
        (Kind::Table(spec), DeValue::Table(t)) => {
            let mut item = table(t, spec, place, key, sink);
            item.span = span;
            return item;
        }
        (Kind::Named { item, max }, DeValue::Table(t)) => {
            if t.is_empty() || t.len() > *max {
                sink.add(key, format!("`{place}` has {} entries", t.len()), format!("1 to {max}"), None);
                Val::Bad
            } else {
                let mut map = BTreeMap::new();
                for (name, value) in t.iter() {
                    let inner = format!("{place}.{}", clip(name.get_ref()));
                    if let Some(why) = bad_name(name.get_ref()) {
                        sink.add(&name.span(), format!("the name {:?} {why}", clip(name.get_ref())), NAME_WORDS, None);
                        continue;
                    }
                    let entry = match value.get_ref() {
                        DeValue::Table(t) => table(t, item, &inner, &name.span(), sink),
                        v => {
                            sink.add(&value.span(), format!("`{inner}` is {}", type_words(v)), format!("a table: {about}"), None);
                            Item { val: Val::Bad, span: name.span() }
                        }
                    };
                    map.insert(name.get_ref().clone().into_owned(), entry);
                }
                Val::Table(map)
            }
        }
        (_, v) => wrong(format!("is {}", type_words(v)), quoted_number(v)),
    };
    Item { val, span }
}

const NAME_WORDS: &str = "a name of letters, digits, `-`, `_` and `.`, at most 40 characters";

fn bad_name(name: &str) -> Option<String> {
    if name.is_empty() {
        Some("is empty".to_owned())
    } else if name.chars().count() > NAME_MAX {
        Some(format!("has {} characters", name.chars().count()))
    } else {
        name.chars().find(|c| !(c.is_alphanumeric() || matches!(c, '-' | '_' | '.'))).map(|c| format!("holds {c:?}"))
    }
}

/// Headers of an array of tables have no single span: the key is shown instead.
fn span_of_list(items: &[Spanned<DeValue<'_>>], span: &Range<usize>, key: &Range<usize>) -> Range<usize> {
    if items.is_empty() { span.clone() } else { key.clone() }
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(i) => i64::from_str_radix(&i.as_str().replace('_', ""), i.radix()).ok().map(|n| n as f64),
        DeValue::Float(f) => f.as_str().replace('_', "").parse().ok(),
        _ => None,
    }
}

fn quoted_number(value: &DeValue<'_>) -> Option<String> {
    match value {
        DeValue::String(s) if s.trim().parse::<f64>().is_ok() => Some(format!("write it without quotes: {}", s.trim())),
        _ => None,
    }
}

fn type_words(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(s) => format!("the text {:?}", clip(s)),
        DeValue::Integer(i) => format!("the number {}", clip(i.as_str())),
        DeValue::Float(f) => format!("the number {}", clip(f.as_str())),
        DeValue::Boolean(b) => format!("{b}"),
        DeValue::Datetime(_) => "a date or time".to_owned(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// A text short enough for a message.
pub(super) fn clip(text: &str) -> String {
    let mut out: String = text.chars().take(40).map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect();
    if text.chars().nth(40).is_some() {
        out.push('…');
    }
    out
}

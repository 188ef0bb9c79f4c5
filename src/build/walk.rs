//! Reading a spanned TOML table key by key, collecting every problem instead of stopping at the first.

use super::problem::Problem;
use std::cell::RefCell;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Collects problems.
#[derive(Default)]
pub struct Collector(RefCell<Vec<Problem>>);

impl Collector {
    pub fn add(&self, span: Range<usize>, message: impl Into<String>, expected: impl Into<String>, hint: impl Into<String>) {
        self.0.borrow_mut().push(Problem { span, message: message.into(), expected: expected.into(), hint: hint.into() });
    }
    pub fn into_list(self) -> Vec<Problem> {
        let mut list = self.0.into_inner();
        list.sort_by_key(|p| (p.span.start, p.span.end));
        list
    }
    pub fn is_empty(&self) -> bool {
        self.0.borrow().is_empty()
    }
}

/// A table being read; [`Tab::done`] reports the keys that nobody asked for.
pub struct Tab<'a> {
    table: &'a DeTable<'a>,
    pub span: Range<usize>,
    pub name: String,
    seen: RefCell<Vec<&'static str>>,
    out: &'a Collector,
}

fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

pub fn number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(f) => f.as_str().replace('_', "").parse().ok(),
        DeValue::Integer(i) => {
            i64::from_str_radix(&i.as_str().replace('_', "").replace("0x", "").replace("0b", "").replace("0o", ""), i.radix())
                .ok()
                .map(|n| n as f64)
        }
        _ => None,
    }
}

/// The nearest known word, if any is near.
pub fn nearest<'n>(word: &str, known: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    known
        .into_iter()
        .map(|k| (strsim::jaro_winkler(&word.to_lowercase(), &k.to_lowercase()), k))
        .filter(|(score, _)| *score > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, k)| k)
}

impl<'a> Tab<'a> {
    pub fn new(table: &'a DeTable<'a>, span: Range<usize>, name: impl Into<String>, out: &'a Collector) -> Self {
        Self { table, span, name: name.into(), seen: RefCell::default(), out }
    }
    pub fn get(&self, key: &'static str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.seen.borrow_mut().push(key);
        self.table.get(key)
    }
    /// Span of a key's value, or of the table where it is absent.
    pub fn at(&self, key: &str) -> Range<usize> {
        self.table.get(key).map_or_else(|| self.span.clone(), Spanned::span)
    }
    pub fn has(&self, key: &'static str) -> bool {
        self.get(key).is_some()
    }
    fn wrong(&self, key: &str, value: &Spanned<DeValue<'_>>, expected: &str) {
        self.out.add(value.span(), format!("`{key}` of {} is {}", self.name, kind(value.get_ref())), format!("expected {expected}"), "");
    }
    fn missing(&self, key: &str, expected: &str) {
        self.out.add(self.span.clone(), format!("`{key}` is missing in {}", self.name), format!("expected `{key}`: {expected}"), "");
    }
    /// An optional number within a range.
    pub fn maybe_number(&self, key: &'static str, low: f64, high: f64, unit: &str) -> Option<f64> {
        let value = self.get(key)?;
        let expected = format!("a number from {low} to {high}{unit}");
        match number(value.get_ref()) {
            Some(n) if n.is_finite() && (low..=high).contains(&n) => Some(n),
            Some(n) => {
                self.out.add(value.span(), format!("`{key}` of {} is {n}", self.name), format!("expected {expected}"), "");
                None
            }
            None => {
                self.wrong(key, value, &expected);
                None
            }
        }
    }
    pub fn number(&self, key: &'static str, low: f64, high: f64, unit: &str) -> Option<f64> {
        if !self.has(key) {
            self.missing(key, &format!("a number from {low} to {high}{unit}"));
            return None;
        }
        self.maybe_number(key, low, high, unit)
    }
    pub fn number_or(&self, key: &'static str, low: f64, high: f64, unit: &str, default: f64) -> f64 {
        self.maybe_number(key, low, high, unit).unwrap_or(default)
    }
    pub fn maybe_whole(&self, key: &'static str, low: i64, high: i64) -> Option<i64> {
        let value = self.get(key)?;
        let expected = format!("a whole number from {low} to {high}");
        let whole = match value.get_ref() {
            DeValue::Integer(_) => number(value.get_ref()),
            _ => None,
        };
        match whole {
            Some(n) if (low as f64..=high as f64).contains(&n) => Some(n as i64),
            Some(n) => {
                self.out.add(value.span(), format!("`{key}` of {} is {n}", self.name), format!("expected {expected}"), "");
                None
            }
            None => {
                self.wrong(key, value, &expected);
                None
            }
        }
    }
    pub fn whole(&self, key: &'static str, low: i64, high: i64) -> Option<i64> {
        if !self.has(key) {
            self.missing(key, &format!("a whole number from {low} to {high}"));
            return None;
        }
        self.maybe_whole(key, low, high)
    }
    pub fn maybe_text(&self, key: &'static str) -> Option<(String, Range<usize>)> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::String(s) if s.len() <= 4096 => Some((s.to_string(), value.span())),
            DeValue::String(_) => {
                self.out.add(value.span(), format!("`{key}` of {} is very long", self.name), "expected at most 4096 bytes", "");
                None
            }
            _ => {
                self.wrong(key, value, "text in quotes");
                None
            }
        }
    }
    pub fn text(&self, key: &'static str) -> Option<(String, Range<usize>)> {
        if !self.has(key) {
            self.missing(key, "text in quotes");
            return None;
        }
        self.maybe_text(key)
    }
    pub fn flag(&self, key: &'static str) -> Option<bool> {
        let value = self.get(key)?;
        if let DeValue::Boolean(b) = value.get_ref() {
            Some(*b)
        } else {
            self.wrong(key, value, "true or false");
            None
        }
    }
    /// One of several words.
    pub fn word<T: Copy>(&self, key: &'static str, words: &[(&str, T)]) -> Option<T> {
        let (text, span) = self.text(key)?;
        if let Some((_, value)) = words.iter().find(|(w, _)| *w == text) {
            return Some(*value);
        }
        let list: Vec<String> = words.iter().map(|(w, _)| format!("\"{w}\"")).collect();
        let hint = nearest(&text, words.iter().map(|(w, _)| *w)).map(|n| format!("did you mean \"{n}\"?")).unwrap_or_default();
        self.out.add(span, format!("`{key}` of {} is \"{text}\"", self.name), format!("expected one of {}", list.join(", ")), hint);
        None
    }
    pub fn maybe_table(&self, key: &'static str) -> Option<Tab<'a>> {
        let value = self.get(key)?;
        if let DeValue::Table(t) = value.get_ref() {
            Some(Tab::new(t, value.span(), format!("`{key}` of {}", self.name), self.out))
        } else {
            self.wrong(key, value, "a table");
            None
        }
    }
    pub fn table(&self, key: &'static str) -> Option<Tab<'a>> {
        if !self.has(key) {
            self.missing(key, "a table");
            return None;
        }
        self.maybe_table(key)
    }
    /// The entries of a list; empty (and reported where needed) if absent.
    pub fn list(&self, key: &'static str, needed: bool) -> Vec<&'a Spanned<DeValue<'a>>> {
        match self.get(key) {
            None => {
                if needed {
                    self.missing(key, "a list");
                }
                Vec::new()
            }
            Some(value) => match value.get_ref() {
                DeValue::Array(a) => a.iter().collect(),
                _ => {
                    self.wrong(key, value, "a list");
                    Vec::new()
                }
            },
        }
    }
    /// A list of exactly two numbers.
    pub fn two(&self, key: &'static str, low: f64, high: f64, needed: bool) -> Option<[f64; 2]> {
        if !self.has(key) && !needed {
            return None;
        }
        let entries = self.list(key, needed);
        let numbers: Vec<f64> = entries.iter().filter_map(|v| number(v.get_ref())).collect();
        if let [a, b] = numbers[..]
            && entries.len() == 2
            && numbers.iter().all(|n| n.is_finite() && (low..=high).contains(n))
        {
            return Some([a, b]);
        }
        if self.has(key) {
            self.out.add(
                self.at(key),
                format!("`{key}` of {} is not understood", self.name),
                format!("expected two numbers from {low} to {high}, e.g. [{low}, {high}]"),
                "",
            );
        }
        None
    }
    /// Named tables inside this one, e.g. `[feeds.F1]`.
    pub fn named(&self, key: &'static str) -> Vec<(String, Tab<'a>)> {
        let Some(inner) = self.table(key) else { return Vec::new() };
        let mut out = Vec::new();
        for (name, value) in inner.table.iter() {
            if let DeValue::Table(t) = value.get_ref() {
                out.push((name.get_ref().to_string(), Tab::new(t, name.span(), format!("`{key}.{}`", name.get_ref()), self.out)));
            } else {
                self.out.add(value.span(), format!("`{key}.{}` is {}", name.get_ref(), kind(value.get_ref())), "expected a table", "");
            }
        }
        out.sort_by(|a, b| a.0.cmp(&b.0));
        if out.is_empty() {
            self.out.add(
                inner.span.clone(),
                format!("there is nothing in `{key}`"),
                format!("expected at least one table [{key}.NAME]"),
                "",
            );
        }
        out
    }
    /// Tables of an array of tables.
    pub fn tables(&self, key: &'static str, needed: bool) -> Vec<Tab<'a>> {
        self.list(key, needed)
            .into_iter()
            .enumerate()
            .filter_map(|(i, value)| {
                if let DeValue::Table(t) = value.get_ref() {
                    Some(Tab::new(t, value.span(), format!("`{key}` number {}", i + 1), self.out))
                } else {
                    self.out.add(value.span(), format!("`{key}` number {} is {}", i + 1, kind(value.get_ref())), "expected a table", "");
                    None
                }
            })
            .collect()
    }
    /// Reports what nobody asked for.
    pub fn done(&self) {
        let seen = self.seen.borrow();
        for (key, _) in self.table.iter() {
            let word = key.get_ref().as_ref();
            if !seen.contains(&word) {
                let hint = nearest(word, seen.iter().copied()).map(|n| format!("did you mean `{n}`?")).unwrap_or_default();
                let mut known: Vec<&str> = seen.iter().copied().collect();
                known.sort_unstable();
                known.dedup();
                self.out.add(
                    key.span(),
                    format!("unknown key `{word}` in {}", self.name),
                    format!("known keys: {}", known.join(", ")),
                    hint,
                );
            }
        }
    }
}

//! What a description of the file format is made of. One description serves both the checker
//! ([`super::walk`]) and the JSON schema ([`super::schema`]), so that they can't disagree.

/// What a value must be.
pub(super) enum Kind {
    /// A finite number within these limits, whole or not.
    Number { min: f64, max: f64 },
    /// A whole number within these limits.
    Whole { min: i64, max: i64 },
    /// One of these numbers.
    Choice(&'static [f64]),
    /// A text that is not blank, of at most this many characters; `lines` allows line breaks.
    Text { max: usize, lines: bool },
    /// A name: letters, digits, `-`, `_`, `.`; at most [`NAME_MAX`] characters.
    Name,
    /// `true` or `false`.
    Bool,
    /// One of these words.
    Word(&'static [&'static str]),
    /// A list of this many items.
    List { item: &'static Kind, min: usize, max: usize },
    /// A table.
    Table(&'static Spec),
    /// Tables under names of the writer's choice.
    Named { item: &'static Spec, max: usize },
}

/// Longest name, in characters.
pub(super) const NAME_MAX: usize = 40;

/// Whether a key must be there.
pub(super) enum Need {
    /// It must.
    Required,
    /// It may be left out; what that means is said in `about`.
    Optional,
    /// It may be left out and is then this number.
    Default(f64),
}

/// One key of a table.
pub(super) struct Field {
    pub key: &'static str,
    /// What it is, with its unit and, for a default, the reason.
    pub about: &'static str,
    pub need: Need,
    pub kind: Kind,
    /// A value as it would be written.
    pub example: &'static str,
}

/// A table of the file.
pub(super) struct Spec {
    /// Name of its definition in the JSON schema.
    pub name: &'static str,
    pub about: &'static str,
    pub fields: &'static [Field],
}

pub(super) const fn required(key: &'static str, kind: Kind, about: &'static str, example: &'static str) -> Field {
    Field { key, about, need: Need::Required, kind, example }
}

pub(super) const fn optional(key: &'static str, kind: Kind, about: &'static str, example: &'static str) -> Field {
    Field { key, about, need: Need::Optional, kind, example }
}

pub(super) const fn default(key: &'static str, value: f64, min: f64, max: f64, about: &'static str) -> Field {
    Field { key, about, need: Need::Default(value), kind: Kind::Number { min, max }, example: "" }
}

pub(super) const fn number(min: f64, max: f64) -> Kind {
    Kind::Number { min, max }
}

pub(super) const fn whole(min: i64, max: i64) -> Kind {
    Kind::Whole { min, max }
}

impl Kind {
    /// What is expected, in words.
    pub fn words(&self) -> String {
        match self {
            Self::Number { min, max } => format!("a number from {min} to {max}"),
            Self::Whole { min, max } if min == max => format!("{min}"),
            Self::Whole { min, max } => format!("a whole number from {min} to {max}"),
            Self::Choice(values) => {
                format!("one of {}", values.iter().map(f64::to_string).collect::<Vec<_>>().join(", "))
            }
            Self::Text { .. } => "a text in quotes".to_owned(),
            Self::Name => "a name in quotes".to_owned(),
            Self::Bool => "true or false".to_owned(),
            Self::Word(words) => words.iter().map(|w| format!("\"{w}\"")).collect::<Vec<_>>().join(" or "),
            Self::List { item, min, max } if min == max => format!("a list of {min}, each {}", item.words()),
            Self::List { item, min, max } => format!("a list of {min} to {max}, each {}", item.words()),
            Self::Table(_) => "a table".to_owned(),
            Self::Named { max, .. } => format!("1 to {max} tables, each with a name"),
        }
    }
}

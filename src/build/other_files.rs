//! Files that are taken for one another, and the parser's types in words for people.

/// A file that a person writes or hands in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileKind {
    /// The expected build.
    Build,
    /// A before-power checklist.
    Checklist,
    /// The daemon's configuration.
    Configuration,
}

impl FileKind {
    const ALL: [Self; 3] = [Self::Build, Self::Checklist, Self::Configuration];

    /// With its article.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Build => "a build file",
            Self::Checklist => "a before-power checklist",
            Self::Configuration => "a configuration of the daemon",
        }
    }
    /// Names at the top of such a file that the others do not have.
    const fn own(self) -> &'static [&'static str] {
        match self {
            Self::Build => &["panel_types", "supplies", "feeds", "controller", "adapter", "chains"],
            Self::Checklist => &["who", "when", "licensed", "meter", "answers", "ohms", "volts"],
            Self::Configuration => &["rig", "build", "state_dir", "first_power", "watch", "http"],
        }
    }
    /// What a text looks like by the names at its top: two of one kind, none of another.
    fn of(source: &str) -> Option<Self> {
        let table: toml::Table = source.parse().ok()?;
        let hits = |kind: Self| kind.own().iter().filter(|name| table.contains_key(**name)).count();
        Self::ALL.into_iter().find(|&kind| hits(kind) >= 2 && Self::ALL.into_iter().all(|other| other == kind || hits(other) == 0))
    }
    /// The other kind that a text looks like where one of this kind was asked for.
    pub fn instead(self, source: &str) -> Option<Self> {
        Self::of(source).filter(|kind| *kind != self)
    }
    /// What the parser says of a text that should be of this kind, in words for people.
    pub fn trouble(self, source: &str, error: &toml::de::Error) -> String {
        if let Some(other) = self.instead(source) {
            return format!("this looks like {}; expected {}: name another file", other.words(), self.words());
        }
        let mut text = error.to_string();
        for (type_name, words) in [
            ("expected f64", "expected a number, e.g. 5.02"),
            ("expected a boolean", "expected true or false, without quotes"),
            ("expected i64", "expected a whole number"),
            ("expected a string", "expected a text in quotes"),
        ] {
            text = text.replace(type_name, words);
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::FileKind;

    #[test]
    fn each_kind_is_known_by_its_names() {
        let build = include_str!("../../config/water-taxi.toml");
        let list = "schema = 1\nserial = \"S\"\nwho = \"\"\n[meter]\nmodel = \"\"\n[answers]\n";
        let configuration = "rig = \"sim\"\nbuild = \"b.toml\"\n";
        for (kind, text) in [(FileKind::Build, build), (FileKind::Checklist, list), (FileKind::Configuration, configuration)] {
            assert_eq!(FileKind::of(text), Some(kind));
            assert_eq!(kind.instead(text), None);
        }
        assert_eq!(FileKind::of("who = 1\n"), None);
        assert_eq!(FileKind::of("not toml"), None);
    }
}

//! Paper checks to mind, in sentences; what is said of several feeds alike is said once.

use crate::power::{DeskCheck, DeskReport, Verdict};

/// The sentence of a check, with `each` in place of its feed's name.
fn sentence(check: &DeskCheck, each: Option<(&str, &str)>) -> String {
    let title = match each {
        Some((feed, each)) => check.title.replacen(&format!("feed {feed}"), each, 1),
        None => check.title.clone(),
    };
    let limit = match (check.limit.low, check.limit.high) {
        (Some(low), _) => format!(" (at least {low:.2} wanted)"),
        (_, Some(high)) => format!(" (at most {high:.2} wanted)"),
        _ => String::new(),
    };
    match check.value {
        Some(value) => format!("{title}: {value:.2} {}{limit} — {}", check.unit, check.basis),
        None => format!("{title}: {}", check.basis),
    }
}

/// Names as read aloud: `F1 to F6` where they count up, else one after the other.
fn listed(names: &[&str]) -> String {
    let parts = |name: &str| {
        let head = name.trim_end_matches(|c: char| c.is_ascii_digit());
        name[head.len()..].parse::<u32>().ok().map(|number| (head.to_owned(), number))
    };
    let counted = |w: &[&str]| parts(w[0]).zip(parts(w[1])).is_some_and(|(a, b)| a.0 == b.0 && a.1 + 1 == b.1);
    match names {
        [first, .., last] if names.len() > 2 && names.windows(2).all(counted) => format!("{first} to {last}"),
        _ => names.join(", "),
    }
}

/// What the paper checks say with this verdict, but for the level, which has its own place.
pub fn said(desk: &DeskReport, verdict: Verdict) -> Vec<String> {
    // each sentence without its feed's name, the first check of it, the feeds it is said of
    let mut groups: Vec<(String, &DeskCheck, Vec<&str>)> = Vec::new();
    for check in desk.checks.iter().filter(|c| c.verdict == verdict && c.id != "level") {
        let feed = check.place.feed.as_deref();
        let key = sentence(check, feed.map(|f| (f, "feed")));
        match groups.iter_mut().find(|g| g.0 == key) {
            Some(group) => group.2.extend(feed),
            None => groups.push((key, check, feed.into_iter().collect())),
        }
    }
    groups
        .into_iter()
        .map(|(_, check, feeds)| match feeds.as_slice() {
            [first, _, ..] => sentence(check, Some((first, &format!("each of the feeds {}", listed(&feeds))))),
            _ => sentence(check, None),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::listed;

    #[test]
    fn feeds_that_count_up_are_a_range() {
        assert_eq!(listed(&["F1", "F2", "F3"]), "F1 to F3");
        assert_eq!(listed(&["F1", "F2"]), "F1, F2");
        assert_eq!(listed(&["F1", "F3", "F4"]), "F1, F3, F4");
        assert_eq!(listed(&["left", "right", "roof"]), "left, right, roof");
    }
}

//! The one-way rule of the house: a module may use only what stands to its left in the data flow.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Modules in the order of the data flow; equal numbers may not use each other.
const ORDER: [(&str, u32); 30] = [
    ("units", 0),
    ("build", 1),
    ("fault", 2),
    ("check", 0),
    ("wall", 3),
    ("power", 4),
    ("drawing", 5),
    ("frame", 4),
    ("event", 5),
    ("scan", 5),
    ("plan", 7),
    ("meter", 6),
    ("checklist", 7),
    ("calibration", 4),
    ("rig", 8),
    ("journal", 9),
    ("run", 10),
    ("judge", 11),
    ("drift", 11),
    ("report", 12),
    ("sheet", 12),
    ("commission", 13),
    ("baseline", 14),
    ("ticket", 14),
    ("find_map", 14),
    ("advice", 14),
    ("campaign", 14),
    ("service", 20),
    ("cli", 21),
    ("main", 22),
];

/// Judging must work years later with no sign attached.
const NEVER: [(&str, &str); 5] = [("judge", "rig"), ("judge", "run"), ("report", "rig"), ("report", "run"), ("report", "meter")];

fn rank(module: &str) -> Option<u32> {
    ORDER.iter().find(|(name, _)| *name == module).map(|(_, rank)| *rank)
}

fn sources(dir: &Path, out: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// Every module named behind `prefix::` in a source, `use` lists in braces included.
fn uses(text: &str, prefix: &str) -> Vec<String> {
    let mut found = Vec::new();
    let needle = format!("{prefix}::");
    for (at, _) in text.match_indices(&needle) {
        if text[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_') {
            continue;
        }
        let rest = text[at + needle.len()..].trim_start();
        if let Some(list) = rest.strip_prefix('{') {
            let mut depth = 0;
            let mut item = String::new();
            for c in list.chars() {
                match c {
                    '{' => depth += 1,
                    '}' if depth == 0 => break,
                    '}' => depth -= 1,
                    ',' if depth == 0 => found.push(std::mem::take(&mut item)),
                    _ if depth == 0 => item.push(c),
                    _ => {}
                }
            }
            found.push(item);
        } else {
            found.push(rest.to_owned());
        }
    }
    found.into_iter().map(|f| f.trim().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect()).collect()
}

/// Text without comment lines and without what follows `#[cfg(test)]`.
fn production(text: &str) -> String {
    let end = text.find("#[cfg(test)]").unwrap_or(text.len());
    text[..end].lines().filter(|l| !l.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

fn backward(module: &str, text: &str) -> Vec<String> {
    let mine = rank(module).unwrap_or_else(|| panic!("module `{module}` has no place in ORDER: give it one"));
    let mut seen = uses(text, "crate");
    seen.extend(uses(text, "signproof"));
    seen.into_iter()
        .filter(|other| other != module && (rank(other).is_some_and(|theirs| theirs >= mine) || NEVER.contains(&(module, other.as_str()))))
        .collect()
}

#[test]
fn no_module_uses_one_to_its_right() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&root, &mut files);
    let mut wrong: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for path in files {
        let inside = path.strip_prefix(&root).unwrap();
        let first = inside.components().next().unwrap().as_os_str().to_string_lossy();
        let module = first.trim_end_matches(".rs").to_owned();
        if module == "lib" {
            continue;
        }
        let text = production(&fs::read_to_string(&path).unwrap());
        let back = backward(&module, &text);
        if !back.is_empty() {
            wrong.insert(inside.display().to_string(), back);
        }
    }
    assert!(wrong.is_empty(), "backward uses: {wrong:#?}");
}

#[test]
fn a_backward_use_is_seen() {
    assert_eq!(backward("judge", "use crate::report::html;"), ["report"]);
    assert_eq!(backward("judge", "use crate::{build::Build, rig::Rig, report::{json, html}};"), ["rig", "report"]);
    assert_eq!(backward("plan", "let x = crate::run::go();"), ["run"]);
    assert_eq!(backward("judge", "use crate::rig::Rig;"), ["rig"]);
    assert!(backward("report", "use crate::judge::Outcome;").is_empty());
}

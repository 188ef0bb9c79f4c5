//! The build file with the `[[chains]]` part as found; everything else stays as it was written. Pure.

use super::advice::{places, turned_by};
use super::search::Found;
use crate::build::{self, Build};
use similar::TextDiff;
use std::collections::BTreeMap;
use toml_edit::{Array, ArrayOfTables, DocumentMut, InlineTable, Item, Table, Value, value};

/// A corrected build file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// The whole file.
    pub text: String,
    /// What changed, as a unified diff; empty where nothing did.
    pub diff: String,
}

/// The file with its chains as found. `note` says when and by whom. Feed, serial number and everything else that a build
/// says of a panel stays with its place; sense points at a panel follow it.
///
/// # Errors
/// Where the file can't be written so; in words.
pub fn write(source: &str, build: &Build, found: &Found, note: &str) -> Result<Written, String> {
    let mut doc: DocumentMut = source.parse().map_err(|e| format!("the build file can't be edited: {e}"))?;
    let old = doc.remove("chains").ok_or("the build file has no [[chains]]")?;
    let seats = panels_by_seat(&old);
    let (prefix, position) = match &old {
        Item::ArrayOfTables(all) => {
            let first = all.iter().next();
            (first.and_then(|t| t.decor().prefix()?.as_str()).unwrap_or("\n").to_owned(), first.and_then(Table::position))
        }
        _ => ("\n".to_owned(), None),
    };
    let mut chains = ArrayOfTables::new();
    for (k, (port, chain)) in found.iter().enumerate() {
        let mut panels = Array::new();
        for (i, seat) in chain.iter().enumerate() {
            let p = &build.panels[seat.panel];
            let mut entry = seats.get(&(p.port, p.position)).cloned().ok_or("the build file's chains can't be read as inline tables")?;
            if entry.contains_key("up") || turned_by(build, *seat) != 0 {
                entry.insert("up", seat.up.word().into());
            }
            // the ribbon that was described led here from another panel
            if (p.port, usize::from(p.position)) != (*port, i + 1) {
                entry.remove("ribbon_m");
            }
            entry.fmt();
            let mut entry = Value::InlineTable(entry);
            entry.decor_mut().set_prefix("\n  ");
            panels.push_formatted(entry);
        }
        panels.set_trailing("\n");
        panels.set_trailing_comma(true);
        let mut table = Table::new();
        table.insert("port", value(i64::from(*port)));
        table.insert("panels", Item::Value(Value::Array(panels)));
        table.set_position(position);
        table.decor_mut().set_prefix(if k == 0 { format!("{prefix}{}", comment(build, found, note)) } else { "\n".to_owned() });
        chains.push(table);
    }
    doc.insert("chains", Item::ArrayOfTables(chains));
    follow(&mut doc, build, found);
    let text = doc.to_string();
    let corrected =
        build::load(&text, "the corrected file").map_err(|p| format!("the corrected file is no valid build: {}", p.render(false)))?;
    let same = corrected.panels.len() == build.panels.len()
        && corrected.panels.iter().all(|p| {
            let seat = found.get(&p.port).and_then(|c| c.get(usize::from(p.position) - 1));
            seat.is_some_and(|s| build.panels[s.panel].at == p.at && s.up == p.up)
        });
    if !same {
        return Err("the corrected file does not say what was found; this is a bug: keep the file as it is".to_owned());
    }
    let diff = TextDiff::from_lines(source, &text).unified_diff().header("as written", "as found").to_string();
    Ok(Written { text, diff })
}

/// What the file says of each panel, by port and position.
fn panels_by_seat(chains: &Item) -> BTreeMap<(u8, u8), InlineTable> {
    let mut out = BTreeMap::new();
    let mut chain = |port: Option<i64>, panels: Option<&Item>| {
        let (Some(port), Some(panels)) = (port.and_then(|p| u8::try_from(p).ok()), panels) else { return };
        let all: Vec<InlineTable> = match panels {
            Item::Value(Value::Array(all)) => all.iter().filter_map(|v| v.as_inline_table().cloned()).collect(),
            Item::ArrayOfTables(all) => all.iter().map(|t| t.clone().into_inline_table()).collect(),
            _ => Vec::new(),
        };
        for (i, panel) in all.into_iter().enumerate() {
            out.insert((port, (i + 1) as u8), panel);
        }
    };
    match chains {
        Item::ArrayOfTables(all) => {
            all.iter().for_each(|t| chain(t.get("port").and_then(Item::as_integer), t.get("panels")));
        }
        Item::Value(Value::Array(all)) => {
            for t in all.iter().filter_map(Value::as_inline_table) {
                let panels = t.get("panels").cloned().map(Item::Value);
                chain(t.get("port").and_then(Value::as_integer), panels.as_ref());
            }
        }
        _ => {}
    }
    out
}

fn comment(build: &Build, found: &Found, note: &str) -> String {
    let mut out = format!("# Chains as found on the wall by find-map, {note}. Changed:\n");
    let mut none = true;
    for (port, chain) in found {
        for (i, seat) in chain.iter().enumerate() {
            let p = &build.panels[seat.panel];
            let turn = turned_by(build, *seat);
            let moved = (p.port, usize::from(p.position)) != (*port, i + 1);
            if moved || turn != 0 {
                let turned = if turn == 0 { String::new() } else { format!(", turned by {turn}° clockwise") };
                let was = if moved { format!(" (was written as {}·{})", p.port, p.position) } else { String::new() };
                out.push_str(&format!("#   place {} is {port}·{}{was}{turned}\n", places(build, &[seat.panel]), i + 1));
                none = false;
            }
        }
    }
    if none {
        out.push_str("#   nothing\n");
    }
    out
}

/// Sense points at a panel's power plug stay at that panel.
fn follow(doc: &mut DocumentMut, build: &Build, found: &Found) {
    let renamed = |text: &str| -> Option<String> {
        let (port, position) = text.strip_prefix("panel:")?.split_once('-')?;
        let panel = build.panel_at(port.trim().parse().ok()?, position.trim().parse().ok()?)?;
        let (port, k) = found.iter().find_map(|(port, c)| Some((port, c.iter().position(|s| s.panel == panel)?)))?;
        Some(format!("panel:{port}-{}", k + 1))
    };
    let rename = |old: &mut Value| {
        if let Some(new) = old.as_str().and_then(renamed)
            && old.as_str() != Some(new.as_str())
        {
            let decor = old.decor().clone();
            *old = new.into();
            *old.decor_mut() = decor;
        }
    };
    match doc.get_mut("sense") {
        Some(Item::ArrayOfTables(all)) => {
            for table in all.iter_mut() {
                ["node", "reference"].iter().filter_map(|k| table.get_mut(k)?.as_value_mut().map(rename)).for_each(drop);
            }
        }
        Some(Item::Value(Value::Array(all))) => {
            for table in all.iter_mut().filter_map(Value::as_inline_table_mut) {
                ["node", "reference"].iter().filter_map(|k| table.get_mut(k).map(rename)).for_each(drop);
            }
        }
        _ => {}
    }
}

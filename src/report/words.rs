//! Places and kinds of fault in words.

use crate::check::Place;

/// A place in words, e.g. `1·2 red upper`.
pub fn place_text(p: &Place) -> String {
    let mut parts = Vec::new();
    match (p.port, p.position) {
        (Some(port), Some(position)) => parts.push(format!("{port}·{position}")),
        (Some(port), None) => parts.push(format!("port {port}")),
        _ => {}
    }
    let words =
        [("", &p.colour), ("", &p.half), ("line ", &p.line), ("supply ", &p.supply), ("feed ", &p.feed), ("sense point ", &p.sense)];
    parts.extend(words.iter().filter_map(|(w, v)| v.as_ref().map(|v| format!("{w}{v}"))));
    let numbers = [("block", p.block), ("row", p.row), ("column", p.column)];
    parts.extend(numbers.iter().filter_map(|(w, v)| v.map(|v| format!("{w} {v}"))));
    if parts.is_empty() { "the sign".into() } else { parts.join(" ") }
}

/// The same, for kinds whose position counts the panels before the break.
pub(super) fn fault_place(kind: &str, p: &Place) -> String {
    if let ("port-swap" | "order-swap", Some(which)) = (kind, &p.line) {
        // `line` holds which ports or positions are exchanged
        return match (kind, p.port) {
            ("order-swap", Some(port)) => format!("port {port}, {which}"),
            _ => which.clone(),
        };
    }
    let behind = matches!(kind, "ribbon-open" | "line-open" | "lines-swapped" | "lines-shorted");
    match (behind, p.port, p.position) {
        (true, Some(port), Some(after)) => {
            let line = p.line.as_ref().map(|l| format!("line {l} ")).unwrap_or_default();
            if after == 0 { format!("{line}between port {port} and {port}·1") } else { format!("{line}behind {port}·{after}") }
        }
        _ => place_text(p),
    }
}

/// A kind of fault in plain words; the kind word itself where this version has none for it.
pub(super) fn kind_text(kind: &str) -> &str {
    match kind {
        "supply-set" => "supply set to other volts",
        "supply-soft" => "supply gives way under load",
        "supply-limit" => "supply limits its current",
        "joint" => "joint with too much resistance",
        "fuse-open" => "fuse open or missing",
        "leak" => "current that leaks away",
        "panel-dark" => "panel stays dark",
        "panel-weak" => "panel draws too little or too much",
        "panel-turned" => "panel mounted turned",
        "port-swap" => "two ports exchanged",
        "order-swap" => "two panels exchanged",
        "ribbon-open" => "ribbon open",
        "line-open" => "one data line open",
        "lines-swapped" => "two data lines exchanged",
        "lines-shorted" => "two data lines shorted",
        "address-stuck" => "row address line stuck",
        "driver-dead" => "driver chip dead",
        "column-dead" => "column dead",
        "row-dead" => "row dead",
        "return-open" => "return lead open",
        "converter-silent" => "converter does not answer",
        "converter-stuck" => "converter repeats one value",
        "converter-offset" => "converter reads beside the truth",
        "divider-off" => "divider of a sense point is off",
        "unknown" => "a fault that fits no known pattern",
        other => other,
    }
}

/// Kind and place in words.
pub fn kind_and_place(kind: &str, p: &Place) -> String {
    format!("{}: {}", kind_text(kind), fault_place(kind, p))
}

//! What would settle a check that the instrument could not decide.

/// Advice by the check's id, for the person at the bench (common practice, no source).
pub(super) fn settle(id: &str) -> &'static str {
    let stage = |s: &str| id.starts_with(s);
    if stage("open/volts/") || stage("idle/level/") {
        "calibrate this point against a hand meter (`signproof calibrate`), or trim the supply towards its set volts, then run again"
    } else if stage("sweep/") {
        "run this port alone again for more readings, or add a sense point at the end of its feed"
    } else if stage("climb/") {
        "calibrate this point (`signproof calibrate`), then run the climb again"
    } else if stage("hold/drift/") {
        "hold longer (`hold_s`), with the enclosure as it will be"
    } else if stage("hold/min/") {
        "calibrate this point (`signproof calibrate`), or shorten or thicken the lead that loses the volts"
    } else if stage("rest/") {
        "let the supply cool and run again"
    } else {
        "take a meter with a smaller uncertainty and measure again"
    }
}

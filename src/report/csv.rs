//! `readings.csv`: tidy, one reading a row, units in the header, RFC 4180 (CRLF, quotes where needed).

use crate::build::{Build, Quantity};
use crate::event::{Entry, Event, Role, Stage};
use crate::units::NoReading;
use std::io::{self, Write};

/// The header of `readings.csv`.
pub const HEADER: [&str; 11] =
    ["elapsed_s", "stage", "step", "cycle", "role", "shown", "sense_point", "volts_V", "current_A", "temperature_degC", "missing_because"];

/// Every reading of a journal, in the order taken. A window's readings share its span evenly: the journal holds the
/// times of its first and last reading. A missing reading has its reason and no value. `elapsed_s` counts
/// from the start of the run, which `report.json` states, by the monotonic clock.
///
/// # Errors
/// Those of `out`.
pub fn write_readings_csv(build: &Build, entries: &[Entry], out: impl Write) -> io::Result<()> {
    let mut out = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
    out.write_record(HEADER)?;
    let Some(start) = entries.first().map(|e| e.at) else { return out.flush() };
    let (mut stage, mut shown) = ("", String::new());
    let (mut elapsed, mut value) = (Vec::with_capacity(24), Vec::with_capacity(24));
    for entry in entries {
        match &entry.event {
            Event::StageStarted { stage: s } => stage = Stage::word(*s),
            Event::Shown { frame, .. } | Event::StepStarted { frame, .. } => shown = frame.title(),
            Event::Readings { step, cycle, role, from, to, points } => {
                let (begin, length) = (from.since(start), to.since(*from));
                let (step, cycle) = (step.to_string(), cycle.to_string());
                let what = match role {
                    Role::Reference | Role::After => "black",
                    Role::Lit | Role::Steady => shown.as_str(),
                };
                let role = match role {
                    Role::Reference => "reference",
                    Role::Lit => "lit",
                    Role::Steady => "steady",
                    Role::After => "after",
                };
                for p in points {
                    let Some(sense) = build.sense.get(p.point) else { continue };
                    let count = p.values.len() + p.missing.len();
                    let gaps = count.saturating_sub(1).max(1) as f64;
                    let mut good = p.values.iter();
                    let mut missing = p.missing.iter().peekable();
                    for i in 0..count {
                        elapsed.clear();
                        value.clear();
                        let _ = write!(elapsed, "{:.6}", begin + length * i as f64 / gaps);
                        let why = match missing.peek() {
                            Some((at, why)) if *at as usize == i => {
                                missing.next();
                                reason(*why)
                            }
                            _ => match good.next() {
                                Some(v) => {
                                    let _ = write!(value, "{v:.6}");
                                    ""
                                }
                                None => missing.next().map_or("", |(_, why)| reason(*why)),
                            },
                        };
                        let of = |q: Quantity| if sense.quantity == q { value.as_slice() } else { b"" };
                        let row: [&[u8]; 11] = [
                            &elapsed,
                            stage.as_bytes(),
                            step.as_bytes(),
                            cycle.as_bytes(),
                            role.as_bytes(),
                            what.as_bytes(),
                            sense.name.as_bytes(),
                            of(Quantity::Volts),
                            of(Quantity::Amps),
                            of(Quantity::Celsius),
                            why.as_bytes(),
                        ];
                        out.write_record(row)?;
                    }
                }
            }
            _ => {}
        }
    }
    out.flush()
}

/// The same as bytes.
pub fn readings_csv(build: &Build, entries: &[Entry]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(entries.len() * 512);
    write_readings_csv(build, entries, &mut bytes).expect("a Vec takes every byte");
    bytes
}

fn reason(why: NoReading) -> &'static str {
    why.text()
}

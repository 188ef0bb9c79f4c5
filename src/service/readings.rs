//! The windows of readings of a run as CSV.

use crate::event::{Event, Role};
use std::fmt::Write as _;
use std::path::Path;

/// One row a window and sense point. Figures in the point's unit, seconds since the run's start.
///
/// # Errors
/// Where the journal cannot be read.
pub fn csv(journal: &Path) -> std::io::Result<String> {
    let entries = crate::journal::read(&std::fs::read(journal)?).entries;
    let mut names = Vec::new();
    let mut text = String::from("from_s,to_s,step,cycle,role,sense,mean,min,max,count,missing\n");
    let Some(start) = entries.first().map(|e| e.at) else { return Ok(text) };
    for entry in entries {
        match entry.event {
            Event::RunStarted { build_file, .. } => {
                let build = crate::build::load(&build_file, "build.toml").ok();
                names = build.map(|b| b.sense.into_iter().map(|s| s.name).collect()).unwrap_or_default();
            }
            Event::Readings { step, cycle, role, from, to, points } => {
                let role = match role {
                    Role::Reference => "reference",
                    Role::Lit => "lit",
                    Role::Steady => "steady",
                    Role::After => "after",
                };
                for p in points {
                    let name = names.get(p.point).cloned().unwrap_or_else(|| p.point.to_string()).replace(['"', ',', '\n'], " ");
                    let (from, to) = (from.since(start), to.since(start));
                    let _ = write!(text, "{from:.3},{to:.3},{step},{cycle},{role},{name},");
                    let n = p.values.len();
                    if n > 0 {
                        let mean = p.values.iter().sum::<f64>() / n as f64;
                        let (min, max) = p.values.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
                        let _ = writeln!(text, "{mean:.6},{min:.6},{max:.6},{n},{}", p.missing.len());
                    } else {
                        let _ = writeln!(text, ",,,0,{}", p.missing.len());
                    }
                }
            }
            _ => {}
        }
    }
    Ok(text)
}

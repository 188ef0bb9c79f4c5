//! `signproof campaign` and `signproof coverage`.

use super::{Exit, Format, Paper, load_build, print};
use crate::advice;
use crate::build::Build;
use crate::campaign::{self, Request};
use crate::commission;
use crate::fault::Fault;
use crate::judge::Proof;
use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget};

/// Arguments of `campaign`.
#[derive(Args)]
pub struct CampaignArgs {
    #[command(flatten)]
    paper: Paper,
    /// Simulated signs.
    #[arg(long, default_value_t = 1000)]
    trials: u64,
    /// First seed; trial n has this plus n.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Only faults of these kinds.
    #[arg(long = "kind", value_name = "KIND")]
    kinds: Vec<String>,
    /// Two faults at once, neither hiding the other.
    #[arg(long)]
    pairs: bool,
    /// Only these sense points count.
    #[arg(long, value_delimiter = ',', value_name = "NAME")]
    sense: Option<Vec<String>>,
}

/// Arguments of `coverage`.
#[derive(Args)]
pub struct CoverageArgs {
    #[command(flatten)]
    paper: Paper,
    /// Only these sense points count.
    #[arg(long, value_delimiter = ',', value_name = "NAME")]
    sense: Option<Vec<String>>,
}

fn only(mut build: Build, sense: Option<&Vec<String>>) -> Result<Build, Exit> {
    let Some(names) = sense else { return Ok(build) };
    for name in names {
        if build.sense_named(name).is_none() {
            let known: Vec<&str> = build.sense.iter().map(|s| s.name.as_str()).collect();
            return Err(Exit::usage(format!("--sense: the build has no sense point `{name}`; it has {}", known.join(", "))));
        }
    }
    let keep: Vec<bool> = build.sense.iter().map(|s| names.contains(&s.name)).collect();
    let mut flags = keep.iter();
    build.sense.retain(|_| *flags.next().unwrap_or(&false));
    let mut flags = keep.iter();
    build.limits.trip_low_v.retain(|_| *flags.next().unwrap_or(&false));
    Ok(build)
}

/// `signproof campaign`.
pub fn campaign(args: &CampaignArgs) -> Result<u8, Exit> {
    let (_, build) = load_build(&args.paper.build)?;
    let build = only(build, args.sense.as_ref())?;
    for kind in &args.kinds {
        if !Fault::KINDS.contains(&kind.as_str()) {
            return Err(Exit::usage(format!("--kind: there is no kind `{kind}`; kinds are {}", Fault::KINDS.join(", "))));
        }
    }
    let request = Request { trials: args.trials, seed: args.seed, kinds: args.kinds.clone(), pairs: args.pairs };
    let bar = ProgressBar::with_draw_target(Some(args.trials), ProgressDrawTarget::stderr_with_hz(5));
    let start = crate::rig::wall_now_ms();
    let mut summary = campaign::campaign(&build, &request, &|_| bar.inc(1));
    bar.finish_and_clear();
    summary.trials_per_second = args.trials as f64 / ((crate::rig::wall_now_ms() - start).max(1) as f64 / 1000.0);
    match args.paper.format {
        Format::Text => print(&summary.text()),
        Format::Json => print(&serde_json::to_string_pretty(&summary).map_err(|e| Exit::error(format!("writing JSON: {e}")))?),
    }
    Ok(0)
}

/// `signproof coverage`.
pub fn coverage(args: &CoverageArgs) -> Result<u8, Exit> {
    let (_, build) = load_build(&args.paper.build)?;
    let build = only(build, args.sense.as_ref())?;
    let rows = commission::coverage(&build);
    match args.paper.format {
        Format::Json => print(&serde_json::to_string_pretty(&rows).map_err(|e| Exit::error(format!("writing JSON: {e}")))?),
        Format::Text => {
            let mut text = String::new();
            for row in rows {
                let word = match row.proof {
                    Proof::Measured => "measurement",
                    Proof::Witness => "a witness",
                    Proof::NotProven => "not proven",
                };
                text.push_str(&format!("{:<17} {:<34} {word:<12} {}\n", row.kind, crate::report::place_words(&row.place), row.reason));
            }
            for a in advice::advice(&build) {
                let kinds: Vec<String> = a.kinds.iter().map(|(kind, n)| format!("{kind} {n}")).collect();
                text.push_str(&format!("added, {} would prove {} more by measurement: {}\n", a.point, a.more, kinds.join(", ")));
            }
            print(&text);
        }
    }
    Ok(0)
}

//! `swaymark compare`.

use std::io::{self, Write};
use std::num::NonZeroUsize;
use std::path::PathBuf;

use crate::batch::{self, Job, find, in_order, of_file};
use crate::compare::{Baseline, Comparison, Decision, Tolerances, compare, text};
use crate::problem::Problem;
use crate::replay::{self, Keep};
use indicatif::ProgressBar;

use crate::cli::{self, Status};
use crate::cli_replay::Format;

/// Run traces through the on-tag code and tell which decisions changed since a baseline
#[derive(clap::Args, Debug)]
#[command(
    after_help = "Examples:\n  swaymark compare bay.baseline bay/ --accept   make it, or take the \
    changes\n  swaymark compare bay.baseline bay/            silent while nothing changes\n\n\
    Exit status: 0 nothing changed, 1 something did, 2 a trace or the baseline could not be read. \
    Changed, missing and new traces are told apart from changed decisions. docs/compare.md"
)]
pub struct Args {
    /// File of decisions to compare with; --accept makes it
    baseline: PathBuf,
    /// Folders that hold traces, or traces
    #[arg(required = true, value_name = "DIR")]
    dirs: Vec<PathBuf>,
    /// Form of the report
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Tell what changed, then write the present decisions as the baseline
    #[arg(long)]
    accept: bool,
    /// Tolerance of the times of the fate and of its decision, min
    #[arg(long, value_name = "MIN", default_value_t = Tolerances::default().fate_min, value_parser = cli::size)]
    fate_min: f64,
    /// Tolerance of the time of letting go, min
    #[arg(long, value_name = "MIN", default_value_t = Tolerances::default().release_min, value_parser = cli::size)]
    release_min: f64,
    /// Tolerance of the times of recovery and of its decision, h
    #[arg(long, value_name = "H", default_value_t = Tolerances::default().recovery_h, value_parser = cli::size)]
    recovery_h: f64,
    /// Tolerance of the mean rate in any eighth of the record, beats a minute
    #[arg(long, value_name = "RATE", default_value_t = Tolerances::default().rate_per_min, value_parser = cli::size)]
    rate_per_min: f64,
    /// Tolerance of mean sway and VeDBA, per cent
    #[arg(long, value_name = "PERCENT", default_value_t = Tolerances::default().motion_percent, value_parser = cli::size)]
    motion_percent: f64,
    /// Tolerance of mean pitch and roll, degrees
    #[arg(long, value_name = "DEG", default_value_t = Tolerances::default().posture_deg, value_parser = cli::size)]
    posture_deg: f64,
    /// Traces run at a time; by default one a processor core
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,
    /// No notices and no progress bar on standard error; errors are still told
    #[arg(long)]
    quiet: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Status {
    match compared(args) {
        Ok(status) => status,
        Err(problem) => {
            cli::problem(&problem);
            Status::Input
        }
    }
}

fn compared(args: &Args) -> Result<Status, Problem> {
    let making = args.accept && !args.baseline.exists();
    let baseline = if making { None } else { Some(Baseline::load(&args.baseline)?) };
    let found = find(&args.dirs);
    let mut refused: Vec<String> = Vec::new();
    for problem in &found.problems {
        cli::problem(problem);
        refused.push(problem.to_string());
    }
    if found.jobs.is_empty() {
        return Err(Problem::new("nothing to compare: no trace was found"));
    }
    let bar = cli::progress("compare", found.jobs.iter().map(|job| job.bytes).sum(), args.quiet);
    let (mut decisions, mut unread) = (Vec::with_capacity(found.jobs.len()), Vec::new());
    let mut status = if refused.is_empty() { Status::Done } else { Status::Input };
    in_order(
        &found.jobs,
        args.jobs.map_or(0, NonZeroUsize::get),
        |job| one(job, &bar),
        |n, result| {
            bar.suspend(|| match result {
                Some(Ok(decision)) => decisions.push(decision),
                Some(Err(problem)) => {
                    cli::problem(&problem);
                    refused.push(problem.to_string());
                    unread.push(found.jobs[n].name.clone());
                    status = status.max(Status::Input);
                }
                None => {
                    let told = format!("{}: could not be replayed", found.jobs[n].trace.display());
                    eprintln!("error: {told}");
                    refused.push(told);
                    unread.push(found.jobs[n].name.clone());
                    status = Status::Internal;
                }
            });
        },
    )?;
    bar.finish_and_clear();

    let now = Baseline::new(decisions);
    if let Some(baseline) = &baseline {
        let tolerances = Tolerances {
            fate_min: args.fate_min,
            release_min: args.release_min,
            recovery_h: args.recovery_h,
            rate_per_min: args.rate_per_min,
            motion_percent: args.motion_percent,
            posture_deg: args.posture_deg,
        };
        let mut comparison = compare(baseline, &now, &unread, &tolerances);
        comparison.refused = refused;
        print(args, &comparison)?;
        if !comparison.is_silent() && !args.accept {
            status = status.max(Status::Short);
        }
    }
    if args.accept {
        if status != Status::Done {
            return Err(Problem::new(format!(
                "{}: not written: some traces could not be read",
                args.baseline.display()
            ))
            .help("put them right or take them out of the folders first"));
        }
        batch::write_whole(&args.baseline, now.to_text()?.as_bytes())?;
        if !args.quiet {
            cli::notice(format_args!(
                "{}: decisions of {} deployments written",
                args.baseline.display(),
                now.decisions.len()
            ));
        }
    }
    Ok(status)
}

fn one(job: &Job, bar: &ProgressBar) -> Result<Decision, Problem> {
    let trace_hash = of_file(&job.trace)?;
    let deployment_hash = job.deployment.as_deref().map(of_file).transpose()?;
    let keep = Keep { beats: false, minutes: true };
    let wrap = |file| Box::new(bar.wrap_read(file)) as crate::trace::Source;
    let prepared = replay::prepare(&job.trace, job.deployment.as_deref(), keep, wrap)?;
    let config = prepared.setup.config;
    let report = prepared.run()?;
    Ok(Decision::new(&job.name, trace_hash, deployment_hash, &config, &report))
}

fn print(args: &Args, comparison: &Comparison) -> Result<(), Problem> {
    let out = match args.format {
        Format::Text => text::text(comparison),
        Format::Json => {
            let json = serde_json::to_string(comparison)
                .map_err(|e| Problem::new(format!("the report cannot be written: {e}")))?;
            json + "\n"
        }
    };
    match io::stdout().lock().write_all(out.as_bytes()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
            Err(Problem::new(format!("standard output: {e}")))
        }
        _ => Ok(()),
    }
}

//! `swaymark score`.

use std::io::{self, Write};
use std::num::NonZeroUsize;
use std::path::PathBuf;
use std::sync::Mutex;

use crate::batch::{Job, Notices, find, in_order};
use crate::problem::Problem;
use crate::score::state::State;
use crate::score::summary::Summary;
use crate::score::{
    Entry, OWN_WITHIN_S, TraceScore, bounds, family, fingerprint, score_trace, text,
};
use indicatif::ProgressBar;
use serde::Serialize;

use crate::cli::{self, Status};
use crate::cli_replay::Format;

/// Run the on-tag code over traces with truth and judge its decisions
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  swaymark score made/\n  \
    swaymark score bay/ cove/ --bounds bounds.toml --resume score.state --format json > score.json\n\n\
    Every NAME.csv or NAME.csv.gz below the folders that has NAME.truth.csv beside it is run and \
    judged; traces without truth are passed over. Traces that cannot be read are told on standard \
    error, the others still count, and the exit status is 2. With --resume a run that was broken \
    off goes on where it was; what has changed since is scored anew.\n\
    Statistics, bounds and JSON: docs/score.md. Exit status 1: a bound was not kept.")]
pub struct Args {
    /// Folders that hold traces, or traces
    #[arg(required = true, value_name = "DIR")]
    dirs: Vec<PathBuf>,
    /// Form of the report
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Bounds that the statistics have to keep (TOML)
    #[arg(long, value_name = "BOUNDS.toml")]
    bounds: Option<PathBuf>,
    /// Keep scores in this file as they come, and take those up that still hold
    #[arg(long, value_name = "FILE")]
    resume: Option<PathBuf>,
    /// How far an event of a detector of one's own may lie from a true one, s
    #[arg(long, value_name = "S", default_value_t = OWN_WITHIN_S, value_parser = cli::size)]
    own_within_s: f64,
    /// How many of the worst traces to list
    #[arg(long, value_name = "N", default_value_t = 10)]
    worst: usize,
    /// Put the score of every trace into the JSON
    #[arg(long)]
    each: bool,
    /// Traces run at a time; by default one a processor core
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,
    /// No notices and no progress bar on standard error; errors are still told
    #[arg(long)]
    quiet: bool,
}

/// A score and whether it was kept from an earlier run.
struct Scored {
    entry: Entry,
    notices: Vec<String>,
    kept: bool,
    /// Why it could not be kept for a later run.
    unsaved: Option<Problem>,
}

/// The JSON: the summary and, where asked for, every trace.
#[derive(Serialize)]
struct Json<'a> {
    #[serde(flatten)]
    summary: &'a Summary,
    #[serde(skip_serializing_if = "Option::is_none")]
    each: Option<Vec<One<'a>>>,
}

#[derive(Serialize)]
struct One<'a> {
    trace: &'a str,
    family: &'a str,
    #[serde(flatten)]
    score: &'a TraceScore,
}

impl<'a> From<&'a Entry> for One<'a> {
    fn from(entry: &'a Entry) -> Self {
        One { trace: &entry.trace, family: &entry.family, score: &entry.score }
    }
}

/// Runs the command.
pub fn run(args: &Args) -> Status {
    match scored(args) {
        Ok(status) => status,
        Err(problem) => {
            cli::problem(&problem);
            Status::Input
        }
    }
}

fn scored(args: &Args) -> Result<Status, Problem> {
    let bounds = args.bounds.as_deref().map(bounds::load).transpose()?;
    let mut found = find(&args.dirs);
    found.without_doubles();
    let all = found.jobs.len();
    let jobs: Vec<Job> = found.jobs.into_iter().filter(|job| job.truth.is_some()).collect();
    let mut refused: Vec<String> = Vec::new();
    for problem in found.problems.iter().chain(&found.lone_truths) {
        cli::problem(problem);
        refused.push(problem.to_string());
    }
    if jobs.is_empty() {
        return Err(Problem::new(format!(
            "nothing to score: {all} traces, none with a truth file of its own"
        ))
        .help("the truth of NAME.csv is NAME.truth.csv beside it; `swaymark synth` makes both"));
    }
    if args.each && args.format == Format::Text && !args.quiet {
        cli::notice("--each has effect with --format json only");
    }
    let state = args.resume.as_deref().map(State::open).transpose()?;
    if let Some(state) = state.as_ref().filter(|state| state.damaged > 0) {
        cli::notice(format_args!("{} damaged lines of the state were passed over", state.damaged));
    }
    let state = state.map(Mutex::new);

    let bar = cli::progress("score", jobs.iter().map(|job| job.bytes).sum(), args.quiet);
    let mut entries = Vec::with_capacity(jobs.len());
    let mut status = if refused.is_empty() { Status::Done } else { Status::Input };
    let (mut taken_up, mut notices) = (0, Notices::default());
    in_order(
        &jobs,
        args.jobs.map_or(0, NonZeroUsize::get),
        |job| one(job, args.own_within_s, state.as_ref(), &bar),
        |n, result: Option<Result<Scored, Problem>>| {
            bar.suspend(|| match result {
                Some(Ok(scored)) => {
                    notices.add(&jobs[n].trace, &scored.notices);
                    taken_up += usize::from(scored.kept);
                    entries.push(scored.entry);
                    if let Some(problem) = scored.unsaved {
                        cli::problem(&problem);
                        status = status.max(Status::Input);
                    }
                }
                Some(Err(problem)) => {
                    cli::problem(&problem);
                    refused.push(problem.to_string());
                    status = status.max(Status::Input);
                }
                None => {
                    let told = format!("{}: could not be scored", jobs[n].trace.display());
                    eprintln!("error: {told}");
                    refused.push(told);
                    status = Status::Internal;
                }
            });
        },
    )?;
    bar.finish_and_clear();
    if !args.quiet {
        notices.lines().for_each(cli::notice);
    }
    if taken_up > 0 && !args.quiet {
        cli::notice(format_args!("{taken_up} of {} scores were taken up from before", jobs.len()));
    }
    if entries.is_empty() {
        return Ok(status.max(Status::Input));
    }

    let mut summary = Summary::new(&entries, bounds.as_deref(), args.worst);
    summary.without_truth = (all - jobs.len()) as u64;
    summary.refused = refused;
    print(args, &summary, &entries)?;
    if !summary.kept() {
        for bound in summary.bounds.iter().flatten().filter(|b| !b.kept) {
            eprintln!("bound not kept:{}", text::bound_line(bound).replacen("  SHORT ", "", 1));
        }
        status = status.max(Status::Short);
    }
    Ok(status)
}

/// Scores one trace, or takes up a score that still holds.
fn one(
    job: &Job,
    own_within_s: f64,
    state: Option<&Mutex<State>>,
    bar: &ProgressBar,
) -> Result<Scored, Problem> {
    let trace = job.trace.display().to_string();
    let Some(truth) = job.truth.as_deref() else {
        return Err(Problem::new(format!("{trace}: has no truth file")));
    };
    let family = family(job)?;
    let fingerprint = state.map(|_| fingerprint(job, truth, own_within_s)).transpose()?;
    if let (Some(state), Some(fingerprint)) = (state, &fingerprint) {
        let state = state.lock().map_err(|_| Problem::new("a lock was lost"))?;
        if let Some(score) = state.get(fingerprint).cloned() {
            bar.inc(job.bytes);
            let entry = Entry { trace, family, score };
            return Ok(Scored { entry, notices: Vec::new(), kept: true, unsaved: None });
        }
    }
    let wrap = |file| Box::new(bar.wrap_read(file)) as crate::trace::Source;
    let (score, notices) = score_trace(job, truth, own_within_s, wrap)?;
    let mut unsaved = None;
    if let (Some(state), Some(fingerprint)) = (state, &fingerprint) {
        // Kept as soon as it is known, whatever is still waiting for its turn.
        let mut state = state.lock().map_err(|_| Problem::new("a lock was lost"))?;
        unsaved = state.add(fingerprint, &trace, &score).err();
    }
    Ok(Scored { entry: Entry { trace, family, score }, notices, kept: false, unsaved })
}

fn print(args: &Args, summary: &Summary, entries: &[Entry]) -> Result<(), Problem> {
    let mut out = match args.format {
        Format::Text => text::text(summary),
        Format::Json => {
            let each = args.each.then(|| entries.iter().map(One::from).collect());
            serde_json::to_string(&Json { summary, each })
                .map_err(|e| Problem::new(format!("the report cannot be written: {e}")))?
        }
    };
    if args.format == Format::Json {
        out.push('\n');
    }
    match io::stdout().lock().write_all(out.as_bytes()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
            Err(Problem::new(format!("standard output: {e}")))
        }
        _ => Ok(()),
    }
}

//! `swaymark cohort`.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use crate::batch::{Job, find, in_order};
use crate::cohort::analysis::Cohort;
use crate::cohort::record::{Deployment, LastSeen};
use crate::cohort::{self, table};
use crate::html;
use crate::problem::Problem;
use crate::replay::{self, Keep};
use crate::trace::open_file;
use clap::ValueEnum;
use indicatif::ProgressBar;

use crate::cli::{self, Status};

/// Form of the result.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For a person.
    Text,
    /// For scripts: one JSON object.
    Json,
    /// The table of deployments, to be corrected and read again.
    Csv,
}

/// Survival and recovery over many deployments
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  swaymark cohort bay/ cove/\n  \
    swaymark cohort bay/ --groups handling.csv --by handling --report bay.html\n  \
    swaymark cohort bay/ --format csv > bay.csv    (correct a fate by hand, then:)\n  \
    swaymark cohort bay.csv\n\n\
    Read are: every trace below a folder, with its deployment file; a trace by itself; the JSON of \
    `swaymark replay` (.json, .jsonl); a table of deployments (CSV with id, fate, time_h). Groups \
    come from [group] in the deployment files, from other columns of the table, and from --groups. \
    What cannot be read is told and counted, the others are put together, and the exit status is 2.\n\
    Statistics and files: docs/cohort.md.")]
pub struct Args {
    /// Folders of traces, traces, JSON of replays, or tables of deployments
    #[arg(required = true, value_name = "DIR")]
    inputs: Vec<PathBuf>,
    /// Table of groups: CSV with a column id, and a column for each grouping
    #[arg(long, value_name = "GROUPS.csv")]
    groups: Option<PathBuf>,
    /// Compare by this column only; may be given more than once
    #[arg(long, value_name = "COLUMN")]
    by: Vec<String>,
    /// Form of the result
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write a page to look at
    #[arg(long, value_name = "FILE.html")]
    report: Option<PathBuf>,
    /// Traces run at a time; by default one a processor core
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,
    /// No notices and no progress bar on standard error; errors are still told
    #[arg(long)]
    quiet: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Status {
    match together(args) {
        Ok(status) => status,
        Err(problem) => {
            cli::problem(&problem);
            Status::Input
        }
    }
}

/// What was read so far.
#[derive(Default)]
struct Read {
    deployments: Vec<Deployment>,
    unreadable: Vec<String>,
}

impl Read {
    fn refuse(&mut self, problem: &Problem) {
        cli::problem(problem);
        self.unreadable.push(problem.to_string());
    }
}

fn together(args: &Args) -> Result<Status, Problem> {
    let mut read = Read::default();
    let mut folders = Vec::new();
    for input in &args.inputs {
        let name = input.display().to_string().to_ascii_lowercase();
        let result = if name.ends_with(".json") || name.ends_with(".jsonl") {
            json(input)
        } else if input.is_file() && table::is_table(input) {
            table::read(input)
        } else {
            folders.push(input.clone());
            continue;
        };
        match result {
            Ok(more) => read.deployments.extend(more),
            Err(problem) => read.refuse(&problem),
        }
    }
    traces(args, &folders, &mut read)?;
    if read.deployments.is_empty() {
        return Err(Problem::new("no deployment could be read"));
    }
    if let Some(path) = &args.groups {
        let unused = table::add_groups(path, &mut read.deployments)?;
        if !unused.is_empty() && !args.quiet {
            let (n, first) = (unused.len(), &unused[0]);
            let path = path.display();
            cli::notice(format_args!(
                "{path}: {n} ids that no deployment has, the first is {first}"
            ));
        }
    }
    read.deployments.sort_by(|a, b| a.id.cmp(&b.id));
    one_each(&read.deployments)?;
    known_columns(&args.by, &read.deployments)?;
    let status = if read.unreadable.is_empty() { Status::Done } else { Status::Input };
    let cohort = Cohort::new(read.deployments, &args.by, read.unreadable);
    if let Some(path) = &args.report {
        html::write(path, &html::cohort::page(&cohort))?;
    }
    let out = match args.format {
        Format::Text => cohort::text(&cohort),
        Format::Csv => table::write(&cohort.deployments),
        Format::Json => serde_json::to_string(&cohort)
            .map(|json| json + "\n")
            .map_err(|e| Problem::new(format!("JSON: {e}")))?,
    };
    match io::stdout().write_all(out.as_bytes()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
            Err(Problem::new(format!("standard output: {e}")))
        }
        _ => Ok(status),
    }
}

/// Replays all traces below `folders`.
fn traces(args: &Args, folders: &[PathBuf], read: &mut Read) -> Result<(), Problem> {
    let found = find(folders);
    found.problems.iter().for_each(|problem| read.refuse(problem));
    let bar = cli::progress("cohort", found.jobs.iter().map(|job| job.bytes).sum(), args.quiet);
    in_order(
        &found.jobs,
        args.jobs.map_or(0, NonZeroUsize::get),
        |job| one(job, &bar),
        |n, result| {
            bar.suspend(|| match result {
                Some(Ok((deployment, notices))) => {
                    if !args.quiet {
                        notices.iter().for_each(cli::notice);
                    }
                    read.deployments.push(deployment);
                }
                Some(Err(problem)) => read.refuse(&problem),
                None => {
                    let trace = found.jobs[n].trace.display();
                    read.refuse(&Problem::new(format!("{trace}: could not be replayed")));
                }
            });
        },
    )?;
    bar.finish_and_clear();
    Ok(())
}

fn one(job: &Job, bar: &ProgressBar) -> Result<(Deployment, Vec<String>), Problem> {
    let wrap = |file| Box::new(bar.wrap_read(file)) as crate::trace::Source;
    let mut prepared = replay::prepare(&job.trace, None, Keep::default(), wrap)?;
    let notices = std::mem::take(&mut prepared.notices);
    let groups = match &job.deployment {
        Some(path) => crate::deployment::Deployment::load(path)?.groups,
        None => BTreeMap::new(),
    };
    let mut seen = LastSeen::default();
    let report = prepared.run_watched(&mut seen)?;
    Ok((Deployment::of_report(&report, &seen, groups), notices))
}

/// The JSON of replays: one object, or one a line.
fn json(path: &Path) -> Result<Vec<Deployment>, Problem> {
    let name = path.display().to_string();
    let text = io::read_to_string(open_file(path)?)
        .map_err(|e| Problem::new(format!("{name}: cannot be read: {e}")))?;
    let mut deployments = Vec::new();
    for value in serde_json::Deserializer::from_str(&text).into_iter::<serde_json::Value>() {
        let value = value.map_err(|e| {
            Problem::new(format!("{name}: row {}, column {}: not JSON: {e}", e.line(), e.column()))
        })?;
        deployments.push(Deployment::of_json(&name, deployments.len() + 1, &value)?);
    }
    Ok(deployments)
}

/// No deployment counts twice.
fn one_each(sorted: &[Deployment]) -> Result<(), Problem> {
    match sorted.windows(2).find(|pair| pair[0].id == pair[1].id) {
        None => Ok(()),
        Some(pair) => Err(Problem::new(format!(
            "deployment {} occurs twice: in {} and in {}",
            pair[0].id, pair[0].source, pair[1].source
        ))
        .help("name each input once, and give each deployment an id of its own")),
    }
}

fn known_columns(by: &[String], deployments: &[Deployment]) -> Result<(), Problem> {
    let known: std::collections::BTreeSet<&str> =
        deployments.iter().flat_map(|d| d.groups.keys()).map(String::as_str).collect();
    let Some(wrong) = by.iter().find(|c| !known.contains(c.as_str())) else { return Ok(()) };
    let problem = Problem::new(format!("--by {wrong}: no deployment has a group of that name"));
    Err(match crate::problem::nearest(wrong, known) {
        Some(near) => problem.help(format!("nearest there is: {near}")),
        None => problem.help("give groups under [group] in the deployment files, or by --groups"),
    })
}

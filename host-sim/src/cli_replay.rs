//! `swaymark replay`.

use std::io::{self, BufWriter, Write};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use crate::batch::{in_order, thread_count, write_whole};
use crate::faults::plan::{Drawn, Plan};
use crate::html;
use crate::problem::Problem;
use crate::replay::{self, Keep, Report};
use clap::ValueEnum;
use firmware_core::message::MESSAGE_BYTES;

use crate::cli::{self, Status};

/// Form of the report.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For a person: a timeline, or a table of many traces.
    Text,
    /// For scripts: one JSON object a trace, each on a line of its own.
    Json,
}

/// Run traces through the on-tag code and tell what the tag would have done
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  swaymark replay bay/k07.csv.gz\n  \
    swaymark replay bay/k07.csv.gz --report k07.html\n  \
    swaymark replay --format json --minutes bay/*.csv.gz > bay.jsonl\n\n\
    The deployment file NAME.toml is looked for beside NAME.csv or NAME.csv.gz. With one trace, \
    JSON is one object; with several, one object a line (JSON Lines), in the order given. A trace \
    that cannot be read is told on standard error, the others still run, and the exit status is 2.")]
pub struct Args {
    /// Traces: CSV, plain or gzip
    #[arg(required = true, value_name = "TRACE")]
    traces: Vec<PathBuf>,
    /// Form of the report
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Put the time of every tail beat into the JSON
    #[arg(long)]
    beats: bool,
    /// Put every minute summary into the JSON
    #[arg(long)]
    minutes: bool,
    /// Write a page to look at: FILE.html, or with several traces a folder for NAME.html of each
    #[arg(long, value_name = "FILE", conflicts_with_all = ["faults", "image", "messages"])]
    report: Option<PathBuf>,
    /// Deployment file for all traces, instead of the one beside each
    #[arg(long, value_name = "FILE")]
    deployment: Option<PathBuf>,
    /// The tag finds the animal's release and the end by itself, as at sea, whatever release_utc
    /// and end_utc state; tells how far it is off
    #[arg(long)]
    as_tag: bool,
    /// Have the hardware go wrong as this plan says: resets, buses, sensors, clocks, flash, cell
    #[arg(long, value_name = "PLAN.toml")]
    faults: Option<PathBuf>,
    /// Write the flash of the tag as it would be at the end (one trace only; `swaymark unpack` reads it)
    #[arg(long, value_name = "FILE")]
    image: Option<PathBuf>,
    /// Keep ten seconds of raw samples in it every hour and at every decision
    #[arg(long, requires = "image")]
    bursts: bool,
    /// Write the twelve satellite messages of the end, one a line (one trace only)
    #[arg(long, value_name = "FILE")]
    messages: Option<PathBuf>,
    /// Traces replayed at a time; by default one a processor core
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,
    /// No notices and no progress bar on standard error; errors are still told
    #[arg(long)]
    quiet: bool,
}

/// Where the page about each trace goes.
fn page_paths(args: &Args) -> Result<Vec<Option<PathBuf>>, Problem> {
    let Some(to) = &args.report else { return Ok(vec![None; args.traces.len()]) };
    let shown = to.display();
    let folder = to.is_dir() || shown.to_string().ends_with(['/', '\\']);
    if !folder {
        if args.traces.len() > 1 {
            return Err(Problem::new(format!(
                "--report {shown}: one page is about one trace, and {} traces are given",
                args.traces.len()
            ))
            .help(format!("give a folder: --report {shown}/")));
        }
        return Ok(vec![Some(to.clone())]);
    }
    std::fs::create_dir_all(to)
        .map_err(|e| Problem::new(format!("--report {shown}: cannot be made: {e}")))?;
    let mut paths = Vec::new();
    for trace in &args.traces {
        let name = crate::deployment::beside(trace, ".html");
        let path = to.join(name.file_name().unwrap_or_default());
        if paths.contains(&Some(path.clone())) {
            return Err(Problem::new(format!(
                "--report {shown}: two traces would share the page {}",
                path.display()
            ))
            .help("run them one by one, each with a file of its own"));
        }
        paths.push(Some(path));
    }
    Ok(paths)
}

/// Replays a trace, and writes a page about it where one is wanted.
fn with_page(prepared: replay::Prepared, path: &Path) -> Result<Report, Problem> {
    let (report, text) = html::deployment::replay(prepared)?;
    html::write(path, &text)?;
    Ok(report)
}

/// What was noticed about one trace, and what became of it.
type Ran = (Vec<String>, Result<Box<Report>, Problem>);

/// Runs the command.
pub fn run(args: &Args) -> Status {
    let several = args.traces.len() > 1;
    if several && (args.image.is_some() || args.messages.is_some()) {
        cli::problem(&Problem::new(format!(
            "--image and --messages go with one trace; {} were given",
            args.traces.len()
        )));
        return Status::Input;
    }
    let keep = match args.format {
        Format::Json => Keep { beats: args.beats, minutes: args.minutes },
        Format::Text => Keep::default(),
    };
    let pages = match page_paths(args) {
        Ok(pages) => pages,
        Err(problem) => {
            cli::problem(&problem);
            return Status::Input;
        }
    };
    let plan = match args.faults.as_deref().map(load_plan).transpose() {
        Ok(plan) => plan,
        Err(problem) => {
            cli::problem(&problem);
            return Status::Input;
        }
    };
    let bytes = args.traces.iter().filter_map(|p| p.metadata().ok()).map(|m| m.len()).sum();
    let bar = cli::progress("replay", bytes, args.quiet);
    let jobs = args.jobs.map_or(0, NonZeroUsize::get);
    // A thread that has no trace of its own reads ahead for one that has.
    let overlapped = thread_count(jobs) > args.traces.len();
    let mut printer = Printer { args, several, status: Status::Done, rows: 0, closed: false };
    if args.format == Format::Text && (args.beats || args.minutes) && !args.quiet {
        cli::notice("--beats and --minutes have effect with --format json only");
    }
    let traces: Vec<_> = args.traces.iter().zip(&pages).collect();
    let ran = in_order(
        &traces,
        jobs,
        |&(path, page)| {
            let wrap = |file| Box::new(bar.wrap_read(file)) as crate::trace::Source;
            let deployment = args.deployment.as_deref();
            let mut prepared = match replay::prepare_from(path, deployment, keep, args.as_tag, wrap)
            {
                Ok(prepared) => prepared,
                Err(problem) => return (Vec::new(), Err(problem)),
            };
            prepared.overlapped = overlapped;
            let notices = match page {
                Some(_) => prepared.notices.clone(),
                None => std::mem::take(&mut prepared.notices),
            };
            let done = match (&plan, page) {
                (Some(plan), _) => ran_with_faults(args, prepared, plan),
                (None, Some(path)) => with_page(prepared, path),
                (None, None) => ran(args, prepared),
            };
            (notices, done.map(Box::new))
        },
        |n, ran| bar.suspend(|| printer.print(n, ran)),
    );
    if let Err(problem) = ran {
        cli::problem(&problem);
        return Status::Internal;
    }
    bar.finish_and_clear();
    printer.end();
    printer.status
}

/// Reads a plan of faults and draws what it leaves to chance.
fn load_plan(path: &Path) -> Result<Drawn, Problem> {
    let plan = Plan::load(path)?;
    plan.draw().map_err(|message| Problem::new(format!("{}: {message}", path.display())))
}

/// Runs a trace; keeps the tag's flash and messages where asked to.
fn ran(args: &Args, prepared: replay::Prepared) -> Result<Report, Problem> {
    if args.image.is_none() && args.messages.is_none() {
        return prepared.run();
    }
    let (report, mut kept) = prepared.run_keeping(args.bursts)?;
    let refused = kept.refused();
    let messages = kept.messages().to_vec();
    write_kept(args, kept.image(), &messages, refused)?;
    Ok(report)
}

/// The same on hardware that goes wrong.
fn ran_with_faults(
    args: &Args,
    prepared: replay::Prepared,
    plan: &Drawn,
) -> Result<Report, Problem> {
    if args.image.is_none() && args.messages.is_none() {
        return prepared.run_with_faults(plan);
    }
    let (report, mut left) = prepared.run_keeping_with_faults(plan, args.bursts)?;
    let (messages, refused) = (left.round().to_vec(), left.refused);
    write_kept(args, left.image(), &messages, refused)?;
    Ok(report)
}

fn write_kept(
    args: &Args,
    image: &[u8],
    messages: &[[u8; MESSAGE_BYTES]],
    refused: u32,
) -> Result<(), Problem> {
    if let Some(path) = &args.image {
        write_whole(path, image)?;
    }
    if let Some(path) = &args.messages {
        replay::write_messages(path, messages)?;
    }
    if !args.quiet && refused > 0 {
        cli::notice(format_args!("the memory took no record at {refused} steps"));
    }
    Ok(())
}

struct Printer<'a> {
    args: &'a Args,
    several: bool,
    status: Status,
    rows: usize,
    /// Whoever read standard output has gone.
    closed: bool,
}

impl Printer<'_> {
    fn print(&mut self, n: usize, ran: Option<Ran>) {
        let Some((notices, outcome)) = ran else {
            eprintln!("error: {}: could not be replayed", self.args.traces[n].display());
            self.status = Status::Internal;
            return;
        };
        if !self.args.quiet {
            notices.iter().for_each(cli::notice);
        }
        match outcome {
            Ok(report) => {
                let written = self.report(&report);
                self.written(written);
            }
            Err(problem) => {
                cli::problem(&problem);
                self.status = self.status.max(Status::Input);
            }
        }
    }

    fn report(&mut self, report: &Report) -> io::Result<()> {
        if self.closed {
            return Ok(());
        }
        let mut out = BufWriter::new(io::stdout().lock());
        match self.args.format {
            Format::Json => {
                serde_json::to_writer(&mut out, report)?;
                writeln!(out)?;
            }
            Format::Text if self.several => {
                if self.rows == 0 {
                    writeln!(out, "{}", replay::table_header())?;
                }
                self.rows += 1;
                writeln!(out, "{}", replay::table_row(report))?;
            }
            Format::Text => write!(out, "{}\n{}\n", replay::one(report), replay::CAUTION)?,
        }
        out.flush()
    }

    fn end(&mut self) {
        if self.rows > 0 && !self.closed {
            let written = writeln!(
                io::stdout(),
                "\nh: hours since release; !: faults, told when the trace is replayed alone.\n{}",
                replay::CAUTION
            );
            self.written(written);
        }
    }

    fn written(&mut self, written: io::Result<()>) {
        match written {
            Err(e) if e.kind() == io::ErrorKind::BrokenPipe => self.closed = true,
            Err(e) => {
                eprintln!("error: standard output: {e}");
                self.status = self.status.max(Status::Input);
                self.closed = true;
            }
            Ok(()) => {}
        }
    }
}

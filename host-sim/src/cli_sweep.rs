//! `swaymark sweep`.

use std::cell::RefCell;
use std::io::{self, Write};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::batch::write_whole;
use crate::html;
use crate::problem::Problem;
use crate::replay::CAUTION;
use crate::sweep::callout::trials;
use crate::sweep::grid::Grid;
use crate::sweep::output::SweepResult;
use crate::sweep::run::{Sweep, load_tag};
use crate::sweep::state::{self, State};
use crate::sweep::traces;

use crate::cli::{self, Status};
use crate::cli_replay::Format;

/// Try rates, duty cycles and settings on traces with truth: what each costs and tells
#[derive(clap::Args, Debug)]
#[command(
    after_help = "Examples:\n  swaymark sweep bay --grid demo-data/grids/rates.toml --csv bay.csv\n  \
    swaymark sweep demo-data --grid demo-data/grids/settings.toml --report sweep.html\n\n\
    The grid file lists what to try: [sampling] rate_hz, thinning, duty; [record] raw; any setting \
    of [detector] and [release]. Every choice is crossed with every other. Traces are NAME.csv or \
    NAME.csv.gz with NAME.truth.csv beside (and NAME.toml, the deployment file).\n\n\
    A sweep that was stopped goes on where it was when the same command is given again. What it \
    has done is kept beside the CSV (or else beside the grid file) in a file ending in .resume, \
    which is taken away at the end; --resume FILE keeps it in FILE, and leaves it there."
)]
pub struct Args {
    /// Folder of the traces
    dir: PathBuf,
    /// Grid file: what to try
    #[arg(long, value_name = "GRID.toml")]
    grid: PathBuf,
    /// Tag file, or a tag that comes with the program, instead of the deployments' own
    #[arg(long, value_name = "TAG.toml")]
    tag: Option<PathBuf>,
    /// Form of the result
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write the table as CSV too
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a page to look at: Pareto front, operating curves, a table that sorts
    #[arg(long, value_name = "FILE.html")]
    report: Option<PathBuf>,
    /// Show every cell, not only the Pareto front, of a large grid
    #[arg(long)]
    all: bool,
    /// File that keeps what is done, and from which a stopped sweep goes on
    #[arg(long, value_name = "FILE")]
    resume: Option<PathBuf>,
    /// Pieces of work done at a time; by default one a processor core
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,
    /// No notices and no progress bar on standard error; errors are still told
    #[arg(long)]
    quiet: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Status {
    let pool = match cli::threads(args.jobs) {
        Ok(pool) => pool,
        Err(status) => return status,
    };
    match pool.install(|| sweep(args)) {
        Ok(status) => status,
        Err(problem) => {
            cli::problem(&problem);
            Status::Input
        }
    }
}

fn sweep(args: &Args) -> Result<Status, Problem> {
    let told = RefCell::new(Vec::new());
    let note = |text: String| {
        if !args.quiet {
            cli::notice(&text);
        }
        told.borrow_mut().push(text);
    };
    let grid = Grid::load(&args.grid)?;
    // Not only after hours of work.
    for (option, path) in [("--csv", &args.csv), ("--report", &args.report)] {
        let Some(path) = path else { continue };
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
        if path.is_dir() || folder.is_some_and(|p| !p.is_dir()) {
            let why = if path.is_dir() { "is a folder" } else { "no such folder" };
            return Err(Problem::new(format!("{}: {why}", path.display()))
                .help(format!("{option} takes the name of a file in a folder that exists")));
        }
    }
    let tag = args.tag.as_deref().map(load_tag).transpose()?;
    let (traces, notices) = traces::find(&args.dir)?;
    notices.into_iter().for_each(note);
    let build = state::build();
    let own_tags = tag.is_none();
    let sweep = Sweep::new(grid, traces, tag, build)?;
    if sweep.left_out > 0 {
        note(format!(
            "{}: {} cells left out: at the recorded rate the way of thinning makes no difference",
            sweep.grid.name, sweep.left_out
        ));
    }
    if own_tags && sweep.tags.iter().any(|t| Some(t) != sweep.tags.first()) {
        let first = &sweep.traces[0].facts.trace;
        note(format!(
            "the traces have different tags; days are told for that of {first}; --tag names one for all"
        ));
    }
    let mut state = open_state(args, build.is_some(), &note)?;
    if let Some(state) = &mut state
        && !state.held.is_empty()
    {
        let held = sweep.held(state);
        note(match held {
            0 => "nothing that was kept fits this grid, these traces and this program: all is run anew"
                .to_owned(),
            _ => format!("{held} of {} results were kept and are taken over", sweep.results()),
        });
    }
    let bar = cli::progress("sweep", sweep.work(), args.quiet);
    bar.enable_steady_tick(Duration::from_millis(500));
    let (results, state) = sweep.run(state, rayon::current_num_threads(), &|done| bar.inc(done))?;
    bar.finish_and_clear();
    let mut result = SweepResult::new(&sweep, &results, &trials(&sweep));
    result.notices = told.take();
    if let Some(path) = &args.csv {
        write_whole(path, result.csv()?.as_bytes())?;
    }
    if let Some(path) = &args.report {
        html::write(path, &html::sweep::page(&result))?;
    }
    let written = print(args, &result);
    if let Some(state) = state
        && args.resume.is_none()
        && written.is_ok()
    {
        state.remove();
    }
    match written {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
            Err(Problem::new(format!("standard output: {e}")))
        }
        _ => Ok(Status::Done),
    }
}

fn print(args: &Args, result: &SweepResult) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match args.format {
        Format::Json => {
            serde_json::to_writer(&mut out, result)?;
            writeln!(out)?;
        }
        Format::Text => write!(out, "{}\n{CAUTION}\n", result.text(args.all))?,
    }
    out.flush()
}

/// Where what is done is kept. A file that nobody asked for and that cannot be
/// written is done without.
fn open_state(
    args: &Args,
    build_known: bool,
    note: &dyn Fn(String),
) -> Result<Option<State>, Problem> {
    if let Some(path) = &args.resume {
        if !build_known {
            note("this program cannot be read: what it keeps fits any build of it".to_owned());
        }
        return State::open(path).map(Some);
    }
    let path = with_ending(args.csv.as_deref().unwrap_or(&args.grid), ".resume");
    match State::open(&path) {
        Ok(state) => Ok(Some(state)),
        Err(problem) => {
            note(format!("{problem}; a stopped sweep starts anew"));
            Ok(None)
        }
    }
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

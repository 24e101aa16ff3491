//! The command line: arguments, exit status, standard error.

use std::fmt::Display;
use std::io::IsTerminal;
use std::num::NonZeroUsize;
use std::panic;
use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};
use firmware_core::detector::Detector;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use rayon::ThreadPool;

use crate::own;
use crate::problem::Problem;
use crate::{
    cli_budget, cli_cohort, cli_compare, cli_replay, cli_score, cli_shell, cli_sweep, cli_synth,
    cli_unpack,
};

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Status {
    /// All done.
    Done = 0,
    /// A comparison or a score fell short.
    Short = 1,
    /// Input or usage error.
    Input = 2,
    /// A fault of the program.
    Internal = 3,
}

impl From<Status> for ExitCode {
    fn from(status: Status) -> Self {
        ExitCode::from(status as u8)
    }
}

#[derive(Parser)]
#[command(
    name = "swaymark",
    version,
    max_term_width = 80,
    about = "Runs recorded acceleration traces of tagged animals through the code of the tag",
    after_help = "Example: swaymark replay deployments/*.csv.gz\n\n\
        Exit status: 0 done, 1 a comparison or score fell short, 2 input or usage error, \
        3 internal error.\n\n\
        Tagging live animals needs permits and an ethics review. What software decides about a \
        release is not a welfare decision. Local rules come first."
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Budget(cli_budget::Args),
    Replay(cli_replay::Args),
    Synth(cli_synth::Args),
    Score(cli_score::Args),
    Compare(cli_compare::Args),
    Cohort(cli_cohort::Args),
    Completions(cli_shell::Completions),
    Man(cli_shell::Man),
    Sweep(Box<cli_sweep::Args>),
    Unpack(cli_unpack::Args),
}

/// Runs the program with a detector of one's own beside those of the tag: its events are in what
/// every command reports, and its settings in what every command reads.
///
pub fn main_with<X: Detector + Send + Sync + 'static>() -> ExitCode {
    if let Err(refused) = own::register::<X>() {
        problem(&refused);
        return Status::Input.into();
    }
    main()
}

/// Runs the program.
pub fn main() -> ExitCode {
    panic::set_hook(Box::new(|info| {
        eprintln!(
            "swaymark: internal error: {info}\n\
             This is a fault of the program, not of your files. Please report it with the file \
             that caused it."
        );
    }));
    let cli = Cli::parse();
    let ran = panic::catch_unwind(|| match cli.command {
        Command::Budget(args) => cli_budget::run(&args),
        Command::Replay(args) => cli_replay::run(&args),
        Command::Synth(args) => cli_synth::run(&args),
        Command::Score(args) => cli_score::run(&args),
        Command::Compare(args) => cli_compare::run(&args),
        Command::Cohort(args) => cli_cohort::run(&args),
        Command::Completions(args) => cli_shell::completions(&args, &mut Cli::command()),
        Command::Man(args) => cli_shell::man(&args, Cli::command()),
        Command::Sweep(args) => cli_sweep::run(&args),
        Command::Unpack(args) => cli_unpack::run(&args),
    });
    ran.unwrap_or(Status::Internal).into()
}

/// Prints a notice on standard error.
pub fn notice(text: impl Display) {
    eprintln!("note: {text}");
}

/// Prints a problem on standard error.
pub fn problem(problem: &Problem) {
    // No colour by wish (no-color.org: set, and not empty), or for no terminal.
    let plain = std::env::var_os("NO_COLOR").is_some_and(|wish| !wish.is_empty());
    let fancy = std::io::stderr().is_terminal() && !plain;
    eprintln!("error: {}", problem.render(fancy));
}

/// A tolerance, from the command line.
pub fn size(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(v) if (0.0..=1e9).contains(&v) => Ok(v),
        _ => Err("a number from 0 up was expected".into()),
    }
}

/// The threads to work on: as many as asked for, or one a core.
///
/// # Errors
/// [`Status::Internal`], told, where they cannot be started.
pub fn threads(jobs: Option<NonZeroUsize>) -> Result<ThreadPool, Status> {
    let jobs = jobs.map_or(0, NonZeroUsize::get);
    rayon::ThreadPoolBuilder::new().num_threads(jobs).build().map_err(|e| {
        eprintln!("error: no threads to run on: {e}");
        Status::Internal
    })
}

/// A bar over work, with the time left, on a terminal only.
pub fn progress(word: &str, total: u64, quiet: bool) -> ProgressBar {
    if quiet || !std::io::stderr().is_terminal() {
        return ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden());
    }
    let bar = ProgressBar::new(total);
    let template = format!("{word} [{{bar:40}}] {{percent:>3}} %  {{eta}} left");
    if let Ok(style) = ProgressStyle::with_template(&template) {
        bar.set_style(style.progress_chars("=> "));
    }
    bar
}

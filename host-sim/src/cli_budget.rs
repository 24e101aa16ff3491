//! `swaymark budget`.

use std::io::{self, Write};
use std::num::NonZeroUsize;
use std::path::PathBuf;

use crate::budget::discharge::discharge;
use crate::budget::{self, Settings};
use crate::deployment::Deployment;
use crate::html;
use crate::tag_file::TagFile;
use clap::ValueEnum;
use firmware_core::config::Breathing;

use crate::cli::{self, Status};

/// Form of the report.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For a person, ending in sentences
    Text,
    /// For scripts: one JSON object
    Json,
}

/// How the animal moves water over its gills.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Mode {
    /// Must keep swimming
    Ram,
    /// Can lie still and pump for hours
    Buccal,
}

/// Tell how long the cell of a tag lasts, search included
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  swaymark budget demo-data/tags/fin-float.toml\n  \
    swaymark budget my-tag.toml --format json --seed 7 > my-tag.json\n  \
    swaymark budget fin-float --report fin-float.html\n\n\
    The tag file tells cell, parts, memory and schedule, with a source for every figure; its keys \
    are in docs/tag-file.md, the model in docs/energy.md. The same file, seed and draws give the \
    same answer, whatever --jobs is.")]
pub struct Args {
    /// Tag file, or the name of a tag that comes with the program
    #[arg(value_name = "TAG.toml")]
    tag: PathBuf,
    /// Form of the report
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write a page to look at: discharge curves, consumers, what it hangs on
    #[arg(long, value_name = "FILE.html")]
    report: Option<PathBuf>,
    /// Seed of the draws of uncertain figures
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Draws of the uncertain figures, 1 to 100000
    #[arg(long, value_name = "N", default_value_t = 500,
        value_parser = clap::value_parser!(u32).range(1..=100_000))]
    draws: u32,
    /// Breathing mode that the telling of deaths is judged for; by default both
    #[arg(long, value_enum)]
    breathing: Option<Mode>,
    /// Deployment file: its breathing mode and its detector and release settings
    #[arg(long, value_name = "FILE")]
    deployment: Option<PathBuf>,
    /// Threads to work on; by default one a processor core
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,
    /// No notices on standard error; errors are still told
    #[arg(long)]
    quiet: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Status {
    let named = args.tag.to_str().filter(|_| !args.tag.exists()).and_then(TagFile::shipped);
    let tag = match named.map_or_else(|| TagFile::load(&args.tag), Ok) {
        Ok(tag) => tag,
        Err(problem) => {
            let shipped: Vec<_> = TagFile::shipped_names().collect();
            cli::problem(&match args.tag.exists() {
                true => problem,
                false => problem.help(format!(
                    "a path, or one of the tags that come with the program: {}",
                    shipped.join(", ")
                )),
            });
            return Status::Input;
        }
    };
    let mut settings =
        Settings { draws: args.draws as usize, seed: args.seed, ..Settings::default() };
    if let Some(path) = &args.deployment {
        match Deployment::load(path) {
            Ok(deployment) => {
                settings.breathing = deployment.breathing;
                settings.detector = deployment.detector;
                settings.release = deployment.release;
                let ceiling_h = f64::from(deployment.release.ceiling_h);
                if !args.quiet && ceiling_h != tag.ceiling_h() {
                    cli::notice(format!(
                        "{}: ceiling_h = {ceiling_h}, but the last phase on the animal in {} ends at \
                         {} h; the budget goes by that",
                        deployment.name,
                        tag.name,
                        tag.ceiling_h()
                    ));
                }
            }
            Err(problem) => {
                cli::problem(&problem);
                return Status::Input;
            }
        }
    }
    if let Some(mode) = args.breathing {
        settings.breathing = Some(match mode {
            Mode::Ram => Breathing::Ram,
            Mode::Buccal => Breathing::Buccal,
        });
    }
    let pool = match cli::threads(args.jobs) {
        Ok(pool) => pool,
        Err(status) => return status,
    };
    let budget = pool.install(|| budget::budget(&tag, &settings));
    if let Some(path) = &args.report {
        let curve = pool.install(|| discharge(&tag, &settings));
        if let Err(problem) = html::write(path, &html::budget::page(&budget, &curve)) {
            cli::problem(&problem);
            return Status::Input;
        }
    }
    if !args.quiet {
        budget.notices.iter().for_each(cli::notice);
        if tag.clone().figures_mut().iter().all(|f| f.spread.is_none()) {
            cli::notice(format!(
                "{}: no figure says how sure it is (sd_percent, sd), so the percentiles are all alike",
                tag.name
            ));
        }
    }
    let text = match args.format {
        Format::Text => budget::one(&budget),
        Format::Json => match serde_json::to_string(&budget) {
            Ok(json) => json + "\n",
            Err(e) => {
                eprintln!("error: the report cannot be written as JSON: {e}");
                return Status::Internal;
            }
        },
    };
    match io::stdout().lock().write_all(text.as_bytes()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
            eprintln!("error: standard output: {e}");
            Status::Input
        }
        _ => Status::Done,
    }
}

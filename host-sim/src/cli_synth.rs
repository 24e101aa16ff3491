//! `swaymark synth`.

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use crate::problem::Problem;
use crate::synth::{
    self, AccelColumns, FIRST_JUDGED_SEED, Family, Handling, Request, SCENARIOS, TimeColumn,
};
use clap::ValueEnum;
use rayon::prelude::*;

use crate::cli::{self, Status};

/// Unit of the columns for acceleration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Accel {
    /// Multiples of standard gravity
    G,
    /// Metres a second squared
    Ms2,
    /// Counts of the sensor
    Raw,
}

/// How rows tell their time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Time {
    /// Seconds from the start, in every row
    Seconds,
    /// Seconds from the start, in the rows of whole seconds only
    Sparse,
    /// Date and time (RFC 3339)
    Utc,
}

/// Make traces with truth, from invented deployments
#[derive(clap::Args, Debug)]
#[command(after_help = "Examples:\n  \
    swaymark synth yoyo-glider --seed 7 --out made\n  \
    swaymark synth hard --seed 1 --count 20 --out made\n  \
    swaymark synth my-sharks.toml --count 5 --out made\n\n\
    Without a name it lists scenarios and families. A scenario tells one story; a family \
    draws everything from stated distributions. The same name, seed, length, rate and \
    version give the same bytes. Seeds 1 to 999 are for tuning a detector, 1000 and up for \
    judging it.")]
pub struct Args {
    /// A scenario, a family, or a family file (TOML); leave it out for a list
    #[arg(value_name = "NAME|FAMILY.toml")]
    scenario: Option<String>,
    /// Print what a family draws, from which distributions, and stop
    #[arg(long)]
    describe: bool,
    /// Seed
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Make so many, from the seed on
    #[arg(long, value_name = "N", default_value_t = 1)]
    count: u64,
    /// Folder to write to
    #[arg(long, value_name = "DIR", default_value = ".")]
    out: PathBuf,
    /// Length in hours, instead of what the scenario or family has
    #[arg(long, value_name = "H")]
    hours: Option<f64>,
    /// Samples a second, 5 to 100
    #[arg(long, value_name = "HZ")]
    sample_hz: Option<f64>,
    /// Full scale of the sensor, 1 to 32 g; goes with --counts-per-g
    #[arg(long, value_name = "G", requires = "counts_per_g")]
    range_g: Option<f64>,
    /// Counts of the sensor for one g, 16 to 65536; goes with --range-g
    #[arg(long, value_name = "N", requires = "range_g")]
    counts_per_g: Option<f64>,
    /// Known mounting: roll, pitch, yaw in degrees
    #[arg(
        long,
        value_name = "R,P,Y",
        value_delimiter = ',',
        num_args = 1,
        allow_hyphen_values = true
    )]
    mount_deg: Vec<f64>,
    /// Compress the trace with gzip
    #[arg(long)]
    gzip: bool,
    /// Unit of acceleration
    #[arg(long, value_enum, default_value_t = Accel::G)]
    accel: Accel,
    /// How rows tell their time
    #[arg(long, value_enum, default_value_t = Time::Seconds)]
    time: Time,
    /// Leave the depth out
    #[arg(long)]
    no_depth: bool,
    /// Leave the temperature out
    #[arg(long)]
    no_temp: bool,
    /// Begin before the animal release, and end after the pick-up where there is one
    #[arg(long)]
    handling: bool,
    /// State both times in the deployment file
    #[arg(long, requires = "handling")]
    bounds: bool,
    /// Write a column `wet` every 2 s
    #[arg(long, requires = "handling")]
    wet: bool,
    /// Traces at a time; default one a processor core
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,
    /// Say nothing on standard error but errors
    #[arg(long)]
    quiet: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Status {
    let Some(scenario) = &args.scenario else {
        list();
        return Status::Done;
    };
    let family = match found(scenario) {
        Ok(family) => family,
        Err(problem) => {
            cli::problem(&problem);
            return Status::Input;
        }
    };
    if args.describe {
        match &family {
            Some(family) => print!("# {}\n\n{}\n\n{}", family.name, family.summary, family.table()),
            None => list(),
        }
        return Status::Done;
    }
    if args.seed.saturating_add(args.count) > FIRST_JUDGED_SEED && !args.quiet {
        cli::notice(format_args!(
            "seeds of {FIRST_JUDGED_SEED} and up are for judging; change no detector by what they show"
        ));
    }
    let mount_deg = match *args.mount_deg.as_slice() {
        [] => None,
        [roll, pitch, yaw] => Some([roll, pitch, yaw]),
        ref other => {
            cli::problem(&Problem::new(format!(
                "--mount-deg: {} given; expected roll, pitch and yaw in degrees, as in --mount-deg 2,-5,10",
                other.len()
            )));
            return Status::Input;
        }
    };
    let made = |seed: u64| {
        let mut request = match &family {
            Some(family) => Request::of_family(family, seed, &args.out),
            None => Request::new(scenario, seed, &args.out),
        };
        request.hours = args.hours;
        request.sample_hz = args.sample_hz;
        request.scale = args.range_g.zip(args.counts_per_g);
        request.gzip = args.gzip;
        request.mount_deg = mount_deg;
        request.format.depth = !args.no_depth;
        request.format.temperature = !args.no_temp;
        request.format.wet = args.wet;
        request.handling = match (args.handling, args.bounds) {
            (false, _) => Handling::None,
            (true, false) => Handling::Drawn,
            (true, true) => Handling::Stated,
        };
        request.format.acceleration = match args.accel {
            Accel::G => AccelColumns::G,
            Accel::Ms2 => AccelColumns::Ms2,
            Accel::Raw => AccelColumns::Raw,
        };
        request.format.time = match args.time {
            Time::Seconds => TimeColumn::Seconds,
            Time::Sparse => TimeColumn::SparseSeconds,
            Time::Utc => TimeColumn::Utc,
        };
        synth::run(&request)
    };
    let pool = match cli::threads(args.jobs) {
        Ok(pool) => pool,
        Err(status) => return status,
    };
    let (mut seed, end) = (args.seed, args.seed.saturating_add(args.count));
    while seed < end {
        // A few for each thread at a time, so that they are told in order as they come.
        let next = end.min(seed.saturating_add(4 * pool.current_num_threads() as u64));
        let some: Vec<_> = pool.install(|| (seed..next).into_par_iter().map(made).collect());
        for made in some {
            match made {
                Ok(made) => {
                    println!("{}", made.trace.display());
                    if !args.quiet {
                        cli::notice(format_args!(
                            "{:.1} h, {} rows, {} beats; truth in {}",
                            made.duration_s / 3600.0,
                            made.rows,
                            made.beats,
                            made.truth.display()
                        ));
                    }
                }
                Err(error) => {
                    cli::problem(&Problem::new(error.to_string()));
                    return Status::Input;
                }
            }
        }
        seed = next;
    }
    Status::Done
}

fn list() {
    println!("{:21} {:>5}  what happens", "scenario", "hours");
    for s in SCENARIOS {
        println!("{:21} {:>5}  {}", s.name, s.hours, s.summary);
    }
    println!("\n{:21} {:>5}  what is drawn (--describe tells all)", "family", "");
    for family in Family::names().filter_map(Family::bundled) {
        println!("{:21} {:>5}  {}", family.name, "", family.summary);
    }
}

/// The family called `name`, or nothing where it is a scenario.
fn found(name: &str) -> Result<Option<Family>, Problem> {
    if name.ends_with(".toml") || name.contains(std::path::MAIN_SEPARATOR) {
        return Family::load(Path::new(name)).map(Some);
    }
    if let Some(family) = Family::bundled(name) {
        return Ok(Some(family));
    }
    if SCENARIOS.iter().any(|s| s.name == name) {
        return Ok(None);
    }
    let nearest = SCENARIOS
        .iter()
        .map(|s| s.name)
        .chain(Family::names())
        .map(|known| (strsim::jaro_winkler(name, known), known))
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let problem = Problem::new(format!("no scenario or family {name:?}"));
    Err(match nearest {
        Some((likeness, nearest)) if likeness > 0.7 => {
            problem.help(format!("did you mean {nearest}? `swaymark synth` alone lists all"))
        }
        _ => problem.help("`swaymark synth` alone lists all; a family of your own ends in .toml"),
    })
}

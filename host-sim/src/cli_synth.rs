//! `swaymark synth`.

use std::path::PathBuf;

use clap::ValueEnum;
use host_sim::problem::Problem;
use host_sim::synth::{self, AccelColumns, Request, SCENARIOS, SynthError, TimeColumn};

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

/// Make a trace with truth, from an invented deployment
#[derive(clap::Args, Debug)]
#[command(after_help = "Example: swaymark synth yoyo-glider --seed 7 --out made\n\n\
    Without a scenario it lists them. The same scenario, seed, length, rate and version give \
    the same bytes. Seeds 1 to 999 are for tuning a detector, 1000 to 1999 for judging it.")]
pub struct Args {
    /// What happens; leave it out for a list
    scenario: Option<String>,
    /// Seed
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Make so many, from the seed on
    #[arg(long, value_name = "N", default_value_t = 1)]
    count: u64,
    /// Folder to write to
    #[arg(long, value_name = "DIR", default_value = ".")]
    out: PathBuf,
    /// Length in hours, instead of the scenario's own
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
    for seed in args.seed..args.seed.saturating_add(args.count) {
        let mut request = Request::new(scenario, seed, &args.out);
        request.hours = args.hours;
        request.sample_hz = args.sample_hz;
        request.scale = args.range_g.zip(args.counts_per_g);
        request.gzip = args.gzip;
        request.mount_deg = mount_deg;
        request.format.depth = !args.no_depth;
        request.format.temperature = !args.no_temp;
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
        match synth::run(&request) {
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
                cli::problem(&told(&error));
                return Status::Input;
            }
        }
    }
    Status::Done
}

fn list() {
    println!("{:21} {:>5}  what happens", "scenario", "hours");
    for s in SCENARIOS {
        println!("{:21} {:>5}  {}", s.name, s.hours, s.summary);
    }
}

/// The error with the nearest name, where a name was wrong.
fn told(error: &SynthError) -> Problem {
    let problem = Problem::new(error.to_string());
    let SynthError::UnknownScenario { name, .. } = error else { return problem };
    let nearest = SCENARIOS
        .iter()
        .map(|s| (strsim::jaro_winkler(name, s.name), s.name))
        .max_by(|a, b| a.0.total_cmp(&b.0));
    match nearest {
        Some((likeness, nearest)) if likeness > 0.7 => {
            Problem::new(format!("no scenario {name:?}"))
                .help(format!("did you mean {nearest}? `swaymark synth` alone lists all"))
        }
        _ => Problem::new(format!("no scenario {name:?}")).help("`swaymark synth` alone lists all"),
    }
}

//! `swaymark synth`: traces with truth, from invented deployments.
//!
//! Motion is modelled from its causes: the sideways kinematics of the tail beat,
//! gravity through posture and mounting, the orbits of swell by linear wave theory, a
//! carcass or a package as a damped body, and a sensor with bandwidth, noise density,
//! range, quantisation and a clock of its own. Nothing here is shared with the
//! detectors on the tag.
//!
//! # Seeds
//!
//! Seeds 1 to 999 are for tuning; seeds of 1000 and up are for judging. Whoever changes
//! a detector looks at the first only, and states results on the second. The same
//! scenario, seed, length, rate and version give the same bytes. The rate changes the
//! samples but not the animal: at every rate the truth is the same, to the last
//! beat.
//!
//! # Time
//!
//! The motion runs on true time. The logger's clock is up to 60 parts per million
//! off; `t_s` is what that clock writes, and the truth file is on that clock too, because
//! that is the time a detector can know. A clock that jumps takes the truth along.
//!
//! # Truth
//!
//! `beat` is a whole cycle at its left-most sway (largest displacement towards the
//! left flank) with at least half of its full stroke. `glide` and `rest` run from
//! the last to the next crossing of the midline. `death` is the end of the last beat,
//! or of the last breath where a buccal pumper dies at rest.
//! After `eaten`, the beats are those of the animal that carries the tag. Beats in
//! rows that were lost are left out. `recovered` is where the logistic in time after
//! release has gone 80 % of the way from the first to the settled level. `head_shake`, in the
//! truth of the scenario `head-shaker` alone, is there for a detector of one's own: a program
//! without one refuses that truth.
//!
//! # Limits
//!
//! Amplitude and frequency change slowly within a beat. An animal goes with the water
//! around it but meets waves at the rate of a fixed point. Flutter of the package is
//! part of the sensor noise. Shapes, habits and their ranges are invented.

mod adrift;
mod antics;
mod behaviour;
mod carcass;
mod decimal;
mod depth;
mod draws;
mod engine;
pub mod family;
mod faults;
mod files;
mod floating;
mod gait;
mod handling;
mod leash;
mod memory;
mod mounting;
mod plan;
mod posture;
mod recovery;
mod scenario;
mod sensor;
mod shakes;
pub mod swell;
mod truth;
mod world;

#[cfg(test)]
mod tests;

use std::io;
use std::path::{Path, PathBuf};

pub use family::{FIRST_JUDGED_SEED, Family};
pub use memory::{MemoryError, Outcome, rows_in_memory, run_in_memory, run_with_settings};
pub use scenario::{SCENARIOS, Scenario};

/// The column for time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TimeColumn {
    /// `t_s`, seconds from the start of the file.
    #[default]
    Seconds,
    /// `t_s`, but only at whole seconds; the cells between are empty and follow from the
    /// sample rate. Takes a third to two thirds off a compressed file.
    SparseSeconds,
    /// `time_utc`, RFC 3339.
    Utc,
}

/// The columns for acceleration.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum AccelColumns {
    /// `ax_g`, `ay_g`, `az_g`: multiples of standard gravity.
    #[default]
    G,
    /// `ax_ms2`, `ay_ms2`, `az_ms2`: m/s2.
    Ms2,
    /// `ax_raw`, `ay_raw`, `az_raw`: counts of the sensor.
    Raw,
}

/// Which columns a trace has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Format {
    /// The time.
    pub time: TimeColumn,
    /// The acceleration.
    pub acceleration: AccelColumns,
    /// Whether there is a column `depth_m`, at 1 Hz.
    pub depth: bool,
    /// Whether there is a column `temp_c`, at 1 Hz.
    pub temperature: bool,
    /// Whether there is a column `wet`, every 2 s: 1 in water, 0 in air.
    pub wet: bool,
}

impl Default for Format {
    fn default() -> Self {
        Self {
            time: TimeColumn::Seconds,
            acceleration: AccelColumns::G,
            depth: true,
            temperature: true,
            wet: false,
        }
    }
}

/// What a record holds besides its deployment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Handling {
    /// Nothing: it starts at the animal release.
    #[default]
    None,
    /// What comes before the animal release and after the pick-up.
    Drawn,
    /// That, and the deployment file states both times.
    Stated,
}

/// What to make.
#[derive(Clone, Debug)]
pub struct Request {
    /// Name of a scenario of [`SCENARIOS`]; of the family where there is one.
    pub scenario: String,
    /// A family to draw from, instead of a scenario.
    pub family: Option<Family>,
    /// Seed; 1 to 999 for tuning, 1000 and up for judging.
    pub seed: u64,
    /// Folder to write to; made if there is none.
    pub out_dir: PathBuf,
    /// Name of the files without their endings; else scenario and seed.
    pub name: Option<String>,
    /// Length in h, up to 2400; else that of the scenario.
    pub hours: Option<f64>,
    /// Samples a second, 5 to 100 Hz; else 25.
    pub sample_hz: Option<f64>,
    /// Full scale, 1 to 32 g, and counts for one g, 16 to 65536; else drawn. A coarse
    /// sensor makes a small file.
    pub scale: Option<(f64, f64)>,
    /// Whether the trace is compressed with gzip.
    pub gzip: bool,
    /// Mounting from body to sensor as roll, pitch, yaw in degrees, each -360 to 360. Given,
    /// it is also written into the deployment file; else drawn and not told.
    ///
    /// A level animal at rest then reads `pitch` head up and `roll` left flank up; the yaw
    /// to the left comes first.
    pub mount_deg: Option<[f64; 3]>,
    /// The columns.
    pub format: Format,
    /// What comes before and after the deployment; [`run`] alone makes it, not a run in memory.
    pub handling: Handling,
    /// Whether an [`Outcome`] is to tell the fingerprint of all that the tag was given.
    pub fingerprint: bool,
}

impl Request {
    /// A request with everything else as it comes.
    pub fn new(scenario: &str, seed: u64, out_dir: impl Into<PathBuf>) -> Self {
        Self {
            scenario: scenario.into(),
            family: None,
            seed,
            out_dir: out_dir.into(),
            name: None,
            hours: None,
            sample_hz: None,
            scale: None,
            gzip: false,
            mount_deg: None,
            format: Format::default(),
            handling: Handling::None,
            fingerprint: false,
        }
    }

    /// A request for a trace of a family.
    pub fn of_family(family: &Family, seed: u64, out_dir: impl Into<PathBuf>) -> Self {
        Self { family: Some(family.clone()), ..Self::new(&family.name, seed, out_dir) }
    }

    /// The name of the files without their endings.
    pub fn file_name(&self) -> String {
        self.name.clone().unwrap_or_else(|| format!("{}-{:04}", self.scenario, self.seed))
    }
}

/// What has been made.
#[derive(Clone, Debug, PartialEq)]
pub struct Written {
    /// Path of the trace, `NAME.csv` or `NAME.csv.gz`.
    pub trace: PathBuf,
    /// Path of the deployment file, `NAME.toml`.
    pub deployment: PathBuf,
    /// Path of the truth file, `NAME.truth.csv`.
    pub truth: PathBuf,
    /// Rows in the trace, header aside.
    pub rows: u64,
    /// Beats in the truth file.
    pub beats: u64,
    /// Length of the trace, s.
    pub duration_s: f64,
}

/// Why nothing has been made.
#[derive(Debug, thiserror::Error)]
pub enum SynthError {
    /// There is no such scenario.
    #[error("no scenario {name:?}; there are {}", known.join(", "))]
    UnknownScenario {
        /// The name that was asked for.
        name: String,
        /// All names.
        known: Vec<&'static str>,
    },
    /// A number is out of its range.
    #[error("{key} = {value} is out of range; expected {least} to {most}")]
    OutOfRange {
        /// Name of the number, with its unit.
        key: &'static str,
        /// What was given.
        value: f64,
        /// Lowest value allowed.
        least: f64,
        /// Highest value allowed.
        most: f64,
    },
    /// A file name with a folder in it, or none at all.
    #[error("name {name:?} is not a plain file name")]
    Name {
        /// The name that was given.
        name: String,
    },
    /// A file cannot be written.
    #[error("{}: {source}", path.display())]
    Io {
        /// Path of the file.
        path: PathBuf,
        /// What went wrong.
        source: io::Error,
    },
}

impl SynthError {
    fn io(path: &Path, source: io::Error) -> Self {
        Self::Io { path: path.into(), source }
    }
}

fn in_range(key: &'static str, value: f64, least: f64, most: f64) -> Result<f64, SynthError> {
    if (least..=most).contains(&value) {
        Ok(value)
    } else {
        Err(SynthError::OutOfRange { key, value, least, most })
    }
}

/// All that is needed to make a trace.
struct Prepared {
    plan: plan::Plan,
    mount_deg: Option<[f64; 3]>,
    format: Format,
}

fn prepare(request: &Request) -> Result<Prepared, SynthError> {
    let least_hours =
        |least: f64| request.hours.map_or(Ok(0.0), |h| in_range("hours", h, least, 2400.0));
    if let Some(hz) = request.sample_hz {
        in_range("sample_hz", hz, 5.0, 100.0)?;
    }
    for &angle in request.mount_deg.iter().flatten() {
        in_range("mount_deg", angle, -360.0, 360.0)?;
    }
    let mut format = request.format;
    let (mut plan, mount_deg) = if let Some(family) = &request.family {
        least_hours(0.1)?;
        let instead = family::Instead {
            hours: request.hours,
            sample_hz: request.sample_hz,
            mount_deg: request.mount_deg,
        };
        let (plan, mount_deg) = family.plan(request.seed, instead);
        format.depth &= plan.extras.has_depth;
        (plan, mount_deg)
    } else {
        let Some(scenario) = SCENARIOS.iter().find(|s| s.name == request.scenario) else {
            return Err(SynthError::UnknownScenario {
                name: request.scenario.clone(),
                known: SCENARIOS.iter().map(|s| s.name).collect(),
            });
        };
        least_hours(scenario.least_hours)?;
        let hours = request.hours.unwrap_or(scenario.hours);
        let sample_hz = request.sample_hz.unwrap_or(25.0);
        let plan = scenario.plan(request.seed, hours, sample_hz, request.mount_deg);
        (plan, request.mount_deg)
    };
    if let Some((range_g, counts_per_g)) = request.scale {
        plan.sensor.range_g = in_range("range_g", range_g, 1.0, 32.0)?;
        plan.sensor.counts_per_g = in_range("counts_per_g", counts_per_g, 16.0, 65_536.0)?;
    }
    Ok(Prepared { plan, mount_deg, format })
}

impl engine::Sink for files::Files {
    type Error = SynthError;

    fn row(&mut self, row: &faults::Row) -> Result<(), SynthError> {
        Self::row(self, row)
    }

    fn event(&mut self, event: &truth::Event) -> Result<(), SynthError> {
        Self::event(self, event)
    }
}

/// Makes one deployment: trace, deployment file and truth file, all or none.
///
/// # Errors
///
/// An unknown scenario, a number out of range, a name with a folder in it, or a
/// file that cannot be written.
pub fn run(request: &Request) -> Result<Written, SynthError> {
    let Prepared { plan, mount_deg, format } = prepare(request)?;
    let name = request.file_name();
    if name.is_empty() || Path::new(&name).file_name() != Some(name.as_ref()) {
        return Err(SynthError::Name { name });
    }
    let before_s = match request.handling {
        Handling::None => 0.0,
        Handling::Drawn | Handling::Stated => handling::before_s(&plan),
    };
    let mut files = files::Files::create(
        &plan.earlier(before_s),
        &request.out_dir,
        &name,
        format,
        request.gzip,
        mount_deg,
    )?;
    if request.handling == Handling::None {
        engine::run(&plan, &mut files)?;
        return files.finish();
    }
    let done = handling::run(&plan, &mut files)?;
    files.handled(&done, request.handling == Handling::Stated)?;
    files.finish()
}

//! The plan of one deployment: all that a seed decides beforehand, and the deployment
//! file that tells of it.

use std::fmt::Write as _;

use super::antics::Often;
use super::behaviour::Habits;
use super::carcass::CarcassKind;
use super::depth::{Layers, Tide};
use super::engine::Pace;
use super::faults::Fault;
use super::floating::Package;
use super::gait::Swimmer;
use super::mounting::Mounting;
use super::posture::Rotation;
use super::recovery::{DaySwing, Recovery};
use super::sensor::SensorKind;
use super::swell::SeaState;

/// How the animal or its tag ends.
#[derive(Clone, Debug)]
pub(crate) enum Fate {
    Lives,
    Dies { at_s: f64, fades_s: f64, scavenged: bool },
    Eaten { at_s: f64, by: Box<(Swimmer, Habits)>, lodged: Rotation, warmer_c: f64 },
    Floats { at_s: f64 },
    Sinks { at_s: f64 },
    Dangles { at_s: f64 },
}

/// Where a carcass goes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Way {
    #[default]
    Sinks,
    Drifts,
    Surf,
}

/// What families have and scenarios do not.
#[derive(Clone, Debug)]
pub(crate) struct Extras {
    /// Name of the family.
    pub(crate) family: Option<String>,
    /// What was drawn, as TOML.
    pub(crate) drawn: String,
    pub(crate) often: Often,
    /// Mean time between head shakes, s; infinite for none.
    pub(crate) shakes_every_s: f64,
    pub(crate) mounting: Mounting,
    /// Times and steps of temperature of fronts, s and deg C.
    pub(crate) fronts: Vec<(f64, f64)>,
    /// Temperature of the tag when it is let go.
    pub(crate) air_c: Option<f64>,
    pub(crate) way: Way,
    /// Mean time between a carcass being carried off, s.
    pub(crate) carried_every_s: f64,
    /// How far a carcass on the bottom goes with the water.
    pub(crate) slides: f64,
    /// A dangling tag hangs from a snag.
    pub(crate) snag: bool,
    /// Whether there is a recovery to speak of.
    pub(crate) recovers: bool,
    pub(crate) has_depth: bool,
    pub(crate) pace: Pace,
}

impl Default for Extras {
    fn default() -> Self {
        Self {
            family: None,
            drawn: String::new(),
            often: Often::NEVER,
            shakes_every_s: f64::INFINITY,
            mounting: Mounting::default(),
            fronts: Vec::new(),
            air_c: None,
            way: Way::Sinks,
            carried_every_s: f64::INFINITY,
            slides: 0.0,
            snag: false,
            recovers: true,
            has_depth: true,
            pace: Pace::FINE,
        }
    }
}

/// Everything that a seed decides beforehand.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) scenario: String,
    pub(crate) seed: u64,
    pub(crate) hours: f64,
    pub(crate) id: String,
    pub(crate) start: jiff::Timestamp,
    pub(crate) latitude_deg: f64,
    pub(crate) longitude_deg: f64,
    pub(crate) buccal: bool,
    pub(crate) swimmer: Swimmer,
    pub(crate) habits: Habits,
    pub(crate) recovery: Recovery,
    pub(crate) day: DaySwing,
    pub(crate) tide: Tide,
    pub(crate) layers: Layers,
    /// Mean depth of the bottom, m.
    pub(crate) bottom_m: f64,
    pub(crate) swell: SeaState,
    pub(crate) wind_sea: SeaState,
    pub(crate) carcass: CarcassKind,
    pub(crate) package: Package,
    pub(crate) fate: Fate,
    pub(crate) sensor: SensorKind,
    pub(crate) fault: Fault,
    pub(crate) extras: Extras,
}

impl Plan {
    /// The plan with its record begun `by_s` earlier; whole seconds.
    pub(crate) fn earlier(&self, by_s: f64) -> Self {
        let start_s = self.start.as_second() - by_s as i64;
        let start = jiff::Timestamp::from_second(start_s).unwrap_or(self.start);
        Self { start, ..self.clone() }
    }

    /// The deployment file.
    pub(crate) fn deployment_toml(&self, mount_deg: Option<[f64; 3]>) -> String {
        let s = &self.sensor;
        let mut out = String::new();
        let (roll, pitch, yaw) = s.mount.angles();
        let mount = match mount_deg {
            Some([r, p, y]) => format!("mount_deg = [{r:?}, {p:?}, {y:?}]\n"),
            None => String::new(),
        };
        let (family, what) = match &self.extras.family {
            Some(name) => (format!("family = \"{name}\"\n"), "family"),
            None => (String::new(), "scenario"),
        };
        // Writing to a string cannot fail.
        let _ = write!(
            out,
            "# An invented animal in the Ostravel Bight, which is on no chart.\n\
             [deployment]\n\
             id = \"{}\"\n\
             start_utc = \"{}\"\n\
             latitude_deg = {:.4}\n\
             longitude_deg = {:.4}\n\
             {family}\
             truth = \"invented\"\n\
             \n[animal]\n\
             breathing = \"{}\"\n\
             length_m = {:.2}\n\
             \n[logger]\n\
             sample_hz = {:?}\n\
             range_g = {:?}\n\
             counts_per_g = {:?}\n\
             {mount}\
             \n[made_by]\n\
             program = \"swaymark synth {}\"\n\
             {what} = \"{}\"\n\
             seed = {}\n\
             hours = {:?}\n\
             fault = \"{}\"\n\
             settled_beat_hz = {:.3}\n\
             noise_mg = {:.2}\n\
             clock_slow_ppm = {:.1}\n\
             bottom_m = {:.1}\n\
             swell_height_m = {:.2}\n\
             swell_period_s = {:.1}\n\
             true_mount_deg = [{:.1}, {:.1}, {:.1}]\n",
            self.id,
            self.start,
            self.latitude_deg,
            self.longitude_deg,
            if self.buccal { "buccal" } else { "ram" },
            self.swimmer.length_m,
            s.sample_hz,
            s.range_g,
            s.counts_per_g,
            env!("CARGO_PKG_VERSION"),
            self.extras.family.as_ref().unwrap_or(&self.scenario),
            self.seed,
            self.hours,
            self.fault.describe(),
            self.swimmer.beat_hz,
            1000.0 * s.noise_g_rthz * (0.5 * s.sample_hz).sqrt(),
            s.clock_ppm,
            self.bottom_m,
            self.swell.height_m,
            self.swell.peak_s,
            roll.to_degrees(),
            pitch.to_degrees(),
            yaw.to_degrees(),
        );
        if !self.extras.drawn.is_empty() {
            let _ = write!(out, "\n[made_by.drawn]\n{}", self.extras.drawn);
        }
        out
    }
}

//! The deployment file: where, when, which animal, which logger, which settings.
//!
//! TOML beside the trace. Ranges and defaults of `[detector]` and `[release]`, and
//! the ranges of everything the tag itself needs, come from `firmware_core::config`.

mod reader;

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

use firmware_core::config::{
    Animal, Breathing, Config, ConfigError, Detector, Logger, Place, Release,
};

use crate::own;
use crate::problem::{Problem, shown};
use crate::tag_file::{DEFAULT_TAG, Figure, Spread, TagFile};
use crate::toml_text::{self, located};
use reader::Reader;

/// Full scale taken where none is given, g.
pub const DEFAULT_RANGE_G: f64 = 16.0;
/// Memory for the record taken where neither deployment nor tag gives one, MiB.
pub const DEFAULT_MEMORY_MIB: f64 = 8.0;

/// Unix times, s, that a deployment can start at: 1970 to 2100. The tag's solar
/// formula is stated for the present era.
pub const START_UNIX_S: std::ops::RangeInclusive<i64> = 0..=4_102_444_800;

/// Where a truth file comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TruthSource {
    /// Made together with the trace.
    Invented,
    /// Written down by a person who looked at the trace.
    Annotated,
}

/// A deployment as described by its file, or by the defaults.
#[derive(Clone, Debug)]
pub struct Deployment {
    /// Name of the file, for messages.
    pub name: String,
    /// Whether there was a file at all.
    pub from_file: bool,
    /// Identifier of the deployment.
    pub id: Option<String>,
    /// Unix time at `t_s` = 0, microseconds.
    pub start_unix_us: Option<i64>,
    /// Unix time of the animal's release, microseconds; `None`: the tag finds it.
    pub release_unix_us: Option<i64>,
    /// Unix time of the end of the deployment, microseconds; `None`: the tag finds it.
    pub end_unix_us: Option<i64>,
    /// The tag finds both, whatever is stated.
    pub as_tag: bool,
    /// Latitude, degrees north, -90 to 90.
    pub latitude_deg: Option<f64>,
    /// Longitude, degrees east, -180 to 180.
    pub longitude_deg: Option<f64>,
    /// Where the truth file comes from, if said.
    pub truth: Option<TruthSource>,
    /// The family of like deployments that it belongs to, for scores broken down by family.
    pub family: Option<String>,
    /// Columns of the trace under other names: ours, and that in the file.
    pub columns: Vec<(&'static str, String)>,
    /// How far clocks are ahead of UTC where the trace tells no zone, h.
    pub utc_offset_h: Option<f64>,
    /// Groups that the deployment belongs to, by column: handling, hook, size class.
    pub groups: BTreeMap<String, String>,
    /// Remarks.
    pub notes: Option<String>,
    /// Breathing mode; ram where not given, `None` then.
    pub breathing: Option<Breathing>,
    /// Total length of the animal, m.
    pub length_m: Option<f64>,
    /// Samples a second, 5 to 100 Hz.
    pub sample_hz: Option<f64>,
    /// Full scale of the sensor, g.
    pub range_g: f64,
    /// Counts for one g, for raw samples.
    pub counts_per_g: Option<f64>,
    /// Roll, pitch and yaw of the mounting, degrees.
    pub mount_deg: Option<[f32; 3]>,
    /// Tag file, relative to the deployment file, or the name of a tag that comes
    /// with the program.
    pub tag: Option<String>,
    /// Nominal capacity of the battery, mAh; instead of that of the tag.
    pub cell_mah: Option<f64>,
    /// Memory for the record, MiB; instead of that of the tag.
    pub memory_mib: Option<f64>,
    /// Settings of the detectors.
    pub detector: Detector,
    /// Settings of the release decision.
    pub release: Release,
    /// Settings of the registered detector, in its order; empty without one.
    pub own: Vec<f32>,
    text: String,
    spans: BTreeMap<String, Range<usize>>,
}

impl Default for Deployment {
    fn default() -> Self {
        Deployment {
            name: "defaults".into(),
            from_file: false,
            id: None,
            start_unix_us: None,
            release_unix_us: None,
            end_unix_us: None,
            as_tag: false,
            latitude_deg: None,
            longitude_deg: None,
            truth: None,
            family: None,
            columns: Vec::new(),
            utc_offset_h: None,
            groups: BTreeMap::new(),
            notes: None,
            breathing: None,
            length_m: None,
            sample_hz: None,
            range_g: DEFAULT_RANGE_G,
            counts_per_g: None,
            mount_deg: None,
            tag: None,
            cell_mah: None,
            memory_mib: None,
            detector: Detector::DEFAULT,
            release: Release::DEFAULT,
            own: own::defaults(),
            text: String::new(),
            spans: BTreeMap::new(),
        }
    }
}

/// Path of the file called like `trace` with another ending: `NAME.toml` for
/// `NAME.csv` and `NAME.csv.gz`.
pub fn beside(trace: &Path, ending: &str) -> PathBuf {
    let file = trace.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let lower = file.to_ascii_lowercase();
    let mut stem = &file[..];
    if lower.ends_with(".gz") {
        stem = &file[..file.len() - 3];
    }
    let dot = stem.rfind('.').filter(|&at| at > 0).unwrap_or(stem.len());
    trace.with_file_name(format!("{}{ending}", &stem[..dot]))
}

impl Deployment {
    /// Reads the file at `path`.
    ///
    /// # Errors
    /// As for [`Deployment::parse`], and a file that cannot be read.
    pub fn load(path: &Path) -> Result<Self, Problem> {
        let name = path.display().to_string();
        Self::parse(&name, &toml_text::read(path)?)
    }

    /// Understands the content of a deployment file called `name`.
    ///
    /// # Errors
    /// Text that is not TOML, unknown keys, values of the wrong kind or out of
    /// range; each with its line and column.
    pub fn parse(name: &str, bytes: &[u8]) -> Result<Self, Problem> {
        let text = toml_text::decode(name, bytes, "a deployment file of a few lines")?;
        let root = toml_text::table(name, text)?;
        let mut reader = Reader {
            deployment: Deployment {
                name: name.to_owned(),
                from_file: true,
                text: text.to_owned(),
                ..Default::default()
            },
        };
        for (key, value) in root.get_ref() {
            reader.table(key, value)?;
        }
        let deployment = reader.deployment;
        if let (Some(release_us), Some(end_us)) =
            (deployment.release_unix_us, deployment.end_unix_us)
            && end_us <= release_us
        {
            return Err(deployment.at_key("end_utc", "end_utc must lie after release_utc"));
        }
        // Shows every remaining value out of range before anything is run.
        deployment.config(deployment.sample_hz.unwrap_or(25.0), deployment.start_unix_us)?;
        Ok(deployment)
    }

    /// The checked configuration of the tag. `start_unix_us` is the time of the
    /// first row.
    ///
    /// # Errors
    /// A value out of range, or two that contradict each other.
    pub fn config(&self, sample_hz: f64, start_unix_us: Option<i64>) -> Result<Config, Problem> {
        let known_place = self.latitude_deg.is_some() && self.longitude_deg.is_some();
        let logger = Logger {
            sample_hz: sample_hz as f32,
            range_g: self.range_g as f32,
            counts_per_g: self.counts_per_g.unwrap_or(1000.0) as f32,
            mount_deg: self.mount_deg,
        };
        let place = Place {
            // Without a place there is no daylight to wait for.
            start_unix_s: start_unix_us.filter(|_| known_place).map(|us| us.div_euclid(1_000_000)),
            latitude_deg: self.latitude_deg.unwrap_or(0.0) as f32,
            longitude_deg: self.longitude_deg.unwrap_or(0.0) as f32,
        };
        let animal = Animal {
            breathing: self.breathing.unwrap_or(Breathing::Ram),
            length_m: self.length_m.map(|m| m as f32),
        };
        Config::new(logger, place, animal, self.detector, self.release)
            .map_err(|error| self.config_problem(error))
    }

    /// The tag that made the trace: the file or shipped tag that `tag` names, or the
    /// default one, with the capacity and memory given here.
    ///
    /// # Errors
    /// A tag file that is missing or not sound.
    pub fn tag_file(&self) -> Result<TagFile, Problem> {
        let mut tag = match &self.tag {
            None => TagFile::shipped(DEFAULT_TAG),
            Some(name) => match TagFile::shipped(name) {
                Some(tag) => Some(tag),
                None => {
                    let dir = Path::new(&self.name).parent().unwrap_or(Path::new(""));
                    let path = dir.join(name);
                    if !path.exists() {
                        let shipped: Vec<_> = TagFile::shipped_names().collect();
                        let message = format!("tag {}: no such file", shown(name.as_bytes()));
                        return Err(self.at_key("tag", &message).help(format!(
                            "a path from the folder of the deployment file, or one of the tags \
                             that come with the program: {}",
                            shipped.join(", ")
                        )));
                    }
                    Some(TagFile::load(&path)?)
                }
            },
        }
        .ok_or_else(|| Problem::new("the tag that comes with the program cannot be read"))?;
        if let Some(mah) = self.cell_mah {
            tag.cell.nominal_mah.value = mah / tag.cell.in_parallel;
        }
        let memory = self.memory_mib.or(self.tag.is_none().then_some(DEFAULT_MEMORY_MIB));
        if let Some(mib) = memory {
            let source = if self.memory_mib.is_some() { "deployment file" } else { "default" };
            tag.memory_mib = Some(Figure {
                key: "memory.size_mib".into(),
                value: mib,
                spread: Spread::Part(0.0),
                source: source.into(),
            });
        }
        Ok(tag)
    }

    fn config_problem(&self, error: ConfigError) -> Problem {
        match error {
            ConfigError::OutOfRange { key, got, min, max } => {
                self.at_key(key, &format!("{key} must lie between {min} and {max}, got {got}"))
            }
            ConfigError::Order { low, high } => {
                let value = |key| self.detector.get(key).or(self.release.get(key)).unwrap_or(0.0);
                let at = if self.spans.contains_key(low) { low } else { high };
                self.at_key(
                    at,
                    &format!(
                        "{low} must be smaller than {high}, got {} and {}",
                        value(low),
                        value(high)
                    ),
                )
            }
            ConfigError::UnknownKey => Problem::new(format!("{}: unknown key", self.name)),
        }
    }

    /// A problem with the value of `key`; points at it where the file holds it.
    pub fn at_key(&self, key: &str, message: &str) -> Problem {
        match self.spans.get(key) {
            Some(span) => located(&self.name, &self.text, span, message, "this value"),
            None => Problem::new(format!("{}: {message}", self.name)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Deployment, String> {
        Deployment::parse("x.toml", text.as_bytes())
            .map_err(|p| format!("{p} | {}", p.advice().unwrap_or_default()))
    }

    #[test]
    fn a_whole_file() {
        let d = parse(
            "[deployment]\nid = \"k1\"\nstart_utc = 2031-05-04T06:12:00+02:00\nlatitude_deg = -12\n\
             longitude_deg = 40.5\ntruth = \"invented\"\nnotes = \"calm\"\n[animal]\nbreathing = \"buccal\"\n\
             length_m = 1.9\n[logger]\nsample_hz = 25\nrange_g = 8\ncounts_per_g = 4096\n\
             mount_deg = [1, 2.5, -90]\n[detector]\nmax_beat_hz = 3\n[release]\nceiling_h = 72\n\
             death_daylight = false\n[made_by]\nanything = [1, 2]\n",
        )
        .unwrap();
        assert_eq!(d.start_unix_us, Some(1_935_634_320_000_000));
        assert_eq!(d.breathing, Some(Breathing::Buccal));
        assert_eq!(d.mount_deg, Some([1.0, 2.5, -90.0]));
        assert_eq!(d.release.ceiling_h, 72.0);
        assert!(!d.release.death_daylight);
        assert_eq!(d.detector.max_beat_hz, 3.0);
    }

    #[test]
    fn errors_name_line_key_range_and_nearest() {
        for (text, wanted) in [
            ("[release]\nflor_h = 3\n", &["line 2, column 1", "flor_h", "floor_h"][..]),
            ("[release]\nceiling_h = 9000\n", &["line 2, column 13", "0.05", "4000", "9000"]),
            ("[relase]\n", &["line 1", "[release]"]),
            ("floor_h = 2\n", &["belongs under [release]"]),
            ("[animal]\nsample_hz = 2\n", &["belongs under [logger]"]),
            ("[release]\nfloor_h = \"six\"\n", &["must be a number", "six"]),
            ("[release]\ndeath_daylight = 1\n", &["true or false"]),
            ("[release]\nfloor_h = 50\n", &["floor_h must be smaller than ceiling_h", "50", "48"]),
            ("[animal]\nbreathing = \"gills\"\n", &["\"ram\" or \"buccal\"", "line 2"]),
            ("[logger]\nsample_hz = 400\n", &["sample_hz", "5", "100", "400", "line 2"]),
            ("[logger]\nmount_deg = [1,2]\n", &["[roll, pitch, yaw]"]),
            ("[logger]\nrange_g = nan\n", &["range_g", "between 1 and 32"]),
            ("[deployment]\nlatitude_deg = 91\n", &["latitude_deg", "-90", "91"]),
            ("[deployment]\nstart_utc = 2031-05-04T06:12:00\n", &["start_utc", "zone"]),
            ("[deployment]\nstart_utc = 1931-05-04T06:12:00Z\n", &["start_utc", "1970"]),
            ("[logger]\ncell_mah = -1\n", &["cell_mah", "-1"]),
            ("deployment = 3\n", &["must be a table"]),
            ("[columns]\nax_ms = \"X\"\n", &["line 2", "ax_ms", "nearest known key: ax_ms2"]),
            ("[columns]\nutc_offset_h = 20\n", &["utc_offset_h", "-14", "14", "20"]),
            ("[group]\nhook = [1]\n", &["hook", "must be a number"]),
            ("[animal\n", &["line 1", "not valid TOML"]),
            ("[animal]\nlength_m = 1\nlength_m = 2\n", &["line 3", "not valid TOML"]),
        ] {
            let error = parse(text).unwrap_err();
            for want in wanted {
                assert!(error.contains(want), "{text:?}: {want:?} not in {error:?}");
            }
        }
    }

    #[test]
    fn every_setting_takes_its_own_default_and_refuses_what_is_beyond() {
        for table in ["detector", "release"] {
            for p in reader::params_of(table) {
                let write = |v: f32| {
                    if p.is_flag {
                        format!("[{table}]\n{} = {}\n", p.key, v >= 0.5)
                    } else {
                        format!("[{table}]\n{} = {v:e}\n", p.key)
                    }
                };
                assert!(parse(&write(p.default)).is_ok(), "{}", p.key);
                if !p.is_flag {
                    let error = parse(&write(p.max * 2.0 + 1.0)).unwrap_err();
                    assert!(error.contains(p.key) && error.contains("between"), "{error}");
                }
            }
        }
    }

    #[test]
    fn names_beside() {
        for (trace, want) in [
            ("d/a.csv", "d/a.toml"),
            ("d/a.csv.gz", "d/a.toml"),
            ("a.b.CSV.GZ", "a.b.toml"),
            ("a", "a.toml"),
            ("a.gz", "a.toml"),
            (".csv", ".csv.toml"),
        ] {
            assert_eq!(beside(Path::new(trace), ".toml"), Path::new(want), "{trace}");
        }
    }
}

//! The deployment file: where, when, which animal, which logger, which settings.
//!
//! TOML beside the trace. Ranges and defaults of `[detector]` and `[release]`, and
//! the ranges of everything the tag itself needs, come from `firmware_core::config`.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

use firmware_core::config::{
    Animal, Breathing, Config, ConfigError, Detector, Logger, Param, Place, Release,
};
use toml::Spanned;
use toml::de::DeValue;

use crate::problem::{Problem, nearest, shown};
use crate::tag_file::{DEFAULT_TAG, Figure, Spread, TagFile};
use crate::toml_text::{self, located, one_line};
use crate::trace::COLUMNS;

/// Full scale taken where none is given, g.
pub const DEFAULT_RANGE_G: f64 = 16.0;
/// Memory for the record taken where neither deployment nor tag gives one, MiB.
pub const DEFAULT_MEMORY_MIB: f64 = 8.0;

/// Unix times, s, that a deployment can start at: 1970 to 2100. The tag's solar
/// formula is stated for the present era.
pub const START_UNIX_S: std::ops::RangeInclusive<i64> = 0..=4_102_444_800;

const TABLES: [(&str, &[&str]); 5] = [
    (
        "deployment",
        &["id", "start_utc", "latitude_deg", "longitude_deg", "truth", "family", "notes"],
    ),
    ("animal", &["breathing", "length_m"]),
    (
        "logger",
        &["sample_hz", "range_g", "counts_per_g", "mount_deg", "tag", "cell_mah", "memory_mib"],
    ),
    ("detector", &[]),
    ("release", &[]),
];

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

fn params_of(table: &str) -> &'static [Param] {
    match table {
        "detector" => Detector::PARAMS,
        "release" => Release::PARAMS,
        _ => &[],
    }
}

fn keys_of(table: &str) -> impl Iterator<Item = &'static str> {
    let named = TABLES.iter().find(|(name, _)| *name == table).map_or(&[][..], |(_, keys)| *keys);
    named.iter().copied().chain(params_of(table).iter().map(|p| p.key))
}

struct Reader {
    deployment: Deployment,
}

impl Reader {
    fn fail(&self, span: &Range<usize>, message: &str, label: &str) -> Problem {
        located(&self.deployment.name, &self.deployment.text, span, message, label)
    }

    fn unknown(&self, table: Option<&str>, key: &str, span: &Range<usize>) -> Problem {
        let what = match table {
            Some(table) => format!("unknown key {} in [{table}]", shown(key.as_bytes())),
            None => format!("unknown name {}", shown(key.as_bytes())),
        };
        let problem = self.fail(span, &what, "not known");
        let home = TABLES.iter().find(|(t, _)| Some(*t) != table && keys_of(t).any(|k| k == key));
        if let Some((home, _)) = home {
            return problem.help(format!("{key} belongs under [{home}]"));
        }
        match table {
            Some(table) => match nearest(key, keys_of(table)) {
                Some(near) => problem.help(format!("nearest known key: {near}")),
                None => problem,
            },
            None => match nearest(key, TABLES.iter().map(|t| t.0).chain(["columns", "group"])) {
                Some(near) => problem.help(format!(
                    "nearest known table: [{near}]; tables: [deployment], [animal], [logger], \
                     [detector], [release], [columns], [group], [made_by]"
                )),
                None => problem,
            },
        }
    }

    fn table(
        &mut self,
        key: &Spanned<std::borrow::Cow<'_, str>>,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<(), Problem> {
        let name: &str = key.get_ref();
        if name == "made_by" {
            return Ok(());
        }
        match name {
            "group" => return self.groups(value),
            "columns" => return self.columns(value),
            _ => {}
        }
        let Some(&(table, _)) = TABLES.iter().find(|(table, _)| *table == name) else {
            return Err(self.unknown(None, name, &key.span()));
        };
        let DeValue::Table(entries) = value.get_ref() else {
            return Err(self.fail(
                &value.span(),
                &format!("{name} must be a table, written [{name}]"),
                "not a table",
            ));
        };
        for (key, value) in entries {
            let name: &str = key.get_ref();
            let Some(known) = keys_of(table).find(|k| *k == name) else {
                return Err(self.unknown(Some(table), name, &key.span()));
            };
            self.deployment.spans.insert(known.to_owned(), value.span());
            self.value(table, known, value)?;
        }
        Ok(())
    }

    /// `[columns]`: our name of a column, and its name in the trace.
    fn columns(&mut self, value: &Spanned<DeValue<'_>>) -> Result<(), Problem> {
        let DeValue::Table(entries) = value.get_ref() else {
            let message = "columns must be a table, written [columns]";
            return Err(self.fail(&value.span(), message, "not a table"));
        };
        for (key, value) in entries {
            let name: &str = key.get_ref();
            if name == "utc_offset_h" {
                self.deployment.spans.insert(name.to_owned(), value.span());
                self.deployment.utc_offset_h = Some(self.ranged(name, value, -14.0, 14.0)?);
                continue;
            }
            let Some(&ours) = COLUMNS.iter().find(|c| **c == name) else {
                let what = format!("unknown column {} in [columns]", shown(name.as_bytes()));
                let known = COLUMNS.into_iter().chain(["utc_offset_h"]);
                let near = nearest(name, known).unwrap_or("t_s");
                return Err(self
                    .fail(&key.span(), &what, "not known")
                    .help(format!("nearest known key: {near}")));
            };
            let theirs = self.string(name, value)?;
            self.deployment.columns.push((ours, theirs));
        }
        Ok(())
    }

    /// `[group]`: any name, with a word, a number or yes and no.
    fn groups(&mut self, value: &Spanned<DeValue<'_>>) -> Result<(), Problem> {
        let DeValue::Table(entries) = value.get_ref() else {
            let message = "group must be a table, written [group]";
            return Err(self.fail(&value.span(), message, "not a table"));
        };
        for (key, value) in entries {
            let key: &str = key.get_ref();
            let text = match value.get_ref() {
                DeValue::String(s) => s.trim().to_owned(),
                DeValue::Boolean(yes) => if *yes { "yes" } else { "no" }.to_owned(),
                _ => self.number(key, value)?.to_string(),
            };
            self.deployment.groups.insert(key.trim().to_owned(), text);
        }
        Ok(())
    }

    fn value(
        &mut self,
        table: &str,
        key: &'static str,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<(), Problem> {
        if let Some(param) = params_of(table).iter().find(|p| p.key == key) {
            let number = if param.is_flag {
                match value.get_ref() {
                    DeValue::Boolean(yes) => f32::from(u8::from(*yes)),
                    _ => return Err(self.kind(key, "true or false", value)),
                }
            } else {
                self.number(key, value)? as f32
            };
            let set = match table {
                "detector" => self.deployment.detector.set(key, number),
                _ => self.deployment.release.set(key, number),
            };
            return set.map_err(|e| {
                self.deployment
                    .config_problem(e)
                    .help(format!("{key}: {} Default {}.", param.doc, param.default))
            });
        }
        match key {
            "tag" => self.deployment.tag = Some(self.string(key, value)?),
            "id" => self.deployment.id = Some(self.string(key, value)?),
            "family" => self.deployment.family = Some(self.string(key, value)?),
            "notes" => self.deployment.notes = Some(self.string(key, value)?),
            "start_utc" => self.deployment.start_unix_us = Some(self.time(key, value)?),
            "latitude_deg" => self.deployment.latitude_deg = Some(self.number(key, value)?),
            "longitude_deg" => self.deployment.longitude_deg = Some(self.number(key, value)?),
            "truth" => {
                self.deployment.truth = Some(match &*self.string(key, value)? {
                    "invented" => TruthSource::Invented,
                    "annotated" => TruthSource::Annotated,
                    _ => return Err(self.kind(key, "\"invented\" or \"annotated\"", value)),
                });
            }
            "breathing" => {
                self.deployment.breathing = Some(match &*self.string(key, value)? {
                    "ram" => Breathing::Ram,
                    "buccal" => Breathing::Buccal,
                    _ => return Err(self.kind(key, "\"ram\" or \"buccal\"", value)),
                });
            }
            "length_m" => self.deployment.length_m = Some(self.number(key, value)?),
            "sample_hz" => self.deployment.sample_hz = Some(self.number(key, value)?),
            "range_g" => self.deployment.range_g = self.number(key, value)?,
            "counts_per_g" => self.deployment.counts_per_g = Some(self.number(key, value)?),
            "mount_deg" => self.deployment.mount_deg = Some(self.angles(key, value)?),
            "cell_mah" => {
                self.deployment.cell_mah = Some(self.ranged(key, value, 1.0, 1e6)?);
            }
            "memory_mib" => {
                self.deployment.memory_mib = Some(self.ranged(key, value, 0.001, 1e6)?);
            }
            _ => return Err(self.unknown(Some(table), key, &value.span())),
        }
        Ok(())
    }

    fn kind(&self, key: &str, expected: &str, value: &Spanned<DeValue<'_>>) -> Problem {
        let text = &self.deployment.text;
        let got = text.get(value.span()).unwrap_or_default();
        let got = match value.get_ref() {
            DeValue::String(s) => shown(s.as_bytes()),
            _ => shown(one_line(got).as_bytes()).trim_matches('"').to_owned(),
        };
        self.fail(&value.span(), &format!("{key} must be {expected}, got {got}"), "this value")
    }

    fn number(&self, key: &str, value: &Spanned<DeValue<'_>>) -> Result<f64, Problem> {
        let number = match value.get_ref() {
            DeValue::Integer(i) => {
                i64::from_str_radix(i.as_str(), i.radix()).ok().map(|v| v as f64)
            }
            DeValue::Float(f) => f.as_str().parse::<f64>().ok(),
            _ => None,
        };
        number.ok_or_else(|| self.kind(key, "a number", value))
    }

    fn ranged(
        &self,
        key: &str,
        value: &Spanned<DeValue<'_>>,
        min: f64,
        max: f64,
    ) -> Result<f64, Problem> {
        let v = self.number(key, value)?;
        if v >= min && v <= max {
            return Ok(v);
        }
        Err(self
            .deployment
            .at_key(key, &format!("{key} must lie between {min} and {max}, got {v}")))
    }

    fn string(&self, key: &str, value: &Spanned<DeValue<'_>>) -> Result<String, Problem> {
        match value.get_ref() {
            DeValue::String(s) => Ok(s.to_string()),
            _ => Err(self.kind(key, "text in quotes", value)),
        }
    }

    fn time(&self, key: &str, value: &Spanned<DeValue<'_>>) -> Result<i64, Problem> {
        let text = match value.get_ref() {
            DeValue::Datetime(t) => t.to_string(),
            DeValue::String(s) => s.to_string(),
            _ => String::new(),
        };
        let time: jiff::Timestamp = text.parse().map_err(|_| {
            self.kind(key, "a date and time with zone (RFC 3339), as 2031-05-04T06:12:00Z", value)
        })?;
        if !START_UNIX_S.contains(&time.as_second()) {
            return Err(self.kind(key, "a time between 1970 and 2100", value));
        }
        Ok(time.as_microsecond())
    }

    fn angles(&self, key: &str, value: &Spanned<DeValue<'_>>) -> Result<[f32; 3], Problem> {
        let expected = "three angles in degrees, [roll, pitch, yaw]";
        let DeValue::Array(items) = value.get_ref() else {
            return Err(self.kind(key, expected, value));
        };
        let mut angles = [0.0; 3];
        let mut n = 0;
        for item in items.iter() {
            if n == 3 {
                return Err(self.kind(key, expected, value));
            }
            angles[n] = self.number(key, item)? as f32;
            n += 1;
        }
        if n == 3 { Ok(angles) } else { Err(self.kind(key, expected, value)) }
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
            for p in params_of(table) {
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

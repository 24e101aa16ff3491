//! The grid file: lists of choices, all crossed with each other.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::Path;

use firmware_core::config::{Detector, Param, Release};
use toml::Spanned;
use toml::de::DeValue;

use super::duty::Duty;
use super::pareto::{Goal, goal_named, goal_names};
use super::thin::Thinning;
use crate::own::{self, given};
use crate::problem::{Problem, nearest, shown};
use crate::toml_text::{self, located, one_line};

/// Most cells that a grid may have.
pub const MAX_CELLS: usize = 20_000;
/// Sample rates of the tag, Hz.
const RATE_HZ: (f64, f64) = (5.0, 100.0);
/// Waking part and period of a duty cycle, s.
const ON_S: (f64, f64) = (0.1, 604_800.0);

const TABLES: [(&str, &[&str]); 5] = [
    ("sampling", &["rate_hz", "thinning", "duty"]),
    ("record", &["raw"]),
    ("detector", &[]),
    ("release", &[]),
    ("pareto", &["goals"]),
];

/// Stands for the table of the registered detector, which no name of a table can be.
const OWN: &str = "detector.";

/// One setting and the values tried.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// The setting.
    pub key: &'static str,
    /// Whether its values are yes or no.
    pub is_flag: bool,
    /// Values, in the order of the file.
    pub values: Vec<f32>,
}

/// A grid as its file gives it. Empty lists were not given.
#[derive(Clone, Debug, Default)]
pub struct Grid {
    /// Name of the file, for messages.
    pub name: String,
    /// Sample rates, Hz; none given: as recorded.
    pub rate_hz: Vec<f64>,
    /// How lower rates are made.
    pub thinning: Vec<Thinning>,
    /// Duty cycles.
    pub duty: Vec<Duty>,
    /// Whether raw samples are kept.
    pub raw: Vec<bool>,
    /// Detector settings.
    pub detector: Vec<Axis>,
    /// Release settings.
    pub release: Vec<Axis>,
    /// Settings of the registered detector, as `NAME.key`.
    pub own: Vec<Axis>,
    /// What a setting is judged by on the Pareto front.
    pub goals: Vec<&'static Goal>,
    text: String,
    spans: BTreeMap<String, Range<usize>>,
}

impl Grid {
    /// Reads the file at `path`.
    ///
    /// # Errors
    /// As [`Grid::parse`], and a file that cannot be read.
    pub fn load(path: &Path) -> Result<Self, Problem> {
        let name = path.display().to_string();
        let bytes = toml_text::read(path)?;
        Self::parse(&name, toml_text::decode(&name, &bytes, "a grid of a few lines")?)
    }

    /// Understands the content of a grid file called `name`.
    ///
    /// # Errors
    /// Text that is not TOML, unknown keys, values of the wrong kind, out of range
    /// or given twice, empty lists, and a grid of more than [`MAX_CELLS`] cells;
    /// each with line and column.
    pub fn parse(name: &str, text: &str) -> Result<Self, Problem> {
        let root = toml_text::table(name, text)?;
        let mut grid = Grid { name: name.into(), text: text.into(), ..Default::default() };
        for (key, value) in root.get_ref() {
            grid.table(key, value)?;
        }
        let sizes = [grid.rate_hz.len(), grid.thinning.len(), grid.duty.len(), grid.raw.len()];
        let axes = grid.axes().map(|axis| axis.values.len());
        let cells = sizes
            .into_iter()
            .chain(axes)
            .try_fold(1_usize, |product, n| product.checked_mul(n.max(1)));
        match cells {
            Some(1) if grid.spans.keys().all(|key| key == "goals") => {
                Err(Problem::new(format!("{name}: gives no choices"))
                    .help("list what to try, for example: [sampling] rate_hz = [25, 12.5, 5]"))
            }
            Some(cells) if cells <= MAX_CELLS => Ok(grid),
            _ => Err(Problem::new(format!(
                "{name}: crossing all lists gives {} cells; at most {MAX_CELLS} can be run",
                cells.map_or("too many".to_owned(), |n| n.to_string()),
            ))
            .help("shorten the lists, or try some settings in a grid of their own")),
        }
    }

    /// The settings tried, in the order of the documentation.
    pub fn axes(&self) -> impl Iterator<Item = &Axis> {
        self.detector.iter().chain(&self.release).chain(&self.own)
    }

    /// A problem with the value of `key`, pointing at it where the file holds it.
    pub fn at_key(&self, key: &str, message: &str) -> Problem {
        match self.spans.get(key) {
            Some(span) => located(&self.name, &self.text, span, message, "this value"),
            None => Problem::new(format!("{}: {message}", self.name)),
        }
    }

    fn fail(&self, span: &Range<usize>, message: &str, label: &str) -> Problem {
        located(&self.name, &self.text, span, message, label)
    }

    fn table(
        &mut self,
        key: &Spanned<Text<'_>>,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<(), Problem> {
        let name: &str = key.get_ref();
        let Some(&(table, _)) = TABLES.iter().find(|(table, _)| *table == name) else {
            let what = format!("unknown name {}", shown(name.as_bytes()));
            let problem = self.fail(&key.span(), &what, "not known");
            if let Some((home, _)) = TABLES.iter().find(|(t, _)| keys_of(t).any(|k| k == name)) {
                return Err(problem.help(format!("{name} belongs under [{home}]")));
            }
            let tables = TABLES.map(|t| format!("[{}]", t.0)).join(", ");
            let near = nearest(name, TABLES.iter().map(|t| t.0)).unwrap_or_default();
            return Err(problem.help(format!("nearest known table: [{near}]; tables: {tables}")));
        };
        let DeValue::Table(entries) = value.get_ref() else {
            let what = format!("{name} must be a table, written [{name}]");
            return Err(self.fail(&value.span(), &what, "not a table"));
        };
        for (key, value) in entries {
            let name: &str = key.get_ref();
            let Some(known) = keys_of(table).find(|k| *k == name) else {
                let own = own::registered().is_some_and(|own| own.name == name);
                if table == "detector" && (own || matches!(value.get_ref(), DeValue::Table(_))) {
                    self.own(key, value)?;
                    continue;
                }
                let what = format!("unknown key {} in [{table}]", shown(name.as_bytes()));
                let problem = self.fail(&key.span(), &what, "not known");
                let home = TABLES.iter().find(|(t, _)| keys_of(t).any(|k| k == name));
                return Err(match (home, nearest(name, keys_of(table))) {
                    (Some((home, _)), _) => problem.help(format!("{name} belongs under [{home}]")),
                    (None, Some(near)) => problem.help(format!("nearest known key: {near}")),
                    _ => problem,
                });
            };
            self.spans.insert(known.to_owned(), value.span());
            self.values(table, known, value)?;
        }
        Ok(())
    }

    /// `[detector.NAME]`: settings of the registered detector.
    fn own(
        &mut self,
        key: &Spanned<Text<'_>>,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<(), Problem> {
        let entries = given::entries(key, value, |at, what, label| self.fail(at, what, label))?;
        for (key, value) in entries {
            let (_, known, _) = given::setting(key, |at, what, label| self.fail(at, what, label))?;
            self.spans.insert(known.to_owned(), value.span());
            self.values(OWN, known, value)?;
        }
        Ok(())
    }

    fn values(
        &mut self,
        table: &str,
        key: &'static str,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<(), Problem> {
        let alone = std::slice::from_ref(value);
        // One value may stand without brackets.
        let items = match value.get_ref() {
            DeValue::Array(items) => &items[..],
            _ => alone,
        };
        if items.is_empty() {
            return Err(self.fail(&value.span(), &format!("{key} lists nothing"), "empty"));
        }
        let mut seen: Vec<String> = Vec::new();
        for item in items {
            let told = self.one(table, key, item)?;
            if seen.contains(&told) {
                return Err(self.fail(
                    &item.span(),
                    &format!("{key} lists {told} twice; each cell of the grid must be different"),
                    "again",
                ));
            }
            seen.push(told);
        }
        Ok(())
    }

    /// Takes one value; gives it as text, the same for equal values.
    fn one(
        &mut self,
        table: &str,
        key: &'static str,
        item: &Spanned<DeValue<'_>>,
    ) -> Result<String, Problem> {
        if let Some((key, param)) = settings_of(table).find(|(known, _)| *known == key) {
            return self.setting(table, key, param, item);
        }
        match key {
            "rate_hz" => {
                let hz = self.ranged(key, item, RATE_HZ)?;
                self.rate_hz.push(hz);
                Ok(hz.to_string())
            }
            "thinning" => {
                let how = match item.get_ref() {
                    DeValue::String(s) if s == "filter" => Thinning::Filter,
                    DeValue::String(s) if s == "skip" => Thinning::Skip,
                    _ => return Err(self.kind(key, "\"filter\" or \"skip\"", item)),
                };
                self.thinning.push(how);
                Ok(how.name().into())
            }
            "duty" => {
                let duty = self.duty(item)?;
                self.duty.push(duty);
                Ok(duty.name())
            }
            "raw" => {
                let DeValue::Boolean(yes) = item.get_ref() else {
                    return Err(self.kind(key, "true or false", item));
                };
                self.raw.push(*yes);
                Ok(yes.to_string())
            }
            _ => {
                let DeValue::String(name) = item.get_ref() else {
                    return Err(self.kind(key, "the name of a goal in quotes", item));
                };
                let Some(goal) = goal_named(name) else {
                    let near = nearest(name, goal_names()).unwrap_or_default();
                    let known = goal_names().collect::<Vec<_>>().join(", ");
                    return Err(self
                        .fail(
                            &item.span(),
                            &format!("unknown goal {}", shown(name.as_bytes())),
                            "not known",
                        )
                        .help(format!("nearest known goal: {near}; goals: {known}")));
                };
                self.goals.push(goal);
                Ok(goal.name.into())
            }
        }
    }

    fn setting(
        &mut self,
        table: &str,
        key: &'static str,
        param: &'static Param,
        item: &Spanned<DeValue<'_>>,
    ) -> Result<String, Problem> {
        let about = || format!("{key}: {} Default {}.", param.doc, param.default);
        let value = if param.is_flag {
            match item.get_ref() {
                DeValue::Boolean(yes) => f32::from(u8::from(*yes)),
                _ => return Err(self.kind(key, "true or false", item)),
            }
        } else {
            self.ranged(key, item, (f64::from(param.min), f64::from(param.max)))
                .map_err(|problem| problem.help(about()))? as f32
        };
        // 32-bit rounding must not push a bound over itself.
        let value = value.clamp(param.min, param.max);
        let axes = match table {
            "detector" => &mut self.detector,
            OWN => &mut self.own,
            _ => &mut self.release,
        };
        match axes.iter_mut().find(|axis| axis.key == key) {
            Some(axis) => axis.values.push(value),
            None => axes.push(Axis { key, is_flag: param.is_flag, values: vec![value] }),
        }
        Ok(value.to_string())
    }

    fn duty(&self, item: &Spanned<DeValue<'_>>) -> Result<Duty, Problem> {
        const WANT: &str = "\"always\" or { on_s = 60, every_s = 600 }";
        let entries = match item.get_ref() {
            DeValue::String(s) if s == "always" => return Ok(Duty::Always),
            DeValue::Table(entries) => entries,
            _ => return Err(self.kind("duty", WANT, item)),
        };
        let mut given = BTreeMap::new();
        for (key, value) in entries {
            let name: &str = key.get_ref();
            let Some(known) = ["on_s", "every_s"].into_iter().find(|k| *k == name) else {
                let near = nearest(name, ["on_s", "every_s"]).unwrap_or_default();
                return Err(self
                    .fail(
                        &key.span(),
                        &format!("unknown key {} in duty", shown(name.as_bytes())),
                        "not known",
                    )
                    .help(format!("nearest known key: {near}; {WANT} was expected")));
            };
            given.insert(known, self.ranged(known, value, ON_S)?);
        }
        let (Some(on_s), Some(every_s)) = (given.get("on_s"), given.get("every_s")) else {
            return Err(self.kind("duty", WANT, item));
        };
        if on_s >= every_s {
            return Err(self
                .fail(
                    &item.span(),
                    &format!("on_s must be smaller than every_s, got {on_s} and {every_s}"),
                    "this duty cycle",
                )
                .help("a tag that is awake all the time is written \"always\""));
        }
        let us = |s: f64| (s * 1e6).round() as u64;
        Ok(Duty::Cycle { on_us: us(*on_s), every_us: us(*every_s) })
    }

    fn kind(&self, key: &str, expected: &str, value: &Spanned<DeValue<'_>>) -> Problem {
        let got = one_line(self.text.get(value.span()).unwrap_or_default());
        let got: String = got.chars().take(40).collect();
        self.fail(&value.span(), &format!("{key} must be {expected}, got {got}"), "this value")
    }

    fn ranged(
        &self,
        key: &str,
        value: &Spanned<DeValue<'_>>,
        (min, max): (f64, f64),
    ) -> Result<f64, Problem> {
        let number = match value.get_ref() {
            DeValue::Integer(i) => {
                i64::from_str_radix(i.as_str(), i.radix()).ok().map(|v| v as f64)
            }
            DeValue::Float(f) => f.as_str().replace('_', "").parse::<f64>().ok(),
            _ => None,
        };
        let Some(v) = number else { return Err(self.kind(key, "a number", value)) };
        // Bounds of settings are 32-bit numbers.
        if v >= min - min.abs() * 1e-6 && v <= max + max.abs() * 1e-6 {
            return Ok(v);
        }
        let (min, max) = (min as f32, max as f32);
        Err(self.fail(
            &value.span(),
            &format!("{key} must lie between {min} and {max}, got {v}"),
            "this value",
        ))
    }
}

type Text<'a> = std::borrow::Cow<'a, str>;

/// Settings of a table by their keys on an axis.
fn settings_of(table: &str) -> impl Iterator<Item = (&'static str, &'static Param)> {
    let built_in = match table {
        "detector" => Detector::PARAMS,
        "release" => Release::PARAMS,
        _ => &[],
    };
    let own = (table == OWN).then(own::settings);
    built_in.iter().map(|p| (p.key, p)).chain(own.into_iter().flatten())
}

fn keys_of(table: &str) -> impl Iterator<Item = &'static str> {
    let named = TABLES.iter().find(|(name, _)| *name == table).map_or(&[][..], |(_, keys)| *keys);
    named.iter().copied().chain(settings_of(table).map(|(key, _)| key))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Grid, String> {
        Grid::parse("g.toml", text).map_err(|p| format!("{p} | {}", p.advice().unwrap_or_default()))
    }

    #[test]
    fn a_whole_file() {
        let grid = parse(
            "[sampling]\nrate_hz = [25, 12.5]\nthinning = \"skip\"\n\
             duty = [\"always\", { on_s = 0.5, every_s = 10 }]\n[record]\nraw = [true, false]\n\
             [detector]\nmin_sway_g = [0.002, 0.5]\n[release]\ndeath_daylight = [false, true]\n\
             ceiling_h = 24\n[pareto]\ngoals = [\"beat_f1\", \"on_animal_days\"]\n",
        )
        .unwrap();
        assert_eq!(grid.rate_hz, [25.0, 12.5]);
        assert_eq!(grid.thinning, [Thinning::Skip]);
        assert_eq!(grid.duty[1], Duty::Cycle { on_us: 500_000, every_us: 10_000_000 });
        assert_eq!(grid.raw, [true, false]);
        assert_eq!(grid.detector[0].values, [0.002, 0.5]);
        assert_eq!(grid.release.len(), 2);
        assert_eq!(grid.goals.len(), 2);
    }

    #[test]
    fn errors_name_line_key_reason_and_nearest() {
        for (text, wanted) in [
            ("", &["gives no choices", "rate_hz"][..]),
            ("[sampling]\nrate_hz = []\n", &["line 2", "rate_hz lists nothing"]),
            ("[sampling]\nrate_hz = [25, 25.0]\n", &["rate_hz lists 25 twice"]),
            ("[sampling]\nrate_hz = 400\n", &["rate_hz", "between 5 and 100", "400"]),
            ("[sampling]\nrate_hz = \"fast\"\n", &["rate_hz must be a number", "fast"]),
            ("[sampling]\nrate = 5\n", &["unknown key \"rate\"", "nearest known key: rate_hz"]),
            ("[samplin]\n", &["line 1", "nearest known table: [sampling]"]),
            ("rate_hz = 5\n", &["belongs under [sampling]"]),
            ("[release]\nmin_sway_g = 0.1\n", &["min_sway_g belongs under [detector]"]),
            ("[release]\nceiling_h = [48, 9000]\n", &["line 2", "ceiling_h", "4000", "9000"]),
            ("[release]\nceiling_h = nan\n", &["ceiling_h must lie between"]),
            ("[release]\ndeath_daylight = 1\n", &["true or false"]),
            ("[sampling]\nthinning = \"sinc\"\n", &["\"filter\" or \"skip\"", "sinc"]),
            ("[sampling]\nduty = 0.5\n", &["duty must be \"always\" or", "0.5"]),
            ("[sampling]\nduty = [{ on_s = 10 }]\n", &["duty must be"]),
            ("[sampling]\nduty = { on_s = 9, evry_s = 2 }\n", &["evry_s", "every_s"]),
            ("[sampling]\nduty = { on_s = 9, every_s = 9 }\n", &["on_s must be smaller"]),
            ("[sampling]\nduty = { on_s = -9, every_s = 9 }\n", &["on_s must lie between"]),
            ("[record]\nraw = [1]\n", &["raw must be true or false"]),
            ("[pareto]\ngoals = \"beat\"\n", &["unknown goal \"beat\"", "beat_f1"]),
            ("[sampling\n", &["line 1", "not valid TOML"]),
            ("[sampling]\nrate_hz = 5\nrate_hz = 6\n", &["line 3", "not valid TOML"]),
        ] {
            let error = parse(text).unwrap_err();
            for want in wanted {
                assert!(error.contains(want), "{text:?}: {want:?} not in {error:?}");
            }
        }
        let many: Vec<String> = (0..400).map(|n| format!("0.{:03}", n + 2)).collect();
        let many = many.join(", ");
        let huge = format!("[detector]\nmin_sway_g = [{many}]\nmissed_death_prob = [{many}]\n");
        let error = parse(&huge).unwrap_err();
        assert!(error.contains("160000 cells; at most 20000"), "{error}");
    }
}

//! Understands a deployment file, table by table, each value with its place.

use std::borrow::Cow;
use std::ops::Range;

use firmware_core::config::{Breathing, ConfigError, Detector, Param, Release};
use toml::Spanned;
use toml::de::DeValue;

use super::{Deployment, START_UNIX_S, TruthSource};
use crate::own::{self, given};
use crate::problem::{Problem, nearest, shown};
use crate::toml_text::{located, one_line};
use crate::trace::COLUMNS;

const TABLES: [(&str, &[&str]); 5] = [
    (
        "deployment",
        &[
            "id",
            "start_utc",
            "release_utc",
            "end_utc",
            "latitude_deg",
            "longitude_deg",
            "truth",
            "family",
            "notes",
        ],
    ),
    ("animal", &["breathing", "length_m"]),
    (
        "logger",
        &["sample_hz", "range_g", "counts_per_g", "mount_deg", "tag", "cell_mah", "memory_mib"],
    ),
    ("detector", &[]),
    ("release", &[]),
];

pub(super) fn params_of(table: &str) -> &'static [Param] {
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

/// Reads a deployment file, table by table.
pub(super) struct Reader {
    /// As far as it is read.
    pub(super) deployment: Deployment,
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

    /// Takes a table of the file.
    pub(super) fn table(
        &mut self,
        key: &Spanned<Cow<'_, str>>,
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
                let own = own::registered().is_some_and(|own| own.name == name);
                if table == "detector" && (own || matches!(value.get_ref(), DeValue::Table(_))) {
                    self.own(key, value)?;
                    continue;
                }
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

    /// `[detector.NAME]`: settings of the registered detector.
    fn own(
        &mut self,
        key: &Spanned<Cow<'_, str>>,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<(), Problem> {
        let entries = given::entries(key, value, |at, what, label| self.fail(at, what, label))?;
        for (key, value) in entries {
            let (n, known, param) =
                given::setting(key, |at, what, label| self.fail(at, what, label))?;
            self.deployment.spans.insert(known.to_owned(), value.span());
            let number = self.setting(known, param, value)?;
            let checked = own::checked(known, param, number);
            let checked = checked.map_err(|error| self.out_of_range(error, known, param))?;
            if let Some(slot) = self.deployment.own.get_mut(n) {
                *slot = checked;
            }
        }
        Ok(())
    }

    /// The number of a setting; 0 or 1 for a yes/no choice.
    fn setting(
        &self,
        key: &str,
        param: &Param,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<f32, Problem> {
        if !param.is_flag {
            return Ok(self.number(key, value)? as f32);
        }
        match value.get_ref() {
            DeValue::Boolean(yes) => Ok(f32::from(u8::from(*yes))),
            _ => Err(self.kind(key, "true or false", value)),
        }
    }

    fn out_of_range(&self, error: ConfigError, key: &str, param: &Param) -> Problem {
        let problem = self.deployment.config_problem(error);
        problem.help(format!("{key}: {} Default {}.", param.doc, param.default))
    }

    fn value(
        &mut self,
        table: &str,
        key: &'static str,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<(), Problem> {
        if let Some(param) = params_of(table).iter().find(|p| p.key == key) {
            let number = self.setting(key, param, value)?;
            let set = match table {
                "detector" => self.deployment.detector.set(key, number),
                _ => self.deployment.release.set(key, number),
            };
            return set.map_err(|error| self.out_of_range(error, key, param));
        }
        match key {
            "tag" => self.deployment.tag = Some(self.string(key, value)?),
            "id" => self.deployment.id = Some(self.string(key, value)?),
            "family" => self.deployment.family = Some(self.string(key, value)?),
            "notes" => self.deployment.notes = Some(self.string(key, value)?),
            "start_utc" => self.deployment.start_unix_us = Some(self.time(key, value)?),
            "release_utc" => self.deployment.release_unix_us = Some(self.time(key, value)?),
            "end_utc" => self.deployment.end_unix_us = Some(self.time(key, value)?),
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

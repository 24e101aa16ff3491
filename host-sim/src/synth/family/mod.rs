//! Families: deployments whose every parameter is drawn from a stated distribution.
//!
//! A family is a TOML file (`host-sim/families`, or the user's own). What it does not
//! state it takes from the family it is `like`, and at last from `common`. Every
//! key is drawn from a stream of its own, made of the family's name, the seed and
//! the key: the same three, in the same version, give the same trace, and a change
//! of one distribution leaves the draws of all others alone.

#[cfg(test)]
mod data;
mod keys;
mod law;
mod plan;
mod read;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::path::Path;

use toml::de::DeValue;

use crate::problem::{Problem, nearest, shown};
use crate::toml_text;
use keys::{KEYS, find};
use law::Law;
pub(crate) use plan::Instead;
use read::File;

use super::draws::{Draws, Part};

/// First seed that is for judging; those below are for tuning.
pub const FIRST_JUDGED_SEED: u64 = 1000;

macro_rules! bundled {
    ($($name:literal),* $(,)?) => {
        &[$(($name, include_str!(concat!("../../../families/", $name, ".toml")))),*]
    };
}

/// The bundled families: name and text. `common` is what the others start from.
pub const BUNDLED: &[(&str, &str)] = bundled![
    "common",
    "ram-survivor",
    "yoyo-survivor",
    "roll-survivor",
    "lively-survivor",
    "buccal-survivor",
    "tidal-rester",
    "loose-mount",
    "fouled",
    "clock-and-cold",
    "sensor-fault",
    "ram-death",
    "buccal-death",
    "stray-death",
    "predation",
    "float-off",
    "bottom-off",
    "dangling",
    "hard",
];

/// A distribution with its source.
#[derive(Clone, Debug)]
struct Stated {
    law: Law,
    source: Option<String>,
}

/// A family of deployments.
#[derive(Clone, Debug)]
pub struct Family {
    /// Its name: part of what a seed gives.
    pub name: String,
    /// What it is about, in a line.
    pub summary: String,
    stated: BTreeMap<&'static str, Stated>,
}

impl Family {
    /// A bundled family by name.
    pub fn bundled(name: &str) -> Option<Self> {
        let (name, text) = BUNDLED.iter().find(|b| b.0 == name)?;
        Self::parse(&format!("{name}.toml"), text).ok()
    }

    /// Names of the bundled families that are meant to be made.
    pub fn names() -> impl Iterator<Item = &'static str> {
        BUNDLED.iter().map(|b| b.0).filter(|n| *n != "common")
    }

    /// Reads a user's family file.
    ///
    /// # Errors
    /// As for [`Family::parse`], and a file that cannot be read.
    pub fn load(path: &Path) -> Result<Self, Problem> {
        let name = path.display().to_string();
        let text = std::fs::read_to_string(path)
            .map_err(|e| Problem::new(format!("{name}: cannot be read: {e}")))?;
        Self::parse(&name, &text)
    }

    /// Understands the text of a family file called `file_name`.
    ///
    /// # Errors
    /// Text that is not TOML, unknown tables, keys, words or distributions, values out
    /// of range; each with line and column and what was expected.
    pub fn parse(file_name: &str, text: &str) -> Result<Self, Problem> {
        Self::parse_like(file_name, text, 0)
    }

    fn parse_like(file_name: &str, text: &str, depth: u32) -> Result<Self, Problem> {
        let file = File { name: file_name, text };
        let root = toml_text::table(file_name, text)?;
        let stem = Path::new(file_name).file_stem().unwrap_or_default().to_string_lossy();
        let mut family =
            Self { name: stem.into_owned(), summary: String::new(), stated: BTreeMap::new() };
        // `common` itself starts from nothing.
        let first = depth > 0 && family.name == "common";
        let mut like = "common".to_owned();
        let mut own = BTreeMap::new();
        for (table, value) in root.get_ref() {
            let table_name: &str = table.get_ref();
            let DeValue::Table(entries) = value.get_ref() else {
                return Err(file.fail(
                    &value.span(),
                    &format!("{table_name} must be a table, written [{table_name}]"),
                    "not a table",
                ));
            };
            for (key, value) in entries {
                let name: &str = key.get_ref();
                if table_name == "family" {
                    match name {
                        "summary" => family.summary = file.text_of(name, value)?,
                        "like" => {
                            let of = file.text_of(name, value)?;
                            if !BUNDLED.iter().any(|b| b.0 == of) {
                                let problem = file.fail(
                                    &value.span(),
                                    &format!("no bundled family {}", shown(of.as_bytes())),
                                    "not known",
                                );
                                return Err(match nearest(&of, BUNDLED.iter().map(|b| b.0)) {
                                    Some(near) => problem.help(format!("did you mean {near}?")),
                                    None => problem,
                                });
                            }
                            like = of;
                        }
                        _ => {
                            return Err(file.fail(
                                &key.span(),
                                "[family] holds summary and like only",
                                "not known",
                            ));
                        }
                    }
                    continue;
                }
                let path = format!("{table_name}.{name}");
                let Some(known) = find(&path) else {
                    let problem = file.fail(
                        &key.span(),
                        &format!("unknown key {} in [{table_name}]", shown(name.as_bytes())),
                        "not known",
                    );
                    return Err(match nearest(&path, KEYS.iter().map(|k| k.path)) {
                        Some(near) => problem.help(format!("nearest known key: {near}")),
                        None => problem,
                    });
                };
                let (law, source) = Law::read(&file, known, value)?;
                own.insert(known.path, Stated { law, source });
            }
        }
        if depth > 4 {
            return Err(Problem::new(format!(
                "{file_name}: families are like each other in a ring"
            )));
        }
        let base = BUNDLED.iter().find(|b| !first && b.0 == like);
        if let Some((name, text)) = base {
            family.stated = Self::parse_like(&format!("{name}.toml"), text, depth + 1)?.stated;
        }
        family.stated.extend(own);
        if let Some(missing) = KEYS.iter().find(|k| !family.stated.contains_key(k.path)) {
            return Err(Problem::new(format!("{file_name}: {} is not stated", missing.path)));
        }
        Ok(family)
    }

    /// The stream of draws called `what` of this family and seed.
    fn stream(&self, what: &str, seed: u64) -> Draws {
        Draws::new(&format!("family {} {what}", self.name), seed, Part::Plan)
    }

    fn draw_all(&self, seed: u64) -> Drawn {
        Drawn(
            self.stated
                .iter()
                .map(|(path, s)| (*path, s.law.draw(&mut self.stream(path, seed))))
                .collect(),
        )
    }

    /// Every key with its distribution and source, as a table in Markdown.
    pub fn table(&self) -> String {
        let mut out =
            String::from("| key | drawn | source | what it is |\n| --- | --- | --- | --- |\n");
        for key in KEYS {
            let Some(s) = self.stated.get(key.path) else { continue };
            out += &format!(
                "| `{}` | {} | {} | {} |\n",
                key.path,
                s.law.describe(key),
                s.source.as_deref().unwrap_or(""),
                key.doc
            );
        }
        out
    }
}

/// What a seed drew, by key.
#[derive(Clone, Debug)]
pub(crate) struct Drawn(BTreeMap<&'static str, f64>);

impl Drawn {
    /// The number drawn for `path`.
    fn get(&self, path: &str) -> f64 {
        debug_assert!(self.0.contains_key(path), "{path}");
        self.0.get(path).copied().unwrap_or(0.0)
    }

    fn is(&self, path: &str) -> bool {
        self.get(path) >= 0.5
    }

    fn word(&self, path: &str) -> &'static str {
        match find(path).map(|k| k.kind) {
            Some(keys::Kind::Word(words)) => words.get(self.get(path) as usize).unwrap_or(&""),
            _ => "",
        }
    }

    /// As TOML, one key a line.
    fn toml(&self) -> String {
        KEYS.iter()
            .filter_map(|k| {
                self.0.get(k.path).map(|&x| format!("\"{}\" = {}\n", k.path, k.shown(x)))
            })
            .collect()
    }
}

//! Reads the tables of a tag file by the list of keys, before anything is made of
//! them: every key known, every value of its kind and in its range, every figure
//! with a source.

use std::collections::BTreeMap;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::figure::{Curve, Figure};
use super::keys::{self, Key, Need, TABLES, Table};
use super::units;
use super::values::rounded;
use crate::problem::{Problem, nearest, shown};
use crate::toml_text::{located, one_line};

/// Charge of one uA over a day, mAh.
const MAH_PER_DAY_OF_UA: f64 = 0.024;

/// The file being read.
#[derive(Clone, Copy)]
pub(super) struct Doc<'a> {
    pub name: &'a str,
    pub text: &'a str,
}

impl Doc<'_> {
    pub fn fail(&self, span: &Range<usize>, message: &str, label: &str) -> Problem {
        located(self.name, self.text, span, message, label)
    }

    /// What stands at a value, for a message.
    pub fn told(&self, value: &Spanned<DeValue<'_>>) -> String {
        match value.get_ref() {
            DeValue::String(s) => shown(s.as_bytes()),
            _ => {
                let got = self.text.get(value.span()).unwrap_or_default();
                shown(one_line(got).as_bytes()).trim_matches('"').to_owned()
            }
        }
    }
}

/// A value of the right kind.
#[derive(Clone, Debug)]
pub(super) enum Value {
    Text(String),
    Names(Vec<(String, Range<usize>)>),
    Flag(bool),
    Number(f64),
    Figure(Figure),
    Curve(Curve),
}

/// One table of the file, checked.
pub(super) struct Section<'a> {
    pub doc: Doc<'a>,
    pub table: &'static Table,
    /// As a person finds it: `[cell]`, `[[phase]] "drift"`.
    pub title: String,
    /// Start of its keys: `cell`, `phase.drift`.
    pub path: String,
    pub span: Range<usize>,
    pub(super) values: BTreeMap<&'static str, (Value, Range<usize>)>,
}

/// All tables of a document, in the order of the file for those that may be many.
pub(super) fn sections<'a>(
    doc: Doc<'a>,
    root: &DeTable<'_>,
) -> Result<BTreeMap<&'static str, Vec<Section<'a>>>, Problem> {
    let mut all: BTreeMap<&'static str, Vec<Section<'a>>> = BTreeMap::new();
    for (key, value) in root {
        let name: &str = key.get_ref();
        let Some(table) = keys::table(name) else {
            return Err(unknown_table(doc, name, &key.span()));
        };
        let wrong = |how: &str| {
            doc.fail(&value.span(), &format!("{name} must be {how}"), "not such a table")
        };
        let list = all.entry(table.name).or_default();
        match (table.many, value.get_ref()) {
            (false, DeValue::Table(entries)) => {
                list.push(Section::read(doc, table, entries, key.span())?);
            }
            (true, DeValue::Array(items)) => {
                for item in items.iter() {
                    let DeValue::Table(entries) = item.get_ref() else {
                        return Err(wrong(&format!("tables, each written [[{name}]]")));
                    };
                    list.push(Section::read(doc, table, entries, item.span())?);
                }
            }
            (false, _) => return Err(wrong(&format!("one table, written [{name}]"))),
            (true, _) => {
                return Err(wrong(&format!("written [[{name}]], as there may be several")));
            }
        }
    }
    for table in TABLES.iter().filter(|t| t.must) {
        if all.get(table.name).is_none_or(Vec::is_empty) {
            let (open, close) = if table.many { ("[[", "]]") } else { ("[", "]") };
            return Err(Problem::new(format!(
                "{}: {open}{}{close} is missing; a tag file needs it",
                doc.name, table.name
            ))
            .help(table.doc));
        }
    }
    Ok(all)
}

fn unknown_table(doc: Doc<'_>, name: &str, span: &Range<usize>) -> Problem {
    let problem =
        doc.fail(span, &format!("unknown part {}", shown(name.as_bytes())), "no part of a tag");
    if let Some(home) = TABLES.iter().find(|t| t.key(name).is_some()) {
        return problem.help(format!("{name} is a key; it belongs under [{}]", home.name));
    }
    let all: Vec<_> = TABLES.iter().map(|t| t.name).collect();
    let near = nearest(name, all.iter().copied()).unwrap_or_default();
    problem.help(format!(
        "nearest known table: {near}; tables: {}. Any other part is a [[load]]",
        all.join(", ")
    ))
}

impl<'a> Section<'a> {
    fn read(
        doc: Doc<'a>,
        table: &'static Table,
        entries: &DeTable<'_>,
        span: Range<usize>,
    ) -> Result<Self, Problem> {
        let mut title =
            if table.many { format!("[[{}]]", table.name) } else { format!("[{}]", table.name) };
        let mut path = table.name.to_owned();
        if table.many
            && let Some(name) = entries.get("name")
            && let DeValue::String(s) = name.get_ref()
        {
            title = format!("{title} {}", shown(s.as_bytes()));
            path = format!("{path}.{s}");
        }
        let mut section = Section { doc, table, title, path, span, values: BTreeMap::new() };
        let common = section.common(entries)?;
        for (key, value) in entries {
            let name: &str = key.get_ref();
            if table.has_figures() && (name == "source" || name == "sd_percent") {
                continue;
            }
            let Some((known, factor)) = section.known(name) else {
                return Err(section.unknown(name, &key.span(), value));
            };
            let read = section.value(known, name, factor, value, &common)?;
            if section.values.insert(known.name, (read, value.span())).is_some() {
                return Err(doc.fail(
                    &key.span(),
                    &format!("{name}: {} is given already, in another unit", known.name),
                    "one of the two",
                ));
            }
        }
        for key in table.keys {
            if matches!(key.need, Need::Must) && !section.values.contains_key(key.name) {
                let mut problem = section.lacks(key.name);
                if key.name.ends_with("_ua") {
                    let other = key.name.replace("_ua", "_mah_per_day");
                    problem = section.lacks(&format!("{} (or {other})", key.name));
                }
                return Err(problem.help(key.doc));
            }
        }
        Ok(section)
    }

    /// A table that the file `name` does not have: every key is at its default.
    pub(super) fn absent(name: &'a str, table: &str) -> Result<Self, Problem> {
        let Some(table) = keys::table(table) else {
            return Err(Problem::new(format!("{name}: no table is called {table}")));
        };
        Ok(Section {
            doc: Doc { name, text: "" },
            table,
            title: format!("[{}]", table.name),
            path: table.name.to_owned(),
            span: 0..0,
            values: BTreeMap::new(),
        })
    }

    /// `source` and `sd_percent` of the whole table.
    fn common(&self, entries: &DeTable<'_>) -> Result<(Option<String>, f64), Problem> {
        if !self.table.has_figures() {
            return Ok((None, 0.0));
        }
        let source = match entries.get("source") {
            Some(value) => Some(self.source(value)?),
            None => None,
        };
        let sd = match entries.get("sd_percent") {
            Some(value) => self.ranged("sd_percent", value, 0.0, 100.0, 1.0)? / 100.0,
            None => 0.0,
        };
        Ok((source, sd))
    }

    pub(super) fn source(&self, value: &Spanned<DeValue<'_>>) -> Result<String, Problem> {
        match value.get_ref() {
            DeValue::String(s) if !s.trim().is_empty() => Ok(s.to_string()),
            _ => Err(self.kind("source", "text that says where the figure comes from", value)),
        }
    }

    /// The key called `name`, or the current for which a charge a day is given, and
    /// the factor between them.
    fn known(&self, name: &str) -> Option<(&'static Key, f64)> {
        if let Some(key) = self.table.key(name) {
            return Some((key, 1.0));
        }
        let stem = name.find("mah_per_day")?;
        let as_current = format!("{}current_ua{}", &name[..stem], &name[stem + 11..]);
        let plain = name.replacen("mah_per_day", "ua", 1);
        let key = self.table.key(&plain).or_else(|| self.table.key(&as_current))?;
        Some((key, 1.0 / MAH_PER_DAY_OF_UA))
    }

    fn unknown(&self, name: &str, span: &Range<usize>, value: &Spanned<DeValue<'_>>) -> Problem {
        if let Some((key, factor)) = units::same_figure(name, self.table) {
            let unit = units::spoken(key);
            let problem = self.doc.fail(
                span,
                &format!(
                    "unknown key {} in {}: wrong unit, this figure is given in {unit}",
                    shown(name.as_bytes()),
                    self.title
                ),
                "not this unit",
            );
            let number = match value.get_ref() {
                DeValue::Integer(i) => {
                    i64::from_str_radix(i.as_str(), i.radix()).ok().map(|v| v as f64)
                }
                DeValue::Float(f) => f.as_str().parse::<f64>().ok(),
                _ => None,
            };
            return problem.help(match (factor, number) {
                (Some(factor), Some(number)) => {
                    format!("write {key} = {}", rounded(number * factor))
                }
                _ => format!("write {key}, in {unit}"),
            });
        }
        let problem = self.doc.fail(
            span,
            &format!("unknown key {} in {}", shown(name.as_bytes()), self.title),
            "not known",
        );
        if name == "source" || name == "sd_percent" {
            return problem.help(format!("{} holds no figures", self.title));
        }
        if let Some(home) =
            TABLES.iter().find(|t| t.name != self.table.name && t.key(name).is_some())
        {
            return problem.help(format!("{name} belongs under [{}]", home.name));
        }
        match nearest(name, self.table.keys.iter().map(|k| k.name)) {
            Some(near) => problem.help(format!("nearest known key: {near}")),
            None => problem,
        }
    }

    pub(super) fn lacks(&self, what: &str) -> Problem {
        self.doc.fail(&self.span, &format!("{what} is missing in {}", self.title), "this table")
    }
}

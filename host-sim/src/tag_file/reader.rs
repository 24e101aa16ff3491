//! Reads the tables of a tag file by the list of keys, before anything is made of
//! them: every key known, every value of its kind and in its range, every figure
//! with a source.

use std::collections::BTreeMap;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::figure::{Curve, Figure, Spread};
use super::keys::{self, Key, Kind, Need, TABLES, Table};
use super::units;
use crate::deployment::{located, one_line};
use crate::problem::{Problem, nearest, shown};

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
    fn told(&self, value: &Spanned<DeValue<'_>>) -> String {
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
enum Value {
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
    values: BTreeMap<&'static str, (Value, Range<usize>)>,
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

    fn source(&self, value: &Spanned<DeValue<'_>>) -> Result<String, Problem> {
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

    fn value(
        &self,
        key: &'static Key,
        name: &str,
        factor: f64,
        value: &Spanned<DeValue<'_>>,
        common: &(Option<String>, f64),
    ) -> Result<Value, Problem> {
        match key.kind {
            Kind::Text => match value.get_ref() {
                DeValue::String(s) if !s.trim().is_empty() => Ok(Value::Text(s.to_string())),
                _ => Err(self.kind(name, "text in quotes", value)),
            },
            Kind::Word(words) => match value.get_ref() {
                DeValue::String(s) if words.contains(&&**s) => Ok(Value::Text(s.to_string())),
                _ => Err(self.kind(name, &listed(words), value)),
            },
            Kind::Flag => match value.get_ref() {
                DeValue::Boolean(yes) => Ok(Value::Flag(*yes)),
                _ => Err(self.kind(name, "true or false", value)),
            },
            Kind::Names => self.names(name, value),
            Kind::Choice(min, max) => Ok(Value::Number(self.ranged(name, value, min, max, 1.0)?)),
            Kind::Count(min, max) => {
                let number = self.ranged(name, value, min, max, 1.0)?;
                if number.fract() != 0.0 {
                    return Err(self.kind(name, "a whole number", value));
                }
                Ok(Value::Number(number))
            }
            Kind::Figure(min, max) => {
                let (inner, spread, source) = self.detailed(name, "value", value, common)?;
                let number = self.ranged(name, inner, min, max, factor)?;
                let key = format!("{}.{}", self.path, key.name);
                Ok(Value::Figure(Figure { key, value: number, spread, source }))
            }
            Kind::Curve(x, y) | Kind::Steps(x, y) => {
                let (inner, spread, source) = self.detailed(name, "table", value, common)?;
                let rising = matches!(key.kind, Kind::Curve(..));
                let points = self.points(name, inner, x, y, factor, rising)?;
                if matches!(spread, Spread::Absolute(_)) {
                    return Err(self.doc.fail(
                        &value.span(),
                        &format!("{name}: sd is for single numbers; a table takes sd_percent"),
                        "this table",
                    ));
                }
                let key = format!("{}.{}", self.path, key.name);
                let scale = Figure { key: key.clone(), value: 1.0, spread, source };
                Ok(Value::Curve(Curve { key, points, scale }))
            }
        }
    }

    /// A figure alone, or `{ value = 3, sd_percent = 10, source = "..." }`.
    fn detailed<'v, 'i>(
        &self,
        name: &str,
        inner: &str,
        value: &'v Spanned<DeValue<'i>>,
        common: &(Option<String>, f64),
    ) -> Result<(&'v Spanned<DeValue<'i>>, Spread, String), Problem> {
        let mut spread = Spread::Part(common.1);
        let mut source = common.0.clone();
        let mut number = None;
        if let DeValue::Table(entries) = value.get_ref() {
            for (key, v) in entries {
                match &**key.get_ref() {
                    n if n == inner => number = Some(v),
                    "source" => source = Some(self.source(v)?),
                    "sd_percent" => {
                        spread =
                            Spread::Part(self.ranged("sd_percent", v, 0.0, 100.0, 1.0)? / 100.0);
                    }
                    "sd" => spread = Spread::Absolute(self.ranged("sd", v, 0.0, 1e6, 1.0)?),
                    other => {
                        return Err(self
                            .doc
                            .fail(
                                &key.span(),
                                &format!("{name}: unknown key {}", shown(other.as_bytes())),
                                "not known",
                            )
                            .help(format!("known are {inner}, sd_percent, sd and source")));
                    }
                }
            }
            if number.is_none() {
                return Err(self.doc.fail(
                    &value.span(),
                    &format!("{name}: {inner} is missing"),
                    "this figure",
                ));
            }
        }
        let Some(source) = source else {
            return Err(self
                .doc
                .fail(
                    &value.span(),
                    &format!("{name} in {} has no source; every figure needs one", self.title),
                    "where does this come from?",
                )
                .help(format!(
                    "write source = \"...\" in {}, for all its figures, or {name} = {{ {inner} = \
                     ..., source = \"...\" }}",
                    self.title
                )));
        };
        Ok((number.unwrap_or(value), spread, source))
    }

    fn points(
        &self,
        name: &str,
        value: &Spanned<DeValue<'_>>,
        x: [f64; 2],
        y: [f64; 2],
        factor: f64,
        rising: bool,
    ) -> Result<Vec<[f64; 2]>, Problem> {
        let expected = "pairs of numbers, [[a, b], [c, d]]";
        let DeValue::Array(items) = value.get_ref() else {
            return Err(self.kind(name, expected, value));
        };
        let mut points: Vec<[f64; 2]> = Vec::new();
        for item in items.iter() {
            let DeValue::Array(pair) = item.get_ref() else {
                return Err(self.kind(name, expected, item));
            };
            let mut pair = pair.iter();
            let (Some(a), Some(b), None) = (pair.next(), pair.next(), pair.next()) else {
                return Err(self.kind(name, expected, item));
            };
            let a_value =
                self.ranged(&format!("{name}, first number of a pair"), a, x[0], x[1], 1.0)?;
            let b_value =
                self.ranged(&format!("{name}, second number of a pair"), b, y[0], y[1], factor)?;
            if rising && points.last().is_some_and(|last| a_value <= last[0]) {
                return Err(self.doc.fail(
                    &a.span(),
                    &format!(
                        "{name}: the first numbers must rise from pair to pair, got {a_value} after {}",
                        points.last().map_or(0.0, |p| p[0])
                    ),
                    "not above the one before",
                ));
            }
            points.push([a_value, b_value]);
        }
        if points.is_empty() {
            return Err(self.kind(name, "at least one pair of numbers", value));
        }
        Ok(points)
    }

    fn names(&self, name: &str, value: &Spanned<DeValue<'_>>) -> Result<Value, Problem> {
        let expected = "a list of names, [\"a\", \"b\"]";
        let DeValue::Array(items) = value.get_ref() else {
            return Err(self.kind(name, expected, value));
        };
        let mut names: Vec<(String, Range<usize>)> = Vec::new();
        for item in items.iter() {
            let DeValue::String(s) = item.get_ref() else {
                return Err(self.kind(name, expected, item));
            };
            if names.iter().any(|(n, _)| n == s) {
                return Err(self.doc.fail(
                    &item.span(),
                    &format!("{name}: {} is named twice", shown(s.as_bytes())),
                    "again",
                ));
            }
            names.push((s.to_string(), item.span()));
        }
        Ok(Value::Names(names))
    }

    /// A number of the file; `factor` brings it to the unit of the range.
    fn ranged(
        &self,
        name: &str,
        value: &Spanned<DeValue<'_>>,
        min: f64,
        max: f64,
        factor: f64,
    ) -> Result<f64, Problem> {
        let number = match value.get_ref() {
            DeValue::Integer(i) => {
                i64::from_str_radix(i.as_str(), i.radix()).ok().map(|v| v as f64)
            }
            DeValue::Float(f) => f.as_str().parse::<f64>().ok(),
            _ => None,
        };
        let unit = units::spoken(name);
        let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
        let Some(number) = number else {
            let mut expected = String::from("a number");
            if !unit.is_empty() {
                expected += &format!(" in{unit} (the unit stands in the key)");
            }
            return Err(self.kind(name, &expected, value));
        };
        let converted = number * factor;
        if converted >= min && converted <= max {
            return Ok(converted);
        }
        let (min, max) = (rounded(min / factor), rounded(max / factor));
        let why = if number < 0.0 && min >= 0.0 {
            " It cannot be negative."
        } else if number == 0.0 && min > 0.0 {
            " It cannot be zero."
        } else {
            ""
        };
        Err(self.doc.fail(
            &value.span(),
            &format!(
                "{name} in {} must lie between {min} and {max}{unit}, got {}.{why}",
                self.title,
                self.doc.told(value)
            ),
            "out of range",
        ))
    }

    fn kind(&self, name: &str, expected: &str, value: &Spanned<DeValue<'_>>) -> Problem {
        self.doc.fail(
            &value.span(),
            &format!("{name} in {} must be {expected}, got {}", self.title, self.doc.told(value)),
            "this value",
        )
    }

    fn lacks(&self, what: &str) -> Problem {
        self.doc.fail(&self.span, &format!("{what} is missing in {}", self.title), "this table")
    }

    // --- what the makers of the parts ask for ---

    /// A problem with the value of `key`, or with the table where it has none.
    pub fn fail_at(&self, key: &str, message: &str) -> Problem {
        let span = self.values.get(key).map_or(&self.span, |(_, span)| span);
        self.doc.fail(span, &format!("{}: {message}", self.title), "here")
    }

    /// True where the file gives `key`.
    pub fn has(&self, key: &str) -> bool {
        self.values.contains_key(key)
    }

    /// The figure `key`, or its default.
    pub fn figure(&self, key: &str) -> Result<Figure, Problem> {
        match self.may_figure(key) {
            Some(figure) => Ok(figure),
            None => match self.table.key(key).map(|k| k.need) {
                Some(Need::Default(value, from)) => Ok(Figure {
                    key: format!("{}.{key}", self.path),
                    value,
                    spread: Spread::Part(0.0),
                    source: format!("default: {from}"),
                }),
                _ => Err(self.lacks(key)),
            },
        }
    }

    /// The figure `key`, if the file gives it.
    pub fn may_figure(&self, key: &str) -> Option<Figure> {
        match self.values.get(key) {
            Some((Value::Figure(figure), _)) => Some(figure.clone()),
            _ => None,
        }
    }

    /// The choice `key`, or its default.
    pub fn number(&self, key: &str) -> Result<f64, Problem> {
        match (self.may_number(key), self.table.key(key).map(|k| k.need)) {
            (Some(number), _) | (None, Some(Need::Default(number, _))) => Ok(number),
            _ => Err(self.lacks(key)),
        }
    }

    /// The choice `key`, if the file gives it.
    pub fn may_number(&self, key: &str) -> Option<f64> {
        match self.values.get(key) {
            Some((Value::Number(number), _)) => Some(*number),
            _ => None,
        }
    }

    /// The curve `key`, if the file gives it.
    pub fn may_curve(&self, key: &str) -> Option<Curve> {
        match self.values.get(key) {
            Some((Value::Curve(curve), _)) => Some(curve.clone()),
            _ => None,
        }
    }

    /// The curve `key`.
    pub fn curve(&self, key: &str) -> Result<Curve, Problem> {
        self.may_curve(key).ok_or_else(|| self.lacks(key))
    }

    /// The text or word `key`, if the file gives it.
    pub fn may_text(&self, key: &str) -> Option<&str> {
        match self.values.get(key) {
            Some((Value::Text(text), _)) => Some(text),
            _ => None,
        }
    }

    /// The text or word `key`.
    pub fn text(&self, key: &str) -> Result<String, Problem> {
        self.may_text(key).map(str::to_owned).ok_or_else(|| self.lacks(key))
    }

    /// The flag `key`, if the file gives it.
    pub fn may_flag(&self, key: &str) -> Option<bool> {
        match self.values.get(key) {
            Some((Value::Flag(yes), _)) => Some(*yes),
            _ => None,
        }
    }

    /// The names under `key`, with their places.
    pub fn name_list(&self, key: &str) -> &[(String, Range<usize>)] {
        match self.values.get(key) {
            Some((Value::Names(names), _)) => names,
            _ => &[],
        }
    }
}

/// `"a" or "b"`.
fn listed(words: &[&str]) -> String {
    let quoted: Vec<_> = words.iter().map(|w| format!("{w:?}")).collect();
    match quoted.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
        None => String::new(),
    }
}

/// A number without the dust of a conversion.
fn rounded(x: f64) -> f64 {
    format!("{x:.9e}").parse().unwrap_or(x)
}

//! Values of a tag file: of the right kind, in range, with a source.

use std::ops::Range;

use toml::Spanned;
use toml::de::DeValue;

use super::figure::{Curve, Figure, Spread};
use super::keys::{Key, Kind};
use super::reader::{Section, Value};
use super::units;
use crate::problem::{Problem, shown};

impl Section<'_> {
    pub(super) fn value(
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
    pub(super) fn ranged(
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

    pub(super) fn kind(&self, name: &str, expected: &str, value: &Spanned<DeValue<'_>>) -> Problem {
        self.doc.fail(
            &value.span(),
            &format!("{name} in {} must be {expected}, got {}", self.title, self.doc.told(value)),
            "this value",
        )
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
pub(super) fn rounded(x: f64) -> f64 {
    format!("{x:.9e}").parse().unwrap_or(x)
}

//! What the makers of the parts ask a checked table for.

use std::ops::Range;

use super::figure::{Curve, Figure, Spread};
use super::keys::Need;
use super::reader::{Section, Value};
use crate::problem::Problem;

impl Section<'_> {
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

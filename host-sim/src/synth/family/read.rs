//! Reading a family file: values with their place, for errors that point.

use std::ops::Range;

use toml::Spanned;
use toml::de::DeValue;

use crate::problem::Problem;
use crate::toml_text::located;

/// The text of a family file, and its name for messages.
pub(crate) struct File<'a> {
    pub(crate) name: &'a str,
    pub(crate) text: &'a str,
}

impl File<'_> {
    pub(crate) fn fail(&self, span: &Range<usize>, message: &str, label: &str) -> Problem {
        located(self.name, self.text, span, message, label)
    }

    pub(crate) fn number(&self, key: &str, value: &Spanned<DeValue<'_>>) -> Result<f64, Problem> {
        let number = match value.get_ref() {
            DeValue::Integer(i) => {
                i64::from_str_radix(i.as_str(), i.radix()).ok().map(|v| v as f64)
            }
            DeValue::Float(f) => f.as_str().parse::<f64>().ok().filter(|v| v.is_finite()),
            _ => None,
        };
        number.ok_or_else(|| {
            self.fail(&value.span(), &format!("{key} must be a number"), "not a number")
        })
    }

    pub(crate) fn numbers(&self, value: &Spanned<DeValue<'_>>) -> Result<Vec<f64>, Problem> {
        match value.get_ref() {
            DeValue::Array(items) => items.iter().map(|i| self.number("each", i)).collect(),
            _ => Err(self.fail(&value.span(), "a list of numbers is expected", "here")),
        }
    }

    pub(crate) fn text_of(
        &self,
        key: &str,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<String, Problem> {
        match value.get_ref() {
            DeValue::String(s) => Ok(s.to_string()),
            _ => Err(self.fail(&value.span(), &format!("{key} must be text in quotes"), "here")),
        }
    }
}

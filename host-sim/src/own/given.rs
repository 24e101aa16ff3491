//! `[detector.NAME]` as a deployment file or a grid gives it.

use std::borrow::Cow;
use std::ops::Range;

use firmware_core::config::Param;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{absent, registered, settings};
use crate::problem::{Problem, nearest, shown};

/// The entries of the table; `fail` makes an error of a place, a message and a label.
///
/// # Errors
/// A name that is not that of the registered detector, or a value that is no table.
pub fn entries<'a>(
    key: &Spanned<Cow<'_, str>>,
    value: &'a Spanned<DeValue<'_>>,
    fail: impl Fn(&Range<usize>, &str, &str) -> Problem,
) -> Result<&'a DeTable<'a>, Problem> {
    let name: &str = key.get_ref();
    if registered().is_none_or(|own| own.name != name) {
        let what = format!("no detector {} in this program", shown(name.as_bytes()));
        return Err(fail(&key.span(), &what, "not known").help(absent()));
    }
    match value.get_ref() {
        DeValue::Table(entries) => Ok(entries),
        _ => {
            let what = format!("{name} must be a table, written [detector.{name}]");
            Err(fail(&value.span(), &what, "not a table"))
        }
    }
}

/// The setting that a key of the table names: its number, its name as `NAME.key`, and what it is.
///
/// # Errors
/// A key that the registered detector does not have.
pub fn setting(
    key: &Spanned<Cow<'_, str>>,
    fail: impl Fn(&Range<usize>, &str, &str) -> Problem,
) -> Result<(usize, &'static str, &'static Param), Problem> {
    let given: &str = key.get_ref();
    let found = settings().enumerate().find(|(_, (_, param))| param.key == given);
    if let Some((n, (known, param))) = found {
        return Ok((n, known, param));
    }
    let name = registered().map_or("", |own| own.name);
    let what = format!("unknown key {} in [detector.{name}]", shown(given.as_bytes()));
    let problem = fail(&key.span(), &what, "not known");
    Err(match nearest(given, settings().map(|(_, param)| param.key)) {
        Some(near) => problem.help(format!("nearest known key: {near}")),
        None => problem.help(format!("{name} has no settings")),
    })
}

//! Bounds that a score has to keep.

use std::collections::BTreeMap;
use std::path::Path;

use serde::Serialize;
use toml::Spanned;
use toml::de::DeValue;

use super::intervals::Estimate;
use super::statistics::{self, statistic};
use crate::problem::{Problem, nearest, shown};
use crate::toml_text;

/// Which end of a number is bound, and how.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// The number itself, at least.
    Min,
    /// The number itself, at most.
    Max,
    /// The lower end of its 95 % interval, at least.
    LowMin,
    /// The upper end of its 95 % interval, at most.
    HighMax,
    /// The cases that it rests on, at least.
    NMin,
}

const LIMITS: [(&str, Limit); 5] = [
    ("min", Limit::Min),
    ("max", Limit::Max),
    ("low_min", Limit::LowMin),
    ("high_max", Limit::HighMax),
    ("n_min", Limit::NMin),
];

/// Over which traces a bound holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Scope {
    /// All together.
    All,
    /// Each family that has a case of it.
    EachFamily,
    /// One family.
    Family(String),
}

/// One bound.
#[derive(Clone, Debug, PartialEq)]
pub struct Bound {
    /// Over which traces.
    pub scope: Scope,
    /// Key of the statistic.
    pub key: &'static str,
    /// What is bound.
    pub limit: Limit,
    /// By what, in the unit of the statistic; parts from 0 to 1.
    pub bound: f64,
}

/// How a bound was kept.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Checked {
    /// `all` or the name of a family.
    pub family: String,
    /// Key of the statistic.
    pub statistic: &'static str,
    /// What is bound.
    pub limit: Limit,
    /// By what.
    pub bound: f64,
    /// What it came to; `None` where there is no case of it.
    pub got: Option<f64>,
    /// Cases.
    pub n: u64,
    /// Whether it was kept. Without a case it was not.
    pub kept: bool,
    /// By how much it was missed, at least 0.
    pub short_by: Option<f64>,
    /// Why it fell short, where it is not plain from the numbers.
    pub why: Option<&'static str>,
}

/// Reads bounds from the TOML file at `path`.
///
/// # Errors
/// A file that cannot be read or is no TOML, and unknown or misplaced keys, with the
/// nearest known one.
pub fn load(path: &Path) -> Result<Vec<Bound>, Problem> {
    let name = path.display().to_string();
    let bytes =
        std::fs::read(path).map_err(|e| Problem::new(format!("{name}: cannot be read: {e}")))?;
    let text = String::from_utf8(bytes)
        .map_err(|_| Problem::new(format!("{name}: is not text in UTF-8; TOML was expected")))?;
    parse(&name, &text)
}

/// Understands the bounds in `text`, the content of a file called `name`.
///
/// # Errors
/// As [`load`].
pub fn parse(name: &str, text: &str) -> Result<Vec<Bound>, Problem> {
    let file = File { name, text };
    let root = toml_text::table(name, text)?;
    let mut bounds = Vec::new();
    for (key, value) in root.get_ref() {
        match key.get_ref().as_ref() {
            "all" => file.table(&Scope::All, value, &mut bounds)?,
            "each_family" => file.table(&Scope::EachFamily, value, &mut bounds)?,
            "family" => {
                let DeValue::Table(families) = value.get_ref() else {
                    return Err(file.at(&value.span(), "family must be a table: [family.NAME]"));
                };
                for (name, value) in families {
                    let scope = Scope::Family(name.get_ref().to_string());
                    file.table(&scope, value, &mut bounds)?;
                }
            }
            other => {
                let problem =
                    file.at(&key.span(), &format!("unknown table {}", shown(other.as_bytes())));
                return Err(match statistic(other) {
                    Some(s) => problem.help(format!(
                        "{} belongs under [all], [each_family] or [family.NAME]",
                        s.key
                    )),
                    None => problem.help("tables: [all], [each_family], [family.NAME]"),
                });
            }
        }
    }
    if bounds.is_empty() {
        return Err(Problem::new(format!("{name}: holds no bound"))
            .help("as in: [all]\nfalse_release = { high_max = 0.002, n_min = 2000 }"));
    }
    Ok(bounds)
}

struct File<'a> {
    name: &'a str,
    text: &'a str,
}

impl File<'_> {
    fn at(&self, span: &std::ops::Range<usize>, message: &str) -> Problem {
        toml_text::located(self.name, self.text, span, message, "here")
    }

    fn table(
        &self,
        scope: &Scope,
        value: &Spanned<DeValue<'_>>,
        bounds: &mut Vec<Bound>,
    ) -> Result<(), Problem> {
        let DeValue::Table(entries) = value.get_ref() else {
            return Err(self.at(&value.span(), "a table of statistics was expected"));
        };
        for (key, value) in entries {
            let Some(found) = statistic(key.get_ref()) else {
                let keys = statistics::all().map(|s| s.key);
                let near = nearest(key.get_ref(), keys).unwrap_or_default();
                let what = format!("unknown statistic {}", shown(key.get_ref().as_bytes()));
                return Err(self
                    .at(&key.span(), &what)
                    .help(format!("nearest known: {near}; docs/score.md lists all")));
            };
            let DeValue::Table(limits) = value.get_ref() else {
                return Err(self.at(
                    &value.span(),
                    &format!("{0} needs limits, as in {0} = {{ min = 0.9 }}", found.key),
                ));
            };
            for (word, number) in limits {
                let Some(&(_, limit)) = LIMITS.iter().find(|(name, _)| *name == word.get_ref())
                else {
                    let near = nearest(word.get_ref(), LIMITS.map(|l| l.0)).unwrap_or_default();
                    let what = format!("unknown limit {}", shown(word.get_ref().as_bytes()));
                    return Err(self.at(&word.span(), &what).help(format!(
                        "nearest known: {near}; limits: {}",
                        LIMITS.map(|l| l.0).join(", ")
                    )));
                };
                let bound = match number.get_ref() {
                    DeValue::Integer(i) => {
                        i64::from_str_radix(i.as_str(), i.radix()).ok().map(|v| v as f64)
                    }
                    DeValue::Float(f) => f.as_str().parse().ok(),
                    _ => None,
                };
                let Some(bound) = bound.filter(|b: &f64| b.is_finite()) else {
                    return Err(self.at(
                        &number.span(),
                        &format!("{} of {} must be a number", word.get_ref(), found.key),
                    ));
                };
                bounds.push(Bound { scope: scope.clone(), key: found.key, limit, bound });
            }
        }
        Ok(())
    }
}

/// Holds statistics against bounds: `all`, and those by family.
pub fn check(
    bounds: &[Bound],
    all: &BTreeMap<&'static str, Estimate>,
    families: &BTreeMap<String, BTreeMap<&'static str, Estimate>>,
) -> Vec<Checked> {
    let nothing = Estimate::default();
    let mut checked = Vec::new();
    for bound in bounds {
        let of = |estimates: &BTreeMap<_, Estimate>| {
            estimates.get(bound.key).copied().unwrap_or(nothing)
        };
        match &bound.scope {
            Scope::All => checked.push(one(bound, "all", &of(all))),
            Scope::Family(name) => {
                let estimate = families.get(name).map_or(nothing, of);
                checked.push(one(bound, name, &estimate));
            }
            Scope::EachFamily => {
                let before = checked.len();
                let with_cases = families.iter().filter(|(_, e)| of(e).n > 0);
                checked.extend(with_cases.map(|(name, e)| one(bound, name, &of(e))));
                if checked.len() == before {
                    checked.push(one(bound, "each_family", &nothing));
                }
            }
        }
    }
    checked
}

fn one(bound: &Bound, family: &str, estimate: &Estimate) -> Checked {
    let (got, at_least) = match bound.limit {
        Limit::Min => (estimate.value, true),
        Limit::Max => (estimate.value, false),
        Limit::LowMin => (estimate.low, true),
        Limit::HighMax => (estimate.high, false),
        Limit::NMin => (Some(estimate.n as f64), true),
    };
    let kept = got.is_some_and(|g| if at_least { g >= bound.bound } else { g <= bound.bound });
    let why = match (got, estimate.n) {
        (None, 0) => Some("no case"),
        (None, _) => Some("one case gives no interval"),
        _ => None,
    };
    Checked {
        family: family.to_owned(),
        statistic: bound.key,
        limit: bound.limit,
        bound: bound.bound,
        got,
        n: estimate.n,
        kept,
        short_by: got.filter(|_| !kept).map(|g| (g - bound.bound).abs()),
        why,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn errors_name_line_and_nearest() {
        let of = |text| {
            let p = parse("b.toml", text).unwrap_err();
            format!("{p} | {}", p.advice().unwrap_or_default())
        };
        for (text, want) in [
            (
                "[all]\n\nfalse_relase = { max = 1 }",
                &["line 3", "false_relase", "false_release"][..],
            ),
            ("[all]\nbeats_f1 = { mim = 1 }", &["line 2", "mim", "min"]),
            ("[all]\nbeats_f1 = 0.9", &["line 2", "{ min = 0.9 }"]),
            ("[all]\nbeats_f1 = { min = \"a\" }", &["must be a number"]),
            ("[all]\nbeats_f1 = { min = nan }", &["must be a number"]),
            ("beats_f1 = { min = 1 }", &["belongs under [all]"]),
            ("[every]\n", &["unknown table", "[each_family]"]),
            ("[all\n", &["not valid TOML", "line 1"]),
            ("", &["no bound"]),
            ("family = 3", &["[family.NAME]"]),
        ] {
            let error = of(text);
            for want in want {
                assert!(error.contains(want), "{text:?}: {want:?} not in {error:?}");
            }
        }
    }

    #[test]
    fn kept_missed_and_without_a_case() {
        let all = BTreeMap::from([("false_release", Estimate::proportion(0, 2000))]);
        let families = BTreeMap::from([
            ("a".to_owned(), BTreeMap::from([("beats_f1", Estimate::proportion(9, 10))])),
            ("b".to_owned(), BTreeMap::from([("beats_f1", Estimate::proportion(0, 0))])),
        ]);
        let checked = |text: &str| check(&parse("x", text).unwrap(), &all, &families);
        let kept = |text: &str| checked(text).iter().map(|c| c.kept).collect::<Vec<_>>();
        assert_eq!(
            kept("[all]\nfalse_release = { high_max = 0.002, n_min = 2000, max = 0 }"),
            [true; 3]
        );
        assert_eq!(kept("[all]\nfalse_release = { high_max = 0.0019 }"), [false]);
        assert_eq!(kept("[each_family]\nbeats_f1 = { min = 0.9 }"), [true]);
        let short = &checked("[family.a]\nbeats_f1 = { min = 0.95 }")[0];
        assert!(!short.kept && (short.short_by.unwrap() - 0.05).abs() < 1e-12, "{short:?}");
        for text in [
            "[family.b]\nbeats_f1 = { min = 0.0 }",
            "[family.none]\nbeats_f1 = { min = 0.0 }",
            "[all]\nbeats_f1 = { max = 1.0 }",
            "[each_family]\nfate_right = { min = 0.0 }",
        ] {
            let c = &checked(text)[0];
            assert!(!c.kept && c.why == Some("no case") && c.short_by.is_none(), "{text}: {c:?}");
        }
    }
}

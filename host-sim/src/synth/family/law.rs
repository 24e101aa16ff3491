//! A distribution as a family file states it, and a draw from it.

use toml::Spanned;
use toml::de::DeValue;

use super::keys::{Key, Kind};
use super::read::File;
use crate::problem::{Problem, nearest};
use crate::synth::draws::Draws;

/// What a key can be: a constant or a distribution.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Law {
    /// Always this number. A flag is 0 or 1, a word its place in the key's list.
    Always(f64),
    /// Evenly between the two.
    Between(f64, f64),
    /// Evenly in the logarithm between the two.
    LogBetween(f64, f64),
    /// Normal with mean and standard deviation, drawn again outside the other two.
    Normal([f64; 4]),
    /// Yes with this probability.
    Chance(f64),
    /// One of these, by weight.
    OneOf(Vec<(f64, Law)>),
}

impl Law {
    /// One draw.
    pub(crate) fn draw(&self, d: &mut Draws) -> f64 {
        match self {
            Self::Always(x) => *x,
            Self::Between(lo, hi) => d.between(*lo, *hi),
            Self::LogBetween(lo, hi) => d.log_between(*lo, *hi),
            Self::Normal([mean, sd, least, most]) => d.normal_between(*mean, *sd, *least, *most),
            Self::Chance(p) => f64::from(u8::from(d.chance(*p))),
            Self::OneOf(laws) => {
                let total: f64 = laws.iter().map(|l| l.0).sum();
                let mut at = d.between(0.0, total);
                for (weight, law) in laws {
                    if at < *weight {
                        return law.draw(d);
                    }
                    at -= weight;
                }
                laws.last().map_or(0.0, |l| l.1.draw(d))
            }
        }
    }

    /// In words, for the manual.
    pub(crate) fn describe(&self, key: &Key) -> String {
        match self {
            Self::Always(x) => key.shown(*x),
            Self::Between(a, b) => format!("evenly {a} to {b}"),
            Self::LogBetween(a, b) => format!("evenly in the logarithm {a} to {b}"),
            Self::Normal([mean, sd, least, most]) => {
                format!("normal {mean} +/- {sd}, within {least} to {most}")
            }
            Self::Chance(p) => format!("yes in {:.0} %", 100.0 * p),
            Self::OneOf(laws) => {
                let total: f64 = laws.iter().map(|l| l.0).sum();
                let parts: Vec<String> = laws
                    .iter()
                    .map(|(w, l)| format!("{} ({:.0} %)", l.describe(key), 100.0 * w / total))
                    .collect();
                parts.join(", ")
            }
        }
    }

    /// Whether there is chance in it.
    #[cfg(test)]
    pub(crate) fn varies(&self) -> bool {
        !matches!(self, Self::Always(_))
    }

    /// Understands the value of `key`; the second is its stated source.
    pub(crate) fn read(
        file: &File<'_>,
        key: &Key,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<(Self, Option<String>), Problem> {
        let DeValue::Table(table) = value.get_ref() else {
            return Ok((Self::Always(single(file, key, value)?), None));
        };
        let (mut law, mut weights, mut source) = (None, None, None);
        for (name, item) in table {
            let name_text: &str = name.get_ref();
            let twice = |old: &Option<Law>| match old {
                Some(_) => {
                    Err(file.fail(&name.span(), "one distribution a key is expected", "a second"))
                }
                None => Ok(()),
            };
            match name_text {
                "source" => source = Some(file.text_of("source", item)?),
                "weights" => weights = Some((file.numbers(item)?, item.span())),
                "between" | "log_between" | "normal" => {
                    twice(&law)?;
                    law = Some(numeric(file, key, name_text, item)?);
                }
                "chance" => {
                    twice(&law)?;
                    let p = file.number("chance", item)?;
                    if !matches!(key.kind, Kind::Flag) || !(0.0..=1.0).contains(&p) {
                        return Err(file.fail(
                            &item.span(),
                            "chance goes with a key that is true or false, and lies between 0 and 1",
                            "here",
                        ));
                    }
                    law = Some(Self::Chance(p));
                }
                "one_of" => {
                    twice(&law)?;
                    let DeValue::Array(items) = item.get_ref() else {
                        return Err(file.fail(&item.span(), "one_of must be a list", "here"));
                    };
                    let laws: Result<Vec<_>, Problem> = items
                        .iter()
                        .map(|i| Self::read(file, key, i).map(|(l, _)| (1.0, l)))
                        .collect();
                    law = Some(Self::OneOf(laws?));
                }
                other => {
                    let known = [
                        "between",
                        "log_between",
                        "normal",
                        "chance",
                        "one_of",
                        "weights",
                        "source",
                    ];
                    let problem = file.fail(
                        &name.span(),
                        &format!("unknown distribution {other:?} for {}", key.path),
                        "not known",
                    );
                    return Err(match nearest(other, known) {
                        Some(near) => problem
                            .help(format!("did you mean {near}? Known: {}", known.join(", "))),
                        None => problem,
                    });
                }
            }
        }
        let Some(mut law) = law else {
            return Err(file.fail(
                &value.span(),
                &format!("{} needs one of between, log_between, normal, chance, one_of", key.path),
                "here",
            ));
        };
        if let Some((weights, span)) = weights {
            let Self::OneOf(laws) = &mut law else {
                return Err(file.fail(&span, "weights go with one_of", "here"));
            };
            let sound = weights.iter().all(|w| w.is_finite() && *w >= 0.0)
                && weights.iter().sum::<f64>() > 0.0;
            if weights.len() != laws.len() || !sound {
                return Err(file.fail(
                    &span,
                    &format!("{} weights of 0 or more are expected, not all 0", laws.len()),
                    "here",
                ));
            }
            for (law, weight) in laws.iter_mut().zip(weights) {
                law.0 = weight;
            }
        }
        if matches!(&law, Self::OneOf(laws) if laws.is_empty()) {
            return Err(file.fail(&value.span(), "one_of must not be empty", "here"));
        }
        Ok((law, source))
    }
}

fn single(file: &File<'_>, key: &Key, value: &Spanned<DeValue<'_>>) -> Result<f64, Problem> {
    match key.kind {
        Kind::Number(..) => {
            let x = file.number(key.path, value)?;
            in_range(file, key, x, value)
        }
        Kind::Flag => match value.get_ref() {
            DeValue::Boolean(yes) => Ok(f64::from(u8::from(*yes))),
            _ => Err(file.fail(
                &value.span(),
                &format!("{} must be true, false or {{ chance = .. }}", key.path),
                "here",
            )),
        },
        Kind::Word(words) => {
            let word = file.text_of(key.path, value)?;
            words.iter().position(|w| *w == word).map(|n| n as f64).ok_or_else(|| {
                let problem = file.fail(
                    &value.span(),
                    &format!("{} must be one of {}, got {word:?}", key.path, words.join(", ")),
                    "not known",
                );
                match nearest(&word, words.iter().copied()) {
                    Some(near) => problem.help(format!("did you mean {near}?")),
                    None => problem,
                }
            })
        }
    }
}

fn in_range(
    file: &File<'_>,
    key: &Key,
    x: f64,
    value: &Spanned<DeValue<'_>>,
) -> Result<f64, Problem> {
    let Kind::Number(least, most) = key.kind else { return Ok(x) };
    if (least..=most).contains(&x) {
        return Ok(x);
    }
    Err(file.fail(
        &value.span(),
        &format!("{} must lie between {least} and {most}, got {x}", key.path),
        "out of range",
    ))
}

fn numeric(
    file: &File<'_>,
    key: &Key,
    name: &str,
    item: &Spanned<DeValue<'_>>,
) -> Result<Law, Problem> {
    let wrong = |what: &str| Err(file.fail(&item.span(), what, "here"));
    if !matches!(key.kind, Kind::Number(..)) {
        return wrong(&format!("{name} is for numbers; {} is none", key.path));
    }
    let n = file.numbers(item)?;
    for &x in if name == "normal" { n.get(2..).unwrap_or_default() } else { &n[..] } {
        in_range(file, key, x, item)?;
    }
    match (name, &n[..]) {
        ("between", &[a, b]) if a <= b => Ok(Law::Between(a, b)),
        ("log_between", &[a, b]) if 0.0 < a && a <= b => Ok(Law::LogBetween(a, b)),
        ("normal", &[mean, sd, least, most]) if sd >= 0.0 && least <= most => {
            Ok(Law::Normal([mean, sd, least, most]))
        }
        ("normal", _) => wrong("normal must be [mean, standard deviation, least, most]"),
        ("log_between", _) => wrong("log_between must be [least, most], both above 0"),
        _ => wrong("between must be [least, most]"),
    }
}

//! Events of a detector of one's own with their names.

use std::collections::BTreeMap;

use firmware_core::detector::Detector;
use firmware_core::store::record::OwnNames;
use firmware_core::types::{OWN_NUMBERS, OwnEvent};
use serde::ser::{Serialize, SerializeMap, Serializer};

/// The names of a detector, its kinds of event and their numbers.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Names {
    /// The detector.
    pub detector: String,
    /// Its kinds of event: name, and names of the numbers.
    pub kinds: Vec<(String, Vec<String>)>,
}

impl Names {
    /// Those of a detector, whole.
    pub(super) fn of<X: Detector>() -> Self {
        let numbers =
            |all: &[&str]| all.iter().take(OWN_NUMBERS).map(|n| (*n).to_owned()).collect();
        Names {
            detector: X::NAME.to_owned(),
            kinds: X::EVENTS.iter().map(|k| (k.name.to_owned(), numbers(k.numbers))).collect(),
        }
    }

    /// As a record in a log holds them. A record may come from anywhere: `None` where a name in it
    /// could not be that of a detector.
    pub fn read(record: &OwnNames) -> Option<Self> {
        let sound = |name: &str| super::name("", name).is_ok().then(|| name.to_owned());
        let mut lines = record.text().split('\n');
        let detector = sound(lines.next()?)?;
        let kinds = lines.map(|line| {
            let mut words = line.split(' ');
            Some((sound(words.next()?)?, words.map(sound).collect::<Option<_>>()?))
        });
        Some(Names { detector, kinds: kinds.collect::<Option<_>>()? })
    }

    /// As the record in a log writes them.
    pub(super) fn text(&self) -> String {
        let line = |(kind, numbers): &(String, Vec<String>)| {
            format!("\n{kind}{}", numbers.iter().map(|n| format!(" {n}")).collect::<String>())
        };
        self.detector.clone() + &self.kinds.iter().map(line).collect::<String>()
    }

    /// An event with its names, at `t_s`. A kind without a name is `kind_3`, its numbers
    /// `number_1` to `number_4`.
    pub fn told(&self, event: &OwnEvent, t_s: f64) -> Told {
        let known = self.kinds.get(usize::from(event.kind));
        let numbers = event.numbers.iter().enumerate();
        match known {
            Some((name, names)) => Told {
                event: name.clone(),
                t_s,
                numbers: names.iter().cloned().zip(event.numbers).collect(),
            },
            None => Told {
                event: format!("kind_{}", event.kind),
                t_s,
                numbers: numbers.map(|(n, v)| (format!("number_{}", n + 1), *v)).collect(),
            },
        }
    }
}

/// An event of a detector of one's own. Serialised as one object: `event`, `t_s`, and its numbers
/// by name.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// Name of its kind.
    pub event: String,
    /// When it happened, s.
    pub t_s: f64,
    /// Its numbers, each with its name.
    pub numbers: Vec<(String, f32)>,
}

impl Serialize for Told {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut map = to.serialize_map(Some(2 + self.numbers.len()))?;
        map.serialize_entry("event", &self.event)?;
        map.serialize_entry("t_s", &self.t_s)?;
        for (name, value) in &self.numbers {
            map.serialize_entry(name, value)?;
        }
        map.end()
    }
}

/// Times of each kind that are listed in a text.
const LISTED: usize = 3;

/// What a detector of one's own reported. Serialised as the list of its events.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OwnEvents {
    /// Names of the kinds, those without an event too.
    pub kinds: Vec<String>,
    /// The events, in the order of time.
    pub told: Vec<Told>,
    /// Settings that differ from their defaults, as `NAME.key`.
    pub settings: Vec<(&'static str, f32)>,
}

impl Serialize for OwnEvents {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        self.told.serialize(to)
    }
}

impl OwnEvents {
    /// Of the registered detector, run with settings `params`; `None` where there is none. `at_s`
    /// gives the time of an event, s.
    pub fn of(events: &[OwnEvent], params: &[f32], at_s: impl Fn(u64) -> f64) -> Option<Self> {
        let names = super::names()?;
        let told = events.iter().map(|e| names.told(e, at_s(e.t_us))).collect();
        let changed = |((key, param), value): ((_, &firmware_core::config::Param), &f32)| {
            (*value != param.default).then_some((key, *value))
        };
        let settings = super::settings().zip(params).filter_map(changed).collect();
        Some(OwnEvents { settings, ..Self::named(names, told) })
    }

    /// Events with their names, in any order.
    pub fn named(names: &Names, mut told: Vec<Told>) -> Self {
        told.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
        let mut kinds: Vec<String> = names.kinds.iter().map(|(name, _)| name.clone()).collect();
        for event in &told {
            if !kinds.contains(&event.event) {
                kinds.push(event.event.clone());
            }
        }
        OwnEvents { kinds, told, settings: Vec::new() }
    }

    /// Times of the events by kind, s; a kind without an event is there, too.
    pub fn times_s(&self) -> BTreeMap<&str, Vec<f64>> {
        let mut times: BTreeMap<&str, Vec<f64>> =
            self.kinds.iter().map(|kind| (kind.as_str(), Vec::new())).collect();
        for event in &self.told {
            times.entry(&event.event).or_default().push(event.t_s);
        }
        times
    }

    /// How many of each kind.
    pub fn counts(&self) -> BTreeMap<String, u64> {
        let times = self.times_s().into_iter();
        times.map(|(kind, times)| (kind.to_owned(), times.len() as u64)).collect()
    }

    /// A line for each kind: how many, and when the first ones were, h after `first_t_s`.
    pub fn lines(&self, first_t_s: f64) -> Vec<String> {
        let line = |(kind, times): (&str, Vec<f64>)| {
            if times.is_empty() {
                return format!("{kind} none");
            }
            let hour = |t: &f64| format!("{:.3}", (t - first_t_s) / 3600.0);
            let first: Vec<String> = times.iter().take(LISTED).map(hour).collect();
            let more = match times.len().saturating_sub(LISTED) {
                0 => String::new(),
                more => format!(" and {more} more"),
            };
            format!("{kind} {}, at {} h{more}", times.len(), first.join(", "))
        };
        self.times_s().into_iter().map(line).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names() -> Names {
        Names {
            detector: "head_shake".into(),
            kinds: vec![("head_shake".into(), vec!["swings".into(), "peak_g".into()])],
        }
    }

    #[test]
    fn events_carry_names_where_there_are_any() {
        let json = |kind: u8| {
            let event = OwnEvent { t_us: 0, kind, numbers: [5.0, 0.5, 0.0, 0.0] };
            serde_json::to_string(&names().told(&event, 1.5))
        };
        let named = r#"{"event":"head_shake","t_s":1.5,"swings":5.0,"peak_g":0.5}"#;
        assert_eq!(json(0).unwrap(), named);
        let numbered = r#"{"event":"kind_1","t_s":1.5,"number_1":5.0,"number_2":0.5,"number_3":0.0,"number_4":0.0}"#;
        assert_eq!(json(1).unwrap(), numbered);
    }

    #[test]
    fn a_line_for_each_kind() {
        let at = |t_s| names().told(&OwnEvent { t_us: 0, kind: 0, numbers: [0.0; 4] }, t_s);
        let lines = |times: &[f64]| {
            OwnEvents::named(&names(), times.iter().map(|t| at(*t)).collect()).lines(100.0)
        };
        assert_eq!(lines(&[]), ["head_shake none"]);
        assert_eq!(lines(&[1900.0, 460.0]), ["head_shake 2, at 0.100, 0.500 h"]);
        let many: Vec<f64> = (0..5).map(|n| 100.0 + 3600.0 * f64::from(n)).collect();
        assert_eq!(lines(&many), ["head_shake 5, at 0.000, 1.000, 2.000 h and 2 more"]);
    }
}

//! One deployment of a cohort: what became of it, and for how long that was watched.

use std::collections::BTreeMap;
use std::path::Path;

use firmware_core::types::{Event, State};
use serde::Serialize;
use serde_json::Value;

use super::survival::Watched;
use crate::problem::Problem;
use crate::replay::{Replayer, Report, Watch};
use crate::trace::Row;

/// What became of the animal, as far as the tag saw it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Fate {
    /// Alive when the record ended.
    Alive,
    /// Alive when the tag came off.
    Detached,
    /// Died with the tag on.
    Dead,
    /// Cannot be told.
    Undetermined,
}

impl Fate {
    /// All, in the order in which they are told.
    pub const ALL: [Fate; 4] = [Fate::Alive, Fate::Detached, Fate::Dead, Fate::Undetermined];

    /// The word for it in tables and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Fate::Alive => "alive",
            Fate::Detached => "detached",
            Fate::Dead => "dead",
            Fate::Undetermined => "undetermined",
        }
    }

    /// The fate of that word.
    pub fn of(word: &str) -> Option<Fate> {
        Fate::ALL.into_iter().find(|f| f.word() == word)
    }
}

/// One deployment.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Deployment {
    /// Identifier: from the deployment file, or else the name of the trace.
    pub id: String,
    /// Where it was read from.
    pub source: String,
    /// What became of the animal.
    pub fate: Fate,
    /// How long its life was followed, h: to death, to the tag coming off, to the end of
    /// the record, or, where its fate cannot be told, to when it was last seen swimming.
    pub time_h: f64,
    /// When it had recovered, h after release; `None`: not seen.
    pub recovery_h: Option<f64>,
    /// Groups that it belongs to, by column.
    pub groups: BTreeMap<String, String>,
}

impl Deployment {
    /// For survival: death is the event.
    pub fn survival(&self) -> Watched {
        Watched { time: self.time_h, event: self.fate == Fate::Dead }
    }

    /// For recovery: watched until recovered, or as long as its life was followed.
    pub fn recovery(&self) -> Watched {
        match self.recovery_h {
            Some(time) => Watched { time, event: true },
            None => Watched { time: self.time_h, event: false },
        }
    }

    /// From a replay.
    pub fn of_report(r: &Report, seen: &LastSeen, groups: BTreeMap<String, String>) -> Self {
        let fate = Fate::of(r.fate).unwrap_or(Fate::Undetermined);
        let hours = |t_s: f64| ((t_s - r.first_t_s) / 3600.0).max(0.0);
        let end_h = r.duration_s / 3600.0;
        Deployment {
            id: r.id.clone().unwrap_or_else(|| stem(&r.trace)),
            source: r.trace.clone(),
            fate,
            time_h: followed_h(fate, r.fate_t_s.map(hours), end_h, seen.0 / 3600.0),
            recovery_h: r.recovery_t_s.map(hours),
            groups,
        }
    }

    /// From the JSON of one replay, `line` of the file called `name`.
    ///
    /// # Errors
    /// A value that is no such JSON.
    pub fn of_json(name: &str, line: usize, json: &Value) -> Result<Self, Problem> {
        let bad = |key: &str, want: &str| {
            Problem::new(format!("{name}: row {line}, key {key}: {want} was expected")).help(
                "JSON as written by `swaymark replay --format json`, one object a line, is read",
            )
        };
        let number = |key: &str| json.get(key).and_then(Value::as_f64);
        let trace =
            json.get("trace").and_then(Value::as_str).ok_or_else(|| bad("trace", "text"))?;
        let fate = json
            .get("fate")
            .and_then(Value::as_str)
            .and_then(Fate::of)
            .ok_or_else(|| bad("fate", "alive, detached, dead or undetermined"))?;
        let end_h = number("duration_s").ok_or_else(|| bad("duration_s", "a number"))? / 3600.0;
        let first = number("first_t_s").unwrap_or(0.0);
        let hours = |key: &str| number(key).map(|t| ((t - first) / 3600.0).max(0.0));
        let swum = json.get("minutes").and_then(Value::as_array).and_then(|minutes| {
            let last = minutes.iter().rfind(|m| m.get("state").is_some_and(|s| s == "swimming"))?;
            last.get("t_s")?.as_f64()
        });
        let last_h = swum.map_or(0.0, |t| (t - first + 60.0) / 3600.0);
        Ok(Deployment {
            id: json.get("id").and_then(Value::as_str).map_or_else(|| stem(trace), str::to_owned),
            source: trace.to_owned(),
            fate,
            time_h: followed_h(fate, hours("fate_t_s"), end_h, last_h),
            recovery_h: hours("recovery_t_s"),
            groups: BTreeMap::new(),
        })
    }
}

/// How long a life was followed, h.
fn followed_h(fate: Fate, fate_h: Option<f64>, end_h: f64, last_seen_h: f64) -> f64 {
    match fate {
        Fate::Alive => end_h,
        Fate::Dead | Fate::Detached => fate_h.unwrap_or(end_h),
        Fate::Undetermined => last_seen_h.min(end_h),
    }
}

/// The name of a trace without folder and endings.
pub fn stem(trace: &str) -> String {
    let beside = crate::deployment::beside(Path::new(trace), "");
    beside.file_name().map_or_else(|| trace.to_owned(), |n| n.to_string_lossy().into_owned())
}

/// Watches a replay for the end of the last minute of swimming, s after release.
#[derive(Debug, Default)]
pub struct LastSeen(pub f64);

impl LastSeen {
    fn see(&mut self, replayer: &Replayer) {
        for event in replayer.events() {
            if let Event::Minute(m) = event
                && m.state == State::Swimming
            {
                self.0 = replayer.written_us(m.t_us) as f64 / 1e6 + 60.0;
            }
        }
    }
}

impl Watch for LastSeen {
    fn row(&mut self, _: &Row, replayer: &Replayer) {
        self.see(replayer);
    }

    fn rest(&mut self, replayer: &Replayer) {
        self.see(replayer);
    }
}

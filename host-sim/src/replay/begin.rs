//! Where the deployment begins and ends within its record.

use firmware_core::types::LaunchedBy;
use serde::Serialize;

use super::FileFacts;
use crate::deployment::Deployment;
use crate::problem::Problem;
use crate::trace::{Bounds, Found, Placed, TraceReader};

/// How the animal's release was found.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LaunchReport {
    /// When, s on the clock of the trace.
    pub t_s: f64,
    /// When it was sure, or as sure as it got, likewise; `null` where it was stated.
    pub decided_t_s: Option<f64>,
    /// `release_utc`; by the tag: `depth`, `wet`, `motion` (not sure); `none`: not found.
    pub by: &'static str,
}

/// The end of the deployment within the record.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct EndReport {
    /// When, s on the clock of the trace.
    pub t_s: f64,
    /// `end_utc`, or `picked_up`: found by the tag.
    pub by: &'static str,
}

impl LaunchReport {
    pub(crate) fn new(facts: &FileFacts) -> Self {
        let at = |us: u64| facts.record_t_s + us as f64 / 1e6;
        let Placed { from_us, known_us, found, .. } = facts.placed;
        LaunchReport {
            t_s: at(from_us),
            decided_t_s: (found != Found::Stated).then(|| at(known_us)),
            by: match found {
                Found::Stated => "release_utc",
                Found::ByTag(LaunchedBy::Depth) => "depth",
                Found::ByTag(LaunchedBy::Wet) => "wet",
                Found::ByTag(LaunchedBy::Motion) => "motion",
                Found::Not => "none",
            },
        }
    }
}

impl LaunchReport {
    /// For a person; `record_t_s`: that of the record's first row.
    pub(crate) fn told(&self, record_t_s: f64) -> String {
        let into_h = (self.t_s - record_t_s) / 3600.0;
        if into_h <= 0.0 {
            return "released, record starts".to_owned();
        }
        let how = match self.by {
            "release_utc" => "as release_utc states",
            "depth" => "found by its depth",
            "wet" => "found by the wet sensor",
            "motion" => "found by motion alone, not sure",
            _ => "not found: the last sign of handling",
        };
        format!("released, {into_h:.2} h into the record; {how}")
    }
}

impl EndReport {
    pub(crate) fn new(facts: &FileFacts) -> Option<Self> {
        let us = facts.placed.end_us?;
        let by = if facts.end_stated { "end_utc" } else { "picked_up" };
        Some(EndReport { t_s: facts.record_t_s + us as f64 / 1e6, by })
    }
}

/// Reads up to the animal's release: as stated, or as the tag finds it. `start_unix_us`: that of the
/// first row.
///
/// # Errors
/// A release or end without a start to count from, or behind the last row.
pub(super) fn begin(
    name: &str,
    reader: &mut TraceReader,
    deployment: &Deployment,
    start_unix_us: Option<i64>,
    notices: &mut Vec<String>,
) -> Result<Placed, Problem> {
    let from_first = |key: &str, unix_us: Option<i64>| match (unix_us, start_unix_us) {
        (None, _) => Ok(None),
        (Some(us), Some(start_us)) if us >= start_us => Ok(Some(us.abs_diff(start_us))),
        (Some(_), Some(_)) => {
            Err(deployment.at_key(key, &format!("{key} lies before the first row of {name}")))
        }
        (Some(_), None) => Err(deployment
            .at_key(key, &format!("{key} is given, but not when {name} starts"))
            .help("state start_utc under [deployment]")),
    };
    let release_us = from_first("release_utc", deployment.release_unix_us)?;
    let bounds = Bounds {
        release_us: release_us.filter(|_| !deployment.as_tag),
        end_us: from_first("end_utc", deployment.end_unix_us)?.filter(|_| !deployment.as_tag),
        mount_deg: deployment.mount_deg,
    };
    let Some(placed) = reader.begin(bounds) else {
        let message = format!("release_utc lies behind the last row of {name}");
        return Err(deployment.at_key("release_utc", &message));
    };
    let hours = |us: u64| us as f64 / 3.6e9;
    let at = hours(placed.from_us);
    match placed.found {
        Found::Stated => {}
        Found::ByTag(LaunchedBy::Motion) => notices.push(format!(
            "{name}: the animal's release was found by motion alone, at {at:.2} h: not sure; \
             release_utc under [deployment] states it"
        )),
        Found::ByTag(_) if placed.from_us > 0 => notices.push(format!(
            "{name}: the record begins before the animal's release, found at {at:.2} h; \
             release_utc under [deployment] states it"
        )),
        Found::ByTag(_) => {}
        Found::Not => notices.push(format!(
            "{name}: no release of the animal was found; all from {at:.2} h on is taken for the \
             deployment; release_utc under [deployment] states it"
        )),
    }
    if let Some(stated_us) = release_us.filter(|_| deployment.as_tag) {
        let later_s = (placed.from_us as f64 - stated_us as f64) / 1e6;
        notices.push(format!(
            "{name}: the tag found the animal's release {:.0} s {} release_utc",
            later_s.abs(),
            if later_s < 0.0 { "before" } else { "after" },
        ));
    }
    Ok(placed)
}

//! From the scores of single traces to the score of a cell.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::own;
use crate::score::{OwnScore, TraceScore, TrueFate, Verdict};

/// What one cell made of one trace.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CellTrace {
    /// Decisions against truth.
    pub score: TraceScore,
    /// Bytes of minutes and events.
    pub record_bytes: u64,
    /// Bytes of the raw record.
    pub raw_bytes: u64,
    /// Charge used by the end of the trace, mAh.
    pub used_mah: f64,
    /// Events of the registered detector by their names, whatever the truth tells of them.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub own: BTreeMap<String, u64>,
}

/// Events of one kind of the registered detector over all traces.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct OwnCell {
    /// F1 over the traces whose truth tells of them, 0 to 1; `None` without a true one.
    pub f1: Option<f64>,
    /// How many were reported, in all traces.
    pub count: u64,
}

/// The score of a cell over all traces. `None`: cannot be said, as nothing in the
/// truth tells of it, or nothing was decided.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CellScore {
    /// F1 of tail beats, all traces together, 0 to 1.
    pub beat_f1: Option<f64>,
    /// Part of the beats found that are true, 0 to 1.
    pub beat_precision: Option<f64>,
    /// Part of the true beats that were found, 0 to 1; beats of the time asleep
    /// count as missed.
    pub beat_recall: Option<f64>,
    /// Mean size of the error of the minute's beat rate, beats/min.
    pub rate_error_per_min: Option<f64>,
    /// Mean error of the minute's beat rate, beats/min.
    pub rate_bias_per_min: Option<f64>,
    /// Traces with a death in the truth.
    pub deaths: u64,
    /// Of these, told rightly before the ceiling.
    pub deaths_told: u64,
    /// Mean time from a death to the decision, where told rightly, h.
    pub death_delay_h: Option<f64>,
    /// Traces in which the tag came off first.
    pub losses: u64,
    /// Of these, told rightly before the ceiling.
    pub losses_told: u64,
    /// Mean time from the loss to the decision, where told rightly, h.
    pub loss_delay_h: Option<f64>,
    /// Mean delay of deaths and losses told rightly, h.
    pub fate_delay_h: Option<f64>,
    /// Mean time from a death or a loss to letting go for it, h.
    pub release_delay_h: Option<f64>,
    /// Traces of survivors that were called dead or detached.
    pub false_alarms: u64,
    /// Part of the traces whose fate was not told rightly, 0 to 1.
    pub fate_wrong: Option<f64>,
    /// Traces in which the animal recovered.
    pub recoveries: u64,
    /// Of these, decided.
    pub recoveries_decided: u64,
    /// Mean size of the error of the recovery time, h.
    pub recovery_error_h: Option<f64>,
    /// Mean time from recovery to the decision, h.
    pub recovery_delay_h: Option<f64>,
    /// Recoveries decided that were none.
    pub recoveries_made_up: u64,
    /// Traces in which the tag let go of a living animal for its death or its loss.
    pub false_releases: u64,
    /// Traces in which the tag let go for recovery too early.
    pub releases_before_recovery: u64,
    /// Bytes recorded a day.
    pub bytes_per_day: f64,
    /// Mean current over the traces, µA.
    pub mean_ua: Option<f64>,
    /// Days on the animal, up to the ceiling: median.
    pub on_animal_days: Option<f64>,
    /// Days on the animal that the cell would last without a ceiling: median.
    pub cell_days: Option<f64>,
    /// Days of beacon after surfacing: median.
    pub beacon_days: Option<f64>,
    /// Chance that the tag gives way before it has let go, 0 to 1.
    pub brownout_chance: Option<f64>,
    /// Events of the registered detector by their names.
    #[serde(skip)]
    pub own: BTreeMap<String, OwnCell>,
}

/// Mean of the values there are.
fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, n) = values.fold((0.0, 0_u64), |(sum, n), v| (sum + v, n + 1));
    (n > 0).then(|| sum / n as f64)
}

fn ratio(part: u64, whole: u64) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

/// Events of the registered detector, by kind.
fn own_events(traces: &[&CellTrace]) -> BTreeMap<String, OwnCell> {
    let of = |event: &str| {
        let pooled = OwnScore::pooled(traces.iter().filter_map(|t| t.score.own.get(event)));
        OwnCell {
            f1: pooled.f1().filter(|_| pooled.truth > 0),
            count: traces.iter().filter_map(|t| t.own.get(event)).sum(),
        }
    };
    own::kinds().iter().map(|kind| (kind.name.to_owned(), of(kind.name))).collect()
}

impl CellScore {
    /// Puts together what a cell made of all traces.
    pub fn of(traces: &[&CellTrace]) -> Self {
        let scores = || traces.iter().map(|t| &t.score);
        let count =
            |test: &dyn Fn(&TraceScore) -> bool| scores().filter(|s| test(s)).count() as u64;
        let beats = |part: fn(&crate::score::BeatScore) -> u64| -> u64 {
            scores().filter_map(|s| s.beats.as_ref()).map(part).sum()
        };
        let (truth, found, matched) =
            (beats(|b| b.truth), beats(|b| b.found), beats(|b| b.matched));
        // Without a single true beat no F1 can be told.
        let known = truth > 0;
        let rates = || scores().filter_map(|s| s.rate.as_ref());
        let minutes: u64 = rates().map(|r| r.minutes).sum();
        let per_minute = |sum: f64| (minutes > 0).then(|| sum / minutes as f64);
        let dead = |s: &TraceScore| matches!(s.fate.truth, TrueFate::Dead | TrueFate::Eaten);
        let lost = |s: &TraceScore| s.fate.truth == TrueFate::Detached;
        let told = |s: &TraceScore| s.fate.before_ceiling == Some(true);
        let delay_h = |of: &dyn Fn(&TraceScore) -> bool| {
            mean(scores().filter(|s| of(s)).filter_map(|s| s.fate.delay_s).map(|s| s / 3600.0))
        };
        let days: f64 = scores().map(|s| s.duration_s / 86_400.0).sum();
        let bytes: u64 = traces.iter().map(|t| t.record_bytes + t.raw_bytes).sum();
        let used_mah: f64 = traces.iter().map(|t| t.used_mah).sum();
        CellScore {
            beat_f1: ratio(2 * matched, truth + found).filter(|_| known),
            beat_precision: ratio(matched, found).filter(|_| known),
            beat_recall: ratio(matched, truth),
            rate_error_per_min: per_minute(rates().map(|r| r.sum_abs).sum()),
            rate_bias_per_min: per_minute(rates().map(|r| r.sum).sum()),
            deaths: count(&dead),
            deaths_told: count(&|s| dead(s) && told(s)),
            death_delay_h: delay_h(&dead),
            losses: count(&lost),
            losses_told: count(&|s| lost(s) && told(s)),
            loss_delay_h: delay_h(&lost),
            fate_delay_h: delay_h(&|s| dead(s) || lost(s)),
            release_delay_h: mean(scores().filter_map(|s| s.release.delay_s).map(|s| s / 3600.0)),
            false_alarms: count(&|s| {
                s.fate.truth == TrueFate::Alive && s.fate.verdict == Verdict::Wrong
            }),
            fate_wrong: ratio(count(&|s| s.fate.verdict != Verdict::Right), traces.len() as u64),
            recoveries: count(&|s| s.recovery.truth_s.is_some()),
            recoveries_decided: count(&|s| {
                s.recovery.truth_s.is_some() && s.recovery.decided == Some(true)
            }),
            recovery_error_h: mean(
                scores().filter_map(|s| s.recovery.error_s).map(|e| e.abs() / 3600.0),
            ),
            recovery_delay_h: mean(scores().filter_map(|s| s.recovery.delay_s).map(|s| s / 3600.0)),
            recoveries_made_up: count(&|s| s.recovery.made_up() == Some(true)),
            false_releases: count(&|s| s.release.false_release),
            releases_before_recovery: count(&|s| s.release.before_recovery == Some(true)),
            bytes_per_day: if days > 0.0 { bytes as f64 / days } else { 0.0 },
            mean_ua: (days > 0.0).then(|| used_mah / (days * 24.0) * 1000.0),
            on_animal_days: None,
            cell_days: None,
            beacon_days: None,
            brownout_chance: None,
            own: own_events(traces),
        }
    }
}

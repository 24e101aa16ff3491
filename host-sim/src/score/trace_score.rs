//! How one trace was judged: a small record, kept for each of thousands of traces.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// What really became of the animal and its tag.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TrueFate {
    /// Lived to the end of the record with the tag on.
    Alive,
    /// Died.
    Dead,
    /// Was eaten, and the tag went on in the animal that ate it.
    Eaten,
    /// Lost the tag.
    Detached,
}

/// What the tag held at the end of the record.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TagFate {
    /// Alive, tag worn.
    Alive,
    /// Dead.
    Dead,
    /// The tag came off.
    Detached,
    /// It did not know.
    Undetermined,
}

/// Whether the tag's fate is that of the truth.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The true one.
    Right,
    /// Another one.
    Wrong,
    /// None: the tag did not know.
    Undetermined,
}

/// Breathing mode assumed by the tag.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Breathing {
    /// Must keep swimming.
    Ram,
    /// Can rest for hours.
    Buccal,
}

/// Beats found against true ones, one constant phase offset removed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BeatScore {
    /// True beats.
    pub truth: u64,
    /// Beats found where the truth tells of beats.
    pub found: u64,
    /// Pairs of both, within a quarter of a cycle.
    pub matched: u64,
    /// The offset removed, cycles, -0.5 to 0.5; `None` without a pair.
    pub offset_cycles: Option<f64>,
    /// Sum of squared timing errors of the pairs, s2.
    pub timing_sum_s2: f64,
}

impl BeatScore {
    /// Part of the beats found that are true.
    pub fn precision(&self) -> Option<f64> {
        ratio(self.matched, self.found)
    }

    /// Part of the true beats that were found.
    pub fn recall(&self) -> Option<f64> {
        ratio(self.matched, self.truth)
    }

    /// Harmonic mean of both.
    pub fn f1(&self) -> Option<f64> {
        ratio(2 * self.matched, self.truth + self.found)
    }

    /// Root mean square timing error of the pairs, s.
    pub fn timing_rms_s(&self) -> Option<f64> {
        (self.matched > 0).then(|| (self.timing_sum_s2 / self.matched as f64).sqrt())
    }
}

/// Events of one kind of the registered detector against true ones of that name.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct OwnScore {
    /// True events.
    pub truth: u64,
    /// Events found.
    pub found: u64,
    /// Pairs of both, within the tolerance.
    pub matched: u64,
    /// Sum over the pairs of the time found less the true start, s.
    pub error_sum_s: f64,
}

impl OwnScore {
    /// Part of the events found that are true.
    pub fn precision(&self) -> Option<f64> {
        ratio(self.matched, self.found)
    }

    /// Part of the true events that were found.
    pub fn recall(&self) -> Option<f64> {
        ratio(self.matched, self.truth)
    }

    /// Harmonic mean of both.
    pub fn f1(&self) -> Option<f64> {
        ratio(2 * self.matched, self.truth + self.found)
    }

    /// Mean timing error of the pairs, s; positive: told to be later than it was.
    pub fn mean_error_s(&self) -> Option<f64> {
        (self.matched > 0).then(|| self.error_sum_s / self.matched as f64)
    }

    /// Several traces together.
    pub fn pooled<'a>(scores: impl IntoIterator<Item = &'a OwnScore>) -> Self {
        scores.into_iter().fold(OwnScore::default(), |sum, one| OwnScore {
            truth: sum.truth + one.truth,
            found: sum.found + one.found,
            matched: sum.matched + one.matched,
            error_sum_s: sum.error_sum_s + one.error_sum_s,
        })
    }
}

/// Beats a minute as told by the tag less true ones, over whole minutes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RateScore {
    /// Minutes held against truth; those without a rate are left out.
    pub minutes: u64,
    /// Sum of errors, beats/min.
    pub sum: f64,
    /// Sum of sizes of errors, beats/min.
    pub sum_abs: f64,
    /// Sum of squared errors, (beats/min)2.
    pub sum_squares: f64,
}

impl RateScore {
    fn mean(&self, sum: f64) -> Option<f64> {
        (self.minutes > 0).then(|| sum / self.minutes as f64)
    }

    /// Mean error, beats/min; positive: the tag counts too many.
    pub fn bias_per_min(&self) -> Option<f64> {
        self.mean(self.sum)
    }

    /// Mean size of the error, beats/min.
    pub fn mean_abs_per_min(&self) -> Option<f64> {
        self.mean(self.sum_abs)
    }

    /// Root mean square error, beats/min.
    pub fn rms_per_min(&self) -> Option<f64> {
        self.mean(self.sum_squares).map(f64::sqrt)
    }
}

/// The fate.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FateScore {
    /// What really happened first.
    pub truth: TrueFate,
    /// When, s on the clock of the trace; `None` for a survivor.
    pub event_s: Option<f64>,
    /// What the tag held at the end.
    pub tag: TagFate,
    /// When it knew, s.
    pub decided_s: Option<f64>,
    /// The judgement.
    pub verdict: Verdict,
    /// Dead or detached was held before it was so (by more than a minute).
    pub early: bool,
    /// From the event to the decision, s, where right.
    pub delay_s: Option<f64>,
    /// The tag's own time of the event less the true one, s, where right.
    pub time_error_s: Option<f64>,
    /// Where something happened: whether it was rightly decided before the ceiling.
    pub before_ceiling: Option<bool>,
}

/// Recovery.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RecoveryScore {
    /// When the animal had recovered, s; `None`: it had not, or the truth does not say.
    pub truth_s: Option<f64>,
    /// Whether the tag decided that it had; `None` where the truth tells of no recovery
    /// either way.
    pub decided: Option<bool>,
    /// Estimated time less true time, s, where decided.
    pub error_s: Option<f64>,
    /// Standard error stated with that estimate, s.
    pub se_s: Option<f64>,
    /// From true recovery to the decision, s; negative: decided before it was so.
    pub delay_s: Option<f64>,
}

impl RecoveryScore {
    /// Recovery was decided though the animal had not recovered in the record.
    pub fn made_up(&self) -> Option<bool> {
        (self.truth_s.is_none()).then_some(self.decided).flatten()
    }

    /// Whether the error lies within `half_h` either way.
    pub fn within_h(&self, half_h: f64) -> Option<bool> {
        self.error_s.map(|e| e.abs() <= half_h * 3600.0)
    }

    /// Whether the error lies within `errors` stated standard errors either way.
    pub fn within_se(&self, errors: f64) -> Option<bool> {
        Some(self.error_s?.abs() <= errors * self.se_s?)
    }
}

/// The decision to let go.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReleaseScore {
    /// `death`, `detached`, `recovered`, `ceiling`, `memory_full`, `cell_low`,
    /// `too_deep`, or `none`.
    pub cause: String,
    /// When, s.
    pub t_s: Option<f64>,
    /// Let go for death or detachment while the animal lived with the tag on.
    pub false_release: bool,
    /// Let go for recovery before the animal had recovered; `None` where the cause
    /// is another or the truth does not say.
    pub before_recovery: Option<bool>,
    /// From death or detachment to letting go for it, s.
    pub delay_s: Option<f64>,
}

/// How one trace was judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TraceScore {
    /// Breathing mode assumed by the tag.
    pub breathing: Breathing,
    /// Length of the record, s.
    pub duration_s: f64,
    /// Beats; `None` where the truth says nothing of beats.
    pub beats: Option<BeatScore>,
    /// Minute rates; `None` likewise.
    pub rate: Option<RateScore>,
    /// The fate.
    pub fate: FateScore,
    /// Recovery.
    pub recovery: RecoveryScore,
    /// The decision to let go.
    pub release: ReleaseScore,
    /// Events of the registered detector by their names; those that the truth says nothing of
    /// are left out.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub own: BTreeMap<String, OwnScore>,
}

/// A part of a whole, where there is one.
fn ratio(part: u64, whole: u64) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

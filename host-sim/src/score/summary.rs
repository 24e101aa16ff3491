//! The score of many traces, in the form in which scripts read it.

use std::collections::BTreeMap;

use serde::Serialize;

use super::bounds::{self, Bound, Checked};
use super::entry::Entry;
use super::intervals::Estimate;
use super::statistics;
use super::trace_score::{TagFate, TraceScore, TrueFate};
use super::worst::{Worst, worst};
use crate::batch::DETECTOR_VERSION;

/// Statistics of a group of traces.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Group {
    /// Traces scored.
    pub traces: u64,
    /// Every statistic by its key.
    pub statistics: BTreeMap<&'static str, Estimate>,
    /// Of the traces with a true fate (outer key), the part with each fate told.
    pub fate: BTreeMap<TrueFate, BTreeMap<TagFate, Estimate>>,
    /// Of the traces with a true fate, the part let go for each cause.
    pub release_causes: BTreeMap<TrueFate, BTreeMap<String, Estimate>>,
}

impl Group {
    fn new(scores: &[&TraceScore]) -> Self {
        Group {
            traces: scores.len() as u64,
            statistics: statistics::all().map(|s| (s.key, s.of(scores))).collect(),
            fate: parts(statistics::fate_matrix(scores)),
            release_causes: parts(statistics::causes(scores)),
        }
    }
}

/// Counts of each row as parts of that row.
fn parts<K: Ord>(
    counts: BTreeMap<TrueFate, BTreeMap<K, u64>>,
) -> BTreeMap<TrueFate, BTreeMap<K, Estimate>> {
    let row = |row: BTreeMap<K, u64>| {
        let n = row.values().sum();
        row.into_iter().map(|(k, count)| (k, Estimate::proportion(count, n))).collect()
    };
    counts.into_iter().map(|(truth, counts)| (truth, row(counts))).collect()
}

/// What the statistics rest on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Totals {
    /// Length of all records, h.
    pub hours: f64,
    /// True beats.
    pub beats_true: u64,
    /// Beats found where truth tells of beats.
    pub beats_found: u64,
    /// Pairs of both.
    pub beats_matched: u64,
    /// Minutes whose rate was held against truth.
    pub minutes: u64,
}

/// The score.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Summary {
    /// Version of this layout.
    pub schema: u32,
    /// The on-tag code that was run: version and hash of its sources.
    pub detector: &'static str,
    /// Traces without a truth file, passed over.
    pub without_truth: u64,
    /// What could not be scored, and why.
    pub refused: Vec<String>,
    /// What the statistics rest on.
    pub totals: Totals,
    /// All traces together.
    pub all: Group,
    /// Traces by family.
    pub families: BTreeMap<String, Group>,
    /// Those that went worst.
    pub worst: Vec<Worst>,
    /// Bounds, where given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bounds: Option<Vec<Checked>>,
}

impl Summary {
    /// Sums up `entries`, in any order.
    pub fn new(entries: &[Entry], bounds: Option<&[Bound]>, most_worst: usize) -> Self {
        // One order, so that sums of floats come out the same.
        let mut entries: Vec<&Entry> = entries.iter().collect();
        entries.sort_by(|a, b| a.trace.cmp(&b.trace));
        let scores: Vec<&TraceScore> = entries.iter().map(|e| &e.score).collect();
        let mut by_family: BTreeMap<String, Vec<&TraceScore>> = BTreeMap::new();
        for entry in &entries {
            by_family.entry(entry.family.clone()).or_default().push(&entry.score);
        }
        let all = Group::new(&scores);
        let families: BTreeMap<_, _> =
            by_family.into_iter().map(|(name, scores)| (name, Group::new(&scores))).collect();
        let beats = || scores.iter().filter_map(|s| s.beats);
        let totals = Totals {
            hours: scores.iter().map(|s| s.duration_s / 3600.0).sum(),
            beats_true: beats().map(|b| b.truth).sum(),
            beats_found: beats().map(|b| b.found).sum(),
            beats_matched: beats().map(|b| b.matched).sum(),
            minutes: scores.iter().filter_map(|s| s.rate).map(|r| r.minutes).sum(),
        };
        let bounds = bounds.map(|bounds| {
            let families =
                families.iter().map(|(name, g)| (name.clone(), g.statistics.clone())).collect();
            bounds::check(bounds, &all.statistics, &families)
        });
        let owned: Vec<Entry> = entries.into_iter().cloned().collect();
        Summary {
            schema: 1,
            detector: DETECTOR_VERSION,
            without_truth: 0,
            refused: Vec::new(),
            totals,
            all,
            families,
            worst: worst(&owned, most_worst),
            bounds,
        }
    }

    /// Whether every bound was kept.
    pub fn kept(&self) -> bool {
        self.bounds.iter().flatten().all(|b| b.kept)
    }
}

//! A baseline against the decisions of the present code.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::baseline::Baseline;
use super::decision::{Decision, OwnEvents};

/// How far a number may move without being told.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Tolerances {
    /// Times of the fate and of its decision, min.
    pub fate_min: f64,
    /// Time of letting go, min.
    pub release_min: f64,
    /// Time of recovery and of its decision, h.
    pub recovery_h: f64,
    /// Mean rate in any eighth of the record, beats/min.
    pub rate_per_min: f64,
    /// Mean sway and VeDBA, per cent.
    pub motion_percent: f64,
    /// Mean pitch and roll, degrees.
    pub posture_deg: f64,
}

impl Default for Tolerances {
    fn default() -> Self {
        Tolerances {
            fate_min: 2.0,
            release_min: 5.0,
            recovery_h: 0.25,
            rate_per_min: 0.2,
            motion_percent: 2.0,
            posture_deg: 1.0,
        }
    }
}

/// What changed, the most serious first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// What the tag held to have become of the animal and itself.
    Fate,
    /// Why it let go.
    Cause,
    /// When it happened, or when the tag knew.
    FateTime,
    /// When it let go.
    ReleaseTime,
    /// Recovery, or its time.
    Recovery,
    /// Beats a minute.
    Rate,
    /// Sway, VeDBA, pitch or roll.
    Motion,
    /// Events of the registered detector.
    Own,
}

/// One thing that changed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Change {
    /// What.
    pub kind: Kind,
    /// Its key in the baseline.
    pub key: &'static str,
    /// What it was.
    pub was: String,
    /// What it is.
    pub now: String,
    /// By how many tolerances it moved, where it is a number.
    pub tolerances: Option<f64>,
}

/// A deployment whose decisions changed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Changed {
    /// The trace.
    pub trace: String,
    /// Identifier of the deployment.
    pub id: Option<String>,
    /// Whether its deployment file changed too.
    pub deployment_changed: bool,
    /// What changed, the most serious first.
    pub changes: Vec<Change>,
}

/// What came of a comparison.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Comparison {
    /// Version of this layout.
    pub schema: u32,
    /// The on-tag code of the baseline.
    pub detector_was: String,
    /// The present one.
    pub detector_now: String,
    /// Settings whose default changed: key, was, is. Absent before or now: `None`.
    pub defaults_changed: Vec<(String, Option<f64>, Option<f64>)>,
    /// The tolerances.
    pub tolerances: Tolerances,
    /// Deployments whose decisions could be compared.
    pub compared: usize,
    /// Those whose decisions changed, the most serious first.
    pub changed: Vec<Changed>,
    /// Deployments by kind of their most serious change.
    pub worst_by_kind: BTreeMap<Kind, usize>,
    /// Traces whose deployment file changed, and no decision with it.
    pub deployment_changed: Vec<String>,
    /// Traces whose content changed: their decisions were not compared.
    pub trace_changed: Vec<String>,
    /// Traces of the baseline that are not there.
    pub missing: Vec<String>,
    /// Traces that the baseline does not know.
    pub new: Vec<String>,
    /// Traces that could not be read, and why.
    pub refused: Vec<String>,
}

impl Comparison {
    /// Nothing changed, neither decisions nor what they were taken from.
    pub fn is_silent(&self) -> bool {
        let Comparison { changed, deployment_changed, trace_changed, missing, new, .. } = self;
        changed.is_empty()
            && [deployment_changed, trace_changed, missing, new].iter().all(|l| l.is_empty())
    }
}

/// Compares `baseline` with `now`. Traces in `unread` were found but could not be
/// read: they are neither missing nor compared.
///
/// Traces are matched by name, and what is left over by content, so that a folder that
/// was moved or named otherwise is the same folder.
pub fn compare(
    baseline: &Baseline,
    now: &Baseline,
    unread: &[String],
    tolerances: &Tolerances,
) -> Comparison {
    let mut left: BTreeMap<&str, &Decision> =
        now.decisions.iter().map(|d| (d.trace.as_str(), d)).collect();
    let (mut pairs, mut unmatched) = (Vec::new(), Vec::new());
    for was in &baseline.decisions {
        match left.remove(was.trace.as_str()) {
            Some(is) => pairs.push((was, is)),
            None => unmatched.push(was),
        }
    }
    let mut missing = Vec::new();
    for was in unmatched {
        let same = |d: &&&Decision| {
            d.trace_hash == was.trace_hash && d.deployment_hash == was.deployment_hash
        };
        let moved = left.values().find(same).map(|d| d.trace.as_str());
        match moved.and_then(|name| left.remove(name)) {
            Some(is) => pairs.push((was, is)),
            None => missing.push(was.trace.clone()),
        }
    }
    missing.retain(|name| !unread.contains(name));

    let (mut changed, mut deployment_changed, mut trace_changed) = (vec![], vec![], vec![]);
    let mut compared = 0;
    for (was, is) in pairs {
        if was.trace_hash != is.trace_hash {
            trace_changed.push(is.trace.clone());
            continue;
        }
        compared += 1;
        let other_deployment = was.deployment_hash != is.deployment_hash;
        let mut changes = Differences { was, is, tolerances, found: Vec::new() }.all();
        if !changes.is_empty() {
            changes.sort_by_key(|c| c.kind);
            changed.push(Changed {
                trace: is.trace.clone(),
                id: is.id.clone(),
                deployment_changed: other_deployment,
                changes,
            });
        } else if other_deployment {
            deployment_changed.push(is.trace.clone());
        }
    }
    let size = |c: &Changed| c.changes[0].tolerances.unwrap_or(0.0);
    changed.sort_by(|a, b| {
        let kinds = |c: &Changed| c.changes.iter().map(|c| c.kind).collect::<BTreeSet<_>>().len();
        (a.changes[0].kind.cmp(&b.changes[0].kind))
            .then_with(|| kinds(b).cmp(&kinds(a)))
            .then_with(|| size(b).total_cmp(&size(a)))
            .then_with(|| a.trace.cmp(&b.trace))
    });
    let mut worst_by_kind = BTreeMap::new();
    for c in &changed {
        *worst_by_kind.entry(c.changes[0].kind).or_insert(0) += 1;
    }
    let keys: BTreeSet<_> =
        baseline.default_settings.keys().chain(now.default_settings.keys()).collect();
    let defaults_changed = keys
        .into_iter()
        .map(|key| {
            let of = |b: &Baseline| b.default_settings.get(key).copied();
            (key.clone(), of(baseline), of(now))
        })
        .filter(|(_, was, now)| was != now)
        .collect();
    Comparison {
        schema: 1,
        detector_was: baseline.detector.clone(),
        detector_now: now.detector.clone(),
        defaults_changed,
        tolerances: *tolerances,
        compared,
        changed,
        worst_by_kind,
        deployment_changed,
        trace_changed,
        missing,
        new: left.into_keys().map(str::to_owned).collect(),
        refused: Vec::new(),
    }
}

struct Differences<'a> {
    was: &'a Decision,
    is: &'a Decision,
    tolerances: &'a Tolerances,
    found: Vec<Change>,
}

impl Differences<'_> {
    fn all(mut self) -> Vec<Change> {
        let (was, is, t) = (self.was, self.is, *self.tolerances);
        let word = |d: &Decision| match &d.fate_detail {
            Some(detail) => format!("{} ({detail})", d.fate),
            None => d.fate.clone(),
        };
        self.words(Kind::Fate, "fate", &word(was), &word(is));
        self.words(Kind::Cause, "release_cause", &was.release_cause, &is.release_cause);
        let min = 60.0 * t.fate_min;
        // Of another fate, the times are another matter.
        if was.fate == is.fate {
            self.time(Kind::FateTime, "fate_t_s", was.fate_t_s, is.fate_t_s, min);
            let decided = (was.fate_decided_t_s, is.fate_decided_t_s);
            self.time(Kind::FateTime, "fate_decided_t_s", decided.0, decided.1, min);
        }
        let min = 60.0 * t.release_min;
        self.time(Kind::ReleaseTime, "release_t_s", was.release_t_s, is.release_t_s, min);
        let h = 3600.0 * t.recovery_h;
        self.time(Kind::Recovery, "recovery_t_s", was.recovery_t_s, is.recovery_t_s, h);
        let decided = (was.recovery_decided_t_s, is.recovery_decided_t_s);
        self.time(Kind::Recovery, "recovery_decided_t_s", decided.0, decided.1, h);
        self.rates(t.rate_per_min);
        let part = 0.01 * t.motion_percent;
        for (key, was, is) in
            [("sway_g", was.sway_g, is.sway_g), ("vedba_g", was.vedba_g, is.vedba_g)]
        {
            // Five mg is what a quiet sensor's own noise makes of either.
            let tolerance = part * was.unwrap_or(0.0).abs().max(0.005);
            self.number(Kind::Motion, key, was, is, tolerance, |v| format!("{v:.4} g"));
        }
        let deg = |v| format!("{v:.1} deg");
        self.number(Kind::Motion, "pitch_deg", was.pitch_deg, is.pitch_deg, t.posture_deg, deg);
        // The short way round, so that 179 and -179 degrees are two apart.
        let near =
            was.roll_deg.zip(is.roll_deg).map(|(a, b)| b - 360.0 * ((b - a) / 360.0).round());
        let roll = near.or(is.roll_deg);
        // A mean direction may be lost in an animal that rolls all ways; that is no change.
        if was.roll_deg.is_some() && roll.is_some() {
            self.number(Kind::Motion, "roll_deg", was.roll_deg, roll, t.posture_deg, deg);
        }
        self.own();
        self.found
    }

    /// Kinds of event that came another number of times, or at other times.
    fn own(&mut self) {
        let nothing = BTreeMap::new();
        let (was, is) = (self.was.own.as_ref(), self.is.own.as_ref());
        let (was, is) = (was.unwrap_or(&nothing), is.unwrap_or(&nothing));
        let kinds: BTreeSet<&String> = was.keys().chain(is.keys()).collect();
        for kind in kinds {
            let (was, is) = (was.get(kind), is.get(kind));
            if was == is {
                continue;
            }
            let told = |e: Option<&OwnEvents>| {
                e.map_or(format!("{kind} not recorded"), |e| format!("{kind} {}", e.count))
            };
            let same = was.map(|e| e.count) == is.map(|e| e.count);
            let now = told(is) + if same { ", at other times" } else { "" };
            let was = told(was);
            self.found.push(Change { kind: Kind::Own, key: "own", was, now, tolerances: None });
        }
    }

    fn words(&mut self, kind: Kind, key: &'static str, was: &str, now: &str) {
        if was != now {
            let (was, now) = (was.to_owned(), now.to_owned());
            self.found.push(Change { kind, key, was, now, tolerances: None });
        }
    }

    fn time(
        &mut self,
        kind: Kind,
        key: &'static str,
        was: Option<f64>,
        now: Option<f64>,
        tolerance_s: f64,
    ) {
        self.number(kind, key, was, now, tolerance_s, |t| format!("{:.2} h", t / 3600.0));
    }

    fn number(
        &mut self,
        kind: Kind,
        key: &'static str,
        was: Option<f64>,
        now: Option<f64>,
        tolerance: f64,
        shown: impl Fn(f64) -> String,
    ) {
        let by = match (was, now) {
            (None, None) => return,
            (Some(was), Some(now)) if (was - now).abs() <= tolerance => return,
            (Some(was), Some(now)) => Some((was - now).abs() / tolerance.max(f64::MIN_POSITIVE)),
            _ => None,
        };
        let word = |v: Option<f64>| v.map_or_else(|| "none".to_owned(), &shown);
        let tolerances = by.map(|b| (b * 10.0).round() / 10.0);
        self.found.push(Change { kind, key, was: word(was), now: word(now), tolerances });
    }

    /// The eighth whose rate moved most.
    fn rates(&mut self, tolerance: f64) {
        let (was, is) = (&self.was.rates_per_min, &self.is.rates_per_min);
        let moved =
            |i: &usize| match (was.get(*i).copied().flatten(), is.get(*i).copied().flatten()) {
                (Some(a), Some(b)) => (a - b).abs(),
                (None, None) => 0.0,
                _ => f64::INFINITY,
            };
        let most = (0..was.len().max(is.len())).max_by(|a, b| moved(a).total_cmp(&moved(b)));
        let Some(most) = most else { return };
        let shown = |v: f64| format!("{v:.2}");
        let (was, is) = (was.get(most).copied().flatten(), is.get(most).copied().flatten());
        self.number(Kind::Rate, "rates_per_min", was, is, tolerance, shown);
        if let Some(change) = self.found.last_mut().filter(|c| c.kind == Kind::Rate) {
            change.now.push_str(&format!(" in eighth {}", most + 1));
        }
    }
}

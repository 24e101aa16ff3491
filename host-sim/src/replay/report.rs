//! What a replay found out, in the form in which scripts read it.

use firmware_core::config::Breathing;
use firmware_core::types::{self, Cause, FAULT_KINDS, Fate, FaultKind, State};
use serde::Serialize;

use super::Replayer;
use super::begin::{EndReport, LaunchReport};
use crate::faults::hardware::Injected;
use crate::own::OwnEvents;
use crate::trace::{Placed, READ_FAULTS, ReadFaults, TraceReader};

/// Facts about the trace and its deployment that the report repeats or needs.
#[derive(Clone, Debug)]
pub struct FileFacts {
    /// The trace, as named by the user.
    pub trace: String,
    /// Identifier of the deployment.
    pub id: Option<String>,
    /// Samples a second.
    pub sample_hz: f64,
    /// `t_s` of the first row of the deployment, s.
    pub first_t_s: f64,
    /// `t_s` of the first row of the record, s.
    pub record_t_s: f64,
    /// Where the deployment lies in the record.
    pub placed: Placed,
    /// The end of the deployment is stated.
    pub end_stated: bool,
    /// Unix time of the first row of the deployment, microseconds.
    pub start_unix_us: Option<i64>,
    /// Breathing mode assumed.
    pub breathing: Breathing,
    /// Whether there was a column of depth or pressure.
    pub has_depth: bool,
    /// Whether acceleration was given in counts.
    pub raw_counts: bool,
    /// Nominal capacity of the battery, mAh.
    pub cell_mah: f64,
    /// Name of the tag whose parts draw on it.
    pub tag: String,
    /// Memory for the record, bytes.
    pub memory_bytes: f64,
}

impl FileFacts {
    /// With what `reader` knows of the end by now.
    #[must_use]
    pub fn ended(mut self, reader: &TraceReader) -> Self {
        self.placed = reader.placed().unwrap_or(self.placed);
        self
    }
}

/// The report of one trace. Times are in seconds on the clock of the trace.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    /// Version of this layout.
    pub schema: u32,
    /// The trace, as named by the user.
    pub trace: String,
    /// Identifier of the deployment.
    pub id: Option<String>,
    /// Rows given to the tag.
    pub samples: u64,
    /// The animal's release on the clock of the trace, s: hours count from it.
    pub first_t_s: f64,
    /// From the animal's release to the latest row of the deployment, s.
    pub duration_s: f64,
    /// Samples a second.
    pub sample_hz: f64,
    /// How the animal's release was found.
    pub launch: LaunchReport,
    /// The end of the deployment within the record, where there is one.
    pub end: Option<EndReport>,
    /// `alive`, `dead`, `detached` or `undetermined`.
    pub fate: &'static str,
    /// `floating` or `on_bottom`, where detached.
    pub fate_detail: Option<&'static str>,
    /// When it happened, by the detector's own estimate, s.
    pub fate_t_s: Option<f64>,
    /// When the tag knew, s.
    pub fate_decided_t_s: Option<f64>,
    /// Natural log of the likelihood ratio against a living animal wearing the tag.
    pub fate_evidence: Option<f32>,
    /// When the animal had recovered, s, where decided.
    pub recovery_t_s: Option<f64>,
    /// When the tag knew, s.
    pub recovery_decided_t_s: Option<f64>,
    /// Latest estimate, decided or not, s.
    pub recovery_estimate_t_s: Option<f64>,
    /// Standard error of the latest estimate, s.
    pub recovery_se_s: Option<f32>,
    /// Probability that the animal has recovered, 0 to 1.
    pub recovery_prob: Option<f32>,
    /// The decision to let go.
    pub release: ReleaseReport,
    /// Tail beats.
    pub beats: Beats,
    /// Minute summaries, where asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes: Option<Vec<Minute>>,
    /// What the registered detector reported; absent without one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub own: Option<OwnEvents>,
    /// Faults of the sensors and of the file.
    pub faults: Vec<Fault>,
    /// Charge drawn.
    pub energy: EnergyUse,
    /// Memory taken.
    pub memory: Memory,
    /// What was injected, where faults were.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub injected: Option<Injected>,
    /// Facts for the text form.
    #[serde(skip)]
    pub facts: FileFacts,
}

/// The decision to let go.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct ReleaseReport {
    /// When, s.
    pub t_s: Option<f64>,
    /// Why; `none` where the tag had not let go by the end.
    pub cause: &'static str,
    /// The number that the cause was judged by.
    pub value: Option<f32>,
    /// The bound it was held against, same unit.
    pub bound: Option<f32>,
    /// When the cause first stood, s.
    pub since_s: Option<f64>,
}

/// Tail beats.
#[derive(Clone, Debug, Serialize)]
pub struct Beats {
    /// Number of beats.
    pub count: u64,
    /// Their times, s, where asked for.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "times")]
    pub times_s: Option<BeatTimes>,
}

/// Times of beats, kept as whole microseconds from the first row.
#[derive(Clone, Debug)]
pub struct BeatTimes {
    us: Vec<u64>,
    first_t_s: f64,
}

impl BeatTimes {
    /// Times in microseconds from the first row, which is at `first_t_s`, s.
    pub(crate) fn new(us: Vec<u64>, first_t_s: f64) -> Self {
        BeatTimes { us, first_t_s }
    }

    /// The times on the clock of the trace, s.
    pub fn iter(&self) -> impl Iterator<Item = f64> + '_ {
        self.us.iter().map(|&us| seconds(us, self.first_t_s))
    }
}

fn times<S: serde::Serializer>(times: &Option<BeatTimes>, to: S) -> Result<S::Ok, S::Error> {
    to.collect_seq(times.iter().flat_map(BeatTimes::iter))
}

/// One minute.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Minute {
    /// Start, s.
    pub t_s: f64,
    /// Beats in the minute; `None` where too little was recorded.
    pub beats_per_min: Option<f32>,
    /// Mean sway amplitude, g.
    pub sway_g: f32,
    /// Mean ODBA, g.
    pub odba_g: f32,
    /// Mean VeDBA, g.
    pub vedba_g: f32,
    /// Mean pitch, degrees.
    pub pitch_deg: f32,
    /// Mean roll, degrees.
    pub roll_deg: f32,
    /// Mean depth, m.
    pub depth_m: Option<f32>,
    /// `swimming`, `resting`, `dead`, `floating`, `on_bottom` or `unknown`.
    pub state: &'static str,
}

impl Minute {
    pub(crate) fn new(m: &types::Minute, first_t_s: f64) -> Self {
        Minute {
            t_s: seconds(m.t_us, first_t_s),
            beats_per_min: m.beats_per_min,
            sway_g: m.sway_g,
            odba_g: m.odba_g,
            vedba_g: m.vedba_g,
            pitch_deg: m.pitch_deg,
            roll_deg: m.roll_deg,
            depth_m: m.depth_m,
            state: state_name(m.state),
        }
    }
}

/// Name of what the animal was doing.
pub(crate) fn state_name(state: State) -> &'static str {
    match state {
        State::Swimming => "swimming",
        State::Resting => "resting",
        State::Dead => "dead",
        State::Floating => "floating",
        State::OnBottom => "on_bottom",
        State::Unknown => "unknown",
    }
}

/// Name of a fate, and of how the tag came off.
pub(crate) fn fate_name(fate: Fate) -> (&'static str, Option<&'static str>) {
    match fate {
        Fate::Undetermined => ("undetermined", None),
        Fate::Alive => ("alive", None),
        Fate::Dead => ("dead", None),
        Fate::DetachedFloating => ("detached", Some("floating")),
        Fate::DetachedOnBottom => ("detached", Some("on_bottom")),
    }
}

/// A kind of fault.
#[derive(Clone, Copy, Debug, Serialize, PartialEq, Eq)]
pub struct Fault {
    /// Its name.
    pub kind: &'static str,
    /// Line of the file, from 1, at which it was first noticed.
    pub first_row: u64,
    /// Samples, cells, rows or events at fault.
    pub count: u64,
}

/// Charge drawn.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct EnergyUse {
    /// Used, mAh.
    pub used_mah: f64,
    /// Part left, 0 to 1.
    pub left_fraction: f64,
}

/// Memory taken.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Memory {
    /// Bytes of the record.
    pub record_bytes: u32,
    /// Part of the memory, 0 to 1.
    pub used_fraction: f64,
}

/// Name of a kind of fault found by the tag.
pub(crate) fn fault_name(kind: FaultKind) -> &'static str {
    match kind {
        FaultKind::StuckAxis => "stuck_axis",
        FaultKind::ClippedAxis => "clipped_axis",
        FaultKind::MissingAxis => "missing_axis",
        FaultKind::Gap => "gap",
        FaultKind::ClockJump => "clock_jump",
        FaultKind::DepthFault => "depth_fault",
    }
}

pub(crate) fn cause_name(cause: Cause) -> &'static str {
    match cause {
        Cause::Ceiling => "ceiling",
        Cause::Death => "death",
        Cause::Detached => "detached",
        Cause::Recovered => "recovered",
        Cause::MemoryFull => "memory_full",
        Cause::CellLow => "cell_low",
        Cause::TooDeep => "too_deep",
    }
}

/// Microseconds from the first row on the clock of the trace, s.
pub(crate) fn seconds(us: u64, first_t_s: f64) -> f64 {
    // Whole microseconds first, so that the quotient is the nearest number.
    (us as f64 + (first_t_s * 1e6).round()) / 1e6
}

impl Report {
    pub(super) fn new(r: Replayer, facts: FileFacts, read: &ReadFaults) -> Self {
        let at = |tag_us| r.clock.at_s(tag_us, r.first_t_s);
        let (fate, fate_detail) = fate_name(r.tag.fate());
        let decided = r.tag.fate_report().filter(|f| f.fate == r.tag.fate());
        let happened = decided.filter(|f| !matches!(f.fate, Fate::Alive | Fate::Undetermined));
        let recovery = r.tag.recovery();
        let recovered = recovery.filter(|rec| rec.decided_us.is_some());
        let estimate = |rec: &types::RecoveryReport| r.clock.estimate_s(rec.t_s, r.first_t_s);
        // A decision outlives the detectors' state where faults are injected.
        let release = r.injected.as_ref().map_or(r.tag.release(), |i| i.decision);
        let tallies = r.tag_faults();
        let by_tag = FAULT_KINDS.iter().zip(tallies).map(|(&kind, t)| (fault_name(kind), t));
        let by_file = READ_FAULTS.iter().map(|&kind| (kind.name(), read.get(kind)));
        let faults = by_tag
            .chain(by_file)
            .filter(|(_, t)| t.count > 0)
            .map(|(kind, t)| Fault { kind, first_row: t.first_row, count: t.count })
            .collect();
        let record_bytes = r.tag.record_bytes();
        Report {
            schema: 1,
            trace: facts.trace.clone(),
            id: facts.id.clone(),
            samples: r.samples,
            first_t_s: r.first_t_s,
            launch: LaunchReport::new(&facts),
            end: EndReport::new(&facts),
            duration_s: r.last_us as f64 / 1e6 - (r.first_t_s - r.record_t_s),
            sample_hz: facts.sample_hz,
            fate,
            fate_detail,
            fate_t_s: happened.map(|f| at(f.event_us)),
            fate_decided_t_s: decided.map(|f| at(f.decided_us)),
            fate_evidence: decided.map(|f| f.evidence),
            recovery_t_s: recovered.as_ref().map(estimate),
            recovery_decided_t_s: recovered.and_then(|rec| rec.decided_us).map(at),
            recovery_estimate_t_s: recovery.as_ref().map(estimate),
            recovery_se_s: recovery.map(|rec| rec.se_s),
            recovery_prob: recovery.map(|rec| rec.prob),
            release: ReleaseReport {
                t_s: release.map(|d| at(d.t_us)),
                cause: release.map_or("none", |d| cause_name(d.cause)),
                value: release.map(|d| d.value),
                bound: release.map(|d| d.bound),
                since_s: release.map(|d| at(d.since_us)),
            },
            beats: Beats {
                count: r.beat_count,
                times_s: r
                    .keep
                    .beats
                    .then_some(BeatTimes { us: r.beats_us, first_t_s: r.first_t_s }),
            },
            minutes: r.keep.minutes.then_some(r.minutes),
            own: OwnEvents::of(&r.own, &r.own_params, at),
            faults,
            energy: EnergyUse {
                used_mah: r.energy.used_mah(),
                left_fraction: r.energy.left_fraction(),
            },
            memory: Memory {
                record_bytes,
                used_fraction: (f64::from(record_bytes) / r.memory_bytes).min(1.0),
            },
            injected: r.injected,
            facts,
        }
    }
}

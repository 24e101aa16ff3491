//! Events, each with the evidence that it rests on. Numbers that a decision was
//! taken by are kept by their bits, times to the microsecond.

use super::{
    Body, Kind, Pack, Unpack, cause_code, cause_of, fate_code, fate_of, fault_code, unpack_minute,
};
use crate::tag::{FAULT_KINDS, FateReport, FaultKind, Minute, RecoveryReport, ReleaseDecision};

/// Says that there is none, in a time.
const NO_TIME: u64 = 0xFFFF_FFFF_FFFF;

/// The deployment began.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StartEvent {
    /// Number of the deployment, 0 to 255, as in its messages.
    pub deployment: u8,
    /// Unix time of the start, s, where known; 1970 to 2106.
    pub start_unix_s: Option<u32>,
    /// Samples a second.
    pub sample_hz: f32,
    /// Release floor, h.
    pub floor_h: f32,
    /// Release ceiling, h.
    pub ceiling_h: f32,
}

impl Body for StartEvent {
    const KIND: Kind = Kind::Start;

    fn pack(&self, into: &mut Pack<'_>) {
        into.u8(self.deployment);
        into.u32(self.start_unix_s.unwrap_or(u32::MAX));
        into.f32(self.sample_hz);
        into.f32(self.floor_h);
        into.f32(self.ceiling_h);
    }
}

impl StartEvent {
    /// Reads a payload.
    pub fn unpack(from: &mut Unpack<'_>) -> Option<Self> {
        Some(StartEvent {
            deployment: from.u8()?,
            start_unix_s: Some(from.u32()?).filter(|s| *s != u32::MAX),
            sample_hz: from.f32()?,
            floor_h: from.f32()?,
            ceiling_h: from.f32()?,
        })
    }
}

/// The tag was reset and goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ResetEvent {
    /// When it went on, microseconds of tag time.
    pub t_us: u64,
    /// How long it was out at most, microseconds, where known: since the clock was last kept.
    pub out_us: Option<u64>,
    /// Resets so far, this one included.
    pub count: u16,
    /// What the firmware knows of the reason (its own code).
    pub reason: u8,
}

impl Body for ResetEvent {
    const KIND: Kind = Kind::Reset;

    fn pack(&self, into: &mut Pack<'_>) {
        into.time(self.t_us);
        into.time(self.out_us.unwrap_or(NO_TIME));
        into.u16(self.count);
        into.u8(self.reason);
    }
}

impl ResetEvent {
    /// Reads a payload.
    pub fn unpack(from: &mut Unpack<'_>) -> Option<Self> {
        Some(ResetEvent {
            t_us: from.time()?,
            out_us: Some(from.time()?).filter(|us| *us != NO_TIME),
            count: from.u16()?,
            reason: from.u8()?,
        })
    }
}

/// The latest minute as evidence, where there was one.
fn pack_evidence(minute: Option<&Minute>, into: &mut Pack<'_>) {
    into.u8(u8::from(minute.is_some()));
    if let Some(minute) = minute {
        minute.pack(into);
    }
}

fn unpack_evidence(from: &mut Unpack<'_>) -> Option<Option<Minute>> {
    match from.u8()? {
        0 => Some(None),
        1 => unpack_minute(from).map(Some),
        _ => None,
    }
}

/// Fate was decided or revised.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FateEvent {
    /// The decision.
    pub report: FateReport,
    /// The minute that it was taken on.
    pub minute: Option<Minute>,
}

impl Body for FateEvent {
    const KIND: Kind = Kind::Fate;

    fn pack(&self, into: &mut Pack<'_>) {
        into.u8(fate_code(self.report.fate));
        into.time(self.report.event_us);
        into.time(self.report.decided_us);
        into.f32(self.report.evidence);
        pack_evidence(self.minute.as_ref(), into);
    }
}

impl FateEvent {
    /// Reads a payload.
    pub fn unpack(from: &mut Unpack<'_>) -> Option<Self> {
        let report = FateReport {
            fate: fate_of(from.u8()?)?,
            event_us: from.time()?,
            decided_us: from.time()?,
            evidence: from.f32()?,
        };
        Some(FateEvent { report, minute: unpack_evidence(from)? })
    }
}

/// Recovery was estimated anew or decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RecoveryEvent {
    /// When, microseconds.
    pub t_us: u64,
    /// The estimate.
    pub report: RecoveryReport,
}

impl Body for RecoveryEvent {
    const KIND: Kind = Kind::Recovery;

    fn pack(&self, into: &mut Pack<'_>) {
        into.time(self.t_us);
        into.f32(self.report.t_s);
        into.f32(self.report.se_s);
        into.f32(self.report.prob);
        into.time(self.report.decided_us.unwrap_or(NO_TIME));
    }
}

impl RecoveryEvent {
    /// Reads a payload.
    pub fn unpack(from: &mut Unpack<'_>) -> Option<Self> {
        Some(RecoveryEvent {
            t_us: from.time()?,
            report: RecoveryReport {
                t_s: from.f32()?,
                se_s: from.f32()?,
                prob: from.f32()?,
                decided_us: Some(from.time()?).filter(|us| *us != NO_TIME),
            },
        })
    }
}

/// The tag lets go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReleaseEvent {
    /// The decision, with the number and the bound that it was judged by.
    pub decision: ReleaseDecision,
    /// The latest minute.
    pub minute: Option<Minute>,
}

impl Body for ReleaseEvent {
    const KIND: Kind = Kind::Release;

    fn pack(&self, into: &mut Pack<'_>) {
        into.u8(cause_code(self.decision.cause));
        into.time(self.decision.t_us);
        into.time(self.decision.since_us);
        into.f32(self.decision.value);
        into.f32(self.decision.bound);
        pack_evidence(self.minute.as_ref(), into);
    }
}

impl ReleaseEvent {
    /// Reads a payload.
    pub fn unpack(from: &mut Unpack<'_>) -> Option<Self> {
        let decision = ReleaseDecision {
            cause: cause_of(from.u8()?)?,
            t_us: from.time()?,
            since_us: from.time()?,
            value: from.f32()?,
            bound: from.f32()?,
        };
        Some(ReleaseEvent { decision, minute: unpack_evidence(from)? })
    }
}

/// The first fault of its kind within an hour; the hour's record counts them all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FaultEvent {
    /// When it began, microseconds.
    pub t_us: u64,
    /// What it is.
    pub kind: FaultKind,
    /// Samples (or events) at fault so far.
    pub count: u32,
}

impl Body for FaultEvent {
    const KIND: Kind = Kind::Fault;

    fn pack(&self, into: &mut Pack<'_>) {
        into.time(self.t_us);
        into.u8(fault_code(self.kind));
        into.u32(self.count);
    }
}

impl FaultEvent {
    /// Reads a payload.
    pub fn unpack(from: &mut Unpack<'_>) -> Option<Self> {
        Some(FaultEvent {
            t_us: from.time()?,
            kind: *FAULT_KINDS.get(usize::from(from.u8()?))?,
            count: from.u32()?,
        })
    }
}

//! Events, each with the evidence that it rests on. Numbers that a decision was
//! taken by are kept by their bits, times to the microsecond.

use super::field::{Field, Pack, Unpack, layout};
use crate::types::{
    FateReport, FaultKind, LaunchReport, LaunchStep, Minute, RecoveryReport, ReleaseDecision,
    launch_code, launch_of,
};

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

layout!(StartEvent { deployment, start_unix_s, sample_hz, floor_h, ceiling_h });

/// The deployment has ended: its log may be formatted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EndEvent {
    /// When, microseconds of tag time.
    pub t_us: u64,
    /// Why: the firmware's own code.
    pub reason: u8,
}

layout!(EndEvent { t_us, reason });

/// Who recorded what follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Identity {
    /// The firmware's own version.
    pub firmware: u32,
    /// The core, [`PROGRAM`](crate::program::PROGRAM).
    pub program: u32,
    /// A hash of all settings of the detectors.
    pub settings: u32,
    /// Serial number of the tag.
    pub serial: u32,
    /// Number of the deployment.
    pub deployment: u32,
}

layout!(Identity { firmware, program, settings, serial, deployment });

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

layout!(ResetEvent { t_us, out_us, count, reason });

/// The deployment begins, or ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LaunchEvent {
    /// What the tag knew, and by what.
    pub report: LaunchReport,
    /// How long before it had begun, microseconds.
    pub ago_us: u64,
    /// Numbers of the log's next records, in the order of the classes, as it began: those before are
    /// not of this deployment.
    pub numbers: [u32; 3],
}

layout!(LaunchEvent { report, ago_us, numbers });
layout!(LaunchReport { step, t_us, depth_m: scaled_option(16.0), deep_s, pose_s });

impl Field for LaunchStep {
    fn put(&self, into: &mut Pack<'_>) {
        into.u8(launch_code(*self));
    }

    fn take(from: &mut Unpack<'_>) -> Option<Self> {
        u8::take(from).and_then(launch_of)
    }
}

/// The latest minute as evidence: a byte that says whether there was one, then that minute.
impl Field for Option<Minute> {
    fn put(&self, into: &mut Pack<'_>) {
        into.u8(u8::from(self.is_some()));
        if let Some(minute) = self {
            minute.put(into);
        }
    }

    fn take(from: &mut Unpack<'_>) -> Option<Self> {
        match u8::take(from)? {
            0 => Some(None),
            1 => Minute::take(from).map(Some),
            _ => None,
        }
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

layout!(FateEvent { report, minute });
layout!(FateReport { fate, event_us, decided_us, evidence });

/// Recovery was estimated anew or decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RecoveryEvent {
    /// When, microseconds.
    pub t_us: u64,
    /// The estimate.
    pub report: RecoveryReport,
}

layout!(RecoveryEvent { t_us, report });
layout!(RecoveryReport { t_s, se_s, prob, decided_us });

/// The tag lets go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReleaseEvent {
    /// The decision, with the number and the bound that it was judged by.
    pub decision: ReleaseDecision,
    /// The latest minute.
    pub minute: Option<Minute>,
}

layout!(ReleaseEvent { decision, minute });
layout!(ReleaseDecision { cause, t_us, since_us, value, bound });

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

layout!(FaultEvent { t_us, kind, count });

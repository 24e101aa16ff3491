//! What every message tells.

use super::bits::{Reader, Writer};
use super::level::Level;
use crate::checkpoint::{Cursor, Kept};
use crate::math;
use crate::record::{cause_code, cause_of, fate_code, fate_of};
use crate::tag::{Cause, Fate};
use macro_rules_attribute::derive;

/// Hours after the start at whose end the beat rate is told; the sixth rate is
/// that of the latest hour with swimming.
pub const CHOSEN_HOURS: [u16; 5] = [1, 3, 6, 12, 24];

/// No time known.
const NO_MINUTE: u32 = 0x3_FFFF;
const NO_RECOVERY: u32 = 0xFFF;
const NO_CELL: u32 = 31;

/// Bits of the self-checks. A set bit is bad news, but for [`RELEASE_VERIFIED`](checks::RELEASE_VERIFIED).
pub mod checks {
    /// An axis was stuck or missing.
    pub const ACCELEROMETER: u8 = 1;
    /// An axis was at full scale.
    pub const CLIPPED: u8 = 2;
    /// Samples were missing.
    pub const GAP: u8 = 4;
    /// Time jumped.
    pub const CLOCK: u8 = 8;
    /// The depth sensor failed.
    pub const DEPTH: u8 = 16;
    /// A record could not be kept.
    pub const MEMORY: u8 = 32;
    /// The tag was reset.
    pub const RESET: u8 = 64;
    /// The release was fired and seen to have worked.
    pub const RELEASE_VERIFIED: u8 = 128;
}

/// What is known of recovery.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Recovery {
    /// Nothing yet.
    Unknown,
    /// An estimate.
    Estimated {
        /// Hours after the start, to 0.05 h; 409.4 says that or more.
        t_h: f32,
        /// Standard error, h, to 0.05 h; 6.3 says that or more.
        se_h: f32,
    },
    /// Decided; fields as above.
    Decided {
        /// See [`Recovery::Estimated`].
        t_h: f32,
        /// See [`Recovery::Estimated`].
        se_h: f32,
    },
}

impl Kept for Recovery {
    fn blank() -> Self {
        Recovery::Unknown
    }

    fn visit(&mut self, cursor: &mut Cursor<'_>) {
        let (mut code, mut t_h, mut se_h) = match *self {
            Recovery::Unknown => (0_u8, 0.0, 0.0),
            Recovery::Estimated { t_h, se_h } => (1, t_h, se_h),
            Recovery::Decided { t_h, se_h } => (2, t_h, se_h),
        };
        code.visit(cursor);
        t_h.visit(cursor);
        se_h.visit(cursor);
        *self = match code {
            0 => Recovery::Unknown,
            1 => Recovery::Estimated { t_h, se_h },
            2 => Recovery::Decided { t_h, se_h },
            _ => return cursor.spoil(),
        };
    }
}

/// What every message tells. Times are minutes of tag time, 0 to 262142 (182 days),
/// to half a minute.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
pub struct Facts {
    /// Number of the deployment.
    pub deployment: u8,
    /// Fate as known.
    pub fate: Fate,
    /// When it happened, min.
    pub fate_min: Option<u32>,
    /// When the message was made, min.
    pub now_min: u32,
    /// Recovery.
    pub recovery: Recovery,
    /// Why the tag let go, where it did.
    pub cause: Option<Cause>,
    /// When, min.
    pub release_min: Option<u32>,
    /// Part of the cell's charge left, 0 to 1, to 1/60.
    pub cell_left: Option<f32>,
    /// Self-checks, bits of [`checks`].
    pub checks: u8,
    /// Beat rates in the hours that end at [`CHOSEN_HOURS`], and in the latest with swimming.
    pub chosen: [Level; 6],
}

/// Minutes of a time, microseconds.
pub(super) fn minutes(us: u64) -> u32 {
    let half = us.saturating_add(30_000_000);
    half.checked_div(60_000_000).unwrap_or(0).min(u64::from(NO_MINUTE - 1)) as u32
}

fn put_minute(to: &mut Writer<'_>, minute: Option<u32>) {
    to.put(minute.map_or(NO_MINUTE, |m| m.min(NO_MINUTE - 1)), 18);
}

fn take_minute(from: &mut Reader<'_>) -> Option<u32> {
    Some(from.take(18)).filter(|m| *m != NO_MINUTE)
}

fn tenths(hours: f32, most: u32) -> u32 {
    math::round_u32((hours * 10.0).max(0.0)).min(most)
}

impl Facts {
    #[inline(never)]
    pub(super) fn encode(&self, to: &mut Writer<'_>) {
        to.put(u32::from(self.deployment), 8);
        to.put(u32::from(fate_code(self.fate)), 3);
        put_minute(to, self.fate_min);
        put_minute(to, Some(self.now_min));
        let (status, t, se) = match self.recovery {
            Recovery::Unknown => (0, NO_RECOVERY, 0),
            Recovery::Estimated { t_h, se_h } => {
                (1, tenths(t_h, NO_RECOVERY - 1), tenths(se_h, 63))
            }
            Recovery::Decided { t_h, se_h } => (2, tenths(t_h, NO_RECOVERY - 1), tenths(se_h, 63)),
        };
        to.put(status, 2);
        to.put(t, 12);
        to.put(se, 6);
        to.put(self.cause.map_or(0, |c| u32::from(cause_code(c)).saturating_add(1)), 4);
        put_minute(to, self.release_min);
        let cell = self.cell_left.map_or(NO_CELL, |c| math::round_u32(c.clamp(0.0, 1.0) * 30.0));
        to.put(cell, 5);
        to.put(u32::from(self.checks), 8);
        for level in self.chosen {
            to.put(u32::from(level.code()), 6);
        }
    }

    pub(super) fn decode(from: &mut Reader<'_>) -> Option<Self> {
        let deployment = from.take(8) as u8;
        let fate = fate_of(from.take(3) as u8)?;
        let fate_min = take_minute(from);
        let now_min = take_minute(from)?;
        let (status, t, se) = (from.take(2), from.take(12), from.take(6));
        let (t_h, se_h) = (t as f32 / 10.0, se as f32 / 10.0);
        let recovery = match (status, t) {
            (0, NO_RECOVERY) if se == 0 => Recovery::Unknown,
            (1, 0..NO_RECOVERY) => Recovery::Estimated { t_h, se_h },
            (2, 0..NO_RECOVERY) => Recovery::Decided { t_h, se_h },
            _ => return None,
        };
        let cause = match from.take(4) as u8 {
            0 => None,
            code => Some(cause_of(code.wrapping_sub(1))?),
        };
        let release_min = take_minute(from);
        let cell = Some(from.take(5)).filter(|c| *c != NO_CELL);
        Some(Facts {
            deployment,
            fate,
            fate_min,
            now_min,
            recovery,
            cause,
            release_min,
            cell_left: cell.map(|c| c as f32 / 30.0),
            checks: from.take(8) as u8,
            chosen: [(); 6].map(|()| Level::from_code(from.take(6) as u8)),
        })
    }
}

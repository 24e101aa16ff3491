//! What every message tells.

use crate::kept::{Cursor, Kept};
use crate::math;
use crate::message::bits::Bits;
use crate::message::level::Level;
use crate::types::{Cause, Fate, cause_code, cause_of, fate_code, fate_of};

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
        let (mut status, mut t_h, mut se_h) = self.parts();
        status.visit(cursor);
        t_h.visit(cursor);
        se_h.visit(cursor);
        match Self::of(status, t_h, se_h) {
            Some(recovery) => *self = recovery,
            None => cursor.spoil(),
        }
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

fn minute(minute: Option<u32>, bits: &mut impl Bits) -> Option<u32> {
    let code = minute.map_or(NO_MINUTE, |m| m.min(NO_MINUTE - 1));
    Some(bits.field(code, 18)).filter(|m| *m != NO_MINUTE)
}

fn tenths(hours: f32, most: u32) -> u32 {
    math::round_u32((hours * 10.0).max(0.0)).min(most)
}

impl Recovery {
    /// Its number, the time and the standard error of an estimate, h.
    fn parts(self) -> (u8, f32, f32) {
        match self {
            Recovery::Unknown => (0, 0.0, 0.0),
            Recovery::Estimated { t_h, se_h } => (1, t_h, se_h),
            Recovery::Decided { t_h, se_h } => (2, t_h, se_h),
        }
    }

    fn of(status: u8, t_h: f32, se_h: f32) -> Option<Self> {
        match status {
            0 => Some(Recovery::Unknown),
            1 => Some(Recovery::Estimated { t_h, se_h }),
            2 => Some(Recovery::Decided { t_h, se_h }),
            _ => None,
        }
    }

    fn walk(self, bits: &mut impl Bits) -> Option<Self> {
        let (status, t_h, se_h) = self.parts();
        let (t, se) = match status {
            0 => (NO_RECOVERY, 0),
            _ => (tenths(t_h, NO_RECOVERY - 1), tenths(se_h, 63)),
        };
        let status = bits.field(status.into(), 2) as u8;
        let (t, se) = (bits.field(t, 12), bits.field(se, 6));
        let known = t != NO_RECOVERY;
        let sound = known == (status != 0) && (known || se == 0);
        Self::of(status, t as f32 / 10.0, se as f32 / 10.0).filter(|_| sound)
    }
}

impl Facts {
    /// Writes the facts and gives them back to the resolution of a message; or reads others,
    /// `None` where a code has no meaning.
    pub(super) fn walk(&self, bits: &mut impl Bits) -> Option<Self> {
        Some(Facts {
            deployment: bits.field(self.deployment.into(), 8) as u8,
            fate: fate_of(bits.field(fate_code(self.fate).into(), 3) as u8)?,
            fate_min: minute(self.fate_min, bits),
            now_min: minute(Some(self.now_min), bits)?,
            recovery: self.recovery.walk(bits)?,
            cause: {
                let code = self.cause.map_or(0, |c| u32::from(cause_code(c)).saturating_add(1));
                match bits.field(code, 4) as u8 {
                    0 => None,
                    code => Some(cause_of(code.wrapping_sub(1))?),
                }
            },
            release_min: minute(self.release_min, bits),
            cell_left: {
                let cell = self.cell_left.map(|c| math::round_u32(c.clamp(0.0, 1.0) * 30.0));
                let cell = bits.field(cell.unwrap_or(NO_CELL), 5);
                (cell != NO_CELL).then_some(cell as f32 / 30.0)
            },
            checks: bits.field(self.checks.into(), 8) as u8,
            chosen: self.chosen.map(|l| Level::from_code(bits.field(l.code().into(), 6) as u8)),
        })
    }
}

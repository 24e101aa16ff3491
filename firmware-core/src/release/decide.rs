//! When the tag lets go.
//!
//! Never before the floor, always by the ceiling, whatever any detector says;
//! between them the first cause that has stood for its own confirmation time,
//! and, where its rule says so, only while enough daylight is left for a search.

use crate::config::Config;
use crate::kept::Kept;
use crate::math;
use crate::release::sun;
use crate::types::{Cause, Fate, FateReport, RecoveryReport, ReleaseDecision};

const HOUR_US: f32 = 3.6e9;
/// Time from one call of [`Release::step`] to the next while samples come, microseconds.
const LOOK_EVERY_US: u64 = 2_000_000;
/// Causes below the ceiling, most pressing first.
const CAUSES: [Cause; 6] = [
    Cause::TooDeep,
    Cause::CellLow,
    Cause::Detached,
    Cause::Death,
    Cause::MemoryFull,
    Cause::Recovered,
];

/// What the release is decided from, at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grounds<'a> {
    /// Tag time, microseconds.
    pub now_us: u64,
    /// The decision on fate that stands.
    pub fate: Option<&'a FateReport>,
    /// Evidence against a living animal, decided or not, natural log.
    pub not_living: f32,
    /// The estimate of recovery.
    pub recovery: Option<&'a RecoveryReport>,
    /// Latest depth, m.
    pub depth_m: Option<f32>,
    /// Part of the cell's charge left.
    pub cell_left: Option<f32>,
    /// Part of the memory used.
    pub memory_used: Option<f32>,
}

/// Evidence against a living animal from which a recovered one is not let go: ln(10).
const DOUBT: f32 = 2.3;

#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Rule {
    confirm_s: u32,
    /// Second since when the cause stands.
    since_s: Option<u32>,
    daylight: bool,
}

/// The release stage.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Release {
    floor_us: u64,
    ceiling_us: u64,
    start_unix_s: Option<i64>,
    latitude_deg: f32,
    longitude_deg: f32,
    margin_s: i64,
    max_depth_m: f32,
    reserve: f32,
    full: f32,
    evidence: f32,
    normal_h: f32,
    rules: [Rule; 6],
    /// Some cause stood when they were last looked at.
    any: bool,
    next_sun_us: u64,
    light: bool,
    done: Option<ReleaseDecision>,
}

impl Release {
    /// With the configured rules.
    #[inline(never)]
    pub fn new(config: &Config) -> Self {
        let r = config.release();
        let p = config.place();
        let rules = [
            (r.depth_confirm_s, false),
            (r.cell_confirm_min * 60.0, r.cell_daylight),
            (r.detached_confirm_min * 60.0, r.detached_daylight),
            (r.death_confirm_min * 60.0, r.death_daylight),
            (r.memory_confirm_min * 60.0, r.memory_daylight),
            (r.recovery_normal_h * 3600.0, r.recovery_daylight),
        ];
        Release {
            floor_us: math::to_u64(r.floor_h * HOUR_US),
            ceiling_us: math::to_u64(r.ceiling_h * HOUR_US),
            start_unix_s: p.start_unix_s,
            latitude_deg: p.latitude_deg,
            longitude_deg: p.longitude_deg,
            margin_s: i64::from((r.daylight_margin_h * 3600.0) as i32),
            max_depth_m: r.max_depth_m,
            reserve: r.cell_reserve_fraction,
            full: r.memory_full_fraction,
            evidence: -math::ln(config.detector().false_death_prob),
            normal_h: r.recovery_normal_h,
            rules: rules.map(|(confirm_s, daylight)| Rule {
                confirm_s: math::round_u32(confirm_s),
                since_s: None,
                daylight,
            }),
            light: true,
            ..Kept::blank()
        }
    }

    /// The decision, once made.
    pub fn decision(&self) -> Option<&ReleaseDecision> {
        self.done.as_ref()
    }

    /// Since when a cause stands, microseconds; `None` while it does not, and for the ceiling.
    pub fn standing_since_us(&self, cause: Cause) -> Option<u64> {
        let at = CAUSES.iter().position(|&c| c == cause)?;
        let since_s = self.rules.get(at)?.since_s?;
        Some(u64::from(since_s).saturating_mul(1_000_000))
    }

    /// `t_us`, or the ceiling if that comes first and nothing was decided yet.
    pub fn until_ceiling(&self, t_us: u64) -> u64 {
        if self.done.is_none() { t_us.min(self.ceiling_us) } else { t_us }
    }

    /// When [`Release::step`] is to be called next after `now_us`, microseconds: every two
    /// seconds, and at the ceiling.
    pub fn next_look_us(&self, now_us: u64) -> u64 {
        self.until_ceiling(now_us.saturating_add(LOOK_EVERY_US))
    }

    /// Which of [`CAUSES`] stand, a bit each from the lowest.
    fn standing(&self, g: &Grounds) -> u8 {
        let fate = g.fate.map_or(Fate::Undetermined, |f| f.fate);
        let recovered = g.recovery.is_some_and(|r| r.decided_us.is_some());
        let bit = |stands: bool, place: u32| u8::from(stands).wrapping_shl(place);
        bit(g.depth_m.is_some_and(|d| d > self.max_depth_m), 0)
            | bit(g.cell_left.is_some_and(|left| left <= self.reserve), 1)
            | bit(matches!(fate, Fate::DetachedFloating | Fate::DetachedOnBottom), 2)
            | bit(fate == Fate::Dead, 3)
            | bit(g.memory_used.is_some_and(|used| used >= self.full), 4)
            | bit(recovered && matches!(fate, Fate::Undetermined | Fate::Alive), 5)
    }

    /// The number that a cause that stands was judged by, and its bound.
    #[inline(never)]
    fn judged_by(&self, cause: Cause, g: &Grounds) -> (f32, f32) {
        let hours = |us: u64| us as f32 / HOUR_US;
        match cause {
            Cause::TooDeep => (g.depth_m.unwrap_or(0.0), self.max_depth_m),
            Cause::CellLow => (g.cell_left.unwrap_or(1.0), self.reserve),
            Cause::Detached | Cause::Death => (g.fate.map_or(0.0, |f| f.evidence), self.evidence),
            Cause::MemoryFull => (g.memory_used.unwrap_or(0.0), self.full),
            Cause::Recovered => {
                let since = g.recovery.and_then(|r| r.decided_us).unwrap_or(g.now_us);
                (hours(g.now_us.saturating_sub(since)), self.normal_h)
            }
            Cause::Ceiling => (hours(g.now_us), hours(self.ceiling_us)),
        }
    }

    fn daylight(&mut self, now_us: u64) -> bool {
        let Some(start) = self.start_unix_s else { return true };
        // The sun moves slowly: look once a minute.
        if now_us >= self.next_sun_us {
            let now_s = i64::from(math::seconds(now_us));
            self.light = sun::daylight_lasts(
                start.saturating_add(now_s),
                self.margin_s,
                self.latitude_deg,
                self.longitude_deg,
            );
            self.next_sun_us = now_us.saturating_add(60_000_000);
        }
        self.light
    }

    /// Takes the grounds at one instant; gives the decision when it is made.
    #[inline(never)]
    pub fn step(&mut self, g: &Grounds) -> Option<ReleaseDecision> {
        if self.done.is_some() {
            return None;
        }
        let (cause, since_us) = if g.now_us >= self.ceiling_us {
            (Cause::Ceiling, self.ceiling_us)
        } else {
            let (cause, since_s) = self.confirmed(g)?;
            (cause, u64::from(since_s).saturating_mul(1_000_000))
        };
        let (value, bound) = self.judged_by(cause, g);
        self.done = Some(ReleaseDecision { t_us: g.now_us, cause, since_us, value, bound });
        self.done
    }

    /// Notes which causes stand; the first that has stood for long enough, and the second
    /// since when.
    fn confirmed(&mut self, g: &Grounds) -> Option<(Cause, u32)> {
        let mut standing = self.standing(g);
        let any = standing != 0;
        if !any && !self.any {
            return None;
        }
        self.any = any;
        let now_s = math::seconds(g.now_us);
        for (i, cause) in CAUSES.into_iter().enumerate() {
            let Some(rule) = self.rules.get_mut(i) else { continue };
            let stands = standing & 1 != 0;
            standing >>= 1;
            if !stands {
                rule.since_s = None;
                continue;
            }
            let since_s = *rule.since_s.get_or_insert(now_s);
            let Rule { confirm_s, daylight, .. } = *rule;
            if g.now_us < self.floor_us || now_s.saturating_sub(since_s) < confirm_s {
                continue;
            }
            if daylight && !self.daylight(g.now_us) {
                continue;
            }
            if cause == Cause::Recovered && g.not_living > DOUBT {
                // It may just have died: that is worth knowing first.
                continue;
            }
            return Some((cause, since_s));
        }
        None
    }
}

//! Finds the animal's release by itself, and the end of the deployment.
//!
//! A tag runs on a bench, in a car, on a deck and in hands before it is on a free animal, and again
//! after it was picked up. [`Launch::take`] sees every sample from switching on. Whatever looks
//! like handling begins the deployment anew ([`LaunchStep::Begin`]: all from before counts for nothing),
//! until it is sure that the animal is free ([`LaunchStep::Launched`]).
//!
//! | seen | while not launched |
//! | --- | --- |
//! | below [`SURFACE_M`] after 3 min or more at the surface (4 where nothing was handled) | begins anew |
//! | wet after half a minute dry | begins anew |
//! | neither depth nor wet sensor speaks: turned by [`TURNED_DEG`] for ten minutes, or within the first; stirred after five minutes of stillness | begins anew |
//! | deeper than [`DEEP_M`] for [`DIVED_US`] in all, depth changing by a metre | launched |
//! | wet for [`SOAKED_US`] without a depth that speaks | launched; a minute dry takes it back |
//! | neither speaks: for [`SWUM_US`] in one pose, moving for half of it, and as on an upright animal where the mounting is known | launched, not sure |
//!
//! The end: at the surface, by a depth that speaks, the tag is turned out of a pose that it had settled
//! in, and within three hours it lies still for five minutes. A dive takes it back, and twenty minutes
//! in another pose without stillness. Where no depth is
//! known no end is found: a carcass that comes to rest on the bottom looks the same.

use crate::kept::Kept;
use crate::math;
use crate::shell::rise::Mark;
use crate::signal::frame;
use crate::types::{LaunchReport, LaunchStep, LaunchedBy, Run};

/// No deeper than this is at the surface, m: in hands, in a bucket, alongside.
pub const SURFACE_M: f32 = 1.5;
/// Deeper than this is a dive, m.
pub const DEEP_M: f32 = 2.0;
/// Change of depth that only water makes, m.
const MOVED_M: f32 = 1.0;
/// Change of direction between two stretches of 5 s that hands make, degrees.
pub const TURNED_DEG: f32 = 40.0;
/// Root mean square about the mean of such a stretch below which it is still, g.
pub const STILL_G: f32 = 0.012;
/// Deep for so long in all is no test on a line, microseconds.
pub const DIVED_US: u64 = 240_000_000;
/// Wet for so long at a stretch is no bucket, microseconds.
pub const SOAKED_US: u64 = 1_800_000_000;
/// In one pose for so long, and moving for so much of it, is on an animal, where no sensor of water
/// speaks, microseconds.
pub const SWUM_US: u64 = 1_200_000_000;
const MOVED_US: u64 = 600_000_000;
/// A new pose is one after so long; until then the old one may come back, microseconds.
pub const NEW_US: u64 = 600_000_000;
/// A pose has to last so long to be one, microseconds.
const SETTLED_US: u64 = 60_000_000;
/// Stretches out of a pose that end it; in it again that end an absence; and its memory.
const OUT_BLOCKS: u8 = 4;
const BACK_BLOCKS: u16 = 12;
const SLOW_BLOCKS: u16 = 120;
/// A launch that is not sure may be taken back for so long, microseconds.
pub const DOUBT_US: u64 = 43_200_000_000;
/// At the surface for so long, a dive begins anew: where something was handled, and where not.
const ALONGSIDE_US: u64 = 180_000_000;
const UNTOUCHED_US: u64 = 240_000_000;
/// A reading older than this is none, microseconds.
const KNOWN_US: u64 = 90_000_000;
/// One stretch, microseconds.
const BLOCK_US: u64 = 5_000_000;
/// A pose further than this from that of an upright animal is not on a swimming one, degrees.
const WORN_DEG: f32 = 50.0;
/// Stretches of stillness: after which what follows begins anew; and that only hands end.
const STILL_BLOCKS: u16 = 12;
const LAID_BLOCKS: u16 = 60;
/// Dry for so long is out of the water, microseconds; and so long takes a launch back.
const DRY_US: u64 = 30_000_000;
const AIR_US: u64 = 60_000_000;
/// Time at the surface that makes an end of handling one, and time within which stillness does.
const ASHORE_US: u64 = 600_000_000;
const LAID_US: u64 = 10_800_000_000;

/// One stretch of samples.
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
struct Stretch {
    from_us: u64,
    count: u32,
    sum_g: [f32; 3],
    squares_g2: f32,
}

/// How the tag lies, where motion alone speaks.
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
struct Pose {
    from_us: u64,
    mean_g: [f32; 3],
    blocks: u16,
    /// Stretches that were not still.
    moving: u16,
    /// Latest stretches out of it.
    out: u8,
}

/// Finds launch and end. Plain data: it is kept through a reset.
#[derive(Clone, Copy, Debug, PartialEq, Default, Kept!)]
pub struct Launch {
    launched: Option<LaunchedBy>,
    /// Time of the end as far as it is one, and whether that is sure.
    end_us: Option<u64>,
    ended: bool,
    begun_us: u64,
    started: bool,
    /// Something was handled.
    touched: bool,
    block: Stretch,
    still: u16,
    /// The pose that the tag is in, another that it may have turned to, and for how many stretches
    /// it has been in the first again.
    home: Pose,
    away: Option<Pose>,
    back: u16,
    /// Up on an upright animal, in sensor axes, where the mounting is known.
    worn_g: Option<[f32; 3]>,
    /// Newest reading and when it was made; shallowest and deepest of this dive.
    depth: Option<(f32, u64)>,
    low_m: f32,
    high_m: f32,
    deep_us: u64,
    surface_us: Option<u64>,
    /// Newest reading, and since when it is wet, or dry.
    wet: Option<(bool, u64)>,
    soaked: Mark,
    dry: Mark,
    was_dry: bool,
}

impl Launch {
    /// From switching on; `mount_deg`: roll, pitch and yaw of the sensor on the animal, where known.
    pub fn new(mount_deg: Option<[f32; 3]>) -> Self {
        Launch { worn_g: mount_deg.map(frame::up_of_mount), ..Launch::default() }
    }

    /// Where the animal's release is known: to find the end.
    pub fn stated(release_us: u64) -> Self {
        let launched = Some(LaunchedBy::Depth);
        Launch { started: true, begun_us: release_us, launched, ..Launch::default() }
    }

    /// What the launch was found by, once it was.
    pub fn launched(&self) -> Option<LaunchedBy> {
        self.launched
    }

    /// The end, once it is sure: time of the sample, microseconds.
    pub fn ended_us(&self) -> Option<u64> {
        self.end_us.filter(|_| self.ended)
    }

    /// Time of the sample at which the deployment begins, as far as is known, microseconds.
    pub fn begun_us(&self) -> u64 {
        self.begun_us
    }

    /// A step with its evidence, at `t_us` of tag time; `now_us`: time of the newest sample.
    pub fn report(&self, step: LaunchStep, t_us: u64, now_us: u64) -> LaunchReport {
        let depth_m = self.known_m(now_us);
        let (deep_s, pose_s) =
            (self.deep_us as f32 / 1.0e6, self.home.age_us(now_us) as f32 / 1.0e6);
        LaunchReport { step, t_us, depth_m, deep_s, pose_s }
    }

    /// Takes the samples of `run`, with what the wet sensor read. Its times go on from
    /// switching on whatever is begun anew.
    pub fn take(&mut self, run: &Run, wet: Option<bool>) -> Option<LaunchStep> {
        if !self.started {
            (self.started, self.begun_us) = (true, run.t_us);
        }
        let by_depth = run.depth_m.and_then(|depth_m| self.take_depth(depth_m, run.t_us));
        let by_wet = self.take_wet(wet, run.t_us);
        let known = by_depth.or(by_wet);
        if !self.looks(run.t_us) {
            (self.block, self.still) = Default::default();
            return known;
        }
        known.or(self.take_accel(run))
    }

    /// Motion tells something: not at depth, and once launched at the surface or in air alone.
    fn looks(&self, now_us: u64) -> bool {
        match (self.known_m(now_us), self.launched) {
            (_, None) => !self.deep(now_us),
            (Some(depth_m), Some(_)) => depth_m <= SURFACE_M || self.end_us.is_some(),
            (None, Some(_)) => self.known_wet(now_us) == Some(false),
        }
    }

    fn begin(&mut self, now_us: u64) -> Option<LaunchStep> {
        self.begin_at(now_us, now_us)
    }

    /// Begins anew; by motion the tag knows it later.
    fn begin_at(&mut self, from_us: u64, now_us: u64) -> Option<LaunchStep> {
        (self.launched, self.begun_us) = (None, from_us);
        (self.deep_us, self.end_us, self.ended) = (0, None, false);
        Some(LaunchStep::Begin { ago_us: now_us.saturating_sub(from_us) })
    }

    fn launch(&mut self, by: LaunchedBy) -> Option<LaunchStep> {
        self.launched = Some(by);
        Some(LaunchStep::Launched(by))
    }

    /// The launch is found, and nothing takes it back any more.
    pub fn sure(&self, now_us: u64) -> bool {
        self.launched.is_some() && !self.open(now_us)
    }

    /// A launch that hands may take back.
    fn open(&self, now_us: u64) -> bool {
        let doubted = now_us.saturating_sub(self.begun_us) < DOUBT_US;
        self.launched.is_none_or(|by| by == LaunchedBy::Wet && doubted)
    }

    fn deep(&self, now_us: u64) -> bool {
        self.known_m(now_us).is_some_and(|m| m > DEEP_M) && self.high_m - self.low_m >= MOVED_M
    }

    fn known_m(&self, now_us: u64) -> Option<f32> {
        self.depth.filter(|(_, at_us)| now_us.saturating_sub(*at_us) <= KNOWN_US).map(|(m, _)| m)
    }

    fn known_wet(&self, now_us: u64) -> Option<bool> {
        let known = |at_us: &u64| now_us.saturating_sub(*at_us) <= KNOWN_US;
        self.wet.filter(|(_, at_us)| known(at_us)).map(|(wet, _)| wet)
    }

    #[inline(never)]
    fn take_depth(&mut self, depth_m: f32, now_us: u64) -> Option<LaunchStep> {
        if !depth_m.is_finite() {
            return None;
        }
        let before = self.depth.replace((depth_m, now_us));
        let since_us = before.map_or(0, |(_, at_us)| now_us.saturating_sub(at_us)).min(KNOWN_US);
        (self.low_m, self.high_m) = match before {
            None => (depth_m, depth_m),
            Some(_) => (math::at_most(self.low_m, depth_m), math::at_least(self.high_m, depth_m)),
        };
        if depth_m <= SURFACE_M {
            self.surface_us = Some(self.surface_us.unwrap_or(now_us));
            return None;
        }
        let surface_us = self.surface_us.take();
        if self.end_us.take().is_some() {
            self.ended = false;
            return Some(LaunchStep::GoesOn);
        }
        let long_us = if self.touched { ALONGSIDE_US } else { UNTOUCHED_US };
        let stayed = surface_us.is_some_and(|us| now_us.saturating_sub(us) >= long_us);
        let old = now_us.saturating_sub(self.begun_us) >= long_us;
        if self.open(now_us) && stayed && old {
            self.touched = true;
            return self.begin(now_us);
        }
        if depth_m > DEEP_M && self.high_m - self.low_m >= MOVED_M {
            self.deep_us = self.deep_us.saturating_add(since_us);
        }
        let dived = self.deep_us >= DIVED_US && self.launched != Some(LaunchedBy::Depth);
        if dived { self.launch(LaunchedBy::Depth) } else { None }
    }

    #[inline(never)]
    fn take_wet(&mut self, wet: Option<bool>, now_us: u64) -> Option<LaunchStep> {
        let wet = wet?;
        self.wet = Some((wet, now_us));
        let dry = self.dry.lasted(!wet, now_us, DRY_US);
        let air = self.dry.lasted(!wet, now_us, AIR_US);
        let soaked = self.soaked.lasted(!dry, now_us, SOAKED_US);
        if dry {
            self.was_dry = true;
        } else if wet && core::mem::take(&mut self.was_dry) {
            self.touched = true;
            if self.open(now_us) {
                return self.begin(now_us);
            }
        }
        let quiet = self.known_m(now_us).is_none();
        if soaked && quiet && self.launched.is_none() {
            return self.launch(LaunchedBy::Wet);
        }
        if air && self.launched == Some(LaunchedBy::Wet) && self.open(now_us) {
            return self.begin(now_us);
        }
        None
    }

    #[inline(never)]
    fn take_accel(&mut self, run: &Run) -> Option<LaunchStep> {
        let (mut rest, mut t_us, mut found) = (run.accel_g, run.t_us, None);
        while !rest.is_empty() {
            let block = &mut self.block;
            let past_us = t_us.saturating_sub(block.from_us);
            if block.count > 0 && past_us >= BLOCK_US {
                let done = core::mem::take(block);
                if past_us < 2 * BLOCK_US {
                    found = found.or(self.judge(&done, t_us));
                }
                continue;
            }
            if block.count == 0 {
                block.from_us = t_us;
            }
            let end_us = block.from_us.saturating_add(BLOCK_US);
            // At most five seconds: 32 bits are enough.
            let left_us = end_us.saturating_sub(t_us) as u32;
            let count = left_us.div_ceil(run.period_us.max(1)) as usize;
            let (these, later) = rest.split_at_checked(count).unwrap_or((rest, &[]));
            block.add(these);
            t_us = run.later_us(t_us, these.len());
            rest = later;
        }
        found
    }

    /// Judges a whole stretch.
    #[inline(never)]
    fn judge(&mut self, block: &Stretch, now_us: u64) -> Option<LaunchStep> {
        let count = block.count.max(1) as f32;
        let mean_g = block.sum_g.map(|sum| sum / count);
        if !block.squares_g2.is_finite() {
            // An axis is missing.
            return None;
        }
        let still = block.squares_g2 / count - math::dot(mean_g, mean_g) < STILL_G * STILL_G;
        let lain = self.still;
        self.still = if still { lain.saturating_add(1) } else { 0 };
        if self.home.blocks == 0 {
            self.home = Pose::new(mean_g, block.from_us);
        }
        let holds = self.home.holds(mean_g);
        self.touched |= !holds || self.still >= STILL_BLOCKS;
        if holds {
            self.home.add(mean_g, still);
        }
        self.back = if holds { self.back.saturating_add(1) } else { 0 };
        if self.launched.is_some() {
            return self.watch(mean_g, block.from_us, holds);
        }
        if self.known_m(now_us).is_some() || self.known_wet(now_us).is_some() {
            if !holds {
                self.home = Pose::new(mean_g, block.from_us);
            }
            return None;
        }
        let stirred = !still && lain >= LAID_BLOCKS;
        self.search(mean_g, block.from_us, stirred, still)
    }

    /// Where nothing but motion speaks: how the tag lies, and since when.
    fn search(
        &mut self,
        mean_g: [f32; 3],
        from_us: u64,
        stirred: bool,
        still: bool,
    ) -> Option<LaunchStep> {
        let now_us = from_us.saturating_add(BLOCK_US);
        let moved = u64::from(self.home.moving).saturating_mul(BLOCK_US);
        let unsettled = self.back == 0 && self.home.age_us(now_us) < SETTLED_US;
        if unsettled || stirred && moved < MOVED_US {
            self.home = Pose::new(mean_g, from_us);
            return self.begin_at(from_us, now_us);
        }
        if self.back >= BACK_BLOCKS {
            self.away = None;
        } else if self.back == 0 {
            let away = self.away.get_or_insert(Pose::new(mean_g, from_us));
            if away.holds(mean_g) {
                away.add(mean_g, still);
            } else {
                *away = Pose::new(mean_g, from_us);
            }
            if away.age_us(now_us) >= NEW_US {
                (self.home, self.away) = (*away, None);
                return self.begin_at(self.home.from_us, now_us);
            }
        }
        let worn = self.worn_g.is_none_or(|up| math::angle_deg(up, self.home.mean_g) < WORN_DEG);
        let long = self.home.age_us(now_us) >= SWUM_US && moved >= MOVED_US;
        if worn && long { self.launch(LaunchedBy::Motion) } else { None }
    }

    /// Watches for the end: at the surface the tag is turned out of a pose that it had settled in, as a
    /// float or on its animal, and then lies still.
    fn watch(&mut self, mean_g: [f32; 3], from_us: u64, holds: bool) -> Option<LaunchStep> {
        let now_us = from_us.saturating_add(BLOCK_US);
        let settled = self.home.age_us(now_us) >= ALONGSIDE_US;
        if !holds {
            self.home = Pose::new(mean_g, from_us);
        }
        let dry = self.known_wet(now_us) == Some(false);
        if self.known_m(now_us).is_none_or(|m| m > SURFACE_M) && !dry {
            return None;
        }
        let Some(end_us) = self.end_us else {
            if holds || !settled {
                return None;
            }
            self.end_us = Some(from_us);
            return Some(LaunchStep::MayEnd);
        };
        let since_us = now_us.saturating_sub(end_us);
        if self.ended {
            return None;
        }
        if self.still >= LAID_BLOCKS && since_us >= ASHORE_US {
            self.ended = true;
            return Some(LaunchStep::Ended);
        }
        let lies = self.home.age_us(now_us) >= SWUM_US && self.still == 0;
        if lies || since_us >= LAID_US {
            // A float that was turned over, or an animal that rolled.
            self.end_us = None;
            return Some(LaunchStep::GoesOn);
        }
        None
    }
}

/// The direction of gravity has turned as hands turn it.
fn turned(from_g: [f32; 3], to_g: [f32; 3]) -> bool {
    math::angle_deg(from_g, to_g) > TURNED_DEG
}

impl Pose {
    fn new(mean_g: [f32; 3], from_us: u64) -> Self {
        Pose { from_us, mean_g, blocks: 1, moving: 0, out: 0 }
    }

    fn age_us(&self, now_us: u64) -> u64 {
        now_us.saturating_sub(self.from_us)
    }

    /// It lies so, or turned away for no longer than a moment.
    fn holds(&mut self, mean_g: [f32; 3]) -> bool {
        self.out = if turned(self.mean_g, mean_g) { self.out.saturating_add(1) } else { 0 };
        self.out < OUT_BLOCKS
    }

    fn add(&mut self, mean_g: [f32; 3], still: bool) {
        self.blocks = self.blocks.saturating_add(1);
        self.moving = self.moving.saturating_add(u16::from(!still));
        if self.out == 0 {
            let weight = 1.0 / f32::from(self.blocks.min(SLOW_BLOCKS));
            let step = math::add_scaled(mean_g, -1.0, self.mean_g);
            self.mean_g = math::add_scaled(self.mean_g, weight, step);
        }
    }
}

impl Stretch {
    fn add(&mut self, accel_g: &[[f32; 3]]) {
        let ([mut x, mut y, mut z], mut squares) = (self.sum_g, self.squares_g2);
        for [ax, ay, az] in accel_g {
            (x, y, z) = (x + ax, y + ay, z + az);
            squares += ax * ax + ay * ay + az * az;
        }
        (self.sum_g, self.squares_g2) = ([x, y, z], squares);
        self.count = self.count.saturating_add(accel_g.len() as u32);
    }
}

//! From a reading to a sample that can be trusted: time that only goes
//! forward, axes that are alive, and a counter for everything that is not.

use crate::config::Config;
use crate::kept::Kept;
use crate::math;
use crate::types::{FAULT_KINDS, FaultCounters, FaultKind, Run};

/// Longest gap that is bridged by repeating the last value, microseconds.
const BRIDGE_US: u32 = 250_000;
/// A step in time larger than this is believed only once the next sample agrees.
const SUSPECT_US: u64 = 1_000_000;
/// Samples in a row that must lie in the past before the clock is taken to have been set back.
const SET_BACK_AFTER: u8 = 5;
/// Doubtful steps in a row after which time is believed as it comes.
const SUSPECTS_MAX: u8 = 4;
/// Motion on another axis that proves an unchanging axis stuck, g.
const STUCK_PROOF_G: f32 = 0.05;
/// The same in steps of the sensor, where that is more.
const STUCK_PROOF_STEPS: f32 = 24.0;
/// Steps of a sensor so coarse that its noise may never show, g.
const COARSE_G: f32 = 0.005;
/// An axis that repeats one value this long while another moves is stuck, s.
const STUCK_ONE_S: f32 = 10.0;
/// All axes repeating their values this long are stuck, s.
const STUCK_ALL_S: f32 = 60.0;
/// From this part of full scale on an axis counts as clipped.
const CLIPPED: f32 = 0.998;
/// An axis at full scale this long is no longer a knock but a fault, s.
const CLIPPED_S: f32 = 2.0;
/// How much faster a run at full scale grows than it fades: an axis that drifted to
/// the rail has half its swing cut off, and is at fault between its peaks as well.
const CLIPPED_GROWS: u16 = 2;

/// A checked sample.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Checked {
    /// Tag time, microseconds, strictly increasing.
    pub t_us: u64,
    /// How often to step the stages with it: 1, or more across a short gap.
    pub repeats: u8,
    /// A gap too long to bridge came before it: windows must start anew.
    pub restart: bool,
    /// All three axes can be trusted.
    pub good: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Axis {
    /// The value that the next one looked at is held against.
    last: f32,
    /// Its last good value.
    held: f32,
    /// Samples for which it has repeated its value, as far as they were looked at.
    same: u16,
    /// Samples at full scale, fading; see [`CLIPPED_GROWS`].
    clipped: u16,
    /// Its range since any axis began to repeat its own.
    low: f32,
    high: f32,
}

impl Axis {
    const NEW: Axis = Axis { last: f32::NAN, held: 0.0, same: 0, clipped: 0, low: 0.0, high: 0.0 };

    /// Holds a value against the last that was looked at, `samples` before; `anew`: no axis
    /// repeated its own until then. Gives the least step seen, `least_g` before.
    #[inline(never)]
    fn look(&mut self, a: f32, samples: u16, anew: bool, least_g: f32) -> f32 {
        if anew {
            self.low = a;
            self.high = a;
            if a != self.last {
                self.last = a;
                return least_g;
            }
        }
        let step_g = math::abs(a - self.last);
        self.same = if a == self.last { self.same.saturating_add(samples) } else { 0 };
        self.last = a;
        self.low = math::at_most(a, self.low);
        self.high = math::at_least(a, self.high);
        if step_g > 1.0e-5 { math::at_most(step_g, least_g) } else { least_g }
    }
}

/// The bit of a kind in [`Sensor::active`].
const fn bit_of(kind: FaultKind) -> u8 {
    1_u8.wrapping_shl(kind as u32)
}

/// True where all axes give numbers below `limit_g`, by a short look at all of them together
/// that may fail one near to the limit.
pub fn well_below(accel_g: &[f32; 3], limit_g: f32) -> bool {
    let [x, y, z] = accel_g.map(f32::to_bits);
    (x | y | z).wrapping_mul(2) < limit_g.to_bits().wrapping_mul(2)
}

/// Checks time and axes.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Sensor {
    period_us: u32,
    /// Nothing odd about time since the last sample.
    calm: bool,
    /// No axis is at fault, or repeats its value for so long that every sample counts.
    pub lively: bool,
    /// Just below full scale: from here on an axis counts as clipped.
    pub limit_g: f32,
    /// Smallest step seen between values of one axis, g: the sensor's resolution.
    step_g: f32,
    /// Samples from one look at lively axes to the next.
    look_every: u8,
    /// Samples for which an axis may repeat its value before every sample is looked at.
    wary_from: u16,
    stuck_one: u16,
    stuck_all: u16,
    clipped_max: u16,
    started: bool,
    last_us: u64,
    last_raw_us: u64,
    offset_us: i64,
    back: u8,
    suspect_us: u64,
    suspects: u8,
    axes: [Axis; 3],
    counters: FaultCounters,
    /// Faults that last, a bit a kind.
    active: u8,
    /// Of these, those that began and were not given yet.
    pub begun: u8,
}

impl Sensor {
    /// For a logger as configured; `look_every`: samples from one call of [`Sensor::look`] to
    /// the next.
    pub fn new(config: &Config, look_every: u8) -> Self {
        let hz = config.logger().sample_hz;
        let samples = |s: f32| math::round_u32(s * hz) as u16;
        let stuck_one = samples(STUCK_ONE_S);
        Sensor {
            period_us: config.sample_us().max(1),
            limit_g: CLIPPED * config.logger().range_g,
            step_g: f32::MAX,
            look_every,
            wary_from: stuck_one.saturating_sub(u16::from(look_every)).max(1),
            stuck_one,
            stuck_all: samples(STUCK_ALL_S),
            clipped_max: samples(CLIPPED_S).saturating_mul(CLIPPED_GROWS),
            axes: [Axis::NEW; 3],
            ..Kept::blank()
        }
    }

    /// Counters so far.
    pub fn counters(&self) -> &FaultCounters {
        &self.counters
    }

    fn count(&mut self, kind: FaultKind) {
        if let Some(c) = self.counters.counts.get_mut(kind as usize) {
            *c = c.saturating_add(1);
        }
    }

    /// Notes a fault that lasts. True where it begins, see [`Sensor::next_begun`].
    #[inline(never)]
    pub fn note(&mut self, kind: FaultKind, present: bool) -> bool {
        let bit = bit_of(kind);
        if !present {
            self.active &= !bit;
            return false;
        }
        self.count(kind);
        let begins = self.active & bit == 0;
        self.active |= bit;
        if begins {
            self.begun |= bit;
        }
        begins
    }

    /// The next fault that began and was not given yet.
    pub fn next_begun(&mut self) -> Option<FaultKind> {
        if self.begun == 0 {
            return None;
        }
        let place = self.begun.trailing_zeros();
        self.begun &= self.begun.wrapping_sub(1);
        FAULT_KINDS.get(place as usize).copied()
    }

    /// The samples of `run` that may take the short way as far as time tells, up to the first
    /// not before `until_us`.
    pub fn timely_of<'a>(&self, run: &Run<'a>, until_us: u64) -> &'a [[f32; 3]] {
        // The longest step from sample to sample that is no gap.
        let longest_us = u64::from(self.period_us.saturating_mul(3) / 2);
        let timely = |step_us: u64| step_us.wrapping_sub(1) < longest_us;
        let step_us = run.t_us.wrapping_sub(self.last_raw_us);
        if !(self.calm && timely(step_us) && timely(run.period_us.into())) {
            return &[];
        }
        let left_us = until_us.saturating_sub(self.tag_us(run.t_us));
        let left_us = u32::try_from(left_us).unwrap_or(u32::MAX);
        let before = left_us.div_ceil(run.period_us.max(1)) as usize;
        run.accel_g.get(..before.saturating_add(1)).unwrap_or(run.accel_g)
    }

    /// Samples for which any axis has repeated its value.
    #[inline(never)]
    fn longest(&self) -> u16 {
        let [x, y, z] = &self.axes;
        x.same.max(y.same).max(z.same)
    }

    /// Looks now and then, which is enough, for an axis that repeats its value, while all are
    /// lively.
    #[inline(never)]
    pub fn look(&mut self) {
        if !self.lively {
            return;
        }
        let anew = self.longest() == 0;
        if anew && self.axes.iter().all(|axis| axis.held != axis.last) {
            for axis in &mut self.axes {
                axis.last = axis.held;
            }
            return;
        }
        for axis in &mut self.axes {
            let samples = u16::from(self.look_every);
            self.step_g = axis.look(axis.held, samples, anew, self.step_g);
        }
        self.lively = self.longest() < self.wary_from;
    }

    /// The tag's time of a sample that passes.
    pub fn tag_us(&self, t_us: u64) -> u64 {
        self.last_us.wrapping_add(t_us.wrapping_sub(self.last_raw_us))
    }

    /// Time goes on as it should, to a sample at `now_us` of the tag's time.
    pub fn pass_all(&mut self, now_us: u64) {
        let step = now_us.wrapping_sub(self.last_us);
        self.last_raw_us = self.last_raw_us.wrapping_add(step);
        self.last_us = now_us;
    }

    /// Keeps the last good values.
    pub fn keep(&mut self, accel: [f32; 3]) {
        let ([ax, ay, az], [x, y, z]) = (&mut self.axes, accel);
        ax.held = x;
        ay.held = y;
        az.held = z;
    }

    /// Takes a sample that something may be odd about. `None`: it is dropped (a repeated or
    /// unbelievable time).
    pub fn step(&mut self, raw_us: u64, accel_g: &[f32; 3]) -> Option<Checked> {
        let (t_us, gap_us) = self.time(raw_us)?;
        let good = self.examine(accel_g);
        let bridged = gap_us <= BRIDGE_US;
        let short_us = if bridged { gap_us } else { 0 };
        let missing = short_us.wrapping_add(self.period_us / 2).checked_div(self.period_us);
        let repeats = (missing.unwrap_or(0) as u8).saturating_add(1);
        Some(Checked { t_us, repeats, restart: !bridged, good })
    }

    /// Monotonic time and the time missing before this sample.
    fn time(&mut self, raw_us: u64) -> Option<(u64, u32)> {
        let t = raw_us.saturating_add_signed(self.offset_us);
        self.calm = false;
        if !self.started {
            self.started = true;
            self.last_raw_us = raw_us;
            self.last_us = t;
            return Some((t, 0));
        }
        if t <= self.last_us {
            self.note(FaultKind::ClockJump, true);
            self.back = self.back.saturating_add(1);
            let frozen = raw_us == self.last_raw_us;
            if frozen && self.back < SET_BACK_AFTER {
                // The same row twice. A clock that stands still is another matter.
                return None;
            }
            let now = self.last_us.wrapping_add(u64::from(self.period_us));
            if !frozen && self.back >= SET_BACK_AFTER {
                self.offset_us = now.wrapping_sub(raw_us) as i64;
                self.back = 0;
            }
            self.last_raw_us = raw_us;
            self.last_us = now;
            return Some((now, 0));
        }
        self.back = 0;
        let step = t.wrapping_sub(self.last_us);
        let doubted = self.suspects > 0;
        let mut jumps = false;
        if step > SUSPECT_US {
            let s = self.suspect_us;
            let agrees = doubted && t > s && t.wrapping_sub(s) <= SUSPECT_US;
            self.suspects = self.suspects.saturating_add(1);
            if !agrees && self.suspects < SUSPECTS_MAX {
                // Believed only if the next one agrees: a single wrong time stamp is dropped.
                if doubted {
                    self.note(FaultKind::ClockJump, true);
                }
                self.suspect_us = t;
                return None;
            }
        } else if doubted {
            jumps = self.note(FaultKind::ClockJump, true);
        }
        self.suspects = 0;
        let missing_us = u32::try_from(step).unwrap_or(u32::MAX).saturating_sub(self.period_us);
        let is_gap = missing_us > self.period_us / 2;
        if is_gap {
            self.note(FaultKind::Gap, true);
        } else {
            self.active &= !bit_of(FaultKind::Gap);
            if !jumps {
                self.active &= !bit_of(FaultKind::ClockJump);
            }
        }
        self.last_us = t;
        self.last_raw_us = raw_us;
        self.calm = !is_gap && !jumps;
        Some((t, if is_gap { missing_us } else { 0 }))
    }

    /// The latest sample, g; an axis at fault holds its last good value.
    pub fn held_g(&self) -> [f32; 3] {
        let [x, y, z] = &self.axes;
        [x.held, y.held, z.held]
    }

    /// Looks at the axes; one at fault, as it repeats its value for long, is at full scale or
    /// gives no number, keeps its last good value. True where none is.
    #[inline(never)]
    pub fn examine(&mut self, accel_g: &[f32; 3]) -> bool {
        if self.lively && accel_g.iter().all(|a| math::abs(*a) < self.limit_g) {
            self.keep(*accel_g);
            return true;
        }
        let anew = self.longest() == 0;
        let (clips_g, max_clip) = (self.limit_g, self.clipped_max);
        // Beyond it lies no number of a sensor in order.
        let most_g = clips_g / CLIPPED * 1.05;
        let (mut missing, mut clipped, mut lately, mut stuck) = (false, false, false, false);
        // Of those that give a number; none that counts, where none does.
        let mut least_same = u32::MAX;
        let mut sound = [false; 3];
        for ((axis, &a), sound) in self.axes.iter_mut().zip(accel_g).zip(&mut sound) {
            let size = math::abs(a);
            let full = size >= clips_g;
            clipped |= full;
            if a.is_nan() || size > most_g {
                missing = true;
                axis.same = 0;
                axis.clipped = 0;
                continue;
            }
            self.step_g = axis.look(a, 1, anew, self.step_g);
            axis.clipped = if full {
                axis.clipped.saturating_add(CLIPPED_GROWS).min(max_clip.saturating_mul(2))
            } else {
                axis.clipped.saturating_sub(1)
            };
            least_same = least_same.min(u32::from(axis.same));
            lately |= axis.clipped > 0;
            *sound = axis.clipped <= max_clip;
            clipped |= !*sound;
        }
        let longest = self.longest();
        if longest >= self.stuck_one {
            // A coarse sensor repeats its value by itself where little happens.
            let known_step_g = if self.step_g < f32::MAX { self.step_g } else { 0.0 };
            let proof_g = math::at_least(STUCK_PROOF_STEPS * known_step_g, STUCK_PROOF_G);
            let all = least_same != u32::MAX && least_same >= u32::from(self.stuck_all);
            let all = all && known_step_g <= COARSE_G;
            // How far an axis moved while another repeated its value.
            let moving = self.axes.iter().any(|axis| axis.high - axis.low > proof_g);
            for (axis, sound) in self.axes.iter().zip(&mut sound) {
                if all || (moving && axis.same >= self.stuck_one) {
                    stuck = true;
                    *sound = false;
                }
            }
        }
        for ((axis, &a), sound) in self.axes.iter_mut().zip(accel_g).zip(sound) {
            if sound {
                axis.held = a;
            }
        }
        let good = sound == [true; 3];
        self.note(FaultKind::MissingAxis, missing);
        self.lively = good && !lately && longest < self.wary_from;
        self.note(FaultKind::StuckAxis, stuck);
        self.note(FaultKind::ClippedAxis, clipped);
        good
    }
}

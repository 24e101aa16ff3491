//! From a reading to a sample that can be trusted: time that only goes
//! forward, axes that are alive, and a counter for everything that is not.

use crate::checkpoint::Kept;
use crate::config::Config;
use crate::math;
use crate::tag::{FaultCounters, FaultKind, Run, Sample};
use macro_rules_attribute::derive;

/// Longest gap that is bridged by repeating the last value, microseconds.
const BRIDGE_US: u64 = 250_000;
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
/// An axis at full scale this long is no longer a knock but a fault, s.
const CLIPPED_S: f32 = 2.0;
/// How much faster a run at full scale grows than it fades: an axis that drifted to
/// the rail has half its swing cut off, and is at fault between its peaks as well.
const CLIPPED_GROWS: u32 = 2;

/// A checked sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Checked {
    /// Tag time, microseconds, strictly increasing.
    pub t_us: u64,
    /// Acceleration, g; a bad axis holds its last good value.
    pub accel_g: [f32; 3],
    /// How often to step the stages with it: 1, or more across a short gap.
    pub repeats: u8,
    /// A gap too long to bridge came before it: windows must start anew.
    pub restart: bool,
    /// All three axes can be trusted.
    pub good: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Axis {
    last: f32,
    held: f32,
    same: u32,
    /// Samples at full scale, fading; see [`CLIPPED_GROWS`].
    clipped: u32,
    low: f32,
    high: f32,
}

impl Axis {
    const NEW: Axis = Axis { last: f32::NAN, held: 0.0, same: 0, clipped: 0, low: 0.0, high: 0.0 };

    /// Takes a value into the range since any axis began to repeat its own, `longest` ago.
    #[inline]
    fn spread(&mut self, a: f32, longest: u32) {
        if longest <= 1 {
            self.low = a;
            self.high = a;
        } else {
            self.low = math::at_most(a, self.low);
            self.high = math::at_least(a, self.high);
        }
    }
}

/// The bit of a kind in [`Sensor::active`].
const fn bit_of(kind: FaultKind) -> u8 {
    1_u8.wrapping_shl(kind as u32)
}

/// Faults of a single axis.
const AXIS_FAULTS: u8 =
    bit_of(FaultKind::MissingAxis) | bit_of(FaultKind::StuckAxis) | bit_of(FaultKind::ClippedAxis);

/// True where all axes give other bits than `last_g`.
#[inline]
fn differs(accel_g: &[f32; 3], last_g: &[f32; 3]) -> bool {
    let ([x, y, z], [lx, ly, lz]) = (accel_g.map(f32::to_bits), last_g.map(f32::to_bits));
    x != lx && y != ly && z != lz
}

/// As [`below`], by a short look at all of them together that may fail one near to the limit.
#[inline]
fn well_below(accel_g: &[f32; 3], limit_g: f32) -> bool {
    let [x, y, z] = accel_g.map(f32::to_bits);
    (x | y | z).wrapping_mul(2) < limit_g.to_bits().wrapping_mul(2)
}

/// As [`finer`], of the steps to those of `samples` that repeat a value; `last_g`: the sample
/// before the first.
fn finest(least_g: f32, samples: &[[f32; 3]], repeats: u32, last_g: &[f32; 3]) -> f32 {
    let mut least_g = least_g;
    let mut left = repeats;
    while left != 0 {
        let at = left.trailing_zeros() as usize;
        left &= left.wrapping_sub(1);
        let Some([x, y, z]) = samples.get(at) else { break };
        let [lx, ly, lz] = samples.get(at.wrapping_sub(1)).unwrap_or(last_g);
        least_g = finer(finer(finer(least_g, *lx, *x), *ly, *y), *lz, *z);
    }
    least_g
}

/// How many of the first samples are [`well_below`] a limit and give other values than the one
/// before, `last_g` before the first.
#[inline(never)]
fn lively(samples: &[[f32; 3]], last_g: &[f32; 3], limit_g: f32) -> usize {
    let mut last_g = *last_g;
    let mut count = 0_usize;
    for accel_g in samples {
        if !differs(accel_g, &last_g) || !well_below(accel_g, limit_g) {
            break;
        }
        last_g = *accel_g;
        count = count.wrapping_add(1);
    }
    count
}

/// True where all axes give numbers below `limit_g`.
#[inline(never)]
fn below(accel_g: &[f32; 3], limit_g: f32) -> bool {
    accel_g.iter().all(|a| math::abs(*a) < limit_g)
}

/// The least of the steps seen so far and that from one value to the next, g, where it is one.
fn finer(least_g: f32, last_g: f32, next_g: f32) -> f32 {
    let step_g = math::abs(next_g - last_g);
    if step_g > 1.0e-5 { math::at_most(step_g, least_g) } else { least_g }
}

/// Samples looked at together, at most: bits of [`Passing::repeats`].
pub const SHORT: usize = u32::BITS as usize;

/// Samples that may take the short way, see [`Sensor::passing`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Passing {
    /// How many.
    pub count: usize,
    /// Those that repeat a value, a bit each, the first lowest.
    pub repeats: u32,
}

/// Checks time and axes.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Sensor {
    period_us: u64,
    /// Longest step from sample to sample that is no gap.
    longest_us: u32,
    /// Nothing odd about time since the last sample.
    calm: bool,
    /// Calm and lively: the next sample may take the short way.
    easy: bool,
    /// No axis repeats its value or is at fault.
    lively: bool,
    full_scale_g: f32,
    /// Just below full scale: from here on an axis counts as clipped.
    limit_g: f32,
    /// Smallest step seen between values of one axis, g: the sensor's resolution.
    step_g: f32,
    stuck_one: u32,
    stuck_all: u32,
    clipped_max: u32,
    started: bool,
    last_us: u64,
    last_raw_us: u64,
    offset_us: i64,
    back: u8,
    suspect_us: Option<u64>,
    suspects: u8,
    axes: [Axis; 3],
    counters: FaultCounters,
    active: u8,
}

impl Sensor {
    /// For a logger as configured.
    pub fn new(config: &Config) -> Self {
        let hz = config.logger().sample_hz;
        Sensor {
            period_us: u64::from(config.sample_us().max(1)),
            longest_us: config.sample_us().saturating_mul(3) / 2,
            calm: false,
            easy: false,
            lively: false,
            full_scale_g: config.logger().range_g,
            limit_g: 0.998 * config.logger().range_g,
            step_g: f32::MAX,
            stuck_one: math::round_u32(STUCK_ONE_S * hz),
            stuck_all: math::round_u32(STUCK_ALL_S * hz),
            clipped_max: math::round_u32(CLIPPED_S * hz).saturating_mul(CLIPPED_GROWS),
            started: false,
            last_us: 0,
            last_raw_us: 0,
            offset_us: 0,
            back: 0,
            suspect_us: None,
            suspects: 0,
            axes: [Axis::NEW; 3],
            counters: FaultCounters::default(),
            active: 0,
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

    /// Notes a fault that lasts; returns it when it begins.
    #[inline(never)]
    pub fn note(&mut self, kind: FaultKind, present: bool) -> Option<FaultKind> {
        let bit = bit_of(kind);
        let was = self.active & bit != 0;
        if present {
            self.count(kind);
            self.active |= bit;
        } else {
            self.active &= !bit;
        }
        (present && !was).then_some(kind)
    }

    /// The short way for nearly every sample: time goes on as it should, and all
    /// axes are live, as far as a short look tells. `None`: something may be odd, and
    /// [`Sensor::step`] has to look.
    #[inline]
    pub fn pass(&mut self, sample: &Sample) -> Option<u64> {
        // Calm: the offset of the clock has not changed since the last sample.
        let accel_g = &sample.accel_g;
        if !self.easy
            || !self.timely(sample.t_us)
            || !well_below(accel_g, self.limit_g)
            || !self.differs(accel_g)
        {
            return None;
        }
        let now_us = self.tag_us(sample.t_us);
        self.pass_all(now_us, sample.accel_g);
        Some(now_us)
    }

    /// The samples of `run` that may take the short way as far as time tells, up to the first
    /// not before `until_us`.
    #[inline]
    pub fn timely_of<'a>(&self, run: &Run<'a>, until_us: u64) -> &'a [[f32; 3]] {
        if !self.calm || !self.timely(run.t_us) || run.period_us.wrapping_sub(1) >= self.longest_us
        {
            return &[];
        }
        let left_us = until_us.saturating_sub(self.tag_us(run.t_us));
        let left_us = u32::try_from(left_us).unwrap_or(u32::MAX);
        let before = left_us.div_ceil(run.period_us.max(1)) as usize;
        run.accel_g.get(..before.saturating_add(1)).unwrap_or(run.accel_g)
    }

    /// How many of the first of [`SHORT`] samples at most may take the short way behind one of
    /// `last_g`. [`Sensor::pass_all`] takes them, before that [`Sensor::repeat_some`] where
    /// [`Sensor::repeats`].
    #[inline]
    pub fn passing(&self, samples: &[[f32; 3]], last_g: &[f32; 3]) -> Passing {
        if !self.lively && !self.unmarred() {
            return Passing { count: 0, repeats: 0 };
        }
        let limit_g = self.limit_g;
        let mut count = lively(samples, last_g, limit_g);
        let mut repeats = 0;
        while let Some([accel_g, then @ ..]) = samples.get(count..)
            && well_below(accel_g, limit_g)
        {
            repeats |= 1_u32.wrapping_shl(count as u32);
            count = count.wrapping_add(1).wrapping_add(lively(then, accel_g, limit_g));
        }
        Passing { count, repeats }
    }

    /// True where so few samples as are looked at together cannot bring a fault to light
    /// by repeating their values alone.
    fn unmarred(&self) -> bool {
        let soon = self.stuck_one.min(self.stuck_all).saturating_sub(SHORT as u32);
        self.axes.iter().all(|axis| axis.clipped == 0 && axis.same < soon)
    }

    /// Whether an axis repeats its value in samples that pass, or did in the last.
    #[inline]
    pub fn repeats(&self, passing: &Passing) -> bool {
        passing.repeats != 0 || !self.lively
    }

    /// Takes `samples` that pass, of which some repeat a value or the last did; `last_g`: the
    /// sample before the first. As [`Sensor::step`] would one by one, for no axis can be at
    /// fault; of those before the last that repeats nothing only their steps are kept.
    #[inline(never)]
    pub fn repeat_some(&mut self, samples: &[[f32; 3]], repeats: u32, last_g: [f32; 3]) {
        let all = u32::MAX.wrapping_shr((SHORT as u32).wrapping_sub(samples.len() as u32));
        // How many there are up to the last whose bit is set.
        let up_to = |bits: u32| u32::BITS.wrapping_sub(bits.leading_zeros());
        let at = |n: u32| samples.get(n as usize).unwrap_or(&last_g);
        // Those behind the last that repeats nothing.
        let behind = up_to(all & !repeats);
        if behind > 0 {
            let newest = behind.wrapping_sub(1);
            let earlier = repeats & 1_u32.wrapping_shl(newest).wrapping_sub(1);
            self.step_g = finest(self.step_g, samples, earlier, &last_g);
            if earlier != 0 || !self.lively {
                self.settle(*at(up_to(earlier)));
            }
            self.keep(*at(newest));
        } else if self.lively {
            self.keep(last_g);
        }
        for accel_g in samples.get(behind as usize..).unwrap_or_default() {
            if self.lively {
                self.repeat(*accel_g);
            } else {
                self.repeat_again(*accel_g);
            }
        }
        self.easy = self.calm && self.lively;
    }

    /// A sample that repeats a value, as another shortly before it did: still nothing is wrong.
    fn repeat_again(&mut self, accel: [f32; 3]) {
        let mut longest = 0_u32;
        for (axis, a) in self.axes.iter_mut().zip(accel) {
            self.step_g = finer(self.step_g, axis.last, a);
            axis.same = if a == axis.last { axis.same.saturating_add(1) } else { 0 };
            axis.last = a;
            axis.held = a;
            longest = longest.max(axis.same);
        }
        for (axis, a) in self.axes.iter_mut().zip(accel) {
            axis.spread(a, longest);
        }
        self.active &= !AXIS_FAULTS;
    }

    /// The last value of each axis, g.
    #[inline]
    pub fn last_g(&self) -> [f32; 3] {
        let [x, y, z] = &self.axes;
        [x.last, y.last, z.last]
    }

    /// True where a time goes on from the last as it should.
    #[inline]
    fn timely(&self, t_us: u64) -> bool {
        let step = t_us.wrapping_sub(self.last_raw_us);
        step >> 32 == 0 && (step as u32).wrapping_sub(1) < self.longest_us
    }

    /// The tag's time of a sample that passes.
    #[inline]
    pub fn tag_us(&self, t_us: u64) -> u64 {
        self.last_us.wrapping_add(t_us.wrapping_sub(self.last_raw_us))
    }

    /// Takes samples that pass, up to one at `now_us` of the tag's time.
    pub fn pass_all(&mut self, now_us: u64, accel_g: [f32; 3]) {
        self.keep(accel_g);
        let step = now_us.wrapping_sub(self.last_us);
        self.last_raw_us = self.last_raw_us.wrapping_add(step);
        self.last_us = now_us;
    }

    /// True where all axes differ from their last.
    #[inline]
    fn differs(&self, accel_g: &[f32; 3]) -> bool {
        differs(accel_g, &self.last_g())
    }

    /// Keeps the values that the next ones are held against.
    #[inline]
    fn keep(&mut self, accel: [f32; 3]) {
        let ([ax, ay, az], [x, y, z]) = (&mut self.axes, accel);
        ax.last = x;
        ay.last = y;
        az.last = z;
    }

    /// Takes a reading. `None`: it is dropped (a repeated or unbelievable time).
    pub fn step(&mut self, sample: &Sample) -> (Option<Checked>, Option<FaultKind>) {
        let mut fault = None;
        self.easy = false;
        let Some((t_us, gap_us)) = self.time(sample.t_us, &mut fault) else {
            return (None, fault);
        };
        let mut accel_g = sample.accel_g;
        let (good, axis_fault) = self.axes(&mut accel_g);
        self.easy = self.calm && self.lively;
        let bridged = gap_us <= BRIDGE_US;
        let repeats = if bridged && gap_us > 0 {
            // Both are short.
            let period_us = self.period_us as u32;
            (gap_us as u32).wrapping_add(period_us / 2).checked_div(period_us).unwrap_or(0)
        } else {
            0
        };
        let checked = Checked {
            t_us,
            accel_g,
            repeats: (repeats as u8).saturating_add(1),
            restart: !bridged,
            good,
        };
        (Some(checked), fault.or(axis_fault))
    }

    /// Monotonic time and the time missing before this sample.
    fn time(&mut self, raw_us: u64, fault: &mut Option<FaultKind>) -> Option<(u64, u64)> {
        let t = raw_us.saturating_add_signed(self.offset_us);
        self.calm = false;
        if !self.started {
            self.started = true;
            self.last_raw_us = raw_us;
            self.last_us = t;
            return Some((t, 0));
        }
        if t <= self.last_us {
            *fault = self.note(FaultKind::ClockJump, true);
            self.back = self.back.saturating_add(1);
            let frozen = raw_us == self.last_raw_us;
            if frozen && self.back < SET_BACK_AFTER {
                // The same row twice. A clock that stands still is another matter.
                return None;
            }
            let now = self.last_us.saturating_add(self.period_us);
            if !frozen && self.back >= SET_BACK_AFTER {
                let raw = i64::try_from(raw_us).unwrap_or(i64::MAX);
                self.offset_us = i64::try_from(now).unwrap_or(i64::MAX).saturating_sub(raw);
                self.back = 0;
            }
            self.last_raw_us = raw_us;
            self.last_us = now;
            return Some((now, 0));
        }
        self.back = 0;
        let step = t.saturating_sub(self.last_us);
        if step > SUSPECT_US {
            let agrees =
                self.suspect_us.is_some_and(|s| t > s && t.saturating_sub(s) <= SUSPECT_US);
            self.suspects = self.suspects.saturating_add(1);
            if !agrees && self.suspects < SUSPECTS_MAX {
                // Believed only if the next one agrees: a single wrong time stamp is dropped.
                if self.suspect_us.is_some() {
                    *fault = self.note(FaultKind::ClockJump, true);
                }
                self.suspect_us = Some(t);
                return None;
            }
        } else if self.suspect_us.is_some() {
            *fault = self.note(FaultKind::ClockJump, true);
        }
        self.suspect_us = None;
        self.suspects = 0;
        let missing = step.saturating_sub(self.period_us);
        let is_gap = missing.saturating_mul(2) > self.period_us;
        if is_gap {
            *fault = self.note(FaultKind::Gap, true);
        } else {
            self.active &= !bit_of(FaultKind::Gap);
            if fault.is_none() {
                self.active &= !bit_of(FaultKind::ClockJump);
            }
        }
        self.last_us = t;
        self.last_raw_us = raw_us;
        self.calm = !is_gap && fault.is_none();
        Some((t, if is_gap { missing } else { 0 }))
    }

    /// Looks at the axes; one at fault is given its last good value. True where none is.
    fn axes(&mut self, accel: &mut [f32; 3]) -> (bool, Option<FaultKind>) {
        if below(accel, self.limit_g) {
            let live = self.differs(accel);
            if live && self.lively {
                self.keep(*accel);
                return (true, None);
            }
            if live && self.axes.iter().all(|axis| axis.clipped == 0) {
                self.settle(*accel);
                return (true, None);
            }
            if !live && self.lively {
                self.repeat(*accel);
                return (true, None);
            }
        }
        self.examine(accel)
    }

    /// The first sample that repeats a value, all axes being live before it: nothing is
    /// wrong yet, as noise repeats itself now and then.
    fn repeat(&mut self, accel: [f32; 3]) {
        self.lively = false;
        for (axis, a) in self.axes.iter_mut().zip(accel) {
            self.step_g = finer(self.step_g, axis.last, a);
            let same = u32::from(a == axis.last);
            *axis = Axis { last: a, held: a, same, clipped: 0, low: a, high: a };
        }
    }

    /// All axes live again: ends every run and every fault of an axis.
    fn settle(&mut self, accel: [f32; 3]) {
        for (axis, a) in self.axes.iter_mut().zip(accel) {
            *axis = Axis { last: a, held: a, low: a, high: a, ..Axis::NEW };
        }
        self.active &= !AXIS_FAULTS;
        self.lively = true;
    }

    /// Looks into a sample with an axis that repeats its value, is at full scale
    /// or gives no number.
    fn examine(&mut self, accel: &mut [f32; 3]) -> (bool, Option<FaultKind>) {
        if self.lively {
            for axis in &mut self.axes {
                axis.held = axis.last;
                axis.low = axis.last;
                axis.high = axis.last;
            }
        }
        self.lively = false;
        let full = self.full_scale_g;
        let mut missing = false;
        let mut least_same = u32::MAX;
        let mut longest = 0_u32;
        // No number of a sensor in order.
        let beyond = |a: f32| a.is_nan() || math::abs(a) > full * 1.05;
        for (axis, &a) in self.axes.iter_mut().zip(accel.iter()) {
            let size = math::abs(a);
            if beyond(a) {
                missing = true;
                axis.same = 0;
                axis.clipped = 0;
                continue;
            }
            self.step_g = finer(self.step_g, axis.last, a);
            axis.same = if a == axis.last { axis.same.saturating_add(1) } else { 0 };
            axis.last = a;
            axis.clipped = if size >= full * 0.998 {
                axis.clipped.saturating_add(CLIPPED_GROWS).min(self.clipped_max.saturating_mul(2))
            } else {
                axis.clipped.saturating_sub(1)
            };
            least_same = least_same.min(axis.same);
            longest = longest.max(axis.same);
        }
        // A coarse sensor repeats its value by itself where little happens.
        let known_step_g = if self.step_g < f32::MAX { self.step_g } else { 0.0 };
        let proof_g = math::at_least(STUCK_PROOF_STEPS * known_step_g, STUCK_PROOF_G);
        let coarse = known_step_g > COARSE_G;
        // How far an axis moved while another repeated its value.
        let mut moving = false;
        for (axis, &a) in self.axes.iter_mut().zip(accel.iter()) {
            if beyond(a) {
                continue;
            }
            axis.spread(a, longest);
            moving |= axis.high - axis.low > proof_g;
        }
        let mut stuck = false;
        let mut clipped = false;
        let mut good = true;
        let (one, all, max_clip) = (self.stuck_one, self.stuck_all, self.clipped_max);
        for (axis, given) in self.axes.iter_mut().zip(accel) {
            let a = *given;
            let mut bad = beyond(a);
            if (axis.same >= one && moving)
                || (least_same >= all && least_same != u32::MAX && !coarse)
            {
                stuck = true;
                bad = true;
            }
            clipped |= math::abs(a) >= full * 0.998 || axis.clipped > max_clip;
            if axis.clipped > max_clip {
                bad = true;
            }
            if bad {
                good = false;
                *given = axis.held;
            } else {
                axis.held = a;
            }
        }
        let a = self.note(FaultKind::MissingAxis, missing);
        let b = self.note(FaultKind::StuckAxis, stuck);
        let c = self.note(FaultKind::ClippedAxis, clipped);
        (good, a.or(b).or(c))
    }
}

//! The minute summary: what is kept of every minute, and what the slow
//! detectors look at.

use crate::checkpoint::Kept;
use crate::math;
use crate::posture::{Activity, Detail};
use crate::tag::Beat;
use macro_rules_attribute::derive;

/// Length of a minute, microseconds.
pub const MINUTE_US: u64 = 60_000_000;

/// Mean acceleration of a minute that gravity alone cannot make, g: an axis is off, however
/// lively it looks, and nothing of the minute can be trusted.
const MEAN_MOST_G: f32 = 1.3;

/// Everything measured in one minute. Vectors in sensor axes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    /// Start, microseconds.
    pub t_us: u64,
    /// Part of the expected samples that came and could be trusted, 0 to 1.
    pub good: f32,
    /// Beats, counted to parts of a cycle.
    pub beats: f32,
    /// Mean period of those beats, s; 0 without beats.
    pub period_s: f32,
    /// Mean amplitude of those beats, g; 0 without beats.
    pub sway_g: f32,
    /// Mean ODBA, g.
    pub odba_g: f32,
    /// Mean VeDBA, g.
    pub vedba_g: f32,
    /// Root mean square of dynamic acceleration, g.
    pub dynamic_rms_g: f32,
    /// The sensor's own noise, all axes together, g: root of half the mean
    /// squared change from sample to sample. Motion adds to it.
    pub noise_rms_g: f32,
    /// Mean static acceleration, g.
    pub static_g: [f32; 3],
    /// Standard deviation of static acceleration (all axes together), g: slow rocking.
    pub static_sd_g: f32,
    /// Mean depth, m.
    pub depth_m: Option<f32>,
    /// Deepest reading less shallowest, m.
    pub depth_range_m: f32,
}

#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Sums {
    start_us: u64,
    count: u16,
    details: u16,
    good: u16,
    odba: f32,
    vedba: f32,
    dynamic2: f32,
    step2: f32,
    origin: [f32; 3],
    shift: [f32; 3],
    shift2: f32,
    beats: f32,
    sway: f32,
    period: f32,
    depth: f32,
    depth_count: u16,
    depth_low: f32,
    depth_high: f32,
}

impl Sums {
    #[inline(never)]
    fn new(start_us: u64) -> Self {
        Sums {
            start_us,
            count: 0,
            details: 0,
            good: 0,
            odba: 0.0,
            vedba: 0.0,
            dynamic2: 0.0,
            step2: 0.0,
            origin: [0.0; 3],
            shift: [0.0; 3],
            shift2: 0.0,
            beats: 0.0,
            sway: 0.0,
            period: 0.0,
            depth: 0.0,
            depth_count: 0,
            depth_low: f32::MAX,
            depth_high: f32::MIN,
        }
    }

    #[inline(never)]
    fn end_us(&self) -> u64 {
        self.start_us.saturating_add(MINUTE_US)
    }

    /// Adds the part of a cycle that lies in this minute.
    fn add_cycle(&mut self, cycle: &Cycle) {
        cycle.share(self.start_us, [&mut self.beats, &mut self.sway, &mut self.period]);
    }

    fn summary(&self, expected: f32) -> Summary {
        let per = if self.count > 0 { 1.0 / f32::from(self.count) } else { 0.0 };
        let per_beat = if self.beats > 0.0 { 1.0 / self.beats } else { 0.0 };
        let each = if self.details > 0 { 1.0 / f32::from(self.details) } else { 0.0 };
        let mean_shift2 = math::dot(self.shift, self.shift) * each * each;
        let variance = self.shift2 * each - mean_shift2;
        let static_g = math::add_scaled(self.origin, each, self.shift);
        let sound = math::dot(static_g, static_g) < MEAN_MOST_G * MEAN_MOST_G;
        let good = if sound { f32::from(self.good) / expected } else { 0.0 };
        Summary {
            t_us: self.start_us,
            good: math::at_most(good, 1.0),
            beats: self.beats,
            period_s: self.period * per_beat,
            sway_g: self.sway * per_beat,
            odba_g: self.odba * per,
            vedba_g: self.vedba * per,
            dynamic_rms_g: math::sqrt(self.dynamic2 * per),
            noise_rms_g: math::sqrt(0.5 * self.step2 * each),
            static_g,
            static_sd_g: math::sqrt(variance),
            depth_m: (self.depth_count > 0).then(|| self.depth / f32::from(self.depth_count)),
            depth_range_m: if self.depth_count > 0 {
                self.depth_high - self.depth_low
            } else {
                0.0
            },
        }
    }
}

/// The cycle of a beat.
struct Cycle<'a> {
    beat: &'a Beat,
    from_us: u64,
    to_us: u64,
}

impl<'a> Cycle<'a> {
    fn of(beat: &'a Beat) -> Self {
        let half = u64::from(math::round_u32(0.5e6 * beat.period_s));
        Cycle {
            beat,
            from_us: beat.t_us.saturating_sub(half),
            to_us: beat.t_us.saturating_add(half),
        }
    }

    /// Adds the part of it that lies in the minute from `start_us`, and that part of its
    /// amplitude and of its period.
    #[inline(never)]
    fn share(&self, start_us: u64, [beats, sway, period]: [&mut f32; 3]) {
        let from = self.from_us.max(start_us);
        let to = self.to_us.min(start_us.saturating_add(MINUTE_US));
        if to <= from {
            return;
        }
        // Less than a minute.
        let inside = to.wrapping_sub(from) as u32;
        let part = inside as f32 * 1.0e-6 / self.beat.period_s;
        *beats += part;
        *sway += part * self.beat.amplitude_g;
        *period += part * self.beat.period_s;
    }
}

/// Collects minutes; each is given out once the beats in it are certain.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Minutes {
    now: Sums,
    before: Option<Sums>,
    /// Beats of the minute to come: a fast beat is known sooner than the motion
    /// of the same time, which waits for half the running mean.
    ahead: [f32; 3],
    settle_us: u64,
    due_us: u64,
    expected: f32,
}

impl Minutes {
    /// `settle_s`: longest delay of a beat (taken as 60 s at most);
    /// `working_hz`: rate of the motion.
    pub fn new(settle_s: f32, working_hz: f32) -> Self {
        Minutes {
            now: Sums::new(0),
            before: None,
            ahead: [0.0; 3],
            settle_us: math::s_to_us(settle_s).min(MINUTE_US),
            due_us: 0,
            expected: 60.0 * working_hz,
        }
    }

    /// Adds the motion of a few samples, of which `good` can be trusted.
    pub fn add_activity(&mut self, activity: &Activity, good: u8) {
        let s = &mut self.now;
        s.count = s.count.saturating_add(u16::from(activity.count));
        s.good = s.good.saturating_add(u16::from(good));
        s.odba += activity.odba_g;
        s.vedba += activity.vedba_g;
        s.dynamic2 += activity.vedba2_g2;
    }

    /// Adds the finer look at a sample; every few samples will do.
    pub fn add_detail(&mut self, static_g: [f32; 3], detail: &Detail) {
        let s = &mut self.now;
        if s.details == 0 {
            s.origin = static_g;
        }
        s.details = s.details.saturating_add(1);
        s.step2 += detail.step2_g2;
        let e = math::add_scaled(static_g, -1.0, s.origin);
        s.shift = math::add_scaled(s.shift, 1.0, e);
        s.shift2 += math::dot(e, e);
    }

    /// Adds a depth reading.
    pub fn add_depth(&mut self, depth_m: f32) {
        let s = &mut self.now;
        s.depth += depth_m;
        s.depth_count = s.depth_count.saturating_add(1);
        if depth_m < s.depth_low {
            s.depth_low = depth_m;
        }
        if depth_m > s.depth_high {
            s.depth_high = depth_m;
        }
    }

    /// Adds a beat to the minute or minutes that it lies in.
    pub fn add_beat(&mut self, beat: &Beat) {
        let cycle = Cycle::of(beat);
        self.now.add_cycle(&cycle);
        let end_us = self.now.end_us();
        if cycle.to_us > end_us {
            let [beats, sway, period] = &mut self.ahead;
            cycle.share(end_us, [beats, sway, period]);
        }
        if let Some(before) = self.before.as_mut() {
            before.add_cycle(&cycle);
        }
    }

    /// When [`Minutes::step`] has something to do next, microseconds of motion time.
    pub fn due_us(&self) -> u64 {
        self.due_us
    }

    /// True when [`Minutes::step`] has something to do at `t_us`.
    pub fn due(&self, t_us: u64) -> bool {
        t_us >= self.due_us
    }

    /// Moves on to `t_us` (time of the motion, not of the newest sample).
    pub fn step(&mut self, t_us: u64) -> Option<Summary> {
        let mut out = None;
        if let Some(before) = &self.before
            && self.due(t_us)
        {
            out = Some(before.summary(self.expected));
            self.before = None;
        }
        let end_us = self.now.end_us();
        if t_us >= end_us && self.before.is_none() {
            self.before = Some(self.now);
            // After a long gap the minutes in between hold nothing and are left out.
            let behind = u64::from(math::seconds(t_us.saturating_sub(end_us)) / 60);
            self.now = Sums::new(end_us.saturating_add(behind.saturating_mul(MINUTE_US)));
            if behind == 0 {
                [self.now.beats, self.now.sway, self.now.period] = self.ahead;
            }
            self.ahead = [0.0; 3];
        }
        self.due_us = self.now.end_us();
        if let Some(before) = &self.before {
            let settled_us = before.end_us().saturating_add(self.settle_us);
            self.due_us = self.due_us.min(settled_us);
        }
        out
    }

    /// After the last sample: the minutes still waiting, oldest first.
    pub fn finish(&mut self) -> Option<Summary> {
        if let Some(before) = &self.before {
            let out = before.summary(self.expected);
            self.before = None;
            return Some(out);
        }
        if self.now.count > 0 {
            let last = self.now.summary(self.expected);
            self.now = Sums::new(self.now.end_us());
            return Some(last);
        }
        None
    }
}

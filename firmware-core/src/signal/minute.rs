//! The minute summary: what is kept of every minute, and what the slow
//! detectors look at.

use crate::kept::Kept;
use crate::math;
use crate::signal::posture::{Activity, Detail};
use crate::types::{Beat, MinuteSummary};

/// Length of a minute, microseconds.
pub const MINUTE_US: u64 = 60_000_000;

/// Mean acceleration of a minute that gravity alone cannot make, g: an axis is off, however
/// lively it looks, and nothing of the minute can be trusted.
const MEAN_MOST_G: f32 = 1.3;

/// Beats of a minute, counted to parts of a cycle, and their amplitudes and periods by such parts.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Beats {
    count: f32,
    sway: f32,
    period: f32,
}

impl Beats {
    /// Adds the part of a beat's cycle, `half_us` to either side, that lies in the minute from
    /// `start_us`.
    #[inline(never)]
    fn add(&mut self, beat: &Beat, half_us: u64, start_us: u64) {
        let from_us = beat.t_us.saturating_sub(half_us).max(start_us);
        let end_us = start_us.saturating_add(MINUTE_US);
        let to_us = beat.t_us.saturating_add(half_us).min(end_us);
        if to_us <= from_us {
            return;
        }
        // Less than a minute.
        let inside_us = to_us.wrapping_sub(from_us) as u32;
        let part = inside_us as f32 * 1.0e-6 / beat.period_s;
        self.count += part;
        self.sway += part * beat.amplitude_g;
        self.period += part * beat.period_s;
    }
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
    beats: Beats,
    depth: f32,
    depth_count: u16,
    depth_low: f32,
    depth_high: f32,
}

impl Sums {
    #[inline(never)]
    fn new(start_us: u64) -> Self {
        Sums { start_us, depth_low: f32::MAX, depth_high: f32::MIN, ..Kept::blank() }
    }

    #[inline(never)]
    fn end_us(&self) -> u64 {
        self.start_us.saturating_add(MINUTE_US)
    }

    fn summary(&self, expected: f32) -> MinuteSummary {
        let per = if self.count > 0 { 1.0 / f32::from(self.count) } else { 0.0 };
        let Beats { count: beats, sway, period } = self.beats;
        let per_beat = if beats > 0.0 { 1.0 / beats } else { 0.0 };
        let each = if self.details > 0 { 1.0 / f32::from(self.details) } else { 0.0 };
        let mean_shift2 = math::dot(self.shift, self.shift) * each * each;
        let variance = self.shift2 * each - mean_shift2;
        let static_g = math::add_scaled(self.origin, each, self.shift);
        let sound = math::dot(static_g, static_g) < MEAN_MOST_G * MEAN_MOST_G;
        let good = if sound { f32::from(self.good) / expected } else { 0.0 };
        MinuteSummary {
            t_us: self.start_us,
            good: math::at_most(good, 1.0),
            beats,
            period_s: period * per_beat,
            sway_g: sway * per_beat,
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

/// Collects minutes; each is given out once the beats in it are certain.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Minutes {
    now: Sums,
    before: Option<Sums>,
    /// Beats of the minute to come: a fast beat is known sooner than the motion
    /// of the same time, which waits for half the running mean.
    ahead: Beats,
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
            settle_us: math::s_to_us(settle_s).min(MINUTE_US),
            expected: 60.0 * working_hz,
            ..Kept::blank()
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
        let half_us = u64::from(math::round_u32(0.5e6 * beat.period_s));
        self.now.beats.add(beat, half_us, self.now.start_us);
        self.ahead.add(beat, half_us, self.now.end_us());
        if let Some(before) = self.before.as_mut() {
            before.beats.add(beat, half_us, before.start_us);
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
    pub fn step(&mut self, t_us: u64) -> Option<MinuteSummary> {
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
                self.now.beats = self.ahead;
            }
            self.ahead = Beats::blank();
        }
        self.due_us = self.now.end_us();
        if let Some(before) = &self.before {
            let settled_us = before.end_us().saturating_add(self.settle_us);
            self.due_us = self.due_us.min(settled_us);
        }
        out
    }

    /// After the last sample: the minutes still waiting, oldest first.
    pub fn finish(&mut self) -> Option<MinuteSummary> {
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

#[cfg(test)]
mod tests {
    use super::*;

    const FULL: Activity = Activity { count: 100, odba_g: 5.0, vedba_g: 4.0, vedba2_g2: 0.25 };

    fn beat(t_s: f64, period_s: f32) -> Beat {
        Beat { t_us: (t_s * 1.0e6) as u64, period_s, amplitude_g: 0.2, confidence: 0.9 }
    }

    /// All minutes that come of beats that are told `late_s` after they were, while the motion is
    /// that of a second or less ago.
    fn minutes(beats: &[Beat], late_s: u64, seconds: u64) -> Vec<MinuteSummary> {
        let mut minutes = Minutes::new(20.0, 25.0);
        let (mut waiting, mut out) = (beats.iter().peekable(), Vec::new());
        for now_us in (0..seconds).map(|s| s.saturating_mul(1_000_000)) {
            minutes.add_activity(&FULL, 25);
            let due_us = now_us.saturating_sub(late_s.saturating_mul(1_000_000));
            while let Some(beat) = waiting.next_if(|beat| beat.t_us <= due_us) {
                minutes.add_beat(beat);
            }
            out.extend(minutes.step(now_us));
        }
        while let Some(minute) = minutes.finish() {
            out.push(minute);
        }
        out
    }

    #[test]
    fn a_cycle_across_a_minutes_end_is_shared() {
        // From 58.5 s to 60.5 s: three quarters in the first minute. Told at once, while the
        // first minute goes on, and after its end.
        for late_s in [0, 5, 15] {
            let all = minutes(&[beat(59.5, 2.0)], late_s, 150);
            let [first, second, ..] = all.as_slice() else { unreachable!("{all:?}") };
            assert!((first.beats - 0.75).abs() < 1.0e-5, "{late_s} s: {}", first.beats);
            assert!((second.beats - 0.25).abs() < 1.0e-5, "{late_s} s: {}", second.beats);
            for minute in [first, second] {
                assert!((minute.period_s - 2.0).abs() < 1.0e-5, "{}", minute.period_s);
                assert!((minute.sway_g - 0.2).abs() < 1.0e-6, "{}", minute.sway_g);
            }
            assert!(all.get(2).is_some_and(|third| third.beats == 0.0));
        }
    }

    #[test]
    fn no_beat_is_lost_or_counted_twice() {
        for period_s in [0.4_f32, 1.7, 3.1, 7.9] {
            // With half a period, within the 20 s that a minute waits.
            for late_s in [0, 3, 16] {
                let count = (540.0 / f64::from(period_s)) as u32;
                let beats: Vec<Beat> = (0..count)
                    .map(|n| beat(10.0 + f64::from(n) * f64::from(period_s), period_s))
                    .collect();
                let all = minutes(&beats, late_s, 601);
                let sum: f32 = all.iter().map(|m| m.beats).sum();
                let want = count as f32;
                assert!((sum / want - 1.0).abs() < 1.0e-4, "{period_s} s: {sum} for {want}");
                for minute in all.get(1..8).unwrap_or_default() {
                    let per_minute = minute.beats * period_s;
                    assert!((per_minute - 60.0).abs() < 0.01, "{period_s} s: {per_minute}");
                }
            }
        }
    }

    #[test]
    fn a_minute_holds_the_means_of_what_came_in_it() {
        let mut minutes = Minutes::new(20.0, 25.0);
        let (mut sums, mut squares) = ([0.0_f64; 3], 0.0);
        for second in 0..60_u16 {
            minutes.add_activity(&FULL, 20);
            let rocks = 0.02 * (0.7 * f32::from(second)).sin();
            let static_g = [0.3 + rocks, 0.0, 0.9 - 2.0 * rocks];
            minutes.add_detail(static_g, &Detail { swing_g: [0.0; 3], step2_g2: 2.0e-4 });
            for (sum, g) in sums.iter_mut().zip(static_g) {
                *sum += f64::from(g) / 60.0;
                squares += f64::from(g) * f64::from(g) / 60.0;
            }
            minutes.add_depth(10.0 + f32::from(second % 7));
        }
        let Some(minute) = minutes.finish() else { unreachable!() };
        // 25 Hz expected, 20 of 25 good in each second.
        assert!((minute.good - 0.8).abs() < 1.0e-6, "{}", minute.good);
        assert!((minute.odba_g - 0.05).abs() < 1.0e-6 && (minute.vedba_g - 0.04).abs() < 1.0e-6);
        assert!((minute.dynamic_rms_g - 0.05).abs() < 1.0e-6, "{}", minute.dynamic_rms_g);
        assert!((minute.noise_rms_g - 0.01).abs() < 1.0e-7, "{}", minute.noise_rms_g);
        for (got, want) in minute.static_g.iter().zip(sums) {
            assert!((f64::from(*got) - want).abs() < 1.0e-6, "{got} for {want}");
        }
        let sd = (squares - sums.iter().map(|m| m * m).sum::<f64>()).sqrt();
        assert!((f64::from(minute.static_sd_g) - sd).abs() < 1.0e-5, "{}", minute.static_sd_g);
        let depth: u16 = (0..60).map(|s| s % 7).sum();
        let mean_m = 10.0 + f32::from(depth) / 60.0;
        assert!(minute.depth_m.is_some_and(|d| (d - mean_m).abs() < 1.0e-4));
        assert_eq!(minute.depth_range_m, 6.0);
    }

    #[test]
    fn a_mean_that_gravity_cannot_make_is_not_trusted() {
        for (g, good) in [(1.29, 1.0), (1.31, 0.0)] {
            let mut minutes = Minutes::new(20.0, 25.0);
            for _ in 0..60 {
                minutes.add_activity(&FULL, 25);
                let detail = Detail { swing_g: [0.0; 3], step2_g2: 0.0 };
                minutes.add_detail([0.0, g, 0.0], &detail);
            }
            assert_eq!(minutes.finish().map(|m| m.good), Some(good), "{g} g");
        }
    }

    #[test]
    fn minutes_of_a_long_gap_are_left_out() {
        let mut minutes = Minutes::new(20.0, 25.0);
        minutes.add_activity(&FULL, 25);
        assert_eq!(minutes.step(60_000_000), None);
        minutes.add_activity(&FULL, 25);
        // The next sample comes 20 minutes later.
        let first = minutes.step(1_230_000_000);
        assert_eq!(first.map(|m| m.t_us), Some(0));
        minutes.add_activity(&FULL, 25);
        let rest = [minutes.finish(), minutes.finish(), minutes.finish()];
        assert_eq!(rest.map(|m| m.map(|m| m.t_us / 60_000_000)), [Some(1), Some(20), None]);
    }
}

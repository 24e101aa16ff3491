//! The stages that look at motion, and the order in which they do: from the samples of a FIFO to
//! beats and minutes.
//!
//! Samples are taken in blocks. A block that is full goes through posture, sway axis and beats; a
//! gap, the end of a minute and a look of the release split one. Who judges what comes out of it is
//! a [`Panel`]: the tag's own, or many at once on a host that tries many settings.

use crate::beats::BeatStage;
use crate::config::Config;
use crate::detector::Motion;
use crate::fate::Lesson;
use crate::fate::depth;
use crate::kept::Kept;
use crate::math;
use crate::signal::frame::Frame;
use crate::signal::ingest::{Filled, Ingest};
use crate::signal::minute::Minutes;
use crate::signal::posture::Posture;
use crate::signal::rate::{self, Decimator};
use crate::signal::sway::SwayAxis;
use crate::signal::window::{BLOCK_PAIRS, Window};
use crate::types::{Beat, FaultCounters, FaultKind, MinuteSummary, Run};

/// Readings of depth differ by no more than this, m, and what the fastest descent adds, m/s.
const SAME_M: f32 = 2.0;
const FASTEST_M_S: f32 = 5.0;
/// A reading older than this tells nothing of now, s.
const DEPTH_AGE_S: u16 = 60;
/// No depth is known.
const NONE_M: f32 = f32::MIN;

/// Judges what the stages of motion find.
pub trait Panel {
    /// Whether it looks at motion.
    const MOTION: bool;
    /// False once the animal was found not to live, or not to wear the tag.
    fn living(&mut self) -> bool;
    /// A fault began.
    fn fault(&mut self, kind: FaultKind, front: &Front);
    /// A beat of a living animal.
    fn beat(&mut self, beat: &Beat, front: &Front);
    /// Samples that came since the last call.
    fn motion(&mut self, motion: &Motion<'_>, front: &Front);
    /// A block is done: time for what may wait.
    fn block(&mut self, front: &Front);
    /// Samples are missing.
    fn gap(&mut self);
    /// A minute is complete; gives what the stages are to learn from it.
    fn minute(&mut self, minute: &MinuteSummary, front: &Front) -> Lesson;
    /// Looks whether to release the tag, where that is due; gives when it is due next, microseconds.
    fn look(&mut self, front: &Front) -> u64;
}

/// The stages. Plain data: a copy of it is a checkpoint, and stepping the copy gives the same
/// bits as stepping the original.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Front {
    /// When a minute or a look of the release is due, microseconds.
    wake_us: u64,
    /// Samples of the run in hand that were taken so far; 0 between runs.
    taken: u32,
    ingest: Ingest,
    window: Window,
    posture: Posture,
    sway: SwayAxis,
    beats: BeatStage,
    minutes: Minutes,
    frame: Frame,
    /// The latest block is the second of two: with it, which is enough, the sensor's axes are
    /// looked at, and the finer look is taken once the sway axis is known.
    second: bool,
    /// The tag lies as nothing swims.
    overturned: bool,
    motion_delay_us: u32,
    /// Latest reading, or [`NONE_M`]; the lesser of it and the one before, where they agree.
    depth_m: f32,
    agreed_m: f32,
    /// When it was read, s, the low bits.
    depth_s: u16,
}

impl Front {
    /// At the start of a deployment.
    pub fn new(config: &Config) -> Self {
        let logger = config.logger();
        let decimator = Decimator::new(logger.sample_hz);
        let factor = decimator.factor();
        let working_hz = rate::working_hz(logger.sample_hz);
        let pair_hz = rate::pair_hz(working_hz);
        let block = if pair_hz < rate::SLOW_HZ { BLOCK_PAIRS / 2 } else { BLOCK_PAIRS };
        let window = Window::new(logger.range_g, working_hz);
        let posture = Posture::new(config, working_hz, window.counts_per_g());
        let beats = BeatStage::new(config, block, window.sway_unit_g());
        let frame = Frame::new(logger.mount_deg);
        let look_every = block.wrapping_mul(rate::pair_of(working_hz)).wrapping_mul(2);
        let look_every = look_every.wrapping_mul(factor);
        let mean_us = rate::mean_delay_us(logger.sample_hz);
        let motion_us = mean_us + f32::from(posture.delay_pairs()) * 1.0e6 / pair_hz;
        Front {
            wake_us: 0,
            taken: 0,
            ingest: Ingest::new(config, decimator, block, look_every),
            sway: SwayAxis::new(0.5 * pair_hz / f32::from(block), frame.given_left()),
            minutes: Minutes::new(beats.chooser().delay_bound_s(), working_hz),
            window,
            posture,
            beats,
            frame,
            second: false,
            overturned: false,
            motion_delay_us: math::round_u32(motion_us),
            depth_m: NONE_M,
            agreed_m: NONE_M,
            depth_s: 0,
        }
    }

    /// Takes the samples of `run`.
    pub fn feed<P: Panel>(&mut self, run: &Run, panel: &mut P) {
        let all = run.accel_g.len();
        if all == 0 {
            return;
        }
        if let Some(depth_m) = run.depth_m {
            self.take_depth(depth_m);
        }
        let mut rest = *run;
        loop {
            let filled = self.ingest.fill(&mut rest, &mut self.window, self.wake_us);
            self.taken = all.wrapping_sub(rest.accel_g.len()) as u32;
            if filled.restart {
                self.restart();
                panel.gap();
            }
            self.work(filled, panel);
            if filled.whole && self.now_us() >= self.wake_us {
                self.due(panel);
            }
            if rest.accel_g.is_empty() && !self.ingest.repeats() {
                self.taken = 0;
                return;
            }
        }
    }

    /// For a tag whose accelerometer gives nothing: moves its time on to `t_us`.
    pub fn tick(&mut self, t_us: u64) {
        self.ingest.tick(t_us);
    }

    /// After the last sample: works on what has not filled a block, and gives out the minutes that
    /// waited for later samples.
    pub fn flush<P: Panel>(&mut self, panel: &mut P) {
        self.motion_so_far(panel);
        self.beats.finish(&self.window);
        while let Some(beat) = self.beats.next_beat() {
            self.beat(&beat, panel);
        }
        while let Some(minute) = self.minutes.finish() {
            self.minute(&minute, panel);
        }
    }

    /// Takes a depth reading, m; what cannot be one is dropped.
    #[inline(never)]
    fn take_depth(&mut self, depth_m: f32) {
        if depth_m > depth::HIGHEST_M && depth_m < depth::DEEPEST_M {
            let near_m = SAME_M + FASTEST_M_S * f32::from(self.depth_age_s().min(DEPTH_AGE_S));
            let agrees = math::abs(self.depth_m - depth_m) <= near_m;
            self.agreed_m = if agrees { math::at_most(self.depth_m, depth_m) } else { NONE_M };
            (self.depth_m, self.depth_s) = (depth_m, math::seconds(self.now_us()) as u16);
            self.minutes.add_depth(depth_m);
        }
    }

    #[inline(never)]
    fn report_faults<P: Panel>(&mut self, panel: &mut P) {
        while let Some(kind) = self.ingest.sensor.next_begun() {
            panel.fault(kind, self);
        }
    }

    /// Forgets what is under way, after a gap.
    #[inline(never)]
    fn restart(&mut self) {
        self.window.restart();
        self.posture.restart();
        self.beats.restart();
    }

    /// The work that goes with what was put into the window.
    fn work<P: Panel>(&mut self, filled: Filled, panel: &mut P) {
        let full = self.window.waiting() >= self.ingest.block;
        let last = if full { u8::MAX } else { filled.samples.wrapping_sub(1) };
        let mut place = filled.before;
        for n in u8::from(full)..filled.samples {
            if self.beats.rests() {
                break;
            }
            if n == last {
                // What began with it comes behind what came of the samples before.
                self.report_faults(panel);
            }
            place = place.wrapping_add(1);
            if place >= self.ingest.decimator.factor() {
                place = 0;
                self.beats.step(&self.window);
            }
            self.hand_out(panel);
        }
        self.report_faults(panel);
        if full {
            self.block(panel);
            self.hand_out(panel);
            panel.block(self);
        }
    }

    /// A full block: posture and activity, and the beat stage has work to do.
    #[inline(never)]
    fn block<P: Panel>(&mut self, panel: &mut P) {
        self.second = !self.second;
        if self.second {
            self.ingest.sensor.look();
        }
        self.beats.open_block();
        self.motion(self.ingest.block, self.now_us(), panel);
        self.beats.begin();
    }

    /// Motion that has not filled a block: before a minute is closed, and after the last sample.
    #[inline(never)]
    fn motion_so_far<P: Panel>(&mut self, panel: &mut P) {
        let pairs = self.window.waiting();
        if pairs > 0 {
            let waits_us = if self.window.odd() { self.beats.pair_us / 2 } else { 0 };
            let newest_us = self.now_us().saturating_sub(u64::from(waits_us));
            self.motion(pairs, newest_us, panel);
        }
    }

    /// Posture and activity of `pairs` pairs, the newest of them at `newest_us`.
    fn motion<P: Panel>(&mut self, pairs: u8, newest_us: u64, panel: &mut P) {
        self.beats.add(pairs, newest_us);
        let all = if self.window.doubles() { pairs } else { pairs.wrapping_mul(2) };
        let good = all.saturating_sub(self.ingest.take_bad());
        if let Some(activity) = self.posture.work(&mut self.window) {
            self.minutes.add_activity(&activity, good);
            if self.second || !self.beats.axis_known() {
                self.detail(self.posture.static_g(), good == all);
            }
        }
        if !P::MOTION {
            return;
        }
        let period_us =
            if self.window.doubles() { self.beats.pair_us } else { self.beats.pair_us / 2 };
        let motion = Motion {
            newest_us,
            period_us,
            mean_g: self.posture.mean_g(),
            sway_axis: self.sway.axis(),
            own_period_s: self.beats.chooser().own_period_s(),
            depth_m: (self.depth_m > NONE_M).then_some(self.depth_m),
            good: good == all,
            pairs,
            window: &self.window,
        };
        panel.motion(&motion, self);
    }

    /// Now and then: the sway axis, and what only minutes need.
    #[inline(never)]
    fn detail(&mut self, static_g: [f32; 3], good: bool) {
        let detail = self.posture.detail(&self.window);
        self.minutes.add_detail(static_g, &detail);
        self.overturned = self.frame.overturned(static_g);
        let swing2_g2 = math::dot(detail.swing_g, detail.swing_g);
        let learn =
            good && self.frame.upright(static_g) && self.beats.chooser().rhythmic(swing2_g2);
        if (learn && self.sway.step(detail.swing_g) || !self.beats.axis_known())
            && let Some(axis) = self.sway.axis()
        {
            let (held, unit_g) = (self.posture.held(), self.window.sway_unit_g());
            self.beats.follow_axis(axis, static_g, held, unit_g);
        }
    }

    /// Hands out the next beat, if one waits.
    fn hand_out<P: Panel>(&mut self, panel: &mut P) {
        if let Some(beat) = self.beats.next_beat() {
            self.beat(&beat, panel);
        }
    }

    #[inline(never)]
    fn beat<P: Panel>(&mut self, beat: &Beat, panel: &mut P) {
        if self.overturned {
            return;
        }
        // Where nothing was found to live any more, beats are evidence that it does.
        self.minutes.add_beat(beat);
        if !panel.living() {
            // A carcass or a loose tag does not swim, whatever rocks it.
            return;
        }
        if let Some(pairs) = self.beats.half_beat_pairs() {
            self.posture.set_half_beat(pairs);
        }
        panel.beat(beat, self);
    }

    /// Minutes, and now and then the release.
    #[inline(never)]
    fn due<P: Panel>(&mut self, panel: &mut P) {
        let motion_us = self.now_us().saturating_sub(self.motion_delay_us.into());
        // Where a cycle was judged with the latest sample, the minute waits for the next.
        if self.minutes.due(motion_us) && !self.beats.worked() {
            self.motion_so_far(panel);
            if let Some(minute) = self.minutes.step(motion_us) {
                self.minute(&minute, panel);
            }
        }
        if self.depth_age_s() > DEPTH_AGE_S {
            self.agreed_m = NONE_M;
        }
        let look_us = panel.look(self);
        self.wake_us =
            self.minutes.due_us().saturating_add(self.motion_delay_us.into()).min(look_us);
    }

    /// A minute is judged, and the worn posture learnt from it.
    fn minute<P: Panel>(&mut self, s: &MinuteSummary, panel: &mut P) {
        let lesson = panel.minute(s, self);
        let Lesson { swum, depth_failed, shifted } = lesson;
        self.ingest.sensor.note(FaultKind::DepthFault, depth_failed);
        self.report_faults(panel);
        if shifted {
            self.frame.forget(s.static_g);
            self.sway.distrust_given();
        }
        let trusted = if depth_failed { None } else { s.depth_m };
        self.frame.learn(s.static_g, self.sway.axis(), swum, trusted);
    }

    /// The tag's own time, microseconds since its first sample; never goes back.
    pub fn now_us(&self) -> u64 {
        self.ingest.now_us()
    }

    /// Samples of the run in hand that were taken so far; 0 between runs.
    pub fn taken(&self) -> usize {
        self.taken as usize
    }

    /// The animal's own axes.
    pub fn frame(&self) -> &Frame {
        &self.frame
    }

    /// Depth, m: the lesser of the latest two readings, where they agree and are not old.
    pub fn depth_m(&self) -> Option<f32> {
        let known = self.agreed_m > NONE_M && self.depth_age_s() <= DEPTH_AGE_S;
        known.then_some(self.agreed_m)
    }

    fn depth_age_s(&self) -> u16 {
        (math::seconds(self.now_us()) as u16).wrapping_sub(self.depth_s)
    }

    /// Counters of samples at fault.
    pub fn faults(&self) -> &FaultCounters {
        self.ingest.sensor.counters()
    }
}

//! The whole tag: one sample in, what the tag knows and decides out.

use core::fmt;

use crate::beats::{self, Beats};
use crate::checkpoint::Kept;
use crate::config::Config;
use crate::depth::{self, DepthWatch};
use crate::fate::FateTest;
use crate::frame::Frame;
use crate::math;
use crate::minute::{Minutes, Summary};
use crate::posture::{AXIS_ONE, BATCH_MAX, Posture};
use crate::rate::{self, Decimator, Interpolator};
use crate::record;
use crate::recovery::Recovery;
use crate::release::{Grounds, Release};
use crate::sensor::Sensor;
use crate::sway::SwayAxis;
use macro_rules_attribute::derive;

/// Parts of the beat stage's work that are done with a sample behind a short gap, at most: all
/// that comes to be done keeps up even where every sample has one before it.
const BRIDGE_PARTS: u8 = 3;

/// What the sensors read at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Tag time since the start of the deployment, microseconds.
    pub t_us: u64,
    /// Calibrated acceleration in g, sensor axes; a missing axis is `NaN`.
    pub accel_g: [f32; 3],
    /// Depth below the surface, m, where a reading arrived with this sample.
    pub depth_m: Option<f32>,
    /// Temperature, deg C, where a reading arrived with this sample.
    pub temp_c: Option<f32>,
    /// Part of the cell's charge left, 0 to 1, where a reading arrived with this sample.
    pub cell_left: Option<f32>,
    /// Part of the memory in use, 0 to 1, where a reading arrived with this sample.
    pub memory_used: Option<f32>,
}

impl Sample {
    /// A sample of acceleration alone.
    pub fn accel(t_us: u64, accel_g: [f32; 3]) -> Self {
        Sample { t_us, accel_g, depth_m: None, temp_c: None, cell_left: None, memory_used: None }
    }
}

/// What an accelerometer's FIFO held: samples at equal distances in time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Run<'a> {
    /// Tag time of the first since the start of the deployment, microseconds.
    pub t_us: u64,
    /// From one to the next, microseconds.
    pub period_us: u32,
    /// Calibrated acceleration in g, sensor axes; a missing axis is `NaN`.
    pub accel_g: &'a [[f32; 3]],
    /// Depth below the surface, m, where a reading arrived with the first sample.
    pub depth_m: Option<f32>,
    /// Part of the cell's charge left, 0 to 1, where a reading arrived with it.
    pub cell_left: Option<f32>,
    /// Part of the memory in use, 0 to 1, where a reading arrived with it.
    pub memory_used: Option<f32>,
}

impl<'a> Run<'a> {
    /// A run of acceleration alone.
    pub fn accel(t_us: u64, period_us: u32, accel_g: &'a [[f32; 3]]) -> Self {
        Run { t_us, period_us, accel_g, depth_m: None, cell_left: None, memory_used: None }
    }

    /// What is left behind the first `count`, 1 or more.
    #[must_use]
    pub fn after(&self, count: usize) -> Self {
        let accel_g = self.accel_g.get(count..).unwrap_or_default();
        Run::accel(self.later_us(self.t_us, count), self.period_us, accel_g)
    }

    /// So many samples after a time, microseconds.
    fn later_us(&self, t_us: u64, count: usize) -> u64 {
        t_us.wrapping_add(u64::from(self.period_us).wrapping_mul(u64::from(count as u32)))
    }
}

/// One whole tail beat (left-right-left).
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Beat {
    /// Time of the extreme sway on one side (always the same side), microseconds.
    pub t_us: u64,
    /// Period of the cycle, s.
    pub period_s: f32,
    /// Sway amplitude, half the swing, g.
    pub amplitude_g: f32,
    /// Confidence, 0 to 1.
    pub confidence: f32,
}

/// What the animal was doing in a minute.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum State {
    /// Beating its tail.
    Swimming,
    /// Gliding, or resting where it breathes buccally.
    Resting,
    /// Dead, tag on the animal.
    Dead,
    /// Tag off the animal, floating.
    Floating,
    /// Tag off the animal, on the bottom.
    OnBottom,
    /// Not known: too little was recorded.
    Unknown,
}

/// One minute, summarised.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Minute {
    /// Start of the minute, microseconds.
    pub t_us: u64,
    /// Beats in this minute, counted to parts of a cycle; `None` where too little was recorded.
    pub beats_per_min: Option<f32>,
    /// Mean sway amplitude of the beats, g; 0 without beats.
    pub sway_g: f32,
    /// Mean overall dynamic body acceleration, g.
    pub odba_g: f32,
    /// Mean vectorial dynamic body acceleration, g.
    pub vedba_g: f32,
    /// Mean pitch, degrees, head up positive.
    pub pitch_deg: f32,
    /// Mean roll, degrees, left flank up positive.
    pub roll_deg: f32,
    /// Mean depth, m.
    pub depth_m: Option<f32>,
    /// What the animal was doing.
    pub state: State,
}

/// The animal's fate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Fate {
    /// Not enough evidence.
    Undetermined,
    /// Alive, tag worn.
    Alive,
    /// Dead, tag still on the carcass.
    Dead,
    /// Tag came off and floats.
    DetachedFloating,
    /// Tag came off and lies on the bottom.
    DetachedOnBottom,
}

/// A decision about fate.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FateReport {
    /// What was decided.
    pub fate: Fate,
    /// When it happened, by the detector's own estimate, microseconds.
    pub event_us: u64,
    /// When the tag knew, microseconds.
    pub decided_us: u64,
    /// Evidence against a living animal wearing the tag, natural log of the likelihood ratio.
    pub evidence: f32,
}

/// The evidence on fate as it stands, decided or not: natural logs of likelihood ratios.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evidence {
    /// Against a living animal that wears the tag.
    pub not_living: f32,
    /// Of a floating tag, against one on a carcass.
    pub floating: f32,
    /// Of a tag that lies loose on the bottom, against one on a carcass.
    pub on_bottom: f32,
}

/// An estimate of recovery.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RecoveryReport {
    /// Recovery time after the start, s.
    pub t_s: f32,
    /// Standard error of that time, s.
    pub se_s: f32,
    /// Probability that the animal has recovered by now, 0 to 1.
    pub prob: f32,
    /// Set once decided: when the tag knew, microseconds.
    pub decided_us: Option<u64>,
}

/// Why the tag lets go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Cause {
    /// The ceiling was reached.
    Ceiling,
    /// The animal died.
    Death,
    /// The tag came off.
    Detached,
    /// Recovered, and normal behaviour recorded.
    Recovered,
    /// Memory full.
    MemoryFull,
    /// Cell down to its reserve.
    CellLow,
    /// Deeper than the housing is rated for.
    TooDeep,
}

/// The decision to let go.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ReleaseDecision {
    /// When, microseconds.
    pub t_us: u64,
    /// Why.
    pub cause: Cause,
    /// When the cause first stood, microseconds.
    pub since_us: u64,
    /// The number that the cause was judged by (evidence, fraction, depth in m, hours).
    pub value: f32,
    /// The bound that it was held against, same unit.
    pub bound: f32,
}

/// Kinds of sensor fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum FaultKind {
    /// An axis repeats one value where noise must change it.
    StuckAxis,
    /// An axis sits at full scale.
    ClippedAxis,
    /// An axis gives no number.
    MissingAxis,
    /// Samples are missing.
    Gap,
    /// Time went backwards, or stood still.
    ClockJump,
    /// The depth sensor repeats one value for too long, or gives no number.
    DepthFault,
}

/// All kinds, in the order of [`FaultCounters`].
pub const FAULT_KINDS: [FaultKind; 6] = [
    FaultKind::StuckAxis,
    FaultKind::ClippedAxis,
    FaultKind::MissingAxis,
    FaultKind::Gap,
    FaultKind::ClockJump,
    FaultKind::DepthFault,
];

/// What one step brought to light. Most steps bring nothing.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Output {
    /// A beat became certain.
    pub beat: Option<Beat>,
    /// A minute was completed.
    pub minute: Option<Minute>,
    /// Fate was decided or revised.
    pub fate: Option<FateReport>,
    /// Recovery was estimated anew (hourly) or decided.
    pub recovery: Option<RecoveryReport>,
    /// The tag decides to let go (once).
    pub release: Option<ReleaseDecision>,
    /// A fault began with this sample.
    pub fault: Option<FaultKind>,
}

impl Output {
    /// Back to nothing.
    fn clear(&mut self) {
        self.beat = None;
        self.minute = None;
        self.fate = None;
        self.recovery = None;
        self.release = None;
        self.fault = None;
    }

    /// True where there is anything in it.
    pub fn tells(&self) -> bool {
        self.beat.is_some()
            || self.minute.is_some()
            || self.fate.is_some()
            || self.recovery.is_some()
            || self.release.is_some()
            || self.fault.is_some()
    }
}

/// Counts of samples at fault, by kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FaultCounters {
    /// Samples (or events, for gaps and clock jumps) in the order of [`FAULT_KINDS`].
    pub counts: [u32; 6],
}

/// The part of the tag that looks at every sample: from a reading to beats and
/// minute summaries. Plain data, as [`Tag`] is.
///
/// Whoever tries many settings on one record can step one `Front` for all that
/// differ in later stages only, each with its own [`Judges`].
#[derive(Clone, Debug, PartialEq, Kept!)]

pub struct Front {
    now_us: u64,
    /// Time of the newest sample of the last batch, microseconds.
    batch_us: u64,
    sensor: Sensor,
    /// Pairs to a batch: those of which the beat stage takes a batch of values.
    batch: u8,
    /// Samples since the last batch that cannot be trusted.
    bad: u8,
    /// Pairs in the posture window that the beat stage has not seen yet.
    behind: u8,
    /// The beat stage has something to do.
    busy: bool,
    /// A pair is two samples at the working rate.
    paired: bool,
    /// The beat stage's parts of work that go with a sample: as many more as samples are fewer.
    parts: u8,
    axis_known: bool,
    overturned: bool,
    /// Beats that became certain are being handed out: from the end of a batch on, one a sample.
    handing: bool,
    /// The latest batch is the second of two: with it, which is enough, the sensor's axes are
    /// looked at, and the finer look is taken once the sway axis is known.
    second: bool,
    decimator: Decimator,
    posture: Posture,
    sway: SwayAxis,
    /// Sway axis in whole numbers, see [`Posture::along`].
    axis: [i32; 3],
    /// Taken off what lies along it.
    offset: i32,
    interpolator: Interpolator,
    beats: Beats,
    minutes: Minutes,
    frame: Frame,
    motion_delay_us: u64,
    sway_delay_us: u64,
    pair_us: u32,
    depth_m: Option<f32>,
}

/// The part of the tag that looks at every minute: depth as evidence, and fate.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Judges {
    depth: DepthWatch,
    fate: FateTest,
}

/// What [`Judges`] make of a minute.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Verdict {
    /// Fate was decided or revised.
    pub fate: Option<FateReport>,
    /// What there is to learn from it.
    pub lesson: Lesson,
    /// The minute as it is recorded.
    pub minute: Minute,
}

/// What [`Front::learn`] has to know of a minute.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lesson {
    /// It was swum by a living animal.
    pub swum: bool,
    /// Depth cannot be trusted.
    pub depth_failed: bool,
    /// The tag has come to sit otherwise on an animal that swims on.
    pub shifted: bool,
}

/// The tag. Plain data: a copy of it is a checkpoint, and stepping the copy
/// gives the same bits as stepping the original. Its debug text names all stages
/// side by side, in the order in which a sample travels.
// What every sample needs stands first, within reach of the core's short offsets.
#[derive(Clone, PartialEq, Kept!)]

pub struct Tag {
    /// When [`Tag::seldom`] has something to do.
    wake_us: u64,
    next_look_us: u64,
    front: Front,
    judges: Judges,
    recovery: Recovery,
    release: Release,
    cell_left: Option<f32>,
    memory_used: Option<f32>,
    record_bytes: u32,
}

impl fmt::Debug for Tag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tag")
            .field("sensor", &self.front.sensor)
            .field("decimator", &self.front.decimator)
            .field("posture", &self.front.posture)
            .field("sway", &self.front.sway)
            .field("axis", &self.front.axis)
            .field("axis_known", &self.front.axis_known)
            .field("offset", &self.front.offset)
            .field("overturned", &self.front.overturned)
            .field("handing", &self.front.handing)
            .field("second", &self.front.second)
            .field("batch", &self.front.batch)
            .field("bad", &self.front.bad)
            .field("behind", &self.front.behind)
            .field("busy", &self.front.busy)
            .field("batch_us", &self.front.batch_us)
            .field("interpolator", &self.front.interpolator)
            .field("beats", &self.front.beats)
            .field("minutes", &self.front.minutes)
            .field("frame", &self.front.frame)
            .field("depth", &self.judges.depth)
            .field("fate", &self.judges.fate)
            .field("recovery", &self.recovery)
            .field("release", &self.release)
            .field("now_us", &self.front.now_us)
            .field("next_look_us", &self.next_look_us)
            .field("wake_us", &self.wake_us)
            .field("paired", &self.front.paired)
            .field("parts", &self.front.parts)
            .field("pair_us", &self.front.pair_us)
            .field("motion_delay_us", &self.front.motion_delay_us)
            .field("sway_delay_us", &self.front.sway_delay_us)
            .field("depth_m", &self.front.depth_m)
            .field("cell_left", &self.cell_left)
            .field("memory_used", &self.memory_used)
            .field("record_bytes", &self.record_bytes)
            .finish()
    }
}

impl Tag {
    /// A tag at the start of its deployment.
    #[inline(never)]
    pub fn new(config: Config) -> Self {
        Tag {
            front: Front::new(&config),
            judges: Judges::new(&config),
            recovery: Recovery::new(&config),
            release: Release::new(&config),
            next_look_us: 0,
            wake_us: 0,
            cell_left: None,
            memory_used: None,
            record_bytes: 0,
        }
    }

    /// Takes one sample.
    pub fn step(&mut self, sample: &Sample) -> Output {
        let mut out = Output::default();
        self.advance(sample, &mut out);
        out
    }

    /// The same, writing into the caller's output: for a microcontroller, which
    /// is spared a copy a sample.
    pub fn step_into(&mut self, sample: &Sample, out: &mut Output) {
        out.clear();
        self.advance(sample, out);
    }

    /// Takes the samples of `run` in order, as so many calls of [`Tag::step_into`] would,
    /// until one brings something to light or all are taken; gives how many it took, at
    /// least one of a run that holds any. What is left ([`Run::after`]) has to be handed in
    /// again. Samples that nothing is odd about are looked at together, which costs less.
    pub fn step_run(&mut self, run: &Run, out: &mut Output) -> usize {
        out.clear();
        let Run { depth_m, cell_left, memory_used, .. } = run;
        let any = depth_m.is_some() | cell_left.is_some() | memory_used.is_some();
        if any && !run.accel_g.is_empty() {
            self.readings(run.depth_m, run.cell_left, run.memory_used);
        }
        let mut rest = *run;
        while let [first, ..] = rest.accel_g {
            let easy = !self.front.beat_waits() && !self.recovery.busy();
            let count = if easy { self.front.take_run(&rest, self.wake_us) } else { 0 };
            if count == 0 {
                self.advance(&Sample::accel(rest.t_us, *first), out);
                rest = rest.after(1);
            } else {
                rest = rest.after(count);
                if !self.front.beat_waits() && self.front.now_us < self.wake_us {
                    continue;
                }
                self.follow(out);
            }
            if out.tells() {
                break;
            }
        }
        run.accel_g.len().wrapping_sub(rest.accel_g.len())
    }

    /// The path of nearly every sample is kept short; what is seldom is called.
    #[inline(never)]
    fn advance(&mut self, sample: &Sample, out: &mut Output) {
        let Sample { depth_m, cell_left, memory_used, .. } = *sample;
        if depth_m.is_some() | cell_left.is_some() | memory_used.is_some() {
            self.readings(depth_m, cell_left, memory_used);
        }
        if self.front.take_motion(sample, &mut out.fault) {
            self.follow(out);
        }
    }

    /// What a sample that was taken leads to.
    #[inline]
    fn follow(&mut self, out: &mut Output) {
        if self.front.beat_waits() {
            self.beat_step(out);
        }
        if self.front.now_us >= self.wake_us {
            self.seldom(out);
        } else if self.recovery.busy() && !self.front.worked() {
            // A grid point waits for a sample with little else to do.
            self.fit_step(out);
        }
    }

    #[inline(never)]
    fn beat_step(&mut self, out: &mut Output) {
        out.beat = self.front.next_beat(self.judges.living());
    }

    /// Minutes, and now and then the release.
    #[inline(never)]
    fn seldom(&mut self, out: &mut Output) {
        if let Some(summary) = self.front.minute() {
            self.minute_step(&summary, out);
        }
        let now_us = self.front.now_us;
        if now_us >= self.next_look_us {
            self.next_look_us = self.release.next_look_us(now_us);
            out.release = self.release_step();
        }
        self.wake_us = self.front.minute_wake_us().min(self.next_look_us);
    }

    #[inline(never)]
    fn fit_step(&mut self, out: &mut Output) {
        if let Some(report) = self.recovery.step(self.front.now_us) {
            out.recovery = Some(report);
            self.record(record::RECOVERY_STORED);
        }
    }

    /// For a tag whose accelerometer gives nothing: moves its clock on to `t_us`
    /// so that the ceiling and the other causes of release still hold. Call it
    /// once a second while no samples come.
    pub fn tick(&mut self, t_us: u64) -> Option<ReleaseDecision> {
        self.front.now_us = self.front.now_us.max(t_us);
        self.release_step()
    }

    /// Latest readings of what is not measured with every sample.
    #[inline(never)]
    fn readings(&mut self, depth_m: Option<f32>, cell_left: Option<f32>, memory_used: Option<f32>) {
        if let Some(depth_m) = depth_m {
            self.front.take_depth(depth_m);
        }
        if cell_left.is_some() {
            self.cell_left = cell_left;
        }
        if memory_used.is_some() {
            self.memory_used = memory_used;
        }
    }

    #[inline(never)]
    fn minute_step(&mut self, s: &Summary, out: &mut Output) {
        let verdict = self.judges.minute(s, &self.front);
        let fault = self.front.learn(s, verdict.lesson);
        out.fault = out.fault.or(fault);
        out.fate = verdict.fate;
        if out.fate.is_some() {
            self.record(record::FATE_STORED);
        }
        self.recovery.add(self.judges.living().then_some(s));
        self.record(record::minute_stored(verdict.minute.t_us));
        out.minute = Some(verdict.minute);
    }

    #[inline(never)]
    fn release_step(&mut self) -> Option<ReleaseDecision> {
        let grounds = Grounds {
            now_us: self.front.now_us,
            fate: self.judges.report(),
            not_living: self.judges.not_living(),
            recovery: self.recovery.report(),
            depth_m: self.front.depth_m,
            cell_left: self.cell_left,
            memory_used: self.memory_used,
        };
        let decision = self.release.step(&grounds);
        if decision.is_some() {
            self.record(record::RELEASE_STORED);
        }
        decision
    }

    fn record(&mut self, bytes: usize) {
        self.record_bytes = self.record_bytes.saturating_add(bytes as u32);
    }

    /// After the last sample: call until `None` to get what was still waiting
    /// for later samples.
    #[inline(never)]
    pub fn finish(&mut self) -> Option<Output> {
        let mut out = Output::default();
        self.front.finish_samples();
        if let Some(beat) = self.front.next_beat(self.judges.living()) {
            out.beat = Some(beat);
            return Some(out);
        }
        let summary = self.front.finish_minute()?;
        self.minute_step(&summary, &mut out);
        Some(out)
    }

    /// Counters of samples at fault.
    pub fn faults(&self) -> &FaultCounters {
        self.front.faults()
    }

    /// Fate as known now. Before any decision: [`Fate::Undetermined`], or
    /// [`Fate::Alive`] once the animal was seen to swim.
    pub fn fate(&self) -> Fate {
        self.judges.fate()
    }

    /// The decision on fate that stands.
    pub fn fate_report(&self) -> Option<FateReport> {
        self.judges.report().copied()
    }

    /// The evidence on fate as it stands, for whoever wants to watch it build up.
    pub fn evidence(&self) -> Evidence {
        let [not_living, floating, on_bottom] = self.judges.fate.evidence();
        Evidence { not_living, floating, on_bottom }
    }

    /// Since when a cause of release stands, microseconds of tag time; `None`
    /// while it does not, and for the ceiling.
    pub fn standing_since_us(&self, cause: Cause) -> Option<u64> {
        self.release.standing_since_us(cause)
    }

    /// Latest estimate of recovery.
    pub fn recovery(&self) -> Option<RecoveryReport> {
        self.recovery.report().copied()
    }

    /// The decision to let go, once made.
    pub fn release(&self) -> Option<ReleaseDecision> {
        self.release.decision().copied()
    }

    /// The tag's own time, microseconds since its first sample; never goes back.
    #[inline]
    pub fn now_us(&self) -> u64 {
        self.front.now_us()
    }

    /// Bytes that the log takes so far: minutes, hours, decisions on fate and release,
    /// estimates of recovery, each with its head and check sum.
    pub fn record_bytes(&self) -> u32 {
        self.record_bytes
    }
}

impl Front {
    /// At the start of a deployment.
    pub fn new(config: &Config) -> Self {
        let sample_hz = config.logger().sample_hz;
        let decimator = Decimator::new(sample_hz);
        let working_hz = rate::working_hz(sample_hz);
        let pair_hz = rate::pair_hz(working_hz);
        let paired = rate::pair_of(working_hz) > 1;
        let interpolator = Interpolator::new(pair_hz);
        let rung_hz = if interpolator.is_slow() { 2.0 * pair_hz } else { pair_hz };
        let posture = Posture::new(config, working_hz);
        let beats = Beats::new(config, 2.0 * rung_hz, paired, posture.sway_unit_g());
        let frame = Frame::new(config.logger().mount_deg);
        let sample_us = 1.0e6 / sample_hz;
        let batch = if interpolator.is_slow() { BATCH_MAX / 2 } else { BATCH_MAX };
        let taken = if paired { batch.wrapping_mul(2) } else { batch };
        let look_every = taken.wrapping_mul(2).wrapping_mul(decimator.factor());
        // The mean of n samples belongs half of n - 1 samples back.
        let mean_us = 0.5 * f32::from(decimator.factor().saturating_sub(1)) * sample_us;
        let motion_us = mean_us + f32::from(posture.delay_pairs()) * 1.0e6 / pair_hz;
        let half_us = if paired { 0.5e6 / working_hz } else { 0.0 };
        let sway_us = mean_us + half_us + interpolator.delay() * 1.0e6 / rung_hz;
        Front {
            sensor: Sensor::new(config, look_every),
            posture,
            sway: SwayAxis::new(0.5 * pair_hz / f32::from(batch), frame.given_left()),
            axis: [0; 3],
            axis_known: false,
            offset: 0,
            overturned: false,
            handing: false,
            second: false,
            batch,
            bad: 0,
            behind: 0,
            busy: false,
            batch_us: 0,
            minutes: Minutes::new(beats.delay_bound_s(), working_hz),
            frame,
            now_us: 0,
            paired,
            parts: if paired {
                1
            } else if interpolator.is_slow() {
                4
            } else {
                2
            },
            pair_us: math::round_u32(1.0e6 / pair_hz),
            motion_delay_us: u64::from(math::round_u32(motion_us)),
            sway_delay_us: u64::from(math::round_u32(sway_us)),
            depth_m: None,
            decimator,
            interpolator,
            beats,
        }
    }

    /// Takes a depth reading, m; what cannot be one is dropped.
    #[inline(never)]
    pub fn take_depth(&mut self, depth_m: f32) {
        if depth_m > depth::HIGHEST_M && depth_m < depth::DEEPEST_M {
            self.depth_m = Some(depth_m);
            self.minutes.add_depth(depth_m);
        }
    }

    /// Takes a sample. False: it is dropped.
    pub fn take(&mut self, sample: &Sample, fault: &mut Option<FaultKind>) -> bool {
        if let Some(depth_m) = sample.depth_m {
            self.take_depth(depth_m);
        }
        self.take_motion(sample, fault)
    }

    /// The same, but for the depth.
    #[inline]
    fn take_motion(&mut self, sample: &Sample, fault: &mut Option<FaultKind>) -> bool {
        let Some(t_us) = self.sensor.pass(sample) else { return self.look(sample, fault) };
        self.now_us = t_us;
        if self.working(&sample.accel_g) {
            self.beat_step();
        }
        true
    }

    /// Takes the first samples of `run` that nothing is odd about, up to the next beat or
    /// the first not before `until_us`. Gives how many; none where [`Front::take`] has to
    /// look at the first. No beat may wait.
    pub fn take_run(&mut self, run: &Run, until_us: u64) -> usize {
        let samples = self.sensor.timely_of(run, until_us);
        if self.decimator.factor() > 1 {
            return self.working_run(run, samples);
        }
        let first_us = self.sensor.tag_us(run.t_us);
        let mut taken = 0_usize;
        while taken < samples.len() && !self.handing {
            let room = usize::from(self.posture.lacking(self.batch));
            let rest = samples.get(taken..).unwrap_or_default();
            let sound = self.sensor.sound();
            let count = self.posture.lay(rest.get(..room).unwrap_or(rest), sound);
            if count == 0 {
                break;
            }
            self.beats_before(count, room);
            taken = taken.wrapping_add(count);
            if self.posture.taken(count as u8) >= self.batch {
                self.passed(run, first_us, samples, taken);
                self.batch_step();
            }
        }
        self.passed(run, first_us, samples, taken);
        taken
    }

    /// So many of the first samples of a run were taken, from `first_us` of the tag's time on.
    #[inline]
    fn passed(&mut self, run: &Run, first_us: u64, samples: &[[f32; 3]], taken: usize) {
        if let Some(newest_g) = samples.get(taken.wrapping_sub(1)) {
            self.now_us = run.later_us(first_us, taken.wrapping_sub(1));
            self.sensor.pass_all(self.now_us, *newest_g);
        }
    }

    /// The same where samples are averaged to the working rate.
    #[inline(never)]
    fn working_run(&mut self, run: &Run, samples: &[[f32; 3]]) -> usize {
        let first_us = self.sensor.tag_us(run.t_us);
        let mut taken = 0_usize;
        while taken < samples.len() && !self.handing {
            let room = usize::from(self.decimator.lacking(self.posture.lacking(self.batch)));
            let rest = samples.get(taken..).unwrap_or_default();
            let now = rest.get(..room).unwrap_or(rest);
            let sound = self.sensor.sound();
            let sound = now.iter().take_while(|accel_g| sound(accel_g)).count();
            if sound == 0 {
                break;
            }
            let end = taken.wrapping_add(sound);
            for accel_g in rest.iter().take(sound) {
                self.now_us = run.later_us(first_us, taken);
                taken = taken.wrapping_add(1);
                if taken == end {
                    // It may fill the batch.
                    self.passed(run, first_us, samples, taken);
                }
                if self.working(accel_g) {
                    self.beat_step();
                }
            }
        }
        self.passed(run, first_us, samples, taken);
        taken
    }

    /// The beat stage's work at `count` samples that are about to be taken, of which it sees
    /// none yet: none at one that fills the batch, of which there is `room` for so many.
    #[inline]
    fn beats_before(&mut self, count: usize, room: usize) {
        let mut left = count.wrapping_sub(usize::from(count == room));
        while self.busy && left > 0 {
            left = left.wrapping_sub(1);
            self.beat_step();
        }
    }

    /// A sample with something odd about its time or an axis. False: it is dropped.
    #[inline(never)]
    fn look(&mut self, sample: &Sample, out: &mut Option<FaultKind>) -> bool {
        let (checked, fault) = self.sensor.step(sample);
        *out = fault;
        let Some(checked) = checked else { return false };
        self.now_us = checked.t_us;
        if checked.restart {
            self.posture.restart();
            self.bad = 0;
            self.behind = 0;
            self.beats.restart();
            self.handing = false;
        }
        self.bad = self.bad.wrapping_add(if checked.good { 0 } else { checked.repeats });
        for done in 0..checked.repeats {
            let free = self.working(&checked.accel_g);
            // Across a gap there is more to do with one sample than with others.
            if free && done < BRIDGE_PARTS {
                self.beat_step();
            }
        }
        if checked.repeats > 1 && self.busy {
            self.beats.set_worked(true);
        }
        true
    }

    /// One sample, brought to the working rate. Samples are worked on in batches: posture
    /// with the last of one, the beat stage with those that follow, so that no sample costs
    /// much. True: the beat stage may work with this one.
    #[inline(never)]
    fn working(&mut self, accel_g: &[f32; 3]) -> bool {
        let mut working_g = *accel_g;
        if self.decimator.factor() > 1 {
            if !self.decimator.step(accel_g) {
                return false;
            }
            working_g = self.decimator.mean();
        }
        if self.posture.take(working_g) >= self.batch { self.batch_step() } else { self.busy }
    }

    /// Posture of a batch. False: the beat stage waits for the samples that follow.
    #[inline(never)]
    fn batch_step(&mut self) -> bool {
        self.second = !self.second;
        if self.second {
            self.sensor.look();
        }
        self.handing = self.beats.has_ready();
        self.behind = self.behind.saturating_add(self.batch);
        self.batch_us = self.now_us;
        self.posture_step(self.batch);
        if self.axis_known {
            self.busy = true;
        } else {
            self.behind = 0;
        }
        false
    }

    /// Posture and activity of `count` pairs.
    fn posture_step(&mut self, count: u8) {
        let all = if self.paired { count.wrapping_mul(2) } else { count };
        let good = all.saturating_sub(core::mem::take(&mut self.bad));
        if let Some(activity) = self.posture.work() {
            self.minutes.add_activity(&activity, good);
            if self.second || !self.axis_known {
                self.detail_step(self.posture.static_g(), good == all);
            }
        }
    }

    /// Motion that has not filled a batch, before a minute is closed.
    #[inline(never)]
    fn posture_flush(&mut self) {
        let count = self.posture.waiting();
        if count > 0 {
            self.behind = self.behind.saturating_add(count);
            let waits_us = if self.posture.odd() { self.pair_us / 2 } else { 0 };
            self.batch_us = self.now_us.saturating_sub(u64::from(waits_us));
            self.posture_step(count);
        }
    }

    /// The beat stage's work at one sample. Once the axis is known the window still holds
    /// what came before it: that is caught up on, since there is room for more than a
    /// batch's work between one batch and the next.
    #[inline(never)]
    fn beat_step(&mut self) {
        let mut parts = self.parts;
        loop {
            self.beat_part();
            parts = parts.wrapping_sub(1);
            if parts == 0 {
                return;
            }
        }
    }

    /// One part of it, if there is any.
    #[inline]
    fn beat_part(&mut self) {
        if self.beats.rests() {
            if self.behind < self.batch {
                self.busy = false;
                self.beats.set_worked(false);
                return;
            }
            self.sway_step();
            if self.beats.wants_half().is_some() {
                return;
            }
        }
        if let Some(half) = self.beats.wants_half() {
            self.top_step(half);
        }
        self.beats.work();
    }

    /// Sideways acceleration for the beat stage, a batch.
    #[inline(never)]
    fn sway_step(&mut self) {
        let (axis, offset, age) = (self.axis, self.offset, self.behind.wrapping_sub(1));
        self.behind = self.behind.wrapping_sub(self.batch);
        let mut sway = self.posture.along(axis, offset, age);
        if self.interpolator.is_slow() {
            let [a, b, c, d, ..] = sway;
            sway = self.interpolator.slow([a, b, c, d]);
        }
        self.beats.take(sway);
    }

    /// The same for the top rung, one half of it.
    #[inline(never)]
    fn top_step(&mut self, half: u8) {
        let sway = if self.paired {
            let pairs = beats::BATCH as u8;
            // Of the batch just taken, which is no longer behind.
            let age = self.behind.wrapping_add(if half == 0 { pairs } else { pairs / 2 });
            self.posture.along_each(self.axis, self.offset, age.wrapping_sub(1))
        } else {
            self.interpolator.top(self.beats.half(half))
        };
        self.beats.take_top(sway);
    }

    /// Every few samples: the sway axis, and what only minutes need.
    #[inline(never)]
    fn detail_step(&mut self, static_g: [f32; 3], good: bool) {
        let detail = self.posture.detail();
        self.minutes.add_detail(static_g, &detail);
        self.overturned = self.frame.overturned(static_g);
        let learn = good
            && self.frame.upright(static_g)
            && self.beats.rhythmic(math::dot(detail.swing_g, detail.swing_g));
        if learn && self.sway.step(detail.swing_g) || !self.axis_known {
            self.follow_axis(static_g);
        }
    }

    /// Takes over a revised axis without a step in the projected signal.
    fn follow_axis(&mut self, static_g: [f32; 3]) {
        let Some(axis) = self.sway.axis() else { return };
        let axis = axis.map(|a| math::nearest(a * AXIS_ONE));
        let ([x, y, z], [bx, by, bz]) = (axis, self.axis);
        let turned = [x.wrapping_sub(bx), y.wrapping_sub(by), z.wrapping_sub(bz)];
        let moved_g = math::dot(turned.map(|d| d as f32), static_g) / AXIS_ONE;
        let moved = (moved_g / self.posture.sway_unit_g()) as i32;
        self.offset = self.offset.wrapping_add(moved);
        self.axis = axis;
        if !self.axis_known {
            self.axis_known = true;
            // Whole batches: the one in hand, and what the window holds of those before.
            self.behind = self.posture.held() & !(BATCH_MAX - 1);
        }
    }

    /// The next beat that became certain; `living`: as [`Judges::living`] says.
    #[inline(never)]
    pub fn next_beat(&mut self, living: bool) -> Option<Beat> {
        // The beat stage lags by the interpolation, and while it catches up.
        let behind_us = u64::from(self.behind).saturating_mul(u64::from(self.pair_us));
        let lag_us = self.sway_delay_us.saturating_add(behind_us);
        let beat = self.beats.next(self.batch_us.saturating_sub(lag_us));
        self.handing = self.beats.has_ready();
        let beat = beat?;
        if self.overturned {
            return None;
        }
        // Where nothing was found to live any more, beats are evidence that it does.
        self.minutes.add_beat(&beat);
        if !living {
            // A carcass or a loose tag does not swim, whatever rocks it.
            return None;
        }
        if let Some(period_s) = self.beats.own_period_s() {
            self.posture.set_half_beat(0.5e6 * period_s / self.pair_us as f32);
        }
        Some(beat)
    }

    /// True while a beat waits for [`Front::next_beat`].
    #[inline]
    pub fn beat_waits(&self) -> bool {
        self.handing
    }

    /// True if the latest sample made more work than most.
    #[inline]
    pub fn worked(&self) -> bool {
        self.posture.waiting() == 0 || self.beats.worked()
    }

    /// The tag's own time, microseconds.
    #[inline]
    pub fn now_us(&self) -> u64 {
        self.now_us
    }

    /// Latest depth, m.
    pub fn depth_m(&self) -> Option<f32> {
        self.depth_m
    }

    /// When [`Front::minute`] has something to do next, microseconds.
    #[inline]
    pub fn minute_wake_us(&self) -> u64 {
        self.minutes.due_us().saturating_add(self.motion_delay_us)
    }

    /// The next minute, once it is complete and the beats in it are certain.
    pub fn minute(&mut self) -> Option<Summary> {
        let motion_us = self.now_us.saturating_sub(self.motion_delay_us);
        if !self.minutes.due(motion_us) || self.beats.worked() {
            // A cycle was judged with this sample: the minute waits for the next.
            return None;
        }
        self.posture_flush();
        self.minutes.step(motion_us)
    }

    /// After the last sample: works on what has not filled a batch.
    pub fn finish_samples(&mut self) {
        self.posture_flush();
        self.busy = self.axis_known;
        // More than a window can hold: a copy that came back wrong must not work for ever.
        for _ in 0..4096 {
            if !self.busy {
                break;
            }
            self.beat_step();
        }
        self.handing = self.beats.has_ready();
    }

    /// After [`Front::finish_samples`]: the minutes still waiting.
    pub fn finish_minute(&mut self) -> Option<Summary> {
        self.minutes.finish()
    }

    /// Learns the worn posture from a minute and what [`Judges`] said of it;
    /// tells when the depth sensor's fault begins.
    pub fn learn(&mut self, s: &Summary, lesson: Lesson) -> Option<FaultKind> {
        let Lesson { swum, depth_failed, shifted } = lesson;
        let fault = self.sensor.note(FaultKind::DepthFault, depth_failed);
        if shifted {
            self.frame.forget(s.static_g);
            self.sway.distrust_given();
        }
        let trusted = if depth_failed { None } else { s.depth_m };
        self.frame.learn(s.static_g, self.sway.axis(), swum, trusted);
        fault
    }

    /// Counters of samples at fault.
    pub fn faults(&self) -> &FaultCounters {
        self.sensor.counters()
    }
}

impl Judges {
    /// With the configured error rates.
    pub fn new(config: &Config) -> Self {
        Judges { depth: DepthWatch::new(config), fate: FateTest::new(config) }
    }

    /// Takes a minute, before `front` learns from it.
    pub fn minute(&mut self, s: &Summary, front: &Front) -> Verdict {
        let swum = s.beats >= 3.0 && s.good > 0.6;
        let clue = self.depth.step(s.depth_m, s.depth_range_m, swum);
        let attitude = front.frame.attitude(s.static_g);
        let known = if front.frame.glimpsed() { Some(&attitude) } else { None };
        let fate = self.fate.step(s, known, clue, front.now_us);
        // What rocks a carcass or a loose tag is evidence, but no beat to be told.
        let (beats, sway_g) = if self.living() { (s.beats, s.sway_g) } else { (0.0, 0.0) };
        let minute = Minute {
            t_us: s.t_us,
            beats_per_min: (s.good >= 0.5).then_some(beats),
            sway_g,
            odba_g: s.odba_g,
            vedba_g: s.vedba_g,
            pitch_deg: attitude.pitch_deg,
            roll_deg: attitude.roll_deg,
            depth_m: s.depth_m,
            state: self.state(s),
        };
        let lesson = Lesson {
            swum: swum && self.fate.lived(),
            depth_failed: self.depth.failed(),
            shifted: self.fate.shifted(),
        };
        Verdict { fate, lesson, minute }
    }

    /// Evidence against a living animal, natural log; see [`Evidence`].
    pub fn not_living(&self) -> f32 {
        let [not_living, ..] = self.fate.evidence();
        not_living
    }

    /// False once the animal was found not to live, or not to wear the tag.
    pub fn living(&self) -> bool {
        self.fate.living()
    }

    /// The decision on fate that stands.
    pub fn report(&self) -> Option<&FateReport> {
        self.fate.report()
    }

    /// Fate as known now. Before any decision: [`Fate::Undetermined`], or
    /// [`Fate::Alive`] once the animal was seen to swim.
    pub fn fate(&self) -> Fate {
        match self.fate.report() {
            Some(report) => report.fate,
            None if self.fate.seen_alive() => Fate::Alive,
            None => Fate::Undetermined,
        }
    }

    fn state(&self, s: &Summary) -> State {
        match self.fate.report().map(|r| r.fate) {
            Some(Fate::Dead) => State::Dead,
            Some(Fate::DetachedFloating) => State::Floating,
            Some(Fate::DetachedOnBottom) => State::OnBottom,
            _ if s.good < 0.5 => State::Unknown,
            _ if s.beats >= 3.0 || s.beats * s.period_s > 15.0 => State::Swimming,
            _ => State::Resting,
        }
    }
}

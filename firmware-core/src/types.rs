//! The vocabulary: what goes into the tag and what comes out of it.
//!
//! Everything else imports from here; nothing here imports from a stage.

use crate::kept::Kept;

/// What the sensors read at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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

    /// A run of this one sample; its period counts for nothing.
    pub fn as_run(&self) -> Run<'_> {
        Run {
            t_us: self.t_us,
            period_us: 1,
            accel_g: core::slice::from_ref(&self.accel_g),
            depth_m: self.depth_m,
            cell_left: self.cell_left,
            memory_used: self.memory_used,
        }
    }
}

/// What an accelerometer's FIFO held: samples at equal distances in time.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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

    /// The samples behind the first `count`, 1 or more; readings came with the first.
    #[must_use]
    pub fn after(&self, count: usize) -> Self {
        let accel_g = self.accel_g.get(count..).unwrap_or_default();
        Run::accel(self.later_us(self.t_us, count), self.period_us, accel_g)
    }

    /// The time `count` samples after `t_us`, microseconds.
    pub fn later_us(&self, t_us: u64, count: usize) -> u64 {
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
    /// Not known: too little was recorded.
    Unknown,
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

/// Everything measured in one minute. Vectors in sensor axes.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct MinuteSummary {
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
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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

/// Counts of samples at fault, by kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FaultCounters {
    /// Samples (or events, for gaps and clock jumps) in the order of [`FAULT_KINDS`].
    pub counts: [u32; 6],
}

/// An event of a detector of one's own; see [`crate::detector`].
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct OwnEvent {
    /// When it happened, tag time, microseconds.
    pub t_us: u64,
    /// Its place among the detector's kinds of event.
    pub kind: u8,
    /// Its numbers; those beyond the kind's own are 0.
    pub numbers: [f32; OWN_NUMBERS],
}

/// Most numbers that an event of a detector of one's own carries.
pub const OWN_NUMBERS: usize = 4;

/// What a launch was found by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum LaunchedBy {
    /// Depth: the animal dived.
    Depth,
    /// The wet sensor: in water for long.
    Wet,
    /// Motion alone: not sure.
    Motion,
}

/// A step to the launch, or to the end of the deployment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum LaunchStep {
    /// The deployment may have begun so long ago, microseconds: what was before counts for nothing.
    Begin {
        /// 0 but where motion alone tells of it.
        ago_us: u64,
    },
    /// It has begun with the latest [`LaunchStep::Begin`], or with the first sample.
    Launched(LaunchedBy),
    /// It may have ended just before.
    MayEnd,
    /// It has not.
    GoesOn,
    /// It has ended at the latest [`LaunchStep::MayEnd`]; what is dated later counts for nothing.
    Ended,
}

/// Such a step with its evidence.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LaunchReport {
    /// The step.
    pub step: LaunchStep,
    /// When the tag knew, microseconds of tag time, which counts from the launch.
    pub t_us: u64,
    /// Latest depth, m, where one is known.
    pub depth_m: Option<f32>,
    /// Time at depth since the deployment began, s.
    pub deep_s: f32,
    /// For how long the tag has lain as it does, s; where motion alone speaks.
    pub pose_s: f32,
}

/// What the tag reports.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Event {
    /// A fault began.
    Fault(FaultKind),
    /// A beat became certain.
    Beat(Beat),
    /// A minute is complete.
    Minute(Minute),
    /// Fate was decided or revised.
    Fate(FateReport),
    /// Recovery was estimated anew or decided.
    Recovery(RecoveryReport),
    /// The tag decides to let go (once).
    Release(ReleaseDecision),
    /// A detector of one's own reports.
    Own(OwnEvent),
    /// The deployment begins, or ends.
    Launch(LaunchReport),
}

/// How the tag stands at an event. That of a beat may be the end of the block that it was handed
/// out with; all others come with the sample that brought them.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Moment<'a> {
    /// Tag time of the latest sample, microseconds.
    pub now_us: u64,
    /// Samples of the run in hand that were taken so far.
    pub taken: usize,
    /// Fate as known now.
    pub fate: Fate,
    /// Counters of samples at fault.
    pub faults: &'a FaultCounters,
}

/// Takes what the tag reports, in order.
pub trait Sink {
    /// Takes an event.
    fn event(&mut self, event: &Event, moment: &Moment<'_>);
}

impl<F: FnMut(&Event, &Moment<'_>)> Sink for F {
    fn event(&mut self, event: &Event, moment: &Moment<'_>) {
        self(event, moment);
    }
}

/// Number of a state in memory: its place among the variants.
pub fn state_code(state: State) -> u8 {
    state as u8
}

/// The state of a number.
pub fn state_of(code: u8) -> Option<State> {
    use State::{Dead, Floating, OnBottom, Resting, Swimming, Unknown};
    [Unknown, Swimming, Resting, Dead, Floating, OnBottom].get(usize::from(code)).copied()
}

/// Number of a fate in memory and in a message: its place among the variants.
pub fn fate_code(fate: Fate) -> u8 {
    fate as u8
}

/// The fate of a number.
pub fn fate_of(code: u8) -> Option<Fate> {
    use Fate::{Alive, Dead, DetachedFloating, DetachedOnBottom, Undetermined};
    let all = [Undetermined, Alive, Dead, DetachedFloating, DetachedOnBottom];
    all.get(usize::from(code)).copied()
}

/// Number of a cause in memory: its place among the variants; one more in a message, where 0 says
/// that the tag is still on.
pub fn cause_code(cause: Cause) -> u8 {
    cause as u8
}

/// The cause of a number.
pub fn cause_of(code: u8) -> Option<Cause> {
    use Cause::{Ceiling, CellLow, Death, Detached, MemoryFull, Recovered, TooDeep};
    let all = [Ceiling, Death, Detached, Recovered, MemoryFull, CellLow, TooDeep];
    all.get(usize::from(code)).copied()
}

/// Number of a step in memory.
pub fn launch_code(step: LaunchStep) -> u8 {
    match step {
        LaunchStep::Begin { .. } => 0,
        LaunchStep::MayEnd => 1,
        LaunchStep::GoesOn => 2,
        LaunchStep::Ended => 3,
        LaunchStep::Launched(by) => 4_u8.wrapping_add(by as u8),
    }
}

/// The step of a number; how long ago it began is kept beside it.
pub fn launch_of(code: u8) -> Option<LaunchStep> {
    use LaunchStep::{Begin, Ended, GoesOn, Launched, MayEnd};
    use LaunchedBy::{Depth, Motion, Wet};
    let [depth, wet, motion] = [Depth, Wet, Motion].map(Launched);
    let all = [Begin { ago_us: 0 }, MayEnd, GoesOn, Ended, depth, wet, motion];
    all.get(usize::from(code)).copied()
}

/// Place of a kind of fault among [`FAULT_KINDS`].
pub fn fault_code(kind: FaultKind) -> u8 {
    kind as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_leads_back_to_what_it_stands_for() {
        for code in 0..=u8::MAX {
            assert!(state_of(code).is_none_or(|state| state_code(state) == code));
            assert!(fate_of(code).is_none_or(|fate| fate_code(fate) == code));
            assert!(cause_of(code).is_none_or(|cause| cause_code(cause) == code));
            assert!(launch_of(code).is_none_or(|step| launch_code(step) == code));
        }
        // As in the logs of the first version.
        assert_eq!((state_of(0), state_of(5)), (Some(State::Unknown), Some(State::OnBottom)));
        assert_eq!((fate_of(4), fate_of(5)), (Some(Fate::DetachedOnBottom), None));
        assert_eq!((cause_of(0), cause_of(6)), (Some(Cause::Ceiling), Some(Cause::TooDeep)));
        assert!((0..).zip(FAULT_KINDS).all(|(code, kind)| fault_code(kind) == code));
    }
}

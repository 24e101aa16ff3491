//! The whole tag: one sample in, what the tag knows and decides out.

use crate::config::Config;

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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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
#[derive(Clone, Copy, Debug, PartialEq)]
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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
#[derive(Clone, Copy, Debug, PartialEq)]
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

/// An estimate of recovery.
#[derive(Clone, Copy, Debug, PartialEq)]
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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
#[derive(Clone, Copy, Debug, PartialEq)]
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

/// Counts of samples at fault, by kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FaultCounters {
    /// Samples (or events, for gaps and clock jumps) in the order of [`FAULT_KINDS`].
    pub counts: [u32; 6],
}

/// The tag. Plain data: a copy of it is a checkpoint, and stepping the copy
/// gives the same bits as stepping the original.
#[derive(Clone, Debug, PartialEq)]
pub struct Tag {
    config: Config,
    faults: FaultCounters,
}

impl Tag {
    /// A tag at the start of its deployment.
    pub fn new(config: Config) -> Self {
        Tag { config, faults: FaultCounters::default() }
    }

    /// Takes one sample.
    pub fn step(&mut self, sample: &Sample) -> Output {
        let _ = sample;
        Output::default()
    }

    /// After the last sample: call until `None` to get what was still waiting
    /// for later samples.
    pub fn finish(&mut self) -> Option<Output> {
        None
    }

    /// Counters of samples at fault.
    pub fn faults(&self) -> &FaultCounters {
        &self.faults
    }

    /// Fate as known now. Before any decision: [`Fate::Undetermined`] or [`Fate::Alive`].
    pub fn fate(&self) -> Fate {
        Fate::Undetermined
    }

    /// Latest estimate of recovery.
    pub fn recovery(&self) -> Option<RecoveryReport> {
        None
    }

    /// Bytes written to memory so far by the default record (minute summaries and events).
    pub fn record_bytes(&self) -> u32 {
        0
    }

    /// The configuration it runs with.
    pub fn config(&self) -> &Config {
        &self.config
    }
}

//! The whole tag: the samples of a FIFO in, what the tag knows and decides out.

use crate::config::Config;
use crate::detector::{Detector, Motion, Out};
use crate::fate::{Judges, Lesson};
use crate::front::{Front, Panel};
use crate::kept::Kept;
use crate::recovery::Recovery;
use crate::release::{Grounds, Release};
use crate::store::record;
use crate::types::{
    Beat, Cause, Event, Evidence, Fate, FateReport, FaultCounters, FaultKind, MinuteSummary,
    Moment, RecoveryReport, ReleaseDecision, Run, Sink,
};

/// Grid points of a fit of recovery that are worked on with a block.
pub const FIT_POINTS: u8 = 4;

/// The judges of one animal, and the release.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Mind {
    judges: Judges,
    recovery: Recovery,
    release: Release,
    next_look_us: u64,
    cell_left: Option<f32>,
    memory_used: Option<f32>,
    record_bytes: u32,
}

/// The tag. Plain data: a copy of it is a checkpoint, and stepping the copy gives the same
/// bits as stepping the original. `X` is a detector of one's own.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Tag<X: Detector = ()> {
    front: Front,
    mind: Mind,
    own: X,
}

impl Tag {
    /// A tag at the start of its deployment, without a detector of one's own.
    #[inline(never)]
    pub fn new(config: Config) -> Self {
        Tag::with(config, ())
    }
}

impl<X: Detector> Tag<X> {
    /// A tag at the start of its deployment with a detector of one's own.
    #[inline(never)]
    pub fn with(config: Config, own: X) -> Self {
        Tag { front: Front::new(&config), mind: Mind::new(&config), own }
    }

    /// Takes the samples of `run` in order; what they bring to light goes to `sink`. A run may hold
    /// one sample or as many as one likes: how samples are put together changes nothing.
    pub fn feed<S: Sink>(&mut self, run: &Run, sink: &mut S) {
        if !run.accel_g.is_empty() {
            self.mind.cell_left = run.cell_left.or(self.mind.cell_left);
            self.mind.memory_used = run.memory_used.or(self.mind.memory_used);
        }
        self.front.feed(run, &mut Bench { mind: &mut self.mind, own: &mut self.own, sink });
    }

    /// For a tag whose accelerometer gives nothing: moves its clock on to `t_us`
    /// so that the ceiling and the other causes of release still hold. Call it
    /// once a second while no samples come.
    pub fn tick<S: Sink>(&mut self, t_us: u64, sink: &mut S) {
        self.front.tick(t_us);
        let mut bench = Bench { mind: &mut self.mind, own: &mut self.own, sink };
        bench.release(&self.front);
    }

    /// After the last sample: reports what was still waiting for later samples.
    #[inline(never)]
    pub fn flush<S: Sink>(&mut self, sink: &mut S) {
        self.front.flush(&mut Bench { mind: &mut self.mind, own: &mut self.own, sink });
    }

    /// Counters of samples at fault.
    pub fn faults(&self) -> &FaultCounters {
        self.front.faults()
    }

    /// Fate as known now. Before any decision: [`Fate::Undetermined`], or
    /// [`Fate::Alive`] once the animal was seen to swim.
    pub fn fate(&self) -> Fate {
        self.mind.judges.fate()
    }

    /// The decision on fate that stands.
    pub fn fate_report(&self) -> Option<FateReport> {
        self.mind.judges.report().copied()
    }

    /// The evidence on fate as it stands, for whoever wants to watch it build up.
    pub fn evidence(&self) -> Evidence {
        self.mind.judges.evidence()
    }

    /// Since when a cause of release stands, microseconds of tag time; `None`
    /// while it does not, and for the ceiling.
    pub fn standing_since_us(&self, cause: Cause) -> Option<u64> {
        self.mind.release.standing_since_us(cause)
    }

    /// Latest estimate of recovery.
    pub fn recovery(&self) -> Option<RecoveryReport> {
        self.mind.recovery.report().copied()
    }

    /// The tag's decision to release, once made.
    pub fn release(&self) -> Option<ReleaseDecision> {
        self.mind.release.decision().copied()
    }

    /// Fate, and whether release and recovery are decided.
    pub fn decided(&self) -> (Fate, bool, bool) {
        let Mind { judges, recovery, release, .. } = &self.mind;
        let recovered = recovery.report().is_some_and(|report| report.decided_us.is_some());
        (judges.fate(), release.decision().is_some(), recovered)
    }

    /// The tag's own time, microseconds since its first sample; never goes back.
    pub fn now_us(&self) -> u64 {
        self.front.now_us()
    }

    /// Bytes that the log takes so far: minutes, hours, decisions on fate and release,
    /// estimates of recovery, events of a detector of one's own, each with its head and check sum.
    pub fn record_bytes(&self) -> u32 {
        self.mind.record_bytes
    }

    /// The detector of one's own.
    pub fn own(&self) -> &X {
        &self.own
    }
}

impl Mind {
    fn new(config: &Config) -> Self {
        Mind {
            judges: Judges::new(config),
            recovery: Recovery::new(config),
            release: Release::new(config),
            ..Kept::blank()
        }
    }

    fn record(&mut self, bytes: usize) {
        self.record_bytes = self.record_bytes.saturating_add(bytes as u32);
    }
}

/// Mind and sink, as the panel of the tag's one animal.
struct Bench<'a, X, S> {
    mind: &'a mut Mind,
    own: &'a mut X,
    sink: &'a mut S,
}

impl<X: Detector, S: Sink> Bench<'_, X, S> {
    #[inline(never)]
    fn tell(&mut self, event: Event, front: &Front) {
        let fate = self.mind.judges.fate();
        let (now_us, faults) = (front.now_us(), front.faults());
        self.sink.event(&event, &Moment { now_us, taken: front.taken(), fate, faults });
    }

    fn tell_own(&mut self, out: &Out, front: &Front) {
        for event in out.events() {
            self.mind.record(record::OWN_STORED);
            self.tell(Event::Own(*event), front);
        }
    }

    #[inline(never)]
    fn release(&mut self, front: &Front) {
        let mind = &mut *self.mind;
        let grounds = Grounds {
            now_us: front.now_us(),
            fate: mind.judges.report(),
            not_living: mind.judges.not_living(),
            recovery: mind.recovery.report(),
            depth_m: front.depth_m(),
            cell_left: mind.cell_left,
            memory_used: mind.memory_used,
        };
        if let Some(decision) = mind.release.step(&grounds) {
            mind.record(record::RELEASE_STORED);
            self.tell(Event::Release(decision), front);
        }
    }
}

impl<X: Detector, S: Sink> Panel for Bench<'_, X, S> {
    const MOTION: bool = X::ANY;

    fn living(&mut self) -> bool {
        self.mind.judges.living()
    }

    fn fault(&mut self, kind: FaultKind, front: &Front) {
        self.tell(Event::Fault(kind), front);
    }

    fn beat(&mut self, beat: &Beat, front: &Front) {
        self.tell(Event::Beat(*beat), front);
    }

    fn motion(&mut self, motion: &Motion<'_>, front: &Front) {
        let mut out = Out::default();
        self.own.block(motion, &mut out);
        self.tell_own(&out, front);
    }

    fn block(&mut self, front: &Front) {
        for _ in 0..FIT_POINTS {
            if !self.mind.recovery.busy() {
                return;
            }
            if let Some(report) = self.mind.recovery.step(front.now_us()) {
                self.mind.record(record::RECOVERY_STORED);
                self.tell(Event::Recovery(report), front);
            }
        }
    }

    fn gap(&mut self) {
        self.own.gap();
    }

    fn minute(&mut self, s: &MinuteSummary, front: &Front) -> Lesson {
        let verdict = self.mind.judges.minute(s, front.frame(), front.now_us());
        let living = self.mind.judges.living();
        self.mind.recovery.add(living.then_some(s));
        self.mind.record(record::minute_stored(verdict.minute.t_us));
        self.tell(Event::Minute(verdict.minute), front);
        if let Some(report) = verdict.fate {
            self.mind.record(record::FATE_STORED);
            self.tell(Event::Fate(report), front);
        }
        let mut out = Out::default();
        self.own.minute(s, &mut out);
        self.tell_own(&out, front);
        verdict.lesson
    }

    fn look(&mut self, front: &Front) -> u64 {
        let now_us = front.now_us();
        if now_us >= self.mind.next_look_us {
            self.mind.next_look_us = self.mind.release.next_look_us(now_us);
            self.release(front);
        }
        self.mind.next_look_us
    }
}

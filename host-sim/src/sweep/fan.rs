//! One record through the tag with many settings at once, each stage run once
//! for all settings that it would treat alike.
//!
//! ```text
//! Trunk   samples to beats and minutes      (firmware_core::tag::Front)
//!  Limb   depth as evidence, fate, recovery (Judges, Recovery)
//!   Leaf  release, cell, memory             (Release, Tracker)
//! ```
//!
//! The later stages speak back to the earlier ones: what is not alive has no
//! beats, the worn posture is learnt from swum minutes, and the sample at which
//! the release looks around is no time to fit a recovery. Wherever the branches
//! of one stem would speak back differently, the stem is copied and each part
//! goes on with its own; so every leaf ends with the very bits of a tag of its
//! own. Nothing here knows *which* setting makes the difference.

use std::sync::Arc;

use firmware_core::config::Config;
use firmware_core::minute::Summary;
use firmware_core::record;
use firmware_core::recovery::Recovery;
use firmware_core::release::{Grounds, Release};
use firmware_core::tag::{
    Fate, FateReport, Front, Judges, Lesson, RecoveryReport, ReleaseDecision, Sample,
};

use super::duty::Duty;
use crate::energy::tracker::{TraceLoads, Tracker};
use crate::replay::TraceClock;
use crate::trace::Decoded;

/// Time between readings of the cell and of the memory, microseconds, as in a replay.
const HOUSEKEEPING_US: u64 = 60_000_000;

/// Settings that share sample stages and judges.
#[derive(Clone, Debug)]
pub struct LimbPlan {
    /// Settings of the judges (and of the sample stages, alike in all limbs).
    pub config: Config,
    /// What differs beyond them.
    pub leaves: Vec<LeafPlan>,
}

/// One setting of release, cell and memory.
#[derive(Clone, Copy, Debug)]
pub struct LeafPlan {
    /// Settings of the release.
    pub config: Config,
    /// Memory, bytes.
    pub memory_bytes: f64,
    /// Bytes of the raw record for each sample; 0 without one.
    pub raw_bytes_per_sample: f64,
    /// Known to the caller; handed back.
    pub id: usize,
}

/// What the sample stages and judges of one leaf's tag found.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Times of beats, microseconds of tag time.
    pub beats_us: Vec<u64>,
    /// Minutes: start, microseconds, and beats in it where known.
    pub minutes: Vec<(u64, Option<f32>)>,
}

/// What the tag of one leaf found, decided and used.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// As in [`LeafPlan`].
    pub id: usize,
    /// The clock of the trace beside the tags' time, one for all of a run.
    pub clock: Arc<TraceClock>,
    /// Beats and minutes; one copy is shared by all leaves of a trunk.
    pub found: Arc<Found>,
    /// Every decision on fate, in order.
    pub fates: Vec<FateReport>,
    /// Fate at the end.
    pub fate: Fate,
    /// Last estimate of recovery.
    pub recovery: Option<RecoveryReport>,
    /// The decision to let go.
    pub release: Option<ReleaseDecision>,
    /// Bytes of minutes and events.
    pub record_bytes: u32,
    /// Bytes of the raw record, as far as there was memory.
    pub raw_bytes: f64,
    /// Charge used by the end, mAh.
    pub used_mah: f64,
    /// Part of the charge left at the end, 0 to 1.
    pub left_fraction: f64,
}

impl Outcome {
    /// True where both tags found and decided the very same.
    pub fn same_decisions(&self, other: &Outcome) -> bool {
        self.clock == other.clock
            && self.found == other.found
            && self.fates == other.fates
            && self.fate == other.fate
            && self.recovery == other.recovery
            && self.release == other.release
            && self.record_bytes == other.record_bytes
            && self.raw_bytes == other.raw_bytes
            && self.used_mah == other.used_mah
            && self.left_fraction == other.left_fraction
    }
}

/// Runs `trace` through tags with all `plans`, asleep as `duty` says, drawing
/// `loads`. All plans must agree in whatever the sample stages read. With
/// `until_dead` the run ends once every tag has found its animal not alive.
pub fn run(
    trace: &Decoded,
    duty: Duty,
    loads: &Arc<TraceLoads>,
    plans: &[LimbPlan],
    until_dead: bool,
) -> Vec<Outcome> {
    let Some(first) = plans.first() else { return Vec::new() };
    let mut drawn = Drawn { samples: 0, tracker: Tracker::new(loads.clone()) };
    let mut trunks = vec![Trunk {
        front: Front::new(&first.config),
        limbs: plans.iter().map(|plan| Limb::new(plan, &drawn.tracker)).collect(),
        wake_us: 0,
        busy: false,
        bytes: 0,
        found: Found { beats_us: Vec::new(), minutes: Vec::new() },
    }];
    let mut clock = TraceClock::default();
    let mut born = Vec::new();
    let mut next_housekeeping_us = 0;
    let mut last_us = None;
    for sample in trace.samples() {
        if !duty.awake(sample.t_us) {
            continue;
        }
        if duty != Duty::Always
            && let Some(last) = last_us
        {
            alarm(&mut trunks, last, sample.t_us);
        }
        drawn.samples += 1;
        drawn.tracker.sample(sample.t_us, sample.depth_m.is_some(), sample.temp_c);
        last_us = Some(sample.t_us);
        // Due, or the clock was set back by more than two intervals.
        if sample.t_us >= next_housekeeping_us
            || sample.t_us + 3 * HOUSEKEEPING_US < next_housekeeping_us
        {
            next_housekeeping_us = sample.t_us + HOUSEKEEPING_US;
            trunks.iter_mut().for_each(|trunk| trunk.housekeeping(&drawn));
            drawn.tracker.settle(0);
        }
        for trunk in &mut trunks {
            trunk.step(&sample, &mut born);
        }
        // Time goes alike in all of them.
        if let Some(trunk) = trunks.first() {
            clock.note(trunk.front.now_us(), sample.t_us);
        }
        trunks.append(&mut born);
        if until_dead && trunks.iter().all(|t| t.limbs.iter().all(|l| !l.judges.living())) {
            break;
        }
    }
    if duty != Duty::Always
        && let Some(last) = last_us
    {
        alarm(&mut trunks, last, trace.latest_us());
    }
    let clock = Arc::new(clock);
    let mut outcomes = Vec::new();
    while let Some(trunk) = trunks.pop() {
        if let Some(trunk) = trunk.finish(&mut trunks) {
            trunk.outcomes(&drawn, &clock, &mut outcomes);
        }
    }
    outcomes.sort_by_key(|o| o.id);
    outcomes
}

/// What all tags of a run do alike.
struct Drawn {
    samples: u64,
    /// Given the samples, but no bytes.
    tracker: Tracker,
}

/// Wakes every tag that has not let go for its ceiling, where that lies in a sleep.
fn alarm(trunks: &mut [Trunk], from_us: u64, to_us: u64) {
    for trunk in trunks {
        let depth_m = trunk.front.depth_m();
        for limb in &mut trunk.limbs {
            for leaf in &mut limb.leaves {
                // The ceiling, or no time at all once it has let go.
                let ceiling_us = leaf.release.until_ceiling(u64::MAX);
                if ceiling_us > from_us && ceiling_us <= to_us {
                    leaf.step(ceiling_us, &limb.judges, &limb.recovery, depth_m);
                }
            }
        }
    }
}

#[derive(Clone)]
struct Trunk {
    front: Front,
    limbs: Vec<Limb>,
    /// When a minute or a look of the release is due next for any limb.
    wake_us: u64,
    /// A recovery is being fitted in some limb.
    busy: bool,
    bytes: u32,
    found: Found,
}

#[derive(Clone)]
struct Limb {
    judges: Judges,
    recovery: Recovery,
    next_look_us: u64,
    bytes: u32,
    fates: Vec<FateReport>,
    leaves: Vec<Leaf>,
}

#[derive(Clone)]
struct Leaf {
    release: Release,
    plan: LeafPlan,
    tracker: Tracker,
    bytes: u32,
    raw_bytes: f64,
    cell_left: Option<f32>,
    memory_used: Option<f32>,
}

impl Trunk {
    /// Parts off the limbs for which `apart` holds, where it does not hold for all.
    fn part(&mut self, apart: impl Fn(usize, &Limb) -> bool) -> Option<Trunk> {
        let mut n = 0;
        let away: Vec<Limb> = self
            .limbs
            .extract_if(.., |limb| {
                n += 1;
                apart(n - 1, limb)
            })
            .collect();
        if away.is_empty() {
            return None;
        }
        let mut other = Trunk { limbs: Vec::new(), ..self.clone_stem() };
        other.limbs = away;
        if self.limbs.is_empty() {
            // All of them: nothing is parted.
            std::mem::swap(&mut self.limbs, &mut other.limbs);
            return None;
        }
        Some(other)
    }

    fn clone_stem(&self) -> Trunk {
        Trunk {
            front: self.front.clone(),
            limbs: Vec::new(),
            wake_us: self.wake_us,
            busy: self.busy,
            bytes: self.bytes,
            found: self.found.clone(),
        }
    }

    /// As `Tag::step`.
    #[inline]
    fn step(&mut self, sample: &Sample, born: &mut Vec<Trunk>) {
        if !self.front.take(sample, &mut None) {
            return;
        }
        if self.front.beat_waits() {
            self.beats(born);
        }
        self.rest(born);
    }

    /// One waiting beat, for the limbs that think the animal alive and for the others.
    #[inline(never)]
    fn beats(&mut self, born: &mut Vec<Trunk>) {
        let living = self.limbs.first().is_some_and(|l| l.judges.living());
        if self.limbs.iter().any(|l| l.judges.living() != living)
            && let Some(mut other) = self.part(|_, l| l.judges.living() != living)
        {
            other.beat(!living);
            other.rest(born);
            born.push(other);
        }
        self.beat(living);
    }

    fn beat(&mut self, living: bool) -> bool {
        let Some(beat) = self.front.next_beat(living) else { return false };
        self.found.beats_us.push(beat.t_us);
        true
    }

    #[inline]
    fn rest(&mut self, born: &mut Vec<Trunk>) {
        if self.front.now_us() >= self.wake_us {
            self.seldom(born);
        } else if self.busy && !self.front.worked() {
            self.fit(|_| true);
        }
    }

    #[inline(never)]
    fn fit(&mut self, with: impl Fn(&Limb) -> bool) {
        let now_us = self.front.now_us();
        for limb in self.limbs.iter_mut().filter(|limb| with(limb)) {
            if limb.recovery.busy() && limb.recovery.step(now_us).is_some() {
                limb.bytes += record::RECOVERY_STORED as u32;
            }
        }
        self.busy = self.limbs.iter().any(|l| l.recovery.busy());
    }

    /// Minutes and looks of the release; a limb without either may go on fitting.
    #[inline(never)]
    fn seldom(&mut self, born: &mut Vec<Trunk>) {
        let now_us = self.front.now_us();
        let minute_due = now_us >= self.front.minute_wake_us();
        if !minute_due && self.busy && !self.front.worked() {
            self.fit(|limb| now_us < limb.next_look_us);
        }
        if let Some(summary) = self.front.minute() {
            self.minute(&summary, |part| {
                let mut part = part;
                part.looks();
                born.push(part);
            });
        }
        self.looks();
    }

    /// A minute for all limbs; parts that record it otherwise, or
    /// would teach the front something else, go to `away`.
    fn minute(&mut self, summary: &Summary, mut away: impl FnMut(Trunk)) {
        let mut says = Vec::with_capacity(self.limbs.len());
        for limb in &mut self.limbs {
            let verdict = limb.judges.minute(summary, &self.front);
            if let Some(fate) = verdict.fate {
                limb.fates.push(fate);
                limb.bytes += record::FATE_STORED as u32;
            }
            limb.recovery.add(limb.judges.living().then_some(summary));
            says.push((verdict.lesson, verdict.minute.beats_per_min));
        }
        self.bytes += record::minute_stored(summary.t_us) as u32;
        while let Some(&say) = says.iter().find(|say| Some(*say) != says.first()) {
            if let Some(mut other) = self.part(|n, _| says[n] == say) {
                other.take_in(summary, say);
                away(other);
            }
            says.retain(|s| *s != say);
        }
        if let Some(&say) = says.first() {
            self.take_in(summary, say);
        }
        self.busy = self.limbs.iter().any(|l| l.recovery.busy());
    }

    /// Notes a minute as the limbs here record it, and learns from it.
    fn take_in(&mut self, summary: &Summary, (lesson, beats_per_min): (Lesson, Option<f32>)) {
        self.found.minutes.push((summary.t_us, beats_per_min));
        self.front.learn(summary, lesson);
    }

    /// Looks of the release that are due; sets the next wake.
    fn looks(&mut self) {
        let (now_us, depth_m) = (self.front.now_us(), self.front.depth_m());
        let mut split = Vec::new();
        for limb in &mut self.limbs {
            if now_us >= limb.next_look_us {
                limb.look(now_us, depth_m, &mut split);
            }
        }
        self.limbs.append(&mut split);
        self.busy = self.limbs.iter().any(|l| l.recovery.busy());
        let look_us = self.limbs.iter().map(|l| l.next_look_us).min().unwrap_or(u64::MAX);
        self.wake_us = self.front.minute_wake_us().min(look_us);
    }

    fn housekeeping(&mut self, drawn: &Drawn) {
        for limb in &mut self.limbs {
            for leaf in &mut limb.leaves {
                leaf.housekeeping(drawn, self.bytes.saturating_add(limb.bytes));
            }
        }
    }

    /// After the last sample: as `Tag::finish` until it gives nothing more. `None`
    /// where limbs went apart; the parts are then in `parts`, to be finished too.
    fn finish(mut self, parts: &mut Vec<Trunk>) -> Option<Trunk> {
        loop {
            self.front.finish_samples();
            if self.front.beat_waits() {
                let living = self.limbs.first().is_some_and(|l| l.judges.living());
                if let Some(other) = self.part(|_, l| l.judges.living() != living) {
                    parts.push(other);
                    parts.push(self);
                    return None;
                }
                if self.beat(living) {
                    continue;
                }
            }
            let Some(summary) = self.front.finish_minute() else { return Some(self) };
            let mut went = false;
            self.minute(&summary, |part| {
                went = true;
                parts.push(part);
            });
            if went {
                parts.push(self);
                return None;
            }
        }
    }

    fn outcomes(self, drawn: &Drawn, clock: &Arc<TraceClock>, to: &mut Vec<Outcome>) {
        let found = Arc::new(self.found);
        for mut limb in self.limbs {
            let bytes = self.bytes.saturating_add(limb.bytes);
            for mut leaf in std::mem::take(&mut limb.leaves) {
                leaf.housekeeping(drawn, bytes);
                to.push(Outcome {
                    id: leaf.plan.id,
                    clock: clock.clone(),
                    found: found.clone(),
                    fates: limb.fates.clone(),
                    fate: limb.judges.fate(),
                    recovery: limb.recovery.report().copied(),
                    release: leaf.release.decision().copied(),
                    record_bytes: bytes.saturating_add(leaf.bytes),
                    raw_bytes: leaf.raw_bytes,
                    used_mah: leaf.tracker.used_mah(),
                    left_fraction: leaf.tracker.left_fraction(),
                });
            }
        }
    }
}

impl Limb {
    fn new(plan: &LimbPlan, tracker: &Tracker) -> Self {
        Limb {
            judges: Judges::new(&plan.config),
            recovery: Recovery::new(&plan.config),
            next_look_us: 0,
            bytes: 0,
            fates: Vec::new(),
            leaves: plan
                .leaves
                .iter()
                .map(|leaf| Leaf {
                    release: Release::new(&leaf.config),
                    plan: *leaf,
                    tracker: tracker.clone(),
                    bytes: 0,
                    raw_bytes: 0.0,
                    cell_left: None,
                    memory_used: None,
                })
                .collect(),
        }
    }

    /// The look of every leaf; leaves that want to be woken at another time go
    /// to a limb of their own.
    fn look(&mut self, now_us: u64, depth_m: Option<f32>, split: &mut Vec<Limb>) {
        let next = |leaf: &Leaf| leaf.release.next_look_us(now_us);
        self.next_look_us = self.leaves.first().map_or(u64::MAX, next);
        while let Some(other_us) = self.leaves.iter().map(next).find(|&us| us != self.next_look_us)
        {
            let mut away: Vec<Leaf> =
                self.leaves.extract_if(.., |leaf| next(leaf) == other_us).collect();
            away.iter_mut().for_each(|l| l.step(now_us, &self.judges, &self.recovery, depth_m));
            split.push(Limb {
                judges: self.judges.clone(),
                recovery: self.recovery.clone(),
                next_look_us: other_us,
                bytes: self.bytes,
                fates: self.fates.clone(),
                leaves: away,
            });
        }
        for leaf in &mut self.leaves {
            leaf.step(now_us, &self.judges, &self.recovery, depth_m);
        }
    }
}

impl Leaf {
    fn step(&mut self, now_us: u64, judges: &Judges, recovery: &Recovery, depth_m: Option<f32>) {
        let grounds = Grounds {
            now_us,
            fate: judges.report(),
            not_living: judges.not_living(),
            recovery: recovery.report(),
            depth_m,
            cell_left: self.cell_left,
            memory_used: self.memory_used,
        };
        if self.release.step(&grounds).is_some() {
            self.bytes += record::RELEASE_STORED as u32;
        }
    }

    /// Cell and memory as they stand; `stem_bytes` are those of trunk and limb.
    fn housekeeping(&mut self, drawn: &Drawn, stem_bytes: u32) {
        let record = f64::from(stem_bytes.saturating_add(self.bytes));
        let room = (self.plan.memory_bytes - record).max(0.0);
        let raw = self.plan.raw_bytes_per_sample * drawn.samples as f64;
        self.raw_bytes = raw.min(room).max(self.raw_bytes);
        let bytes = record + self.raw_bytes;
        self.tracker.follow(&drawn.tracker);
        self.tracker.settle(bytes as u64);
        self.cell_left = Some(self.tracker.left_fraction() as f32);
        self.memory_used = Some((bytes / self.plan.memory_bytes).min(1.0) as f32);
    }
}

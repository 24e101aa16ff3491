//! One record through the tag with many settings at once, each stage run once
//! for all settings that it would treat alike.
//!
//! ```text
//! Trunk   samples to beats and minutes      (firmware_core::front::Front)
//!  Limb   depth as evidence, fate, recovery (Judges, Recovery)
//!   Leaf  release, cell, memory             (Release, Tracker)
//! ```
//!
//! The limbs of a trunk are the [`Panel`] of one [`Front`]: the order of the stages is the core's
//! own. The panel answers to the front: what is not alive has no beats, the worn posture is learnt
//! from minutes swum. Where limbs would answer differently, the trunk goes back to where the
//! present stretch of samples began and is copied, and each part takes that stretch again with
//! limbs that agree; so every leaf ends with the very bits of a tag of its own. Nothing here
//! knows *which* setting makes the difference.

use std::sync::Arc;

use firmware_core::config::Config;
use firmware_core::detector::{Detector, Motion, Out};
use firmware_core::fate::{Judges, Lesson};
use firmware_core::front::{Front, Panel};
use firmware_core::recovery::Recovery;
use firmware_core::release::{Grounds, Release};
use firmware_core::store::record;
use firmware_core::tag::FIT_POINTS;
use firmware_core::types::{
    Beat, Fate, FateReport, FaultKind, MinuteSummary, OwnEvent, RecoveryReport, ReleaseDecision,
    Run, Sample,
};

use super::duty::Duty;
use crate::energy::tracker::{TraceLoads, Tracker};
use crate::own::Own;
use crate::replay::{RESTLESS_ROWS, TraceClock};
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
#[derive(Clone, Debug, Default, PartialEq)]
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
    /// What the registered detector reported, in tag time.
    pub own: Arc<Vec<OwnEvent>>,
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
            && self.own == other.own
    }
}

/// As [`run_with`], without a detector of one's own.
pub fn run(
    trace: &Decoded,
    duty: Duty,
    loads: &Arc<TraceLoads>,
    plans: &[LimbPlan],
    until_dead: bool,
) -> Vec<Outcome> {
    let none: Vec<Own> = plans.iter().map(|_| Own::default()).collect();
    run_with(trace, duty, loads, plans, &none, until_dead)
}

/// Runs `trace` through tags with all `plans`, asleep as `duty` says, drawing
/// `loads`, each plan with its detector of `owns` at its start. All plans must agree in
/// whatever the sample stages read. With `until_dead` the run ends once every tag has
/// found its animal not alive.
pub fn run_with(
    trace: &Decoded,
    duty: Duty,
    loads: &Arc<TraceLoads>,
    plans: &[LimbPlan],
    owns: &[Own],
    until_dead: bool,
) -> Vec<Outcome> {
    let Some(first) = plans.first() else { return Vec::new() };
    let mut drawn = Drawn { samples: 0, tracker: Tracker::new(loads.clone()) };
    let limbs = plans.iter().zip(owns).map(|(plan, own)| Limb::new(plan, own, &drawn.tracker));
    let limbs = limbs.collect();
    let mut tags = Tags { trunks: vec![Trunk::new(&first.config, limbs)] };
    let mut clock = TraceClock::default();
    let mut stretch = Stretch::default();
    let mut next_housekeeping_us = 0;
    let mut last_us = None;
    for (at, sample) in trace.samples().enumerate() {
        let t_us = sample.t_us;
        if !duty.awake(t_us) {
            continue;
        }
        if duty != Duty::Always
            && let Some(last) = last_us
        {
            let slept = stretch.ends(at);
            if slept {
                tags.take(&stretch.close(trace), &mut clock);
            }
            tags.alarm(last, t_us);
        }
        drawn.samples += 1;
        drawn.tracker.sample(t_us, sample.depth_m.is_some(), sample.temp_c);
        last_us = Some(t_us);
        // Due, or the clock was set back by more than two intervals.
        if t_us >= next_housekeeping_us || t_us + 3 * HOUSEKEEPING_US < next_housekeeping_us {
            next_housekeeping_us = t_us + HOUSEKEEPING_US;
            tags.take(&stretch.close(trace), &mut clock);
            if until_dead && tags.all_dead() {
                break;
            }
            tags.housekeeping(&drawn);
            drawn.tracker.settle(0);
        }
        stretch.add(at, &sample);
    }
    tags.take(&stretch.close(trace), &mut clock);
    if duty != Duty::Always
        && let Some(last) = last_us
    {
        tags.alarm(last, trace.latest_us());
    }
    tags.outcomes(&drawn, &Arc::new(clock))
}

/// What all tags of a run do alike.
struct Drawn {
    samples: u64,
    /// Given the samples, but no bytes.
    tracker: Tracker,
}

/// Samples in a row that are taken together, by their rows.
#[derive(Clone, Copy)]
struct Piece {
    t_us: u64,
    period_us: u32,
    from: usize,
    len: usize,
    depth_m: Option<f32>,
}

/// The samples from one look at cell and memory to the next, as runs.
#[derive(Default)]
struct Stretch {
    pieces: Vec<Piece>,
    last_us: u64,
    /// Rows still to be taken one by one, since the clock was set back.
    restless: usize,
}

impl Stretch {
    /// Adds the sample of row `at`.
    fn add(&mut self, at: usize, sample: &Sample) {
        let t_us = sample.t_us;
        let goes_on = t_us > self.last_us || self.last_us == 0;
        self.restless = if goes_on { self.restless.saturating_sub(1) } else { RESTLESS_ROWS };
        let step_us = t_us.wrapping_sub(self.last_us);
        self.last_us = t_us;
        if let Some(piece) = self.pieces.last_mut()
            && self.restless == 0
            && piece.from + piece.len == at
            && sample.depth_m.is_none()
            && let Ok(period_us) = u32::try_from(step_us)
            && (piece.len == 1 || piece.period_us == period_us)
            && period_us > 0
        {
            piece.period_us = period_us;
            piece.len += 1;
            return;
        }
        let depth_m = sample.depth_m;
        self.pieces.push(Piece { t_us, period_us: 1, from: at, len: 1, depth_m });
    }

    /// True where row `at` does not follow the latest one.
    fn ends(&self, at: usize) -> bool {
        self.pieces.last().is_some_and(|piece| piece.from + piece.len != at)
    }

    /// The runs so far; the next begin anew.
    fn close<'a>(&mut self, trace: &'a Decoded) -> Vec<Run<'a>> {
        let all = trace.accel_g();
        let run = |p: Piece| Run {
            depth_m: p.depth_m,
            ..Run::accel(p.t_us, p.period_us, &all[p.from..p.from + p.len])
        };
        self.pieces.drain(..).map(run).collect()
    }
}

/// All tags of a run.
struct Tags {
    trunks: Vec<Trunk>,
}

impl Tags {
    /// Takes a stretch of samples with every tag.
    fn take(&mut self, runs: &[Run], clock: &mut TraceClock) {
        if runs.is_empty() {
            return;
        }
        let mut noted = false;
        let mut left = std::mem::take(&mut self.trunks);
        while let Some(trunk) = left.pop() {
            let parts = trunk.attempt(|trunk| {
                for run in runs {
                    trunk.front.feed(run, &mut trunk.crowd);
                    // Time goes alike in all of them.
                    if !noted {
                        let last_us = run.later_us(run.t_us, run.accel_g.len() - 1);
                        clock.note(trunk.front.now_us(), last_us);
                    }
                    if trunk.crowd.groups.is_some() {
                        return;
                    }
                }
                noted = true;
            });
            match parts {
                Ok(whole) => self.trunks.push(*whole),
                Err(parts) => left.extend(parts),
            }
        }
    }

    /// Wakes every tag that has not released its animal for its ceiling, where that lies in a sleep.
    fn alarm(&mut self, from_us: u64, to_us: u64) {
        for trunk in &mut self.trunks {
            let depth_m = trunk.front.depth_m();
            for limb in &mut trunk.crowd.limbs {
                for leaf in &mut limb.leaves {
                    // The ceiling, or no time at all once it has released.
                    let ceiling_us = leaf.release.until_ceiling(u64::MAX);
                    if ceiling_us > from_us && ceiling_us <= to_us {
                        leaf.step(ceiling_us, &limb.judges, &limb.recovery, depth_m);
                    }
                }
            }
        }
    }

    fn all_dead(&self) -> bool {
        let mut limbs = self.trunks.iter().flat_map(|trunk| &trunk.crowd.limbs);
        limbs.all(|limb| !limb.judges.living())
    }

    fn housekeeping(&mut self, drawn: &Drawn) {
        for Trunk { crowd, .. } in &mut self.trunks {
            for limb in &mut crowd.limbs {
                for leaf in &mut limb.leaves {
                    leaf.housekeeping(drawn, crowd.bytes.saturating_add(limb.bytes));
                }
            }
        }
    }

    /// After the last sample.
    fn outcomes(mut self, drawn: &Drawn, clock: &Arc<TraceClock>) -> Vec<Outcome> {
        let mut outcomes = Vec::new();
        while let Some(trunk) = self.trunks.pop() {
            match trunk.attempt(|trunk| trunk.front.flush(&mut trunk.crowd)) {
                Ok(whole) => whole.crowd.outcomes(drawn, clock, &mut outcomes),
                Err(parts) => self.trunks.extend(parts),
            }
        }
        outcomes.sort_by_key(|o| o.id);
        outcomes
    }
}

#[derive(Clone)]
struct Trunk {
    front: Front,
    crowd: Crowd,
}

/// The limbs of a trunk, as the panel of its front.
#[derive(Clone)]
struct Crowd {
    limbs: Vec<Limb>,
    bytes: u32,
    found: Found,
    /// The limbs do not agree on what to answer the front: the group of each.
    groups: Option<Vec<usize>>,
}

#[derive(Clone)]
struct Limb {
    judges: Judges,
    recovery: Recovery,
    bytes: u32,
    fates: Vec<FateReport>,
    own: Own,
    /// Shared with the copies that a stretch may go back to: copied when it grows.
    told: Arc<Vec<OwnEvent>>,
    leaves: Vec<Leaf>,
}

#[derive(Clone)]
struct Leaf {
    release: Release,
    next_look_us: u64,
    plan: LeafPlan,
    tracker: Tracker,
    bytes: u32,
    raw_bytes: f64,
    cell_left: Option<f32>,
    memory_used: Option<f32>,
}

impl Trunk {
    fn new(config: &Config, limbs: Vec<Limb>) -> Self {
        let crowd = Crowd { limbs, bytes: 0, found: Found::default(), groups: None };
        Trunk { front: Front::new(config), crowd }
    }

    /// Does `work`; where the limbs did not agree in it, it is undone, and the parts that do
    /// agree come back.
    fn attempt(mut self, work: impl FnOnce(&mut Trunk)) -> Result<Box<Trunk>, Vec<Trunk>> {
        if self.crowd.limbs.len() < 2 {
            work(&mut self);
            return Ok(Box::new(self));
        }
        // What was found only grows: its lengths are enough to go back.
        let found = std::mem::take(&mut self.crowd.found);
        let (beats, minutes) = (found.beats_us.len(), found.minutes.len());
        let mut before = self.clone();
        self.crowd.found = found;
        work(&mut self);
        let Some(groups) = self.crowd.groups.take() else { return Ok(Box::new(self)) };
        before.crowd.found = self.crowd.found;
        before.crowd.found.beats_us.truncate(beats);
        before.crowd.found.minutes.truncate(minutes);
        Err(before.part(&groups))
    }

    /// A trunk for each group of limbs.
    fn part(mut self, groups: &[usize]) -> Vec<Trunk> {
        let limbs = std::mem::take(&mut self.crowd.limbs);
        let count = groups.iter().max().map_or(0, |most| most + 1);
        let mut parts = vec![self; count];
        for (limb, group) in limbs.into_iter().zip(groups) {
            parts[*group].crowd.limbs.push(limb);
        }
        parts
    }
}

impl Crowd {
    /// Notes where the limbs do not answer alike; the groups are those of equal answers.
    fn agree<T: PartialEq>(&mut self, answers: &[T]) {
        if self.groups.is_some() || answers.iter().all(|a| Some(a) == answers.first()) {
            return;
        }
        let mut kinds: Vec<&T> = Vec::new();
        let mut groups = Vec::with_capacity(answers.len());
        for answer in answers {
            let known = kinds.iter().position(|kind| *kind == answer);
            groups.push(known.unwrap_or(kinds.len()));
            if known.is_none() {
                kinds.push(answer);
            }
        }
        self.groups = Some(groups);
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
                    own: limb.told.clone(),
                });
            }
        }
    }
}

impl Panel for Crowd {
    const MOTION: bool = true;

    fn living(&mut self) -> bool {
        let living: Vec<bool> = self.limbs.iter().map(|limb| limb.judges.living()).collect();
        self.agree(&living);
        living.first().is_some_and(|living| *living)
    }

    fn fault(&mut self, _: FaultKind, _: &Front) {}

    fn beat(&mut self, beat: &Beat, _: &Front) {
        self.found.beats_us.push(beat.t_us);
    }

    fn motion(&mut self, motion: &Motion<'_>, _: &Front) {
        for limb in self.limbs.iter_mut().filter(|limb| limb.own.is_some()) {
            let mut out = Out::default();
            limb.own.block(motion, &mut out);
            limb.tell(&out);
        }
    }

    fn block(&mut self, front: &Front) {
        for limb in self.limbs.iter_mut().filter(|limb| limb.recovery.busy()) {
            for _ in 0..FIT_POINTS {
                if limb.recovery.step(front.now_us()).is_some() {
                    limb.bytes += record::RECOVERY_STORED as u32;
                }
            }
        }
    }

    fn gap(&mut self) {
        self.limbs.iter_mut().for_each(|limb| limb.own.gap());
    }

    fn minute(&mut self, summary: &MinuteSummary, front: &Front) -> Lesson {
        let mut says = Vec::with_capacity(self.limbs.len());
        for limb in &mut self.limbs {
            let verdict = limb.judges.minute(summary, front.frame(), front.now_us());
            if let Some(fate) = verdict.fate {
                limb.fates.push(fate);
                limb.bytes += record::FATE_STORED as u32;
            }
            limb.recovery.add(limb.judges.living().then_some(summary));
            let mut out = Out::default();
            limb.own.minute(summary, &mut out);
            limb.tell(&out);
            says.push((verdict.lesson, verdict.minute.beats_per_min));
        }
        self.bytes += record::minute_stored(summary.t_us) as u32;
        self.agree(&says);
        let first = says.first().copied();
        let (lesson, beats_per_min) = first.unwrap_or((Lesson::NOTHING, None));
        self.found.minutes.push((summary.t_us, beats_per_min));
        lesson
    }

    fn look(&mut self, front: &Front) -> u64 {
        let (now_us, depth_m) = (front.now_us(), front.depth_m());
        let mut next_us = u64::MAX;
        for limb in &mut self.limbs {
            let Limb { judges, recovery, leaves, .. } = limb;
            for leaf in leaves {
                if now_us >= leaf.next_look_us {
                    leaf.next_look_us = leaf.release.next_look_us(now_us);
                    leaf.step(now_us, judges, recovery, depth_m);
                }
                next_us = next_us.min(leaf.next_look_us);
            }
        }
        next_us
    }
}

impl Limb {
    fn tell(&mut self, out: &Out) {
        if !out.events().is_empty() {
            Arc::make_mut(&mut self.told).extend_from_slice(out.events());
            self.bytes += (out.events().len() * record::OWN_STORED) as u32;
        }
    }

    fn new(plan: &LimbPlan, own: &Own, tracker: &Tracker) -> Self {
        let leaf = |leaf: &LeafPlan| Leaf {
            release: Release::new(&leaf.config),
            next_look_us: 0,
            plan: *leaf,
            tracker: tracker.clone(),
            bytes: 0,
            raw_bytes: 0.0,
            cell_left: None,
            memory_used: None,
        };
        Limb {
            judges: Judges::new(&plan.config),
            recovery: Recovery::new(&plan.config),
            bytes: 0,
            fates: Vec::new(),
            own: own.clone(),
            told: Arc::default(),
            leaves: plan.leaves.iter().map(leaf).collect(),
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

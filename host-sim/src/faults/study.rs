//! Many plans against the tag's promises.
//!
//! A deployment is made once and run without faults; then every plan is run over
//! it and held against
//!
//! * the ceiling: the fire pin goes high by then, by the world's clock, or as soon as the tag
//!   has had power, lain in water and been told so by sensors in order for a minute and a half;
//! * the floor: never before it;
//! * the deck: never on it, from the end of a haul of 3 s on;
//! * pulses: each that counts as an attempt is 95 to 110 % of its length;
//! * log and messages: every minute and fate that was acknowledged is there, no minute
//!   twice, and the messages tell what the tag tells;
//! * the decision: cause of release, and fate at that time, are those without faults, unless the
//!   plan took the evidence, or a clock took the time. Where they differ, something was
//!   lost before either was taken, and a tag that is never reset, given the samples
//!   that were left at the times that the tag took them for, decides the same at the same
//!   time.

use std::path::Path;

use firmware_core::config::{Config, Release};
use firmware_core::shell::keeper;
use firmware_core::tag::Tag;
use firmware_core::types::{
    Cause, Event, Fate, Moment, ReleaseDecision, Sample, cause_code, cause_of, fate_code, fate_of,
};
use serde::{Deserialize, Serialize};

use super::hardware::{Hardware, Log, Lost, Told};
use super::plan::{Drawn, Fault};
use super::random::{self, Harshness};
use super::records::Wrong;
use crate::deployment::{Deployment, beside};
use crate::problem::Problem;
use crate::replay::{Keep, prepare_source};
use crate::synth::{self, Request};
use crate::trace::open_file;

const SECOND_US: u64 = 1_000_000;
/// From a look at the clocks to the fire pin: a look every two seconds, arming, a step or
/// two of the driver.
const REACTION_US: u64 = 8 * SECOND_US;
/// A recovery this little before the ceiling is marginal.
const MARGIN_US: u64 = 3 * 3600 * SECOND_US;
/// Blocks of 4 KiB of the log: enough for 48 h.
const LOG_BLOCKS: usize = 28;
/// A run is followed for this long after the link parted: what comes then is a
/// floating package.
const AFTERWARDS_US: u64 = 2 * 3600 * SECOND_US;
/// Time between marks of the run without faults, min.
const MARK_MIN: usize = 60;
/// Evidence that a plan may take and still leave the decision as it was, but for a recovery
/// that is decided near the ceiling.
const EVIDENCE_US: u64 = 20 * 60 * SECOND_US;
/// Of the plans that decide as without faults, one in so many is put to the witness too (prime to the number of deployments).
const WITNESSED: u64 = 7;

/// A deployment to run plans over, and what became of it without faults.
pub struct Base {
    /// Scenario and seed.
    pub name: String,
    config: Config,
    rows: Vec<Packed>,
    period_us: u64,
    floor_us: u64,
    ceiling_us: u64,
    /// Fate, cause of release and first firing without faults.
    pub plain: Outcome,
    /// When it decided to let go without faults.
    decided_us: u64,
    /// The run without faults, kept before it decides to let go: the row that comes
    /// next, and the hardware as it was.
    marks: Vec<(usize, Hardware)>,
}

/// What became of a deployment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Fate when the tag decided to let go; at the end where it never did.
    #[serde(with = "fate_as_code")]
    pub fate: Fate,
    /// Cause of the release.
    #[serde(with = "cause_as_code")]
    pub cause: Option<Cause>,
    /// First firing, world's time, microseconds.
    pub fired_us: Option<u64>,
    /// Recovery as last estimated: when, and when that was decided, s of tag time.
    pub recovery_s: Option<(f32, Option<f64>)>,
}

impl Lost {
    /// Time gone with resets and without readings, microseconds.
    fn time_us(&self) -> u64 {
        self.away_us + self.unkept_us + self.deaf_us
    }

    /// Nothing else was, and the clock was right to a second or two.
    fn only_time(&self) -> bool {
        let Lost { depth_us, deck_us, cell_low, anew, clock_us, .. } = *self;
        depth_us == 0 && deck_us == 0 && cell_low == 0 && anew == 0 && clock_us < 3 * SECOND_US
    }

    /// Nothing was.
    pub fn nothing(&self) -> bool {
        *self == Lost::default()
    }

    /// Why a decision may differ from the one without faults.
    fn excuse(&self) -> Option<Excuse> {
        if self.clock_us > EVIDENCE_US {
            Some(Excuse::ClockTookTime)
        } else if self.depth_us > 0 || self.deaf_us > EVIDENCE_US {
            Some(Excuse::SensorLost)
        } else if self.cell_low > 0 {
            Some(Excuse::CellLow)
        } else if self.anew > 0 {
            Some(Excuse::CopiesLost)
        } else if self.deck_us > 0 {
            Some(Excuse::OnDeck)
        } else if self.time_us() > EVIDENCE_US {
            Some(Excuse::Away)
        } else {
            None
        }
    }
}

/// A run under a plan.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// What became of the deployment.
    pub outcome: Outcome,
    /// What the plan took before the decision, see [`Verdict::lost`].
    pub lost: Lost,
    /// What is wrong with log and messages.
    pub wrong: Vec<Wrong>,
    /// What happened.
    pub log: Log,
}

/// All that is left of the evidence when the tag decides to let go, or at the end where it
/// never does.
struct Witness {
    told: Vec<Told>,
    decision: Option<ReleaseDecision>,
    fate: Fate,
}

impl Witness {
    /// A tag that is never reset decides the same on it at the same time. Where its
    /// accelerometer gives nothing, or its copy is behind, it is the release clock that
    /// holds the ceiling.
    fn agrees(&self, config: Config, ceiling_us: u64) -> bool {
        let mut tag = Tag::new(config);
        let mut nobody = |_: &Event, _: &Moment| {};
        for told in &self.told {
            match told {
                Told::Sample(sample) => tag.feed(&sample.as_run(), &mut nobody),
                Told::Tick(t_us) => tag.tick(*t_us, &mut nobody),
            }
        }
        if self.decision.is_none() {
            tag.flush(&mut nobody);
        }
        let clock = |d: &ReleaseDecision| d.cause == Cause::Ceiling && d.t_us >= ceiling_us;
        let held = tag.release().is_none() && self.decision.as_ref().is_some_and(clock);
        tag.fate() == self.fate && (held || tag.release() == self.decision)
    }
}

mod fate_as_code {
    use super::{Fate, fate_code, fate_of};
    use serde::{Deserialize, Deserializer, Serializer, de::Error};

    pub fn serialize<S: Serializer>(fate: &Fate, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_u8(fate_code(*fate))
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Fate, D::Error> {
        fate_of(u8::deserialize(from)?).ok_or_else(|| D::Error::custom("no fate has this number"))
    }
}

mod cause_as_code {
    use super::{Cause, cause_code, cause_of};
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error};

    pub fn serialize<S: Serializer>(cause: &Option<Cause>, to: S) -> Result<S::Ok, S::Error> {
        cause.map(cause_code).serialize(to)
    }
    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Cause>, D::Error> {
        match Option::<u8>::deserialize(from)? {
            None => Ok(None),
            Some(code) => {
                cause_of(code).map(Some).ok_or_else(|| D::Error::custom("no cause has this number"))
            }
        }
    }
}

#[derive(Clone, Copy)]
struct Packed {
    accel_g: [f32; 3],
    depth_m: f32,
}

impl Base {
    /// Makes a deployment of a scenario of [`synth`] in a folder and reads it.
    ///
    /// # Errors
    /// An unknown scenario, or a folder that cannot be written to.
    pub fn make(
        scenario: &str,
        seed: u64,
        hours: f64,
        sample_hz: f64,
        release: Release,
        folder: &Path,
    ) -> Result<Self, Problem> {
        let mut request = Request::new(scenario, seed, folder);
        request.hours = Some(hours);
        request.sample_hz = Some(sample_hz);
        let written = synth::run(&request).map_err(|e| Problem::new(e.to_string()))?;
        let mut deployment = Deployment::load(&beside(&written.trace, ".toml"))?;
        deployment.release = release;
        let file = Box::new(open_file(&written.trace)?);
        let mut prepared =
            prepare_source(scenario, file, &deployment, Keep::default(), Vec::new())?;
        let mut rows = Vec::new();
        while let Some(row) = prepared.reader.next_row()? {
            rows.push(Packed { accel_g: row.accel_g, depth_m: row.depth_m.unwrap_or(f32::NAN) });
        }
        let config = prepared.setup.config;
        let mut base = Base {
            name: format!("{scenario} {seed}"),
            config,
            rows,
            period_us: u64::from(config.sample_us()),
            floor_us: (config.release().floor_h * 3.6e9) as u64,
            ceiling_us: (config.release().ceiling_h * 3.6e9) as u64,
            plain: Outcome {
                fate: Fate::Undetermined,
                cause: None,
                fired_us: None,
                recovery_s: None,
            },
            decided_us: u64::MAX,
            marks: Vec::new(),
        };
        let plain = Drawn::default();
        let mut marks = Vec::new();
        let hardware = Hardware::new(base.config, keeper::Settings::DEFAULT, plain);
        let hardware = hardware.with_records(LOG_BLOCKS);
        let (run, decided_us, _) = base.run_from(0, hardware, Some(&mut marks));
        base.plain = run.outcome;
        base.decided_us = decided_us;
        base.marks = marks;
        Ok(base)
    }

    /// Runs a plan over it, from the start.
    pub fn run(&self, plan: Drawn) -> Run {
        self.run_from(0, self.fresh(plan), None).0
    }

    /// Runs a plan over it, from the latest mark before its first fault: up to there
    /// all is as without faults, and was worked out once.
    pub fn run_on(&self, plan: Drawn) -> Run {
        self.run_witnessed(plan).0
    }

    fn fresh(&self, plan: Drawn) -> Hardware {
        let hardware = Hardware::new(self.config, keeper::Settings::DEFAULT, plan);
        let mut hardware = hardware.with_records(LOG_BLOCKS);
        hardware.follow(Vec::new());
        hardware
    }

    fn run_witnessed(&self, plan: Drawn) -> (Run, Witness) {
        let faults = plan.faults.first().map_or(u64::MAX, |(at_us, _)| *at_us);
        let decks = plan.deck_us.iter().filter(|(from, to)| from < to).map(|(from, _)| *from);
        let first_us = decks.min().unwrap_or(u64::MAX).min(faults);
        let before = |(row, _): &&(usize, Hardware)| *row as u64 * self.period_us <= first_us;
        let (row, hardware) = match self.marks.iter().rev().find(before) {
            None => (0, self.fresh(plan)),
            Some((row, hardware)) => {
                let mut hardware = hardware.clone();
                hardware.go_on_under(plan);
                hardware.follow((0..*row).map(|n| Told::Sample(self.sample(n))).collect());
                (*row, hardware)
            }
        };
        let (run, _, witness) = self.run_from(row, hardware, None);
        (run, witness)
    }

    /// A row as the world has it; readings of cell and memory come once a minute.
    fn sample(&self, n: usize) -> Sample {
        let row = &self.rows[n];
        let mut sample = Sample::accel(n as u64 * self.period_us, row.accel_g);
        sample.depth_m = (!row.depth_m.is_nan()).then_some(row.depth_m);
        if n.is_multiple_of(self.minute()) {
            sample.cell_left = Some(0.9);
            sample.memory_used = Some(0.1);
        }
        sample
    }

    /// Rows in a minute.
    fn minute(&self) -> usize {
        (60 * SECOND_US / self.period_us) as usize
    }

    /// The run, when it was decided to let go (world's time), and what that was decided on.
    fn run_from(
        &self,
        first: usize,
        mut hardware: Hardware,
        mut marks: Option<&mut Vec<(usize, Hardware)>>,
    ) -> (Run, u64, Witness) {
        let mut events = Vec::new();
        // As the tag decided to let go: afterwards it is a package on its own.
        let mut witness: Option<Witness> = None;
        let mut lost: Option<Lost> = None;
        let mut decided_us = u64::MAX;
        for n in first..self.rows.len() {
            if let Some(marks) = &mut marks
                && n > 0
                && n % (MARK_MIN * self.minute()) == 0
                && hardware.decision().is_none()
            {
                marks.push((n, hardware.clone()));
            }
            let sample = self.sample(n);
            events.clear();
            hardware.step(&sample, &mut events);
            if witness.is_none()
                && let (Some(decision), Some(tag)) = (hardware.decision(), hardware.tag())
            {
                let fate = tag.fate();
                decided_us = sample.t_us;
                witness = Some(Witness { told: hardware.told(), decision: Some(decision), fate });
            }
            if lost.is_none() && (witness.is_some() || sample.t_us >= self.decided_us) {
                lost = Some(hardware.log().lost);
            }
            let free_us = hardware.log().free_us;
            if free_us.is_some_and(|us| sample.t_us >= us + AFTERWARDS_US) {
                break;
            }
        }
        events.clear();
        hardware.finish(&mut events);
        let last = hardware.tag().map_or(Fate::Undetermined, |t| t.fate());
        let witness = witness.unwrap_or_else(|| Witness {
            told: hardware.told(),
            decision: None,
            fate: last,
        });
        let decision = hardware.decision();
        let outcome = Outcome {
            fate: witness.fate,
            cause: decision.map(|d| d.cause),
            fired_us: hardware.log().fired_us,
            recovery_s: hardware
                .tag()
                .and_then(|t| t.recovery())
                .map(|r| (r.t_s, r.decided_us.map(|us| us as f64 * 1e-6))),
        };
        let wrong = hardware.records().map_or(Vec::new(), |r| r.check(last, decision.as_ref()));
        let log = hardware.log().clone();
        let lost = lost.unwrap_or(log.lost);
        (Run { outcome, lost, wrong, log }, decided_us, witness)
    }

    fn end_us(&self) -> u64 {
        self.rows.len() as u64 * self.period_us
    }

    /// Recovery is an estimate: where it is decided just before the ceiling or just
    /// not, minutes lost in a reset tip it.
    fn marginal(&self, outcome: &Outcome) -> bool {
        let late = |o: &Outcome| {
            let at_us = o.fired_us.unwrap_or(0);
            matches!(o.cause, Some(Cause::Ceiling))
                || matches!(o.cause, Some(Cause::Recovered))
                    && at_us.saturating_add(MARGIN_US) >= self.ceiling_us
        };
        late(outcome) && late(&self.plain)
    }

    /// Runs the random plan of a seed and holds it against the promises.
    fn judge(&self, base: usize, seed: u64, harshness: Harshness) -> Verdict {
        let hours = self.end_us() as f64 / 3.6e9;
        let plan = random::plan(seed, harshness, hours);
        let (Run { outcome, lost, wrong, log }, witness) = self.run_witnessed(plan.clone());
        let mut broken: Vec<Broken> = wrong.iter().map(Broken::of).collect();
        if outcome.fired_us.is_some_and(|t| t < self.floor_us) {
            broken.push(Broken::BeforeFloor);
        }
        if log.on_deck > 0 {
            broken.push(Broken::OnDeck);
        }
        let burn_us = f64::from(keeper::Settings::DEFAULT.release.burn_s) * 1e6;
        let part = |us: &u64| *us as f64 / burn_us;
        if log.pulses_us.iter().map(part).any(|p| !(0.95..=1.1).contains(&p)) {
            broken.push(Broken::PulseWrong);
        }
        // Where fewer than two backup counters are fitted, time away does not count for the floor.
        let absent =
            |(at_us, fault): &(u64, Fault)| *at_us == 0 && matches!(fault, Fault::Lost { .. });
        let fitted = !plan.faults.iter().any(absent);
        let latest_us = log.able_us.filter(|_| fitted).map(|us| us + REACTION_US);
        let latest_us = latest_us.filter(|us| *us < self.end_us());
        if let Some(latest_us) = latest_us {
            match outcome.fired_us {
                None => broken.push(Broken::NeverFired),
                Some(t) if t > latest_us => broken.push(Broken::PastCeiling),
                Some(_) => {}
            }
        }
        let out = |us: u64| log.stretches.iter().any(|&(from, to)| (from..to).contains(&us));
        let away = out(self.ceiling_us);
        let decked = plan.deck_since_us(self.ceiling_us).is_some();
        let stakes = Stakes {
            ceiling: latest_us.is_some(),
            deck: log.held_on_deck_us >= SECOND_US,
            floor: log.early_us > SECOND_US,
            pulses: log.pulses_us.len() as u32,
        };
        let same_fate = outcome.fate == self.plain.fate;
        let same = same_fate && outcome.cause == self.plain.cause;
        let marginal = same_fate && !same && self.marginal(&outcome);
        let witnessed = !same || (seed / 2).is_multiple_of(WITNESSED);
        if witnessed && !witness.agrees(self.config, self.ceiling_us) {
            broken.push(Broken::DecidesOtherwise);
        }
        if !same && lost.nothing() {
            broken.push(Broken::NothingLost);
        }
        let excuse = lost.excuse();
        Verdict {
            seed,
            base,
            outcome,
            broken,
            same,
            marginal,
            witnessed,
            lost,
            excuse,
            away,
            decked,
            stakes,
            log,
        }
    }
}

/// Which promises a plan put at stake: a zero out of nothing is no result.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stakes {
    /// From the ceiling on it had power, lay in water and could know so.
    pub ceiling: bool,
    /// On deck it was called to let go, after the floor.
    pub deck: bool,
    /// Before the floor it was called to let go, and by a clock that ran ahead the floor had passed.
    pub floor: bool,
    /// Pulses that it took for attempts.
    pub pulses: u32,
}

/// What took the evidence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Excuse {
    /// Across a reset a wrong clock brought the ceiling nearer.
    ClockTookTime,
    /// The depth sensor failed, or for more than 20 min the accelerometer.
    SensorLost,
    /// The cell was low.
    CellLow,
    /// No whole copy of the detectors' state was left.
    CopiesLost,
    /// Part of the trace was spent on deck.
    OnDeck,
    /// Away, without readings, or gone with the state that a reset took, for more than
    /// 20 min in all.
    Away,
}

/// A promise that did not hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Broken {
    /// Fired before the floor.
    BeforeFloor,
    /// Fired on deck.
    OnDeck,
    /// A pulse that counted was shorter than 95 % or longer than 110 %.
    PulseWrong,
    /// Fired after the ceiling, though it could know of the water.
    PastCeiling,
    /// Not fired at all.
    NeverFired,
    /// A record that was acknowledged is not in the log.
    RecordLost,
    /// A minute is in the log twice.
    RecordTwice,
    /// A message tells another fate or reason to let go than the tag.
    MessageWrong,
    /// A tag that was never reset decides otherwise on the evidence that was left.
    DecidesOtherwise,
    /// The decision differs from the one without faults, and no evidence was lost before.
    NothingLost,
}

impl Broken {
    fn of(wrong: &Wrong) -> Self {
        match wrong {
            Wrong::Lost(_) | Wrong::FateLost => Broken::RecordLost,
            Wrong::Twice(_) => Broken::RecordTwice,
            Wrong::Message => Broken::MessageWrong,
        }
    }
}

/// A plan, judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// Seed of the plan.
    pub seed: u64,
    /// Which of the deployments it ran over.
    pub base: usize,
    /// What became of the deployment.
    pub outcome: Outcome,
    /// Promises that did not hold.
    pub broken: Vec<Broken>,
    /// Fate and cause are those without faults.
    pub same: bool,
    /// They are not, by a recovery that was decided just before the ceiling or just not.
    pub marginal: bool,
    /// A tag that was never reset was asked.
    pub witnessed: bool,
    /// What was lost before the decision without faults or its own, whichever came first: what
    /// came later cannot have made them differ.
    pub lost: Lost,
    /// What took the evidence, if anything.
    pub excuse: Option<Excuse>,
    /// The tag had no power at the ceiling.
    pub away: bool,
    /// It was on deck at the ceiling.
    pub decked: bool,
    /// Promises at stake.
    pub stakes: Stakes,
    /// What happened.
    pub log: Log,
}

/// Judges the plan of a seed: every other one is mild, over the deployments in turn.
pub fn judge(bases: &[Base], seed: u64) -> Verdict {
    let which = (seed / 2) as usize % bases.len();
    let harshness = if seed.is_multiple_of(2) { Harshness::Mild } else { Harshness::Harsh };
    bases[which].judge(which, seed, harshness)
}

/// The result in plain words.
pub fn summary(bases: &[Base], verdicts: &[Verdict]) -> String {
    use std::fmt::Write as _;
    let mut text = String::new();
    let count = |f: &dyn Fn(&Verdict) -> bool| verdicts.iter().filter(|v| f(v)).count();
    let _ = writeln!(text, "{} plans over {} deployments", verdicts.len(), bases.len());
    for base in bases {
        let at =
            base.plain.fired_us.map_or("never".into(), |t| format!("{:.2} h", t as f64 / 3.6e9));
        let _ = writeln!(
            text,
            "  {:24} without faults: {:?}, {:?}, fired at {at}",
            base.name, base.plain.fate, base.plain.cause
        );
    }
    let resets: u64 = verdicts.iter().map(|v| u64::from(v.log.resets)).sum();
    let _ = writeln!(
        text,
        "resets {resets}, of these detectors anew {}, clock lost {}",
        verdicts.iter().map(|v| u64::from(v.log.lost.anew)).sum::<u64>(),
        verdicts.iter().map(|v| u64::from(v.log.clock_lost)).sum::<u64>()
    );
    let all = verdicts.len();
    let pulses: u32 = verdicts.iter().map(|v| v.stakes.pulses).sum();
    for (what, broken, at_stake) in [
        ("fired before the floor", Broken::BeforeFloor, count(&|v| v.stakes.floor)),
        ("fired on deck", Broken::OnDeck, count(&|v| v.stakes.deck)),
        ("fired after the ceiling", Broken::PastCeiling, count(&|v| v.stakes.ceiling)),
        ("never fired", Broken::NeverFired, count(&|v| v.stakes.ceiling)),
        ("with a pulse too short or too long", Broken::PulseWrong, pulses as usize),
        ("acknowledged record lost", Broken::RecordLost, all),
        ("minute recorded twice", Broken::RecordTwice, all),
        ("message unlike the tag", Broken::MessageWrong, all),
    ] {
        let _ = writeln!(
            text,
            "{what}: {} of {at_stake} at stake",
            count(&|v| v.broken.contains(&broken))
        );
    }
    let _ = writeln!(
        text,
        "without power at the ceiling: {}; on deck then: {}; never free: {}; fired on deck with \
         both sensors wrong: {}",
        count(&|v| v.away),
        count(&|v| v.decked),
        count(&|v| v.log.free_us.is_none()),
        count(&|v| v.log.on_deck_blind > 0)
    );
    let most = keeper::Settings::DEFAULT.release.attempts;
    let _ = writeln!(
        text,
        "more than {most} firings before the link parted: {}; most: {}",
        count(&|v| v.log.attempts > u32::from(most)),
        verdicts.iter().map(|v| v.log.attempts).max().unwrap_or(0)
    );
    let _ =
        writeln!(text, "decision as without faults: {} of {}", count(&|v| v.same), verdicts.len());
    for excuse in [
        None,
        Some(Excuse::ClockTookTime),
        Some(Excuse::SensorLost),
        Some(Excuse::CellLow),
        Some(Excuse::CopiesLost),
        Some(Excuse::OnDeck),
        Some(Excuse::Away),
    ] {
        let name = match excuse {
            None => "nothing or less than 20 min lost before it",
            Some(Excuse::ClockTookTime) => "clock wrong by more than 20 min",
            Some(Excuse::SensorLost) => "depth sensor failed, or accelerometer for 20 min",
            Some(Excuse::CellLow) => "cell low",
            Some(Excuse::CopiesLost) => "detectors started anew",
            Some(Excuse::OnDeck) => "time on deck",
            Some(Excuse::Away) => "away, deaf or set back for more than 20 min",
        };
        let _ = writeln!(
            text,
            "  {name}: {} of {}, {} more but for a marginal recovery",
            count(&|v| v.same && v.excuse == excuse),
            count(&|v| v.excuse == excuse),
            count(&|v| v.marginal && v.excuse == excuse)
        );
    }
    let _ = writeln!(
        text,
        "nothing lost before it: {} of {} as without faults",
        count(&|v| v.same && v.lost.nothing()),
        count(&|v| v.lost.nothing())
    );
    let _ = writeln!(
        text,
        "differ: {}; of these with nothing lost {}; a tag never reset, given what was left, \
         decides the same at the same time in {}",
        count(&|v| !v.same),
        count(&|v| v.broken.contains(&Broken::NothingLost)),
        count(&|v| !v.same && !v.broken.contains(&Broken::DecidesOtherwise))
    );
    let _ = writeln!(
        text,
        "of those that do not differ, it was asked in {} and does so in {}",
        count(&|v| v.same && v.witnessed),
        count(&|v| v.same && v.witnessed && !v.broken.contains(&Broken::DecidesOtherwise))
    );
    let least = |f: &dyn Fn(&Verdict) -> bool| {
        let time_us = verdicts.iter().filter(|v| f(v)).map(|v| v.lost.time_us()).min();
        time_us.map_or("-".into(), |us| format!("{:.1} min", us as f64 / 6e7))
    };
    let _ = writeln!(
        text,
        "least time lost with which a decision differed, where only time was: {}; but for a \
         marginal recovery: {}",
        least(&|v| !v.same && v.lost.only_time()),
        least(&|v| !v.same && !v.marginal && v.lost.only_time())
    );
    text
}

#[cfg(test)]
mod tests {
    use super::super::plan::Kind;
    use super::*;

    /// The witness says yes to what was left, and no to less.
    #[test]
    fn a_witness_told_less_disagrees() {
        let folder = tempfile::tempdir().expect("a folder");
        let release =
            Release { floor_h: 1.0, ceiling_h: 5.5, death_daylight: false, ..Release::DEFAULT };
        let base = Base::make("death-first-hour", 4, 3.0, 5.0, release, folder.path())
            .unwrap_or_else(|e| panic!("{e}"));
        let reset = Fault::Reset { kind: Kind::Power, away_us: 300 * SECOND_US, mid_write: true };
        let faults = vec![(1800 * SECOND_US, reset), (4000 * SECOND_US, reset)];
        let plan = Drawn { faults, ..Drawn::default() };
        let (run, mut witness) = base.run_witnessed(plan);
        assert_eq!(run.log.resets, 2);
        assert!(run.lost.away_us >= 600 * SECOND_US && !run.lost.nothing());
        assert_eq!(witness.decision.map(|d| d.cause), Some(Cause::Death));
        assert!(witness.agrees(base.config, base.ceiling_us));
        let last_us = witness.told.last().map_or(0, Told::t_us);
        witness.told.retain(|t| t.t_us() + 1500 * SECOND_US < last_us);
        assert!(!witness.agrees(base.config, base.ceiling_us));
    }
}

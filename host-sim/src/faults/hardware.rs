//! The tag's hardware, with a plan of what goes wrong: clocks, flash, sensors,
//! pins, a link that parts, and power that goes.
//!
//! Times with `true` in their name are those of the world; the tag never sees them.

use std::convert::Infallible;

use embedded_hal::digital::{ErrorType, OutputPin};
use firmware_core::config::Config;
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::firing::{Pins, State};
use firmware_core::shell::keeper::{self, Keeper, Layout};
use firmware_core::shell::water;
use firmware_core::store::record::ResetEvent;
use firmware_core::store::slots;
use firmware_core::types::{Event, LaunchReport, LaunchStep, Moment, ReleaseDecision, Sample};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::flash::{Flash, SECTOR};
use super::plan::{Drawn, Fault, How, Kind, Region, Which, WhichClock};
use super::records::Records;
use crate::own::{HostTag, Own};
use crate::replay::decides;

const SECOND_US: u64 = 1_000_000;
/// Four copies of everything and three sectors of vitals.
const LAYOUT: Layout = Layout {
    copies: slots::Region { from: 0, slot_bytes: SECTOR as u32, count: 4, mark: 0xC0B1 },
    vitals: slots::Region { from: 4 * SECTOR as u32, slot_bytes: 256, count: 48, mark: 0x417A },
};
const SECTORS: usize = 7;
/// A write that power is to go in is waited for this long.
const CUT_WAIT_US: u64 = 70 * SECOND_US;
/// Time that the tag needs to start again after its cell sagged.
const SAG_AWAY_US: u64 = 2 * SECOND_US;
/// A freed package rises this fast, m/s (invented).
const RISE_M_S: f32 = 0.4;
/// From the water to a deck it takes at least so long: so much of an outing is the haul.
const HAUL_US: u64 = 3 * SECOND_US;
/// Within so long of water by sensors in order a tag is sure of it.
pub const ABLE_US: u64 = 90 * SECOND_US;
/// A deadline is met within this.
const TICK_US: u64 = 1_000;
/// Part of a burn that parts a good link (invented).
const BURN_PART: f64 = 0.8;

#[derive(Clone, Copy, Debug, Default)]
struct Pin {
    high: bool,
}

impl ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.high = false;
        Ok(())
    }
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.high = true;
        Ok(())
    }
}

/// A failed sensor: until when, and what it repeats.
#[derive(Clone, Copy, Debug)]
struct Failed<T> {
    until_us: u64,
    repeats: Option<T>,
}

/// What a plan takes of the evidence.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lost {
    /// Time away, microseconds.
    pub away_us: u64,
    /// Time by which the copies were old from which the detectors went on, microseconds: up to
    /// the decision, where what the tag was told is followed, by the samples that were gone.
    pub unkept_us: u64,
    /// Time without a sound reading of acceleration, microseconds.
    pub deaf_us: u64,
    /// Time in which the depth sensor was silent or stuck, microseconds.
    pub depth_us: u64,
    /// Time on deck, microseconds.
    pub deck_us: u64,
    /// Readings of the cell that told of less than the cell of the plain run.
    pub cell_low: u32,
    /// Resets after which the detectors had to start anew.
    pub anew: u32,
    /// Most that the tag's clock was wrong by, microseconds: ahead of the world, or behind it
    /// by more than the two seconds that a look at the clocks may be old.
    pub clock_us: u64,
}

/// What happened, on the world's time, microseconds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Log {
    /// Resets that came.
    pub resets: u32,
    /// Resets after which the release clock was lost.
    pub clock_lost: u32,
    /// When the fire pin first went high.
    pub fired_us: Option<u64>,
    /// Times that the fire pin went high.
    pub firings: u32,
    /// Of these, before the link parted.
    pub attempts: u32,
    /// Looks at which it was high on deck, while no more than one of the sensors was wrong.
    pub on_deck: u32,
    /// The same while both were.
    pub on_deck_blind: u32,
    /// Pulses that the tag took for attempts: how long each lasted, microseconds.
    pub pulses_us: Vec<u64>,
    /// First time from the ceiling on at which for [`ABLE_US`] the tag had power, lay in water, and
    /// sensors in order told it so.
    pub able_us: Option<u64>,
    /// By the tag's own time the floor had passed, and a decision to let go waited, while by the
    /// world's time it had not: microseconds.
    pub early_us: u64,
    /// Time on deck with the floor passed and a decision to let go that waits, microseconds.
    pub held_on_deck_us: u64,
    /// When the link parted.
    pub free_us: Option<u64>,
    /// Longest time that the tag was away at a stretch, end of it: `(from, to)`.
    #[serde(skip)]
    pub stretches: Vec<(u64, u64)>,
    /// What all of it took of the evidence.
    pub lost: Lost,
}

/// What a tag was told, in the time that it was told.
#[derive(Clone, Copy, Debug)]
pub(super) enum Told {
    /// A sample.
    Sample(Sample),
    /// A second without samples.
    Tick(u64),
}

impl Told {
    pub(super) fn t_us(&self) -> u64 {
        match self {
            Told::Sample(sample) => sample.t_us,
            Told::Tick(t_us) => *t_us,
        }
    }
}

/// The hardware and the code that runs on it.
#[derive(Clone, Debug)]
pub struct Hardware {
    config: Config,
    /// A detector of one's own at its start.
    own: Own,
    settings: keeper::Settings,
    plan: Drawn,
    /// Number of the deployment, of which the tag's copies are.
    deployment: u32,
    next: usize,
    rng: ChaCha8Rng,
    flash: Flash,
    pins: Pins<Pin, Pin>,
    /// `None` while the tag is away, and before the first sample.
    keeper: Option<Box<Keeper<Own>>>,
    started: bool,
    boot_us: u64,
    /// When it last stopped running.
    down_us: u64,
    /// When the tag runs again, and why it was reset.
    wakes: Option<(u64, keeper::Reset)>,
    /// Power goes in the next write, or then: until when, time away.
    cut: Option<(u64, u64)>,
    last_us: u64,
    skew_us: [i64; 3],
    lost: [bool; 3],
    bus_until_us: u64,
    accel: Option<Failed<[f32; 3]>>,
    depth: Option<Failed<f32>>,
    wet: Option<Failed<bool>>,
    sag: Option<(u64, f64, Option<f32>)>,
    last_accel_g: [f32; 3],
    last_depth_m: f32,
    /// Latest depth of the trace.
    world_depth_m: Option<f32>,
    last_wet: bool,
    /// What the sensors gave last.
    felt_depth_m: Option<f32>,
    felt_wet: Option<bool>,
    /// Since when it is able to know of the water, see [`Log::able_us`].
    able_since_us: Option<u64>,
    /// When the firmware's alarm comes.
    deadline_us: u64,
    /// When its pins were looked at last.
    watched_us: u64,
    next_idle_us: u64,
    /// Since when it burns, and how many attempts were counted then.
    burning: Option<(u64, u8)>,
    failed_burns: u32,
    /// The present burn was a failure.
    burnt: bool,
    depth_when_freed_m: f32,
    log: Log,
    /// When the deployment last began anew, by the tag.
    began_us: u64,
    /// Log and messages, where they are wanted.
    records: Option<Box<Records>>,
    /// All that the state of the tag that runs came from, where it is wanted: what a reset
    /// took with it is taken out again.
    told: Option<Vec<Told>>,
}

impl Hardware {
    /// With a plan drawn.
    pub fn new(config: Config, settings: keeper::Settings, plan: Drawn) -> Self {
        Hardware {
            rng: ChaCha8Rng::seed_from_u64(plan.seed ^ 0x5EED),
            config,
            own: Own::default(),
            settings,
            deployment: plan.seed as u32,
            plan,
            next: 0,
            flash: Flash::new(SECTORS),
            pins: Pins { arm: Pin::default(), fire: Pin::default() },
            keeper: None,
            started: false,
            boot_us: 0,
            down_us: 0,
            wakes: None,
            cut: None,
            last_us: 0,
            skew_us: [0; 3],
            lost: [false; 3],
            bus_until_us: 0,
            accel: None,
            depth: None,
            wet: None,
            sag: None,
            last_accel_g: [0.0, 0.0, 1.0],
            last_depth_m: 0.0,
            world_depth_m: None,
            last_wet: false,
            felt_depth_m: None,
            felt_wet: None,
            able_since_us: None,
            deadline_us: 0,
            watched_us: 0,
            next_idle_us: 0,
            burning: None,
            failed_burns: 0,
            burnt: false,
            depth_when_freed_m: 0.0,
            log: Log::default(),
            began_us: 0,
            records: None,
            told: None,
        }
    }

    /// With a detector of one's own at its start.
    #[must_use]
    pub fn with_own(mut self, own: Own) -> Self {
        self.own = own;
        self
    }

    /// From the start on, log and messages too, in a flash of so many blocks of 4 KiB.
    #[must_use]
    pub fn with_records(mut self, blocks: usize) -> Self {
        self.records = Some(Box::new(Records::new(&self.config, self.deployment, blocks)));
        self
    }

    /// The same with these.
    #[must_use]
    pub fn with(mut self, records: Records) -> Self {
        self.records = Some(Box::new(records));
        self
    }

    /// At the end: the hour that is not complete goes to the log, and a round of messages is made.
    pub fn end(&mut self) {
        if let (Some(records), Some(keeper)) = (&mut self.records, &self.keeper) {
            records.end(keeper.now_us(), keeper.tag().faults());
        }
    }

    /// Gives log and messages.
    pub fn into_records(self) -> Option<Records> {
        self.records.map(|r| *r)
    }

    /// Log and messages.
    pub fn records(&mut self) -> Option<&mut Records> {
        self.records.as_deref_mut()
    }

    /// Goes on under another plan, as if it had been that from the start: for a run
    /// without faults up to now, under a plan whose first fault comes later.
    pub fn go_on_under(&mut self, plan: Drawn) {
        self.rng = ChaCha8Rng::seed_from_u64(plan.seed ^ 0x5EED);
        self.next = 0;
        self.plan = plan;
    }

    /// From now on remembers what the tag was told, which so far was `told`.
    pub(super) fn follow(&mut self, told: Vec<Told>) {
        self.told = Some(told);
    }

    /// What the state of the tag came from; it is remembered no longer.
    pub(super) fn told(&mut self) -> Vec<Told> {
        self.told.take().unwrap_or_default()
    }

    /// What happened so far.
    pub fn log(&self) -> &Log {
        &self.log
    }

    /// The code on the tag, while it runs.
    pub fn keeper(&self) -> Option<&Keeper<Own>> {
        self.keeper.as_deref()
    }

    /// Sectors erased and bytes written so far.
    pub fn flash_use(&self) -> (u64, u64) {
        (self.flash.erased, self.flash.written)
    }

    fn on_deck(&self, true_us: u64) -> bool {
        self.plan.deck_since_us(true_us).is_some()
    }

    /// Meets the deadlines of the tag before `true_us`: the readings are those of the latest
    /// sample.
    fn meet_deadlines(&mut self, true_us: u64, events: &mut Vec<Event>) {
        while self.deadline_us <= true_us {
            let at_us = self.deadline_us;
            let clocks = self.clocks(at_us);
            let Some(keeper) = &mut self.keeper else { return };
            let calls = keeper.guardian().calls();
            let (depth_m, wet) =
                if calls { (self.felt_depth_m, self.felt_wet) } else { (None, None) };
            let (flash, pins) = (&mut self.flash, &mut self.pins);
            let sink = |event: &Event, _: &Moment| events.push(*event);
            keeper.poll(depth_m, wet, &clocks, &mut keeper::Apart { flash, sink }, pins);
            self.set_alarm(at_us);
            self.watch_pins(at_us, self.last_depth_m);
            self.watch_power(at_us);
        }
    }

    /// The firmware's alarm for the next poll.
    fn set_alarm(&mut self, true_us: u64) {
        if let Some(in_us) = self.keeper.as_mut().and_then(|keeper| keeper.alarm_us()) {
            self.deadline_us = true_us + in_us.max(TICK_US);
        }
    }

    /// A moment of the world: what the sensors would read, at its true time.
    /// False where the tag took nothing, or power went in the midst of it: then it does not
    /// know of what `out` tells.
    pub fn step(&mut self, world: &Sample, events: &mut Vec<Event>) {
        let true_us = world.t_us;
        self.meet_deadlines(true_us, events);
        self.last_us = true_us;
        self.happen(true_us);
        if self.wakes.is_some_and(|(at_us, _)| true_us < at_us) {
            return;
        }
        self.boot(true_us);
        let (world, asked_m) = self.place(world);
        let wet = self.feel_wet(true_us);
        let sensed = self.sense(&world, asked_m);
        self.felt_wet = wet;
        self.note_able(true_us, self.felt_depth_m, wet);
        let clocks = self.clocks(true_us);
        self.run(sensed, wet, &clocks, true_us, events);
        self.set_alarm(true_us);
        self.watch_pins(true_us, world.depth_m.unwrap_or(self.last_depth_m));
        self.watch_power(true_us);
        if self.keeper.is_none() {
            // Power went before anybody could learn of it.
            events.clear();
        }
    }

    /// Depth and wet sensor are wrong.
    fn wrong(&self, true_us: u64) -> [bool; 2] {
        let depth = self.depth.is_some_and(|f| true_us < f.until_us);
        [depth, self.wet.is_some_and(|f| true_us < f.until_us)]
    }

    fn note_able(&mut self, true_us: u64, depth_m: Option<f32>, wet: Option<bool>) {
        let [depth_wrong, wet_wrong] = self.wrong(true_us);
        let deep = depth_m.is_none_or(|m| m > water::AIR_M);
        let sound = !depth_wrong && !wet_wrong && true_us >= self.bus_until_us;
        let able = !self.on_deck(true_us) && sound && deep && wet == Some(true);
        if !able {
            self.able_since_us = None;
            return;
        }
        let since_us = *self.able_since_us.get_or_insert(true_us);
        let ceiling_us = (self.config.release().ceiling_h * 3.6e9) as u64 + self.began_us;
        if true_us >= ceiling_us && true_us >= since_us + ABLE_US {
            self.log.able_us.get_or_insert(true_us);
        }
    }

    /// Takes up the faults that are due.
    fn happen(&mut self, true_us: u64) {
        while let Some(&(at_us, fault)) = self.plan.faults.get(self.next) {
            if at_us > true_us {
                return;
            }
            self.next += 1;
            match fault {
                Fault::Reset { kind: Kind::Power, away_us, mid_write: true } => {
                    self.flash.cut_next(self.rng.random());
                    if let Some(records) = &mut self.records {
                        records.cut_next();
                    }
                    self.cut = Some((true_us + CUT_WAIT_US, away_us));
                }
                Fault::Reset { kind, away_us, .. } => {
                    let why = match kind {
                        Kind::Power => keeper::Reset::Power,
                        Kind::Watchdog => keeper::Reset::Watchdog,
                    };
                    self.go(true_us, away_us, why);
                }
                Fault::Bus { until_us } => self.bus_until_us = self.bus_until_us.max(until_us),
                Fault::Sensor { which, how, until_us } => {
                    let stuck = how == How::Stuck;
                    match which {
                        Which::Accel => {
                            let repeats = stuck.then_some(self.last_accel_g);
                            self.accel = Some(Failed { until_us, repeats });
                        }
                        Which::Depth => {
                            let repeats = stuck.then_some(self.last_depth_m);
                            self.depth = Some(Failed { until_us, repeats });
                        }
                        Which::Wet => {
                            let repeats = stuck.then_some(self.last_wet);
                            self.wet = Some(Failed { until_us, repeats });
                        }
                    }
                }
                Fault::Step { which, step_us } => self.skew_us[clock(which)] += step_us,
                Fault::Lost { which } => self.lost[clock(which)] = true,
                Fault::Worn { region, part } => self.wear(region, part),
                Fault::Sag { until_us, chance, cell_left } => {
                    self.sag = Some((until_us, chance, cell_left));
                }
            }
        }
    }

    fn wear(&mut self, region: Region, part: f64) {
        let sectors = match region {
            Region::Copies => 0..4,
            Region::Vitals => 4..SECTORS,
        };
        let sector = self.rng.random_range(sectors);
        for at in sector * SECTOR..(sector + 1) * SECTOR {
            if self.rng.random::<f64>() < part {
                self.flash.wear(at, 1 << self.rng.random_range(0..8));
            }
        }
    }

    /// Power goes, or the watchdog bites.
    fn go(&mut self, true_us: u64, away_us: u64, why: keeper::Reset) {
        if self.keeper.take().is_some() {
            self.down_us = true_us;
        }
        if let Some(records) = &mut self.records {
            records.stop();
        }
        self.pins = Pins { arm: Pin::default(), fire: Pin::default() };
        self.burning = None;
        self.able_since_us = None;
        self.cut = None;
        self.log.resets += 1;
        self.log.stretches.push((true_us, true_us + away_us));
        // What the timer was off by is gone with it.
        self.skew_us[0] = 0;
        // A reset that falls into the time away may make it longer, and is not counted twice.
        let counted_us = self.wakes.map_or(true_us, |(at_us, _)| at_us);
        let at_us = counted_us.max(true_us + away_us);
        self.log.lost.away_us += at_us - counted_us;
        self.wakes = Some((at_us, why));
    }

    /// Starts the tag where it does not run.
    fn boot(&mut self, true_us: u64) {
        if self.keeper.is_some() {
            return;
        }
        self.flash.power_on();
        self.boot_us = true_us;
        self.next_idle_us = 0;
        self.deadline_us = true_us + SECOND_US;
        let clocks = self.clocks(true_us);
        let plan = keeper::Plan {
            config: self.config,
            own: self.own.clone(),
            settings: self.settings,
            deployment: self.deployment,
            // Plans give the same whatever changes in the core's text.
            program: 0,
        };
        let mut keeper = Box::new(Keeper::new(&plan));
        // The layout is that of this flash.
        let booted = if !self.started {
            keeper.begin(&mut self.flash, &LAYOUT, &clocks).ok().map(|()| keeper)
        } else {
            let why = self.wakes.map_or(keeper::Reset::Power, |(_, why)| why);
            let flash = &mut self.flash;
            keeper.go_on(flash, &LAYOUT, &clocks, why).ok().map(|resumed| {
                if let Some(told) = &mut self.told {
                    // What came after the copy is gone.
                    let copy_us = if resumed.tag { resumed.tag_us } else { 0 };
                    let kept = told.iter().rposition(|t| t.t_us() <= copy_us);
                    let kept = kept.map_or(0, |at| at + 1);
                    let gone = told.drain(kept..).filter(|t| matches!(t, Told::Sample(_)));
                    self.log.lost.unkept_us +=
                        gone.count() as u64 * u64::from(self.config.sample_us());
                } else if resumed.tag {
                    self.log.lost.unkept_us += self.down_us.saturating_sub(resumed.tag_us);
                }
                self.log.lost.anew += u32::from(!resumed.tag);
                self.log.clock_lost += u32::from(!resumed.clock);
                if let Some(records) = &mut self.records {
                    let sure = resumed.away_least_us == resumed.away_most_us;
                    let reset = ResetEvent {
                        t_us: keeper.now_us(),
                        out_us: sure.then_some(resumed.away_most_us),
                        count: keeper.guardian().resets,
                        reason: u8::from(why == keeper::Reset::Watchdog),
                    };
                    let decision = keeper.guardian().decision.as_ref();
                    records.resume(&reset, decision, keeper.tag().faults());
                }
                keeper
            })
        };
        self.wakes = None;
        self.started = true;
        self.keeper = booted;
    }

    fn clocks(&self, true_us: u64) -> Clocks {
        let read = |n: usize, us: u64| us.saturating_add_signed(self.skew_us[n]);
        // Backup counters have run on since long before the start.
        let backup = |n: usize| {
            (!self.lost[n]).then(|| read(n, true_us.saturating_add(50_000 * 3600 * SECOND_US)))
        };
        Clocks {
            timer_us: read(0, true_us.saturating_sub(self.boot_us)),
            backup_us: [backup(1), backup(2)],
        }
    }

    /// The world as it is where the tag is: on deck, in the sea, or afloat; and the depth that a
    /// sensor would read that is asked between the readings of the trace.
    fn place(&mut self, world: &Sample) -> (Sample, Option<f32>) {
        self.world_depth_m = world.depth_m.or(self.world_depth_m);
        let mut here = *world;
        here.depth_m = self.world_depth_m;
        if self.on_deck(world.t_us) {
            self.log.lost.deck_us += u64::from(self.config.sample_us());
            let rock = (world.t_us as f64 * 1e-6 * 1.1).sin() as f32 * 0.05;
            here.accel_g = [rock, 0.3 * rock, 1.0 - 0.2 * rock]
                .map(|a| a + 0.004 * (self.rng.random::<f32>() - 0.5));
            here.depth_m = here.depth_m.map(|_| 0.04 * (self.rng.random::<f32>() - 0.5));
        } else if let Some(free_us) = self.log.free_us {
            let risen_m = (world.t_us - free_us) as f32 * 1e-6 * RISE_M_S;
            let wave_m = 0.1 * (world.t_us as f64 * 1e-6 * 1.3).sin() as f32;
            here.depth_m =
                here.depth_m.map(|_| (self.depth_when_freed_m - risen_m).max(0.15 + wave_m));
        }
        let asked_m = here.depth_m;
        here.depth_m = asked_m.filter(|_| world.depth_m.is_some());
        (here, asked_m)
    }

    fn feel_wet(&mut self, true_us: u64) -> Option<bool> {
        let dry_afloat = self.log.free_us.is_some_and(|free_us| {
            (true_us - free_us) as f32 * 1e-6 * RISE_M_S > self.depth_when_freed_m
        });
        let truth = !self.on_deck(true_us) && !dry_afloat;
        let felt = match self.wet {
            Some(Failed { until_us, repeats }) if true_us < until_us => repeats,
            _ => Some(truth),
        };
        self.last_wet = felt.unwrap_or(truth);
        felt
    }

    /// What the sensors tell of it; `None`: the accelerometer gives no samples at all.
    fn sense(&mut self, world: &Sample, asked_m: Option<f32>) -> Option<Sample> {
        let true_us = world.t_us;
        let mut sensed = *world;
        let mut answer_m = asked_m;
        if let Some(Failed { until_us, repeats }) = self.depth
            && true_us < until_us
        {
            self.log.lost.depth_us += u64::from(self.config.sample_us());
            sensed.depth_m = sensed.depth_m.and(repeats);
            answer_m = asked_m.and(repeats);
        }
        // It answers whether the accelerometer does or not.
        self.felt_depth_m = answer_m.filter(|_| true_us >= self.bus_until_us);
        if let Some((until_us, _, left)) = self.sag
            && true_us < until_us
            && sensed.cell_left.is_some()
        {
            self.log.lost.cell_low += u32::from(left.is_some());
            sensed.cell_left = left.or(sensed.cell_left);
        }
        let accel = self.accel.filter(|f| true_us < f.until_us);
        if let Some(Failed { repeats, .. }) = accel {
            match repeats {
                Some(accel_g) => sensed.accel_g = accel_g,
                None => return None,
            }
        }
        if true_us < self.bus_until_us {
            sensed.accel_g = [f32::NAN; 3];
            sensed.depth_m = None;
        } else {
            self.last_accel_g = sensed.accel_g;
            self.last_depth_m = sensed.depth_m.unwrap_or(self.last_depth_m);
        }
        if true_us < self.bus_until_us || accel.is_some() {
            self.log.lost.deaf_us += u64::from(self.config.sample_us());
        }
        Some(sensed)
    }

    /// The firmware's loop, once.
    fn run(
        &mut self,
        sensed: Option<Sample>,
        wet: Option<bool>,
        clocks: &Clocks,
        true_us: u64,
        events: &mut Vec<Event>,
    ) {
        let Some(keeper) = &mut self.keeper else { return };
        let mut stepped = None;
        let (flash, pins) = (&mut self.flash, &mut self.pins);
        let sink = |event: &Event, _: &Moment| events.push(*event);
        let mut store = keeper::Apart { flash, sink };
        match sensed {
            Some(mut sample) => {
                sample.t_us = clocks.timer_us;
                sample.t_us = keeper.feed(&sample.as_run(), wet, clocks, &mut store, pins);
                if let Some(told) = &mut self.told {
                    told.push(Told::Sample(sample));
                }
                stepped = Some(sample);
                if let (Some(records), Some(left)) = (&mut self.records, sample.cell_left) {
                    records.cell(left);
                }
            }
            None => {
                self.log.lost.deaf_us += u64::from(self.config.sample_us());
                if true_us < self.next_idle_us {
                    return;
                }
                self.next_idle_us = true_us + SECOND_US;
                keeper.idle(self.felt_depth_m, wet, clocks, &mut store, pins);
                if let Some(told) = &mut self.told {
                    told.push(Told::Tick(keeper.now_us()));
                }
            }
        }
        let tag_us = keeper.now_us();
        if let Some(ago_us) = events.iter().rev().find_map(begun) {
            self.began_us = true_us.saturating_sub(ago_us);
            self.log.lost.anew += 1;
            if let Some(told) = &mut self.told {
                let newest = told.len().saturating_sub(1);
                told.drain(..newest);
            }
        }
        if self.flash.is_off() {
            // Power went before what came of it was recorded.
            events.clear();
        }
        if let Some(records) = &mut self.records {
            events.iter().for_each(|event| records.take(tag_us, event, keeper.tag()));
            if let Some(sample) = &stepped {
                records.sample(sample, events.iter().any(decides));
            }
        }
        // A look at the clocks is two seconds old at most.
        let here_us = true_us.saturating_sub(self.began_us);
        let behind_us = here_us.saturating_sub(tag_us).saturating_sub(2 * SECOND_US);
        let wrong_us = tag_us.saturating_sub(here_us).max(behind_us);
        self.log.lost.clock_us = self.log.lost.clock_us.max(wrong_us);
    }

    fn watch_pins(&mut self, true_us: u64, depth_m: f32) {
        let Some(keeper) = &self.keeper else { return };
        let attempts = keeper.guardian().driver.attempts();
        let since_us = self.plan.deck_since_us(true_us);
        let hauled = since_us.is_some_and(|us| true_us >= us + HAUL_US);
        let floor_us = (self.config.release().floor_h * 3.6e9) as u64;
        let calls = keeper.guardian().calls();
        if calls && true_us < floor_us && keeper.now_us() >= floor_us {
            self.log.early_us += true_us.saturating_sub(self.watched_us);
        }
        if hauled && calls && true_us >= floor_us {
            self.log.held_on_deck_us += true_us.saturating_sub(self.watched_us);
        }
        self.watched_us = true_us;
        if !self.pins.fire.high {
            if let Some((from_us, before)) = self.burning.take()
                && attempts > before
            {
                self.log.pulses_us.push(true_us - from_us);
            }
            self.burnt = false;
            return;
        }
        let [depth_wrong, wet_wrong] = self.wrong(true_us);
        self.log.on_deck += u32::from(hauled && !(depth_wrong && wet_wrong));
        self.log.on_deck_blind += u32::from(hauled && depth_wrong && wet_wrong);
        let began = self.burning.is_none();
        let (from_us, _) = *self.burning.get_or_insert((true_us, attempts));
        if began {
            self.log.firings += 1;
            self.log.attempts += u32::from(self.log.free_us.is_none());
            self.log.fired_us.get_or_insert(true_us);
            if let Some((until_us, chance, _)) = self.sag
                && true_us < until_us
                && self.rng.random::<f64>() < chance
            {
                self.go(true_us, SAG_AWAY_US, keeper::Reset::Power);
                return;
            }
        }
        let need_us = f64::from(self.settings.release.burn_s) * 1e6 * BURN_PART;
        let enough = (true_us - from_us) as f64 >= need_us;
        if enough && !self.burnt && self.log.free_us.is_none() {
            if self.failed_burns < self.plan.fails {
                self.failed_burns += 1;
                self.burnt = true;
            } else {
                self.log.free_us = Some(true_us);
                self.depth_when_freed_m = depth_m.max(0.0);
            }
        }
    }

    fn watch_power(&mut self, true_us: u64) {
        if let Some((until_us, away_us)) = self.cut
            && (self.flash.is_off()
                || self.records.as_mut().is_some_and(|r| r.dark())
                || true_us >= until_us)
        {
            self.go(true_us, away_us, keeper::Reset::Power);
        }
    }

    /// After the last sample: what was still waiting. The tag is started again
    /// where it is away.
    pub fn finish(&mut self, events: &mut Vec<Event>) {
        self.boot(self.last_us);
        let Some(keeper) = self.keeper.as_mut() else { return };
        keeper.flush(&mut |event: &Event, _: &Moment| events.push(*event));
        if let Some(records) = &mut self.records {
            let now_us = keeper.now_us();
            events.iter().for_each(|event| records.take(now_us, event, keeper.tag()));
        }
    }

    /// The tag as it is; `None` while it is away.
    pub fn tag(&self) -> Option<&HostTag> {
        self.keeper().map(Keeper::tag)
    }

    /// The decision to let go, which outlives the tag's own state.
    pub fn decision(&self) -> Option<ReleaseDecision> {
        self.keeper()?.guardian().decision
    }

    /// When the deployment last began anew by the tag, in the world's time, microseconds.
    pub fn began_us(&self) -> u64 {
        self.began_us
    }

    /// Where the release stands; `None` while the tag is away.
    pub fn release_state(&self) -> Option<State> {
        self.keeper().map(|k| k.guardian().driver.state())
    }
}

/// What was injected into a replay, and what the tag's hardware did.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Injected {
    /// Resets that came.
    pub resets: u32,
    /// Of these, after which the detectors started anew.
    pub detectors_anew: u32,
    /// Time away in all, s.
    pub away_s: f64,
    /// Time without a sound reading of acceleration, s.
    pub deaf_s: f64,
    /// First time that the release was fired, s on the clock of the trace.
    pub fired_t_s: Option<f64>,
    /// Times that it was fired.
    pub firings: u32,
    /// When the link parted, s on the clock of the trace.
    pub free_t_s: Option<f64>,
    /// Where the release stands: `safe`, `arming`, `firing`, `verifying`, `resting`,
    /// `free`, `given_up`.
    pub release_state: &'static str,
    /// Charge that the release used, mAh.
    pub release_mah: f32,
    /// Least and most time since the start by the tag's own clock, s.
    pub clock_s: [f64; 2],
    /// Times that a clock ran back or fell silent.
    pub clock_faults: u32,
    /// Copies that could not be kept since the last reset.
    pub lost_copies: u32,
    /// The tag was in water, by its own sensors.
    pub launched: bool,
    #[serde(skip)]
    pub(crate) decision: Option<ReleaseDecision>,
}

impl Injected {
    /// At the end of a replay whose first row has this time.
    pub fn new(hardware: &Hardware, first_t_s: f64) -> Self {
        let log = hardware.log();
        let s = |us: u64| us as f64 * 1e-6;
        let keeper = hardware.keeper();
        let clock = keeper.map(|k| k.guardian().clock);
        Injected {
            resets: log.resets,
            detectors_anew: log.lost.anew,
            away_s: s(log.lost.away_us),
            deaf_s: s(log.lost.deaf_us),
            fired_t_s: log.fired_us.map(|us| s(us) + first_t_s),
            firings: log.firings,
            free_t_s: log.free_us.map(|us| s(us) + first_t_s),
            release_state: match hardware.release_state() {
                None => "away",
                Some(State::Safe) => "safe",
                Some(State::Arming) => "arming",
                Some(State::Firing) => "firing",
                Some(State::Verifying) => "verifying",
                Some(State::Resting) => "resting",
                Some(State::Free) => "free",
                Some(State::GivenUp) => "given_up",
            },
            release_mah: keeper.map_or(0.0, |k| k.guardian().driver.used_mah()),
            clock_s: clock.map_or([0.0; 2], |c| [s(c.least_us()), s(c.most_us())]),
            clock_faults: clock.map_or(0, |c| c.faults()),
            lost_copies: keeper.map_or(0, Keeper::lost_copies),
            launched: keeper.is_some_and(|k| k.guardian().water.launched),
            decision: hardware.decision(),
        }
    }

    /// For a person.
    pub fn told(&self) -> String {
        let hours = |t_s: f64| format!("{:.2} h", t_s / 3600.0);
        let fired = match (self.fired_t_s, self.free_t_s) {
            (None, _) => "release not fired".to_owned(),
            (Some(t), None) => format!(
                "release first fired at {}, {} times, {:.1} mAh; the link did not part ({})",
                hours(t),
                self.firings,
                self.release_mah,
                self.release_state.replace('_', " ")
            ),
            (Some(t), Some(free)) => format!(
                "release first fired at {}, free at {} ({} firings, {:.1} mAh)",
                hours(t),
                hours(free),
                self.firings,
                self.release_mah
            ),
        };
        format!(
            "{} resets, {:.0} s away, {:.0} s without readings; {fired}",
            self.resets, self.away_s, self.deaf_s
        )
    }
}

/// How long ago the deployment began anew, where it did, microseconds.
pub(crate) fn begun(event: &Event) -> Option<u64> {
    match event {
        Event::Launch(LaunchReport { step: LaunchStep::Begin { ago_us }, .. }) => Some(*ago_us),
        _ => None,
    }
}

fn clock(which: WhichClock) -> usize {
    match which {
        WhichClock::Timer => 0,
        WhichClock::First => 1,
        WhichClock::Second => 2,
    }
}

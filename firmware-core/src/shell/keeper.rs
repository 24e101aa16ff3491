//! The tag with all that keeps it through a reset.
//!
//! [`Keeper`] stands between a firmware's loop and [`Tag`]: it gives the tag the
//! time of the release clock, keeps copies of the state, holds the ceiling
//! whatever the tag's own time says, and fires the release. Two kinds of copy are
//! kept: the vitals (clock, decision, release driver, deck: some 150 bytes) every
//! minute and before anything is fired, and everything every five minutes and after
//! every decision.
//!
//! After a reset [`Keeper::resume`] takes the newest whole copy of each. The tag
//! goes on from its copy; to it the time away is a gap in the record. The
//! vitals' clock says how long that was, least and most.

use embedded_hal::digital::OutputPin;
use embedded_storage::nor_flash::NorFlash;

use crate::config::Config;
use crate::detector::Detector;
use crate::kept::Kept;
use crate::shell::clock::{Clocks, ReleaseClock};
use crate::shell::deck::{Deck, Surroundings};
use crate::shell::firing::{self, Driver, Inputs, Pins, State};
use crate::store::slots::{Region, SlotError, Slots, measure};
use crate::tag::Tag;
use crate::types::{Cause, Event, Fate, Moment, ReleaseDecision, Run, Sink};

const SECOND_US: u64 = 1_000_000;
/// Time by the number of samples after which the clocks are looked at in any case.
const SLOW_US: u64 = 1_500_000;
/// A depth older than this is no longer known.
const DEPTH_FRESH_US: u64 = 60 * SECOND_US;

/// Where the copies lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout {
    /// Copies of everything: slots of 4 KiB, two at least, more where flash wears.
    pub copies: Region,
    /// Vitals: slots of 256 bytes, in at least two parts that are erased apart.
    pub vitals: Region,
}

/// How often, and how long at most.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Time between copies of the vitals, s, 1 to 3600.
    pub vitals_s: u32,
    /// Time between copies of everything, s, 10 to 86 400.
    pub copy_s: u32,
    /// Time away that is assumed after a loss of power of which no clock tells, s.
    pub unseen_s: u32,
    /// The same after a reset by the watchdog, s.
    pub watchdog_s: u32,
    /// How the release is fired.
    pub release: firing::Settings,
}

impl Settings {
    /// The documented defaults.
    pub const DEFAULT: Settings = Settings {
        vitals_s: 60,
        copy_s: 300,
        unseen_s: 3600,
        watchdog_s: 30,
        release: firing::Settings::DEFAULT,
    };

    /// True where all lies within its range.
    pub fn valid(&self) -> bool {
        (1..=3600).contains(&self.vitals_s)
            && (10..=86_400).contains(&self.copy_s)
            && self.unseen_s <= 86_400
            && self.watchdog_s <= 3600
            && self.release.valid()
    }
}

/// What a keeper is made of. The same again after a reset.
#[derive(Clone, Debug)]
pub struct Plan<X: Detector = ()> {
    /// The configuration of the tag.
    pub config: Config,
    /// A detector of one's own at its start.
    pub own: X,
    /// Copies and firing.
    pub settings: Settings,
    /// A number of its own for each deployment, so that no copy of an earlier one is ever
    /// taken up.
    pub deployment: u32,
}

impl Plan {
    /// Without a detector of one's own.
    pub fn new(config: Config, settings: Settings, deployment: u32) -> Self {
        Plan { config, own: (), settings, deployment }
    }
}

/// Why the tag starts anew.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Reset {
    /// Power was gone, or sagged.
    Power,
    /// The watchdog, or the program itself.
    Watchdog,
}

/// What came through a reset.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Resumed {
    /// The detectors go on from a copy; else they start anew.
    pub tag: bool,
    /// The release clock goes on; else all copies were lost, and the time before
    /// is not known.
    pub clock: bool,
    /// Tag time of the copy that the detectors go on from, microseconds.
    pub tag_us: u64,
    /// Time away, microseconds, at least.
    pub away_least_us: u64,
    /// Time away, microseconds, at most.
    pub away_most_us: u64,
}

/// Where copies of the state and the tag's reports go: one flash may serve both.
pub trait Store: Sink {
    /// The flash that holds the copies.
    type Flash: NorFlash;
    /// That flash.
    fn flash(&mut self) -> &mut Self::Flash;
}

/// A flash, and a sink apart from it.
#[derive(Debug)]
pub struct Apart<'a, F, S> {
    /// Holds the copies.
    pub flash: &'a mut F,
    /// Takes the reports.
    pub sink: S,
}

impl<F, S: Sink> Sink for Apart<'_, F, S> {
    fn event(&mut self, event: &Event, moment: &Moment<'_>) {
        self.sink.event(event, moment);
    }
}

impl<F: NorFlash, S: Sink> Store for Apart<'_, F, S> {
    type Flash = F;

    fn flash(&mut self) -> &mut F {
        self.flash
    }
}

/// Hands events on, and notes whether a copy of the state is to follow.
struct Noting<'a, S> {
    store: &'a mut S,
    decided: bool,
}

impl<S: Sink> Sink for Noting<'_, S> {
    fn event(&mut self, event: &Event, moment: &Moment<'_>) {
        self.decided |= match event {
            Event::Fate(_) | Event::Release(_) => true,
            Event::Recovery(report) => report.decided_us.is_some(),
            _ => false,
        };
        self.store.event(event, moment);
    }
}

/// What may not be lost.
#[derive(Clone, Copy, Debug, PartialEq, Kept!)]
struct Vitals {
    clock: ReleaseClock,
    decision: Option<ReleaseDecision>,
    driver: Driver,
    deck: Deck,
    resets: u16,
}

impl Vitals {
    fn new(clocks: &Clocks) -> Self {
        Vitals {
            clock: ReleaseClock::start(clocks),
            decision: None,
            driver: Driver::default(),
            deck: Deck::default(),
            resets: 0,
        }
    }
}

#[derive(Clone, Debug, Kept!)]
struct Whole<X: Detector> {
    vitals: Vitals,
    tag: Tag<X>,
}

/// Makes a tag anew in its place.
#[inline(never)]
fn anew<X: Detector>(tag: &mut Tag<X>, plan: &Plan<X>) {
    *tag = Tag::with(plan.config, plan.own.clone());
}

/// The tag, kept. `X` is a detector of one's own.
#[derive(Clone, Debug)]
pub struct Keeper<X: Detector = ()> {
    whole: Whole<X>,
    copies: Slots,
    vitals: Slots,
    fingerprint: u32,
    settings: Settings,
    floor_us: u64,
    ceiling_us: u64,
    period_us: u32,
    /// Samples since the last look at the clocks.
    samples: u32,
    /// Latest reading of the timer, once there was one.
    timer_us: Option<u64>,
    depth: Option<(f32, u64)>,
    wet: Option<bool>,
    next_vitals_us: u64,
    next_copy_us: u64,
    /// Copies that could not be kept.
    lost_copies: u32,
}

impl<X: Detector> Keeper<X> {
    /// Before anything is kept; [`Keeper::begin`] or [`Keeper::go_on`] comes next. To be
    /// written to its place in memory at once: it is some 4 KiB.
    pub fn new(plan: &Plan<X>) -> Self {
        let config = &plan.config;
        // In place: a tag by itself first would be a second copy of 4 KiB on the stack.
        Keeper {
            whole: Whole {
                vitals: Vitals::new(&Clocks::default()),
                tag: Tag::with(*config, plan.own.clone()),
            },
            copies: Slots::NONE,
            vitals: Slots::NONE,
            // That of the fresh tag comes to it.
            fingerprint: plan.deployment,
            settings: plan.settings,
            floor_us: (config.release().floor_h * 3.6e9) as u64,
            ceiling_us: (config.release().ceiling_h * 3.6e9) as u64,
            period_us: config.sample_us(),
            samples: 0,
            timer_us: None,
            depth: None,
            wet: None,
            next_vitals_us: 0,
            next_copy_us: 0,
            lost_copies: 0,
        }
    }

    /// Begins the deployment.
    ///
    /// # Errors
    /// A region that does not fit the flash.
    #[inline(never)]
    pub fn begin<F: NorFlash>(
        &mut self,
        flash: &mut F,
        layout: &Layout,
        clocks: &Clocks,
    ) -> Result<(), SlotError> {
        self.open(flash, layout, clocks)?;
        self.keep_vitals(flash);
        self.keep_copy(flash);
        Ok(())
    }

    /// Goes on after a reset within the deployment; the settings are those it began with.
    ///
    /// # Errors
    /// A region that does not fit the flash.
    #[inline(never)]
    pub fn go_on<F: NorFlash>(
        &mut self,
        plan: &Plan<X>,
        flash: &mut F,
        layout: &Layout,
        clocks: &Clocks,
        reset: Reset,
    ) -> Result<Resumed, SlotError> {
        self.open(flash, layout, clocks)?;
        let mark = self.fingerprint;
        let mut touched = false;
        let tag = self.copies.load_or_touch(flash, mark, &mut self.whole, &mut touched);
        if touched && !tag {
            // A whole copy that is none of ours, by a chance in some 10^19.
            self.whole.vitals = Vitals::new(clocks);
            anew(&mut self.whole.tag, plan);
        }
        let tag_us = self.now_us();
        let mut vitals = Vitals::new(clocks);
        let clock = self.vitals.load(flash, mark, &mut vitals);
        let older = vitals.clock.most_us() < self.whole.vitals.clock.most_us();
        if clock && !(tag && older) {
            self.whole.vitals = vitals;
        }
        let unseen_s = match reset {
            Reset::Power => self.settings.unseen_s,
            Reset::Watchdog => self.settings.watchdog_s,
        };
        let v = &mut self.whole.vitals;
        let (away_least_us, away_most_us) =
            v.clock.resume(clocks, u64::from(unseen_s).saturating_mul(SECOND_US));
        v.resets = v.resets.saturating_add(1);
        v.deck.resume();
        v.driver.resume(v.clock.most_us(), &self.settings.release);
        self.keep_vitals(flash);
        self.next_copy_us = self.now_us();
        Ok(Resumed { tag, clock: clock || tag, tag_us, away_least_us, away_most_us })
    }

    /// [`Keeper::new`] and [`Keeper::begin`] in one, where memory for a second copy is no matter.
    ///
    /// # Errors
    /// A region that does not fit the flash.
    pub fn start<F: NorFlash>(
        plan: &Plan<X>,
        flash: &mut F,
        layout: &Layout,
        clocks: &Clocks,
    ) -> Result<Self, SlotError> {
        let mut keeper = Self::new(plan);
        keeper.begin(flash, layout, clocks)?;
        Ok(keeper)
    }

    /// [`Keeper::new`] and [`Keeper::go_on`] in one, where memory for a second copy is no matter.
    ///
    /// # Errors
    /// A region that does not fit the flash.
    pub fn resume<F: NorFlash>(
        plan: &Plan<X>,
        flash: &mut F,
        layout: &Layout,
        clocks: &Clocks,
        reset: Reset,
    ) -> Result<(Self, Resumed), SlotError> {
        let mut keeper = Self::new(plan);
        let resumed = keeper.go_on(plan, flash, layout, clocks, reset)?;
        Ok((keeper, resumed))
    }

    /// Opens both regions. The tag is fresh: it holds every setting that counts, so a copy
    /// made with other settings, or by another program, has another fingerprint.
    fn open<F: NorFlash>(
        &mut self,
        flash: &mut F,
        layout: &Layout,
        clocks: &Clocks,
    ) -> Result<(), SlotError> {
        self.copies = Slots::open(flash, layout.copies)?;
        self.vitals = Slots::open(flash, layout.vitals)?;
        self.whole.vitals = Vitals::new(clocks);
        let (_, crc) = measure(&mut self.whole.tag).unwrap_or((0, 0));
        self.fingerprint ^= crc;
        Ok(())
    }

    /// Takes what a FIFO held. Its newest sample belongs to the reading of the timer in
    /// `clocks`, those before it are dated back from there: the time in `run` counts for
    /// nothing. `wet`: in water by the wet sensor, where a reading arrived. Gives the tag's
    /// time of the newest sample, microseconds, by the release clock.
    pub fn feed<S: Store, A: OutputPin, B: OutputPin>(
        &mut self,
        run: &Run,
        wet: Option<bool>,
        clocks: &Clocks,
        store: &mut S,
        pins: &mut Pins<A, B>,
    ) -> u64 {
        let count = run.accel_g.len();
        self.samples = self.samples.saturating_add(count as u32);
        let stands = self.timer_us.is_some_and(|last_us| clocks.timer_us <= last_us);
        self.timer_us = Some(clocks.timer_us);
        let timer_us = clocks.timer_us.wrapping_sub(self.whole.vitals.clock.timer_us());
        // A timer that stands still must not stop the looks at the other clocks.
        let look = timer_us >= SECOND_US || self.sampled_us() >= SLOW_US;
        let since_us = if look {
            self.look(clocks);
            0
        } else if stands {
            self.sampled_us()
        } else {
            timer_us
        };
        let newest_us = self.now_us().saturating_add(since_us);
        if let Some(depth_m) = run.depth_m {
            self.depth = depth_m.is_finite().then_some((depth_m, newest_us));
        }
        self.wet = wet;
        if look {
            self.copy_where_due(store.flash());
        }
        let before = u64::from(run.period_us).saturating_mul(count.saturating_sub(1) as u64);
        let run = Run { t_us: newest_us.saturating_sub(before), ..*run };
        let mut noting = Noting { store, decided: false };
        self.whole.tag.feed(&run, &mut noting);
        self.note(noting.decided);
        if look {
            self.second(store, pins);
        }
        newest_us
    }

    /// For a tag whose accelerometer gives nothing: keeps everything else going.
    /// Call it once a second while no samples come.
    pub fn idle<S: Store, A: OutputPin, B: OutputPin>(
        &mut self,
        wet: Option<bool>,
        clocks: &Clocks,
        store: &mut S,
        pins: &mut Pins<A, B>,
    ) {
        self.look(clocks);
        self.wet = wet;
        self.copy_where_due(store.flash());
        let mut noting = Noting { store, decided: false };
        let now_us = self.now_us();
        self.whole.tag.tick(now_us, &mut noting);
        self.note(noting.decided);
        self.second(store, pins);
    }

    /// What was decided is not to be decided again after a reset: a copy is due.
    fn note(&mut self, decided: bool) {
        if decided {
            self.next_copy_us = 0;
        }
    }

    fn look(&mut self, clocks: &Clocks) {
        let unseen_us = self.sampled_us();
        self.whole.vitals.clock.tick(clocks, unseen_us);
        self.timer_us = Some(clocks.timer_us);
        self.samples = 0;
    }

    /// Time since the last look by the number of samples.
    fn sampled_us(&self) -> u64 {
        u64::from(self.samples).saturating_mul(u64::from(self.period_us))
    }

    /// Once a second: deck, decision, release, copies. Reports the ceiling's decision where
    /// the tag itself has not made it.
    fn second<S: Store, A: OutputPin, B: OutputPin>(
        &mut self,
        store: &mut S,
        pins: &mut Pins<A, B>,
    ) {
        let now_us = self.now_us();
        let Whole { vitals, tag } = &mut self.whole;
        let fresh = |t_us: u64| now_us.saturating_sub(t_us) <= DEPTH_FRESH_US;
        let depth_m = self.depth.filter(|(_, t_us)| fresh(*t_us)).map(|(d, _)| d);
        let swam = tag.fate() == Fate::Alive;
        let mut changed = vitals.deck.step(now_us, &Surroundings { wet: self.wet, depth_m, swam });
        let last_call = now_us >= self.ceiling_us;
        if vitals.decision.is_none() {
            vitals.decision = tag.release();
            if vitals.decision.is_none() && last_call {
                let own = ReleaseDecision {
                    t_us: now_us,
                    cause: Cause::Ceiling,
                    since_us: self.ceiling_us,
                    value: now_us as f32 / 3.6e9,
                    bound: self.ceiling_us as f32 / 3.6e9,
                };
                vitals.decision = Some(own);
                let (fate, faults) = (tag.fate(), tag.faults());
                store.event(&Event::Release(own), &Moment { now_us, taken: 0, fate, faults });
            }
            changed |= vitals.decision.is_some();
        }
        let floor = vitals.clock.least_us() >= self.floor_us || last_call;
        let inputs = Inputs {
            now_us,
            called: vitals.decision.is_some(),
            clear: floor && !vitals.deck.holds(last_call),
            depth_m,
            wet: self.wet,
        };
        changed |= vitals.driver.step(&inputs, &self.settings.release);
        if changed || now_us >= self.next_vitals_us {
            // Before anything is fired.
            self.keep_vitals(store.flash());
        }
        self.whole.vitals.driver.drive(pins);
    }

    /// Keeps a copy of everything where that is due: before the tag takes a sample, so
    /// that whoever records what a step brought to light before the next step never
    /// has a copy that knows of something unrecorded.
    fn copy_where_due<F: NorFlash>(&mut self, flash: &mut F) {
        if self.now_us() >= self.next_copy_us {
            self.keep_copy(flash);
        }
    }

    fn keep_vitals<F: NorFlash>(&mut self, flash: &mut F) {
        let every_us = u64::from(self.settings.vitals_s).saturating_mul(SECOND_US);
        self.next_vitals_us = self.now_us().saturating_add(every_us);
        let kept = self.vitals.save(flash, self.fingerprint, &mut self.whole.vitals);
        self.lost_copies = self.lost_copies.saturating_add(u32::from(kept.is_err()));
    }

    fn keep_copy<F: NorFlash>(&mut self, flash: &mut F) {
        let every_us = u64::from(self.settings.copy_s).saturating_mul(SECOND_US);
        self.next_copy_us = self.now_us().saturating_add(every_us);
        let kept = self.copies.save(flash, self.fingerprint, &mut self.whole);
        self.lost_copies = self.lost_copies.saturating_add(u32::from(kept.is_err()));
    }

    /// Tag time: the most that can have passed since the start, microseconds.
    pub fn now_us(&self) -> u64 {
        self.whole.vitals.clock.most_us()
    }

    /// The release clock.
    pub fn clock(&self) -> &ReleaseClock {
        &self.whole.vitals.clock
    }

    /// The tag.
    pub fn tag(&self) -> &Tag<X> {
        &self.whole.tag
    }

    /// After the last sample: as [`Tag::flush`].
    pub fn flush<S: Sink>(&mut self, sink: &mut S) {
        self.whole.tag.flush(sink);
    }

    /// The decision to let go, once made.
    pub fn decision(&self) -> Option<&ReleaseDecision> {
        self.whole.vitals.decision.as_ref()
    }

    /// The release driver.
    pub fn driver(&self) -> &Driver {
        &self.whole.vitals.driver
    }

    /// The tag came free.
    pub fn free(&self) -> bool {
        self.driver().state() == State::Free
    }

    /// Water or deck.
    pub fn deck(&self) -> &Deck {
        &self.whole.vitals.deck
    }

    /// Resets so far.
    pub fn resets(&self) -> u16 {
        self.whole.vitals.resets
    }

    /// Copies that could not be kept since the last reset.
    pub fn lost_copies(&self) -> u32 {
        self.lost_copies
    }
}

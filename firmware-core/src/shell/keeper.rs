//! The tag with all that keeps it through a reset.
//!
//! [`Keeper`] stands between a firmware's loop, [`Tag`] and [`Guardian`]: it gives the tag the
//! time of the release clock, the guardian the tag's decision, and keeps copies of the state. Two
//! kinds are kept: the guardian (clock, decision, release driver, water: some 200 bytes) every
//! minute and before anything is fired, and everything every five minutes and after
//! every decision. A reset by itself writes nothing: copies go by their age.
//!
//! The loop: [`Keeper::feed`] with what a FIFO held, or [`Keeper::idle`] where nothing comes; and
//! [`Keeper::poll`] once the alarm of [`Keeper::alarm_us`] comes, which is when a pulse ends. While
//! [`Guardian::calls`], it wants depth and wet sensor read for each poll.
//!
//! After a reset [`Keeper::go_on`] takes the newest whole copy of each. The tag
//! goes on from its copy; to it the time away is a gap in the record. The
//! guardian's clock says how long that was, least and most.

use embedded_hal::digital::OutputPin;
use embedded_storage::nor_flash::NorFlash;

use crate::config::Config;
use crate::detector::Detector;
use crate::kept::Kept;
use crate::program::PROGRAM;
use crate::shell::clock::Clocks;
use crate::shell::firing::{self, Pins};
use crate::shell::guardian::{Guardian, Rules};
use crate::shell::launch::Launch;
use crate::shell::water::Surroundings;
use crate::store::record::Identity;
use crate::store::slots::{Region, SlotError, Slots, measure};
use crate::tag::Tag;
use crate::types::{Event, Fate, LaunchStep, Moment, Run, Sink};

const SECOND_US: u64 = 1_000_000;
/// Time after which samples bring a look at the clocks, and the same by the number of samples.
const LOOK_US: u64 = 2 * SECOND_US;
const SLOW_US: u64 = 3 * SECOND_US;

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
    /// The program, [`PROGRAM`]: no copy of another is ever taken up, whose numbers
    /// may mean something else.
    pub program: u32,
}

impl<X: Detector> Plan<X> {
    /// Who records: the firmware's own version, and the serial number of the tag.
    pub fn identity(&self, firmware: u32, serial: u32) -> Identity {
        let mut tag = Tag::with(self.config, self.own.clone());
        let (_, settings) = measure(&mut tag).unwrap_or((0, 0));
        let Plan { program, deployment, .. } = *self;
        Identity { firmware, program, settings, serial, deployment }
    }
}

impl Plan {
    /// Without a detector of one's own.
    pub fn new(config: Config, settings: Settings, deployment: u32) -> Self {
        Plan { config, own: (), settings, deployment, program: PROGRAM }
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
    /// Tag time of the newest sample in the copy that the detectors go on from, microseconds.
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

#[derive(Clone, Debug, Kept!)]
struct Whole<X: Detector> {
    guardian: Guardian,
    tag: Tag<X>,
    launch: Launch,
    /// Time from switching on to the start of the release clock, microseconds.
    zero_us: u64,
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
    plan: Plan<X>,
    rules: Rules,
    period_us: u32,
    /// Samples since the last look at the clocks.
    samples: u32,
    /// Reading of the timer with the latest samples, once there were some.
    timer_us: Option<u64>,
    /// Depth of the latest run, and the tag's time of it; what the wet sensor read last. Since the
    /// latest poll.
    depth: Option<(f32, u64)>,
    wet: Option<bool>,
    /// Time to the next poll, until it is asked for.
    alarm_us: Option<u64>,
    /// Tag time at which copies are due.
    next_vitals_us: u64,
    next_copy_us: u64,
    /// What the latest copy knows decided: it is not to be decided again after a reset.
    decided: (Fate, bool, bool),
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
                guardian: Guardian::new(&Clocks::default()),
                tag: Tag::with(*config, plan.own.clone()),
                launch: Launch::new(config.logger().mount_deg),
                zero_us: 0,
            },
            plan: plan.clone(),
            copies: Slots::NONE,
            vitals: Slots::NONE,
            // That of the fresh tag comes to it.
            fingerprint: plan.deployment ^ plan.program,
            rules: Rules {
                floor_us: (config.release().floor_h * 3.6e9) as u64,
                ceiling_us: (config.release().ceiling_h * 3.6e9) as u64,
                release: plan.settings.release,
            },
            period_us: config.sample_us(),
            samples: 0,
            timer_us: None,
            depth: None,
            wet: None,
            alarm_us: None,
            next_vitals_us: 0,
            next_copy_us: 0,
            decided: (Fate::Undetermined, false, false),
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
            self.whole.guardian = Guardian::new(clocks);
            self.whole.launch = Launch::new(self.plan.config.logger().mount_deg);
            self.whole.zero_us = 0;
            anew(&mut self.whole.tag, &self.plan);
        }
        let copy_us = self.due_us(self.plan.settings.copy_s);
        let mut guardian = Guardian::new(clocks);
        let clock = self.vitals.load(flash, mark, &mut guardian);
        let begun = guardian.begun.saturating_sub(self.whole.guardian.begun);
        let older = guardian.clock.most_us() < self.whole.guardian.clock.most_us();
        if clock && !(tag && older && begun == 0) {
            self.whole.guardian = guardian;
        }
        let tag = tag && !(clock && begun > 0);
        if !tag {
            // The copy is of what was before the deployment began.
            self.whole.launch = Launch::new(self.plan.config.logger().mount_deg);
            self.whole.zero_us = 0;
            anew(&mut self.whole.tag, &self.plan);
        }
        let tag_us = self.whole.tag.now_us();
        self.decided = self.whole.tag.decided();
        self.next_copy_us = if tag { copy_us } else { 0 };
        self.next_vitals_us = if clock { self.due_us(self.plan.settings.vitals_s) } else { 0 };
        let unseen_s = match reset {
            Reset::Power => self.plan.settings.unseen_s,
            Reset::Watchdog => self.plan.settings.watchdog_s,
        };
        let unseen_us = u64::from(unseen_s).saturating_mul(SECOND_US);
        let (away_least_us, away_most_us, keep) =
            self.whole.guardian.resume(clocks, unseen_us, &self.rules);
        if away_least_us == 0 && away_most_us == unseen_us {
            // No clock told: what is allowed for makes no copy old.
            self.next_vitals_us = self.next_vitals_us.saturating_add(unseen_us);
            self.next_copy_us = self.next_copy_us.saturating_add(unseen_us);
        }
        if keep {
            self.keep_vitals(flash);
        }
        Ok(Resumed { tag, clock: clock || tag, tag_us, away_least_us, away_most_us })
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
        self.whole.guardian = Guardian::new(clocks);
        let (_, crc) = measure(&mut self.whole.tag).unwrap_or((0, 0));
        self.fingerprint ^= crc;
        Ok(())
    }

    /// Takes what a FIFO held. Its newest sample belongs to the reading of the timer in
    /// `clocks`, those before it are dated back from there: the time in `run` counts for
    /// nothing. Gives the tag's time of the newest sample, microseconds, by the release clock.
    /// Polls where that is due by the samples; `wet`: in water by the wet sensor, where it was
    /// read now.
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
        let timer_us = clocks.timer_us.wrapping_sub(self.whole.guardian.clock.timer_us());
        // A timer that stands still must not stop the looks at the other clocks.
        let look = timer_us >= LOOK_US || self.sampled_us() >= SLOW_US;
        if look {
            self.look(clocks);
        }
        let since_us = if stands { self.sampled_us() } else { timer_us };
        let since_us = if look { 0 } else { since_us };
        let newest_us = self.now_us().saturating_add(since_us);
        let before = u64::from(run.period_us).saturating_mul(count.saturating_sub(1) as u64);
        let run = Run { t_us: newest_us.saturating_sub(before), ..*run };
        if let Some(depth_m) = run.depth_m {
            self.depth = Some((depth_m, run.t_us));
        }
        let run = Run { t_us: self.launch(&run, wet, clocks, store), ..run };
        self.copy_where_due(store.flash());
        self.whole.tag.feed(&run, store);
        self.wet = wet.or(self.wet);
        if look {
            self.watch(None, store, pins);
        }
        run.later_us(run.t_us, count.saturating_sub(1))
    }

    /// Finds launch and end. Where the deployment begins anew, all of `run` is of it; gives the time
    /// of its first sample, microseconds, which counts from then.
    fn launch<S: Store>(
        &mut self,
        run: &Run,
        wet: Option<bool>,
        clocks: &Clocks,
        store: &mut S,
    ) -> u64 {
        let seen = Run { t_us: run.t_us.saturating_add(self.whole.zero_us), ..*run };
        let Some(step) = self.whole.launch.take(&seen, wet) else { return run.t_us };
        let count = run.accel_g.len().saturating_sub(1);
        let long_us = run.later_us(0, count);
        let t_us = if let LaunchStep::Begin { ago_us } = step {
            let ago_us = ago_us.max(long_us);
            self.begin_anew(run.t_us.saturating_add(long_us), ago_us, clocks);
            ago_us.saturating_sub(long_us)
        } else {
            run.t_us
        };
        self.tell(step, store);
        t_us
    }

    /// The deployment began `ago_us` before `now_us`, the time that counted until now.
    #[inline(never)]
    fn begin_anew(&mut self, now_us: u64, ago_us: u64, clocks: &Clocks) {
        let Whole { guardian, tag, zero_us, .. } = &mut self.whole;
        *zero_us = zero_us.saturating_add(now_us).saturating_sub(ago_us);
        anew(tag, &self.plan);
        guardian.launch(clocks, ago_us);
        // Nothing is due: who is handled for hours writes no copies.
        self.decided = tag.decided();
        (self.samples, self.depth) = (0, None);
        self.next_vitals_us = self.due_us(self.plan.settings.vitals_s);
        self.next_copy_us = self.due_us(self.plan.settings.copy_s);
    }

    #[inline(never)]
    fn tell<S: Store>(&mut self, step: LaunchStep, store: &mut S) {
        if matches!(step, LaunchStep::Launched(_)) {
            // A reset from now on goes on from here.
            self.next_copy_us = 0;
        }
        let Whole { guardian, tag, launch, zero_us } = &self.whole;
        let t_us = guardian.clock.most_us();
        let report = launch.report(step, t_us, t_us.saturating_add(*zero_us));
        let (fate, faults) = (tag.fate(), tag.faults());
        store.event(&Event::Launch(report), &Moment { now_us: t_us, taken: 0, fate, faults });
    }

    /// For a tag whose accelerometer gives nothing, or whose sensors sleep: keeps everything else
    /// going. Call it once a second while no samples come, or by [`Keeper::alarm_us`].
    pub fn idle<S: Store, A: OutputPin, B: OutputPin>(
        &mut self,
        depth_m: Option<f32>,
        wet: Option<bool>,
        clocks: &Clocks,
        store: &mut S,
        pins: &mut Pins<A, B>,
    ) {
        self.look(clocks);
        let sensed = Run { depth_m, ..Run::accel(self.now_us(), self.period_us, &[]) };
        self.launch(&sensed, wet, clocks, store);
        self.copy_where_due(store.flash());
        self.whole.tag.tick(self.whole.guardian.clock.most_us(), store);
        self.poll(depth_m, wet, clocks, store, pins);
    }

    fn look(&mut self, clocks: &Clocks) {
        let unseen_us = self.sampled_us();
        self.whole.guardian.clock.tick(clocks, unseen_us);
        self.samples = 0;
    }

    /// Time since the last look by the number of samples.
    fn sampled_us(&self) -> u64 {
        u64::from(self.samples).saturating_mul(u64::from(self.period_us))
    }

    /// Clocks, water, release, copies, with what depth and wet sensor read now. Reports the
    /// ceiling's decision where the tag itself has not made it.
    pub fn poll<S: Store, A: OutputPin, B: OutputPin>(
        &mut self,
        depth_m: Option<f32>,
        wet: Option<bool>,
        clocks: &Clocks,
        store: &mut S,
        pins: &mut Pins<A, B>,
    ) {
        self.look(clocks);
        self.wet = wet.or(self.wet);
        self.watch(depth_m, store, pins);
    }

    /// Water, release and copies, at the time that the clocks were looked at.
    #[inline(never)]
    fn watch<S: Store, A: OutputPin, B: OutputPin>(
        &mut self,
        depth_m: Option<f32>,
        store: &mut S,
        pins: &mut Pins<A, B>,
    ) {
        let now_us = self.now_us();
        let run = self.depth.take().map(|(m, at_us)| (m, now_us.saturating_sub(at_us)));
        let (depth_m, depth_age_us) = depth_m.map(|m| (m, 0)).or(run).unzip();
        let Whole { guardian, tag, .. } = &mut self.whole;
        let s = Surroundings {
            wet: self.wet.take(),
            depth_m,
            depth_age_us: depth_age_us.unwrap_or(0),
            swam: tag.fate() == Fate::Alive,
        };
        let actions = guardian.poll(&self.rules, &s, tag.release());
        self.alarm_us = Some(actions.poll_in_us);
        if let Some(own) = actions.ceiling {
            let (fate, faults) = (tag.fate(), tag.faults());
            let moment = Moment { now_us: own.t_us, taken: 0, fate, faults };
            store.event(&Event::Release(own), &moment);
        }
        if actions.keep || self.now_us() >= self.next_vitals_us {
            // Before anything is fired.
            self.keep_vitals(store.flash());
        }
        self.whole.guardian.driver.drive(pins);
    }

    /// Keeps a copy of everything where that is due: before the tag takes a sample, so
    /// that whoever records what a step brought to light before the next step never
    /// has a copy that knows of something unrecorded.
    fn copy_where_due<F: NorFlash>(&mut self, flash: &mut F) {
        if self.now_us() >= self.next_copy_us || self.whole.tag.decided() != self.decided {
            self.keep_copy(flash);
        }
    }

    /// The tag's time in so many seconds.
    fn due_us(&self, every_s: u32) -> u64 {
        self.now_us().saturating_add(u64::from(every_s).saturating_mul(SECOND_US))
    }

    fn keep_vitals<F: NorFlash>(&mut self, flash: &mut F) {
        self.next_vitals_us = self.due_us(self.plan.settings.vitals_s);
        let kept = self.vitals.save(flash, self.fingerprint, &mut self.whole.guardian);
        self.lost_copies = self.lost_copies.saturating_add(u32::from(kept.is_err()));
    }

    fn keep_copy<F: NorFlash>(&mut self, flash: &mut F) {
        self.decided = self.whole.tag.decided();
        self.next_copy_us = self.due_us(self.plan.settings.copy_s);
        let kept = self.copies.save(flash, self.fingerprint, &mut self.whole);
        self.lost_copies = self.lost_copies.saturating_add(u32::from(kept.is_err()));
    }

    /// Tag time: the most that can have passed since the start, microseconds.
    pub fn now_us(&self) -> u64 {
        self.whole.guardian.clock.most_us()
    }

    /// Clocks, decision, water and release.
    pub fn guardian(&self) -> &Guardian {
        &self.whole.guardian
    }

    /// Launch and end.
    pub fn launch_state(&self) -> &Launch {
        &self.whole.launch
    }

    /// Time from switching on to the start of the release clock, microseconds.
    pub fn zero_us(&self) -> u64 {
        self.whole.zero_us
    }

    /// The tag.
    pub fn tag(&self) -> &Tag<X> {
        &self.whole.tag
    }

    /// After the last sample: as [`Tag::flush`].
    pub fn flush<S: Sink>(&mut self, sink: &mut S) {
        self.whole.tag.flush(sink);
    }

    /// To be asked after every call: the time after which to call [`Keeper::poll`], microseconds,
    /// where that is another than the last. For a one-shot alarm.
    pub fn alarm_us(&mut self) -> Option<u64> {
        self.alarm_us.take()
    }

    /// Copies that could not be kept since the last reset.
    pub fn lost_copies(&self) -> u32 {
        self.lost_copies
    }
}

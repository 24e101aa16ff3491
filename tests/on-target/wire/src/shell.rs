//! The deployed path: the tag as a firmware on a tag calls it, with copies of its state,
//! clocks and release (`Keeper`), log and journal in one flash. [`Running::feed`] takes
//! what a FIFO held.

use core::mem::MaybeUninit;

use embedded_hal::digital::OutputPin;
use embedded_storage::nor_flash::NorFlash;
use firmware_core::config::Config;
use firmware_core::message::checks;
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::firing::{Pins, State};
use firmware_core::shell::keeper::{Keeper, Layout, Plan, Reset, Settings, Store};
use firmware_core::store::journal::Journal;
use firmware_core::store::log::Log;
use firmware_core::store::record::{ResetEvent, StartEvent};
use firmware_core::store::slots::Region;
use firmware_core::types::{Event, Moment, Run, Sink};

/// Number of the deployment in messages.
const NUMBER: u8 = 9;

/// Takes nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Deaf;

impl Sink for Deaf {
    #[inline(always)]
    fn event(&mut self, _: &Event, _: &Moment<'_>) {}
}

/// What a deployment is made of.
#[derive(Clone, Debug)]
pub struct Setup {
    /// What the keeper is made of.
    pub plan: Plan,
    /// Where the keeper's copies lie.
    pub layout: Layout,
    /// Where the journal's copies lie.
    pub told: Region,
    /// The log lies from 0 to here, bytes.
    pub log_bytes: u32,
}

impl Setup {
    /// With a number of its own.
    pub fn new(config: Config, settings: Settings, layout: Layout, told: Region) -> Self {
        let log_bytes = layout.copies.from;
        Setup { plan: Plan::new(config, settings, 4711), layout, told, log_bytes }
    }
}

/// Places of all state of the tag that is not a sensor's.
pub struct Places<F> {
    keeper: MaybeUninit<Keeper>,
    journal: MaybeUninit<Journal>,
    log: MaybeUninit<Log<F>>,
}

impl<F> Places<F> {
    /// Empty places.
    pub const fn new() -> Self {
        Places {
            keeper: MaybeUninit::uninit(),
            journal: MaybeUninit::uninit(),
            log: MaybeUninit::uninit(),
        }
    }

    /// The tag in places that were filled.
    ///
    /// # Safety
    /// [`start`] or [`resume`] filled these places, or their bytes were read back from where
    /// the bytes of such were kept by the very same program.
    pub unsafe fn running<T>(&mut self, tap: T) -> Running<'_, F, T> {
        // SAFETY: promised by the caller.
        let (keeper, journal, log) = unsafe {
            (
                self.keeper.assume_init_mut(),
                self.journal.assume_init_mut(),
                self.log.assume_init_mut(),
            )
        };
        Running { keeper, books: Books { journal, log, tap, unkept: 0 } }
    }
}

impl<F> Default for Places<F> {
    fn default() -> Self {
        Self::new()
    }
}

/// Log and journal: they take the tag's reports, and their flash holds the copies. `tap`
/// hears the reports too.
pub struct Books<'a, F, T> {
    /// Recorder and satellite summary.
    pub journal: &'a mut Journal,
    /// The log, which owns the flash.
    pub log: &'a mut Log<F>,
    /// Hears every report first.
    pub tap: T,
    /// Reports that the log did not keep.
    pub unkept: u32,
}

impl<F: NorFlash, T: Sink> Sink for Books<'_, F, T> {
    fn event(&mut self, event: &Event, moment: &Moment<'_>) {
        self.tap.event(event, moment);
        let kept = self.journal.take(event, moment, self.log).is_ok();
        self.unkept = self.unkept.wrapping_add(u32::from(!kept));
    }
}

impl<F: NorFlash, T: Sink> Store for Books<'_, F, T> {
    type Flash = F;

    fn flash(&mut self) -> &mut F {
        self.log.flash()
    }
}

/// The tag while it runs.
pub struct Running<'a, F, T> {
    /// Tag, clocks, copies and release.
    pub keeper: &'a mut Keeper,
    /// Log and journal.
    pub books: Books<'a, F, T>,
}

impl<F: NorFlash, T: Sink> Running<'_, F, T> {
    /// What a firmware does with what the FIFO held.
    pub fn feed<A: OutputPin, B: OutputPin>(
        &mut self,
        run: &Run,
        wet: Option<bool>,
        clocks: &Clocks,
        pins: &mut Pins<A, B>,
    ) {
        if let Some(left) = run.cell_left {
            self.books.journal.cell(left);
        }
        self.keeper.feed(run, wet, clocks, &mut self.books, pins);
        if self.keeper.guardian().driver.state() == State::Free {
            self.books.journal.check(checks::RELEASE_VERIFIED);
        }
    }
}

/// Builds the keeper in its place.
pub fn build<F>(places: &mut Places<F>, setup: &Setup) {
    build_at(&mut places.keeper, &setup.plan);
}

#[inline(never)]
fn build_at(place: &mut MaybeUninit<Keeper>, plan: &Plan) {
    // Nothing is made of what this gives: so it is written to its place at once.
    place.write(Keeper::new(plan));
}

/// Begins the deployment; [`build`] came before. `None`: the flash does not fit.
#[inline(never)]
pub fn start<'a, F: NorFlash, T>(
    flash: F,
    setup: &Setup,
    clocks: &Clocks,
    places: &'a mut Places<F>,
    tap: T,
) -> Option<Running<'a, F, T>> {
    let log = places.log.write(Log::open(flash, 0, setup.log_bytes).ok()?);
    // SAFETY: [`build`] came before.
    let keeper = unsafe { places.keeper.assume_init_mut() };
    keeper.begin(log.flash(), &setup.layout, clocks).ok()?;
    log.format().ok()?;
    open_journal(setup, log, &mut places.journal)?;
    // SAFETY: all three were filled just now.
    Some(unsafe { places.running(tap) })
}

/// The journal of a deployment that begins, in its place.
#[inline(never)]
fn open_journal<F: NorFlash>(
    setup: &Setup,
    log: &mut Log<F>,
    place: &mut MaybeUninit<Journal>,
) -> Option<()> {
    let config = &setup.plan.config;
    let event = StartEvent {
        deployment: NUMBER,
        start_unix_s: None,
        sample_hz: config.logger().sample_hz,
        floor_h: config.release().floor_h,
        ceiling_h: config.release().ceiling_h,
    };
    match Journal::start(setup.plan.deployment, &event, log, setup.told) {
        Ok(journal) => place.write(journal),
        Err(_) => return None,
    };
    Some(())
}

/// Continues after a reset; [`build`] came before. `None`: the flash does not fit.
#[inline(never)]
pub fn resume<'a, F: NorFlash, T>(
    flash: F,
    setup: &Setup,
    clocks: &Clocks,
    places: &'a mut Places<F>,
    tap: T,
) -> Option<Running<'a, F, T>> {
    let log = places.log.write(Log::open(flash, 0, setup.log_bytes).ok()?);
    // SAFETY: [`build`] came before.
    let keeper = unsafe { places.keeper.assume_init_mut() };
    let resumed = keeper.go_on(log.flash(), &setup.layout, clocks, Reset::Power).ok()?;
    let sure = resumed.away_least_us == resumed.away_most_us;
    let event = ResetEvent {
        t_us: keeper.now_us(),
        out_us: sure.then_some(resumed.away_most_us),
        count: keeper.guardian().resets,
        reason: 0,
    };
    resume_journal(setup, keeper, &event, log, &mut places.journal)?;
    // SAFETY: all three were filled just now.
    Some(unsafe { places.running(tap) })
}

/// The journal of a deployment that continues, in its place.
#[inline(never)]
fn resume_journal<F: NorFlash>(
    setup: &Setup,
    keeper: &Keeper,
    event: &ResetEvent,
    log: &mut Log<F>,
    place: &mut MaybeUninit<Journal>,
) -> Option<()> {
    let (faults, decision) = (keeper.tag().faults(), keeper.guardian().decision.as_ref());
    let (number, told) = (setup.plan.deployment, setup.told);
    match Journal::resume(number, NUMBER, log, told, event, decision, faults) {
        Ok((journal, _)) => place.write(journal),
        Err(_) => return None,
    };
    Some(())
}

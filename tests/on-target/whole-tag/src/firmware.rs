//! The firmware, from top to bottom: it waits to be armed, checks itself, deploys, and continues a
//! deployment after any reset; it sleeps between watermarks of the accelerometer, fires the
//! release, acts as a beacon once it is free, and hands its log over when it was found.
//!
//! The light: one long flash, all is well; n short ones, three times, [`Fault`] number n.

use embedded_hal::digital::OutputPin;
use embedded_storage::nor_flash::NorFlash;
use firmware_core::drivers::bma400::{Bma400, I2CInterface, Range, Rate};
use firmware_core::drivers::depth::depth_m;
use firmware_core::drivers::ms5837::Ms5837;
use firmware_core::drivers::{Accelerometer, Progress, Watermark};
use firmware_core::message::checks::RELEASE_VERIFIED;
use firmware_core::shell::firing::{Pins, State};
use firmware_core::shell::keeper::{Keeper, Plan, Reset};
use firmware_core::store::boot::{Boot, boot};
use firmware_core::store::journal::Journal;
use firmware_core::store::log::Log;
use firmware_core::store::record::{EndEvent, ResetEvent, StartEvent};
use firmware_core::types::Run;

use crate::board::{Board, Parts, Probe, Switch, dated};
use crate::checks::{self, Fault};
use crate::setup::{Books, Deployment, JOURNAL, LAYOUT, LOG_BYTES};
use crate::{frames, shelf};

/// Samples that bring the accelerometer's interrupt: every 4 s at 25 Hz.
pub const SAMPLES: u16 = 100;
const MARK: Watermark = Watermark { samples: SAMPLES, period_us: 40_000 };
/// Microseconds.
pub const SECOND_US: u64 = 1_000_000;
/// Where no interrupt came for so long, the FIFO is emptied all the same: it holds 5.84 s.
pub const WAIT_US: u64 = 5 * SECOND_US;
/// From one message to the next, and from one homing pulse to the next.
const MESSAGE_US: u64 = 120 * SECOND_US;
const PULSE_US: u64 = 8 * SECOND_US;
/// Pressure of the air, mbar.
const AIR_MBAR: f32 = 1013.25;
/// Looks at the magnet that end the deployment, one a turn.
const FOUND: u8 = 4;
/// Full and empty cell, mV.
const CELL_MV: [f32; 2] = [3600.0, 3000.0];

/// Runs from boot until the log was handed over, or a part that nothing works without is broken.
pub fn run<B: Board>(board: &mut B, parts: Parts<B>, deployment: &Deployment) {
    let mut tag = Tag::new(board, parts.pins, deployment.latitude_deg);
    let opened = Log::open(parts.flash, 0, LOG_BYTES).ok();
    let (Some(plan), Some(mut log)) = (deployment.plan(), opened) else {
        return shelf::show(&mut tag, Fault::Flash as u8);
    };
    let mut keeper = Keeper::new(&plan);
    let mut journal = under_way(&mut tag, &mut keeper, &plan, &mut log);
    while journal.is_none() {
        shelf::wait_until_armed(&mut tag);
        let checked = checks::all(&mut tag);
        if checked.is_ok() {
            keeper = Keeper::new(&plan);
            journal = begin(&mut tag, &mut keeper, deployment, &mut log);
        }
        let fault = journal.is_none().then(|| checked.err().unwrap_or(Fault::Flash));
        shelf::show(&mut tag, fault.map_or(0, |fault| fault as u8));
    }
    let Some(journal) = journal else { return };
    let mut books = Books { journal, log };
    tag.started();
    while tag.found < FOUND {
        tag.turn(&mut keeper, &mut books);
        tag.beacon(&keeper, &mut books);
        tag.board.alive();
    }
    keeper.flush(&mut books);
    // What cannot be kept is counted, and in the messages.
    let _ = books.journal.finish(keeper.tag().faults(), &mut books.log);
    frames::download(tag.board, books.log.flash(), LOG_BYTES);
    let _ = books.journal.end(&EndEvent { t_us: keeper.now_us(), reason: 0 }, &mut books.log);
}

/// The deployment that a reset broke into, if there is one: by the log alone, whatever copies are left.
fn under_way<B: Board>(
    tag: &mut Tag<'_, B>,
    keeper: &mut Keeper,
    plan: &Plan,
    log: &mut Log<B::Flash>,
) -> Option<Journal> {
    let (clocks, reset) = (tag.board.clocks(), tag.board.reset());
    if boot(log) != Boot::UnderWay {
        return None;
    }
    let resumed = keeper.go_on(log.flash(), &LAYOUT, &clocks, reset).ok()?;
    let sure = resumed.away_least_us == resumed.away_most_us;
    let event = ResetEvent {
        t_us: keeper.now_us(),
        out_us: sure.then_some(resumed.away_most_us),
        count: keeper.guardian().resets,
        reason: u8::from(reset == Reset::Watchdog),
    };
    let (faults, decision) = (keeper.tag().faults(), keeper.guardian().decision.as_ref());
    let number = plan.deployment;
    let journal = Journal::resume(number, number as u8, log, JOURNAL, &event, decision, faults);
    Some(journal.ok()?.0)
}

/// Begins a deployment: the log of the previous one is gone.
fn begin<B: Board>(
    tag: &mut Tag<'_, B>,
    keeper: &mut Keeper,
    deployment: &Deployment,
    log: &mut Log<B::Flash>,
) -> Option<Journal> {
    let Deployment { number, floor_h, ceiling_h, .. } = *deployment;
    log.format().ok()?;
    let start =
        StartEvent { deployment: number, start_unix_s: None, sample_hz: 25.0, floor_h, ceiling_h };
    keeper.begin(log.flash(), &LAYOUT, &tag.board.clocks()).ok()?;
    // Last: from now on a reset finds the deployment under way.
    Journal::start(number.into(), &start, log, JOURNAL).ok()
}

/// Times of the timer, microseconds.
#[derive(Default)]
struct Due {
    /// The FIFO is emptied, though no interrupt came.
    drain_us: u64,
    /// The keeper is polled.
    poll_us: u64,
    /// The pressure sensor is ready.
    ready_us: Option<u64>,
    message_us: u64,
    pulse_us: u64,
    /// The timer as the keeper knows it.
    told_us: u64,
}

type Accel<B> = Bma400<I2CInterface<<B as Board>::Bus>>;

/// The hardware, and what is to be done with it next.
pub struct Tag<'a, B: Board> {
    /// The board.
    pub board: &'a mut B,
    /// The accelerometer, if there is one.
    pub accel: Option<Accel<B>>,
    /// The pressure sensor.
    pub pressure: Ms5837<B::Bus, ()>,
    pins: Pins<B::Pin, B::Pin>,
    latitude_deg: f32,
    due: Due,
    /// Depth at the latest emptying of the FIFO, m.
    depth_m: Option<f32>,
    /// Interrupt whose samples are still in the FIFO.
    mark_us: Option<u64>,
    /// Looks in a row that saw the magnet.
    found: u8,
}

impl<'a, B: Board> Tag<'a, B> {
    fn new(board: &'a mut B, mut pins: Pins<B::Pin, B::Pin>, latitude_deg: f32) -> Self {
        // Before anything else: nothing is fired by a pin that floated.
        let _ = (pins.arm.set_low(), pins.fire.set_low());
        for what in [Switch::Led, Switch::Load, Switch::Key] {
            board.switch(what, false);
        }
        let accel = accel(board);
        let pressure = Ms5837::new(board.bus(), ());
        let (due, depth_m, mark_us, found) = (Due::default(), None, None, 0);
        Tag { board, accel, pressure, pins, latitude_deg, due, depth_m, mark_us, found }
    }

    /// Sleeps, whatever comes.
    pub fn rest_us(&mut self, us: u64) {
        let until_us = self.board.clocks().timer_us.saturating_add(us);
        while self.board.sleep(until_us).now_us < until_us {}
    }

    /// The deployment runs from here on, begun or continued.
    fn started(&mut self) {
        let _ = self.accel.as_mut().map(Accelerometer::start);
        let now_us = self.board.clocks().timer_us;
        let drain_us = now_us.saturating_add(WAIT_US);
        self.due = Due { drain_us, poll_us: now_us, told_us: now_us, ..Due::default() };
        self.mark_us = None;
    }

    /// Sleeps until something is to be done, and does it. Samples and polls wait for a reading of the
    /// pressure sensor, which takes some ms, in which the processor sleeps as well.
    fn turn<F: NorFlash>(&mut self, keeper: &mut Keeper, books: &mut Books<F>) {
        let next_us = self.due.drain_us.min(self.due.poll_us);
        let wake = self.board.sleep(self.due.ready_us.unwrap_or(next_us));
        self.mark_us = wake.mark_us.or(self.mark_us);
        let drains = self.mark_us.is_some() || wake.now_us >= self.due.drain_us;
        let polls = wake.now_us >= self.due.poll_us;
        if !(drains || polls) || self.due.ready_us.is_some_and(|ready_us| wake.now_us < ready_us) {
            return;
        }
        let water = match self.pressure.step() {
            Ok(Progress::WaitUs(us)) => {
                // From now on: the step itself took time.
                self.due.ready_us = Some(self.board.clocks().timer_us.saturating_add(us.into()));
                return;
            }
            Ok(Progress::Done(reading)) => Some(reading),
            Err(_) => None,
        };
        self.due.ready_us = None;
        let depth_m = water.map(|r| depth_m(r.pressure_mbar, AIR_MBAR, self.latitude_deg));
        let wet = Some(self.board.wet());
        if drains {
            self.drain(depth_m, wet, keeper, books);
        }
        if polls {
            let clocks = self.board.clocks();
            self.due.told_us = clocks.timer_us;
            self.due.poll_us = clocks.timer_us.saturating_add(10 * SECOND_US);
            // Here the release fires. On the bench: no link in it, no hands near it.
            keeper.poll(depth_m, wet, &clocks, books, &mut self.pins);
        }
        if let Some(us) = keeper.alarm_us() {
            self.due.poll_us = self.board.clocks().timer_us.saturating_add(us);
        }
    }

    /// Empties the FIFO into the keeper, dated back from the interrupt.
    fn drain<F: NorFlash>(
        &mut self,
        depth_m: Option<f32>,
        wet: Option<bool>,
        keeper: &mut Keeper,
        books: &mut Books<F>,
    ) {
        let (mut taken_g, mut count) = ([[0.0; 3]; 150], 0_usize);
        let batch = self.accel.as_mut().and_then(|accel| {
            let mut places = taken_g.iter_mut();
            let batch = accel.drain(&mut |g| {
                count =
                    count.saturating_add(places.next().map(|place| *place = g).map_or(0, |()| 1));
            });
            batch.ok()
        });
        let now = self.board.clocks();
        let period_us = u64::from(MARK.period_us);
        let newest_us = match (self.mark_us.take(), &batch) {
            (Some(us), Some(batch)) => MARK.newest_us(us, batch),
            // The bus failed within the FIFO: what came of it is its oldest.
            (Some(us), None) => {
                let missing = u64::from(SAMPLES).saturating_sub(count as u64);
                Some(us.saturating_sub(missing.saturating_mul(period_us)))
            }
            (None, _) => None,
        };
        // The keeper's timer never runs back.
        let newest_us = newest_us.unwrap_or(now.timer_us).min(now.timer_us).max(self.due.told_us);
        let accel_g = taken_g.get(..count).unwrap_or_default();
        // The reading that came with the first of these samples: that of the latest emptying.
        let depth_then_m = core::mem::replace(&mut self.depth_m, depth_m);
        self.due.drain_us = now.timer_us.saturating_add(WAIT_US);
        if count > 0 {
            self.due.told_us = newest_us;
            let run = Run { depth_m: depth_then_m, ..Run::accel(0, MARK.period_us, accel_g) };
            keeper.feed(&run, wet, &dated(&now, newest_us), books, &mut self.pins);
        } else if now.timer_us >= self.due.told_us.saturating_add(2 * WAIT_US) {
            // Silent for longer than its FIFO holds: time passes all the same.
            self.accel = self.accel.take().or_else(|| accel(self.board));
            self.due.told_us = now.timer_us;
            keeper.idle(depth_m, wet, &now, books, &mut self.pins);
        }
        if batch.is_none() {
            self.due.drain_us = now.timer_us.saturating_add(SECOND_US);
        }
    }

    /// Once the tag is free: messages and homing pulses; and whether somebody holds a magnet to it.
    fn beacon<F: NorFlash>(&mut self, keeper: &Keeper, books: &mut Books<F>) {
        if keeper.guardian().decision.is_none() || self.due.ready_us.is_some() {
            return;
        }
        self.found = if self.board.magnet() { self.found.saturating_add(1) } else { 0 };
        let now_us = self.board.clocks().timer_us;
        if keeper.guardian().driver.state() != State::Free || now_us < self.due.pulse_us {
            return;
        }
        self.due.pulse_us = now_us.saturating_add(PULSE_US);
        self.board.switch(Switch::Key, true);
        self.rest_us(20_000);
        self.board.switch(Switch::Key, false);
        if now_us >= self.due.message_us {
            self.due.message_us = now_us.saturating_add(MESSAGE_US);
            let [full, empty] = CELL_MV;
            let mv = f32::from(self.board.measure(Probe::Cell));
            books.journal.cell(((mv - empty) / (full - empty)).clamp(0.0, 1.0));
            books.journal.check(RELEASE_VERIFIED);
            self.board.send(&books.journal.message(keeper.now_us()));
        }
    }
}

/// The accelerometer, asked for three times.
fn accel<B: Board>(board: &mut B) -> Option<Accel<B>> {
    let accel = || Bma400::new_i2c(board.bus(), Rate::Hz25, Range::G8).ok();
    core::iter::repeat_with(accel).take(3).flatten().next().map(|a| a.with_watermark(MARK))
}

//! The whole tag: sensors over `embedded-hal`, detectors, copies of their state,
//! release clock and release driver, log and satellite summary, through resets. The
//! same on host and target, so that every byte can be compared.

use core::mem::MaybeUninit;

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};
use firmware_core::checkpoint::clock::Clocks;
use firmware_core::checkpoint::keeper::{Keeper, Layout, Reset, Settings};
use firmware_core::checkpoint::slots::Region;
use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use firmware_core::drivers::bma400::{Bma400, I2CInterface, Range, Rate};
use firmware_core::drivers::depth::depth_m;
use firmware_core::drivers::ms5837::Ms5837;
use firmware_core::drivers::{Accelerometer, Pressure};
use firmware_core::log::{Journal, Log};
use firmware_core::message::checks;
use firmware_core::record::{ResetEvent, StartEvent};
use firmware_core::release_driver::{Pins, State};
use firmware_core::tag::{Output, Sample};

use crate::probe::Probe;
use crate::record;
use crate::sea::{Line, NoWait, Sea, Wires};
use crate::trace::Sink;

const BLOCK: usize = 512;
const LOG_BYTES: u32 = 16 * BLOCK as u32;
const COPIES: Region = Region { from: LOG_BYTES, slot_bytes: 4096, count: 2, mark: 1 };
const VITALS: Region = Region { from: LOG_BYTES + 8192, slot_bytes: 256, count: 8, mark: 2 };
const TOLD: Region = Region { from: LOG_BYTES + 8192 + 2048, slot_bytes: 1024, count: 2, mark: 3 };
const LAYOUT: Layout = Layout { copies: COPIES, vitals: VITALS };
/// Bytes of the flash.
pub const FLASH_BYTES: usize = LOG_BYTES as usize + 8192 + 2048 + 2048;
const DEPLOYMENT: u32 = 4711;
const NUMBER: u8 = 9;
/// Check sum of the pressure sensor's constants: the one of sixteen that its driver takes.
pub const PRESSURE_CRC: u16 = 2;
const SAMPLE_US: u64 = 40_000;
/// Samples from one emptying of the FIFO to the next: 4 s.
const DRAIN: u32 = 100;
/// Length of the deployment, samples: 40 min.
pub const SAMPLES: u32 = 60_000;
/// Resets: the sample before which each comes, and for how many samples it lasts. The
/// third comes while the release is being fired.
const RESETS: [(u32, u32); 4] = [(10_000, 0), (28_100, 700), (45_100, 50), (52_000, 100)];
/// Minutes from one message to the next, in samples.
const MESSAGE_EVERY: u32 = 15_000;

/// Bytes that stay when power goes.
pub trait Store {
    /// Reads from a place.
    fn get(&mut self, at: u32, into: &mut [u8]);
    /// Writes to it.
    fn put(&mut self, at: u32, bytes: &[u8]);
}

/// A NOR flash over a store: writing only clears bits.
#[derive(Clone, Copy)]
pub struct Nor<S>(pub S);

impl<S> ErrorType for Nor<S> {
    type Error = NorFlashErrorKind;
}

impl<S: Store> ReadNorFlash for Nor<S> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        check_read(self, offset, into.len())?;
        self.0.get(offset, into);
        Ok(())
    }

    fn capacity(&self) -> usize {
        FLASH_BYTES
    }
}

impl<S: Store> NorFlash for Nor<S> {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = BLOCK;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        check_erase(self, from, to)?;
        let mut at = from;
        while at < to {
            self.0.put(at, &[u8::MAX; 64]);
            at += 64;
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        check_write(self, offset, bytes.len())?;
        let mut at = offset;
        for part in bytes.chunks(64) {
            let mut held = [0; 64];
            let Some(held) = held.get_mut(..part.len()) else { break };
            self.0.get(at, held);
            held.iter_mut().zip(part).for_each(|(h, b)| *h &= b);
            self.0.put(at, held);
            at += part.len() as u32;
        }
        Ok(())
    }
}

/// What is being done, for whoever measures it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The tag is built in its place.
    Build,
    /// The deployment begins: first copies, the log emptied.
    Start,
    /// The tag goes on after a reset.
    Resume,
    /// A sample: detectors, and once a second clocks, copies, release.
    Step,
    /// What that brought to light goes to log and summary.
    Tell,
    /// A message is made.
    Message,
}

/// All parts.
pub const PARTS: [(Part, &str); 6] = [
    (Part::Build, "building the tag"),
    (Part::Start, "starting"),
    (Part::Resume, "going on after a reset"),
    (Part::Step, "a sample, with copies and release"),
    (Part::Tell, "log and summary of a sample"),
    (Part::Message, "making a message"),
];

/// Places of all state of the tag that is not a sensor's.
pub struct Whole<F> {
    keeper: MaybeUninit<Keeper>,
    journal: MaybeUninit<Journal>,
    log: MaybeUninit<Log<F>>,
}

impl<F> Whole<F> {
    /// Empty places.
    pub const fn new() -> Self {
        Whole {
            keeper: MaybeUninit::uninit(),
            journal: MaybeUninit::uninit(),
            log: MaybeUninit::uninit(),
        }
    }
}

impl<F> Default for Whole<F> {
    fn default() -> Self {
        Self::new()
    }
}

/// The tag while it runs.
struct Running<'a, F> {
    keeper: &'a mut Keeper,
    journal: &'a mut Journal,
    log: &'a mut Log<F>,
}

fn config() -> Option<Config> {
    let release = Release { floor_h: 0.1, ceiling_h: 0.5, ..Release::DEFAULT };
    Config::new(
        Logger { sample_hz: 25.0, range_g: 8.0, counts_per_g: 256.0, mount_deg: None },
        Place { start_unix_s: Some(1_925_000_000), latitude_deg: 43.0, longitude_deg: -38.0 },
        Animal { breathing: Breathing::Ram, length_m: None },
        Detector::DEFAULT,
        release,
    )
    .ok()
}

/// Backup counters run on; the timer begins anew with every reset.
fn clocks(now: u32, boot: u32) -> Clocks {
    let us = |samples: u32| u64::from(samples).saturating_mul(SAMPLE_US);
    let now_us = us(now);
    Clocks {
        timer_us: us(now.saturating_sub(boot)),
        backup_us: [Some(now_us + 7_000_000), Some(now_us + 900)],
    }
}

#[inline(never)]
fn build(place: &mut MaybeUninit<Keeper>, config: Config) {
    // Nothing is made of what this gives: so it is written to its place at once.
    place.write(Keeper::new(config, Settings::DEFAULT, DEPLOYMENT));
}

#[inline(never)]
fn start<F: NorFlash>(flash: F, now: u32, place: &mut Whole<F>) -> Option<Running<'_, F>> {
    let log = place.log.write(Log::open(flash, 0, LOG_BYTES).ok()?);
    // SAFETY: [`build`] came before.
    let keeper = unsafe { place.keeper.assume_init_mut() };
    keeper.begin(log.flash(), &LAYOUT, &clocks(now, now)).ok()?;
    log.format().ok()?;
    let event = StartEvent {
        deployment: NUMBER,
        start_unix_s: None,
        sample_hz: 25.0,
        floor_h: 0.1,
        ceiling_h: 0.5,
    };
    let journal = place.journal.write(Journal::start(DEPLOYMENT, &event, log, TOLD).ok()?);
    Some(Running { keeper, journal, log })
}

#[inline(never)]
fn resume<F: NorFlash>(flash: F, now: u32, place: &mut Whole<F>) -> Option<Running<'_, F>> {
    let log = place.log.write(Log::open(flash, 0, LOG_BYTES).ok()?);
    let config = config()?;
    // SAFETY: [`build`] came before.
    let keeper = unsafe { place.keeper.assume_init_mut() };
    let resumed =
        keeper.go_on(config, log.flash(), &LAYOUT, &clocks(now, now), Reset::Power).ok()?;
    let sure = resumed.away_least_us == resumed.away_most_us;
    let event = ResetEvent {
        t_us: keeper.now_us(),
        out_us: sure.then_some(resumed.away_most_us),
        count: keeper.resets(),
        reason: 0,
    };
    let faults = keeper.tag().faults();
    let decision = keeper.decision();
    let journal = Journal::resume(DEPLOYMENT, NUMBER, log, TOLD, &event, decision, faults).ok()?.0;
    let journal = place.journal.write(journal);
    Some(Running { keeper, journal, log })
}

impl<F: NorFlash> Running<'_, F> {
    #[inline(never)]
    fn step(&mut self, sample: &Sample, wet: bool, clocks: &Clocks, sea: &Sea, out: &mut Output) {
        let mut pins = Pins { arm: Line::new(sea, false), fire: Line::new(sea, true) };
        self.keeper.step(sample, Some(wet), clocks, self.log.flash(), &mut pins, out);
    }

    #[inline(never)]
    fn tell(&mut self, out: &Output) -> bool {
        let Running { keeper, journal, log } = self;
        if keeper.free() {
            journal.check(checks::RELEASE_VERIFIED);
        }
        let tag = keeper.tag();
        journal.take(keeper.now_us(), out, tag.faults(), tag.fate(), log).is_ok()
    }
}

/// Both sensors.
struct Sensors<'a> {
    accel: Option<Bma400<I2CInterface<Wires<'a>>>>,
    depth: Ms5837<Wires<'a>, NoWait>,
}

impl<'a> Sensors<'a> {
    fn new(sea: &'a Sea) -> Self {
        let accel = || Bma400::new_i2c(Wires(sea), Rate::Hz25, Range::G8).ok();
        Sensors { accel: accel().or_else(accel), depth: Ms5837::new(Wires(sea), NoWait) }
    }
}

/// The deployment. Everything that the tag says goes to `sink`: what each step brought
/// to light, the messages, and at the end what became of all and the flash.
pub fn deployment<S: Store + Copy>(
    store: S,
    sea: &Sea,
    place: &mut Whole<Nor<S>>,
    probe: &mut impl Probe<Part>,
    sink: &mut impl Sink,
) {
    let flash = Nor(store);
    let mut sensors = Sensors::new(sea);
    let Some(config) = config() else { return };
    probe.run(Part::Build, || build(&mut place.keeper, config));
    let Some(mut whole) = probe.run(Part::Start, || start(flash, 0, &mut *place)) else { return };
    let mut boot = 0;
    let mut now = 0;
    // The sample that comes next out of the FIFO.
    let mut at = 0;
    let mut unkept = 0_u32;
    let mut resets = RESETS.iter().peekable();
    while now < SAMPLES {
        if let Some((_, away)) = resets.next_if(|(at, _)| now >= *at) {
            now += away;
            sea.pass_to(now);
            sensors = Sensors::new(sea);
            boot = now;
            at = now;
            // Pins fall when power goes.
            let _ = embedded_hal::digital::OutputPin::set_low(&mut Line::new(sea, true));
            probe.run(Part::Build, || build(&mut place.keeper, config));
            let Some(again) = probe.run(Part::Resume, || resume(flash, now, &mut *place)) else {
                return;
            };
            whole = again;
        }
        now += DRAIN;
        // What the FIFO cannot hold any more is gone.
        at = at.max(now.saturating_sub(146));
        sea.pass_to(now);
        let reading = sensors.depth.read().ok();
        let mut depth = reading.map(|r| depth_m(r.pressure_mbar, 1013.25, 43.0));
        let wet = sea.wet();
        let mut take = |accel_g: [f32; 3]| {
            let clocks = clocks(at, boot);
            let mut sample = Sample::accel(clocks.timer_us, accel_g);
            sample.depth_m = depth.take();
            let mut out = Output::default();
            probe.run(Part::Step, || whole.step(&sample, wet, &clocks, sea, &mut out));
            unkept += u32::from(!probe.run(Part::Tell, || whole.tell(&out)));
            record::write(&out, at, sink);
            at += 1;
        };
        match sensors.accel.as_mut().map(|accel| accel.drain(&mut take)) {
            Some(Ok(batch)) if batch.lost => at = now,
            Some(Ok(_)) => {}
            // What is still in the FIFO comes later.
            _ => unkept += 0x1_0000,
        }
        if now.is_multiple_of(MESSAGE_EVERY) {
            whole.journal.cell(1.0 - now as f32 / 131_072.0);
            let now_us = whole.keeper.now_us();
            let message = probe.run(Part::Message, || whole.journal.message(now_us));
            sink.put(&message);
        }
    }
    end(&mut whole, sea, unkept, sink);
}

#[inline(never)]
fn end<F: NorFlash>(whole: &mut Running<'_, F>, sea: &Sea, unkept: u32, sink: &mut impl Sink) {
    let Running { keeper, journal, log } = whole;
    let mut last = true;
    while let Some(out) = keeper.finish() {
        let tag = keeper.tag();
        last &= journal.take(keeper.now_us(), &out, tag.faults(), tag.fate(), log).is_ok();
        record::write(&out, SAMPLES, sink);
    }
    last &= journal.finish(keeper.tag().faults(), log).is_ok();
    let state = keeper.driver().state() == State::Free;
    for x in [
        unkept,
        u32::from(last),
        u32::from(state),
        sea.free_s().unwrap_or(0),
        keeper.resets().into(),
        keeper.lost_copies(),
        journal.lost_copies(),
        keeper.tag().record_bytes(),
    ] {
        sink.put(&x.to_le_bytes());
    }
    sink.put(&journal.message(keeper.now_us()));
    let mut at = 0;
    while at < FLASH_BYTES as u32 {
        let mut bytes = [0; 64];
        let _ = log.flash().read(at, &mut bytes);
        sink.put(&bytes);
        at += 64;
    }
}

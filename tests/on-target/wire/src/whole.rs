//! The whole tag: sensors over `embedded-hal`, detectors, copies of their state,
//! release clock and release driver, log and satellite summary, through resets. The
//! same on host and target, so that every byte can be compared.

use embedded_storage::nor_flash::ReadNorFlash;
use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use firmware_core::drivers::bma400::{Bma400, I2CInterface, Range, Rate};
use firmware_core::drivers::depth::depth_m;
use firmware_core::drivers::ms5837::Ms5837;
use firmware_core::drivers::{Accelerometer, Pressure};
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::firing::{Pins, State};
use firmware_core::shell::keeper::{Layout, Settings};
use firmware_core::store::slots::Region;
use firmware_core::types::{Event, Moment, Run};

use crate::flash::{Memory, Nor};
use crate::heard::Heard;
use crate::probe::Probe;
use crate::record;
use crate::sea::{Line, NoWait, Sea, Wires};
use crate::shell::{Places, Running, Setup, build, resume, start};
use crate::trace::Sink;

const BLOCK: usize = 512;
const LOG_BYTES: u32 = 16 * BLOCK as u32;
const COPIES: Region = Region { from: LOG_BYTES, slot_bytes: 4096, count: 2, mark: 1 };
const VITALS: Region = Region { from: LOG_BYTES + 8192, slot_bytes: 256, count: 8, mark: 2 };
const TOLD: Region = Region { from: LOG_BYTES + 8192 + 2048, slot_bytes: 1024, count: 2, mark: 3 };
const LAYOUT: Layout = Layout { copies: COPIES, vitals: VITALS };
/// Bytes of the flash.
pub const FLASH_BYTES: usize = LOG_BYTES as usize + 8192 + 2048 + 2048;
/// Check sum of the pressure sensor's constants: the one of sixteen that its driver takes.
pub const PRESSURE_CRC: u16 = 2;
const SAMPLE_US: u64 = 40_000;
/// Samples from one emptying of the FIFO to the next: 4 s.
const DRAIN: u32 = 100;
/// Samples handed over together.
const RUN: usize = 25;
/// Reports of a run that there is room for: beats of a second, and what comes with a minute.
const HEARD: usize = 10;
/// Length of the deployment, samples: 40 min.
pub const SAMPLES: u32 = 60_000;
/// Resets: the sample before which each comes, and for how many samples it lasts. The
/// third comes while the release is being fired.
const RESETS: [(u32, u32); 4] = [(10_000, 0), (28_100, 700), (45_100, 50), (52_000, 100)];
/// Minutes from one message to the next, in samples.
const MESSAGE_EVERY: u32 = 15_000;

/// The flash.
pub type Flash<M> = Nor<M, BLOCK, FLASH_BYTES>;

/// What is being done, for whoever measures it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The tag is built in its place.
    Build,
    /// The deployment begins: first copies, the log emptied.
    Start,
    /// The tag goes on after a reset.
    Resume,
    /// A run of samples: detectors, log and summary, and once a second clocks, copies
    /// and release.
    Feed,
    /// A message is made.
    Message,
}

/// All parts.
pub const PARTS: [(Part, &str); 5] = [
    (Part::Build, "building the tag"),
    (Part::Start, "starting"),
    (Part::Resume, "resuming after a reset"),
    (Part::Feed, "a run of 25 samples, with copies, release and log"),
    (Part::Message, "making a message"),
];

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

type Accel<'a> = Bma400<I2CInterface<Wires<'a>>>;

/// Both sensors.
struct Sensors<'a> {
    accel: Option<Accel<'a>>,
    depth: Ms5837<Wires<'a>, NoWait>,
}

impl<'a> Sensors<'a> {
    fn new(sea: &'a Sea) -> Self {
        let accel = || Bma400::new_i2c(Wires(sea), Rate::Hz25, Range::G8).ok();
        Sensors { accel: accel().or_else(accel), depth: Ms5837::new(Wires(sea), NoWait) }
    }
}

/// The tag of this image.
type Tag<'a, 'h, M> = Running<'a, Flash<M>, &'h mut Heard<HEARD>>;

/// What has been taken from the accelerometer, and goes on to the tag in runs.
struct Intake<'a, P, S> {
    sea: &'a Sea,
    probe: &'a mut P,
    sink: &'a mut S,
    boot: u32,
    /// Number of the sample that comes next out of the FIFO.
    at: u32,
    accel_g: [[f32; 3]; RUN],
    len: usize,
    depth_m: Option<f32>,
}

impl<P: Probe<Part>, S: Sink> Intake<'_, P, S> {
    /// Empties the FIFO into the tag. Gives the number of the sample that comes next, and whether
    /// samples were lost; `None` where the accelerometer was deaf.
    fn drain<M: Memory>(
        mut self,
        accel: Option<&mut Accel<'_>>,
        tag: &mut Tag<'_, '_, M>,
    ) -> (u32, Option<bool>) {
        let batch = accel.and_then(|accel| accel.drain(&mut |g| self.take(g, tag)).ok());
        self.hand_on(tag);
        (self.at, batch.map(|batch| batch.lost))
    }

    fn take<M: Memory>(&mut self, accel_g: [f32; 3], tag: &mut Tag<'_, '_, M>) {
        if let Some(place) = self.accel_g.get_mut(self.len) {
            *place = accel_g;
            self.len += 1;
            self.at += 1;
        }
        if self.len == RUN {
            self.hand_on(tag);
        }
    }

    fn hand_on<M: Memory>(&mut self, tag: &mut Tag<'_, '_, M>) {
        let Some(newest) = self.at.checked_sub(1).filter(|_| self.len > 0) else { return };
        let accel_g = self.accel_g.get(..self.len).unwrap_or_default();
        let mut run = Run::accel(0, SAMPLE_US as u32, accel_g);
        run.depth_m = self.depth_m.take();
        let (sea, wet, clocks) = (self.sea, Some(self.sea.wet()), clocks(newest, self.boot));
        let mut pins = Pins { arm: Line::new(sea, false), fire: Line::new(sea, true) };
        self.probe.run(Part::Feed, || tag.feed(&run, wet, &clocks, &mut pins));
        tell(tag, self.at.saturating_sub(self.len as u32), self.sink);
        self.len = 0;
    }
}

/// Writes what the tag reported since.
fn tell<M: Memory>(tag: &mut Tag<'_, '_, M>, first: u32, sink: &mut impl Sink) {
    for (event, number) in tag.books.tap.iter(first) {
        record::write(event, number, sink);
    }
    tag.books.tap.clear();
}

/// The deployment. Everything that the tag says goes to `sink`: what each run brought,
/// the messages, and at the end what became of all and the flash.
pub fn deployment<M: Memory + Copy>(
    memory: M,
    sea: &Sea,
    places: &mut Places<Flash<M>>,
    probe: &mut impl Probe<Part>,
    sink: &mut impl Sink,
) {
    let flash = Nor(memory);
    let mut sensors = Sensors::new(sea);
    let Some(config) = config() else { return };
    let setup = Setup::new(config, Settings::DEFAULT, LAYOUT, TOLD);
    probe.run(Part::Build, || build(places, &setup));
    let mut heard = Heard::NEW;
    let begun =
        probe.run(Part::Start, || start(flash, &setup, &clocks(0, 0), &mut *places, &mut heard));
    let Some(mut tag) = begun else { return };
    let (mut boot, mut now) = (0, 0);
    // The sample that comes next out of the FIFO.
    let mut at = 0;
    let (mut deaf, mut unkept) = (0_u32, 0_u32);
    let mut resets = RESETS.iter().peekable();
    while now < SAMPLES {
        if let Some((_, away)) = resets.next_if(|(at, _)| now >= *at) {
            now += away;
            sea.pass_to(now);
            sensors = Sensors::new(sea);
            boot = now;
            at = now;
            unkept += tag.books.unkept;
            // Pins fall when power goes.
            let _ = embedded_hal::digital::OutputPin::set_low(&mut Line::new(sea, true));
            probe.run(Part::Build, || build(places, &setup));
            let resumed = probe.run(Part::Resume, || {
                resume(flash, &setup, &clocks(now, now), &mut *places, &mut heard)
            });
            let Some(resumed) = resumed else { return };
            tag = resumed;
        }
        now += DRAIN;
        // What the FIFO cannot hold any more is gone.
        at = at.max(now.saturating_sub(146));
        sea.pass_to(now);
        let reading = sensors.depth.read().ok();
        let depth_m = reading.map(|r| depth_m(r.pressure_mbar, 1013.25, 43.0));
        let accel_g = [[0.0; 3]; RUN];
        let intake = Intake { sea, probe, sink, boot, at, accel_g, len: 0, depth_m };
        let (next, lost) = intake.drain(sensors.accel.as_mut(), &mut tag);
        at = if lost == Some(true) { now } else { next };
        // What is still in the FIFO of a deaf accelerometer comes later.
        deaf += u32::from(lost.is_none());
        if now.is_multiple_of(MESSAGE_EVERY) {
            tag.books.journal.cell(1.0 - now as f32 / 131_072.0);
            let now_us = tag.keeper.now_us();
            let message = probe.run(Part::Message, || tag.books.journal.message(now_us));
            sink.put(&message);
        }
    }
    unkept += tag.books.unkept;
    end(&mut tag, sea, [deaf, unkept], sink);
}

#[inline(never)]
fn end<M: Memory>(
    tag: &mut Tag<'_, '_, M>,
    sea: &Sea,
    [deaf, unkept]: [u32; 2],
    sink: &mut impl Sink,
) {
    let Running { keeper, books } = tag;
    let mut last = true;
    keeper.flush(&mut |event: &Event, moment: &Moment<'_>| {
        last &= books.journal.take(event, moment, books.log).is_ok();
        record::write(event, SAMPLES, sink);
    });
    last &= books.journal.finish(keeper.tag().faults(), books.log).is_ok();
    let state = keeper.guardian().driver.state() == State::Free;
    for x in [
        deaf,
        unkept,
        u32::from(last),
        u32::from(state),
        sea.free_s().unwrap_or(0),
        keeper.guardian().resets.into(),
        keeper.lost_copies(),
        books.journal.lost_copies(),
        keeper.tag().record_bytes(),
    ] {
        sink.put(&x.to_le_bytes());
    }
    sink.put(&books.journal.message(keeper.now_us()));
    let mut at = 0;
    while at < FLASH_BYTES as u32 {
        let mut bytes = [0; 64];
        let _ = books.log.flash().read(at, &mut bytes);
        sink.put(&bytes);
        at += 64;
    }
}

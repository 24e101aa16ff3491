//! A made-up deployment through the recorder, the log and the satellite summary:
//! the same on host and target, so that every byte kept and sent can be compared.

use core::hint::black_box;

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};
use firmware_core::message::{MESSAGE_BYTES, Summary};
use firmware_core::store::log::{BurstPlan, Bursts, Log, Recorder};
use firmware_core::store::record::StartEvent;
use firmware_core::types::{
    Cause, Event, FAULT_KINDS, Fate, FateReport, FaultCounters, Minute, Moment, RecoveryReport,
    ReleaseDecision, Run, State,
};

use crate::probe::Probe;
use crate::trace::Sink;

/// Bytes of the flash: too few for the whole deployment, so that records are dropped.
pub const FLASH_BYTES: usize = 8192;
/// Minutes of the deployment.
pub const MINUTES: u32 = 720;
const BLOCK: usize = 512;
/// Samples that a FIFO holds.
const RUN: usize = 25;
/// Most that a minute brings to light.
const EVENTS: usize = 5;

/// What a minute brought to light.
type Events = [Option<Event>; EVENTS];

/// A flash in memory.
pub struct RamFlash {
    /// What it holds.
    pub bytes: [u8; FLASH_BYTES],
}

impl RamFlash {
    /// With every byte the same: no flash looks like that, and the log opens all the same.
    pub const fn filled(byte: u8) -> Self {
        RamFlash { bytes: [byte; FLASH_BYTES] }
    }
}

impl ErrorType for RamFlash {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for RamFlash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        check_read(self, offset, into.len())?;
        let held = self.bytes.iter().skip(offset as usize);
        into.iter_mut().zip(held).for_each(|(to, from)| *to = *from);
        Ok(())
    }

    fn capacity(&self) -> usize {
        FLASH_BYTES
    }
}

impl NorFlash for RamFlash {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = BLOCK;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        check_erase(self, from, to)?;
        let count = to.saturating_sub(from) as usize;
        self.bytes.iter_mut().skip(from as usize).take(count).for_each(|b| *b = u8::MAX);
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        check_write(self, offset, bytes.len())?;
        let held = self.bytes.iter_mut().skip(offset as usize);
        held.zip(bytes).for_each(|(held, byte)| *held &= byte);
        Ok(())
    }
}

/// What is being done, for whoever measures it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The log finds its way.
    Open,
    /// A minute and what came with it is kept.
    Keep,
    /// A minute and what came with it goes into the summary.
    Summarise,
    /// A message is made.
    Message,
    /// A run of samples is taken into a raw burst.
    Burst,
}

/// All parts.
pub const PARTS: [(Part, &str); 5] = [
    (Part::Open, "opening the log"),
    (Part::Keep, "keeping a minute and its events"),
    (Part::Summarise, "taking a minute into the summary"),
    (Part::Message, "making a message"),
    (Part::Burst, "taking 25 samples into a raw burst"),
];

/// Whole numbers without pattern (xorshift; Marsaglia 2003, J. Statistical Software 8:14).
struct Numbers(u32);

impl Numbers {
    fn next(&mut self) -> u32 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 17;
        self.0 ^= self.0 << 5;
        self.0
    }

    /// From 0 to below `most`, exact in f32.
    fn below(&mut self, most: u32) -> f32 {
        (self.next() % most) as f32
    }
}

/// What a firmware does with what the tag brings to light.
pub trait Keeper {
    /// Keeps the start.
    fn start(&mut self, start: &StartEvent) -> bool;
    /// Keeps what a minute brought to light.
    fn keep(&mut self, events: &Events, moment: &Moment<'_>) -> bool;
    /// Takes what a minute brought to light into the summary.
    fn summarise(&mut self, events: &Events, moment: &Moment<'_>);
    /// Takes a run of samples into a raw burst.
    fn burst(&mut self, run: &Run<'_>, decided: bool) -> bool;
    /// Takes a reading of the cell.
    fn cell(&mut self, left: f32);
    /// Makes a message.
    fn message(&mut self, t_us: u64) -> [u8; MESSAGE_BYTES];
    /// Keeps what is left, and tells what became of all.
    fn end(&mut self, faults: &FaultCounters) -> ([u32; 4], f32);
    /// What the flash holds.
    fn bytes(&mut self) -> &[u8];
}

/// Log, recorder, summary and bursts.
pub struct Keeping<'a> {
    log: Log<&'a mut RamFlash>,
    recorder: Recorder,
    summary: Summary,
    bursts: Bursts,
}

impl<'a> Keeping<'a> {
    /// At the start; `None` where the log did not open.
    pub fn new(flash: &'a mut RamFlash, probe: &mut impl Probe<Part>) -> Option<Self> {
        let mut log = probe.run(Part::Open, || Log::open(flash, 0, FLASH_BYTES as u32)).ok()?;
        log.format().ok()?;
        let plan = BurstPlan { every_min: 30, samples: 60, on_decision: true };
        Some(Keeping {
            log,
            recorder: Recorder::new(),
            summary: Summary::new(9),
            bursts: Bursts::new(plan, 25.0, 4096.0),
        })
    }
}

impl Keeper for Keeping<'_> {
    fn start(&mut self, start: &StartEvent) -> bool {
        self.log.append(start).is_ok()
    }

    #[inline(never)]
    fn keep(&mut self, events: &Events, moment: &Moment<'_>) -> bool {
        let mut kept = true;
        for event in events.iter().flatten() {
            kept &= self.recorder.take(event, moment, &mut self.log).is_ok();
        }
        kept
    }

    #[inline(never)]
    fn summarise(&mut self, events: &Events, moment: &Moment<'_>) {
        for event in events.iter().flatten() {
            self.summary.take(event, moment.fate);
        }
        self.summary.faults(moment.faults);
    }

    #[inline(never)]
    fn burst(&mut self, run: &Run<'_>, decided: bool) -> bool {
        self.bursts.take(run, decided, &mut self.log).is_ok()
    }

    fn cell(&mut self, left: f32) {
        self.recorder.cell(left);
        self.summary.cell(left);
    }

    #[inline(never)]
    fn message(&mut self, t_us: u64) -> [u8; MESSAGE_BYTES] {
        self.summary.next(t_us)
    }

    fn end(&mut self, faults: &FaultCounters) -> ([u32; 4], f32) {
        let kept = self.recorder.finish(faults, &mut self.log).is_ok();
        let [a, b, c] = self.log.dropped().map(u32::from);
        ([u32::from(kept), a, b, c], self.log.used_fraction())
    }

    fn bytes(&mut self) -> &[u8] {
        &self.log.flash().bytes
    }
}

/// Keeps nothing: what is left of the image is not the log's.
pub struct Nothing<'a>(pub &'a mut RamFlash);

impl Keeper for Nothing<'_> {
    fn start(&mut self, start: &StartEvent) -> bool {
        black_box(start);
        true
    }

    fn keep(&mut self, events: &Events, moment: &Moment<'_>) -> bool {
        black_box((events, moment));
        true
    }

    fn summarise(&mut self, events: &Events, moment: &Moment<'_>) {
        black_box((events, moment));
    }

    fn burst(&mut self, run: &Run<'_>, decided: bool) -> bool {
        black_box((run, decided));
        true
    }

    fn cell(&mut self, left: f32) {
        black_box(left);
    }

    fn message(&mut self, t_us: u64) -> [u8; MESSAGE_BYTES] {
        black_box(t_us);
        black_box([0; MESSAGE_BYTES])
    }

    fn end(&mut self, faults: &FaultCounters) -> ([u32; 4], f32) {
        black_box(faults);
        black_box(([0; 4], 0.0))
    }

    fn bytes(&mut self) -> &[u8] {
        let flash = &mut self.0;
        // The flash itself is not the log's either.
        let _ = flash.erase(black_box(0), black_box(BLOCK as u32));
        let _ = flash.write(black_box(0), black_box(&[0; 4]));
        let _ = flash.read(black_box(0), black_box(&mut [0; 4]));
        &flash.bytes
    }
}

fn minute(n: u32, numbers: &mut Numbers) -> Minute {
    let state = match n {
        0..3 => State::Unknown,
        600.. => State::Dead,
        _ if numbers.next().is_multiple_of(5) => State::Resting,
        _ => State::Swimming,
    };
    Minute {
        t_us: u64::from(n) * 60_000_000,
        beats_per_min: (n > 2).then(|| 12.0 + numbers.below(4096) / 96.0),
        sway_g: numbers.below(4096) / 30_000.0,
        odba_g: numbers.below(4096) / 20_000.0,
        vedba_g: numbers.below(4096) / 25_000.0,
        pitch_deg: numbers.below(1800) / 10.0 - 90.0,
        roll_deg: numbers.below(3600) / 10.0 - 180.0,
        depth_m: (!numbers.next().is_multiple_of(7)).then(|| numbers.below(9000) / 70.0),
        state,
    }
}

#[inline(never)]
fn events(n: u32, numbers: &mut Numbers, faults: &mut FaultCounters) -> Events {
    let t_us = u64::from(n) * 60_000_000;
    let minute = Some(Event::Minute(minute(n, numbers)));
    let recovery = (n % 60 == 40).then(|| {
        Event::Recovery(RecoveryReport {
            t_s: numbers.below(40_000),
            se_s: numbers.below(4000) / 3.0,
            prob: numbers.below(1000) / 1000.0,
            decided_us: (n > 500).then_some(t_us),
        })
    });
    let mut fault = None;
    if n % 97 == 50 {
        let kind = (numbers.next() % 6) as usize;
        fault = FAULT_KINDS.get(kind).copied().map(Event::Fault);
        if let Some(count) = faults.counts.get_mut(kind) {
            *count += numbers.next() % 1000;
        }
    }
    let fate = (n == 600).then(|| {
        Event::Fate(FateReport {
            fate: Fate::Dead,
            event_us: t_us - 1_234_567_890,
            decided_us: t_us + 17,
            evidence: numbers.below(20_000) / 1000.0,
        })
    });
    let release = (n == 700).then_some(Event::Release(ReleaseDecision {
        t_us,
        cause: Cause::Death,
        since_us: t_us.wrapping_sub(5_000_000),
        value: 10.25,
        bound: 9.21,
    }));
    [fault, minute, fate, recovery, release]
}

/// The deployment: fills the log, makes a message every ten minutes, and gives
/// all messages and then the flash to `sink`.
pub fn deployment(k: &mut impl Keeper, probe: &mut impl Probe<Part>, sink: &mut impl Sink) {
    let mut numbers = Numbers(2_463_534_242);
    let mut faults = FaultCounters::default();
    let mut lost = 0_u32;
    let start = StartEvent {
        deployment: 9,
        start_unix_s: None,
        sample_hz: 25.0,
        floor_h: 6.0,
        ceiling_h: 48.0,
    };
    lost += u32::from(!k.start(&start));
    for n in 0..MINUTES {
        let events = events(n, &mut numbers, &mut faults);
        let t_us = u64::from(n) * 60_000_000;
        let fate = if n < 600 { Fate::Alive } else { Fate::Dead };
        let moment = Moment { now_us: t_us, taken: RUN, fate, faults: &faults };
        lost += u32::from(!probe.run(Part::Keep, || k.keep(&events, &moment)));
        probe.run(Part::Summarise, || k.summarise(&events, &moment));
        let accel_g = [(); RUN].map(|()| [(); 3].map(|()| numbers.below(8192) / 2048.0 - 2.0));
        let run = Run::accel(t_us, 40_000, &accel_g);
        let decides = |e: &Event| matches!(e, Event::Fate(_) | Event::Release(_));
        let decided = events.iter().flatten().any(decides);
        lost += u32::from(!probe.run(Part::Burst, || k.burst(&run, decided)));
        if n % 10 == 9 {
            k.cell(1.0 - n as f32 / 2048.0);
            let message = probe.run(Part::Message, || k.message(t_us));
            sink.put(&message);
        }
    }
    let (end, used) = k.end(&faults);
    sink.put(k.bytes());
    sink.put(&lost.to_le_bytes());
    end.iter().for_each(|x| sink.put(&x.to_le_bytes()));
    sink.put_f32(used);
}

//! A trace through the deployed path, fed by a FIFO of 25 samples: for counting what
//! that costs. The flash notes what was written to it within a feed, so that feeds that
//! kept a copy of state can be told from the others.

use core::cell::Cell;

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::firing::Pins;
use firmware_core::shell::keeper::{Layout, Settings};
use firmware_core::store::slots::Region;
use firmware_core::types::Run;

use crate::accel;
use crate::bus::Pin;
use crate::flash::{Memory, wipe};
use crate::record::{self, End};
use crate::shell::{Deaf, Places, Running, Setup, build, start};
use crate::trace::{Axes, Clock, Header, Raw, Sink, Source};

/// Samples that the FIFO holds.
pub const FIFO: usize = 25;
const SECTOR: usize = 4096;
const LOG_BYTES: u32 = 16 * SECTOR as u32;
const COPIES: Region = Region { from: LOG_BYTES, slot_bytes: 4096, count: 4, mark: 1 };
const VITALS: Region = Region { from: LOG_BYTES + 16_384, slot_bytes: 256, count: 32, mark: 2 };
const TOLD: Region = Region { from: LOG_BYTES + 24_576, slot_bytes: 1024, count: 8, mark: 3 };
/// Bytes of the flash.
pub const FLASH_BYTES: usize = LOG_BYTES as usize + 32_768;

/// A copy of the vitals was kept.
pub const KEPT_VITALS: u8 = 1;
/// A copy of everything was kept.
pub const KEPT_ALL: u8 = 2;
/// A copy of the journal was kept.
pub const KEPT_JOURNAL: u8 = 4;
/// A segment of the log was erased for new records.
pub const ERASED: u8 = 8;

/// What was written to the flash.
#[derive(Debug, Default)]
pub struct Written(Cell<u8>);

impl Written {
    /// Nothing yet.
    pub const fn new() -> Self {
        Written(Cell::new(0))
    }

    /// Bits of what was written since this was asked last.
    pub fn take(&self) -> u8 {
        self.0.take()
    }

    fn note(&self, at: u32, erased: bool) {
        let bit = match at {
            _ if at >= TOLD.from => KEPT_JOURNAL,
            _ if at >= VITALS.from => KEPT_VITALS,
            _ if at >= COPIES.from => KEPT_ALL,
            _ if erased => ERASED,
            _ => 0,
        };
        self.0.set(self.0.get() | bit);
    }
}

/// A flash that writes what it is told to, and notes where.
#[derive(Clone, Copy)]
pub struct Chip<'a, M> {
    /// Its bytes.
    pub memory: M,
    /// What was written.
    pub written: &'a Written,
}

impl<M> ErrorType for Chip<'_, M> {
    type Error = NorFlashErrorKind;
}

impl<M: Memory> ReadNorFlash for Chip<'_, M> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        check_read(self, offset, into.len())?;
        self.memory.get(offset, into);
        Ok(())
    }

    fn capacity(&self) -> usize {
        FLASH_BYTES
    }
}

impl<M: Memory> NorFlash for Chip<'_, M> {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        check_erase(self, from, to)?;
        self.written.note(from, true);
        wipe(&mut self.memory, from, to);
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        check_write(self, offset, bytes.len())?;
        self.written.note(offset, false);
        self.memory.put(offset, bytes);
        Ok(())
    }
}

/// Release pins of the mock board.
pub type MockPins = Pins<Pin, Pin>;

/// The tag of the deployed path as it is counted.
pub type Tag<'a, 'b, M> = Running<'a, Chip<'b, M>, Deaf>;

/// Feeds the tag, and counts what that costs, or not; takes what is left to say of a trace.
pub trait Door<M>: Sink {
    /// Hands `run` to the tag; its first sample is number `first`.
    fn feed(
        &mut self,
        tag: &mut Tag<'_, '_, M>,
        first: u32,
        run: &Run,
        clocks: &Clocks,
        pins: &mut MockPins,
    );
}

/// What the FIFO holds, with the readings of slow sensors that came meanwhile.
struct Filling {
    accel_g: [[f32; 3]; FIFO],
    len: usize,
    newest: Raw,
    depth_m: Option<f32>,
    cell_left: Option<f32>,
    memory_used: Option<f32>,
}

impl Filling {
    const EMPTY: Filling = Filling {
        accel_g: [[0.0; 3]; FIFO],
        len: 0,
        newest: Raw { t_us: 0, axes: None, depth_m: None, cell_left: None, memory_used: None },
        depth_m: None,
        cell_left: None,
        memory_used: None,
    };

    /// False: it has to be emptied first.
    fn takes(&self, raw: &Raw, period_us: u32) -> bool {
        let due_us = self.newest.t_us.wrapping_add(u64::from(period_us));
        self.len == 0 || (self.len < FIFO && raw.t_us == due_us)
    }

    fn push(&mut self, raw: &Raw, counts_per_g: f32) {
        self.newest = *raw;
        self.depth_m = raw.depth_m.or(self.depth_m);
        self.cell_left = raw.cell_left.or(self.cell_left);
        self.memory_used = raw.memory_used.or(self.memory_used);
        if let Some(place) = self.accel_g.get_mut(self.len) {
            *place = match raw.axes {
                Some(Axes::Counts(counts)) => accel::to_g(counts, counts_per_g),
                Some(Axes::Floats(g)) => g,
                None => [f32::NAN; 3],
            };
            self.len = self.len.wrapping_add(1);
        }
    }
}

/// How a trace is run.
struct Course<'h, D> {
    header: &'h Header,
    door: &'h mut D,
    pins: MockPins,
    /// Samples handed over.
    number: u32,
}

impl<D> Course<'_, D> {
    fn empty<M: Memory>(&mut self, tag: &mut Tag<'_, '_, M>, fifo: &mut Filling)
    where
        D: Door<M>,
    {
        if fifo.len == 0 {
            return;
        }
        let period_us = self.header.config.sample_us();
        let taken = self.number.wrapping_add(fifo.len as u32);
        let run = Run {
            t_us: 0,
            period_us,
            accel_g: fifo.accel_g.get(..fifo.len).unwrap_or_default(),
            depth_m: fifo.depth_m,
            cell_left: fifo.cell_left,
            memory_used: fifo.memory_used,
        };
        // One backup counter, which counts on whatever the timer does.
        let counted_us = u64::from(taken).saturating_mul(period_us.into());
        let clocks = Clocks { timer_us: fifo.newest.t_us, backup_us: [Some(counted_us), None] };
        self.door.feed(tag, self.number, &run, &clocks, &mut self.pins);
        self.number = taken;
        *fifo = Filling { newest: fifo.newest, ..Filling::EMPTY };
    }
}

fn setup(header: &Header) -> Setup {
    let mut settings = Settings::DEFAULT;
    if header.seldom {
        settings.vitals_s = 3600;
        settings.copy_s = 86_400;
    }
    Setup::new(header.config, settings, Layout { copies: COPIES, vitals: VITALS }, TOLD)
}

/// Runs the trace behind `header`. False: the flash does not fit.
pub fn over<'b, M: Memory + Copy, D: Door<M>>(
    header: &Header,
    chip: Chip<'b, M>,
    places: &mut Places<Chip<'b, M>>,
    source: &mut impl Source,
    door: &mut D,
) -> bool {
    let setup = setup(header);
    let mut tag = if header.carry.load {
        // SAFETY: the image has read these places back from where it kept them.
        unsafe { places.running(Deaf) }
    } else {
        let mut memory = chip.memory;
        wipe(&mut memory, 0, FLASH_BYTES as u32);
        build(places, &setup);
        let clocks = Clocks { timer_us: 0, backup_us: [Some(0), None] };
        let Some(tag) = start(chip, &setup, &clocks, places, Deaf) else { return false };
        tag
    };
    chip.written.take();
    let (pins, number) = (Pins { arm: Pin::default(), fire: Pin::default() }, header.first);
    let mut course = Course { header, door, pins, number };
    let mut fifo = Filling::EMPTY;
    let mut clock = Clock::default();
    for _ in 0..header.samples {
        let raw = Raw::read(header.kind, &mut clock, source);
        if !fifo.takes(&raw, header.config.sample_us()) {
            course.empty(&mut tag, &mut fifo);
        }
        fifo.push(&raw, header.config.logger().counts_per_g);
    }
    course.empty(&mut tag, &mut fifo);
    if !header.carry.save {
        let fired = course.pins.fire.fired;
        end(&mut tag, header.samples, fired, course.door);
    }
    true
}

#[inline(never)]
fn end<M: Memory>(tag: &mut Tag<'_, '_, M>, samples: u32, fired: u32, sink: &mut impl Sink) {
    let Running { keeper, books } = tag;
    keeper.flush(books);
    let faults = *keeper.tag().faults();
    // What could not be kept shows in the digest.
    let _ = books.journal.finish(&faults, books.log);
    let mut digest = 0x811c_9dc5_u32;
    let mut at = 0;
    while at < FLASH_BYTES as u32 {
        let mut bytes = [0; 64];
        books.log.flash().memory.get(at, &mut bytes);
        for byte in bytes {
            digest = (digest ^ u32::from(byte)).wrapping_mul(0x0100_0193);
        }
        at += 64;
    }
    record::write_digest(samples, 0, digest, sink);
    let record_bytes = keeper.tag().record_bytes();
    let end =
        End { samples, faults: faults.counts, fate: keeper.tag().fate(), record_bytes, fired };
    record::write_end(&end, sink);
}

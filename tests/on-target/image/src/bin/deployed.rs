//! The deployed path on the target: `on_target_wire::deployed` says what it is. Traces come
//! over semihosting, the flash is a file of the host, and every feed of the tag, with its
//! copies, log and journal, is counted. It links only where no panic can be reached.
#![no_std]
#![no_main]

#[path = "../host.rs"]
#[allow(dead_code, reason = "shared with the image that compares")]
mod host;
#[path = "../measure.rs"]
#[allow(dead_code, reason = "shared with the image that compares")]
mod measure;
#[path = "../panic.rs"]
mod panic;

use core::mem::MaybeUninit;

use cortex_m_rt::entry;
use cortex_m_semihosting::debug;
use firmware_core::shell::clock::Clocks;
use firmware_core::types::Run;
use on_target_wire::deployed::{Chip, Door, MockPins, Tag, Written, over};
use on_target_wire::flash::Memory;
use on_target_wire::record;
use on_target_wire::shell::Places;
use on_target_wire::trace::{Header, Mode, Sink};

use host::{File, Reader, Writer};

static mut PLACES: MaybeUninit<Places<Chip<'static, Disk>>> = MaybeUninit::new(Places::new());
static mut FILE: Option<File> = None;

/// The one flash: a file of the host.
#[derive(Clone, Copy)]
struct Disk;

impl Disk {
    fn file(self) -> Option<File> {
        // SAFETY: one core, no interrupts, and written once before it is read.
        unsafe { *(&raw const FILE) }
    }
}

impl Memory for Disk {
    fn get(&mut self, at: u32, into: &mut [u8]) {
        if let Some(file) = self.file() {
            file.read(at, into);
        }
    }

    fn put(&mut self, at: u32, bytes: &[u8]) {
        if let Some(file) = self.file() {
            file.write(at, bytes);
        }
    }
}

/// What is written to the flash, noted.
struct Notes(Written);
// SAFETY: one core, no interrupts.
unsafe impl Sync for Notes {}
static NOTES: Notes = Notes(Written::new());

/// The feed that is measured.
#[inline(never)]
#[unsafe(no_mangle)]
fn deployed_feed(tag: &mut Tag<'_, '_, Disk>, run: &Run, clocks: &Clocks, pins: &mut MockPins) {
    tag.feed(run, Some(true), clocks, pins);
}

struct Counted<'a> {
    ticks: &'a measure::Ticks,
    results: &'a mut Writer,
    mode: Mode,
}

impl Sink for Counted<'_> {
    fn put(&mut self, bytes: &[u8]) {
        self.results.put(bytes);
    }
}

impl Door<Disk> for Counted<'_> {
    fn feed(
        &mut self,
        tag: &mut Tag<'_, '_, Disk>,
        first: u32,
        run: &Run,
        clocks: &Clocks,
        pins: &mut MockPins,
    ) {
        match self.mode {
            Mode::Time => {
                let ((), spent) = self.ticks.of(|| deployed_feed(tag, run, clocks, pins));
                record::write_measure(b'T', first, spent, self.results);
            }
            Mode::Stack => {
                let feed = || deployed_feed(tag, run, clocks, pins);
                let ((), deep) = measure::stack(measure::FEED, feed);
                record::write_measure(b'S', first, deep, self.results);
            }
            _ => deployed_feed(tag, run, clocks, pins),
        }
        let kept = NOTES.0.take();
        if kept != 0 {
            record::write_kept(first, kept, self.results);
        }
    }
}

#[entry]
fn main() -> ! {
    let ticks = measure::Ticks::start();
    let mut input = Reader::open(c"traces.bin");
    let mut results = Writer::create(c"results.bin");
    ticks.calibrate(&mut results);
    let chip = Chip { memory: Disk, written: &NOTES.0 };
    while let Some(header) = Header::read(&mut input) {
        // SAFETY: `main` runs once and nothing else touches them.
        let (place, file) = unsafe { (&mut *(&raw mut PLACES), &mut *(&raw mut FILE)) };
        if header.carry.load {
            *file = Some(File::open(c"flash.bin"));
            // SAFETY: the bytes are those that this very image wrote.
            unsafe { host::load(c"tag.bin", place) };
        } else if file.is_none() {
            *file = Some(File::create(c"flash.bin"));
        }
        // SAFETY: places, full or empty, are there from the start.
        let places = unsafe { place.assume_init_mut() };
        let mut door = Counted { ticks: &ticks, results: &mut results, mode: header.mode };
        if !over(&header, chip, places, &mut input, &mut door) {
            debug::exit(debug::EXIT_FAILURE);
        }
        if header.carry.save {
            host::save(c"tag.bin", place);
        }
    }
    results.flush();
    debug::exit(debug::EXIT_SUCCESS);
    loop {}
}

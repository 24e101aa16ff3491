//! The proof image with what keeps the tag through a reset: copies in flash, the
//! release clock. It links only where no panic can be reached in it either.
#![no_std]
#![no_main]

#[path = "../panic.rs"]
mod panic;

use core::hint::black_box;
use core::mem::MaybeUninit;

use cortex_m_rt::entry;
use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};
use firmware_core::checkpoint::clock::{Clocks, ReleaseClock};
use firmware_core::checkpoint::slots::{Region, Slots};
use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use firmware_core::tag::Tag;

static mut TAG: MaybeUninit<Tag> = MaybeUninit::uninit();

/// A flash of which the compiler knows nothing.
struct Chip;

#[derive(Debug)]
struct Broken;

impl NorFlashError for Broken {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

impl ErrorType for Chip {
    type Error = Broken;
}

fn done() -> Result<(), Broken> {
    if black_box(true) { Ok(()) } else { Err(Broken) }
}

impl ReadNorFlash for Chip {
    const READ_SIZE: usize = 1;
    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Broken> {
        black_box((offset, bytes));
        done()
    }
    fn capacity(&self) -> usize {
        black_box(65_536)
    }
}

impl NorFlash for Chip {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = 4096;
    fn erase(&mut self, from: u32, to: u32) -> Result<(), Broken> {
        black_box((from, to));
        done()
    }
    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Broken> {
        black_box((offset, bytes));
        done()
    }
}

#[entry]
fn main() -> ! {
    let settings = (
        black_box(Logger { sample_hz: 25.0, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None }),
        black_box(Place { start_unix_s: Some(0), latitude_deg: 0.0, longitude_deg: 0.0 }),
        black_box(Animal { breathing: Breathing::Ram, length_m: None }),
        black_box(Detector::DEFAULT),
        black_box(Release::DEFAULT),
    );
    let (logger, place, animal, detector, release) = settings;
    let Ok(config) = Config::new(logger, place, animal, detector, release) else { loop {} };
    // SAFETY: `main` runs once and nothing else touches the tag.
    let tag = unsafe { (*(&raw mut TAG)).write(Tag::new(config)) };
    let region = black_box(Region { from: 0, slot_bytes: 4096, count: 2, mark: 1 });
    let mut clock = ReleaseClock::start(&Clocks::default());
    loop {
        let Ok(mut slots) = Slots::open(&mut Chip, region) else { continue };
        black_box(slots.save(&mut Chip, black_box(7), tag).is_ok());
        black_box(slots.load(&mut Chip, black_box(7), tag));
        clock.tick(&black_box(Clocks::default()), 1);
        black_box(clock.resume(&black_box(Clocks::default()), 1));
        black_box(&clock);
    }
}

//! The proof image with what keeps the tag through a reset: copies in flash, the
//! release clock. It links only where no panic can be reached in it either.
#![no_std]
#![no_main]

#[path = "../panic.rs"]
mod panic;

use core::hint::black_box;
use core::mem::MaybeUninit;

use cortex_m_rt::entry;
use embedded_hal::digital::{ErrorKind, ErrorType as PinErrorType, OutputPin};
use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};
use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::firing::Pins;
use firmware_core::shell::keeper::{Apart, Keeper, Layout, Plan, Reset, Settings};
use firmware_core::store::slots::Region;
use firmware_core::types::{Event, Moment, Run};

static mut KEEPER: MaybeUninit<Keeper> = MaybeUninit::uninit();

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

/// A pin of which the compiler knows nothing.
struct Wire;

#[derive(Debug)]
struct Cut;

impl embedded_hal::digital::Error for Cut {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

impl PinErrorType for Wire {
    type Error = Cut;
}

impl OutputPin for Wire {
    fn set_low(&mut self) -> Result<(), Cut> {
        if black_box(true) { Ok(()) } else { Err(Cut) }
    }
    fn set_high(&mut self) -> Result<(), Cut> {
        if black_box(true) { Ok(()) } else { Err(Cut) }
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
    let layout = black_box(Layout {
        copies: Region { from: 0, slot_bytes: 4096, count: 2, mark: 1 },
        vitals: Region { from: 8192, slot_bytes: 256, count: 32, mark: 2 },
    });
    let clocks = black_box(Clocks::default());
    let mut flash = Chip;
    let mut pins = Pins { arm: Wire, fire: Wire };
    let plan = Plan::new(config, black_box(Settings::DEFAULT), 1);
    // SAFETY: `main` runs once and nothing else touches the keeper.
    let keeper = unsafe { (*(&raw mut KEEPER)).write(Keeper::new(&plan)) };
    let kept = if black_box(true) {
        keeper.begin(&mut flash, &layout, &clocks)
    } else {
        keeper.go_on(&mut flash, &layout, &clocks, Reset::Power).map(|_| ())
    };
    let Ok(()) = kept else { loop {} };
    let accel_g = black_box([[0.0; 3]; 25]);
    let run = Run::accel(black_box(0), black_box(40_000), &accel_g);
    let sink = |event: &Event, moment: &Moment<'_>| {
        black_box((event, moment));
    };
    let mut store = Apart { flash: &mut flash, sink };
    loop {
        let clocks = black_box(clocks);
        let wet = black_box(None);
        black_box(keeper.feed(black_box(&run), wet, &clocks, &mut store, &mut pins));
        let depth_m = black_box(None);
        keeper.idle(depth_m, wet, &clocks, &mut store, &mut pins);
        keeper.poll(depth_m, wet, &clocks, &mut store, &mut pins);
        keeper.flush(&mut store);
        black_box((keeper.alarm_us(), keeper.guardian()));
        let tag = keeper.tag();
        black_box((tag.fate(), tag.fate_report(), tag.recovery(), tag.release()));
        black_box((tag.faults(), tag.record_bytes()));
    }
}

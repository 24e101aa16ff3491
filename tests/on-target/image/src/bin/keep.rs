//! The smallest image around the log and the satellite summary, without the
//! detectors: it links only where no panic can be reached, and its size less
//! that of the same image without them (feature `bare`) is what they need.
#![no_std]
#![no_main]

#[path = "../panic.rs"]
mod panic;

use core::hint::black_box;
use core::mem::MaybeUninit;

use cortex_m_rt::entry;
use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash,
};
use firmware_core::log::{Log, Recorder};
use firmware_core::tag::{FaultCounters, Output};

/// A flash of which the compiler knows nothing.
struct Unseen;

impl ErrorType for Unseen {
    type Error = NorFlashErrorKind;
}

fn done(what: (u32, &[u8])) -> Result<(), NorFlashErrorKind> {
    black_box(what);
    if black_box(false) { Err(NorFlashErrorKind::Other) } else { Ok(()) }
}

impl ReadNorFlash for Unseen {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        black_box(into.as_mut_ptr());
        done((offset, into))
    }

    fn capacity(&self) -> usize {
        black_box(1 << 24)
    }
}

impl NorFlash for Unseen {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        black_box(to);
        done((from, &[]))
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        done((offset, bytes))
    }
}

/// The log and the recorder, in their place.
static mut LOG: MaybeUninit<(Log<Unseen>, Recorder)> = MaybeUninit::uninit();

#[entry]
fn main() -> ! {
    let out = black_box(Output::default());
    let faults = black_box(FaultCounters::default());
    if cfg!(feature = "bare") {
        loop {
            black_box((&out, &faults));
            black_box(Unseen.capacity());
        }
    }
    let Ok(log) = Log::open(Unseen, 0, black_box(1 << 24)) else { loop {} };
    // SAFETY: `main` runs once and nothing else touches the place.
    let (log, recorder) = unsafe { (*(&raw mut LOG)).write((log, Recorder::new())) };
    black_box(log.format().is_ok());
    loop {
        black_box(recorder.take(black_box(0), black_box(&out), black_box(&faults), log).is_ok());
        black_box(recorder.finish(black_box(&faults), log).is_ok());
        black_box((log.used_fraction(), log.dropped(), log.failures(), recorder.lost()));
    }
}

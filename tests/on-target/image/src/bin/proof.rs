//! The smallest image around the detectors: no files, no traces. It links only
//! where no panic can be reached, and its size less that of the same image
//! without detectors (feature `bare`) is what the detectors need.
#![no_std]
#![no_main]

#[path = "../own.rs"]
mod own;
#[path = "../panic.rs"]
mod panic;

use core::hint::black_box;
use core::mem::MaybeUninit;

use cortex_m_rt::entry;
use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use firmware_core::tag::Tag;
use firmware_core::types::{Event, Moment, Run};
use own::{Own, own};

static mut TAG: MaybeUninit<Tag<Own>> = MaybeUninit::uninit();

#[entry]
fn main() -> ! {
    let fifo = black_box([[0.0; 3]; 25]);
    let run = Run {
        t_us: black_box(0),
        period_us: black_box(40_000),
        accel_g: &fifo,
        depth_m: black_box(None),
        cell_left: black_box(None),
        memory_used: black_box(None),
    };
    let settings = (
        black_box(Logger { sample_hz: 25.0, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None }),
        black_box(Place { start_unix_s: Some(0), latitude_deg: 0.0, longitude_deg: 0.0 }),
        black_box(Animal { breathing: Breathing::Ram, length_m: None }),
        black_box(Detector::DEFAULT),
        black_box(Release::DEFAULT),
    );
    #[cfg(feature = "planted")]
    black_box([1_u8, 2, 3][black_box(3)]);
    let mut sink = |event: &Event, moment: &Moment<'_>| {
        black_box((event, moment));
    };
    if cfg!(feature = "bare") {
        loop {
            black_box((&run, &settings));
        }
    }
    let (logger, place, animal, detector, release) = settings;
    let Ok(config) = Config::new(logger, place, animal, detector, release) else { loop {} };
    // SAFETY: `main` runs once and nothing else touches the tag.
    let tag = unsafe { (*(&raw mut TAG)).write(Tag::with(config, own())) };
    loop {
        tag.feed(black_box(&run), &mut sink);
        tag.tick(black_box(0), &mut sink);
        tag.flush(&mut sink);
        black_box((&tag.fate_report(), &tag.recovery(), &tag.release()));
        black_box(tag.fate());
        black_box((tag.faults(), tag.record_bytes()));
    }
}

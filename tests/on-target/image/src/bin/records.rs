//! The log and the satellite summary on the target: the made-up deployment of
//! `on_target_wire::records`, every byte kept and sent, and what that costs. It
//! links only where no panic can be reached. With the feature `bare` it is the
//! same image without them: the difference in size is what they need.
#![no_std]
#![no_main]

#[path = "../host.rs"]
#[allow(dead_code, reason = "shared with the image that reads traces")]
mod host;
#[path = "../measure.rs"]
#[allow(dead_code, reason = "shared with the image that reads traces")]
mod measure;
#[path = "../panic.rs"]
mod panic;

use core::mem::MaybeUninit;

use cortex_m_rt::entry;
use cortex_m_semihosting::debug;
use on_target_wire::probe::Probe;
use on_target_wire::record;
#[cfg(not(feature = "bare"))]
use on_target_wire::records::Keeping;
use on_target_wire::records::{Part, RamFlash, deployment};

use host::Writer;

#[cfg(feature = "bare")]
type Keeping<'a> = on_target_wire::records::Nothing<'a>;

static mut FLASH: RamFlash = RamFlash::filled(0x53);
static mut KEEPING: MaybeUninit<Keeping<'static>> = MaybeUninit::uninit();

/// Measures stack in one run, instructions in another.
struct Measured<'a> {
    ticks: &'a measure::Ticks,
    results: &'a mut Writer,
}

impl Probe<Part> for Measured<'_> {
    #[inline(always)]
    fn run<T>(&mut self, part: Part, f: impl FnOnce() -> T) -> T {
        let ((out, spent), deep) = measure::stack(measure::FEED, || self.ticks.of(f));
        record::write_measure(b'T', part as u32, spent, self.results);
        record::write_measure(b'S', part as u32, deep, self.results);
        out
    }
}

#[entry]
fn main() -> ! {
    let ticks = measure::Ticks::start();
    let mut results = Writer::create(c"results.bin");
    let mut kept = Writer::create(c"kept.bin");
    ticks.calibrate(&mut results);
    let mut probe = Measured { ticks: &ticks, results: &mut results };
    // SAFETY: `main` runs once and nothing else touches the places.
    let (flash, place) = unsafe { (&mut *(&raw mut FLASH), &mut *(&raw mut KEEPING)) };
    #[cfg(not(feature = "bare"))]
    if let Some(keeping) = Keeping::new(flash, &mut probe) {
        deployment(place.write(keeping), &mut probe, &mut kept);
    }
    #[cfg(feature = "bare")]
    deployment(place.write(on_target_wire::records::Nothing(flash)), &mut probe, &mut kept);
    kept.flush();
    results.flush();
    debug::exit(debug::EXIT_SUCCESS);
    loop {}
}

//! The whole tag on the target: everything that a firmware needs of the core, in one image:
//! `on_target_wire::whole` says what it does. It links only where no panic can be
//! reached.
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

use cortex_m_rt::entry;
use cortex_m_semihosting::debug;
use on_target_wire::flash::Memory;
use on_target_wire::probe::Probe;
use on_target_wire::record;
use on_target_wire::sea::Sea;
use on_target_wire::shell::Places;
use on_target_wire::whole::{FLASH_BYTES, Flash, Part, deployment};

use host::{File, Writer};

/// The flash: a file of the host.
#[derive(Clone, Copy)]
struct Chip(File);

impl Memory for Chip {
    fn get(&mut self, at: u32, into: &mut [u8]) {
        self.0.read(at, into);
    }

    fn put(&mut self, at: u32, bytes: &[u8]) {
        self.0.write(at, bytes);
    }
}

static mut WHOLE: Places<Flash<Chip>> = Places::new();
static mut SEA: Sea = Sea::new(on_target_wire::whole::PRESSURE_CRC);

/// Measures stack and ticks of every part. Of a part that runs again and again only
/// the dearest so far is told.
struct Measured<'a> {
    ticks: &'a measure::Ticks,
    results: &'a mut Writer,
    most: [(u32, u32); 5],
}

impl Probe<Part> for Measured<'_> {
    #[inline(always)]
    fn run<T>(&mut self, part: Part, f: impl FnOnce() -> T) -> T {
        let painted = match part {
            Part::Build | Part::Start | Part::Resume => measure::NEW.min(measure::room()),
            _ => measure::FEED,
        };
        let ((out, spent), deep) = measure::stack(painted, || self.ticks.of(f));
        if let Some((ticks, bytes)) = self.most.get_mut(part as usize) {
            if spent > *ticks {
                *ticks = spent;
                record::write_measure(b'T', part as u32, spent, self.results);
            }
            if deep > *bytes {
                *bytes = deep;
                record::write_measure(b'S', part as u32, deep, self.results);
            }
        }
        out
    }
}

#[entry]
fn main() -> ! {
    let ticks = measure::Ticks::start();
    let mut results = Writer::create(c"results.bin");
    let mut said = Writer::create(c"said.bin");
    ticks.calibrate(&mut results);
    let mut probe = Measured { ticks: &ticks, results: &mut results, most: [(0, 0); 5] };
    let flash = File::create(c"flash.bin");
    let mut at = 0;
    while at < FLASH_BYTES as u32 {
        flash.write(at, &[0x53; 64]);
        at += 64;
    }
    // SAFETY: `main` runs once and nothing else touches the places.
    let (place, sea) = unsafe { (&mut *(&raw mut WHOLE), &*(&raw const SEA)) };
    deployment(Chip(flash), sea, place, &mut probe, &mut said);
    said.flush();
    results.flush();
    debug::exit(debug::EXIT_SUCCESS);
    loop {}
}

//! The firmware image: traces come over semihosting into a mock accelerometer,
//! are read over `embedded-hal`, stepped through the tag, and every beat, minute
//! and decision goes back. It can also count what a step costs.
#![no_std]
#![no_main]

mod host;
mod measure;
mod panic;

use core::mem::MaybeUninit;

use cortex_m_rt::entry;
use cortex_m_semihosting::debug;
use firmware_core::tag::{Output, Sample, Tag};
use on_target_wire::accel::{Accelerometer, CountsAccel, FloatAccel};
use on_target_wire::app::{self, Slow};
use on_target_wire::bus::{Bus, Part, Pin, Timer};
#[cfg(feature = "inspect")]
use on_target_wire::digest::Stages;
use on_target_wire::record::{self, End};
use on_target_wire::trace::{Clock, Header, Kind, Mode, Raw};

use host::{Reader, Writer};

/// The one tag. Its place is static, as on a tag.
static mut TAG: MaybeUninit<Tag> = MaybeUninit::uninit();

/// The step that is measured: what a firmware's loop calls.
#[inline(never)]
#[unsafe(no_mangle)]
fn measured_step(tag: &mut Tag, sample: &Sample, out: &mut Output) {
    tag.step_into(sample, out);
}

/// Builds the tag in its place.
#[inline(never)]
fn measured_new(tag: &mut MaybeUninit<Tag>, config: &firmware_core::config::Config) {
    tag.write(Tag::new(*config));
}

#[entry]
fn main() -> ! {
    let clock = measure::Ticks::start();
    let mut input = Reader::open(c"traces.bin");
    let mut results = Writer::create(c"results.bin");
    clock.calibrate(&mut results);
    // SAFETY: `main` runs once and nothing else touches the tag.
    let place = unsafe { &mut *(&raw mut TAG) };
    while let Some(header) = Header::read(&mut input) {
        if header.carry.load {
            // SAFETY: the bytes are those of a tag that this very image wrote.
            unsafe { host::load(c"tag.bin", place) };
        } else if header.mode == Mode::Stack {
            let ((), deep) = measure::stack(measure::NEW, || measured_new(place, &header.config));
            record::write_measure(b'S', u32::MAX, deep, &mut results);
        } else {
            measured_new(place, &header.config);
        }
        // SAFETY: built or loaded above.
        let tag = unsafe { place.assume_init_mut() };
        let part = Part::default();
        let counts_per_g = header.config.logger().counts_per_g;
        if header.kind == Kind::Counts {
            let accel = CountsAccel::new(Bus(&part), counts_per_g);
            run(&header, tag, &part, accel, &mut input, &clock, &mut results);
        } else {
            run(&header, tag, &part, FloatAccel::new(Bus(&part)), &mut input, &clock, &mut results);
        }
        if header.carry.save {
            host::save(c"tag.bin", place);
        }
    }
    results.flush();
    debug::exit(debug::EXIT_SUCCESS);
    loop {}
}

#[inline(never)]
fn run(
    header: &Header,
    tag: &mut Tag,
    part: &Part,
    mut accel: impl Accelerometer,
    input: &mut Reader,
    ticks: &measure::Ticks,
    results: &mut Writer,
) {
    let mut timer = Timer::default();
    let mut pin = Pin::default();
    let mut clock = Clock::default();
    let mut out = Output::default();
    let period_us = header.config.sample_us();
    if accel.start().is_err() {
        debug::exit(debug::EXIT_FAILURE);
    }
    for number in 0..header.samples {
        let raw = Raw::read(header.kind, &mut clock, input);
        part.fill(raw.axes);
        let slow =
            Slow { depth_m: raw.depth_m, cell_left: raw.cell_left, memory_used: raw.memory_used };
        let sample = app::read(&mut accel, &mut timer, raw.t_us, period_us, slow);
        match header.mode {
            Mode::Time => {
                let ((), spent) = ticks.of(|| measured_step(tag, &sample, &mut out));
                record::write_measure(b'T', number, spent, results);
            }
            Mode::Stack => {
                let ((), depth) =
                    measure::stack(measure::STEP, || measured_step(tag, &sample, &mut out));
                record::write_measure(b'S', number, depth, results);
            }
            _ => measured_step(tag, &sample, &mut out),
        }
        app::act(&out, &mut pin);
        record::write(&out, number, results);
        log(&out);
        #[cfg(feature = "inspect")]
        if header.mode == Mode::Inspect {
            inspect(header, tag, number, results);
        }
    }
    if header.mode == Mode::Decide {
        while let Some(out) = tag.finish() {
            app::act(&out, &mut pin);
            record::write(&out, header.samples, results);
            log(&out);
        }
    }
    let end = End {
        samples: header.samples,
        faults: tag.faults().counts,
        fate: tag.fate(),
        record_bytes: tag.record_bytes(),
        fired: pin.fired,
    };
    record::write_end(&end, results);
}

#[cfg(feature = "inspect")]
fn inspect(header: &Header, tag: &Tag, number: u32, results: &mut Writer) {
    let behind = number.wrapping_sub(header.first);
    if number < header.first || behind.checked_rem(header.every).unwrap_or(0) != 0 {
        return;
    }
    for (i, stage) in Stages::of(tag).iter().enumerate() {
        record::write_digest(number, i as u8, stage.digest, results);
    }
}

#[cfg(feature = "log")]
fn log(out: &Output) {
    use defmt_semihosting as _;
    if let Some(x) = &out.minute {
        defmt::debug!("minute {}", x);
    }
    if let Some(x) = &out.fate {
        defmt::info!("fate {}", x);
    }
    if let Some(x) = &out.recovery {
        defmt::info!("recovery {}", x);
    }
    if let Some(x) = &out.release {
        defmt::info!("release {}", x);
    }
    if let Some(x) = &out.fault {
        defmt::warn!("fault {}", x);
    }
}

#[cfg(not(feature = "log"))]
fn log(_: &Output) {}

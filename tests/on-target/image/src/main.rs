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
use firmware_core::tag::{Output, Run, Sample, Tag};
use on_target_wire::accel::{Accelerometer, CountsAccel, FloatAccel};
use on_target_wire::app::{self, Slow};
use on_target_wire::bus::{Bus, Part, Pin, Timer};
#[cfg(feature = "inspect")]
use on_target_wire::digest::Stages;
use on_target_wire::fifo::Fifo;
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

/// The same for what a FIFO held.
#[inline(never)]
#[unsafe(no_mangle)]
fn measured_run(tag: &mut Tag, run: &Run, out: &mut Output) -> usize {
    tag.step_run(run, out)
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
    let mut clock = Clock::default();
    let period_us = header.config.sample_us();
    if accel.start().is_err() {
        debug::exit(debug::EXIT_FAILURE);
    }
    let (pin, out) = (Pin::default(), Output::default());
    let mut steps = Steps { header, tag, ticks, results, pin, out, number: 0 };
    let mut fifo = Fifo::of(header.run, period_us);
    for _ in 0..header.samples {
        let raw = Raw::read(header.kind, &mut clock, input);
        part.fill(raw.axes);
        let slow =
            Slow { depth_m: raw.depth_m, cell_left: raw.cell_left, memory_used: raw.memory_used };
        let sample = app::read(&mut accel, &mut timer, raw.t_us, period_us, slow);
        if fifo.push(&sample) {
            continue;
        }
        steps.run(fifo.run());
        fifo.clear();
        if !fifo.push(&sample) {
            steps.one(&sample);
        }
    }
    steps.run(fifo.run());
    let Steps { mut pin, .. } = steps;
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

/// The tag's steps, and what becomes of what they tell.
struct Steps<'a> {
    header: &'a Header,
    tag: &'a mut Tag,
    ticks: &'a measure::Ticks,
    results: &'a mut Writer,
    pin: Pin,
    out: Output,
    /// Samples taken.
    number: u32,
}

impl Steps<'_> {
    /// One sample.
    fn one(&mut self, sample: &Sample) {
        self.step(|tag, out| {
            measured_step(tag, sample, out);
            1
        });
    }

    /// All samples of a run.
    fn run(&mut self, run: Run) {
        let mut rest = run;
        while !rest.accel_g.is_empty() {
            let count = self.step(|tag, out| measured_run(tag, &rest, out));
            rest = rest.after(count);
        }
    }

    #[inline(always)]
    fn step(&mut self, take: impl FnOnce(&mut Tag, &mut Output) -> usize) -> usize {
        let Steps { tag, out, ticks, results, .. } = self;
        let take = || take(tag, out);
        let count = match self.header.mode {
            Mode::Time => {
                let (count, spent) = ticks.of(take);
                record::write_measure(b'T', self.number, spent, *results);
                count
            }
            Mode::Stack => {
                let (count, depth) = measure::stack(measure::STEP, take);
                record::write_measure(b'S', self.number, depth, *results);
                count
            }
            _ => take(),
        };
        self.number += count as u32;
        let last = self.number - 1;
        app::act(&self.out, &mut self.pin);
        record::write(&self.out, last, self.results);
        log(&self.out);
        #[cfg(feature = "inspect")]
        if self.header.mode == Mode::Inspect {
            inspect(self.header, self.tag, last, self.results);
        }
        count
    }
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

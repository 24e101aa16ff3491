//! The firmware image: traces come over semihosting into a mock accelerometer,
//! are read over `embedded-hal`, fed to the tag, and every beat, minute
//! and decision goes back. It can also count what a feed costs.
#![no_std]
#![no_main]

#[allow(dead_code, reason = "shared with the images that have a flash")]
mod host;
#[allow(dead_code, reason = "shared with the images that have a flash")]
mod measure;
mod own;
mod panic;

use core::mem::MaybeUninit;

use cortex_m_rt::entry;
use cortex_m_semihosting::debug;
use firmware_core::tag::Tag;
use firmware_core::types::{Event, Moment, Run};
use on_target_wire::accel::{Accelerometer, CountsAccel, FloatAccel};
use on_target_wire::app::{self, Slow};
use on_target_wire::bus::{Bus, Part, Pin, Timer};
#[cfg(feature = "inspect")]
use on_target_wire::digest::Stages;
use on_target_wire::fifo::Fifo;
use on_target_wire::heard::Heard;
use on_target_wire::record::{self, End};
use on_target_wire::trace::{Clock, Header, Kind, Mode, Raw};

use host::{Reader, Writer};
use own::{Own, own};

/// Reports of a run of 32 samples that there is room for: a beat a sample at the lowest rate, and
/// what comes with a minute.
const HEARD: usize = 40;

/// The one tag. Its place is static, as on a tag.
static mut TAG: MaybeUninit<Tag<Own>> = MaybeUninit::uninit();

/// The feed that is measured.
#[inline(never)]
#[unsafe(no_mangle)]
fn measured_feed(tag: &mut Tag<Own>, run: &Run, heard: &mut Heard<HEARD>) {
    tag.feed(run, heard);
}

/// Builds the tag in its place.
#[inline(never)]
fn measured_new(tag: &mut MaybeUninit<Tag<Own>>, config: &firmware_core::config::Config) {
    tag.write(Tag::with(*config, own()));
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
            let ((), deep) = measure::stack(measure::NEW.min(measure::room()), || {
                measured_new(place, &header.config)
            });
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
    tag: &mut Tag<Own>,
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
    let mut feeds =
        Feeds { header, tag, ticks, results, pin: Pin::default(), heard: Heard::NEW, number: 0 };
    let mut fifo = Fifo::of(header.run, period_us);
    for _ in 0..header.samples {
        let raw = Raw::read(header.kind, &mut clock, input);
        part.fill(raw.axes);
        let slow =
            Slow { depth_m: raw.depth_m, cell_left: raw.cell_left, memory_used: raw.memory_used };
        let sample = app::read(&mut accel, &mut timer, raw.t_us, period_us, slow);
        if !fifo.push(&sample) {
            feeds.take(&fifo.run());
            fifo.clear();
            fifo.push(&sample);
        }
    }
    feeds.take(&fifo.run());
    let Feeds { mut pin, .. } = feeds;
    if header.mode == Mode::Decide {
        tag.flush(&mut |event: &Event, _: &Moment<'_>| {
            report(event, header.samples, &mut pin, results);
        });
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

fn report(event: &Event, sample: u32, pin: &mut Pin, results: &mut Writer) {
    app::act(event, pin);
    record::write(event, sample, results);
    log(event);
}

/// The tag's feeds, and what becomes of what they bring.
struct Feeds<'a> {
    header: &'a Header,
    tag: &'a mut Tag<Own>,
    ticks: &'a measure::Ticks,
    results: &'a mut Writer,
    pin: Pin,
    heard: Heard<HEARD>,
    /// Samples taken.
    number: u32,
}

impl Feeds<'_> {
    fn take(&mut self, run: &Run) {
        if run.accel_g.is_empty() {
            return;
        }
        let Feeds { tag, heard, ticks, results, pin, .. } = self;
        let first = self.number;
        match self.header.mode {
            Mode::Time => {
                let ((), spent) = ticks.of(|| measured_feed(tag, run, heard));
                record::write_measure(b'T', first, spent, *results);
            }
            Mode::Stack => {
                let ((), deep) = measure::stack(measure::FEED, || measured_feed(tag, run, heard));
                record::write_measure(b'S', first, deep, *results);
            }
            _ => measured_feed(tag, run, heard),
        }
        for (event, sample) in heard.iter(first) {
            report(event, sample, pin, results);
        }
        heard.clear();
        self.number = first.wrapping_add(run.accel_g.len() as u32);
        #[cfg(feature = "inspect")]
        if self.header.mode == Mode::Inspect {
            inspect(self.header, self.tag, self.number.wrapping_sub(1), self.results);
        }
    }
}

#[cfg(feature = "inspect")]
fn inspect(header: &Header, tag: &Tag<Own>, number: u32, results: &mut Writer) {
    let behind = number.wrapping_sub(header.first);
    if number < header.first || behind.checked_rem(header.every).unwrap_or(0) != 0 {
        return;
    }
    for (i, stage) in Stages::of(tag).iter().enumerate() {
        record::write_digest(number, i as u8, stage.digest, results);
    }
}

#[cfg(feature = "log")]
fn log(event: &Event) {
    use defmt_semihosting as _;
    match event {
        Event::Beat(_) => {}
        Event::Minute(x) => defmt::debug!("minute {}", x),
        Event::Fate(x) => defmt::info!("fate {}", x),
        Event::Recovery(x) => defmt::info!("recovery {}", x),
        Event::Release(x) => defmt::info!("release {}", x),
        Event::Fault(x) => defmt::warn!("fault {}", x),
        Event::Own(x) => defmt::info!("own {}", x),
        Event::Launch(x) => defmt::info!("launch {}", x),
    }
}

#[cfg(not(feature = "log"))]
fn log(_: &Event) {}

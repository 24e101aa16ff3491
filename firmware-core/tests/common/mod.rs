//! A swimming animal and a flash in memory, for the tests of this folder.

#![allow(dead_code)] // Not every test file uses everything.

use std::ops::Range;

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};
use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use firmware_core::tag::Tag;
use firmware_core::types::{Event, Moment, Run, Sample};

/// A configuration with all defaults.
pub fn config(sample_hz: f32) -> Config {
    config_with(sample_hz, Release::DEFAULT)
}

/// A configuration with these settings of the release.
pub fn config_with(sample_hz: f32, release: Release) -> Config {
    config_of(sample_hz, Breathing::Ram, release)
}

/// A configuration for an animal that breathes so, with these settings of the release.
pub fn config_of(sample_hz: f32, breathing: Breathing, release: Release) -> Config {
    let logger = Logger { sample_hz, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None };
    let place =
        Place { start_unix_s: Some(1_780_000_000), latitude_deg: 10.0, longitude_deg: -30.0 };
    let animal = Animal { breathing, length_m: None };
    Config::new(logger, place, animal, Detector::DEFAULT, release).unwrap()
}

/// An animal that beats, glides and dives, with a gap now and then.
pub fn swim(hz: f64, seconds: f64, seed: u32) -> Vec<Sample> {
    let mut state = seed.wrapping_mul(2_654_435_761).wrapping_add(1);
    let mut noise = move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state >> 8) / 16_777_216.0 - 0.5
    };
    let tau = std::f64::consts::TAU;
    let mut samples = Vec::new();
    for i in 0..(hz * seconds) as u64 {
        let t = i as f64 / hz;
        let (a, b, c) = (noise(), noise(), noise());
        if t > 1.0 && (t % 311.0) < 0.7 {
            continue;
        }
        let beats = (t % 60.0) < 45.0;
        let sway = if beats { 0.15 * (tau * 0.8 * t).sin() } else { 0.0 };
        let g = [0.05 + 0.01 * a, sway + 0.01 * b, 0.99 + 0.01 * c].map(|x| x as f32);
        let mut sample = Sample::accel((t * 1e6).round() as u64, g);
        if i % 25 == 0 {
            sample.depth_m = Some((20.0 + 8.0 * (tau * t / 240.0).sin() + 0.05 * a) as f32);
        }
        samples.push(sample);
    }
    samples
}

/// What a tag reports of one sample.
pub fn feed(tag: &mut Tag, sample: &Sample) -> Vec<Event> {
    let mut told = Vec::new();
    tag.feed(&sample.as_run(), &mut |event: &Event, _: &Moment| told.push(*event));
    told
}

/// What a tag reports of all samples, one by one, and after the last.
pub fn feed_all(tag: &mut Tag, samples: &[Sample]) -> Vec<Event> {
    let mut told: Vec<Event> = samples.iter().flat_map(|s| feed(tag, s)).collect();
    tag.flush(&mut |event: &Event, _: &Moment| told.push(*event));
    told
}

/// Samples in a row that make a run.
pub struct Part {
    first: Sample,
    period_us: u32,
    /// Their acceleration, g.
    pub accel_g: Vec<[f32; 3]>,
}

impl Part {
    /// The run of them.
    pub fn run(&self) -> Run<'_> {
        let Sample { t_us, depth_m, cell_left, memory_used, .. } = self.first;
        let (period_us, accel_g) = (self.period_us, self.accel_g.as_slice());
        Run { t_us, period_us, accel_g, depth_m, cell_left, memory_used }
    }

    /// Time of the last of them, microseconds.
    pub fn last_us(&self) -> u64 {
        let run = self.run();
        run.later_us(run.t_us, self.accel_g.len() - 1)
    }
}

/// Cuts samples into runs of these lengths in turn, or less where a sample is not due or brings a
/// reading of its own.
pub fn cut(samples: &[Sample], period_us: u32, lengths: &[usize]) -> Vec<Part> {
    let mut parts: Vec<Part> = Vec::new();
    let mut lengths = lengths.iter().copied().cycle();
    let mut room = 0;
    for sample in samples {
        let bare = sample.depth_m.or(sample.cell_left).or(sample.memory_used).is_none();
        if let Some(part) = parts.last_mut()
            && room > 0
            && bare
            && sample.t_us == part.last_us() + u64::from(period_us)
        {
            part.accel_g.push(sample.accel_g);
            room -= 1;
            continue;
        }
        room = lengths.next().unwrap() - 1;
        parts.push(Part { first: *sample, period_us, accel_g: vec![sample.accel_g] });
    }
    parts
}

/// A NOR flash in memory: bits can only be cleared but by erasing 4 KiB.
#[derive(Clone)]
pub struct Ram {
    /// What it holds.
    pub bytes: Vec<u8>,
    /// Writes and erasures so far.
    pub operations: usize,
    /// Sectors erased so far.
    pub erased: usize,
    /// Times that each sector was erased.
    pub wear: Vec<u32>,
    /// Power goes within the operation after so many; then nothing works any more.
    pub cut_after: Option<usize>,
    /// Bytes that do not take what is written.
    pub worn: Vec<Range<usize>>,
}

/// Power is off.
#[derive(Debug)]
pub struct Off;

impl NorFlashError for Off {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

impl Ram {
    /// Erased.
    pub fn new(len: usize) -> Self {
        let (bytes, wear) = (vec![0xFF; len], vec![0; len.div_ceil(4096)]);
        Ram { bytes, operations: 0, erased: 0, wear, cut_after: None, worn: vec![] }
    }

    /// Bytes of an operation of `len` that still get done.
    fn power(&mut self, len: usize) -> usize {
        self.operations += 1;
        match self.cut_after {
            Some(cut) if self.operations > cut + 1 => 0,
            Some(cut) if self.operations == cut + 1 => len / 2 + 1,
            _ => len,
        }
    }

    fn result(&self) -> Result<(), Off> {
        if self.cut_after.is_some_and(|cut| self.operations > cut) { Err(Off) } else { Ok(()) }
    }
}

impl ErrorType for Ram {
    type Error = Off;
}

impl ReadNorFlash for Ram {
    const READ_SIZE: usize = 1;
    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Off> {
        let from = offset as usize;
        bytes.copy_from_slice(&self.bytes[from..from + bytes.len()]);
        self.result()
    }
    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl NorFlash for Ram {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Off> {
        assert!(
            from.is_multiple_of(4096) && to.is_multiple_of(4096) && to as usize <= self.bytes.len()
        );
        let done = self.power((to - from) as usize);
        self.erased += 1;
        self.wear[from as usize / 4096..to as usize / 4096].iter_mut().for_each(|n| *n += 1);
        let from = from as usize;
        self.bytes[from..from + done].fill(0xFF);
        self.result()
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Off> {
        assert!(offset.is_multiple_of(4) && bytes.len().is_multiple_of(4));
        let done = self.power(bytes.len());
        let from = offset as usize;
        for (i, b) in bytes.iter().take(done).enumerate() {
            let at = from + i;
            if !self.worn.iter().any(|r| r.contains(&at)) {
                self.bytes[at] &= b;
            }
        }
        self.result()
    }
}

//! The binary trace: a configuration, then samples. Little-endian throughout.
//!
//! | part | bytes |
//! | --- | --- |
//! | mark | `SWT1` |
//! | mode | u8, see [`Mode`] |
//! | kind | u8, see [`Kind`] |
//! | carry, run | u8 each, see [`Header`] |
//! | floats, flags | f32 bits in the order of [`Header::to_config`], see there |
//! | samples | u32 |
//! | every sample | flags u8, then what the flags say, then the axes |

use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};

/// First bytes of a trace.
pub const MARK: [u8; 4] = *b"SWT1";
/// A depth reading follows (f32 bits, m).
pub const HAS_DEPTH: u8 = 1;
/// A cell reading follows (f32 bits, 0 to 1).
pub const HAS_CELL: u8 = 2;
/// A memory reading follows (f32 bits, 0 to 1).
pub const HAS_MEMORY: u8 = 4;
/// The accelerometer does not answer: no axes follow.
pub const NO_ANSWER: u8 = 8;
/// The time (u64, microseconds) follows; otherwise it is one step on from the last.
pub const HAS_TIME: u8 = 16;

/// Where bytes come from.
pub trait Source {
    /// The next byte; 0 after the end.
    fn byte(&mut self) -> u8;

    /// The next `N` bytes.
    fn bytes<const N: usize>(&mut self) -> [u8; N] {
        let mut all = [0; N];
        for b in &mut all {
            *b = self.byte();
        }
        all
    }

    /// An f32 by its bits.
    fn f32(&mut self) -> f32 {
        f32::from_bits(u32::from_le_bytes(self.bytes()))
    }
}

/// Where bytes go.
pub trait Sink {
    /// Takes some bytes.
    fn put(&mut self, bytes: &[u8]);

    /// An f32 by its bits.
    fn put_f32(&mut self, x: f32) {
        self.put(&x.to_bits().to_le_bytes());
    }
}

/// What the image does with a trace.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// Writes every beat, minute and decision.
    Decide,
    /// Also counts the ticks of every feed.
    Time,
    /// Also paints the stack before every feed and looks how deep it went.
    Stack,
    /// Writes a digest of every stage's state (image with the `inspect` feature).
    Inspect,
}

/// Where the tag starts from, and what becomes of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Carry {
    /// Starts from the file `tag.bin` that the same image wrote.
    pub load: bool,
    /// Writes `tag.bin` at the end.
    pub save: bool,
}

/// How a sample's axes are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Three i16 counts, read over I2C.
    Counts,
    /// Three f32 in g, read over SPI.
    Floats,
}

/// What stands before the samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Header {
    /// What to do.
    pub mode: Mode,
    /// Inspect: first sample whose digests are wanted. Deployed path: number of the first
    /// sample that follows.
    pub first: u32,
    /// Inspect: samples from one digest to the next.
    pub every: u32,
    /// Where the tag starts from and what becomes of it.
    pub carry: Carry,
    /// Samples handed to the tag together, 1 to [`crate::fifo::PLACES`].
    pub run: u8,
    /// The deployed path keeps copies as seldom as its settings allow.
    pub seldom: bool,
    /// How axes are written.
    pub kind: Kind,
    /// Samples that follow.
    pub samples: u32,
    /// Configuration of the tag.
    pub config: Config,
}

fn put_option(sink: &mut impl Sink, x: Option<f32>) {
    sink.put(&[u8::from(x.is_some())]);
    sink.put_f32(x.unwrap_or(0.0));
}

fn option(source: &mut impl Source) -> Option<f32> {
    let some = source.byte() != 0;
    let x = source.f32();
    some.then_some(x)
}

impl Header {
    /// Writes the header.
    pub fn write(&self, sink: &mut impl Sink) {
        sink.put(&MARK);
        let carry = u8::from(self.carry.load) | u8::from(self.carry.save) << 1;
        let carry = carry | u8::from(self.seldom) << 2;
        sink.put(&[self.mode as u8, self.kind as u8, carry, self.run]);
        sink.put(&self.first.to_le_bytes());
        sink.put(&self.every.to_le_bytes());
        sink.put(&self.samples.to_le_bytes());
        let l = self.config.logger();
        for x in [l.sample_hz, l.range_g, l.counts_per_g] {
            sink.put_f32(x);
        }
        let [roll, pitch, yaw] = l.mount_deg.map_or([None; 3], |m| m.map(Some));
        for x in [roll, pitch, yaw] {
            put_option(sink, x);
        }
        let p = self.config.place();
        sink.put(&p.start_unix_s.unwrap_or(i64::MIN).to_le_bytes());
        sink.put_f32(p.latitude_deg);
        sink.put_f32(p.longitude_deg);
        let a = self.config.animal();
        sink.put(&[u8::from(a.breathing == Breathing::Buccal)]);
        put_option(sink, a.length_m);
        for param in Detector::PARAMS {
            sink.put_f32(self.config.detector().get(param.key).unwrap_or(f32::NAN));
        }
        for param in Release::PARAMS {
            sink.put_f32(self.config.release().get(param.key).unwrap_or(f32::NAN));
        }
    }

    /// Reads a header; `None` at the end of the traces, or where a setting is out of range.
    pub fn read(source: &mut impl Source) -> Option<Header> {
        if source.bytes() != MARK {
            return None;
        }
        let mode = match source.byte() {
            0 => Mode::Decide,
            1 => Mode::Time,
            2 => Mode::Stack,
            _ => Mode::Inspect,
        };
        let kind = if source.byte() == 0 { Kind::Counts } else { Kind::Floats };
        let carry = source.byte();
        let seldom = carry & 4 != 0;
        let carry = Carry { load: carry & 1 != 0, save: carry & 2 != 0 };
        let run = source.byte();
        let first = u32::from_le_bytes(source.bytes());
        let every = u32::from_le_bytes(source.bytes());
        let samples = u32::from_le_bytes(source.bytes());
        let (sample_hz, range_g, counts_per_g) = (source.f32(), source.f32(), source.f32());
        let mount_deg = match (option(source), option(source), option(source)) {
            (Some(roll), Some(pitch), Some(yaw)) => Some([roll, pitch, yaw]),
            _ => None,
        };
        let start = i64::from_le_bytes(source.bytes());
        let place = Place {
            start_unix_s: (start != i64::MIN).then_some(start),
            latitude_deg: source.f32(),
            longitude_deg: source.f32(),
        };
        let breathing = if source.byte() != 0 { Breathing::Buccal } else { Breathing::Ram };
        let animal = Animal { breathing, length_m: option(source) };
        let mut detector = Detector::DEFAULT;
        for param in Detector::PARAMS {
            detector.set(param.key, source.f32()).ok()?;
        }
        let mut release = Release::DEFAULT;
        for param in Release::PARAMS {
            release.set(param.key, source.f32()).ok()?;
        }
        let logger = Logger { sample_hz, range_g, counts_per_g, mount_deg };
        let config = Config::new(logger, place, animal, detector, release).ok()?;
        Some(Header { mode, first, every, carry, run, seldom, kind, samples, config })
    }
}

/// One sample as written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Raw {
    /// Tag time, microseconds.
    pub t_us: u64,
    /// Axes; `None` where the accelerometer does not answer.
    pub axes: Option<Axes>,
    /// Depth, m.
    pub depth_m: Option<f32>,
    /// Part of the cell's charge left.
    pub cell_left: Option<f32>,
    /// Part of the memory used.
    pub memory_used: Option<f32>,
}

/// Three axes as written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Axes {
    /// Counts.
    Counts([i16; 3]),
    /// g.
    Floats([f32; 3]),
}

/// Keeps time from sample to sample.
#[derive(Clone, Copy, Debug, Default)]
pub struct Clock {
    last_us: u64,
    step_us: u64,
}

impl Raw {
    /// Writes the sample.
    pub fn write(&self, clock: &mut Clock, sink: &mut impl Sink) {
        let expected = clock.last_us.wrapping_add(clock.step_us);
        let mut flags = 0;
        for (bit, set) in [
            (HAS_DEPTH, self.depth_m.is_some()),
            (HAS_CELL, self.cell_left.is_some()),
            (HAS_MEMORY, self.memory_used.is_some()),
            (NO_ANSWER, self.axes.is_none()),
            (HAS_TIME, self.t_us != expected),
        ] {
            flags |= if set { bit } else { 0 };
        }
        sink.put(&[flags]);
        if flags & HAS_TIME != 0 {
            sink.put(&self.t_us.to_le_bytes());
            clock.step_us = self.t_us.wrapping_sub(clock.last_us);
        }
        clock.last_us = self.t_us;
        for x in [self.depth_m, self.cell_left, self.memory_used].into_iter().flatten() {
            sink.put_f32(x);
        }
        match self.axes {
            Some(Axes::Counts(counts)) => {
                for c in counts {
                    sink.put(&c.to_le_bytes());
                }
            }
            Some(Axes::Floats(floats)) => {
                for x in floats {
                    sink.put_f32(x);
                }
            }
            None => {}
        }
    }

    /// Reads a sample.
    pub fn read(kind: Kind, clock: &mut Clock, source: &mut impl Source) -> Raw {
        let flags = source.byte();
        let t_us = if flags & HAS_TIME != 0 {
            let t = u64::from_le_bytes(source.bytes());
            clock.step_us = t.wrapping_sub(clock.last_us);
            t
        } else {
            clock.last_us.wrapping_add(clock.step_us)
        };
        clock.last_us = t_us;
        let mut reading = |bit: u8| (flags & bit != 0).then(|| source.f32());
        let (depth_m, cell_left, memory_used) =
            (reading(HAS_DEPTH), reading(HAS_CELL), reading(HAS_MEMORY));
        let axes = if flags & NO_ANSWER != 0 {
            None
        } else if kind == Kind::Counts {
            let mut one = || i16::from_le_bytes(source.bytes());
            Some(Axes::Counts([one(), one(), one()]))
        } else {
            Some(Axes::Floats([source.f32(), source.f32(), source.f32()]))
        };
        Raw { t_us, axes, depth_m, cell_left, memory_used }
    }
}

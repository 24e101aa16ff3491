//! A trace in memory, and the file of traces that the image reads.

use firmware_core::config::Config;
use on_target_wire::trace::{Axes, Carry, Clock, Header, Kind, Mode, Raw, Sink};

/// A trace with its configuration.
#[derive(Clone)]
pub struct Trace {
    /// Name in reports.
    pub name: String,
    /// Configuration.
    pub config: Config,
    /// How its axes are written.
    pub kind: Kind,
    /// Samples.
    pub samples: Vec<Raw>,
}

/// Bytes in memory.
#[derive(Default)]
pub struct Bytes(pub Vec<u8>);

impl Sink for Bytes {
    fn put(&mut self, bytes: &[u8]) {
        self.0.extend_from_slice(bytes);
    }
}

/// What to do with a trace.
#[derive(Clone, Copy)]
pub struct Job {
    /// Mode of the image.
    pub mode: Mode,
    /// Inspect: first sample. Deployed path: number of the first sample.
    pub first: u32,
    /// Inspect: step.
    pub every: u32,
    /// Where the tag starts from.
    pub carry: Carry,
    /// Samples handed over together at most.
    pub run: u8,
    /// The deployed path keeps copies as seldom as it may.
    pub seldom: bool,
}

impl Job {
    /// A whole trace in one mode.
    pub fn of(mode: Mode) -> Self {
        Job { mode, first: 0, every: 1, carry: Carry::default(), run: 1, seldom: false }
    }
}

impl Trace {
    /// Samples a second.
    pub fn hz(&self) -> f32 {
        self.config.logger().sample_hz
    }

    /// Writes the trace for a job.
    pub fn write(&self, job: Job, sink: &mut Bytes) {
        self.write_part(job, 0..self.samples.len(), sink);
    }

    /// Writes some of the samples for a job.
    pub fn write_part(&self, job: Job, part: std::ops::Range<usize>, sink: &mut Bytes) {
        let samples = &self.samples[part];
        let header = Header {
            mode: job.mode,
            first: job.first,
            every: job.every,
            carry: job.carry,
            run: job.run,
            seldom: job.seldom,
            kind: self.kind,
            samples: u32::try_from(samples.len()).unwrap_or(u32::MAX),
            config: self.config,
        };
        header.write(sink);
        let mut clock = Clock::default();
        for raw in samples {
            raw.write(&mut clock, sink);
        }
    }

    /// Acceleration of a sample, g.
    pub fn accel_g(&self, raw: &Raw) -> [f32; 3] {
        match raw.axes {
            Some(Axes::Counts(c)) => {
                on_target_wire::accel::to_g(c, self.config.logger().counts_per_g)
            }
            Some(Axes::Floats(f)) => f,
            None => [f32::NAN; 3],
        }
    }
}

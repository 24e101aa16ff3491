//! What comes back from a trace: every beat, minute, decision and fault, floats
//! by their bits. A record is a kind (u8), the sample's number (u32) and a body.

use firmware_core::types::{
    Event, Fate, cause_code, fate_code, fault_code, launch_code, state_code,
};

use crate::trace::Sink;

/// Kinds of record and the length of their bodies.
pub const KINDS: [(u8, usize, &str); 14] = [
    (b'N', 9, "launch or end"),
    (b'B', 20, "beat"),
    (b'M', 43, "minute"),
    (b'F', 21, "fate"),
    (b'R', 21, "recovery"),
    (b'L', 25, "release"),
    (b'X', 1, "fault"),
    (b'O', 25, "event of a detector of one's own"),
    (b'E', 37, "end of trace"),
    (b'T', 4, "ticks of a feed"),
    (b'S', 4, "stack of a feed"),
    (b'K', 1, "what a feed kept"),
    (b'C', 12, "calibration"),
    (b'D', 5, "digest of a stage"),
];

fn put_head(sink: &mut impl Sink, kind: u8, sample: u32) {
    sink.put(&[kind]);
    sink.put(&sample.to_le_bytes());
}

fn put_option(sink: &mut impl Sink, x: Option<f32>) {
    sink.put(&[u8::from(x.is_some())]);
    sink.put_f32(x.unwrap_or(0.0));
}

/// Writes an event of sample number `sample`.
pub fn write(event: &Event, sample: u32, sink: &mut impl Sink) {
    match event {
        Event::Beat(beat) => {
            put_head(sink, b'B', sample);
            sink.put(&beat.t_us.to_le_bytes());
            for x in [beat.period_s, beat.amplitude_g, beat.confidence] {
                sink.put_f32(x);
            }
        }
        Event::Minute(m) => {
            put_head(sink, b'M', sample);
            sink.put(&m.t_us.to_le_bytes());
            put_option(sink, m.beats_per_min);
            for x in [m.sway_g, m.odba_g, m.vedba_g, m.pitch_deg, m.roll_deg] {
                sink.put_f32(x);
            }
            put_option(sink, m.depth_m);
            sink.put(&[state_code(m.state)]);
            sink.put(&[0; 4]);
        }
        Event::Fate(f) => {
            put_head(sink, b'F', sample);
            sink.put(&[fate_code(f.fate)]);
            sink.put(&f.event_us.to_le_bytes());
            sink.put(&f.decided_us.to_le_bytes());
            sink.put_f32(f.evidence);
        }
        Event::Recovery(r) => {
            put_head(sink, b'R', sample);
            for x in [r.t_s, r.se_s, r.prob] {
                sink.put_f32(x);
            }
            sink.put(&[u8::from(r.decided_us.is_some())]);
            sink.put(&r.decided_us.unwrap_or(0).to_le_bytes());
        }
        Event::Release(l) => {
            put_head(sink, b'L', sample);
            sink.put(&l.t_us.to_le_bytes());
            sink.put(&l.since_us.to_le_bytes());
            sink.put_f32(l.value);
            sink.put_f32(l.bound);
            sink.put(&[cause_code(l.cause)]);
        }
        Event::Fault(fault) => {
            put_head(sink, b'X', sample);
            sink.put(&[fault_code(*fault)]);
        }
        Event::Own(own) => {
            put_head(sink, b'O', sample);
            sink.put(&own.t_us.to_le_bytes());
            sink.put(&[own.kind]);
            for x in own.numbers {
                sink.put_f32(x);
            }
        }
        Event::Launch(report) => {
            put_head(sink, b'N', sample);
            sink.put(&report.t_us.to_le_bytes());
            sink.put(&[launch_code(report.step)]);
        }
    }
}

/// What is left to say after a trace.
pub struct End {
    /// Samples read.
    pub samples: u32,
    /// Counters of samples at fault.
    pub faults: [u32; 6],
    /// Fate as known at the end.
    pub fate: Fate,
    /// Bytes of the tag's own record.
    pub record_bytes: u32,
    /// Times that the release fired.
    pub fired: u32,
}

/// Writes the end of a trace.
pub fn write_end(end: &End, sink: &mut impl Sink) {
    put_head(sink, b'E', end.samples);
    for count in end.faults {
        sink.put(&count.to_le_bytes());
    }
    sink.put(&[fate_code(end.fate)]);
    for x in [end.record_bytes, end.fired, 0] {
        sink.put(&x.to_le_bytes());
    }
}

/// Writes one measured number of a feed, or of a part.
pub fn write_measure(kind: u8, sample: u32, value: u32, sink: &mut impl Sink) {
    put_head(sink, kind, sample);
    sink.put(&value.to_le_bytes());
}

/// Writes what a feed wrote to the flash: the bits of [`crate::deployed`].
pub fn write_kept(sample: u32, kept: u8, sink: &mut impl Sink) {
    put_head(sink, b'K', sample);
    sink.put(&[kept]);
}

/// Writes the calibration: ticks of an empty region, of one with `nops` more
/// instructions, and that number.
pub fn write_calibration(empty: u32, longer: u32, nops: u32, sink: &mut impl Sink) {
    put_head(sink, b'C', 0);
    for x in [empty, longer, nops] {
        sink.put(&x.to_le_bytes());
    }
}

/// Writes the digest of a stage, by its place in the tag.
pub fn write_digest(sample: u32, stage: u8, digest: u32, sink: &mut impl Sink) {
    put_head(sink, b'D', sample);
    sink.put(&[stage]);
    sink.put(&digest.to_le_bytes());
}

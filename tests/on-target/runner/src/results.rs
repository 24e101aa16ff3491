//! The records that come back, and the same records made on the host.

use firmware_core::tag::Tag;
use firmware_core::types::{Event, Moment, Sample};
use on_target_wire::fifo::Fifo;
use on_target_wire::record::{self, End, KINDS};

use crate::trace::{Bytes, Trace};

/// One record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    /// Kind, see [`KINDS`].
    pub kind: u8,
    /// Number of the newest sample that was taken when it came.
    pub sample: u32,
    /// Body.
    pub body: Vec<u8>,
}

impl Record {
    /// Word for the kind.
    pub fn name(&self) -> &'static str {
        KINDS.iter().find(|(k, ..)| *k == self.kind).map_or("?", |(.., name)| name)
    }

    /// Little-endian u32 at a place of the body.
    pub fn u32_at(&self, at: usize) -> u32 {
        let mut bytes = [0; 4];
        bytes.copy_from_slice(&self.body[at..at + 4]);
        u32::from_le_bytes(bytes)
    }
}

/// Splits a stream of records; an error names where it stops making sense.
pub fn parse(bytes: &[u8]) -> Result<Vec<Record>, String> {
    let mut all = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        let kind = bytes[at];
        let Some((_, length, _)) = KINDS.iter().find(|(k, ..)| *k == kind) else {
            return Err(format!("byte {at} of the results is no kind of record: {kind:#04x}"));
        };
        let end = at + 5 + length;
        if end > bytes.len() {
            return Err(format!("the results end within a record at byte {at}"));
        }
        let mut sample = [0; 4];
        sample.copy_from_slice(&bytes[at + 1..at + 5]);
        all.push(Record {
            kind,
            sample: u32::from_le_bytes(sample),
            body: bytes[at + 5..end].to_vec(),
        });
        at = end;
    }
    Ok(all)
}

/// What the host's tag reports goes here.
struct Written {
    bytes: Bytes,
    fired: u32,
}

impl Written {
    fn take(&mut self, event: &Event, sample: u32) {
        self.fired += u32::from(matches!(event, Event::Release(_)));
        record::write(event, sample, &mut self.bytes);
    }
}

/// Runs a trace on the host, straight through the tag, with no bus in between, in runs of
/// at most `run` samples. `look` sees the tag after each run, with the number of its last sample.
pub fn on_host(trace: &Trace, run: u8, mut look: impl FnMut(u32, &Tag)) -> Vec<u8> {
    let mut tag = Tag::new(trace.config);
    let mut written = Written { bytes: Bytes::default(), fired: 0 };
    let mut fifo = Fifo::of(run, trace.config.sample_us());
    let mut number = 0_u32;
    let mut feed = |fifo: &Fifo, tag: &mut Tag, written: &mut Written| {
        let run = fifo.run();
        if run.accel_g.is_empty() {
            return;
        }
        tag.feed(&run, &mut |event: &Event, moment: &Moment<'_>| {
            written.take(event, number + (moment.taken as u32).saturating_sub(1));
        });
        number += run.accel_g.len() as u32;
        look(number - 1, tag);
    };
    for raw in &trace.samples {
        let sample = Sample {
            t_us: raw.t_us,
            accel_g: trace.accel_g(raw),
            depth_m: raw.depth_m,
            temp_c: None,
            cell_left: raw.cell_left,
            memory_used: raw.memory_used,
        };
        if !fifo.push(&sample) {
            feed(&fifo, &mut tag, &mut written);
            fifo.clear();
            fifo.push(&sample);
        }
    }
    feed(&fifo, &mut tag, &mut written);
    let samples = trace.samples.len() as u32;
    tag.flush(&mut |event: &Event, _: &Moment<'_>| written.take(event, samples));
    let end = End {
        samples,
        faults: tag.faults().counts,
        fate: tag.fate(),
        record_bytes: tag.record_bytes(),
        fired: written.fired,
    };
    record::write_end(&end, &mut written.bytes);
    written.bytes.0
}

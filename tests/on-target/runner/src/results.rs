//! The records that come back, and the same records made on the host.

use firmware_core::tag::{Sample, Tag};
use on_target_wire::record::{self, End, KINDS};

use crate::trace::{Bytes, Trace};

/// One record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    /// Kind, see [`KINDS`].
    pub kind: u8,
    /// Number of the sample that brought it to light.
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

/// Runs a trace on the host, straight through the tag, with no bus in between.
pub fn on_host(trace: &Trace, mut look: impl FnMut(u32, &Tag)) -> Vec<u8> {
    let mut tag = Tag::new(trace.config);
    let mut sink = Bytes::default();
    let mut fired = 0;
    for (raw, number) in trace.samples.iter().zip(0_u32..) {
        let sample = Sample {
            t_us: raw.t_us,
            accel_g: trace.accel_g(raw),
            depth_m: raw.depth_m,
            temp_c: None,
            cell_left: raw.cell_left,
            memory_used: raw.memory_used,
        };
        let out = tag.step(&sample);
        fired += u32::from(out.release.is_some());
        record::write(&out, number, &mut sink);
        look(number, &tag);
    }
    let samples = trace.samples.len() as u32;
    while let Some(out) = tag.finish() {
        fired += u32::from(out.release.is_some());
        record::write(&out, samples, &mut sink);
    }
    let end = End {
        samples,
        faults: tag.faults().counts,
        fate: tag.fate(),
        record_bytes: tag.record_bytes(),
        fired,
    };
    record::write_end(&end, &mut sink);
    sink.0
}

//! Finds the records in an image, whatever state it is in.

use firmware_core::store::log::{Frame, HEADER_BYTES, HEADER_COPY, Header};
use firmware_core::store::record::{CLASSES, Class, Kind, LaunchEvent, Record};
use firmware_core::types::LaunchStep;

/// Smallest segment.
const SEGMENT_MIN: usize = 512;
/// Segment where no header tells: the usual erase block.
const SEGMENT_USUAL: usize = 4096;

/// A record that was read.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    /// Its number within its class; only the lower 16 bits where the header of
    /// its segment is lost.
    pub number: u32,
    /// Byte of the image at which it begins.
    pub at: usize,
    /// Bytes that it takes.
    pub bytes: usize,
    /// Whether the header of its segment was readable.
    pub placed: bool,
    /// What it says.
    pub record: Record,
}

impl Kept {
    /// Its class.
    pub fn class(&self) -> Class {
        kind_of(&self.record).class()
    }
}

fn kind_of(record: &Record) -> Kind {
    match record {
        Record::Start(_) => Kind::Start,
        Record::Reset(_) => Kind::Reset,
        Record::Minute(_) => Kind::Minute,
        Record::Hour(_) => Kind::Hour,
        Record::Fate(_) => Kind::Fate,
        Record::Recovery(_) => Kind::Recovery,
        Record::Release(_) => Kind::Release,
        Record::Fault(_) => Kind::Fault,
        Record::Burst(_) => Kind::Burst,
        Record::Own(_) => Kind::Own,
        Record::OwnNames(_) => Kind::OwnNames,
        Record::Launch(_) => Kind::Launch,
        Record::End(_) => Kind::End,
        Record::Identity(_) => Kind::Identity,
    }
}

/// What a segment turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SegmentState {
    /// As erased.
    Blank,
    /// In use; `copies` of its header that are sound (1 or 2).
    Used {
        /// What it says of itself.
        header: Header,
        /// Sound copies of the header.
        copies: u8,
    },
    /// Neither: an interrupted erasure, a lost header, or something else altogether.
    Unknown,
}

/// Bytes that are neither blank nor a sound record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Damage {
    /// First byte.
    pub at: usize,
    /// Number of bytes.
    pub bytes: usize,
    /// Whether it lies in a segment whose header is sound.
    pub placed: bool,
}

/// Records that are not there though later ones of their class are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Missing {
    /// Class.
    pub class: Class,
    /// Number of the first.
    pub first: u32,
    /// How many.
    pub count: u32,
}

/// All that an image gave.
#[derive(Clone, Debug, Default)]
pub struct Salvage {
    /// Bytes of a segment.
    pub segment_bytes: usize,
    /// Every segment in the order of the image.
    pub segments: Vec<SegmentState>,
    /// Sound records by class, in the order of their numbers; then those whose
    /// segment has lost its header, in the order of the image.
    pub records: Vec<Kept>,
    /// Sound records of kinds that this version does not know.
    pub foreign: usize,
    /// Sound records from before the deployment began, which are left out.
    pub handled: usize,
    /// What is not sound.
    pub damage: Vec<Damage>,
    /// Gaps in the numbers.
    pub missing: Vec<Missing>,
    /// Number of the oldest record of each class: so many were dropped or lost before it.
    pub before: [u32; 3],
}

impl Salvage {
    /// Records of one class.
    pub fn of(&self, class: Class) -> impl Iterator<Item = &Kept> {
        self.records.iter().filter(move |kept| kept.class() == class)
    }
}

/// Size of a segment by the headers in the image, where there is one.
fn segment_bytes(image: &[u8]) -> Option<usize> {
    // By a vote: a chance likeness of a header must not decide.
    let mut votes = [0_usize; 9];
    for block in image.chunks(SEGMENT_MIN) {
        if let Some(header) = Header::find(block) {
            votes[header.block.trailing_zeros() as usize - 9] += 1;
        }
    }
    let most = votes.iter().max()?;
    (*most > 0).then(|| votes.iter().position(|v| v == most).map_or(0, |log| SEGMENT_MIN << log))
}

/// Reads an image. `stated` is the size of a segment where the user knows it.
pub fn salvage(image: &[u8], stated: Option<usize>) -> Salvage {
    let segment_bytes = stated.or_else(|| segment_bytes(image)).unwrap_or(SEGMENT_USUAL);
    let mut out = Salvage { segment_bytes, ..Salvage::default() };
    for (n, bytes) in image.chunks(segment_bytes).enumerate() {
        segment(bytes, n * segment_bytes, &mut out);
    }
    // In order of number; what has no full number stays behind, as found.
    out.records.sort_by_key(|kept| {
        (kept.class() as u8, !kept.placed, if kept.placed { u64::from(kept.number) } else { 0 })
    });
    out.records.dedup_by(|b, a| a.placed && b.number == a.number && a.record == b.record);
    gaps(&mut out);
    leave_out_handling(&mut out);
    out
}

/// Records from before the deployment began, in hands or on a deck, are of no deployment.
fn leave_out_handling(out: &mut Salvage) {
    let Some(numbers) = out.records.iter().rev().find_map(|kept| match &kept.record {
        Record::Launch(LaunchEvent { report, numbers, .. }) if kept.placed => {
            matches!(report.step, LaunchStep::Begin { .. }).then_some(*numbers)
        }
        _ => None,
    }) else {
        return;
    };
    let held = out.records.len();
    out.records.retain(|kept| {
        let named =
            matches!(kept.record, Record::Start(_) | Record::OwnNames(_) | Record::Identity(_));
        let from = numbers.get(kept.class() as usize).copied().unwrap_or(0);
        named || !kept.placed || kept.number >= from
    });
    out.handled = held - out.records.len();
}

fn segment(bytes: &[u8], base: usize, out: &mut Salvage) {
    let copies = bytes
        .chunks_exact(HEADER_COPY)
        .take(2)
        .filter(|copy| copy.first_chunk().is_some_and(|c| Header::of(c).is_some()))
        .count() as u8;
    let header = Header::find(bytes);
    let (start, align, first) = match header {
        Some(header) => (HEADER_BYTES, header.align as usize, header.first_number),
        None => (0, 4, 0),
    };
    if let Some(header) = header {
        out.segments.push(SegmentState::Used { header, copies });
        if copies < 2 {
            out.damage.push(Damage { at: base, bytes: HEADER_COPY, placed: true });
        }
    } else if bytes.iter().all(|b| *b == 0xFF) {
        out.segments.push(SegmentState::Blank);
        return;
    } else {
        out.segments.push(SegmentState::Unknown);
    }
    let placed = header.is_some();
    let mut at = start;
    while at < bytes.len() {
        let rest = &bytes[at..];
        if let Some(frame) = Frame::find(rest) {
            let stored = (frame.stored(align as u32) as usize).min(rest.len());
            let record =
                Kind::from_code(frame.kind).and_then(|kind| Record::unpack(kind, frame.payload));
            match record {
                Some(record) => out.records.push(Kept {
                    number: frame.number_from(first),
                    at: base + at,
                    bytes: stored,
                    placed,
                    record,
                }),
                None => out.foreign += 1,
            }
            at += stored;
            continue;
        }
        let word = align.min(rest.len());
        if rest[..word].iter().any(|b| *b != 0xFF) {
            match out.damage.last_mut() {
                Some(d) if d.at + d.bytes == base + at && at > start => d.bytes += word,
                _ => out.damage.push(Damage { at: base + at, bytes: word, placed }),
            }
        }
        at += word;
    }
}

/// Numbers of which there is none.
fn gaps(out: &mut Salvage) {
    for class in CLASSES {
        let mut numbers: Vec<u32> =
            out.of(class).filter(|kept| kept.placed).map(|kept| kept.number).collect();
        numbers.dedup();
        if let Some(first) = numbers.first() {
            out.before[class as usize] = *first;
        }
        let missing: Vec<Missing> = numbers
            .windows(2)
            .filter(|pair| pair[1] - pair[0] > 1)
            .map(|pair| Missing { class, first: pair[0] + 1, count: pair[1] - pair[0] - 1 })
            .collect();
        out.missing.extend(missing);
    }
}

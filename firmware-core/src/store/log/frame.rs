//! How a record lies in the flash: kind, length, number, payload, check sum.

use crate::kept::crc32;
use crate::store::record::{FRAME_EXTRA, FRAME_HEAD, FRAME_TAIL, Kind, PAYLOAD_MAX};

/// The check sum of records and headers: CRC-32/ISO-HDLC, bit by bit, for a table would cost a
/// kilobyte of flash.
#[inline(never)]
pub(super) fn checksum(bytes: &[u8]) -> u32 {
    crc32(bytes)
}

/// Largest record, bytes.
pub const FRAME_MAX: usize = 256;
/// Largest word of the flash, bytes.
pub const ALIGN_MAX: usize = 32;

/// A record found in the bytes of a segment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame<'a> {
    /// Number of its kind; perhaps of a kind that this version does not know.
    pub kind: u8,
    /// Lower half of its number within its class.
    pub number: u16,
    /// The payload.
    pub payload: &'a [u8],
}

impl<'a> Frame<'a> {
    /// The record at the start of `bytes`, if a sound one is there.
    #[inline(never)]
    pub fn find(bytes: &'a [u8]) -> Option<Self> {
        let [kind, length, n0, n1] = *bytes.first_chunk::<FRAME_HEAD>()?;
        let length = usize::from(length);
        if kind == 0 || kind == u8::MAX || length > PAYLOAD_MAX {
            return None;
        }
        let (summed, rest) = bytes.split_at_checked(FRAME_HEAD.saturating_add(length))?;
        let sum = u32::from_le_bytes(*rest.first_chunk::<FRAME_TAIL>()?);
        if checksum(summed) != sum {
            return None;
        }
        let payload = summed.get(FRAME_HEAD..)?;
        Some(Frame { kind, number: u16::from_le_bytes([n0, n1]), payload })
    }

    /// Bytes that it takes in words of `align` bytes.
    pub fn stored(&self, align: u32) -> u32 {
        round_up(self.payload.len().saturating_add(FRAME_EXTRA), align as usize) as u32
    }

    /// The whole number, of which the record keeps the lower half: the first
    /// such number from `first` on, the number that the segment began with.
    pub fn number_from(&self, first: u32) -> u32 {
        let ahead = self.number.wrapping_sub(first as u16);
        first.wrapping_add(u32::from(ahead))
    }
}

fn round_up(n: usize, align: usize) -> usize {
    let mask = align.wrapping_sub(1);
    n.saturating_add(mask) & !mask
}

/// Completes a frame whose payload of `length` bytes is in place; gives the
/// bytes to write, whole words filled up with ones.
pub(super) fn seal(
    frame: &mut [u8; FRAME_MAX],
    kind: Kind,
    length: usize,
    number: u32,
    align: u32,
) -> Option<&[u8]> {
    if length > PAYLOAD_MAX {
        return None;
    }
    let [n0, n1] = (number as u16).to_le_bytes();
    *frame.first_chunk_mut::<FRAME_HEAD>()? = [kind as u8, length as u8, n0, n1];
    let (summed, rest) = frame.split_at_mut_checked(FRAME_HEAD.saturating_add(length))?;
    *rest.first_chunk_mut::<FRAME_TAIL>()? = checksum(summed).to_le_bytes();
    frame.get(..round_up(length.saturating_add(FRAME_EXTRA), align as usize))
}

/// Whether all bytes are as erased.
#[inline(never)]
pub(super) fn blank(bytes: &[u8]) -> bool {
    bytes.iter().all(|b| *b == u8::MAX)
}

/// Bytes of whole blank words at the start.
pub(super) fn blank_prefix(bytes: &[u8], align: u32) -> u32 {
    let words = bytes.chunks(align as usize).take_while(|word| blank(word)).count();
    let all = align.saturating_mul(words as u32);
    all.min(bytes.len() as u32)
}

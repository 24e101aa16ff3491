//! The header of a segment, kept twice so that one flipped bit cannot hide the
//! records behind it.

use super::frame::checksum;
use crate::store::record::{CLASSES, Class, Pack};

/// Version of the layout in the flash.
pub const VERSION: u8 = 1;
/// Bytes of one copy of the header.
pub const HEADER_COPY: usize = 16;
/// Bytes of the header: two copies.
pub const HEADER_BYTES: usize = 2 * HEADER_COPY;

const MARK: u8 = 0x53;
/// Base-2 logarithm of the smallest block.
const BLOCK_MIN: u8 = 9;

/// What a segment holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header {
    /// Class of its records.
    pub class: Class,
    /// Bytes of a segment: 512 to 131072, a power of two.
    pub block: u32,
    /// Records begin at multiples of so many bytes: 4, 8, 16 or 32.
    pub align: u32,
    /// Number of the segment, in the order of their opening.
    pub sequence: u32,
    /// Number within its class of its first record.
    pub first_number: u32,
}

impl Header {
    /// Both copies: mark, version, class (u8 each), sizes (u8: base-2 logarithm of
    /// the word, above it 16 times that of the block less 9), sequence and first
    /// number (u32 each), CRC-32 of these.
    pub fn bytes(&self) -> [u8; HEADER_BYTES] {
        let mut bytes = [0; HEADER_BYTES];
        let word = self.align.trailing_zeros() as u8;
        let block = (self.block.trailing_zeros() as u8).saturating_sub(BLOCK_MIN);
        let sizes = word | block.wrapping_shl(4);
        let [s0, s1, s2, s3] = self.sequence.to_le_bytes();
        let [f0, f1, f2, f3] = self.first_number.to_le_bytes();
        let summed = [MARK, VERSION, self.class as u8, sizes, s0, s1, s2, s3, f0, f1, f2, f3];
        let sum = checksum(&summed).to_le_bytes();
        let mut pack = Pack::new(&mut bytes);
        for _copy in 0..2 {
            pack.bytes(&summed);
            pack.bytes(&sum);
        }
        bytes
    }

    /// The header in the first bytes of a segment, from whichever copy is sound.
    #[inline(never)]
    pub fn find(bytes: &[u8]) -> Option<Self> {
        let (first, rest) = bytes.split_first_chunk::<HEADER_COPY>()?;
        let second = rest.first_chunk::<HEADER_COPY>()?;
        Self::of(first).or_else(|| Self::of(second))
    }

    /// One copy, if it is sound.
    #[inline(never)]
    pub fn of(copy: &[u8; HEADER_COPY]) -> Option<Self> {
        let [mark, version, class, sizes, s0, s1, s2, s3, f0, f1, f2, f3, c0, c1, c2, c3] = *copy;
        let (summed, _) = copy.split_first_chunk::<12>()?;
        let (word, block) = (sizes & 15, sizes.wrapping_shr(4));
        if mark != MARK
            || version != VERSION
            || !(2..=5).contains(&word)
            || block > 8
            || checksum(summed) != u32::from_le_bytes([c0, c1, c2, c3])
        {
            return None;
        }
        Some(Header {
            class: *CLASSES.get(usize::from(class))?,
            block: 1_u32.wrapping_shl(u32::from(block.wrapping_add(BLOCK_MIN))),
            align: 1_u32.wrapping_shl(u32::from(word)),
            sequence: u32::from_le_bytes([s0, s1, s2, s3]),
            first_number: u32::from_le_bytes([f0, f1, f2, f3]),
        })
    }
}

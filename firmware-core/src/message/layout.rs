//! One message: which bits hold what, and the check sum over them.

use crc::{CRC_16_IBM_3740, Crc, NoTable};

use crate::kept::Kept;
use crate::message::bits::{Bits, Reader, Writer};
use crate::message::facts::Facts;
use crate::message::share::{PAGES, SHARE_BYTES};

/// Bytes of a message.
pub const MESSAGE_BYTES: usize = 31;
/// Version of the layout, 0 to 7.
pub const VERSION: u32 = 1;

/// CRC-16/IBM-3740, bit by bit. Over these 248 bits every error of up to three
/// bits and every burst of up to 16 is found, of longer ones all but 1 in 65536.
const CRC: Crc<u16, NoTable> = Crc::<u16, NoTable>::new(&CRC_16_IBM_3740);
const SUMMED: usize = MESSAGE_BYTES - 2;

/// One message.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Message {
    /// Which share of the course it carries, 0 to 11.
    pub page: u8,
    /// What every message tells.
    pub facts: Facts,
    /// Base-2 logarithm of the hours from one point of the course to the next, 0 to 7.
    pub step: u8,
    /// Revision of the course, 0 to 14 while it grows, [`FINAL`](crate::message::FINAL) at its end. Only
    /// shares of the same revision go together.
    pub revision: u8,
    /// The share.
    pub share: [u8; SHARE_BYTES],
}

/// Why bytes are not a message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum MessageError {
    /// The check sum does not fit: the message was damaged on its way.
    Damaged,
    /// A layout that this version does not know.
    Version(u8),
    /// A code without meaning.
    Meaningless,
}

impl Message {
    /// The bytes to send.
    pub fn encode(&self) -> [u8; MESSAGE_BYTES] {
        let mut bytes = [0; MESSAGE_BYTES];
        let mut to = Writer::new(&mut bytes);
        to.field(VERSION, 3);
        // What it gives back is the message itself, to the resolution of its fields.
        let _ = self.walk(&mut to);
        let sum = checksum(&bytes);
        let [.., s0, s1] = &mut bytes;
        [*s0, *s1] = sum.to_be_bytes();
        bytes
    }

    /// Reads a message.
    ///
    /// # Errors
    /// [`MessageError`].
    pub fn decode(bytes: &[u8; MESSAGE_BYTES]) -> Result<Self, MessageError> {
        let [.., s0, s1] = *bytes;
        if checksum(bytes) != u16::from_be_bytes([s0, s1]) {
            return Err(MessageError::Damaged);
        }
        let mut from = Reader::new(bytes);
        let version = from.field(0, 3);
        if version != VERSION {
            return Err(MessageError::Version(version as u8));
        }
        let share = [0; SHARE_BYTES];
        let any = Message { page: 0, facts: Facts::blank(), step: 0, revision: 0, share };
        let known = any.walk(&mut from).filter(|m| usize::from(m.page) < PAGES);
        known.ok_or(MessageError::Meaningless)
    }

    /// Writes what is between version and check sum, and gives it back; or reads another, `None`
    /// where a code has no meaning.
    fn walk(&self, bits: &mut impl Bits) -> Option<Self> {
        Some(Message {
            page: bits.field(self.page.into(), 4) as u8,
            facts: self.facts.walk(bits)?,
            step: bits.field(self.step.into(), 3) as u8,
            revision: bits.field(self.revision.into(), 4) as u8,
            share: self.share.map(|byte| bits.field(byte.into(), 8) as u8),
        })
    }
}

/// Check sum of the bytes before it.
fn checksum(bytes: &[u8; MESSAGE_BYTES]) -> u16 {
    let (summed, _) = bytes.split_at(SUMMED);
    CRC.checksum(summed)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CRC catalogue, check value of CRC-16/IBM-3740 (memory).
    #[test]
    fn the_check_sum_is_that_of_the_catalogue() {
        assert_eq!(CRC.checksum(b"123456789"), 0x29B1);
    }
}

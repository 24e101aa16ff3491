//! The satellite summary: what a deployment came to, in messages of 31 bytes.
//!
//! Every message tells fate, recovery, release, cell and self-checks with their
//! times. Beside that each carries one of twelve shares of the course of the
//! beat rate; any five different ones give the whole course. So a package that
//! is never found has still told its deployment. `docs/message.md` lists every bit.

mod bits;
mod course;
mod facts;
mod level;
mod share;
mod summary;

pub use course::{Course, POINTS, Point};
pub use facts::{CHOSEN_HOURS, Facts, Recovery, checks};
pub use level::{Level, rest_quarter};
pub use share::{PAGES, SHARE_BYTES, WANTED, rebuild, share};
pub use summary::Summary;

use bits::{Reader, Writer};
use crc::{CRC_16_IBM_3740, Crc, NoTable};

/// Bytes of a message.
pub const MESSAGE_BYTES: usize = 31;
/// Version of the layout, 0 to 7.
pub const VERSION: u32 = 1;
/// Revision of a course that will not change any more.
pub const FINAL: u8 = 15;

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
    /// Revision of the course, 0 to 14 while it grows, [`FINAL`] at its end. Only
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
    #[inline(never)]
    pub fn encode(&self) -> [u8; MESSAGE_BYTES] {
        let mut bytes = [0; MESSAGE_BYTES];
        let mut to = Writer::new(&mut bytes);
        to.put(VERSION, 3);
        to.put(u32::from(self.page), 4);
        self.facts.encode(&mut to);
        to.put(u32::from(self.step), 3);
        to.put(u32::from(self.revision), 4);
        for byte in self.share {
            to.put(u32::from(byte), 8);
        }
        let sum = checksum(&bytes);
        let mut to = Writer::at(&mut bytes, SUMMED);
        to.put(u32::from(sum), 16);
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
        let version = from.take(3);
        if version != VERSION {
            return Err(MessageError::Version(version as u8));
        }
        let page = from.take(4) as u8;
        let facts = Facts::decode(&mut from).ok_or(MessageError::Meaningless)?;
        let step = from.take(3) as u8;
        let revision = from.take(4) as u8;
        if usize::from(page) >= PAGES {
            return Err(MessageError::Meaningless);
        }
        Ok(Message {
            page,
            facts,
            step,
            revision,
            share: [(); SHARE_BYTES].map(|()| from.take(8) as u8),
        })
    }
}

/// Check sum of the bytes before it.
#[inline(never)]
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

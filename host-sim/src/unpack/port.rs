//! A tag's download from a serial line, or from a file of what came over one: numbered frames with
//! check sums, sent round after round. Layout: docs/unpack.md.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use crate::problem::Problem;

/// First bytes of a frame.
const MARK: [u8; 4] = [0xD5, 0x2E, 0xA9, 0x01];
/// Bytes before the payload: mark, size of the image, place of the payload, its length.
const HEAD: usize = 14;
/// Longest payload, bytes.
const PAYLOAD_MAX: usize = 4096;
/// Largest image, bytes.
const IMAGE_MAX: usize = 256 << 20;

/// What arrived.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Download {
    /// The image. What did not arrive is zero, which no sound record is.
    pub image: Vec<u8>,
    /// Its bytes that did not arrive.
    pub missing: usize,
    /// Bytes of the stream that belong to no sound frame.
    pub damaged: usize,
    /// Sound frames.
    pub frames: usize,
    have: Vec<bool>,
    rest: Vec<u8>,
}

/// A frame at the start of some bytes.
enum Frame<'a> {
    /// None.
    No,
    /// There may be one, once more bytes are there.
    Short,
    /// One of so many bytes, with the size of its image and the place of its payload.
    Sound(usize, usize, usize, &'a [u8]),
}

/// CRC-32/ISO-HDLC.
fn crc(bytes: &[u8]) -> u32 {
    let mut crc = flate2::Crc::new();
    crc.update(bytes);
    crc.sum()
}

fn frame(bytes: &[u8]) -> Frame<'_> {
    if !bytes.iter().zip(MARK).all(|(byte, mark)| *byte == mark) {
        return Frame::No;
    }
    let Some(head) = bytes.get(4..HEAD) else { return Frame::Short };
    let number = |part: &[u8]| part.iter().rev().fold(0, |n, byte| n << 8 | usize::from(*byte));
    let (total, at, len) = (number(&head[..4]), number(&head[4..8]), number(&head[8..]));
    if len == 0 || len > PAYLOAD_MAX || total > IMAGE_MAX || at + len > total {
        return Frame::No;
    }
    let Some(sum) = bytes.get(HEAD + len..HEAD + len + 4) else { return Frame::Short };
    if number(sum) != crc(&bytes[..HEAD + len]) as usize {
        return Frame::No;
    }
    Frame::Sound(HEAD + len + 4, total, at, &bytes[HEAD..HEAD + len])
}

impl Download {
    /// Takes the next bytes of the stream.
    ///
    /// # Errors
    /// A sound frame of another image.
    pub fn take(&mut self, bytes: &[u8]) -> Result<(), Problem> {
        let mut rest = std::mem::take(&mut self.rest);
        rest.extend_from_slice(bytes);
        let mut at = 0;
        while at < rest.len() {
            match frame(&rest[at..]) {
                Frame::No => {
                    self.damaged += 1;
                    at += 1;
                }
                Frame::Short => break,
                Frame::Sound(len, total, place, payload) => {
                    self.place(total, place, payload)?;
                    at += len;
                }
            }
        }
        rest.drain(..at);
        self.rest = rest;
        Ok(())
    }

    fn place(&mut self, total: usize, at: usize, payload: &[u8]) -> Result<(), Problem> {
        if self.frames == 0 {
            (self.image, self.have, self.missing) = (vec![0; total], vec![false; total], total);
        }
        let end = at + payload.len();
        let old = (0..payload.len()).all(|n| {
            self.have.get(at + n).is_some_and(|have| !have || self.image[at + n] == payload[n])
        });
        if total != self.image.len() || !old {
            return Err(Problem::new(
                "the stream holds frames of different images: the bytes of one download are \
                 expected",
            ));
        }
        self.frames += 1;
        self.missing -= self.have[at..end].iter().filter(|have| !**have).count();
        self.have[at..end].fill(true);
        self.image[at..end].copy_from_slice(payload);
        Ok(())
    }

    /// All of the image has arrived.
    pub fn whole(&self) -> bool {
        self.frames > 0 && self.missing == 0
    }
}

/// Reads from a serial line or a file until the image is whole, or nothing more comes.
///
/// # Errors
/// What cannot be read, holds no sound frame, or frames of different images.
pub fn read_port(path: &Path) -> Result<Download, Problem> {
    let name = path.display();
    let mut port = File::open(path).map_err(|e| Problem::new(format!("{name}: {e}")))?;
    let mut download = Download::default();
    let mut bytes = [0; 4096];
    while !download.whole() {
        match port.read(&mut bytes).map_err(|e| Problem::new(format!("{name}: {e}")))? {
            0 => break,
            n => download.take(&bytes[..n])?,
        }
    }
    if download.frames == 0 {
        return Err(Problem::new(format!("{name}: no sound frame of a tag's download arrived"))
            .help("the bytes as the tag sends them are expected: set the line to its speed, raw"));
    }
    Ok(download)
}

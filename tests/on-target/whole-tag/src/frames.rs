//! The download: the log's flash in numbered frames with check sums, round after round while the
//! cable is plugged in, so that a frame that was damaged comes again. Layout: docs/unpack.md.

use embedded_storage::nor_flash::ReadNorFlash;

use crate::board::Board;

/// Bytes of the flash in a frame.
pub const PAYLOAD: usize = 256;
/// First bytes of a frame.
pub const MARK: [u8; 4] = [0xD5, 0x2E, 0xA9, 0x01];
const HEAD: usize = 14;
const FRAME: usize = HEAD + PAYLOAD + 4;
const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// A frame of `payload`, `at` bytes into an image of `total` bytes.
fn frame(total: u32, at: u32, payload: &[u8; PAYLOAD]) -> [u8; FRAME] {
    let mut bytes = [0; FRAME];
    let fields = [&total.to_le_bytes()[..], &at.to_le_bytes(), &(PAYLOAD as u16).to_le_bytes()];
    let content = MARK.iter().chain(fields.into_iter().flatten()).chain(payload);
    bytes.iter_mut().zip(content).for_each(|(to, from)| *to = *from);
    let (content, sum) = bytes.split_at_mut(HEAD + PAYLOAD);
    let crc = CRC.checksum(content).to_le_bytes();
    sum.iter_mut().zip(crc).for_each(|(to, from)| *to = from);
    bytes
}

/// Sends the first `total` bytes of the flash, again and again while the cable is plugged in. What cannot
/// be read is not sent. A whole number of frames is sent: `total` is a multiple of [`PAYLOAD`].
pub fn download<B: Board, F: ReadNorFlash>(board: &mut B, flash: &mut F, total: u32) {
    while board.plugged() {
        for n in 0..total / PAYLOAD as u32 {
            let at = n * PAYLOAD as u32;
            let mut payload = [0; PAYLOAD];
            if flash.read(at, &mut payload).is_ok() {
                board.serial(&frame(total, at, &payload));
            }
            board.alive();
        }
    }
}

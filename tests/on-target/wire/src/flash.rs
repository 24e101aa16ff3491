//! A NOR flash over bytes that lie elsewhere: in memory, or in a file of the host.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};

/// Bytes that stay when power goes.
pub trait Memory {
    /// Reads from a place.
    fn get(&mut self, at: u32, into: &mut [u8]);
    /// Writes to it.
    fn put(&mut self, at: u32, bytes: &[u8]);
}

/// Blanks the bytes from `from` to `to`, both multiples of 64.
pub fn wipe(memory: &mut impl Memory, from: u32, to: u32) {
    let mut at = from;
    while at < to {
        memory.put(at, &[u8::MAX; 64]);
        at += 64;
    }
}

/// A NOR flash of `BYTES` bytes, erased by `ERASE` of them: writing only clears bits.
#[derive(Clone, Copy)]
pub struct Nor<M, const ERASE: usize, const BYTES: usize>(pub M);

impl<M, const ERASE: usize, const BYTES: usize> ErrorType for Nor<M, ERASE, BYTES> {
    type Error = NorFlashErrorKind;
}

impl<M: Memory, const ERASE: usize, const BYTES: usize> ReadNorFlash for Nor<M, ERASE, BYTES> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        check_read(self, offset, into.len())?;
        self.0.get(offset, into);
        Ok(())
    }

    fn capacity(&self) -> usize {
        BYTES
    }
}

impl<M: Memory, const ERASE: usize, const BYTES: usize> NorFlash for Nor<M, ERASE, BYTES> {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = ERASE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        check_erase(self, from, to)?;
        wipe(&mut self.0, from, to);
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        check_write(self, offset, bytes.len())?;
        let mut at = offset;
        for part in bytes.chunks(64) {
            let mut held = [0; 64];
            let Some(held) = held.get_mut(..part.len()) else { break };
            self.0.get(at, held);
            held.iter_mut().zip(part).for_each(|(h, b)| *h &= b);
            self.0.put(at, held);
            at += part.len() as u32;
        }
        Ok(())
    }
}

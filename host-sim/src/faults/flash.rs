//! A NOR flash that wears, and whose power may go in the middle of a write.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

/// Bytes erased together.
pub const SECTOR: usize = 4096;

/// The flash.
#[derive(Clone, Debug)]
pub struct Flash {
    bytes: Vec<u8>,
    /// Bits that stay as they are, by byte.
    stuck: Vec<u8>,
    /// Part of the next operation that is still done before power goes, 0 to 1.
    cut: Option<f64>,
    off: bool,
    /// Sectors erased so far.
    pub erased: u64,
    /// Bytes written so far.
    pub written: u64,
}

/// Power is off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Off;

impl NorFlashError for Off {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

impl ErrorType for Flash {
    type Error = Off;
}

impl Flash {
    /// Erased.
    pub fn new(sectors: usize) -> Self {
        let len = sectors * SECTOR;
        Flash {
            bytes: vec![0xFF; len],
            stuck: vec![0; len],
            cut: None,
            off: false,
            erased: 0,
            written: 0,
        }
    }

    /// From now on these bits of a byte stay as they are.
    pub fn wear(&mut self, at: usize, bits: u8) {
        if let Some(stuck) = self.stuck.get_mut(at) {
            *stuck |= bits;
        }
    }

    /// Power goes within the next operation, after this part of it, 0 to 1.
    pub fn cut_next(&mut self, part: f64) {
        self.cut = Some(part);
    }

    /// True once power went.
    pub fn is_off(&self) -> bool {
        self.off
    }

    /// Power is back.
    pub fn power_on(&mut self) {
        self.off = false;
        self.cut = None;
    }

    /// Bytes of an operation that get done.
    fn begin(&mut self, len: usize) -> usize {
        if self.off {
            return 0;
        }
        match self.cut.take() {
            Some(part) => {
                self.off = true;
                (len as f64 * part) as usize
            }
            None => len,
        }
    }

    fn end(&self) -> Result<(), Off> {
        if self.off { Err(Off) } else { Ok(()) }
    }
}

impl ReadNorFlash for Flash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Off> {
        let from = offset as usize;
        match self.bytes.get(from..from + bytes.len()) {
            Some(held) => bytes.copy_from_slice(held),
            None => return Err(Off),
        }
        self.end()
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl NorFlash for Flash {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Off> {
        let (from, to) = (from as usize, to as usize);
        let done = self.begin(to - from);
        self.erased += 1;
        let held = self.bytes.iter_mut().zip(&self.stuck);
        for (byte, stuck) in held.skip(from).take(done) {
            *byte |= !stuck;
        }
        self.end()
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Off> {
        let done = self.begin(bytes.len());
        self.written += done as u64;
        let held = self.bytes.iter_mut().zip(&self.stuck).skip(offset as usize);
        for ((byte, stuck), new) in held.zip(bytes).take(done) {
            *byte &= new | stuck;
        }
        self.end()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn writes_clear_bits_wears_and_is_cut() {
        let mut f = Flash::new(2);
        f.write(4, &[0x0F, 0xF0, 0xFF, 0x00]).expect("power is on");
        f.write(4, &[0xF1; 4]).expect("power is on");
        let mut back = [0; 4];
        f.read(4, &mut back).expect("power is on");
        assert_eq!(back, [0x01, 0xF0, 0xF1, 0x00]);
        f.wear(5, 0x10);
        f.erase(0, 4096).expect("power is on");
        f.write(4, &[0; 4]).expect("power is on");
        f.read(4, &mut back).expect("power is on");
        assert_eq!(back, [0, 0x10, 0, 0]);
        f.cut_next(0.5);
        assert_eq!(f.write(8, &[0; 4]), Err(Off));
        assert!(f.is_off() && f.erase(0, 4096).is_err());
        f.power_on();
        f.read(8, &mut back).expect("power is on");
        assert_eq!(back, [0, 0, 0xFF, 0xFF]);
    }
}

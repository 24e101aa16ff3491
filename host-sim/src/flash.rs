//! A NOR flash that holds to the rules and breaks on demand.
//!
//! Erasing a block sets all its bits; writing a word can only clear bits, and a
//! word is written once between two erasures: breaking a rule is an error and is
//! counted. The power can be cut in any operation that changes the flash, which
//! then takes part of its effect. Blocks can be worn, and bits flipped.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read,
    check_write,
};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Why the flash did not do as told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FlashError {
    /// Not a whole word or block, or outside the flash.
    Bounds,
    /// A word was written to that was not erased.
    Rewritten,
    /// There is no power.
    PowerLost,
    /// The operation did not take: a worn block.
    Worn,
}

impl NorFlashError for FlashError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            FlashError::Bounds => NorFlashErrorKind::OutOfBounds,
            _ => NorFlashErrorKind::Other,
        }
    }
}

/// How often the flash was used.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Uses {
    /// Read operations.
    pub reads: u64,
    /// Bytes read.
    pub bytes_read: u64,
    /// Write operations.
    pub writes: u64,
    /// Bytes written.
    pub bytes_written: u64,
    /// Blocks erased.
    pub erasures: u64,
    /// Breaches of the rules.
    pub breaches: u64,
}

/// Bytes of a flash up to the last block that is not blank.
pub fn used(bytes: &[u8], block: usize) -> &[u8] {
    let blocks = bytes.iter().rposition(|b| *b != 0xFF).map_or(0, |at| at / block + 1);
    &bytes[..(blocks * block).min(bytes.len())]
}

/// A flash of words of `WORD` bytes and blocks of `BLOCK` bytes.
#[derive(Clone, Debug)]
pub struct NorSim<const WORD: usize = 4, const BLOCK: usize = 4096> {
    bytes: Vec<u8>,
    worn: Vec<bool>,
    uses: Uses,
    cut_at: Option<u64>,
    dark: bool,
    wrote: std::ops::Range<usize>,
    erased: Vec<(u64, usize)>,
    rng: ChaCha8Rng,
}

impl<const WORD: usize, const BLOCK: usize> NorSim<WORD, BLOCK> {
    /// Of so many blocks, erased. The seed decides what an interrupted operation leaves behind.
    pub fn new(blocks: usize, seed: u64) -> Self {
        Self::from_bytes(vec![0xFF; blocks * BLOCK], seed)
    }

    /// With a content.
    pub fn from_bytes(bytes: Vec<u8>, seed: u64) -> Self {
        NorSim {
            worn: vec![false; bytes.len() / BLOCK],
            bytes,
            uses: Uses::default(),
            cut_at: None,
            dark: false,
            wrote: 0..0,
            erased: Vec::new(),
            rng: ChaCha8Rng::seed_from_u64(seed),
        }
    }

    /// Cuts the power in the operation (write or erasure) that comes after so many more.
    pub fn cut_after(&mut self, operations: u64) {
        self.cut_at = Some(self.operations() + operations);
    }

    /// Power is back; no cut is planned any more.
    pub fn power_on(&mut self) {
        self.dark = false;
        self.cut_at = None;
    }

    /// Whether the power is cut.
    pub fn dark(&self) -> bool {
        self.dark
    }

    /// From now on an erasure of this block leaves some bits behind.
    pub fn wear(&mut self, block: usize) {
        if let Some(worn) = self.worn.get_mut(block) {
            *worn = true;
        }
    }

    /// Flips one bit, whatever the rules.
    pub fn flip(&mut self, bit: usize) {
        if let Some(byte) = self.bytes.get_mut(bit / 8) {
            *byte ^= 1 << (bit % 8);
        }
    }

    /// What the flash holds.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// Gives the content.
    pub fn into_bytes(self) -> Vec<u8> {
        self.bytes
    }

    /// Where the latest write went to.
    pub fn wrote(&self) -> std::ops::Range<usize> {
        self.wrote.clone()
    }

    /// Every block erased so far, whole or in part, with the number of the operation.
    pub fn erased(&self) -> &[(u64, usize)] {
        &self.erased
    }

    /// Counts of use.
    pub fn uses(&self) -> Uses {
        self.uses
    }

    /// Operations that changed the flash.
    pub fn operations(&self) -> u64 {
        self.uses.writes + self.uses.erasures
    }

    fn powered(&self) -> Result<(), FlashError> {
        if self.dark { Err(FlashError::PowerLost) } else { Ok(()) }
    }

    /// Whether the power goes in this operation.
    fn goes_out(&mut self) -> bool {
        self.dark = self.cut_at.is_some_and(|at| self.operations() >= at);
        self.dark
    }
}

impl<const WORD: usize, const BLOCK: usize> ErrorType for NorSim<WORD, BLOCK> {
    type Error = FlashError;
}

impl<const WORD: usize, const BLOCK: usize> ReadNorFlash for NorSim<WORD, BLOCK> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), FlashError> {
        self.powered()?;
        check_read(self, offset, into.len()).map_err(|_| FlashError::Bounds)?;
        self.uses.reads += 1;
        self.uses.bytes_read += into.len() as u64;
        let at = offset as usize;
        into.copy_from_slice(&self.bytes[at..at + into.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl<const WORD: usize, const BLOCK: usize> NorFlash for NorSim<WORD, BLOCK> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = BLOCK;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), FlashError> {
        self.powered()?;
        check_erase(self, from, to).map_err(|_| FlashError::Bounds)?;
        for block in from as usize / BLOCK..to as usize / BLOCK {
            let out = self.goes_out();
            self.uses.erasures += 1;
            self.erased.push((self.operations(), block));
            let bytes = &mut self.bytes[block * BLOCK..(block + 1) * BLOCK];
            if out {
                // Anything between untouched and done: some bits have risen.
                let done = self.rng.random_range(0..=8);
                for byte in bytes {
                    let risen = (0..done).fold(0, |mask, _| mask | self.rng.random::<u8>());
                    *byte |= if done == 8 { 0xFF } else { risen };
                }
                return Err(FlashError::PowerLost);
            }
            bytes.fill(0xFF);
            if self.worn[block] {
                for _ in 0..8 {
                    let at = self.rng.random_range(0..BLOCK);
                    bytes[at] &= !(1 << self.rng.random_range(0..8));
                }
            }
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashError> {
        self.powered()?;
        check_write(self, offset, bytes.len()).map_err(|_| FlashError::Bounds)?;
        let out = self.goes_out();
        self.uses.writes += 1;
        self.wrote = offset as usize..offset as usize + bytes.len();
        let words = bytes.len() / WORD;
        // Cut: some words whole, one torn, the others not begun.
        let whole = if out { self.rng.random_range(0..=words) } else { words };
        for (n, word) in bytes.chunks(WORD).enumerate() {
            let at = offset as usize + n * WORD;
            let held = &mut self.bytes[at..at + WORD];
            if held.iter().any(|b| *b != 0xFF) {
                self.uses.breaches += 1;
                return Err(FlashError::Rewritten);
            }
            if n > whole {
                break;
            }
            for (held, byte) in held.iter_mut().zip(word) {
                *held &= if n == whole { torn(*byte, &mut self.rng) } else { *byte };
            }
            self.uses.bytes_written += WORD as u64;
        }
        if out { Err(FlashError::PowerLost) } else { Ok(()) }
    }
}

/// A byte of which only some bits were cleared; one in four has a bit gone wrong besides.
fn torn(byte: u8, rng: &mut impl Rng) -> u8 {
    let part = byte | rng.random::<u8>();
    if rng.random_range(0..4) == 0 { part & !(1 << rng.random_range(0..8)) } else { part }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holds_to_the_rules() {
        let mut flash = NorSim::<4, 4096>::new(2, 1);
        assert_eq!(flash.write(2, &[0; 4]), Err(FlashError::Bounds));
        assert_eq!(flash.write(4, &[0; 3]), Err(FlashError::Bounds));
        assert_eq!(flash.erase(0, 100), Err(FlashError::Bounds));
        assert_eq!(flash.write(4, &[0xF0, 1, 2, 3]), Ok(()));
        assert_eq!(flash.write(4, &[0; 4]), Err(FlashError::Rewritten));
        assert_eq!(flash.uses().breaches, 1);
        assert_eq!(&flash.bytes()[..9], &[255, 255, 255, 255, 0xF0, 1, 2, 3, 255]);
        assert_eq!(flash.erase(0, 4096), Ok(()));
        assert!(flash.bytes().iter().all(|b| *b == 0xFF));
    }

    #[test]
    fn a_cut_write_leaves_the_rest_of_the_block_alone() {
        for seed in 0..200 {
            let mut flash = NorSim::<4, 4096>::new(1, seed);
            flash.write(0, &[7; 16]).unwrap();
            flash.cut_after(0);
            assert_eq!(flash.write(16, &[0; 16]), Err(FlashError::PowerLost));
            assert_eq!(flash.read(0, &mut [0; 4]), Err(FlashError::PowerLost));
            flash.power_on();
            assert_eq!(&flash.bytes()[..16], &[7; 16]);
            assert!(flash.bytes()[32..].iter().all(|b| *b == 0xFF));
        }
    }

    #[test]
    fn a_cut_erasure_only_sets_bits() {
        let mut different = std::collections::BTreeSet::new();
        for seed in 0..50 {
            let content: Vec<u8> = (0..4096).map(|i| i as u8).collect();
            let mut flash = NorSim::<4, 4096>::from_bytes(content.clone(), seed);
            flash.cut_after(0);
            assert_eq!(flash.erase(0, 4096), Err(FlashError::PowerLost));
            let after = flash.into_bytes();
            assert!(after.iter().zip(&content).all(|(a, b)| a & b == *b));
            different.insert(after.iter().map(|b| b.count_ones()).sum::<u32>());
        }
        assert!(different.len() > 5);
    }
}

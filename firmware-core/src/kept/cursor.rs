//! State to bytes and back, by one and the same code.
//!
//! A stage's state is walked field by field by a [`Cursor`], which either takes
//! each field's bytes or puts them in. One function serves both ways, so they
//! cannot differ, and its code is on the tag once. The walk is derived from the
//! struct itself (`#[derive(Kept!)]`): a new field is kept from the moment it is
//! declared.
//!
//! Numbers are little-endian and of fixed size; floats go by their bits, so a
//! round trip is exact. Bytes leave and enter in blocks, so that no second copy
//! of the state is needed in memory.

use crc::{CRC_32_ISO_HDLC, Crc, Digest, NoTable};

/// Bytes in a block.
pub const BLOCK: usize = 64;

static CRC: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_32_ISO_HDLC);

/// CRC-32/ISO-HDLC of some bytes.
pub fn crc32(bytes: &[u8]) -> u32 {
    CRC.checksum(bytes)
}

/// Where blocks go to or come from.
pub trait Port {
    /// Takes the next block; the last one may be shorter. False: it could not.
    fn put(&mut self, block: &[u8]) -> bool;
    /// Fills the next block; the last one may be shorter. False: it could not.
    fn get(&mut self, block: &mut [u8]) -> bool;
}

/// A port that keeps nothing: for a digest.
#[derive(Clone, Copy, Debug, Default)]
pub struct Nowhere;

impl Port for Nowhere {
    fn put(&mut self, _: &[u8]) -> bool {
        true
    }
    fn get(&mut self, _: &mut [u8]) -> bool {
        false
    }
}

/// Bytes in memory as a port, from their start.
#[derive(Debug)]
pub struct Memory<'a> {
    bytes: &'a mut [u8],
    at: usize,
}

impl<'a> Memory<'a> {
    /// Over `bytes`.
    pub fn new(bytes: &'a mut [u8]) -> Self {
        Memory { bytes, at: 0 }
    }

    fn next(&mut self, len: usize) -> Option<&mut [u8]> {
        let from = self.at;
        self.at = self.at.checked_add(len)?;
        self.bytes.get_mut(from..self.at)
    }
}

impl Port for Memory<'_> {
    fn put(&mut self, block: &[u8]) -> bool {
        match self.next(block.len()) {
            Some(to) => {
                to.iter_mut().zip(block).for_each(|(t, b)| *t = *b);
                true
            }
            None => false,
        }
    }

    fn get(&mut self, block: &mut [u8]) -> bool {
        match self.next(block.len()) {
            Some(from) => {
                block.iter_mut().zip(from).for_each(|(b, f)| *b = *f);
                true
            }
            None => false,
        }
    }
}

/// Walks over state; see the module.
pub struct Cursor<'a> {
    port: &'a mut dyn Port,
    load: bool,
    sound: bool,
    /// Bytes still to come, when loading.
    left: u32,
    count: u32,
    digest: Digest<'static, u32, NoTable>,
    /// Whether a check sum is wanted.
    sums: bool,
    block: [u8; BLOCK],
    at: u8,
}

impl<'a> Cursor<'a> {
    /// Takes bytes from the state.
    pub fn save(port: &'a mut dyn Port) -> Self {
        Cursor {
            port,
            load: false,
            sound: true,
            left: 0,
            count: 0,
            digest: CRC.digest(),
            sums: true,
            block: [0; BLOCK],
            at: 0,
        }
    }

    /// Takes bytes from the state for their number alone, without a check sum.
    pub fn count_only(port: &'a mut dyn Port) -> Self {
        Cursor { sums: false, ..Cursor::save(port) }
    }

    /// Puts `len` bytes into the state.
    pub fn load(port: &'a mut dyn Port, len: u32) -> Self {
        Cursor { load: true, left: len, at: BLOCK as u8, ..Cursor::save(port) }
    }

    /// True while bytes are put into the state.
    pub fn loading(&self) -> bool {
        self.load
    }

    /// Notes bytes that no state can have.
    pub fn spoil(&mut self) {
        self.sound = false;
    }

    /// Bytes walked over so far.
    pub fn count(&self) -> u32 {
        self.count
    }

    /// CRC-32 of the bytes walked over so far.
    pub fn crc(&self) -> u32 {
        self.digest.clone().finalize()
    }

    /// False once the port failed or the bytes were not those of such a state.
    pub fn sound(&self) -> bool {
        self.sound
    }

    /// Walks over bytes and forgets them.
    pub fn pass_over(&mut self, len: u32) {
        let mut some = [0; 16];
        let mut left = len as usize;
        while left > 0 {
            let next = left.min(some.len());
            if let Some(some) = some.get_mut(..next) {
                self.bytes(some);
            }
            left = left.saturating_sub(next);
        }
    }

    /// Ends the walk: bytes walked over and their CRC-32. `None`: the port
    /// failed, or the bytes were not those of such a state.
    pub fn finish(mut self) -> Option<(u32, u32)> {
        if !self.load {
            self.flush();
        } else if self.left != 0 || usize::from(self.at) < BLOCK {
            // More bytes than the state has.
            self.sound = false;
        }
        self.sound.then(|| (self.count, self.digest.finalize()))
    }

    fn flush(&mut self) {
        let full = self.block.get(..usize::from(self.at)).unwrap_or(&[]);
        if !full.is_empty() {
            self.sound &= self.port.put(full);
        }
        self.at = 0;
    }

    fn fill(&mut self) {
        let len = self.left.min(BLOCK as u32);
        self.left = self.left.wrapping_sub(len);
        // The last block lies at the end of the buffer, so that its end is the end.
        let from = BLOCK.wrapping_sub(len as usize);
        self.at = from as u8;
        let got = match self.block.get_mut(from..) {
            Some(block) if !block.is_empty() => self.port.get(block),
            _ => false,
        };
        self.sound &= got;
    }

    /// Walks over the bytes of one number.
    #[inline(never)]
    fn bytes(&mut self, bytes: &mut [u8]) {
        for byte in bytes.iter_mut() {
            if usize::from(self.at) >= BLOCK {
                if self.load { self.fill() } else { self.flush() }
            }
            match self.block.get_mut(usize::from(self.at)) {
                Some(slot) if self.load => *byte = *slot,
                Some(slot) => *slot = *byte,
                None => self.sound = false,
            }
            self.at = self.at.saturating_add(1);
        }
        if self.sums {
            self.digest.update(bytes);
        }
        self.count = self.count.wrapping_add(bytes.len() as u32);
    }
}

/// State that can be kept across a reset.
pub trait Kept {
    /// Some value, to be overwritten.
    fn blank() -> Self
    where
        Self: Sized;
    /// Walks over all of it. When saving nothing is changed.
    fn visit(&mut self, cursor: &mut Cursor<'_>);
}

macro_rules! numbers {
    ($($t:ty),*) => { $(
        impl Kept for $t {
            fn blank() -> Self {
                0 as $t
            }
            // Called for every field of a type: never inlined, or it is there for each.
            #[inline(never)]
            fn visit(&mut self, cursor: &mut Cursor<'_>) {
                let mut bytes = self.to_le_bytes();
                cursor.bytes(&mut bytes);
                *self = <$t>::from_le_bytes(bytes);
            }
        }
    )* };
}
numbers!(u8, u16, i16, u32, i32, u64, i64);

impl Kept for f32 {
    fn blank() -> Self {
        0.0
    }
    #[inline(never)]
    fn visit(&mut self, cursor: &mut Cursor<'_>) {
        let mut bits = self.to_bits();
        bits.visit(cursor);
        *self = f32::from_bits(bits);
    }
}

impl Kept for bool {
    fn blank() -> Self {
        false
    }
    #[inline(never)]
    fn visit(&mut self, cursor: &mut Cursor<'_>) {
        let mut byte = u8::from(*self);
        byte.visit(cursor);
        if byte > 1 {
            cursor.spoil();
        }
        *self = byte != 0;
    }
}

impl<T: Kept, const N: usize> Kept for [T; N] {
    fn blank() -> Self {
        core::array::from_fn(|_| T::blank())
    }
    #[inline(never)]
    fn visit(&mut self, cursor: &mut Cursor<'_>) {
        for item in self {
            item.visit(cursor);
        }
    }
}

impl<A: Kept, B: Kept> Kept for (A, B) {
    fn blank() -> Self {
        (A::blank(), B::blank())
    }
    fn visit(&mut self, cursor: &mut Cursor<'_>) {
        self.0.visit(cursor);
        self.1.visit(cursor);
    }
}

impl<T: Kept> Kept for Option<T> {
    fn blank() -> Self {
        None
    }
    #[inline(never)]
    fn visit(&mut self, cursor: &mut Cursor<'_>) {
        let mut some = self.is_some();
        some.visit(cursor);
        if !some {
            *self = None;
        } else {
            self.get_or_insert_with(T::blank).visit(cursor);
        }
    }
}

impl<T: Kept, const N: usize> Kept for heapless::Deque<T, N> {
    fn blank() -> Self {
        heapless::Deque::new()
    }
    fn visit(&mut self, cursor: &mut Cursor<'_>) {
        let mut len = self.len() as u8;
        len.visit(cursor);
        if cursor.loading() {
            self.clear();
            for _ in 0..len {
                if self.push_back(T::blank()).is_err() {
                    cursor.spoil();
                    break;
                }
            }
        }
        for item in self.iter_mut() {
            item.visit(cursor);
        }
    }
}

//! Little-endian fields, one after another.

use crate::math;

/// Puts fields into a buffer. What does not fit is counted and left out.
pub struct Pack<'a> {
    buffer: &'a mut [u8],
    at: usize,
}

impl<'a> Pack<'a> {
    /// At the start of `buffer`.
    pub fn new(buffer: &'a mut [u8]) -> Self {
        Pack { buffer, at: 0 }
    }

    /// Bytes put; more than the buffer holds where something did not fit.
    pub fn len(&self) -> usize {
        self.at
    }

    /// Whether nothing was put.
    pub fn is_empty(&self) -> bool {
        self.at == 0
    }

    /// Bytes.
    #[inline(never)]
    pub fn bytes(&mut self, bytes: &[u8]) {
        let end = self.at.saturating_add(bytes.len());
        for (to, from) in self.buffer.iter_mut().skip(self.at).zip(bytes) {
            *to = *from;
        }
        self.at = end;
    }

    /// One byte.
    pub fn u8(&mut self, x: u8) {
        self.bytes(&[x]);
    }

    /// Two bytes.
    pub fn u16(&mut self, x: u16) {
        self.bytes(&x.to_le_bytes());
    }

    /// Four bytes.
    pub fn u32(&mut self, x: u32) {
        self.bytes(&x.to_le_bytes());
    }

    /// A time in microseconds, six bytes: up to 8.9 years.
    pub fn time(&mut self, us: u64) {
        let [a, b, c, d, e, f, ..] = us.min(0xFFFF_FFFF_FFFF).to_le_bytes();
        self.bytes(&[a, b, c, d, e, f]);
    }

    /// A number by its bits.
    pub fn f32(&mut self, x: f32) {
        self.u32(x.to_bits());
    }

    /// `x` in steps of `1 / per_unit`, two bytes; held at the largest code less one.
    #[inline(never)]
    pub fn scaled(&mut self, x: f32, per_unit: f32) {
        self.u16(math::round_u32((x * per_unit).clamp(0.0, 65_534.0)) as u16);
    }

    /// The same, where all ones say that there is none.
    pub fn scaled_option(&mut self, x: Option<f32>, per_unit: f32) {
        match x {
            Some(x) => self.scaled(x, per_unit),
            None => self.u16(u16::MAX),
        }
    }

    /// An angle of -180 to 180 degrees in steps of 180/127, one byte.
    #[inline(never)]
    pub fn angle(&mut self, deg: f32) {
        let [byte] = (math::floor(deg * (127.0 / 180.0) + 0.5) as i8).to_le_bytes();
        self.u8(byte);
    }
}

/// Takes fields from a payload; `None` past its end.
pub struct Unpack<'a> {
    left: &'a [u8],
}

impl<'a> Unpack<'a> {
    /// At the start of a payload.
    pub fn new(payload: &'a [u8]) -> Self {
        Unpack { left: payload }
    }

    fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (head, rest) = self.left.split_first_chunk::<N>()?;
        self.left = rest;
        Some(*head)
    }

    /// One byte.
    pub fn u8(&mut self) -> Option<u8> {
        self.array().map(u8::from_le_bytes)
    }

    /// Two bytes.
    pub fn u16(&mut self) -> Option<u16> {
        self.array().map(u16::from_le_bytes)
    }

    /// Two bytes, signed.
    pub fn i16(&mut self) -> Option<i16> {
        self.array().map(i16::from_le_bytes)
    }

    /// Three bytes.
    pub fn u24(&mut self) -> Option<u32> {
        let [a, b, c] = self.array()?;
        Some(u32::from_le_bytes([a, b, c, 0]))
    }

    /// Four bytes.
    pub fn u32(&mut self) -> Option<u32> {
        self.array().map(u32::from_le_bytes)
    }

    /// A time in microseconds.
    pub fn time(&mut self) -> Option<u64> {
        let [a, b, c, d, e, f] = self.array()?;
        Some(u64::from_le_bytes([a, b, c, d, e, f, 0, 0]))
    }

    /// A number by its bits.
    pub fn f32(&mut self) -> Option<f32> {
        self.u32().map(f32::from_bits)
    }

    /// A number in steps of `1 / per_unit`.
    #[inline(never)]
    pub fn scaled(&mut self, per_unit: f32) -> Option<f32> {
        self.u16().map(|x| f32::from(x) / per_unit)
    }

    /// The same, where all ones say that there is none.
    pub fn scaled_option(&mut self, per_unit: f32) -> Option<Option<f32>> {
        self.u16().map(|x| (x != u16::MAX).then(|| f32::from(x) / per_unit))
    }

    /// An angle in steps of 180/127 degrees.
    pub fn angle(&mut self) -> Option<f32> {
        self.array().map(|b: [u8; 1]| f32::from(i8::from_le_bytes(b)) * (180.0 / 127.0))
    }
}

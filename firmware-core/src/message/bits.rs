//! Fields of any number of bits, the most significant bit first.

/// Bits of a message, written or read: one walk over the fields serves both ways.
pub trait Bits {
    /// Puts the lowest `width` bits of `value` and gives it back; or takes the next `width`
    /// bits, whatever `value` is.
    fn field(&mut self, value: u32, width: u32) -> u32;
}

/// Puts fields into bytes that are zero.
pub struct Writer<'a> {
    bytes: &'a mut [u8],
    bit: u32,
}

impl<'a> Writer<'a> {
    /// At the first bit.
    pub fn new(bytes: &'a mut [u8]) -> Self {
        Writer { bytes, bit: 0 }
    }

    /// The lowest `width` bits of `value`.
    fn put(&mut self, value: u32, width: u32) {
        for n in (0..width).rev() {
            let byte = self.bytes.get_mut(self.bit.wrapping_shr(3) as usize);
            let mask = 0x80_u8.wrapping_shr(self.bit & 7);
            if value.wrapping_shr(n) & 1 == 1
                && let Some(byte) = byte
            {
                *byte |= mask;
            }
            self.bit = self.bit.wrapping_add(1);
        }
    }
}

impl Bits for Writer<'_> {
    fn field(&mut self, value: u32, width: u32) -> u32 {
        self.put(value, width);
        value
    }
}

/// Takes fields from bytes; zeros past their end.
pub struct Reader<'a> {
    bytes: &'a [u8],
    bit: u32,
}

impl<'a> Reader<'a> {
    /// At the first bit.
    pub fn new(bytes: &'a [u8]) -> Self {
        Reader { bytes, bit: 0 }
    }
}

impl Bits for Reader<'_> {
    fn field(&mut self, _: u32, width: u32) -> u32 {
        let mut value = 0_u32;
        for _ in 0..width {
            let byte = self.bytes.get(self.bit.wrapping_shr(3) as usize).copied().unwrap_or(0);
            let bit = byte.wrapping_shr(7_u32.wrapping_sub(self.bit & 7)) & 1;
            value = value.wrapping_shl(1) | u32::from(bit);
            self.bit = self.bit.wrapping_add(1);
        }
        value
    }
}

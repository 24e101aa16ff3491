//! Numbers small enough to live inside a page: variable-length integers,
//! deflate, base64. The page unpacks them with the browser's own means.

use std::io::Write;

use base64::Engine;
use flate2::Compression;
use flate2::write::{ZlibDecoder, ZlibEncoder};

/// Appends an unsigned integer, seven bits a byte, least first, top bit: more follows.
pub fn put(out: &mut Vec<u8>, mut value: u32) {
    while value >= 0x80 {
        out.push((value & 0x7f) as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// A signed integer as an unsigned one, small where it is near 0: 0, -1, 1, -2, ...
pub fn fold(value: i32) -> u32 {
    ((value << 1) ^ (value >> 31)) as u32
}

/// Undoes [`fold`].
pub fn unfold(value: u32) -> i32 {
    (value >> 1) as i32 ^ -((value & 1) as i32)
}

/// Reads back what [`put`] wrote.
pub struct Take<'a>(pub &'a [u8]);

impl Iterator for Take<'_> {
    type Item = u32;

    fn next(&mut self) -> Option<u32> {
        let mut value = 0u32;
        let mut shift = 0;
        loop {
            let (&byte, rest) = self.0.split_first()?;
            self.0 = rest;
            value |= u32::from(byte & 0x7f).checked_shl(shift)?;
            shift += 7;
            if byte & 0x80 == 0 {
                return Some(value);
            }
        }
    }
}

/// Deflates, with the zlib frame.
pub fn deflate(bytes: &[u8]) -> Vec<u8> {
    let mut z = ZlibEncoder::new(Vec::with_capacity(bytes.len() / 2), Compression::new(6));
    // Writing to memory does not fail.
    let _ = z.write_all(bytes);
    z.finish().unwrap_or_default()
}

/// Undoes [`deflate`].
pub fn inflate(bytes: &[u8]) -> Vec<u8> {
    let mut z = ZlibDecoder::new(Vec::with_capacity(bytes.len() * 3));
    let _ = z.write_all(bytes);
    z.finish().unwrap_or_default()
}

/// Base64 with padding.
pub fn base64(bytes: &[u8]) -> String {
    base64::engine::general_purpose::STANDARD.encode(bytes)
}

/// Undoes [`base64()`]; nothing where the text is none.
pub fn unbase64(text: &str) -> Vec<u8> {
    base64::engine::general_purpose::STANDARD.decode(text).unwrap_or_default()
}

/// Columns of `f32`, little-endian, one after the other, deflated, in base64.
pub fn columns(columns: &[Vec<f32>]) -> String {
    let bytes: Vec<u8> = columns.iter().flatten().flat_map(|v| v.to_le_bytes()).collect();
    base64(&deflate(&bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn integers_come_back() {
        let values = [0, 1, -1, 63, -64, 64, 8191, -70_000, i32::MAX, i32::MIN];
        let mut bytes = Vec::new();
        values.iter().for_each(|&v| put(&mut bytes, fold(v)));
        assert_eq!(Take(&bytes).map(unfold).collect::<Vec<_>>(), values);
        assert_eq!(inflate(&deflate(&bytes)), bytes);
        assert_eq!(Take(&[0x80]).next(), None);
    }
}

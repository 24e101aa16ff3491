//! Files of the host, over semihosting, with small buffers.

use core::mem::MaybeUninit;

use cortex_m_semihosting::syscall;
use on_target_wire::trace::{Sink, Source};

const BUFFER: usize = 512;
const READ_BINARY: usize = 1;
const WRITE_BINARY: usize = 5;
/// A new file, to be written and read.
const NEW: usize = 7;
/// A file that is there, to be written and read.
const KEPT: usize = 3;

fn open(name: &core::ffi::CStr, mode: usize) -> usize {
    // SAFETY: the name is a live, zero-ended string of the stated length.
    unsafe { syscall!(OPEN, name.as_ptr(), mode, name.to_bytes().len()) }
}

/// Fills a value with the bytes of a file.
///
/// # Safety
/// The file must hold a value of this type as [`save`] of the same image wrote it.
pub unsafe fn load<T>(name: &core::ffi::CStr, into: &mut MaybeUninit<T>) {
    let file = open(name, READ_BINARY);
    // SAFETY: the place is live and of the stated length.
    unsafe { syscall!(READ, file, into.as_mut_ptr(), size_of::<T>()) };
    // SAFETY: the file is open.
    unsafe { syscall!(CLOSE, file) };
}

/// Writes the bytes of a value to a file.
pub fn save<T>(name: &core::ffi::CStr, value: &MaybeUninit<T>) {
    let file = open(name, WRITE_BINARY);
    // SAFETY: the value is live and of the stated length.
    unsafe { syscall!(WRITE, file, value.as_ptr(), size_of::<T>()) };
    // SAFETY: the file is open.
    unsafe { syscall!(CLOSE, file) };
}

/// A file that is read and written at any place.
#[derive(Clone, Copy)]
pub struct File {
    file: usize,
}

impl File {
    /// Creates the file.
    pub fn create(name: &core::ffi::CStr) -> Self {
        File { file: open(name, NEW) }
    }

    /// Opens the file as it is.
    pub fn open(name: &core::ffi::CStr) -> Self {
        File { file: open(name, KEPT) }
    }

    /// Reads from a place.
    #[inline(never)]
    pub fn read(self, at: u32, into: &mut [u8]) {
        // SAFETY: the file is open, the buffer live and of the stated length.
        unsafe {
            syscall!(SEEK, self.file, at as usize);
            syscall!(READ, self.file, into.as_mut_ptr(), into.len());
        }
    }

    /// Writes to a place.
    #[inline(never)]
    pub fn write(self, at: u32, bytes: &[u8]) {
        // SAFETY: the file is open, the bytes live and of the stated length.
        unsafe {
            syscall!(SEEK, self.file, at as usize);
            syscall!(WRITE, self.file, bytes.as_ptr(), bytes.len());
        }
    }
}

/// A file being read.
pub struct Reader {
    file: usize,
    buffer: [u8; BUFFER],
    at: usize,
    end: usize,
}

impl Reader {
    /// Opens the file.
    pub fn open(name: &core::ffi::CStr) -> Self {
        Reader { file: open(name, READ_BINARY), buffer: [0; BUFFER], at: 0, end: 0 }
    }

    #[inline(never)]
    fn refill(&mut self) {
        // SAFETY: the buffer is live and of the stated length.
        let missing = unsafe { syscall!(READ, self.file, self.buffer.as_mut_ptr(), BUFFER) };
        self.at = 0;
        self.end = BUFFER.saturating_sub(missing);
    }
}

impl Source for Reader {
    fn byte(&mut self) -> u8 {
        if self.at >= self.end {
            self.refill();
        }
        let byte = if self.at < self.end { self.buffer.get(self.at).copied() } else { None };
        self.at = self.at.wrapping_add(1);
        byte.unwrap_or(0)
    }
}

/// A file being written.
pub struct Writer {
    file: usize,
    buffer: [u8; BUFFER],
    used: usize,
}

impl Writer {
    /// Creates the file.
    pub fn create(name: &core::ffi::CStr) -> Self {
        Writer { file: open(name, WRITE_BINARY), buffer: [0; BUFFER], used: 0 }
    }

    /// Hands what is buffered to the host.
    #[inline(never)]
    pub fn flush(&mut self) {
        // SAFETY: the buffer is live and `used` is within it.
        unsafe { syscall!(WRITE, self.file, self.buffer.as_ptr(), self.used) };
        self.used = 0;
    }
}

impl Sink for Writer {
    fn put(&mut self, bytes: &[u8]) {
        for byte in bytes {
            if self.used >= BUFFER {
                self.flush();
            }
            if let Some(slot) = self.buffer.get_mut(self.used) {
                *slot = *byte;
            }
            self.used = self.used.wrapping_add(1);
        }
    }
}

//! From a stream of text to its lines, over one large buffer.

use std::io::{self, Read};

use super::plain::WINDOW;

/// Bytes read at a time.
const BUFFER: usize = 64 * 1024;
/// Zeros kept behind the text, so that numbers can be read from any place in it.
const PADDING: usize = WINDOW;

/// Lines of a stream, each where it lies in the buffer.
pub(super) struct Lines<R> {
    source: R,
    buffer: Vec<u8>,
    from: usize,
    to: usize,
    ended: bool,
    terminator: u8,
    count: u64,
}

impl<R: Read> Lines<R> {
    /// Of `source`, each ended by `terminator`; the last may lack it.
    pub fn new(source: R, terminator: u8) -> Self {
        let buffer = vec![0; BUFFER + PADDING];
        Lines { source, buffer, from: 0, to: 0, ended: false, terminator, count: 0 }
    }

    /// The byte that ends each.
    pub fn end(&self) -> u8 {
        self.terminator
    }

    /// Lines handed out so far: the number of the latest, from 1.
    #[inline]
    pub fn count(&self) -> u64 {
        self.count
    }

    /// What is in the buffer, from the start of the next line on, with zeros behind it.
    #[inline]
    pub fn ahead(&self) -> &[u8] {
        &self.buffer[self.from..self.to + PADDING]
    }

    /// Goes past so many lines found in [`Lines::ahead`], of so many bytes, their ends
    /// among them.
    #[inline]
    pub fn skip(&mut self, bytes: usize, lines: usize) {
        self.from += bytes;
        self.count += lines as u64;
    }

    /// The next line, without its end.
    ///
    /// # Errors
    /// Those of the source; lines before are handed out first.
    pub fn next(&mut self) -> io::Result<Option<&[u8]>> {
        let mut looked = 0;
        loop {
            let start = self.from;
            let found = memchr::memchr(self.terminator, &self.buffer[start + looked..self.to]);
            let (end, next) = match found {
                Some(n) => (start + looked + n, start + looked + n + 1),
                None if self.ended && start == self.to => return Ok(None),
                None if self.ended => (self.to, self.to),
                None => {
                    looked = self.to - start;
                    self.fill()?;
                    continue;
                }
            };
            self.from = next;
            self.count += 1;
            return Ok(Some(&self.buffer[start..end]));
        }
    }

    /// Reads more behind what is still to be handed out.
    fn fill(&mut self) -> io::Result<()> {
        self.buffer.copy_within(self.from..self.to, 0);
        self.to -= self.from;
        self.from = 0;
        if 2 * self.to > self.buffer.len() {
            self.buffer.resize(2 * self.buffer.len(), 0);
        }
        let room = self.buffer.len() - PADDING;
        let read = loop {
            match self.source.read(&mut self.buffer[self.to..room]) {
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                other => break other?,
            }
        };
        self.ended = read == 0;
        self.to += read;
        self.buffer[self.to..self.to + PADDING].fill(0);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gives one byte at a time.
    struct Slow<'a>(&'a [u8]);

    impl Read for Slow<'_> {
        fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
            self.0.read(&mut to[..1])
        }
    }

    #[test]
    fn every_line_once_whatever_the_source_gives() {
        let long = "x".repeat(3 * BUFFER);
        let text = format!("a\n\nbc\r\n{long}\nend");
        let mut lines = Lines::new(text.as_bytes(), b'\n');
        let mut got = Vec::new();
        while let Some(line) = lines.next().unwrap() {
            got.push(String::from_utf8(line.to_vec()).unwrap());
        }
        assert_eq!(got, ["a", "", "bc\r", &long, "end"]);
        assert_eq!(lines.count(), 5);

        let mut lines = Lines::new(Slow(b"a;bc;;"), b';');
        for want in ["a", "bc", ""] {
            assert_eq!(lines.next().unwrap(), Some(want.as_bytes()));
            assert!(lines.ahead().len() >= PADDING);
        }
        assert_eq!(lines.next().unwrap(), None);
    }
}

//! From a file to a stream of text: what kind of file it is, gzip, and a bound
//! on the length of a line.

use std::fs::File;
use std::io::{self, BufReader, Cursor, Read};
use std::path::Path;

use flate2::bufread::MultiGzDecoder;

use crate::problem::Problem;

/// Bytes read ahead, to see what a file is and what its header says.
pub(super) const HEAD: usize = 64 * 1024;

/// Longest line accepted, bytes; it bounds the memory a line can take.
pub const MAX_LINE: usize = 1024 * 1024;

/// A source of bytes.
pub type Source = Box<dyn Read + Send>;

/// Opens a file for reading.
///
/// # Errors
/// No such file, a directory, or one that may not be read.
pub fn open_file(path: &Path) -> Result<File, Problem> {
    let name = path.display();
    let meta = std::fs::metadata(path).map_err(|e| match e.kind() {
        io::ErrorKind::NotFound => {
            let problem = Problem::new(format!("{name}: no such file"));
            match path.to_string_lossy().contains(['*', '?']) {
                true => problem.help("no file has a name of this pattern"),
                false => problem,
            }
        }
        _ => Problem::new(format!("{name}: cannot be opened: {e}")),
    })?;
    if meta.is_dir() {
        return Err(Problem::new(format!("{name}: is a directory; a trace file was expected"))
            .help(format!("name the traces in it, for example {}", path.join("*.csv").display())));
    }
    File::open(path).map_err(|e| Problem::new(format!("{name}: cannot be opened: {e}")))
}

/// Text of a trace, unpacked.
pub(super) struct Text {
    /// The first bytes (up to [`HEAD`]), without a byte order mark.
    pub head: Vec<u8>,
    /// Everything that follows.
    pub rest: Source,
    /// Whether it came out of gzip.
    pub gzip: bool,
}

/// Looks at the first bytes and unpacks gzip, whatever the file is called.
pub(super) fn text(name: &str, mut source: Source) -> Result<Text, Problem> {
    let mut head = Vec::new();
    read_head(&mut source, &mut head)
        .map_err(|e| Problem::new(format!("{name}: cannot be read: {e}")))?;
    if head.is_empty() {
        return Err(Problem::new(format!("{name}: is empty (0 bytes); a header row was expected")));
    }
    let gzip = head.starts_with(&[0x1f, 0x8b]);
    let mut rest = source;
    if gzip {
        let packed = BufReader::with_capacity(HEAD, Cursor::new(head).chain(rest));
        rest = Box::new(MultiGzDecoder::new(packed));
        head = Vec::new();
        read_head(&mut rest, &mut head).map_err(|e| damaged(name, "near its start", true, &e))?;
        if head.is_empty() {
            return Err(Problem::new(format!(
                "{name}: is empty once unpacked; a header row was expected"
            )));
        }
    }
    if let Some(kind) = foreign(&head) {
        return Err(Problem::new(format!("{name}: is {kind}; CSV text was expected"))
            .help("a trace is a CSV file in UTF-8, plain or compressed with gzip"));
    }
    if head.starts_with(&[0xef, 0xbb, 0xbf]) {
        head.drain(..3);
    }
    Ok(Text { head, rest, gzip })
}

/// Fills `head` up to [`HEAD`] bytes or the end.
fn read_head(source: &mut Source, head: &mut Vec<u8>) -> io::Result<()> {
    source.by_ref().take(HEAD as u64).read_to_end(head).map(|_| ())
}

/// What a file is, where it is surely not CSV in UTF-8. Signatures from
/// memory; each is the start of the format's own specification.
fn foreign(head: &[u8]) -> Option<&'static str> {
    let signatures: [(&[u8], &str); 9] = [
        (b"PK\x03\x04", "a zip archive or an office document"),
        (b"\xd0\xcf\x11\xe0", "an old office document"),
        (b"\x1f\x8b", "packed with gzip twice"),
        (b"BZh", "packed with bzip2"),
        (b"\xfd7zXZ\x00", "packed with xz"),
        (b"\x28\xb5\x2f\xfd", "packed with zstd"),
        (b"\xff\xfe", "text in UTF-16"),
        (b"\xfe\xff", "text in UTF-16"),
        (b"%PDF", "a PDF document"),
    ];
    signatures.iter().find(|(magic, _)| head.starts_with(magic)).map(|&(_, kind)| kind)
}

/// A problem met while reading on: `place` says where.
pub(super) fn damaged(name: &str, place: &str, gzip: bool, error: &io::Error) -> Problem {
    if error.get_ref().is_some_and(|inner| inner.is::<LineTooLong>()) {
        return Problem::new(format!("{name}: {place}: {error}"))
            .help("a trace is a CSV file with one short line a sample");
    }
    if !gzip {
        return Problem::new(format!("{name}: {place}: cannot be read: {error}"));
    }
    let what = match error.kind() {
        io::ErrorKind::UnexpectedEof => "the gzip data end too early (a file cut short)",
        _ => "the gzip data are damaged",
    };
    Problem::new(format!("{name}: {place}: {what}")).help(
        "copy the file from the logger again; what can be read of it: gzip -dc FILE > PART.csv",
    )
}

/// A line longer than [`MAX_LINE`].
#[derive(Debug)]
struct LineTooLong;

impl std::fmt::Display for LineTooLong {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "no end of line within {MAX_LINE} bytes; this is not a trace")
    }
}

impl std::error::Error for LineTooLong {}

/// Passes bytes on, and refuses a line longer than [`MAX_LINE`].
pub(super) struct LineBound<R> {
    inner: R,
    since_end_of_line: usize,
}

/// Any source of text, with the length of its lines bounded.
pub(crate) fn bounded(source: Source) -> impl Read + Send {
    LineBound::new(source)
}

impl<R: Read> LineBound<R> {
    pub fn new(inner: R) -> Self {
        LineBound { inner, since_end_of_line: 0 }
    }
}

impl<R: Read> Read for LineBound<R> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let n = self.inner.read(buf)?;
        let got = &buf[..n];
        let longest = match memchr::memchr2(b'\n', b'\r', got) {
            // Lines that start and end within one buffer are bounded by it.
            Some(first) => {
                let longest = self.since_end_of_line + first;
                let last = memchr::memrchr2(b'\n', b'\r', got).unwrap_or(first);
                self.since_end_of_line = n - last - 1;
                longest
            }
            None => {
                self.since_end_of_line += n;
                self.since_end_of_line
            }
        };
        if longest > MAX_LINE {
            return Err(io::Error::new(io::ErrorKind::InvalidData, LineTooLong));
        }
        Ok(n)
    }
}

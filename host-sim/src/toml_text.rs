//! A TOML file a person wrote: read whole, decoded, understood, and pointed into
//! where something is wrong.

use std::io::Read;
use std::ops::Range;
use std::path::Path;

use toml::Spanned;
use toml::de::DeTable;

use crate::problem::Problem;
use crate::trace::open_file;

/// Longest file that is still taken for one that a person wrote.
const MAX_BYTES: u64 = 1024 * 1024;

/// The bytes of the file at `path`, cut just beyond what [`decode`] takes.
pub(crate) fn read(path: &Path) -> Result<Vec<u8>, Problem> {
    let mut bytes = Vec::new();
    open_file(path)?
        .take(MAX_BYTES + 1)
        .read_to_end(&mut bytes)
        .map_err(|e| Problem::new(format!("{}: cannot be read: {e}", path.display())))?;
    Ok(bytes)
}

/// Text of a file called `name`, without a byte order mark; `expected` is what the
/// file should have been.
pub(crate) fn decode<'a>(name: &str, bytes: &'a [u8], expected: &str) -> Result<&'a str, Problem> {
    if bytes.len() as u64 > MAX_BYTES {
        return Err(Problem::new(format!(
            "{name}: is longer than {MAX_BYTES} bytes; {expected} was expected"
        )));
    }
    let text = std::str::from_utf8(bytes).map_err(|e| {
        let line = 1 + bytes[..e.valid_up_to()].iter().filter(|&&b| b == b'\n').count();
        Problem::new(format!("{name}: line {line}: is not text in UTF-8; TOML was expected"))
    })?;
    Ok(text.strip_prefix('\u{feff}').unwrap_or(text))
}

/// The tables and keys of `text`, the content of a file called `name`.
pub(crate) fn table<'a>(name: &str, text: &'a str) -> Result<Spanned<DeTable<'a>>, Problem> {
    DeTable::parse(text).map_err(|e| {
        let what = format!("not valid TOML: {}", one_line(e.message()));
        located(name, text, &e.span().unwrap_or(0..0), &what, "here")
    })
}

/// All in one line, with single blanks.
pub(crate) fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A problem at a place in a text, with line and column in the message too.
pub(crate) fn located(
    name: &str,
    text: &str,
    span: &Range<usize>,
    message: &str,
    label: &str,
) -> Problem {
    let before = &text.as_bytes()[..span.start.min(text.len())];
    let line = 1 + before.iter().filter(|&&b| b == b'\n').count();
    let start_of_line = before.iter().rposition(|&b| b == b'\n').map_or(0, |at| at + 1);
    let column = 1 + String::from_utf8_lossy(&before[start_of_line..]).chars().count();
    Problem::new(format!("{name}: line {line}, column {column}: {message}")).at(
        name,
        text,
        span.clone(),
        label,
    )
}

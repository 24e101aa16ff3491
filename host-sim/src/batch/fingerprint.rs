//! Hashes of contents (BLAKE3) and of the code itself.

use std::path::Path;

use crate::problem::Problem;
use crate::trace::open_file;

/// The on-tag code: its version and a hash of its sources.
pub const DETECTOR_VERSION: &str =
    concat!(env!("CARGO_PKG_VERSION"), "+", env!("SWAYMARK_CORE_SOURCES"));

/// A hash of all sources of this program, on-tag code included.
pub const ALL_SOURCES: &str = env!("SWAYMARK_ALL_SOURCES");

/// Hash of `bytes`, 32 hexadecimal digits.
pub fn of_bytes(bytes: &[u8]) -> String {
    shown(&blake3::hash(bytes))
}

/// Hash of the content of the file at `path`, 32 hexadecimal digits.
///
/// # Errors
/// A file that cannot be read.
pub fn of_file(path: &Path) -> Result<String, Problem> {
    let file = open_file(path)?;
    let mut hasher = blake3::Hasher::new();
    hasher
        .update_reader(file)
        .map_err(|e| Problem::new(format!("{}: cannot be read: {e}", path.display())))?;
    Ok(shown(&hasher.finalize()))
}

/// A hash as it is written: 32 hexadecimal digits.
pub(crate) fn shown(hash: &blake3::Hash) -> String {
    hash.to_hex()[..32].to_owned()
}

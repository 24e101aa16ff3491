//! Hashes of contents (BLAKE3) and of the code itself.

use std::fs::File;
use std::path::Path;
use std::sync::OnceLock;

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

/// Hash of the program that runs; `None` where it cannot be read.
pub fn program() -> Option<blake3::Hash> {
    static PROGRAM: OnceLock<Option<blake3::Hash>> = OnceLock::new();
    let read = || {
        let mut hasher = blake3::Hasher::new();
        hasher.update_reader(File::open(std::env::current_exe().ok()?).ok()?).ok()?;
        Some(hasher.finalize())
    };
    *PROGRAM.get_or_init(read)
}

/// A hash as it is written: 32 hexadecimal digits.
pub(crate) fn shown(hash: &blake3::Hash) -> String {
    hash.to_hex()[..32].to_owned()
}

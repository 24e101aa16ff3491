//! A file written beside its place and then renamed: seen whole or not at all.

use std::fs::{self, File};
use std::io::Write;
use std::path::Path;

use crate::problem::Problem;

/// Writes `bytes` to `path`, replacing what was there in one step.
///
/// # Errors
/// The folder cannot be written to, or the disk is full; what was there stays.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), Problem> {
    let name = path.display();
    let Some(file_name) = path.file_name() else {
        return Err(Problem::new(format!("{name}: is not the name of a file")));
    };
    let mut part = file_name.to_owned();
    part.push(format!(".part-{}", std::process::id()));
    let part = path.with_file_name(part);
    let written = File::create(&part)
        .and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all()))
        .and_then(|()| fs::rename(&part, path));
    written.map_err(|e| {
        // Only a leftover; the failure itself is what is told.
        let _ = fs::remove_file(&part);
        Problem::new(format!("{name}: cannot be written: {e}"))
    })
}

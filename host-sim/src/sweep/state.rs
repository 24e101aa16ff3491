//! What a sweep has done so far, kept in a file, so that one that was stopped at
//! any moment goes on where it was.
//!
//! A line of JSON for every piece of work, added when the piece is done. Each
//! result stands under a key made from everything it depends on: the contents of
//! trace, deployment file, truth and tag file, the settings of the cell, and the
//! program itself. What has changed since is therefore never taken from the file.
//! A line cut short by a sudden end is left out and written anew.

use std::collections::HashMap;
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::tally::CellTrace;
use crate::batch::program;
use crate::problem::Problem;

const HEAD: &str = "{\"swaymark_sweep_state\":1}\n";

/// A key: hexadecimal digits.
pub type Key = String;

#[derive(Serialize, Deserialize)]
struct Line {
    results: Vec<(Key, CellTrace)>,
}

/// The file and what it held.
#[derive(Debug)]
pub struct State {
    path: PathBuf,
    file: File,
    /// Results found in it.
    pub held: HashMap<Key, CellTrace>,
}

/// Of the program itself: results of another build are not taken over. `None`
/// where it cannot be read.
pub fn build() -> Option<blake3::Hash> {
    program()
}

impl State {
    /// Opens the file, or makes it.
    ///
    /// # Errors
    /// A file that cannot be read or written, or that is something else.
    pub fn open(path: &Path) -> Result<Self, Problem> {
        let name = path.display();
        let failed = |e: std::io::Error| match e.kind() {
            ErrorKind::NotFound => Problem::new(format!("{name}: no such folder")),
            _ => Problem::new(format!("{name}: cannot be written: {e}")),
        };
        let mut file =
            OpenOptions::new().read(true).append(true).create(true).open(path).map_err(failed)?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(failed)?;
        if !bytes.starts_with(HEAD.as_bytes()) && !HEAD.as_bytes().starts_with(&bytes) {
            return Err(Problem::new(format!(
                "{name}: is not the state of a sweep; it is left as it is"
            )));
        }
        let mut held = HashMap::new();
        let mut good = HEAD.len();
        for line in bytes.get(HEAD.len()..).unwrap_or_default().split_inclusive(|&b| b == b'\n') {
            let Some(text) = line.strip_suffix(b"\n") else { break };
            let Ok(line_read) = serde_json::from_slice::<Line>(text) else { break };
            held.extend(line_read.results);
            good += line.len();
        }
        if bytes.len() < HEAD.len() {
            file.set_len(0).and_then(|()| file.write_all(HEAD.as_bytes())).map_err(failed)?;
        } else if good < bytes.len() {
            file.set_len(good as u64).map_err(failed)?;
        }
        Ok(State { path: path.to_owned(), file, held })
    }

    /// Adds a piece of work. The line is with the system when this returns.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn add(&mut self, results: Vec<(Key, CellTrace)>) -> Result<(), Problem> {
        let failed = |e: std::io::Error| {
            Problem::new(format!("{}: cannot be written: {e}", self.path.display()))
        };
        let mut line = serde_json::to_vec(&Line { results }).map_err(|e| failed(e.into()))?;
        line.push(b'\n');
        self.file.write_all(&line).map_err(failed)
    }

    /// Takes the file away, once the results are out.
    pub fn remove(self) {
        // One that stays does no harm.
        let _ = std::fs::remove_file(&self.path);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_cut_short_is_left_out_and_other_files_are_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("s");
        let mut state = State::open(&path).unwrap();
        state.add(Vec::new()).unwrap();
        let whole = std::fs::read(&path).unwrap();
        for end in 0..=whole.len() {
            std::fs::write(&path, &whole[..end]).unwrap();
            let mut state = State::open(&path).unwrap();
            state.add(Vec::new()).unwrap();
            let now = std::fs::read(&path).unwrap();
            let lines = if end == whole.len() { 2 } else { 1 };
            assert_eq!(now, [&whole[..], &whole[HEAD.len()..]].concat()[..HEAD.len() + lines * 15]);
        }
        std::fs::write(&path, "a,b\n1,2\n").unwrap();
        assert!(State::open(&path).unwrap_err().to_string().contains("is not the state"));
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "a,b\n1,2\n");
    }
}

//! The file that lets a score go on where it was broken off.
//!
//! JSON lines: a header, then one line a trace, each appended in one write. An
//! unfinished last line, the trace of a killed run, is cut off on opening. A line holds
//! a fingerprint of trace, deployment, truth and code; a line whose fingerprint is no
//! longer met is never used.

use std::collections::HashMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::trace_score::TraceScore;
use crate::problem::Problem;

const HEADER: &str = "{\"swaymark_score_state\":1}\n";

#[derive(Serialize, Deserialize)]
struct Line {
    fingerprint: String,
    /// For people.
    trace: String,
    score: TraceScore,
}

/// Scores kept from earlier runs, and the file that new ones are added to.
#[derive(Debug)]
pub struct State {
    path: PathBuf,
    file: File,
    known: HashMap<String, TraceScore>,
    /// Lines that could not be understood; their traces are scored anew.
    pub damaged: usize,
}

impl State {
    /// Opens the file at `path`, or makes it.
    ///
    /// # Errors
    /// A file that is something else, that another run holds, or that cannot be
    /// read or written.
    pub fn open(path: &Path) -> Result<Self, Problem> {
        let io = |e| Problem::new(format!("{}: cannot be used: {e}", path.display()));
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
            .map_err(io)?;
        match file.try_lock() {
            // Where locks are not supported, go without.
            Ok(()) | Err(TryLockError::Error(_)) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(Problem::new(format!("{}: is in use by another run", path.display())));
            }
        }
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(io)?;
        let torn_header = HEADER.as_bytes().starts_with(&bytes);
        if !torn_header && !bytes.starts_with(HEADER.as_bytes()) {
            return Err(Problem::new(format!(
                "{}: holds something else than scores broken off; it was left as it is",
                path.display()
            ))
            .help("name a new file, or one that an earlier --resume made"));
        }
        let whole = bytes.iter().rposition(|&b| b == b'\n').map_or(0, |at| at + 1);
        let (mut known, mut damaged) = (HashMap::new(), 0);
        if torn_header && whole == 0 {
            file.set_len(0).map_err(io)?;
            file.seek(SeekFrom::Start(0)).map_err(io)?;
            file.write_all(HEADER.as_bytes()).map_err(io)?;
        } else {
            for line in bytes[HEADER.len()..whole].split(|&b| b == b'\n') {
                match serde_json::from_slice::<Line>(line) {
                    Ok(line) => drop(known.insert(line.fingerprint, line.score)),
                    Err(_) if line.is_empty() => {}
                    Err(_) => damaged += 1,
                }
            }
            file.set_len(whole as u64).map_err(io)?;
            file.seek(SeekFrom::Start(whole as u64)).map_err(io)?;
        }
        Ok(State { path: path.to_owned(), file, known, damaged })
    }

    /// The score kept under this fingerprint.
    pub fn get(&self, fingerprint: &str) -> Option<&TraceScore> {
        self.known.get(fingerprint)
    }

    /// How many scores it held on opening.
    pub fn len(&self) -> usize {
        self.known.len()
    }

    /// Whether it held none.
    pub fn is_empty(&self) -> bool {
        self.known.is_empty()
    }

    /// Adds a score.
    ///
    /// # Errors
    /// The file cannot be written to.
    pub fn add(
        &mut self,
        fingerprint: &str,
        trace: &str,
        score: &TraceScore,
    ) -> Result<(), Problem> {
        let line = Line {
            fingerprint: fingerprint.to_owned(),
            trace: trace.to_owned(),
            score: score.clone(),
        };
        let failed = |e: &dyn std::fmt::Display| {
            Problem::new(format!("{}: cannot be written: {e}", self.path.display()))
        };
        let mut bytes = serde_json::to_vec(&line).map_err(|e| failed(&e))?;
        bytes.push(b'\n');
        self.file.write_all(&bytes).map_err(|e| failed(&e))
    }
}

#[cfg(test)]
mod tests {
    use super::super::trace_score::*;
    use super::*;
    use std::fs;

    fn score(delay_s: f64) -> TraceScore {
        TraceScore {
            breathing: Breathing::Ram,
            duration_s: 0.1 + 0.2,
            beats: Some(BeatScore {
                truth: 3,
                found: 2,
                matched: 1,
                offset_cycles: Some(1.0 / 3.0),
                timing_sum_s2: 1e-17,
            }),
            rate: None,
            fate: FateScore {
                truth: TrueFate::Dead,
                event_s: Some(1.0),
                tag: TagFate::Dead,
                decided_s: None,
                verdict: Verdict::Right,
                early: false,
                delay_s: Some(delay_s),
                time_error_s: None,
                before_ceiling: Some(true),
            },
            recovery: RecoveryScore {
                truth_s: None,
                decided: None,
                error_s: None,
                se_s: Some(f64::from(0.1_f32)),
                delay_s: None,
            },
            release: ReleaseScore {
                cause: "death".into(),
                t_s: None,
                false_release: false,
                before_recovery: None,
                delay_s: None,
            },
            own: [("shake".to_owned(), OwnScore { truth: 2, ..OwnScore::default() })].into(),
        }
    }

    #[test]
    fn cut_at_any_byte_it_holds_what_was_whole() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("state");
        let mut state = State::open(&path).unwrap();
        let scores: Vec<_> = (0..3).map(|i| score(std::f64::consts::PI * f64::from(i))).collect();
        for (i, s) in scores.iter().enumerate() {
            state.add(&format!("f{i}"), "x.csv", s).unwrap();
        }
        drop(state);
        let whole = fs::read(&path).unwrap();
        for cut in 0..=whole.len() {
            fs::write(&path, &whole[..cut]).unwrap();
            let mut state = State::open(&path).unwrap();
            let lines = whole[..cut].iter().filter(|&&b| b == b'\n').count();
            assert_eq!((state.len(), state.damaged), (lines.saturating_sub(1), 0), "cut {cut}");
            for (i, s) in scores.iter().enumerate() {
                // To the last bit.
                assert!(state.get(&format!("f{i}")).is_none_or(|kept| kept == s));
                if state.get(&format!("f{i}")).is_none() {
                    state.add(&format!("f{i}"), "x.csv", s).unwrap();
                }
            }
            drop(state);
            assert_eq!(fs::read(&path).unwrap(), whole, "cut {cut}");
        }
    }

    #[test]
    fn leaves_foreign_files_and_other_runs_alone() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("notes.txt");
        fs::write(&path, "mine\n").unwrap();
        assert!(State::open(&path).unwrap_err().to_string().contains("something else"));
        assert_eq!(fs::read(&path).unwrap(), b"mine\n");
        let path = dir.path().join("state");
        let held = State::open(&path).unwrap();
        assert!(State::open(&path).unwrap_err().to_string().contains("another run"));
        drop(held);
        fs::write(&path, format!("{HEADER}scrambled\n")).unwrap();
        assert_eq!(State::open(&path).unwrap().damaged, 1);
        assert!(State::open(dir.path()).is_err());
    }
}

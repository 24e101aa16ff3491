//! The traces with truth in a folder.

use std::path::{Path, PathBuf};

use blake3::Hash;

use crate::deployment::{Deployment, TruthSource, beside};
use crate::problem::Problem;
use crate::replay::{FileFacts, Keep, Prepared, Setup, prepare};
use crate::score::Truth;
use crate::tag_file::TagFile;
use crate::trace::{Decoded, open_file};

/// A trace that can be swept: looked at, not yet read.
#[derive(Debug)]
pub struct TraceFile {
    /// The trace.
    pub path: PathBuf,
    /// Configuration, cell and memory as its deployment file says.
    pub setup: Setup,
    /// Facts for the report.
    pub facts: FileFacts,
    /// Of the contents of trace, deployment file, truth and tag file.
    pub hash: Hash,
    /// The tag that carries it, by its deployment file.
    pub tag: TagFile,
    /// Where its truth is from, if said.
    pub source: Option<TruthSource>,
    /// Counts for one g, where its deployment file says.
    pub counts_per_g: Option<f64>,
    /// Size of the file.
    pub bytes: u64,
}

/// A trace read into memory.
pub struct Loaded {
    /// The rows.
    pub rows: Decoded,
    /// What really happened.
    pub truth: Truth,
}

/// Finds the traces with truth in `dir`, in order of name, and what to tell.
///
/// # Errors
/// No such folder, no trace with truth in it, or one that cannot be used.
pub fn find(dir: &Path) -> Result<(Vec<TraceFile>, Vec<String>), Problem> {
    let name = dir.display();
    if dir.is_file() {
        return Err(Problem::new(format!("{name}: is a file; a folder of traces was expected")));
    }
    let unreadable = |e: std::io::Error| match e.kind() {
        std::io::ErrorKind::NotFound => Problem::new(format!("{name}: no such folder")),
        _ => Problem::new(format!("{name}: cannot be read: {e}")),
    };
    let mut paths = Vec::new();
    let mut bare = 0;
    for entry in std::fs::read_dir(dir).map_err(unreadable)? {
        let path = entry.map_err(unreadable)?.path();
        let file = path.file_name().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
        let is_trace = file.ends_with(".csv") || file.ends_with(".csv.gz");
        if !is_trace || file.ends_with(".truth.csv") || !path.is_file() {
            continue;
        }
        if beside(&path, ".truth.csv").is_file() { paths.push(path) } else { bare += 1 }
    }
    let mut notices = Vec::new();
    if bare > 0 {
        notices.push(format!("{name}: left out {bare} without a truth file NAME.truth.csv beside"));
    }
    if paths.is_empty() {
        let what = match bare {
            0 => "no traces in it",
            _ => "no trace with a truth file in it",
        };
        return Err(Problem::new(format!("{name}: {what}"))
            .help("a trace NAME.csv or NAME.csv.gz with NAME.truth.csv beside it was expected"));
    }
    paths.sort();
    let mut traces = Vec::new();
    for path in paths {
        let mut prepared = open(&path)?;
        notices.append(&mut prepared.notices);
        let Prepared { setup, facts, .. } = prepared;
        let mut hasher = blake3::Hasher::new();
        let toml = beside(&path, ".toml");
        for part in [&path, &toml, &beside(&path, ".truth.csv")] {
            if part.exists() {
                hasher.update_reader(open_file(part)?).map_err(|e| {
                    Problem::new(format!("{}: cannot be read: {e}", part.display()))
                })?;
            }
            // So that the end of one file is not the start of the next.
            hasher.update(&hasher.count().to_le_bytes());
        }
        let deployment =
            if toml.exists() { Deployment::load(&toml)? } else { Deployment::default() };
        let tag = deployment.tag_file()?;
        // All its figures, each with all digits.
        hasher.update(format!("{tag:?}").as_bytes());
        traces.push(TraceFile {
            bytes: path.metadata().map_or(0, |m| m.len()),
            path,
            setup,
            facts,
            hash: hasher.finalize(),
            tag,
            source: deployment.truth,
            counts_per_g: deployment.counts_per_g,
        });
    }
    Ok((traces, notices))
}

fn open(path: &Path) -> Result<Prepared, Problem> {
    prepare(path, None, Keep { beats: true, minutes: true }, |file| Box::new(file))
}

impl TraceFile {
    /// Reads the whole trace and its truth.
    ///
    /// # Errors
    /// Damage in either file.
    pub fn load(&self) -> Result<Loaded, Problem> {
        let truth = Truth::beside(&self.path, self.source)?;
        let rows = Decoded::read(&mut open(&self.path)?.reader, &self.facts.trace)?;
        Ok(Loaded { rows, truth })
    }
}

//! Traces in folders.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use walkdir::WalkDir;

use crate::deployment::beside;
use crate::problem::Problem;

/// A trace and the files beside it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Job {
    /// The trace, as reached from the folder named.
    pub trace: PathBuf,
    /// Its name below the folder named, that folder's own name in front: the same
    /// however the folder was reached.
    pub name: String,
    /// `NAME.toml`, where there is one.
    pub deployment: Option<PathBuf>,
    /// `NAME.truth.csv`, where there is one.
    pub truth: Option<PathBuf>,
    /// Name of the folder that holds it.
    pub folder: String,
    /// Size of the trace, bytes.
    pub bytes: u64,
}

/// What was found.
#[derive(Debug, Default)]
pub struct Found {
    /// Traces, sorted by name.
    pub jobs: Vec<Job>,
    /// What could not be read, and where nothing was found.
    pub problems: Vec<Problem>,
    /// Truth files without a trace.
    pub lone_truths: Vec<Problem>,
}

/// Finds all traces, `NAME.csv` and `NAME.csv.gz`, in `dirs` and below, in the order of
/// their names. A trace may be named itself too. Links are followed; a trace reached
/// by two ways is taken once. Names that start with a point are passed over.
pub fn find(dirs: &[PathBuf]) -> Found {
    let mut found = Found::default();
    let mut seen = BTreeSet::new();
    for dir in dirs {
        let (mut here, mut truths) = (0, Vec::new());
        for entry in
            WalkDir::new(dir).follow_links(true).sort_by_file_name().into_iter().filter_entry(|e| {
                e.depth() == 0 || !e.file_name().to_string_lossy().starts_with('.')
            })
        {
            let entry = match entry {
                Ok(entry) => entry,
                Err(e) => {
                    found.problems.push(unreadable(dir, &e));
                    // It has been told what is wrong with this folder.
                    here += usize::from(e.depth() == 0);
                    continue;
                }
            };
            let lower = entry.file_name().to_string_lossy().to_ascii_lowercase();
            if !entry.file_type().is_file() {
                continue;
            }
            if lower.ends_with(".truth.csv") {
                truths.push(entry.path().to_owned());
            }
            if !is_trace(&lower) {
                continue;
            }
            here += 1;
            let path = tidy(entry.path());
            let real = path.canonicalize().unwrap_or_else(|_| path.clone());
            if seen.insert(real.clone()) {
                let bytes = entry.metadata().map_or(0, |m| m.len());
                found.jobs.push(job(dir, path, &real, bytes));
            }
        }
        if here == 0 {
            found.problems.push(
                Problem::new(format!("{}: holds no trace", dir.display()))
                    .help("a trace is called NAME.csv or NAME.csv.gz"),
            );
        }
        for truth in truths {
            let stem = truth.to_string_lossy();
            let stem = &stem[..stem.len() - ".truth.csv".len()];
            let traces = [".csv", ".csv.gz"].map(|e| PathBuf::from(format!("{stem}{e}")));
            let capitals = [".CSV", ".CSV.GZ"].map(|e| PathBuf::from(format!("{stem}{e}")));
            if !traces.iter().chain(&capitals).any(|t| t.exists()) {
                found.lone_truths.push(Problem::new(format!(
                    "{}: is the truth of no trace; {} or {} was expected beside it",
                    truth.display(),
                    traces[0].display(),
                    traces[1].display()
                )));
            }
        }
    }
    found.jobs.sort_by(|a, b| a.trace.cmp(&b.trace));
    // Two folders of one name: then the whole path tells them apart.
    let mut names: BTreeMap<String, usize> = BTreeMap::new();
    for job in &found.jobs {
        *names.entry(job.name.clone()).or_default() += 1;
    }
    for job in found.jobs.iter_mut().filter(|job| names[&job.name] > 1) {
        job.name = job.trace.display().to_string();
    }
    found
}

impl Found {
    /// Takes out traces that share one truth file, `NAME.csv` beside `NAME.csv.gz`, and
    /// tells of them: scoring both would count one deployment twice.
    pub fn without_doubles(&mut self) {
        let mut by_truth: BTreeMap<PathBuf, Vec<PathBuf>> = BTreeMap::new();
        for job in &self.jobs {
            if let Some(truth) = &job.truth {
                by_truth.entry(truth.clone()).or_default().push(job.trace.clone());
            }
        }
        for (truth, traces) in by_truth.into_iter().filter(|(_, traces)| traces.len() > 1) {
            let names: Vec<_> = traces.iter().map(|t| t.display().to_string()).collect();
            self.problems.push(
                Problem::new(format!("{}: one truth for {}", truth.display(), names.join(" and ")))
                    .help("keep one of them; neither was scored"),
            );
            self.jobs.retain(|job| !traces.contains(&job.trace));
        }
    }
}

fn is_trace(lower: &str) -> bool {
    let stem = lower.strip_suffix(".gz").unwrap_or(lower);
    stem.ends_with(".csv") && !stem.ends_with(".truth.csv") && stem.len() > ".csv".len()
}

fn job(dir: &Path, trace: PathBuf, real: &Path, bytes: u64) -> Job {
    let there = |ending| Some(beside(&trace, ending)).filter(|p| p.exists());
    let folder = real.parent().and_then(Path::file_name).unwrap_or_default();
    let root = if dir.is_dir() { dir.to_owned() } else { parent(dir) };
    let below = trace.strip_prefix(tidy(&root)).unwrap_or(&trace);
    let root = root.canonicalize().unwrap_or(root);
    let name = Path::new(root.file_name().unwrap_or_default()).join(below);
    Job {
        // Forward slashes, whatever the machine.
        name: name.iter().map(|part| part.to_string_lossy()).collect::<Vec<_>>().join("/"),
        deployment: there(".toml"),
        truth: there(".truth.csv"),
        folder: folder.to_string_lossy().into_owned(),
        bytes,
        trace,
    }
}

fn parent(file: &Path) -> PathBuf {
    match file.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// Without a leading `./`.
fn tidy(path: &Path) -> PathBuf {
    path.strip_prefix(".").unwrap_or(path).to_owned()
}

fn unreadable(dir: &Path, error: &walkdir::Error) -> Problem {
    let path = error.path().unwrap_or(dir).display();
    if error.loop_ancestor().is_some() {
        return Problem::new(format!("{path}: is a link to a folder that holds it"));
    }
    match error.io_error() {
        Some(e) if e.kind() == std::io::ErrorKind::NotFound && error.depth() == 0 => {
            Problem::new(format!("{path}: no such file or folder"))
        }
        Some(e) if e.kind() == std::io::ErrorKind::NotFound => {
            Problem::new(format!("{path}: is a link to nothing"))
        }
        Some(e) => Problem::new(format!("{path}: cannot be read: {e}")),
        None => Problem::new(format!("{path}: cannot be read")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn names(found: &Found, root: &Path) -> Vec<String> {
        let name = |j: &Job| j.trace.strip_prefix(root).unwrap().display().to_string();
        found.jobs.iter().map(name).collect()
    }

    #[test]
    fn finds_in_order_once_and_tells_what_is_left_over() {
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path();
        for sub in ["b/deep", "a", "empty"] {
            fs::create_dir_all(root.join(sub)).unwrap();
        }
        for file in [
            "b/deep/x.csv.gz",
            "b/deep/x.toml",
            "a/x.csv",
            "a/x.truth.csv",
            "a/two.csv",
            "a/two.csv.gz",
            "a/two.truth.csv",
            "a/._x.csv",
            "a/notes.txt",
            "a/gone.truth.csv",
            "a/old.truth.csv.gz",
            "b/UP.CSV",
            "b/UP.truth.csv",
        ] {
            fs::write(root.join(file), "x").unwrap();
        }
        let dirs = ["a", "b", "b/deep", "empty", "none"].map(|d| root.join(d));
        let mut found = find(&dirs);
        let all = ["a/two.csv", "a/two.csv.gz", "a/x.csv", "b/UP.CSV", "b/deep/x.csv.gz"];
        assert_eq!(names(&found, root), all);
        let (x, deep) = (&found.jobs[2], &found.jobs[4]);
        assert!(x.truth.is_some() && x.deployment.is_none() && x.folder == "a");
        assert!(deep.truth.is_none() && deep.deployment.is_some() && deep.folder == "deep");
        let told = |found: &Found| {
            let all = found.problems.iter().chain(&found.lone_truths);
            all.map(ToString::to_string).collect::<Vec<_>>().join("\n")
        };
        for want in ["gone.truth.csv: is the truth of no trace", "empty: holds no", "none: no such"]
        {
            assert!(told(&found).contains(want), "{}", told(&found));
        }
        assert_eq!((found.problems.len(), found.lone_truths.len()), (2, 1), "{}", told(&found));
        found.without_doubles();
        assert_eq!(names(&found, root), ["a/x.csv", "b/UP.CSV", "b/deep/x.csv.gz"]);
        assert!(told(&found).contains("one truth for"));
    }
}

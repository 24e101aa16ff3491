//! The results of the synthetic traces as committed, so that a change of the
//! detectors never passes unnoticed: host and target would change alike.

use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

use on_target_wire::digest::Stages;

use crate::check;
use crate::results;
use crate::target::here;
use crate::trace::Trace;

/// Moments of each trace at which the state of every stage is kept.
const MOMENTS: u32 = 4;

fn path() -> PathBuf {
    here().join("reference.txt")
}

fn digest(bytes: &[u8]) -> u64 {
    bytes
        .iter()
        .fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(*b)).wrapping_mul(0x0100_0000_01b3))
}

/// The results now: a line with the names of the stages, then a line a trace with
/// its name, the digest of its records and, for every moment, the sample and four
/// digits a stage.
fn now() -> String {
    let traces: Vec<Trace> =
        check::short_traces().into_iter().chain(check::long_traces()).collect();
    let mut names = String::new();
    let mut lines = String::new();
    for trace in &traces {
        let every = (trace.samples.len() as u32 / MOMENTS).max(1);
        let mut moments = String::new();
        let bytes = results::on_host(trace, 1, |number, tag| {
            if number % every != every - 1 {
                return;
            }
            let stages = Stages::of(tag);
            if names.is_empty() {
                names = stages.iter().map(|s| s.name().to_owned()).collect::<Vec<_>>().join(" ");
            }
            let _ = write!(moments, ", {number} ");
            for stage in stages.iter() {
                let _ = write!(moments, "{:04x}", (stage.digest ^ (stage.digest >> 16)) & 0xffff);
            }
        });
        let _ = writeln!(lines, "{}, {:016x}{moments}", trace.name, digest(&bytes));
    }
    format!(
        "# Results of the synthetic traces. After a wanted change of the detectors:\n\
         # `tests/on-target/run bless`, and say why in the commit.\n\
         # {names}\n{lines}"
    )
}

/// Writes the present results as those to hold to.
pub fn bless() -> Result<(), String> {
    fs::write(path(), now()).map_err(|e| format!("{}: {e}", path().display()))
}

/// Compares the present results with those committed.
pub fn all() -> Result<(), String> {
    let kept = fs::read_to_string(path())
        .map_err(|e| format!("{}: {e}; `run bless` writes it", path().display()))?;
    let now = now();
    if kept == now {
        println!("the results of the synthetic traces are those committed");
        return Ok(());
    }
    if kept.lines().count() != now.lines().count() || kept.lines().nth(2) != now.lines().nth(2) {
        return Err("the traces or the names of the stages are not those committed: \
                    `tests/on-target/run bless` takes the new ones"
            .to_owned());
    }
    let names: Vec<&str> = now.lines().nth(2).unwrap_or("").split(' ').skip(1).collect();
    let mut first: Option<(usize, String)> = None;
    let mut results_differ = 0;
    for (n, k) in now.lines().zip(kept.lines()).filter(|(n, k)| n != k) {
        let (n, k): (Vec<_>, Vec<_>) = (n.split(", ").collect(), k.split(", ").collect());
        results_differ += usize::from(n.get(1) != k.get(1));
        for moment in 2..n.len() {
            let at = |line: &[&str]| -> (String, String) {
                let part = line.get(moment).unwrap_or(&"").to_string();
                part.split_once(' ').map(|(a, b)| (a.to_owned(), b.to_owned())).unwrap_or_default()
            };
            let ((sample, ours), (_, theirs)) = (at(&n), at(&k));
            let differ: Vec<usize> = (0..names.len())
                .filter(|i| ours.get(i * 4..i * 4 + 4) != theirs.get(i * 4..i * 4 + 4))
                .collect();
            let Some(stage) = differ.first().and_then(|i| names.get(*i)) else { continue };
            // Stages feed back into each other: where fewest differ, it has just begun.
            if first.as_ref().is_none_or(|(fewest, _)| differ.len() < *fewest) {
                let trace = n.first().unwrap_or(&"?");
                let place = format!("stage `{stage}`, {trace}, by sample {sample}");
                first = Some((differ.len(), place));
            }
        }
    }
    let mut said =
        format!("the results of {results_differ} synthetic traces are not those committed");
    if let Some((_, place)) = first {
        let _ = write!(said, "\n  first difference: {place}");
    }
    said.push_str("\n  if the change is wanted: `tests/on-target/run bless`");
    Err(said)
}

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

/// Traces whose stages are kept as well, by their place.
const WATCHED: [usize; 3] = [0, 1, 2];
/// Moments at which their stages are kept.
const MOMENTS: u32 = 24;

fn path() -> PathBuf {
    here().join("reference.txt")
}

fn digest(bytes: &[u8]) -> u64 {
    bytes
        .iter()
        .fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(*b)).wrapping_mul(0x0100_0000_01b3))
}

/// One line a moment: trace, sample, then every stage and its digest.
fn moments(trace: &Trace) -> Vec<String> {
    let every = (trace.samples.len() as u32 / MOMENTS).max(1);
    let mut lines = Vec::new();
    results::on_host(trace, |number, tag| {
        if number % every == every - 1 {
            let mut line = format!("stages, {}, {number}", trace.name);
            for stage in Stages::of(tag).iter() {
                let _ = write!(line, ", {} {:08x}", stage.name(), stage.digest);
            }
            lines.push(line);
        }
    });
    lines
}

fn now() -> String {
    let traces: Vec<Trace> =
        check::short_traces().into_iter().chain(check::long_traces()).collect();
    let mut text = String::from(
        "# Results of the synthetic traces. After a wanted change of the detectors:\n\
         # `tests/on-target/run bless`, and say why in the commit.\n",
    );
    for (trace, bytes) in traces.iter().zip(check::expected(&traces)) {
        let _ = writeln!(text, "results, {}, {:016x}", trace.name, digest(&bytes));
    }
    for trace in WATCHED.iter().filter_map(|i| traces.get(*i)) {
        for line in moments(trace) {
            let _ = writeln!(text, "{line}");
        }
    }
    text
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
    let differing: Vec<&str> = now
        .lines()
        .zip(kept.lines())
        .filter(|(n, k)| n != k && n.starts_with("results"))
        .map(|(n, _)| n.split(", ").nth(1).unwrap_or("?"))
        .collect();
    let mut said = format!(
        "the results of {} synthetic traces are not those committed ({}, ...)",
        differing.len(),
        differing.first().unwrap_or(&"none")
    );
    let first = now.lines().zip(kept.lines()).find(|(n, k)| n != k && n.starts_with("stages"));
    if let Some((n, k)) = first {
        let (n, k): (Vec<_>, Vec<_>) = (n.split(", ").collect(), k.split(", ").collect());
        if let Some((stage, _)) = n.iter().zip(&k).skip(3).find(|(a, b)| a != b) {
            let stage = stage.split(' ').next().unwrap_or("?");
            let _ = write!(
                said,
                "\n  first difference: stage `{stage}`, {}, by sample {}",
                n.get(1).unwrap_or(&"?"),
                n.get(2).unwrap_or(&"?")
            );
        }
    }
    said.push_str("\n  if the change is wanted: `tests/on-target/run bless`");
    Err(said)
}

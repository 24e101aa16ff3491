//! The same bits on host and target: every beat, minute, decision and fault of
//! every trace. Where they differ, which stage went astray first, and when.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use on_target_wire::digest::Stages;
use on_target_wire::trace::Mode;

use crate::results::{self, Record};
use crate::target::{self, Build, Pace, Target};
use crate::trace::{Bytes, Job, Trace};
use crate::{demo, make};

/// Digests looked at in one pass of the search for the first difference.
const LOOKS: u32 = 200;

/// How many samples at most are handed to the tag together, trace by trace.
const RUNS: [u8; 5] = [1, 25, 7, 25, 32];

/// Seeds of the short traces and their rates. They judge; nothing is tuned on them.
pub fn short_traces() -> Vec<Trace> {
    let main = [10.0, 25.0, 50.0];
    let mut all: Vec<Trace> =
        (0..200_u64).map(|seed| make::short(seed, main[(seed % 3) as usize])).collect();
    // The rates between and at the ends.
    for (seed, hz) in [(1000, 5.0), (1001, 8.0), (1002, 12.5), (1003, 20.0), (1004, 100.0)] {
        all.push(make::short(seed, hz));
    }
    all
}

/// Traces long enough for a recovery.
pub fn long_traces() -> Vec<Trace> {
    vec![
        make::long(1, 5.0, 24.0, None),
        make::long(2, 5.0, 30.0, None),
        make::long(3, 10.0, 14.0, None),
        make::afloat(10.0),
    ]
}

/// Records of every trace on the host, fed as the target is.
///
/// # Errors
/// A trace that brought something else when its samples were handed over one by one.
pub fn expected(traces: &[Trace]) -> Result<Vec<Vec<u8>>, String> {
    let one = |(trace, run): (&Trace, u8)| {
        let bytes = results::on_host(trace, run, |_, _| {});
        let bodies = |bytes: &[u8]| -> Result<Vec<(u8, Vec<u8>)>, String> {
            Ok(results::parse(bytes)?.into_iter().map(|r| (r.kind, r.body)).collect())
        };
        if run > 1 && bodies(&bytes)? != bodies(&results::on_host(trace, 1, |_, _| {}))? {
            return Err(format!(
                "{}: runs of {run} bring other records than samples one by one",
                trace.name
            ));
        }
        Ok(bytes)
    };
    traces.iter().zip(RUNS.into_iter().cycle()).map(one).collect()
}

/// Runs traces on a target and compares them with what the host gave.
pub fn compare(
    target: Target,
    image: &Path,
    inspecting: &dyn Fn() -> Result<PathBuf, String>,
    traces: &[Trace],
    expected: &[Vec<u8>],
) -> Result<(), String> {
    let mut job = Bytes::default();
    for (trace, run) in traces.iter().zip(RUNS.into_iter().cycle()) {
        trace.write(Job { run, ..Job::of(Mode::Decide) }, &mut job);
    }
    let bytes = target::run(target, image, &job.0, Pace::Free)?;
    let got = by_trace(&bytes)?;
    if got.len() != traces.len() {
        return Err(format!("{} of {} traces came back", got.len(), traces.len()));
    }
    let mut wrong = Vec::new();
    let runs = RUNS.into_iter().cycle();
    for (((trace, want), got), run) in traces.iter().zip(expected).zip(&got).zip(runs) {
        let want = results::parse(want)?;
        if want != *got {
            let what = first_difference(&want, got);
            wrong.push((trace, format!("in runs of {run}: {what}")));
        }
    }
    let Some((trace, what)) = wrong.first() else { return Ok(()) };
    let place = locate(target, &inspecting()?, trace)?;
    Err(format!(
        "{} of {} traces differ between host and {}.\n  {}: {what}\n  {place}",
        wrong.len(),
        traces.len(),
        target.name,
        trace.name
    ))
}

fn by_trace(bytes: &[u8]) -> Result<Vec<Vec<Record>>, String> {
    let mut all = Vec::new();
    let mut now = Vec::new();
    for record in results::parse(bytes)? {
        if record.kind == b'C' {
            continue;
        }
        let ends = record.kind == b'E';
        now.push(record);
        if ends {
            all.push(std::mem::take(&mut now));
        }
    }
    Ok(all)
}

fn first_difference(want: &[Record], got: &[Record]) -> String {
    let at = want.iter().zip(got).take_while(|(w, g)| w == g).count();
    let say = |r: Option<&Record>| {
        r.map_or("nothing more".to_owned(), |r| {
            let body: String = r.body.iter().map(|b| format!("{b:02x}")).collect();
            format!("{} at sample {} ({body})", r.name(), r.sample)
        })
    };
    format!("host gave {}, target {}", say(want.get(at)), say(got.get(at)))
}

/// Finds the first sample after which a stage's state differs, and the stage.
pub fn locate(target: Target, inspecting: &Path, trace: &Trace) -> Result<String, String> {
    let samples = trace.samples.len() as u32;
    let mut job = Job::of(Mode::Inspect);
    job.every = (samples / LOOKS).max(1);
    let mut names = Vec::new();
    loop {
        let last =
            (samples.saturating_sub(1)).min(job.first.saturating_add(job.every * (LOOKS + 1)));
        let mut want = BTreeMap::new();
        let part = Trace { samples: trace.samples[..=last as usize].to_vec(), ..trace.clone() };
        results::on_host(&part, 1, |number, tag| {
            if number >= job.first && (number - job.first).is_multiple_of(job.every) {
                let stages = Stages::of(tag);
                names = stages.iter().map(|s| s.name().to_owned()).collect();
                want.insert(number, stages.iter().map(|s| s.digest).collect::<Vec<_>>());
            }
        });
        let mut traces = Bytes::default();
        part.write(job, &mut traces);
        let bytes = target::run(target, inspecting, &traces.0, Pace::Free)?;
        let mut got: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
        for record in results::parse(&bytes)?.iter().filter(|r| r.kind == b'D') {
            got.entry(record.sample).or_default().push(record.u32_at(1));
        }
        let found = want.iter().find_map(|(sample, want)| {
            let got = got.get(sample)?;
            let stage = want.iter().zip(got).position(|(w, g)| w != g)?;
            Some((*sample, stage))
        });
        let Some((sample, stage)) = found else {
            return Ok("the states of all stages agree sample by sample; only the records differ"
                .to_owned());
        };
        if job.every == 1 || sample == job.first {
            let t_s = trace.samples[sample as usize].t_us as f64 * 1e-6;
            return Ok(format!(
                "first difference: stage `{}` at sample {sample} (t = {t_s:.3} s)",
                names.get(stage).map_or("?", String::as_str)
            ));
        }
        // The look before this one agreed: look more closely in between.
        job.first = sample - job.every + 1;
        job.every = (job.every / LOOKS).max(1);
    }
}

/// What the traces led the tag through: a check that never met a case proves nothing about it.
pub fn coverage(expected: &[Vec<u8>]) -> Result<String, String> {
    let mut seen: BTreeMap<String, u64> = BTreeMap::new();
    for bytes in expected {
        for r in results::parse(bytes)? {
            let label = match r.kind {
                b'F' => format!(
                    "fate {}",
                    ["?", "alive", "dead", "afloat", "on the bottom"][usize::from(r.body[0])]
                ),
                b'L' => format!(
                    "release: {}",
                    ["ceiling", "death", "detached", "recovered", "memory", "cell", "depth"]
                        [usize::from(r.body[24])]
                ),
                b'X' => format!(
                    "fault: {}",
                    ["stuck", "clipped", "missing", "gap", "clock", "depth"]
                        [usize::from(r.body[0])]
                ),
                b'R' => {
                    if r.body[12] == 1 {
                        "recovery decided".to_owned()
                    } else {
                        "recovery estimated".to_owned()
                    }
                }
                _ => r.name().to_owned(),
            };
            *seen.entry(label).or_default() += 1;
        }
    }
    let wanted = [
        "beat",
        "minute",
        "fate dead",
        "fate afloat",
        "fate on the bottom",
        "recovery estimated",
        "recovery decided",
        "release: ceiling",
        "release: death",
        "release: detached",
        "release: recovered",
        "release: memory",
        "release: cell",
        "release: depth",
        "fault: stuck",
        "fault: clipped",
        "fault: missing",
        "fault: gap",
        "fault: clock",
        "fault: depth",
    ];
    let text = seen.iter().map(|(k, n)| format!("{k} {n}")).collect::<Vec<_>>().join(", ");
    let missing: Vec<&str> = wanted.into_iter().filter(|w| !seen.contains_key(*w)).collect();
    if missing.is_empty() {
        Ok(text)
    } else {
        Err(format!("the traces never led to: {} (they led to: {text})", missing.join(", ")))
    }
}

/// The image that can be inspected.
pub fn inspecting(target: Target) -> Result<PathBuf, String> {
    target::build(target, &Build::of("image", "inspect"))
}

/// The whole check.
pub fn all(targets: &[Target]) -> Result<(), String> {
    let mut traces = short_traces();
    traces.extend(long_traces());
    let want = expected(&traces)?;
    println!("{} synthetic traces led to: {}", traces.len(), coverage(&want)?);
    let demos = demo::paths();
    if demos.is_empty() {
        println!("demo-data holds no traces yet");
    }
    let images: Vec<_> = targets
        .iter()
        .map(|t| target::build(*t, &Build::of("image", "")))
        .collect::<Result<_, _>>()?;
    each(targets, &images, &traces, &want)?;
    println!("{} synthetic traces: the same bits on host and {}", traces.len(), names(targets));
    let demos: Vec<Trace> = demos.iter().map(|p| demo::load(p)).collect::<Result<_, _>>()?;
    let want = expected(&demos)?;
    each(targets, &images, &demos, &want)?;
    for demo in &demos {
        println!("{}: the same bits on host and {}", demo.name, names(targets));
    }
    Ok(())
}

fn names(targets: &[Target]) -> String {
    targets.iter().map(|t| t.name).collect::<Vec<_>>().join(", ")
}

/// Every target and, for each, as many parts of the traces as keep the machine busy.
fn each(
    targets: &[Target],
    images: &[PathBuf],
    traces: &[Trace],
    want: &[Vec<u8>],
) -> Result<(), String> {
    // Whole rounds of [`RUNS`], so that each part feeds its traces as the host was fed.
    let part = traces.len().div_ceil(8).max(1).next_multiple_of(RUNS.len());
    let mut jobs = Vec::new();
    // The slowest core first.
    for (target, image) in targets.iter().zip(images).rev() {
        for (traces, want) in traces.chunks(part).zip(want.chunks(part)) {
            jobs.push(move || compare(*target, image, &|| inspecting(*target), traces, want));
        }
    }
    let failed: Vec<String> = at_once(jobs).into_iter().filter_map(Result::err).collect();
    if failed.is_empty() { Ok(()) } else { Err(failed.join("\n")) }
}

/// Runs jobs on all cores; their results in order.
pub fn at_once<T: Send>(
    jobs: Vec<impl FnOnce() -> Result<T, String> + Send>,
) -> Vec<Result<T, String>> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let results: Vec<Mutex<Option<Result<T, String>>>> =
        jobs.iter().map(|_| Mutex::new(None)).collect();
    let queue = Mutex::new(jobs.into_iter().zip(&results));
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                loop {
                    let next = queue.lock().ok().and_then(|mut q| q.next());
                    let Some((job, result)) = next else { break };
                    let got = job();
                    if let Ok(mut slot) = result.lock() {
                        *slot = Some(got);
                    }
                }
            });
        }
    });
    results
        .into_iter()
        .map(|r| r.into_inner().ok().flatten().unwrap_or_else(|| Err("a job broke off".into())))
        .collect()
}

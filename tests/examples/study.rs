//! What the tag decides on many made traces, without a file in between:
//!
//!     cargo run --release -p swaymark-tests --example study -- --seeds 1-20
//!     cargo run --release -p swaymark-tests --example study -- --seeds 1000-1199 hard ram-death
//!
//! Families (all, where none is named) and seeds give the traces. A trace is made row by
//! row straight into the tag, until the tag lets go or the trace ends. `--out FILE`
//! keeps one line of JSON a trace, as each is done; what it holds already is not run
//! again, so a study that was broken off goes on. `--jobs N` threads. Seeds below 1000 are for tuning;
//! 1000 and up are for judging, and nothing is changed by what they show.
//!
//! Proportions have Wilson's 95 % interval (Wilson 1927, JASA 22:209).

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use host_sim::replay::Keep;
use host_sim::synth::{Family, Request, run_in_memory};
use host_sim::truth::Event;
use serde::{Deserialize, Serialize};

/// One trace.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Judged {
    family: String,
    seed: u64,
    buccal: bool,
    has_depth: bool,
    length_m: f64,
    fault: String,
    /// What is true: `alive`, `dead`, `eaten` or `detached`, at the end or at the stop.
    truth: String,
    truth_h: Option<f64>,
    fate: String,
    fate_detail: Option<String>,
    fate_h: Option<f64>,
    decided_h: Option<f64>,
    cause: String,
    release_h: Option<f64>,
    end_h: f64,
    recovers_h: Option<f64>,
    recovery_h: Option<f64>,
    recovery_decided_h: Option<f64>,
    recovery_se_h: Option<f64>,
    /// The latest estimate, decided or not.
    estimate_h: Option<f64>,
    /// What a family drew that bears on it.
    drawn: String,
    rows: u64,
    spent_s: f64,
}

fn judge(family: &Family, seed: u64) -> Result<Judged, String> {
    let started = Instant::now();
    let request = Request::of_family(family, seed, "unused");
    let outcome = run_in_memory(&request, Keep::default(), |r| r.tag().release().is_some())
        .map_err(|e| format!("{} {seed}: {e}", family.name))?;
    let at = |event| outcome.truth.iter().find(|e| e.event == event).map(|e| e.t_s / 3600.0);
    let made: toml::Table = outcome.deployment_toml.parse().map_err(|e| format!("{e}"))?;
    let made_by = &made["made_by"];
    let text = |key: &str| made_by["drawn"][key].as_str().unwrap_or_default().to_owned();
    let drawn = format!(
        "{} {} {} glide {} s, swell {} m at {} m, rest {}",
        text("carcass.way"),
        text("mount.loosens"),
        text("tag.dangles_from"),
        made_by["drawn"]["habits.glide_most_s"],
        made_by["drawn"]["sea.swell_height_m"],
        made_by["drawn"]["sea.bottom_m"],
        text("habits.rest"),
    );
    let (truth, truth_h) = match (at(Event::Death), at(Event::Detached)) {
        (Some(h), _) if text("fate.ends") == "eaten" => ("eaten", Some(h)),
        (Some(h), _) => ("dead", Some(h)),
        (None, Some(h)) => ("detached", Some(h)),
        _ => ("alive", None),
    };
    let hours = |s: f64| s / 3600.0;
    let r = outcome.report;
    Ok(Judged {
        family: family.name.clone(),
        seed,
        buccal: made["animal"]["breathing"].as_str() == Some("buccal"),
        has_depth: outcome.deployment_toml.contains("\"logger.has_depth\" = true"),
        length_m: made["animal"]["length_m"].as_float().unwrap_or_default(),
        fault: made_by["fault"].as_str().unwrap_or_default().to_owned(),
        truth: truth.into(),
        truth_h,
        fate: r.fate.into(),
        fate_detail: r.fate_detail.map(Into::into),
        fate_h: r.fate_t_s.map(hours),
        decided_h: r.fate_decided_t_s.map(hours),
        cause: r.release.cause.into(),
        release_h: r.release.t_s.map(hours),
        end_h: hours(r.duration_s),
        recovers_h: outcome.recovers_s.map(hours),
        recovery_h: r.recovery_t_s.map(hours),
        recovery_decided_h: r.recovery_decided_t_s.map(hours),
        recovery_se_h: r.recovery_se_s.map(|s| hours(s.into())),
        estimate_h: r.recovery_estimate_t_s.map(hours),
        drawn,
        rows: outcome.rows,
        spent_s: started.elapsed().as_secs_f64(),
    })
}

struct Args {
    families: Vec<Family>,
    seeds: std::ops::RangeInclusive<u64>,
    jobs: usize,
    out: Option<PathBuf>,
}

fn args() -> Result<Args, String> {
    let mut names = Vec::new();
    let mut args = Args {
        families: Vec::new(),
        seeds: 1..=10,
        jobs: std::thread::available_parallelism().map_or(1, usize::from),
        out: None,
    };
    let mut given = std::env::args().skip(1);
    while let Some(arg) = given.next() {
        let mut next = || given.next().ok_or(format!("{arg} needs a value"));
        match arg.as_str() {
            "--seeds" => {
                let range = next()?;
                let (a, b) = range.split_once('-').unwrap_or((&range, &range));
                let number = |s: &str| s.parse::<u64>().map_err(|e| format!("--seeds {s}: {e}"));
                args.seeds = number(a)?..=number(b)?;
            }
            "--jobs" => args.jobs = next()?.parse().map_err(|e| format!("--jobs: {e}"))?,
            "--out" => args.out = Some(next()?.into()),
            name => names.push(name.to_owned()),
        }
    }
    if names.is_empty() {
        names = Family::names().map(str::to_owned).collect();
    }
    for name in names {
        let family = Family::bundled(&name).ok_or(format!("no bundled family {name}"))?;
        args.families.push(family);
    }
    Ok(args)
}

/// Proportion with Wilson's 95 % interval, in per cent.
fn wilson(hits: usize, n: usize) -> String {
    let Some((low, high)) = host_sim::score::intervals::wilson(hits as u64, n as u64) else {
        return "-".into();
    };
    let (part, low, high) = (100.0 * hits as f64 / n as f64, 100.0 * low, 100.0 * high);
    format!("{hits}/{n} = {part:.1} % ({low:.2} to {high:.2})")
}

fn median(mut x: Vec<f64>) -> Option<f64> {
    x.sort_by(f64::total_cmp);
    x.get(x.len() / 2).copied()
}

fn main() -> Result<(), String> {
    let args = args()?;
    let work: Vec<(&Family, u64)> = args
        .seeds
        .clone()
        .flat_map(|seed| args.families.iter().map(move |family| (family, seed)))
        .collect();
    let (mut all, mut kept) = (Vec::<Judged>::new(), None);
    if let Some(path) = &args.out {
        let text = std::fs::read_to_string(path).unwrap_or_default();
        // A last line without its end was cut off.
        let whole = text.rfind('\n').map_or("", |at| &text[..=at]);
        for line in whole.lines() {
            all.push(serde_json::from_str(line).map_err(|e| format!("{}: {e}", path.display()))?);
        }
        let said = |e: std::io::Error| format!("{}: {e}", path.display());
        std::fs::write(path, whole).map_err(said)?;
        let file = std::fs::OpenOptions::new().append(true).open(path).map_err(said)?;
        kept = Some(Mutex::new(file));
    }
    let done: BTreeSet<(String, u64)> = all.iter().map(|j| (j.family.clone(), j.seed)).collect();
    let work: Vec<_> = work
        .into_iter()
        .filter(|(family, seed)| !done.contains(&(family.name.clone(), *seed)))
        .collect();
    let (next, all) = (AtomicUsize::new(0), Mutex::new(all));
    let started = Instant::now();
    std::thread::scope(|scope| {
        for _ in 0..args.jobs.max(1) {
            scope.spawn(|| {
                while let Some((family, seed)) = work.get(next.fetch_add(1, Ordering::Relaxed)) {
                    match judge(family, *seed) {
                        Ok(judged) => {
                            if let Some(kept) = &kept {
                                let mut line = serde_json::to_vec(&judged).expect("plain data");
                                line.push(b'\n');
                                let written = kept.lock().expect("no panic").write_all(&line);
                                written.expect("the line is kept");
                            }
                            let mut all = all.lock().expect("no panic");
                            all.push(judged);
                            if all.len().is_multiple_of(50) {
                                eprintln!("{} traces", all.len());
                            }
                        }
                        Err(error) => eprintln!("error: {error}"),
                    }
                }
            });
        }
    });
    let mut all = all.into_inner().map_err(|e| e.to_string())?;
    all.sort_by(|a, b| (&a.family, a.seed).cmp(&(&b.family, b.seed)));
    summary(&all);
    let (rows, spent) = all.iter().fold((0, 0.0), |(r, s), j| (r + j.rows, s + j.spent_s));
    println!(
        "\n{} traces, {rows} rows, {:.0} ns a row on one thread, {:.0} s in all",
        all.len(),
        1e9 * spent / rows as f64,
        started.elapsed().as_secs_f64()
    );
    Ok(())
}

fn summary(all: &[Judged]) {
    let is = |truth: &'static str| all.iter().filter(move |j| j.truth == truth);
    let false_release = |j: &&Judged| matches!(&*j.cause, "death" | "detached");

    println!("survivors let go for death or detachment, by family");
    let mut families: BTreeMap<&str, Vec<&Judged>> = BTreeMap::new();
    is("alive").for_each(|j| families.entry(&j.family).or_default().push(j));
    for (family, them) in &families {
        let bad: Vec<_> = them.iter().copied().filter(false_release).collect();
        let called = them.iter().filter(|j| matches!(&*j.fate, "dead" | "detached")).count();
        println!("  {family:16} {}  called so: {called}", wilson(bad.len(), them.len()));
        for j in bad {
            println!(
                "      seed {}: {} at {:.1} h{}{}; {}; {:.1} m; {}",
                j.seed,
                j.cause,
                j.decided_h.unwrap_or(f64::NAN),
                if j.buccal { ", buccal" } else { ", ram" },
                if j.has_depth { "" } else { ", no depth" },
                j.fault,
                j.length_m,
                j.drawn
            );
        }
    }
    println!("  all: {}", wilson(is("alive").filter(false_release).count(), is("alive").count()));

    for truth in ["dead", "eaten"] {
        println!("{truth}: decided before the ceiling, and median delay");
        for (family, buccal) in families_of(all, truth) {
            let them: Vec<_> =
                is(truth).filter(|j| j.family == family && j.buccal == buccal).collect();
            let decided: Vec<_> = them.iter().filter(|j| j.fate == "dead").collect();
            let delay = |j: &&&Judged| j.decided_h.zip(j.truth_h).map(|(d, t)| 60.0 * (d - t));
            let delays = decided.iter().filter_map(delay).collect();
            let early = them.iter().filter(|j| j.truth_h > j.decided_h.or(Some(1e9))).count();
            println!(
                "  {family:16} {:6} {}  delay {:.0} min  early {early}",
                if buccal { "buccal" } else { "ram" },
                wilson(decided.len(), them.len()),
                median(delays).unwrap_or(f64::NAN)
            );
            for j in them.iter().filter(|j| j.fate != "dead") {
                println!(
                    "      seed {}: {} {} at {:.1} h, true at {:.1} h, let go for {} at {:.1} h{}; {}; {}",
                    j.seed,
                    j.fate,
                    j.fate_detail.as_deref().unwrap_or(""),
                    j.decided_h.unwrap_or(f64::NAN),
                    j.truth_h.unwrap_or(f64::NAN),
                    j.cause,
                    j.release_h.unwrap_or(f64::NAN),
                    if j.has_depth { "" } else { ", no depth" },
                    j.fault,
                    j.drawn
                );
            }
        }
    }

    println!("detached: known as such; not taken for death");
    for (family, _) in families_of(all, "detached") {
        let them: Vec<_> = is("detached").filter(|j| j.family == family).collect();
        let known = them.iter().filter(|j| j.fate == "detached").count();
        let not_dead = them.iter().filter(|j| j.fate != "dead").count();
        println!(
            "  {family:16} known {}; not dead {}",
            wilson(known, them.len()),
            wilson(not_dead, them.len())
        );
        for j in them.iter().filter(|j| j.fate != "detached") {
            println!(
                "      seed {}: {} at {:.1} h, off at {:.1} h of {:.1} h, {}{}{}; {}; {}",
                j.seed,
                j.fate,
                j.decided_h.unwrap_or(f64::NAN),
                j.truth_h.unwrap_or(f64::NAN),
                j.end_h,
                j.cause,
                if j.buccal { ", buccal" } else { ", ram" },
                if j.has_depth { "" } else { ", no depth" },
                j.fault,
                j.drawn
            );
        }
    }

    println!("recovery, of survivors that were off their own level");
    let truths = || is("alive").filter(|j| j.recovers_h.is_some_and(|h| h < j.end_h - 4.0));
    let decided: Vec<(f64, f64)> =
        truths().filter_map(|j| Some((j.recovery_h? - j.recovers_h?, j.recovery_se_h?))).collect();
    let within = |f: &dyn Fn(&(f64, f64)) -> bool| {
        wilson(decided.iter().filter(|x| f(x)).count(), decided.len())
    };
    println!("  decided             {}", wilson(decided.len(), truths().count()));
    println!("  within 1.5 h        {}", within(&|x| x.0.abs() <= 1.5));
    println!("  within 1 se (68.3)  {}", within(&|x| x.0.abs() <= x.1));
    println!("  within 2 se (95.4)  {}", within(&|x| x.0.abs() <= 2.0 * x.1));
    let any: Vec<(f64, f64)> =
        truths().filter_map(|j| Some((j.estimate_h? - j.recovers_h?, j.recovery_se_h?))).collect();
    let of_any =
        |f: &dyn Fn(&(f64, f64)) -> bool| wilson(any.iter().filter(|x| f(x)).count(), any.len());
    println!("  latest estimate, decided or not");
    println!("    within 1.5 h        {}", of_any(&|x| x.0.abs() <= 1.5));
    println!("    within 1 se (68.3)  {}", of_any(&|x| x.0.abs() <= x.1));
    println!("    within 2 se (95.4)  {}", of_any(&|x| x.0.abs() <= 2.0 * x.1));
    println!(
        "  median error {:.2} h, median size of it {:.2} h",
        median(decided.iter().map(|x| x.0).collect()).unwrap_or(f64::NAN),
        median(decided.iter().map(|x| x.0.abs()).collect()).unwrap_or(f64::NAN)
    );
    let never = || is("alive").filter(|j| j.recovers_h.is_none());
    let invented = never().filter(|j| j.recovery_h.is_some()).count();
    println!("  never off it, yet decided: {}", wilson(invented, never().count()));
}

fn families_of(all: &[Judged], truth: &str) -> Vec<(String, bool)> {
    let found: BTreeSet<(String, bool)> = all
        .iter()
        .filter(|j| j.truth == truth)
        .map(|j| (j.family.clone(), j.buccal && truth != "detached"))
        .collect();
    found.into_iter().collect()
}

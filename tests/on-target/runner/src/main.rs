//! Runs the firmware image on an emulated Cortex-M: compares it with the host bit
//! for bit, measures what it costs, and checks that these checks can fail.

mod breaks;
mod check;
mod cost;
mod demo;
mod elf;
mod files;
mod firmware;
mod links;
mod log;
mod make;
mod measure;
mod model;
mod newcomer;
mod parts;
mod path;
mod profile;
mod records;
mod reference;
mod results;
mod table;
mod target;
mod trace;
mod whole;

use std::process::ExitCode;
use std::time::Instant;

use on_target_wire::trace::Mode;
use target::{Build, TARGETS};
use trace::{Bytes, Job};

const USAGE: &str = "\
usage: tests/on-target/run [COMMAND]
  all        every check below but `bless`, `cost`, `quick` and `profile` (the default)
  reference  results of the synthetic traces against those committed
  check      host and both targets, bit for bit
  measure    [CORE] cost against the bounds; of all cores rewrites
             docs/on-target-table.md
  break      checks that a broken constant and a planted panic are found
  records    log and satellite summary: the same bytes, and their cost; rewrites
             docs/on-target-records.md
  whole      the whole tag in one image: the same bytes, and its cost; rewrites its
             section of docs/on-target-table.md
  firmware   the whole firmware of `whole-tag` on a simulated board, through resets, to the
             download; and its build for a real chip
  newcomer   makes, builds and runs the project of docs/porting.md
  log        the image's defmt log, decoded
  links      that no panic can be reached in what surrounds the detectors, and its size
  bless      takes the present results of the synthetic traces as the committed ones
  cost       what the example of a detector of one's own adds
  quick      [HZ] [HOURS] [CORE] size and mean cost alone
  profile    [HZ] [SECONDS] [CORE] [RUN] instructions by source file and line: of the
             deployed path, or of the detectors alone in runs of RUN samples";

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let command = arguments.next().unwrap_or_else(|| "all".to_owned());
    let rest: Vec<String> = arguments.collect();
    let started = Instant::now();
    let result = match command.as_str() {
        "all" => all(),
        "reference" => reference::all(),
        "check" => check::all(&TARGETS),
        "measure" => {
            let only = rest.first().map_or("", String::as_str);
            measure::all(only, true, only.is_empty())
        }
        "break" => breaks::all(),
        "newcomer" => newcomer::all(),
        "records" => records::all(true),
        "whole" => whole::all(true),
        "firmware" => firmware::all(),
        "log" => log::all(),
        "links" => links::all(),
        "cost" => cost::all(),
        "bless" => reference::bless(),
        "quick" => quick(&rest),
        "profile" => profile_of(&rest),
        _ => Err(USAGE.to_owned()),
    };
    match result {
        Ok(()) => {
            println!("{command}: passed in {:.0} s", started.elapsed().as_secs_f64());
            ExitCode::SUCCESS
        }
        Err(e) => {
            eprintln!("{e}\n{command}: failed");
            ExitCode::FAILURE
        }
    }
}

/// Every check, the quick ones first; all are run even where one fails.
fn all() -> Result<(), String> {
    let mut failed = Vec::new();
    for name in [
        "reference",
        "newcomer",
        "firmware",
        "records",
        "whole",
        "log",
        "links",
        "break",
        "check",
        "measure",
    ] {
        let started = Instant::now();
        println!("-- {name}");
        let result = match name {
            "reference" => reference::all(),
            "newcomer" => newcomer::all(),
            "firmware" => firmware::all(),
            "records" => records::all(false),
            "whole" => whole::all(false),
            "log" => log::all(),
            "links" => links::all(),
            "break" => breaks::all(),
            "check" => check::all(&TARGETS),
            _ => measure::all("", false, false),
        };
        match result {
            Ok(()) => println!("-- {name}: passed in {:.0} s", started.elapsed().as_secs_f64()),
            Err(e) => {
                println!("{e}\n-- {name}: FAILED");
                failed.push(name);
            }
        }
    }
    if failed.is_empty() { Ok(()) } else { Err(format!("failed: {}", failed.join(", "))) }
}

/// An argument that is a number, or `default`.
fn number(arguments: &[String], i: usize, default: f64) -> Result<f64, String> {
    arguments
        .get(i)
        .map_or(Ok(default), |a| a.parse::<f64>().map_err(|_| format!("{a} is no number\n{USAGE}")))
}

/// Size and mean cost.
fn quick(arguments: &[String]) -> Result<(), String> {
    let (hz, hours) = (number(arguments, 0, 25.0)? as f32, number(arguments, 1, 4.0)?);
    if !(5.0..=100.0).contains(&hz) || !(0.1..=48.0).contains(&hours) {
        return Err("5 to 100 Hz and 0.1 to 48 h were expected".into());
    }
    let wanted = arguments.get(2).map_or("", String::as_str);
    TARGETS
        .into_iter()
        .filter(|t| t.name.ends_with(wanted))
        .try_for_each(|target| measure::quick(target, hz, hours))
}

/// Where the instructions of an ordinary stretch go.
fn profile_of(arguments: &[String]) -> Result<(), String> {
    let (hz, seconds) = (number(arguments, 0, 25.0)? as f32, number(arguments, 1, 180.0)?);
    if !(5.0..=100.0).contains(&hz) || !(10.0..=36_000.0).contains(&seconds) {
        return Err("5 to 100 Hz and 10 to 36000 s were expected".into());
    }
    let run = number(arguments, 3, 0.0)? as u8;
    let (binary, feed) =
        if run == 0 { ("deployed", path::FEED) } else { ("image", "measured_feed") };
    let trace = make::long(path::ANIMAL, hz, seconds / 3600.0, Some(make::plain_config(hz)));
    let wanted = arguments.get(2).map_or("", String::as_str);
    for target in TARGETS.into_iter().filter(|t| t.name.ends_with(wanted)) {
        let image = target::build(target, &Build::of(binary, ""))?;
        let mut traces = Bytes::default();
        trace.write(Job { run: run.max(1), seldom: true, ..Job::of(Mode::Decide) }, &mut traces);
        let folder = target::folder(&traces.0)?;
        let profile = profile::follow(target, &image, folder.path(), feed)?;
        let n = trace.samples.len() as f64;
        println!("{}, {n} samples at {hz} Hz through `{feed}`", target.name);
        println!("  a sample on the mean, and the worst feed, by source file");
        for (i, stage) in profile.stages.iter().enumerate() {
            let counts = profile.samples.iter().map(|s| s[i]);
            let sum: f64 = counts.clone().map(f64::from).sum();
            println!("  {stage:18} {:8.1} {:8}", sum / n, counts.max().unwrap_or(0));
        }
        let mut lines: Vec<_> = profile.lines.into_iter().collect();
        lines.sort_by_key(|l| std::cmp::Reverse(l.1));
        println!("  and by line");
        for (line, count) in lines.iter().take(2000) {
            println!("  {line:28} {:8.1}", *count as f64 / n);
        }
    }
    Ok(())
}

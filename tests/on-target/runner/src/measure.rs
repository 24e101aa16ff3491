//! What the detectors cost, held against the committed bounds.

use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

use on_target_wire::trace::{Carry, Mode};
use serde::Deserialize;

use crate::target::{self, Build, Pace, TARGETS, Target, here};
use crate::trace::{Bytes, Job, Trace};
use crate::{check, elf, files, make, profile, results, whole};

/// The function that is followed, and the one that takes runs.
pub const STEP: &str = "measured_step";
/// See [`STEP`].
pub const RUN: &str = "measured_run";
/// Samples to a run: a second of those at 25 Hz.
pub const RUN_SAMPLES: u8 = 25;

/// The deployment goes on so long behind the hours given: another bin of recovery ends
/// in it, with which, after 32 h, pairs of bins are joined.
/// Seed of the animal whose cost is told.
pub const ANIMAL: u64 = 11;
const BEYOND_H: f64 = 0.6;
/// Part of that which is followed instruction by instruction, h.
const FOLLOWED_H: f64 = 0.06;

/// Stages in the order of travel, with the source files that belong to each.
const STAGES: [(&str, &[&str]); 9] = [
    ("sensor checks", &["sensor"]),
    ("posture", &["posture"]),
    ("beats", &["rate", "sway", "beats"]),
    ("minute", &["minute"]),
    ("fate", &["frame", "depth", "fate"]),
    ("recovery", &["recovery"]),
    ("release", &["release", "sun"]),
    ("record", &["record"]),
    ("composition", &["tag", "config", "lib", "record/size"]),
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Bounds {
    mean_instructions: Option<f64>,
    mean_instructions_in_runs: Option<f64>,
    worst_instructions: Option<f64>,
    state_bytes: Option<f64>,
    stack_bytes: Option<f64>,
    flash_bytes: Option<f64>,
    idle_fraction: Option<f64>,
    current_of_accelerometer: Option<f64>,
}

#[derive(Deserialize)]
struct Core {
    cycles_per_instruction: f64,
    cycles_per_instruction_source: String,
    clock_mhz: f64,
    run_ua_per_mhz: f64,
    run_source: String,
    wake_us: f64,
    wake_source: String,
}

#[derive(Deserialize)]
struct Accelerometer {
    name: String,
    current_ua: f64,
    source: String,
}

#[derive(Deserialize)]
struct Flash {
    page_bytes: f64,
    program_ms: f64,
    program_ma: f64,
    program_source: String,
    transfer_mhz: f64,
    transfer_ma: f64,
    transfer_source: String,
    standby_ua: f64,
    standby_source: String,
}

#[derive(Deserialize)]
struct Model {
    #[serde(rename = "Cortex-M4F")]
    m4f: Core,
    #[serde(rename = "Cortex-M0")]
    m0: Core,
    accelerometer: Vec<Accelerometer>,
    flash: Flash,
}

impl Model {
    fn core(&self, target: Target) -> &Core {
        if target.name == "Cortex-M4F" { &self.m4f } else { &self.m0 }
    }
}

impl Core {
    /// Mean current of a step of so many instructions at a rate, uA.
    fn current_ua(&self, instructions: f64, hz: f64) -> f64 {
        let run_us = instructions * self.cycles_per_instruction / self.clock_mhz;
        (run_us + self.wake_us) * 1.0e-6 * hz * self.run_ua_per_mhz * self.clock_mhz
    }
}

impl Flash {
    /// Mean current of writing so many bytes a second, uA, without standby.
    fn current_ua(&self, bytes_per_s: f64) -> f64 {
        let transfer_ms = self.page_bytes * 8.0 / (self.transfer_mhz * 1.0e3);
        let charge_uc = self.program_ms * self.program_ma + transfer_ms * self.transfer_ma;
        bytes_per_s / self.page_bytes * charge_uc
    }
}

/// Mean, 99th percentile and worst.
#[derive(Clone, Copy, Default)]
struct Spread {
    mean: f64,
    p99: f64,
    worst: f64,
}

impl Spread {
    fn of(mut values: Vec<f64>) -> Self {
        if values.is_empty() {
            return Spread::default();
        }
        values.sort_by(f64::total_cmp);
        let n = values.len();
        Spread {
            mean: values.iter().sum::<f64>() / n as f64,
            p99: values[(n * 99 / 100).min(n - 1)],
            worst: values[n - 1],
        }
    }
}

/// Counts at one rate.
struct Rate {
    hz: f32,
    hours: f64,
    whole: Spread,
    /// Mean where samples are handed in in runs.
    in_runs: f64,
    /// Worst over the short, faulty traces, and what it went to.
    worst_faulty: f64,
    worst_faulty_in: String,
    stages: Vec<(String, Spread)>,
}

/// All measured on one target.
struct Measured {
    target: Target,
    detectors: elf::Sizes,
    /// Flash of the detectors where samples come in runs.
    flash_in_runs: u64,
    image: elf::Sizes,
    step_stack: f64,
    new_stack: f64,
    rates: Vec<Rate>,
}

impl Measured {
    fn at(&self, hz: f32) -> &Rate {
        self.rates.iter().find(|r| r.hz == hz).expect("every rate is measured")
    }

    fn worst(&self, hz: f32) -> f64 {
        let rate = self.at(hz);
        rate.whole.worst.max(rate.worst_faulty)
    }
}

/// Instructions of every step, from its ticks.
pub fn instructions(bytes: &[u8]) -> Result<Vec<f64>, String> {
    let records = results::parse(bytes)?;
    let first = records.first().filter(|r| r.kind == b'C').ok_or("the image did not calibrate")?;
    let empty = f64::from(first.u32_at(0));
    let per = (f64::from(first.u32_at(4)) - empty) / f64::from(first.u32_at(8));
    if !(1.0..100.0).contains(&per) {
        return Err(format!("{per} ticks for an instruction make no sense"));
    }
    Ok(records
        .iter()
        .filter(|r| r.kind == b'T')
        .map(|r| (f64::from(r.u32_at(0)) - empty) / per)
        .collect())
}

/// A deployment whose recovery is never decided, so that its fits go on.
fn deployment(hz: f32, hours: f64) -> Trace {
    let plain = make::plain_config(hz);
    let mut d = *plain.detector();
    d.recovery_sd_max_h = 0.1;
    d.recovery_prob = 0.9999;
    let config = firmware_core::config::Config::new(
        *plain.logger(),
        *plain.place(),
        *plain.animal(),
        d,
        *plain.release(),
    )
    .expect("the settings lie within their ranges");
    make::long(ANIMAL, hz, hours + BEYOND_H, Some(config))
}

fn rate(target: Target, image: &std::path::Path, hz: f32, hours: f64) -> Result<Rate, String> {
    let trace = deployment(hz, hours);
    // A bin of recovery ends on the half hour; its fit starts within the next two minutes.
    let cut = (hours * 3600.0 * f64::from(hz)) as usize;
    let folder = target::folder(&[])?;
    let put_job = |job: Job, part: std::ops::Range<usize>| {
        let mut traces = Bytes::default();
        trace.write_part(job, part, &mut traces);
        target::put_traces(folder.path(), &traces.0)
    };
    let put = |mode: Mode, carry: Carry, part| put_job(Job { carry, ..Job::of(mode) }, part);
    put_job(Job { run: RUN_SAMPLES, ..Job::of(Mode::Time) }, 0..trace.samples.len())?;
    let runs = instructions(&target::run_in(target, image, folder.path(), Pace::Counted)?)?;
    let in_runs = runs.iter().sum::<f64>() / trace.samples.len() as f64;
    put(Mode::Time, Carry { load: false, save: true }, 0..cut)?;
    let mut all = instructions(&target::run_in(target, image, folder.path(), Pace::Counted)?)?;
    put(Mode::Time, Carry { load: true, save: false }, cut..trace.samples.len())?;
    let beyond = instructions(&target::run_in(target, image, folder.path(), Pace::Counted)?)?;
    let window = (FOLLOWED_H * 3600.0 * f64::from(hz)) as usize;
    let ticked = beyond.iter().take(window).sum::<f64>() / window as f64;
    all.extend(beyond);
    put(Mode::Decide, Carry { load: true, save: false }, cut..cut + window)?;
    let profile = profile::follow(target, image, folder.path(), STEP)?;
    let n = profile.samples.len();
    let followed = profile.samples.iter().flatten().map(|c| f64::from(*c)).sum::<f64>() / n as f64;
    // Two independent counts of the same steps.
    if (followed / ticked - 1.0).abs() > 0.03 {
        return Err(format!(
            "{} at {hz} Hz: {followed:.1} instructions a step were followed, {ticked:.1} timed",
            target.name
        ));
    }
    let per_bin = 1800.0 * f64::from(hz);
    let mut known = 0;
    let mut stages: Vec<(String, Spread)> = STAGES
        .iter()
        .map(|(name, files)| {
            let mine: Vec<usize> = (0..profile.stages.len())
                .filter(|i| files.contains(&profile.stages[*i].as_str()))
                .collect();
            known += mine.len();
            let counts: Vec<f64> = profile
                .samples
                .iter()
                .map(|s| mine.iter().map(|i| f64::from(s[*i])).sum())
                .collect();
            let total: f64 = counts.iter().sum();
            let mut spread = Spread::of(counts);
            if *name == "recovery" {
                // One fit to a bin of half an hour.
                spread.mean = total / per_bin;
            }
            ((*name).to_owned(), spread)
        })
        .collect();
    if known != profile.stages.len() {
        return Err(format!(
            "a stage is new: {:?}; say in `measure.rs` where it belongs",
            profile.stages
        ));
    }
    stages.retain(|s| s.1.worst > 0.0);
    let (worst_faulty, worst_faulty_in) = worst_faulty(target, image, hz)?;
    let whole = Spread::of(all);
    Ok(Rate { hz, hours, whole, in_runs, worst_faulty, worst_faulty_in, stages })
}

/// Size of the detectors, and what a sample costs on the mean over a deployment of `hours`,
/// one by one and in runs: a quick look while one changes something.
pub fn quick(target: Target, hz: f32, hours: f64) -> Result<(), String> {
    let flash = |features| elf::sizes(&target::build(target, &Build::of("proof", features))?);
    let size = flash("")?.flash.saturating_sub(flash("bare")?.flash);
    let image = target::build(target, &Build::of("image", ""))?;
    let trace = deployment(hz, hours);
    let mean = |run: u8| {
        let mut traces = Bytes::default();
        trace.write(Job { run, ..Job::of(Mode::Time) }, &mut traces);
        let counts = instructions(&target::run(target, &image, &traces.0, Pace::Counted)?)?;
        Ok::<f64, String>(counts.iter().sum::<f64>() / trace.samples.len() as f64)
    };
    println!(
        "{}: {size} bytes of flash; {:.1} instructions a sample, {:.1} in runs of {RUN_SAMPLES}",
        target.name,
        mean(0)?,
        mean(RUN_SAMPLES)?
    );
    Ok(())
}

/// The dearest step of the short, faulty traces, and the stages that it went to.
fn worst_faulty(target: Target, image: &std::path::Path, hz: f32) -> Result<(f64, String), String> {
    let shorts: Vec<Trace> = check::short_traces().into_iter().filter(|t| t.hz() == hz).collect();
    let mut traces = Bytes::default();
    for short in &shorts {
        short.write(Job::of(Mode::Time), &mut traces);
    }
    let counts = instructions(&target::run(target, image, &traces.0, Pace::Counted)?)?;
    let steps = shorts.iter().flat_map(|t| (0..t.samples.len()).map(move |i| (t, i)));
    let Some((worst, (trace, sample))) = counts.iter().zip(steps).max_by(|a, b| a.0.total_cmp(b.0))
    else {
        return Ok((0.0, String::new()));
    };
    // Up to that sample at full speed, then that sample alone, followed.
    let folder = target::folder(&[])?;
    let put = |carry: Carry, part: std::ops::Range<usize>| {
        let mut traces = Bytes::default();
        trace.write_part(Job { carry, ..Job::of(Mode::Time) }, part, &mut traces);
        target::put_traces(folder.path(), &traces.0)
    };
    put(Carry { load: false, save: true }, 0..sample)?;
    target::run_in(target, image, folder.path(), Pace::Free)?;
    put(Carry { load: true, save: false }, sample..sample + 1)?;
    let profile = profile::follow(target, image, folder.path(), STEP)?;
    let mut parts: Vec<(u32, &str)> = profile
        .samples
        .iter()
        .flat_map(|s| s.iter().copied().zip(profile.stages.iter().map(String::as_str)))
        .collect();
    parts.sort_by(|a, b| b.cmp(a));
    let parts: Vec<String> = parts.iter().take(3).map(|(n, s)| format!("{s} {n}")).collect();
    Ok((*worst, format!("{}, sample {sample}: {}", trace.name, parts.join(", "))))
}

/// Deepest stack of a step and of building the tag, bytes.
fn stack(target: Target, image: &std::path::Path) -> Result<(f64, f64), String> {
    let mut traces = Bytes::default();
    for trace in check::short_traces().iter().step_by(3).chain(&[deployment(5.0, 8.0)]) {
        trace.write(Job::of(Mode::Stack), &mut traces);
    }
    let bytes = target::run(target, image, &traces.0, Pace::Free)?;
    let (mut step, mut new) = (0, 0);
    for r in results::parse(&bytes)?.iter().filter(|r| r.kind == b'S') {
        let place = if r.sample == u32::MAX { &mut new } else { &mut step };
        *place = (*place).max(r.u32_at(0));
    }
    Ok((f64::from(step), f64::from(new)))
}

/// What one job of the measurement gave.
enum Part {
    Rate(Rate),
    Stack(f64, f64),
}

/// Sizes, then everything that has to run, on all cores at once.
fn targets(workspace: &std::path::Path, full: bool) -> Result<Vec<Measured>, String> {
    let mut measured = Vec::new();
    let mut images = Vec::new();
    for target in TARGETS {
        let build = |binary, features| {
            target::build(target, &Build { workspace: workspace.to_path_buf(), binary, features })
        };
        let image = build("image", "")?;
        let whole = elf::sizes(&build("proof", "")?)?;
        let bare = elf::sizes(&build("proof", "bare")?)?;
        let runs = elf::sizes(&build("proof", "runs")?)?;
        let detectors = elf::Sizes {
            flash: whole.flash.saturating_sub(bare.flash),
            ram: whole.ram.saturating_sub(bare.ram),
            tag: whole.tag,
        };
        measured.push(Measured {
            target,
            detectors,
            flash_in_runs: runs.flash.saturating_sub(bare.flash),
            image: elf::sizes(&image)?,
            step_stack: 0.0,
            new_stack: 0.0,
            rates: Vec::new(),
        });
        images.push(image);
    }
    let mut jobs = Vec::new();
    let mut owners = Vec::new();
    // The longest jobs first.
    for hz in [50.0, 25.0, 10.0, 0.0] {
        for (i, (m, image)) in measured.iter().zip(&images).enumerate().rev() {
            let target = m.target;
            // A full memory of half-hour bins, less one: the dearest fit.
            let long = hz == 25.0 && (full || target.name == "Cortex-M4F");
            let hours = if long { 31.5 } else { 6.5 };
            owners.push(i);
            jobs.push(move || {
                if hz > 0.0 {
                    rate(target, image, hz, hours).map(Part::Rate)
                } else {
                    stack(target, image).map(|(step, new)| Part::Stack(step, new))
                }
            });
        }
    }
    for (owner, part) in owners.into_iter().zip(check::at_once(jobs)) {
        let Some(m) = measured.get_mut(owner) else { continue };
        match part? {
            Part::Rate(rate) => m.rates.push(rate),
            Part::Stack(step, new) => (m.step_stack, m.new_stack) = (step, new),
        }
    }
    for m in &mut measured {
        m.rates.sort_by(|a, b| a.hz.total_cmp(&b.hz));
    }
    Ok(measured)
}

/// Measures both targets; writes the table where told to, and fails on a passed bound.
pub fn all(workspace: &std::path::Path, full: bool, write: bool) -> Result<(), String> {
    let model: Model = files::read("model.toml")?;
    let bounds: std::collections::BTreeMap<String, Bounds> = files::read("bounds.toml")?;
    let measured = targets(workspace, full)?;
    let table = table(&measured, &model);
    println!("{table}");
    if write {
        let path = table_path();
        // The section of `run whole` stays.
        let old = fs::read_to_string(&path).unwrap_or_default();
        let kept = whole::kept_section(&old);
        let table = if kept.is_empty() { table } else { whole::with_section(&table, kept) };
        files::write(&path, &table)?;
    }
    let mut passed = Vec::new();
    for m in &measured {
        let Some(bound) = bounds.get(m.target.name) else { continue };
        passed.extend(judge(m, bound, &model));
    }
    if passed.is_empty() { Ok(()) } else { Err(passed.join("\n")) }
}

/// Sizes alone against their bounds, for a quick look.
pub fn sizes_only(target: Target, workspace: &std::path::Path) -> Result<(), String> {
    let bounds: std::collections::BTreeMap<String, Bounds> = files::read("bounds.toml")?;
    let build = Build { workspace: workspace.to_path_buf(), binary: "proof", features: "" };
    let tag = elf::sizes(&target::build(target, &build)?)?.tag as f64;
    let bound = bounds.get(target.name).and_then(|b| b.state_bytes).unwrap_or(f64::MAX);
    let mut passed = Vec::new();
    above(&mut passed, target, "state of the detectors, bytes", tag, Some(bound));
    if passed.is_empty() { Ok(()) } else { Err(passed.join("\n")) }
}

fn table_path() -> PathBuf {
    here().join("../../docs/on-target-table.md")
}

fn above(all: &mut Vec<String>, target: Target, what: &str, got: f64, bound: Option<f64>) {
    if let Some(bound) = bound
        && got > bound
    {
        all.push(format!("{}: {what}: {got:.1} is above the bound {bound}", target.name));
    }
}

fn judge(m: &Measured, b: &Bounds, model: &Model) -> Vec<String> {
    let mut passed = Vec::new();
    let rate = m.at(25.0);
    let worst_stage = |by: fn(&Spread) -> f64| {
        rate.stages
            .iter()
            .max_by(|a, b| by(&a.1).total_cmp(&by(&b.1)))
            .map_or("?", |s| s.0.as_str())
    };
    above(
        &mut passed,
        m.target,
        &format!("mean instructions a sample at 25 Hz (most in {})", worst_stage(|s| s.mean)),
        rate.whole.mean,
        b.mean_instructions,
    );
    let what = "mean instructions a sample at 25 Hz, in runs";
    above(&mut passed, m.target, what, rate.in_runs, b.mean_instructions_in_runs);
    above(
        &mut passed,
        m.target,
        &format!(
            "worst instructions of a sample at 25 Hz (ordinary: most in {}; faulty: {})",
            worst_stage(|s| s.worst),
            rate.worst_faulty_in
        ),
        m.worst(25.0),
        b.worst_instructions,
    );
    let t = m.target;
    above(&mut passed, t, "state of the detectors, bytes", m.detectors.tag as f64, b.state_bytes);
    above(&mut passed, t, "stack of a step, bytes", m.step_stack, b.stack_bytes);
    above(&mut passed, t, "flash of the detectors, bytes", m.detectors.flash as f64, b.flash_bytes);
    let core = model.core(t);
    if let Some(bound) = b.idle_fraction {
        let idle = idle(core, rate.whole.mean, 25.0);
        if idle < bound {
            passed.push(format!("{}: idle {idle:.4} is below the bound {bound}", t.name));
        }
    }
    if let (Some(bound), Some(part)) = (b.current_of_accelerometer, model.accelerometer.first()) {
        let current = core.current_ua(rate.whole.mean, 25.0) / part.current_ua;
        above(&mut passed, t, "current over that of the accelerometer", current, Some(bound));
    }
    passed
}

fn idle(core: &Core, instructions: f64, hz: f64) -> f64 {
    1.0 - instructions * core.cycles_per_instruction * hz / (core.clock_mhz * 1.0e6)
}

fn table(measured: &[Measured], model: &Model) -> String {
    let mut t = String::from(
        "<!-- Written by `tests/on-target/run measure`; edit nothing here. -->\n\
         # What the detectors cost on the target\n\n\
         Counted on an emulated core; how, and what it does not tell, is in\n\
         [on-target.md](on-target.md).\n\n## Size, bytes\n\n\
         | | ",
    );
    let row = |t: &mut String, name: &str, value: &dyn Fn(&Measured) -> String| {
        let cells: Vec<String> = measured.iter().map(value).collect();
        let _ = writeln!(t, "| {name} | {} |", cells.join(" | "));
    };
    let names: Vec<&str> = measured.iter().map(|m| m.target.name).collect();
    let _ = writeln!(t, "{} |\n| --- |{}", names.join(" | "), " ---: |".repeat(names.len()));
    row(&mut t, "flash of the detectors (code and constants)", &|m| m.detectors.flash.to_string());
    row(&mut t, "the same, where samples are handed in in runs", &|m| m.flash_in_runs.to_string());
    row(&mut t, "flash of the whole test image", &|m| m.image.flash.to_string());
    row(&mut t, "state of the detectors (`size_of::<Tag>()`)", &|m| m.detectors.tag.to_string());
    row(&mut t, "other memory with a fixed place", &|m| {
        (m.detectors.ram - m.detectors.tag).to_string()
    });
    row(&mut t, "deepest stack of a step", &|m| m.step_stack.to_string());
    row(&mut t, "deepest stack of building the tag", &|m| m.new_stack.to_string());
    let _ = writeln!(
        t,
        "\n## Instructions a sample\n\n\
         Over a deployment of the length given and half an hour more: where samples are handed\n\
         in in runs of {RUN_SAMPLES} at most, as a FIFO holds them (`Tag::step_run`); and one by one\n\
         (`Tag::step_into`), with the worst of it and, beside it, the worst of the short traces\n\
         full of faults.\n\n\
         | core | rate, Hz | length, h | mean, in runs | mean | 99 % | worst | worst, faults | which is |\n\
         | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | --- |"
    );
    for m in measured {
        for r in &m.rates {
            let _ = writeln!(
                t,
                "| {} | {} | {} | {:.0} | {:.0} | {:.0} | {:.0} | {:.0} | {} |",
                m.target.name,
                r.hz,
                r.hours,
                r.in_runs,
                r.whole.mean,
                r.whole.p99,
                r.whole.worst,
                r.worst_faulty,
                r.worst_faulty_in
            );
        }
    }
    let _ = writeln!(
        t,
        "\n## Instructions a sample, by stage\n\n\
         Over three minutes at the length given, in which a recovery fit runs, one by one, as\n\
         mean / 99 % / worst. The mean of recovery is that of its half hour.\n"
    );
    for m in measured {
        let rates: Vec<String> = m.rates.iter().map(|r| format!("{} Hz", r.hz)).collect();
        let _ = writeln!(
            t,
            "| {} | {} |\n| --- |{}",
            m.target.name,
            rates.join(" | "),
            " ---: |".repeat(rates.len())
        );
        for (name, _) in STAGES {
            let cells: Vec<String> = m
                .rates
                .iter()
                .map(|r| {
                    r.stages.iter().find(|s| s.0 == name).map_or("-".to_owned(), |(_, s)| {
                        format!("{:.1} / {:.0} / {:.0}", s.mean, s.p99, s.worst)
                    })
                })
                .collect();
            if cells.iter().any(|c| c != "-") {
                let _ = writeln!(t, "| {name} | {} |", cells.join(" | "));
            }
        }
        t.push('\n');
    }
    current(&mut t, measured, model);
    t
}

fn current(t: &mut String, measured: &[Measured], model: &Model) {
    let _ = writeln!(
        t,
        "## Current at 25 Hz, by the model\n\n\
         current = rate x (instructions x cycles an instruction / clock + wake) x running current.\n\n\
         | core | running, us a sample | idle at {:.0} MHz (M0) or {:.0} MHz (M4F) | detectors, uA |\n\
         | --- | ---: | ---: | ---: |",
        model.m0.clock_mhz, model.m4f.clock_mhz
    );
    for m in measured {
        let core = model.core(m.target);
        let mean = m.at(25.0).whole.mean;
        let _ = writeln!(
            t,
            "| {} | {:.1} | {:.2} % | {:.2} |",
            m.target.name,
            mean * core.cycles_per_instruction / core.clock_mhz,
            100.0 * idle(core, mean, 25.0),
            core.current_ua(mean, 25.0)
        );
    }
    let _ = writeln!(t, "\n| held against | uA | source |\n| --- | ---: | --- |");
    for a in &model.accelerometer {
        let _ = writeln!(t, "| accelerometer, {} | {:.1} | {} |", a.name, a.current_ua, a.source);
    }
    let f = &model.flash;
    let raw = 25.0 * 6.0;
    let minutes = f64::from(firmware_core::record::STORED_PER_MINUTE) / 60.0;
    for (what, bytes) in [("raw samples, 3 x 16 bit at 25 Hz", raw), ("minutes only", minutes)] {
        let _ = writeln!(
            t,
            "| flash, {what}: {:.2} B/s, {:.2} MB a day | {:.2} + {:.1} standby | below |",
            bytes,
            bytes * 86_400.0 / 1.0e6,
            f.current_ua(bytes),
            f.standby_ua
        );
    }
    t.push_str("\nSources of the model:\n\n");
    for (name, c) in [("Cortex-M4F", &model.m4f), ("Cortex-M0", &model.m0)] {
        let _ = writeln!(
            t,
            "- {name}: {} cycles an instruction ({}); {} uA/MHz at {} MHz ({}); wake {} us ({}).",
            c.cycles_per_instruction,
            c.cycles_per_instruction_source,
            c.run_ua_per_mhz,
            c.clock_mhz,
            c.run_source,
            c.wake_us,
            c.wake_source
        );
    }
    let _ = writeln!(
        t,
        "- flash: {} B pages, {} ms at {} mA ({}); {} MHz at {} mA ({}); {}. Erased on the bench.",
        f.page_bytes,
        f.program_ms,
        f.program_ma,
        f.program_source,
        f.transfer_mhz,
        f.transfer_ma,
        f.transfer_source,
        f.standby_source
    );
}

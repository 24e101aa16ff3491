//! What the tag costs, held against the committed bounds.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use on_target_wire::deployed::FIFO;
use on_target_wire::trace::Mode;
use serde::Deserialize;

use crate::model::Model;
use crate::path::{self, Counts, Images, deployment};
use crate::target::{self, Build, Pace, TARGETS, Target, here};
use crate::trace::{Bytes, Job};
use crate::{check, elf, files, results, table, whole};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Bounds {
    mean_instructions: Option<f64>,
    mean_faulty_instructions: Option<f64>,
    worst_block_instructions: Option<f64>,
    state_bytes: Option<f64>,
    stack_bytes: Option<f64>,
    flash_bytes: Option<f64>,
    idle_fraction: Option<f64>,
    current_of_accelerometer: Option<f64>,
}

/// All measured on one target.
pub struct Measured {
    /// The target.
    pub target: Target,
    /// Flash, memory and state of the detectors, bytes.
    pub detectors: elf::Sizes,
    /// Those of the image that the deployed path is counted with.
    pub image: elf::Sizes,
    /// State of the deployed path, bytes.
    pub state: u64,
    /// Deepest stack of `Tag::feed` and of building a tag, bytes.
    pub feed_stack: f64,
    /// See `feed_stack`.
    pub new_stack: f64,
    /// Counts at every rate.
    pub rates: Vec<Counts>,
}

impl Measured {
    /// Counts at a rate that was measured.
    pub fn at(&self, hz: f32) -> &Counts {
        self.rates.iter().find(|r| r.hz == hz).expect("every rate is measured")
    }

    /// Instructions a sample at 25 Hz with the copies of state.
    pub fn with_copies(&self) -> f64 {
        let counts = self.at(25.0);
        counts.mean + counts.copies.a_sample
    }
}

/// Flash of the detectors of a workspace, bytes, with what else is known of their size.
fn detectors(target: Target, workspace: &Path) -> Result<elf::Sizes, String> {
    let build = |features| {
        let workspace = workspace.to_path_buf();
        elf::sizes(&target::build(target, &Build { workspace, binary: "proof", features })?)
    };
    let (whole, bare) = (build("")?, build("bare")?);
    Ok(elf::Sizes {
        flash: whole.flash.saturating_sub(bare.flash),
        ram: whole.ram.saturating_sub(bare.ram),
        tag: whole.tag,
    })
}

/// Size of the detectors, and what a sample costs on the mean over a deployment of `hours`:
/// a quick look while one changes something.
pub fn quick(target: Target, hz: f32, hours: f64) -> Result<(), String> {
    let size = detectors(target, &here())?;
    println!("{}: detectors {} bytes of flash, {} of state", target.name, size.flash, size.tag);
    let deployed = target::build(target, &Build::of("deployed", ""))?;
    let alone = target::build(target, &Build::of("image", ""))?;
    let images = Images { deployed: &deployed, detectors: &alone };
    let [deployed, detectors] = path::quick(target, images, hz, hours)?;
    println!(
        "{}: {deployed:.1} instructions a sample without copies of state; the detectors alone \
         {detectors:.1}, in runs of {FIFO}",
        target.name
    );
    Ok(())
}

/// Deepest stack of a feed of the detectors and of building a tag, bytes.
fn stack(target: Target, image: &Path) -> Result<(f64, f64), String> {
    let mut traces = Bytes::default();
    for trace in check::short_traces().iter().step_by(3).chain(&[deployment(5.0, 8.0)]) {
        trace.write(Job { run: FIFO as u8, ..Job::of(Mode::Stack) }, &mut traces);
    }
    let bytes = target::run(target, image, &traces.0, Pace::Free)?;
    let (mut feed, mut new) = (0, 0);
    for r in results::parse(&bytes)?.iter().filter(|r| r.kind == b'S') {
        let place = if r.sample == u32::MAX { &mut new } else { &mut feed };
        *place = (*place).max(r.u32_at(0));
    }
    Ok((f64::from(feed), f64::from(new)))
}

/// What one job of the measurement gave.
enum Part {
    Counts(Box<Counts>),
    Stack(f64, f64),
}

/// Sizes, then everything that has to run, as much at once as the machine can.
fn targets(only: &str, full: bool) -> Result<Vec<Measured>, String> {
    let mut measured = Vec::new();
    let mut images = Vec::new();
    for target in TARGETS.into_iter().filter(|t| t.name.ends_with(only)) {
        let build = |binary| target::build(target, &Build::of(binary, ""));
        let (deployed, alone) = (build("deployed")?, build("image")?);
        measured.push(Measured {
            target,
            detectors: detectors(target, &here())?,
            image: elf::sizes(&deployed)?,
            state: elf::symbol(&deployed, "PLACES")?,
            feed_stack: 0.0,
            new_stack: 0.0,
            rates: Vec::new(),
        });
        images.push((deployed, alone));
    }
    let mut jobs = Vec::new();
    let mut owners = Vec::new();
    // The longest jobs first.
    for hz in [50.0, 25.0, 10.0, 0.0] {
        for (i, (m, (deployed, detectors))) in measured.iter().zip(&images).enumerate().rev() {
            let target = m.target;
            // A full memory of half-hour bins, less one: the dearest fit.
            let long = hz == 25.0 && (full || target.name == "Cortex-M4F");
            let hours = if long { 31.5 } else { 6.5 };
            owners.push(i);
            jobs.push(move || {
                if hz > 0.0 {
                    let counts = path::counts(target, Images { deployed, detectors }, hz, hours)?;
                    Ok(Part::Counts(Box::new(counts)))
                } else {
                    stack(target, detectors).map(|(feed, new)| Part::Stack(feed, new))
                }
            });
        }
    }
    for (owner, part) in owners.into_iter().zip(check::at_once(jobs)) {
        let Some(m) = measured.get_mut(owner) else { continue };
        match part? {
            Part::Counts(counts) => m.rates.push(*counts),
            Part::Stack(feed, new) => (m.feed_stack, m.new_stack) = (feed, new),
        }
    }
    for m in &mut measured {
        m.rates.sort_by(|a, b| a.hz.total_cmp(&b.hz));
    }
    Ok(measured)
}

/// Measures the targets whose name ends with `only`; writes the table where told to, and fails
/// on a passed bound.
pub fn all(only: &str, full: bool, write: bool) -> Result<(), String> {
    let model: Model = files::read("model.toml")?;
    let bounds: BTreeMap<String, Bounds> = files::read("bounds.toml")?;
    let measured = targets(only, full)?;
    let table = table::of(&measured, &model);
    println!("{table}");
    if write {
        let path = here().join("../../docs/on-target-table.md");
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

/// Size of the state alone against its bound, for a quick look.
pub fn state_only(target: Target, workspace: &Path) -> Result<(), String> {
    let bounds: BTreeMap<String, Bounds> = files::read("bounds.toml")?;
    let tag = detectors(target, workspace)?.tag as f64;
    let bound = bounds.get(target.name).and_then(|b| b.state_bytes).unwrap_or(f64::MAX);
    let mut passed = Vec::new();
    above(&mut passed, target, "state of the detectors, bytes", tag, Some(bound));
    if passed.is_empty() { Ok(()) } else { Err(passed.join("\n")) }
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
    let (t, counts) = (m.target, m.at(25.0));
    let dearest = counts
        .stages
        .iter()
        .max_by(|a, b| a.1.mean.total_cmp(&b.1.mean))
        .map_or("?", |s| s.0.as_str());
    let what = format!("instructions a sample of the deployed path at 25 Hz (most in {dearest})");
    above(&mut passed, t, &what, counts.mean, b.mean_instructions);
    let what = "instructions a sample of the deployed path at 25 Hz, traces full of faults";
    above(&mut passed, t, what, counts.mean_faulty, b.mean_faulty_instructions);
    let what = format!("instructions of the dearest feed at 25 Hz ({})", counts.worst.place);
    above(&mut passed, t, &what, counts.worst.instructions, b.worst_block_instructions);
    above(&mut passed, t, "state of the detectors, bytes", m.detectors.tag as f64, b.state_bytes);
    above(&mut passed, t, "stack of `Tag::feed`, bytes", m.feed_stack, b.stack_bytes);
    above(&mut passed, t, "flash of the detectors, bytes", m.detectors.flash as f64, b.flash_bytes);
    let (core, mean) = (model.core(t), m.with_copies());
    if let Some(bound) = b.idle_fraction {
        let idle = core.idle(mean, 25.0);
        if idle < bound {
            passed.push(format!("{}: idle {idle:.4} is below the bound {bound}", t.name));
        }
    }
    let part = model.of_accelerometer(core.current_ua(mean, 25.0));
    let what = "current over that of the accelerometer";
    above(&mut passed, t, what, part.unwrap_or(0.0), b.current_of_accelerometer);
    passed
}

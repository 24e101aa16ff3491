//! Images that say what they did and measure its parts: the same bytes as on the host,
//! on both targets at once, and what every part costs.

use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

use crate::target::{self, Build, Pace, TARGETS, Target};
use crate::{check, elf, path, results};

/// What an image costs on one target.
pub struct Measured {
    pub image: PathBuf,
    /// Flash and memory with a fixed place, beside the image without it, bytes.
    pub flash: u64,
    pub ram: u64,
    pub parts: Vec<Part>,
}

/// What a part costs.
#[derive(Clone, Copy, Default)]
pub struct Part {
    /// Deepest stack, bytes.
    pub stack: u32,
    /// Most instructions.
    pub most: f64,
    sum: f64,
    runs: u32,
}

impl Part {
    /// Mean instructions.
    pub fn mean(&self) -> f64 {
        self.sum / f64::from(self.runs.max(1))
    }
}

/// Builds `whole` and `bare`, runs the first, and holds `file`, which it wrote, against
/// what the host said (`want`). `count`: parts that it measures.
pub fn run(
    target: Target,
    [whole, bare]: [&Build; 2],
    file: &str,
    want: &[u8],
    count: usize,
) -> Result<Measured, String> {
    let (whole, bare) = (target::build(target, whole)?, target::build(target, bare)?);
    let folder = target::folder(&[])?;
    let measured = target::run_in(target, &whole, folder.path(), Pace::Counted)?;
    let got = fs::read(folder.path().join(file)).map_err(|e| format!("{file}: {e}"))?;
    if let Some(at) = (0..want.len().max(got.len())).find(|n| want.get(*n) != got.get(*n)) {
        return Err(format!(
            "{}: byte {at} of {file} differs from the host's: {:02x?} for {:02x?} ({} bytes for {})",
            target.name,
            got.get(at),
            want.get(at),
            got.len(),
            want.len()
        ));
    }
    let counts = path::instructions(&measured)?;
    let records = results::parse(&measured)?;
    let of = |kind: u8| records.iter().filter(move |r| r.kind == kind);
    let mut parts = vec![Part::default(); count];
    for (record, count) in of(b'T').zip(&counts) {
        let part = parts.get_mut(record.sample as usize).ok_or("a part without a name")?;
        part.most = part.most.max(*count);
        part.sum += count;
        part.runs += 1;
    }
    for record in of(b'S') {
        let part = parts.get_mut(record.sample as usize).ok_or("a part without a name")?;
        part.stack = part.stack.max(record.u32_at(0));
    }
    let sizes = (elf::sizes(&whole)?, elf::sizes(&bare)?);
    Ok(Measured {
        image: whole,
        flash: sizes.0.flash.saturating_sub(sizes.1.flash),
        ram: sizes.0.ram.saturating_sub(sizes.1.ram),
        parts,
    })
}

/// All targets at once.
pub fn on_targets<C: Send>(
    one: impl Fn(Target) -> Result<C, String> + Sync,
) -> Result<Vec<C>, String> {
    let jobs = TARGETS.iter().map(|t| || one(*t)).collect();
    let costs: Vec<C> = check::at_once(jobs).into_iter().collect::<Result<_, _>>()?;
    println!("the same bytes on host and {} targets; no panic can be reached", costs.len());
    Ok(costs)
}

/// A table with a column a target.
pub struct Table<'a, C> {
    costs: &'a [C],
    pub text: String,
}

impl<'a, C> Table<'a, C> {
    /// Below `text`; `name` tells a column's target.
    pub fn new(text: String, costs: &'a [C], name: impl Fn(&C) -> &str) -> Self {
        let names: Vec<&str> = costs.iter().map(name).collect();
        let rule = " ---: |".repeat(names.len());
        let text = format!("{text}| | {} |\n| --- |{rule}\n", names.join(" | "));
        Table { costs, text }
    }

    /// One more row.
    pub fn row(&mut self, name: &str, value: impl Fn(&C) -> String) {
        let cells: Vec<String> = self.costs.iter().map(value).collect();
        let _ = writeln!(self.text, "| {name} | {} |", cells.join(" | "));
    }
}

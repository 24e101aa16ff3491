//! The log and the satellite summary on the targets: every byte kept and sent as
//! on the host, no panic reachable, and what they cost beside the detectors.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;

use firmware_core::message::{MESSAGE_BYTES, Message};
use on_target_wire::records::{
    FLASH_BYTES, Keeping, MINUTES, NoProbe, PARTS, RamFlash, deployment,
};
use serde::Deserialize;

use crate::target::{self, Build, Pace, TARGETS, Target, here};
use crate::trace::Bytes;
use crate::{check, elf, results};

/// Bounds of one target, bytes; in `records-bounds.toml`.
#[derive(Deserialize)]
struct Bounds {
    flash_bytes: u64,
    state_bytes: u64,
    stack_bytes: u32,
}

struct Cost {
    target: Target,
    flash: u64,
    state: u64,
    stack: u32,
    /// Mean and most instructions of every part.
    parts: Vec<(f64, f64)>,
}

/// What host and target must both give.
fn on_host() -> Result<Vec<u8>, String> {
    let mut sink = Bytes::default();
    let mut flash = RamFlash::filled(0x53);
    let mut keeping =
        Keeping::new(&mut flash, &mut NoProbe).ok_or("the log does not open on the host")?;
    deployment(&mut keeping, &mut NoProbe, &mut sink);
    Ok(sink.0)
}

/// A check that met no case proves nothing.
fn telling(bytes: &[u8]) -> Result<String, String> {
    let messages = (MINUTES / 10) as usize;
    let (sent, rest) = bytes.split_at(messages * MESSAGE_BYTES);
    let sound = sent
        .chunks_exact(MESSAGE_BYTES)
        .filter(|m| m.first_chunk().is_some_and(|m| Message::decode(m).is_ok()))
        .count();
    let image = host_sim::unpack::salvage(&rest[..FLASH_BYTES], None);
    let dropped: u32 = image.before.iter().sum();
    if sound != messages || image.records.len() < 100 || dropped == 0 || !image.damage.is_empty() {
        return Err(format!(
            "the made-up deployment gave {sound} sound messages of {messages}, {} records, {dropped} \
             dropped, {} damaged",
            image.records.len(),
            image.damage.len()
        ));
    }
    Ok(format!("{messages} messages and {} records kept, {dropped} dropped", image.records.len()))
}

fn one(target: Target, want: &[u8]) -> Result<Cost, String> {
    let whole = target::build(target, &Build::of("records", ""))?;
    let bare = target::build(target, &Build::of("records", "bare"))?;
    let folder = target::folder(&[])?;
    let measured = target::run_in(target, &whole, folder.path(), Pace::Counted)?;
    let got = fs::read(folder.path().join("kept.bin")).map_err(|e| format!("kept.bin: {e}"))?;
    if let Some(at) = (0..want.len().max(got.len())).find(|n| want.get(*n) != got.get(*n)) {
        return Err(format!(
            "{}: byte {at} of what was sent and kept differs from the host's: {:02x?} for {:02x?}",
            target.name,
            got.get(at),
            want.get(at)
        ));
    }
    let counts = crate::measure::instructions(&measured)?;
    let records = results::parse(&measured)?;
    let of = |kind: u8| records.iter().filter(move |r| r.kind == kind);
    let mut parts = vec![(0.0_f64, 0.0_f64, 0.0_f64); PARTS.len()];
    for (record, count) in of(b'T').zip(&counts) {
        let part = parts.get_mut(record.sample as usize).ok_or("a part without a name")?;
        *part = (part.0 + count, part.1.max(*count), part.2 + 1.0);
    }
    let sizes = (elf::sizes(&whole)?, elf::sizes(&bare)?);
    Ok(Cost {
        target,
        flash: sizes.0.flash.saturating_sub(sizes.1.flash),
        // Beside the flash, which lies in memory in both.
        state: sizes.0.ram.saturating_sub(sizes.1.ram),
        stack: of(b'S').map(|r| r.u32_at(0)).max().unwrap_or(0),
        parts: parts.iter().map(|(sum, most, n)| (sum / n.max(1.0), *most)).collect(),
    })
}

/// Compares, measures, and writes the table where told to.
pub fn all(write: bool) -> Result<(), String> {
    let want = on_host()?;
    println!("the made-up deployment: {}", telling(&want)?);
    let jobs = TARGETS.iter().map(|t| || one(*t, &want)).collect();
    let costs: Vec<Cost> = check::at_once(jobs).into_iter().collect::<Result<_, _>>()?;
    println!("the same bytes on host and {} targets; no panic can be reached", costs.len());
    let table = table(&costs);
    println!("{table}");
    if write {
        let path = here().join("../../docs/on-target-records.md");
        let part = path.with_extension("part");
        fs::write(&part, &table)
            .and_then(|()| fs::rename(&part, &path))
            .map_err(|e| format!("{}: {e}", path.display()))?;
    }
    let path = here().join("records-bounds.toml");
    let text = fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
    let bounds: BTreeMap<String, Bounds> =
        toml::from_str(&text).map_err(|e| format!("{}: {e}", path.display()))?;
    let mut passed = Vec::new();
    for cost in &costs {
        let name = cost.target.name;
        let bound = bounds.get(name).ok_or_else(|| format!("no bounds for {name}"))?;
        for (what, got, most) in [
            ("flash", cost.flash, bound.flash_bytes),
            ("state", cost.state, bound.state_bytes),
            ("stack", u64::from(cost.stack), u64::from(bound.stack_bytes)),
        ] {
            if got > most {
                passed.push(format!("{name}: {what} of log and summary: {got} B, bound {most} B"));
            }
        }
    }
    if passed.is_empty() { Ok(()) } else { Err(passed.join("\n")) }
}

fn table(costs: &[Cost]) -> String {
    let mut t = String::from(
        "<!-- Written by `tests/on-target/run records`; edit nothing here. -->\n\
         # What log and satellite summary cost on the target\n\n\
         Beside the detectors, whose own costs and bounds are in\n\
         [on-target-table.md](on-target-table.md). Recorder, log, raw bursts and summary together;\n\
         flash includes what they need of the compiler's own arithmetic, which the detectors need too.\n\n",
    );
    let names: Vec<&str> = costs.iter().map(|c| c.target.name).collect();
    let _ = writeln!(t, "| | {} |\n| --- |{}", names.join(" | "), " ---: |".repeat(names.len()));
    let mut row = |name: &str, value: &dyn Fn(&Cost) -> String| {
        let cells: Vec<String> = costs.iter().map(value).collect();
        let _ = writeln!(t, "| {name} | {} |", cells.join(" | "));
    };
    row("flash, bytes", &|c| c.flash.to_string());
    row("state, bytes", &|c| c.state.to_string());
    row("deepest stack, bytes", &|c| c.stack.to_string());
    for (n, (_, name)) in PARTS.iter().enumerate() {
        row(&format!("instructions, {name}: mean / most"), &|c| {
            c.parts.get(n).map_or("-".into(), |(mean, most)| format!("{mean:.0} / {most:.0}"))
        });
    }
    t.push_str(
        "\nThe flash is simulated in memory; the instructions of reading and writing it are\n\
         counted, its waiting is not. The most includes opening a segment of 512 bytes in a memory\n\
         of 16 segments.\n",
    );
    t
}

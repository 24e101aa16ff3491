//! The log and the satellite summary on the targets: every byte kept and sent as
//! on the host, no panic reachable, and what they cost beside the detectors.

use std::collections::BTreeMap;

use firmware_core::message::{MESSAGE_BYTES, Message};
use on_target_wire::probe::NoProbe;
use on_target_wire::records::{FLASH_BYTES, Keeping, MINUTES, PARTS, RamFlash, deployment};
use serde::Deserialize;

use crate::files;
use crate::parts::{self, Part, Table};
use crate::target::{Build, Target, here};
use crate::trace::Bytes;

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
    parts: Vec<Part>,
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
    let builds = [&Build::of("records", ""), &Build::of("records", "bare")];
    let m = parts::run(target, builds, "kept.bin", want, PARTS.len())?;
    let stack = m.parts.iter().map(|p| p.stack).max().unwrap_or(0);
    // Beside the flash, which lies in memory in both.
    Ok(Cost { target, flash: m.flash, state: m.ram, stack, parts: m.parts })
}

/// Compares, measures, and writes the table where told to.
pub fn all(write: bool) -> Result<(), String> {
    let want = on_host()?;
    println!("the made-up deployment: {}", telling(&want)?);
    let costs = parts::on_targets(|t| one(t, &want))?;
    let table = table(&costs);
    println!("{table}");
    if write {
        files::write(&here().join("../../docs/on-target-records.md"), &table)?;
    }
    let bounds: BTreeMap<String, Bounds> = files::read("records-bounds.toml")?;
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
    let head = String::from(
        "<!-- Written by `tests/on-target/run records`; edit nothing here. -->\n\
         # What log and satellite summary cost on the target\n\n\
         Beside the detectors, whose own costs and bounds are in\n\
         [on-target-table.md](on-target-table.md). Recorder, log, raw bursts and summary together;\n\
         flash includes what they need of the compiler's own arithmetic, which the detectors need too.\n\n",
    );
    let mut t = Table::new(head, costs, |c| c.target.name);
    t.row("flash, bytes", |c| c.flash.to_string());
    t.row("state, bytes", |c| c.state.to_string());
    t.row("deepest stack, bytes", |c| c.stack.to_string());
    for (n, (_, name)) in PARTS.iter().enumerate() {
        t.row(&format!("instructions, {name}: mean / most"), |c| {
            c.parts.get(n).map_or("-".into(), |p| format!("{:.0} / {:.0}", p.mean(), p.most))
        });
    }
    t.text.push_str(
        "\nThe flash is simulated in memory; the instructions of reading and writing it are\n\
         counted, its waiting is not. The most includes opening a segment of 512 bytes in a memory\n\
         of 16 segments.\n",
    );
    t.text
}

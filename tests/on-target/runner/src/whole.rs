//! The whole tag in one image: sensors, detectors, copies, release, log and messages.
//! The same bytes as on the host, no panic reachable, and what all of it costs.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fs;

use firmware_core::message::{MESSAGE_BYTES, Message};
use firmware_core::store::record::Record;
use on_target_wire::flash::Memory;
use on_target_wire::probe::NoProbe;
use on_target_wire::sea::Sea;
use on_target_wire::shell::Places;
use on_target_wire::whole::{FLASH_BYTES, PARTS, PRESSURE_CRC, SAMPLES, deployment};
use serde::Deserialize;

use crate::parts::{self, Part, Table};
use crate::target::{Build, Target, here};
use crate::trace::Bytes;
use crate::{elf, files};

/// Where the section on the whole tag begins in the table.
pub const HEADING: &str = "## The whole tag\n";

/// Parts that take longer than the timer can count: starting, and resuming.
const LONG: [usize; 2] = [1, 2];

/// Bounds of one target; in `whole-bounds.toml`.
#[derive(Deserialize)]
struct Bounds {
    flash_bytes: u64,
    state_bytes: u64,
    build_stack_bytes: u32,
    start_stack_bytes: u32,
    resume_stack_bytes: u32,
    feed_stack_bytes: u32,
    message_stack_bytes: u32,
    feed_instructions: f64,
}

struct Cost {
    target: Target,
    flash: u64,
    state: u64,
    parts: Vec<Part>,
}

#[derive(Clone, Copy)]
struct Bytewise<'a>(&'a RefCell<Vec<u8>>);

impl Memory for Bytewise<'_> {
    fn get(&mut self, at: u32, into: &mut [u8]) {
        into.copy_from_slice(&self.0.borrow()[at as usize..at as usize + into.len()]);
    }

    fn put(&mut self, at: u32, bytes: &[u8]) {
        self.0.borrow_mut()[at as usize..at as usize + bytes.len()].copy_from_slice(bytes);
    }
}

/// What host and target must both give.
fn on_host() -> Vec<u8> {
    let mut sink = Bytes::default();
    let flash = RefCell::new(vec![0x53; FLASH_BYTES]);
    let sea = Sea::new(PRESSURE_CRC);
    deployment(Bytewise(&flash), &sea, &mut Places::new(), &mut NoProbe, &mut sink);
    sink.0
}

/// A check that met no case proves nothing.
fn telling(bytes: &[u8]) -> Result<String, String> {
    let tail = 9 * 4 + MESSAGE_BYTES + FLASH_BYTES;
    let Some(from) = bytes.len().checked_sub(tail) else {
        return Err("the whole tag did not get to its end on the host".into());
    };
    let mut words =
        bytes[from..].chunks_exact(4).map(|w| u32::from_le_bytes(w.try_into().unwrap_or_default()));
    let end: Vec<u32> = words.by_ref().take(9).collect();
    let [deaf, unkept, last, free, free_s, resets, lost, lost_told, bytes_kept] = end[..] else {
        return Err("no end".into());
    };
    let message = bytes[from + 36..].first_chunk().map(Message::decode);
    let image = host_sim::unpack::salvage(&bytes[bytes.len() - FLASH_BYTES..][..8192], None);
    let minutes = image.records.iter().filter(|r| matches!(r.record, Record::Minute(_))).count();
    let sound = message.is_some_and(|m| m.is_ok_and(|m| m.facts.cause.is_some()));
    let wanted = SAMPLES as usize / 1500 - 4;
    // The bus failed within some blocks of the FIFO, and nothing else was not kept.
    if deaf == 0
        || (unkept, last, free, lost, lost_told) != (0, 1, 1, 0, 0)
        || resets != 4
        || !sound
        || minutes < wanted
    {
        return Err(format!(
            "the whole tag's deployment came to: {end:?}, message sound: {sound}, {minutes} minutes of \
             {wanted} or more"
        ));
    }
    Ok(format!(
        "{resets} resets, {deaf} blocks lost by the bus, {minutes} minutes kept, free after {free_s} s, {bytes_kept} bytes recorded"
    ))
}

fn one(target: Target, want: &[u8]) -> Result<Cost, String> {
    let builds = [&Build::of("whole", ""), &Build::of("proof", "bare")];
    let m = parts::run(target, builds, "said.bin", want, PARTS.len())?;
    let state = elf::symbol(&m.image, "WHOLE")?;
    Ok(Cost { target, flash: m.flash, state, parts: m.parts })
}

/// Compares and measures; the section of the table goes into the file where told to.
pub fn all(write: bool) -> Result<(), String> {
    let want = on_host();
    println!("the whole tag: {}", telling(&want)?);
    let costs = parts::on_targets(|t| one(t, &want))?;
    let section = section(&costs);
    println!("{section}");
    if write {
        let path = here().join("../../docs/on-target-table.md");
        let text = fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
        files::write(&path, &with_section(&text, &section))?;
    }
    let bounds: BTreeMap<String, Bounds> = files::read("whole-bounds.toml")?;
    let mut passed = Vec::new();
    for cost in &costs {
        let name = cost.target.name;
        let bound = bounds.get(name).ok_or_else(|| format!("no bounds for {name}"))?;
        let part = |n: usize| cost.parts.get(n).copied().unwrap_or_default();
        let stack = |n: usize| f64::from(part(n).stack);
        for (what, got, most) in [
            ("flash, bytes", cost.flash as f64, bound.flash_bytes as f64),
            ("state, bytes", cost.state as f64, bound.state_bytes as f64),
            ("stack of building, bytes", stack(0), bound.build_stack_bytes.into()),
            ("stack of starting, bytes", stack(1), bound.start_stack_bytes.into()),
            ("stack of resuming, bytes", stack(2), bound.resume_stack_bytes.into()),
            ("stack of a feed, bytes", stack(3), bound.feed_stack_bytes.into()),
            ("stack of a message, bytes", stack(4), bound.message_stack_bytes.into()),
            ("instructions of a feed at most", part(3).most, bound.feed_instructions),
        ] {
            if got > most {
                passed.push(format!("{name}: the whole tag: {what}: {got:.0}, bound {most:.0}"));
            }
        }
    }
    if passed.is_empty() { Ok(()) } else { Err(passed.join("\n")) }
}

/// The table with this section at its end, in place of the one it had.
pub fn with_section(table: &str, section: &str) -> String {
    let before = table.find(HEADING).map_or(table, |at| &table[..at]);
    format!("{}\n\n{section}", before.trim_end())
}

/// The section that a table has already, for whoever writes the rest of it anew.
pub fn kept_section(table: &str) -> &str {
    table.find(HEADING).map_or("", |at| &table[at..])
}

fn section(costs: &[Cost]) -> String {
    let head = format!(
        "{HEADING}\nWritten by `tests/on-target/run whole`: sensor drivers over `embedded-hal`, detectors,\n\
         copies of their state, release clock, release driver, log and satellite summary in one\n\
         image, over {} min at 25 Hz with four resets, one of them while the release is fired.\n\
         Flash is that of the image less the same scaffolding as above, and holds the mock sensors too.\n\n",
        SAMPLES / 1500
    );
    let mut t = Table::new(head, costs, |c| c.target.name);
    t.row("flash, bytes", |c| c.flash.to_string());
    t.row("state, bytes", |c| c.state.to_string());
    for (n, (_, name)) in PARTS.iter().enumerate() {
        let part = |c: &Cost| c.parts.get(n).copied().unwrap_or_default();
        t.row(&format!("deepest stack, bytes: {name}"), |c| part(c).stack.to_string());
        // The core's timer counts 2^24 ticks: not enough for these.
        if !LONG.contains(&n) {
            t.row(&format!("most instructions: {name}"), |c| format!("{:.0}", part(c).most));
        }
    }
    t.text.push_str(
        "\nReading and writing the flash goes through files of the host: their instructions are\n\
         counted, the waiting of a real flash is not.\n",
    );
    t.text
}

//! Where the instructions of a feed go: every instruction that the emulator
//! executes inside the measured feed is put down to the stage whose source it
//! came from. A function shared by stages (a square root, a soft-float product)
//! counts for the stage that called it.

use std::collections::HashMap;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::Stdio;

use object::{Object, ObjectSection, ObjectSymbol, SymbolKind};

use crate::target::{Pace, Target, emulator};

const STAGES_MAX: usize = 64;
/// Source files that call stages, or that all of them call.
const CALLERS: [&str; 5] = ["math", "tag", "front", "types", "shell/keeper"];

/// What is known of one instruction.
#[derive(Clone)]
struct Place {
    function: u32,
    entry: bool,
    /// Stage, as an index of the profile's stages; `None` where it is the caller's.
    stage: Option<u16>,
    line: u32,
}

/// Instructions by stage and sample.
pub struct Profile {
    /// Names of the stages.
    pub stages: Vec<String>,
    /// For every call, the instructions of each stage.
    pub samples: Vec<Vec<u32>>,
    /// Instructions by source line, outside shared functions.
    pub lines: HashMap<String, u64>,
}

/// The walk through the instructions.
#[derive(Default)]
struct Walk {
    inside: bool,
    outside: u64,
    /// Function that calls the step.
    caller: u32,
    /// Functions entered and not yet left, with the stage that called each.
    stack: Vec<(u32, u16)>,
    stage: u16,
    counts: Vec<u32>,
    samples: Vec<Vec<u32>>,
    line_counts: Vec<u64>,
}

impl Walk {
    fn take(&mut self, place: &Place, begins: bool) {
        if !self.inside {
            if !begins {
                return;
            }
            self.inside = true;
            self.counts = vec![0; STAGES_MAX];
            self.stack.clear();
            self.stack.push((place.function, place.stage.unwrap_or(0)));
        } else if self.stack.last().is_some_and(|s| s.0 != place.function) {
            if let Some(depth) = self.stack.iter().rposition(|s| s.0 == place.function)
                && !place.entry
            {
                self.stack.truncate(depth + 1);
            } else if place.function == self.caller && !place.entry {
                self.inside = false;
                self.samples.push(std::mem::take(&mut self.counts));
                return;
            } else {
                self.stack.push((place.function, self.stage));
            }
        }
        let calling = self.stack.last().map_or(0, |s| s.1);
        self.stage = place.stage.unwrap_or(calling);
        self.counts[usize::from(self.stage) % STAGES_MAX] += 1;
        if self.line_counts.len() <= place.line as usize {
            self.line_counts.resize(place.line as usize + 1, 0);
        }
        self.line_counts[place.line as usize] += 1;
    }
}

/// Hexadecimal digits up to the first other byte.
fn hex(text: &[u8]) -> u64 {
    let length = text.iter().position(|b| !b.is_ascii_hexdigit()).unwrap_or(text.len());
    std::str::from_utf8(&text[..length])
        .ok()
        .and_then(|t| u64::from_str_radix(t, 16).ok())
        .unwrap_or(0)
}

/// Runs an image in a folder that holds its traces, and follows every instruction of
/// the function `step`.
pub fn follow(target: Target, image: &Path, folder: &Path, step: &str) -> Result<Profile, String> {
    let data = fs::read(image).map_err(|e| e.to_string())?;
    let file = object::File::parse(&*data).map_err(|e| e.to_string())?;
    let loader = addr2line::Loader::new(image).map_err(|e| e.to_string())?;
    let mut functions: Vec<(u64, u64, String)> = file
        .symbols()
        .filter(|s| s.kind() == SymbolKind::Text && s.size() > 0)
        .map(|s| (s.address() & !1, s.size(), s.name().unwrap_or("").to_owned()))
        .collect();
    functions.sort();
    let step = functions
        .iter()
        .find(|f| f.2 == step)
        .ok_or_else(|| format!("the image has no `{step}`"))?
        .0;
    let end = file.section_by_name(".text").map_or(0, |s| s.address() + s.size()) as usize;
    let mut places: Vec<Option<Place>> = vec![None; end / 2 + 1];
    let mut stages: Vec<String> = Vec::new();
    let mut names: Vec<String> = Vec::new();
    let mut lines_by_name: HashMap<String, u32> = HashMap::new();
    let mut locate = |pc: u64| -> Place {
        let i = functions.partition_point(|f| f.0 <= pc).saturating_sub(1);
        let entry = functions.get(i).is_some_and(|f| f.0 == pc);
        let mut outermost = None;
        let mut innermost = String::new();
        let mut in_core = false;
        if let Ok(mut frames) = loader.find_frames(pc) {
            while let Ok(Some(frame)) = frames.next() {
                let Some(location) = frame.location else { continue };
                let path = location.file.unwrap_or("").replace('\\', "/");
                if innermost.is_empty() {
                    let tail: Vec<&str> = path.rsplit('/').take(2).collect();
                    innermost =
                        format!("{}:{}", tail.first().unwrap_or(&""), location.line.unwrap_or(0));
                }
                if let Some((_, rest)) = path.split_once("firmware-core/src/") {
                    let stem = rest.trim_end_matches(".rs");
                    if !in_core {
                        innermost = format!("{rest}:{}", location.line.unwrap_or(0));
                        in_core = true;
                    }
                    // What calls the stages counts where no stage is within it.
                    if !CALLERS.contains(&stem) || outermost.is_none() {
                        outermost = Some(stem.to_owned());
                    }
                }
            }
        }
        let stage = outermost.map(|name| {
            let at = stages.iter().position(|s| *s == name).unwrap_or_else(|| {
                stages.push(name);
                stages.len() - 1
            });
            at as u16
        });
        let line = *lines_by_name.entry(innermost.clone()).or_insert_with(|| {
            names.push(innermost);
            names.len() as u32 - 1
        });
        Place { function: i as u32, entry, stage, line }
    };

    let mut command = emulator(target, image, folder, Pace::Free);
    // Every block of instructions is listed when it is first translated, and its
    // address is logged every time that it runs.
    command.args(["-d", "exec,nochain,in_asm"]);
    command.args(["-dfilter", &format!("0x0..0x{end:x}")]);
    let mut child = command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|e| format!("qemu-system-arm does not start: {e}"))?;
    let log = child.stderr.take().ok_or("no log from the emulator")?;
    let mut log = BufReader::with_capacity(1 << 20, log);
    let mut line = Vec::new();
    let mut blocks: HashMap<u64, Vec<u64>> = HashMap::new();
    let mut listing: Option<u64> = None;
    let mut walk = Walk::default();
    loop {
        line.clear();
        if log.read_until(b'\n', &mut line).map_err(|e| e.to_string())? == 0 {
            break;
        }
        if line.starts_with(b"0x") {
            let address = hex(&line[2..]);
            let first = *listing.get_or_insert(address);
            let block = blocks.entry(first).or_default();
            if first == address {
                block.clear();
            }
            block.push(address);
            continue;
        }
        listing = None;
        // `Trace 0: 0x7f... [00000000/0000abcd/...] name`
        if !line.starts_with(b"Trace") {
            continue;
        }
        let Some(open) = line.iter().position(|b| *b == b'[') else { continue };
        let Some(slash) = line[open..].iter().position(|b| *b == b'/') else { continue };
        let first = hex(&line[open + slash + 1..]);
        if !walk.inside && first != step {
            // Only the last address before the step matters: where it returns to.
            walk.outside = first;
            continue;
        }
        let Some(block) = blocks.get(&first) else {
            return Err(format!("the emulator ran {first:#x}, which it never listed"));
        };
        if !walk.inside {
            let at = (walk.outside / 2) as usize;
            if at < places.len() {
                let place = places[at].get_or_insert_with(|| locate(walk.outside));
                walk.caller = place.function;
            }
        }
        for pc in block {
            let at = (pc / 2) as usize;
            if at < places.len() {
                let place = places[at].get_or_insert_with(|| locate(*pc));
                walk.take(place, *pc == step);
            }
        }
    }
    let Walk { mut samples, line_counts, .. } = walk;
    let status = child.wait().map_err(|e| e.to_string())?;
    if !status.success() {
        return Err(format!("the emulator ended with {status}"));
    }
    for s in &mut samples {
        s.resize(stages.len(), 0);
    }
    let lines = names.into_iter().zip(line_counts).collect();
    Ok(Profile { stages, samples, lines })
}

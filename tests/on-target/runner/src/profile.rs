//! Where the instructions of a step go: every instruction that the emulator
//! executes inside the measured step is put down to the stage whose source it
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
    /// For every sample, the instructions of each stage.
    pub samples: Vec<Vec<u32>>,
    /// Instructions by source line, outside shared functions.
    pub lines: HashMap<String, u64>,
}

/// Runs an image over some traces and follows every instruction.
pub fn follow(target: Target, image: &Path, traces: &[u8]) -> Result<Profile, String> {
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
        .find(|f| f.2 == "measured_step")
        .ok_or("the image has no `measured_step`")?
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
                    innermost = format!("{}:{}", tail.first().unwrap_or(&""), location.line.unwrap_or(0));
                }
                if let Some((_, rest)) = path.split_once("firmware-core/src/") {
                    let stem = rest.trim_end_matches(".rs");
                    if !in_core {
                        innermost = format!("{rest}:{}", location.line.unwrap_or(0));
                        in_core = true;
                    }
                    if stem != "math" && (stem != "tag" || outermost.is_none()) {
                        outermost = Some(stem.to_owned());
                    }
                    if stem != "math" && stem != "tag" {
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

    let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
    fs::write(folder.path().join("traces.bin"), traces).map_err(|e| e.to_string())?;
    let mut command = emulator(target, image, folder.path(), Pace::Free);
    command.args(["-singlestep", "-d", "exec,nochain"]);
    command.args(["-dfilter", &format!("0x0..0x{end:x}")]);
    let mut child = command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|e| e.to_string())?;
    let log = child.stderr.take().ok_or("no log from the emulator")?;
    let mut log = BufReader::with_capacity(1 << 20, log);
    let mut line = Vec::new();
    let mut samples: Vec<Vec<u32>> = Vec::new();
    let mut line_counts: Vec<u64> = Vec::new();
    // Functions entered and not yet left, with the stage that called each.
    let mut stack: Vec<(u32, u16)> = Vec::new();
    let mut inside = false;
    let mut counts = Vec::new();
    let mut stage = 0_u16;
    let mut outside_function = u32::MAX;
    loop {
        line.clear();
        if log.read_until(b'\n', &mut line).map_err(|e| e.to_string())? == 0 {
            break;
        }
        // `Trace 0: 0x7f... [00000000/0000abcd/...] name`
        let Some(open) = line.iter().position(|b| *b == b'[') else { continue };
        let Some(slash) = line[open..].iter().position(|b| *b == b'/') else { continue };
        let digits = &line[open + slash + 1..];
        let length = digits.iter().position(|b| !b.is_ascii_hexdigit()).unwrap_or(digits.len());
        let text = std::str::from_utf8(&digits[..length]).unwrap_or("0");
        let pc = u64::from_str_radix(text, 16).unwrap_or(0);
        if !inside && pc != step {
            let at = (pc / 2) as usize;
            if at < places.len() {
                let place = places[at].get_or_insert_with(|| locate(pc));
                outside_function = place.function;
            }
            continue;
        }
        let at = (pc / 2) as usize;
        if at >= places.len() {
            continue;
        }
        let place = places[at].get_or_insert_with(|| locate(pc)).clone();
        if !inside {
            inside = true;
            counts = vec![0; STAGES_MAX];
            stack.clear();
            stage = place.stage.unwrap_or(0);
            stack.push((place.function, stage));
        } else if stack.last().is_some_and(|s| s.0 != place.function) {
            if let Some(depth) = stack.iter().rposition(|s| s.0 == place.function)
                && !place.entry
            {
                stack.truncate(depth + 1);
            } else if place.function == outside_function && !place.entry {
                inside = false;
                samples.push(std::mem::take(&mut counts));
                continue;
            } else {
                stack.push((place.function, stage));
            }
        }
        let caller = stack.last().map_or(0, |s| s.1);
        stage = place.stage.unwrap_or(caller);
        counts[usize::from(stage) % STAGES_MAX] += 1;
        if line_counts.len() <= place.line as usize {
            line_counts.resize(place.line as usize + 1, 0);
        }
        line_counts[place.line as usize] += 1;
    }
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

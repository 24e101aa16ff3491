//! The image's log: `defmt` frames over semihosting, decoded.

use std::process::Stdio;

use defmt_decoder::{DecodeError, Table};
use on_target_wire::trace::Mode;

use crate::target::{self, Build, Pace, TARGETS, emulator};
use crate::trace::{Bytes, Job};
use crate::{check, results};

/// Runs some traces with the log on; every decision must be in it.
pub fn all() -> Result<(), String> {
    let target = TARGETS[0];
    let image = target::build(target, &Build::of("image", "log"))?;
    let traces: Vec<_> = check::short_traces().into_iter().take(30).collect();
    let mut bytes = Bytes::default();
    for trace in &traces {
        trace.write(Job::of(Mode::Decide), &mut bytes);
    }
    let folder = target::folder(&bytes.0)?;
    let output = emulator(target, &image, folder.path(), Pace::Free)
        .stdin(Stdio::null())
        .output()
        .map_err(|e| e.to_string())?;
    let elf = std::fs::read(&image).map_err(|e| e.to_string())?;
    let table = Table::parse(&elf).map_err(|e| e.to_string())?.ok_or("the image has no log")?;
    let mut decoder = table.new_stream_decoder();
    decoder.received(&output.stdout);
    let mut lines = Vec::new();
    loop {
        match decoder.decode() {
            Ok(frame) => lines.push(frame.display_message().to_string()),
            Err(DecodeError::UnexpectedEof) => break,
            Err(DecodeError::Malformed) => return Err("a frame of the log is malformed".into()),
        }
    }
    let mut wanted = 0;
    for bytes in check::expected(&traces)? {
        wanted += results::parse(&bytes)?.iter().filter(|r| b"FLXM".contains(&r.kind)).count();
    }
    let decisions = lines.iter().find(|l| l.starts_with("fate ")).cloned().unwrap_or_default();
    if lines.len() < wanted || decisions.is_empty() {
        return Err(format!(
            "{} lines of log for {wanted} minutes, faults and decisions",
            lines.len()
        ));
    }
    println!("the log holds {} lines, such as `{decisions}`", lines.len());
    Ok(())
}

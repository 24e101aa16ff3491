//! The whole firmware, `whole-tag`, on an emulated board: through resets at drawn instants from its
//! self-test to the download. The host runs the same firmware over what the board answered: every
//! action and, at every reset, every byte of the flash must be the same. What was downloaded is compared
//! with that flash, and its minutes with the detectors alone, fed the samples without any reset.

mod board;
mod tape;

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex, mpsc};
use std::thread;
use std::time::Duration;

use firmware_core::message::{Message, checks};
use firmware_core::shell::firing::Pins;
use firmware_core::tag::Tag;
use firmware_core::types::{Cause, Event, Moment, Run};
use host_sim::unpack::{self, ImageReport};
use whole_tag::board::Parts;
use whole_tag::setup::{Deployment, LOG_BYTES};

use crate::target::{TARGETS, build_package};
use board::{Pin, Taped};
use tape::{End, SAMPLE_US, State, World, lock};

/// Deployments: half of them are armed by the magnet, half by water.
const SEEDS: u32 = 8;
/// A deployment takes a second or two to emulate; one that takes so long hangs.
const GIVEN_UP_S: u32 = 60;
/// Minutes after a reset, or after samples that are missing, in which the detectors of a tag that was
/// reset may differ from those of one that was not: its copy is up to five minutes old.
const SETTLED_MIN: f64 = 6.0;

/// What a deployment came to.
struct Outcome {
    report: ImageReport,
    world: World,
    noise: usize,
}

/// A minute, as far as it is compared.
#[derive(Debug)]
struct Row {
    t_s: f64,
    beats_per_min: Option<f32>,
    vedba_g: f32,
    pitch_deg: f32,
    depth_m: Option<f32>,
}

fn emulate(image: &Path, folder: &Path, seed: u32) -> Result<(), String> {
    fs::write(folder.join("seed.bin"), seed.to_le_bytes()).map_err(|e| e.to_string())?;
    let mut emulator = Command::new("qemu-system-arm")
        .current_dir(folder)
        .args(["-M", TARGETS[0].machine, "-nographic", "-monitor", "none"])
        .args(["-serial", "file:serial.bin"])
        .args(["-semihosting-config", "enable=on,target=native"])
        // Time goes on while the processor sleeps, and costs nothing.
        .args(["-icount", "shift=6,sleep=off"])
        .arg("-kernel")
        .arg(image)
        .stdin(Stdio::null())
        .spawn()
        .map_err(|e| format!("qemu-system-arm does not start: {e}"))?;
    for _ in 0..GIVEN_UP_S * 20 {
        match emulator.try_wait().map_err(|e| e.to_string())? {
            Some(status) if status.success() => return Ok(()),
            Some(status) => return Err(format!("the firmware ended with {status}")),
            None => thread::sleep(Duration::from_millis(50)),
        }
    }
    let _ = (emulator.kill(), emulator.wait());
    Err(format!("the firmware came to no end within {GIVEN_UP_S} s"))
}

/// Runs the firmware over a tape; gives the flash and what the tape told.
fn on_host(bytes: Vec<u8>) -> Result<(Vec<u8>, World), String> {
    let state = Arc::new(Mutex::new(State::new(bytes)));
    loop {
        lock(&state).boot()?;
        let (end, ends) = mpsc::channel();
        let board = Taped::new(state.clone(), end.clone());
        // A boot that a reset ends stops where it is, so its thread is left there.
        thread::Builder::new()
            .stack_size(4 << 20)
            .spawn(move || {
                let pins = Pins { arm: Pin::new(&board, false), fire: Pin::new(&board, true) };
                let parts = Parts { flash: board.clone(), pins };
                whole_tag::firmware::run(&mut board.clone(), parts, &Deployment::TRIAL);
                let _ = end.send(End::Done);
            })
            .map_err(|e| e.to_string())?;
        match ends.recv().map_err(|_| "the firmware panicked on the host")? {
            End::Reset => {}
            End::Differs(why) => return Err(why),
            End::Done => break,
        }
    }
    let mut state = lock(&state);
    state.ended()?;
    Ok((std::mem::take(&mut state.flash), std::mem::take(&mut state.world)))
}

/// What was downloaded is what the flash held: behind it came the end, in bytes that were blank.
fn handed_over(image: &[u8], flash: &[u8]) -> bool {
    let later = image.iter().zip(flash).filter(|(got, held)| got != held);
    image.len() == flash.len()
        && later.clone().count() < 64
        && later.into_iter().all(|(got, _)| *got == 0xFF)
}

fn deployment(image: &Path, seed: u32) -> Result<Outcome, String> {
    let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
    emulate(image, folder.path(), seed)?;
    let tape = fs::read(folder.path().join("tape.bin")).map_err(|e| format!("no tape: {e}"))?;
    let (flash, world) = on_host(tape)?;
    let download = unpack::read_port(&folder.path().join("serial.bin"));
    let download = download.map_err(|e| e.to_string())?;
    if !download.whole() || !handed_over(&download.image, &flash[..LOG_BYTES as usize]) {
        return Err(format!(
            "what was downloaded is not what the host has: {} bytes missing",
            download.missing
        ));
    }
    let report = unpack::of_bytes("download", &download.image, None).map_err(|e| e.to_string())?;
    Ok(Outcome { report, world, noise: download.damaged })
}

/// The detectors alone, over every sample that the tag read since it began, in world time.
fn without_resets(world: &World) -> Option<Vec<Row>> {
    let begun_us = world.begun_us?;
    let plan = Deployment::TRIAL.plan()?;
    let mut tag = Tag::new(plan.config);
    let mut rows = Vec::new();
    let mut depths = world.depths.iter().peekable();
    let mut samples = world.samples.iter().copied().peekable();
    while let Some((first, counts)) = samples.next() {
        let at_us = |n: u32| (u64::from(n) + 1) * SAMPLE_US;
        let Some(t_us) = at_us(first).checked_sub(begun_us) else { continue };
        let mut accel_g = vec![counts.map(|c| f32::from(c) / 256.0)];
        while let Some((_, counts)) =
            samples.next_if(|(n, _)| accel_g.len() < 25 && *n == first + accel_g.len() as u32)
        {
            accel_g.push(counts.map(|c| f32::from(c) / 256.0));
        }
        let mut run = Run::accel(t_us, SAMPLE_US as u32, &accel_g);
        while let Some((_, depth_m)) = depths.next_if(|(us, _)| *us <= at_us(first)) {
            run.depth_m = Some(*depth_m);
        }
        tag.feed(&run, &mut |event: &Event, _: &Moment<'_>| {
            if let Event::Minute(m) = event {
                rows.push(Row {
                    t_s: m.t_us as f64 / 1e6,
                    beats_per_min: m.beats_per_min,
                    vedba_g: m.vedba_g,
                    pitch_deg: m.pitch_deg,
                    depth_m: m.depth_m,
                });
            }
        });
    }
    Some(rows)
}

/// Compares the minutes that lie far enough behind a reset; gives how many, and those that differ.
fn compare(outcome: &Outcome) -> Result<(usize, Vec<String>), String> {
    let world = &outcome.world;
    if outcome.report.events.iter().any(|e| e.event == "begun") {
        // Its time counts from a launch of its own.
        return Ok((0, Vec::new()));
    }
    let want = without_resets(world).ok_or("the firmware never began its deployment")?;
    let begun_us = world.begun_us.unwrap_or_default();
    // Where samples are missing, which they are around every reset.
    let gaps = world.samples.windows(2).filter(|pair| pair[1].0 != pair[0].0 + 1);
    let since_s = |n: u32| (u64::from(n) * SAMPLE_US) as f64 / 1e6 - begun_us as f64 / 1e6;
    let gaps_s: Vec<(f64, f64)> =
        gaps.map(|pair| (since_s(pair[0].0), since_s(pair[1].0))).collect();
    let near = |a: f32, b: f32, within: f32| (a - b).abs() <= within;
    let (mut compared, mut differ) = (0, Vec::new());
    for got in &outcome.report.minutes {
        let (from_s, end_s) = (got.t_s - 60.0 * SETTLED_MIN, got.t_s + 60.0);
        if gaps_s.iter().any(|(lost_s, back_s)| *lost_s < end_s && from_s < *back_s) {
            continue;
        }
        let Some(want) = want.iter().find(|m| (m.t_s - got.t_s).abs() < 0.5) else { continue };
        compared += 1;
        let beats = match (got.beats_per_min, want.beats_per_min) {
            (Some(a), Some(b)) => near(a, b, 0.02 * b),
            (a, b) => a.is_some() == b.is_some(),
        };
        let depth = match (got.depth_m, want.depth_m) {
            (Some(a), Some(b)) => near(a, b, 0.5),
            (a, b) => a.is_some() == b.is_some(),
        };
        if !(beats
            && depth
            && near(got.vedba_g, want.vedba_g, 0.03 * want.vedba_g)
            && near(got.pitch_deg, want.pitch_deg, 2.0))
        {
            differ.push(format!("{got:?}, and without resets {want:?}"));
        }
    }
    Ok((compared, differ))
}

/// What every deployment has to come to.
fn sound(outcome: &Outcome) -> Result<(), String> {
    let Outcome { report, world, .. } = outcome;
    let start = report.start.ok_or("no start in the log")?;
    let release = report.events.iter().find(|e| e.event == "release").ok_or("no release")?;
    let ceiling_s = f64::from(start.ceiling_h) * 3600.0;
    if !(ceiling_s - 1.0..ceiling_s + 60.0).contains(&release.t_s) {
        return Err(format!("released at {} s, the ceiling is {ceiling_s} s", release.t_s));
    }
    let resets = report.events.iter().filter(|e| e.event == "reset").count();
    let begun_us = world.begun_us.unwrap_or_default();
    let boots = world.boots_us.iter().filter(|us| **us > begun_us).count();
    if resets > boots || resets + 1 < boots {
        return Err(format!("{resets} resets are in the log, {boots} there were"));
    }
    let floor_us = begun_us as f64 + f64::from(start.floor_h) * 3.6e9;
    if let Some((us, m)) = world.pulls.iter().find(|(us, m)| *m <= 0.5 || (*us as f64) < floor_us) {
        return Err(format!("fired at {m} m, {us} us"));
    }
    if world.pulls.is_empty() || !report.missing.is_empty() {
        return Err(format!("{} pulls, missing: {:?}", world.pulls.len(), report.missing));
    }
    let last = world.messages.last().and_then(|m| m.first_chunk()).ok_or("no message")?;
    let facts = Message::decode(last).map_err(|_| "a message is not sound")?.facts;
    let verified = facts.checks & checks::RELEASE_VERIFIED != 0;
    if !(verified
        && facts.deployment == Deployment::TRIAL.number
        && facts.cause == Some(Cause::Ceiling))
    {
        return Err(format!("the beacon reports {facts:?}"));
    }
    Ok(())
}

/// Builds, runs, compares.
pub fn all() -> Result<(), String> {
    let image = build_package(TARGETS[0], "whole-tag", "emulated", "")?;
    // Compiled for a real chip; it is not run.
    build_package(TARGETS[0], "whole-tag", "nrf52840", "nrf52840")?;
    let (mut compared, mut minutes, mut noise) = (0, 0, 0);
    let (mut boots, mut watchdog, mut in_pulse, mut in_writing) = (0, 0, 0, 0);
    for seed in 1..=SEEDS {
        let of = |e: String| format!("seed {seed}: {e}");
        let outcome = deployment(&image, seed).map_err(of)?;
        sound(&outcome).map_err(of)?;
        let (n, differ) = compare(&outcome).map_err(of)?;
        if !differ.is_empty() {
            return Err(of(format!("{} minutes differ:\n{}", differ.len(), differ.join("\n"))));
        }
        let world = &outcome.world;
        compared += n;
        minutes += outcome.report.minutes.len();
        noise += usize::from(outcome.noise > 0);
        boots += world.boots_us.len() - 1;
        watchdog += world.watchdog;
        in_pulse += world.in_pulse;
        in_writing += world.in_writing;
    }
    println!(
        "the whole firmware: {SEEDS} deployments through {boots} resets ({watchdog} by the watchdog, \
         {in_writing} within a write to the flash, {in_pulse} within a pulse of the release): every \
         action and every byte of the flash as on the host; {minutes} minutes downloaded, {compared} of \
         them far from a reset and as without any; {noise} downloads over a noisy line"
    );
    // A check that met no case proves nothing.
    let met = [compared, watchdog, in_pulse, in_writing, noise];
    if met.contains(&0) { Err(format!("some case never came: {met:?}")) } else { Ok(()) }
}

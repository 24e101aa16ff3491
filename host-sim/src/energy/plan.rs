//! From a tag file to currents: what every phase draws, by part.

use crate::tag_file::{Duty, Load, Phase, PhaseKind, TagFile};

/// uC a second are uA; a mA is a thousand of them.
const MA_PER_UA: f64 = 1e-3;
/// Bytes of a page of flash, the piece that is written at a time (common practice, no source).
const PAGE_BYTES: f64 = 256.0;

/// What a sweep varies on the phases on the animal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Choice {
    /// Samples a second, Hz.
    pub sample_hz: f64,
    /// Sampling by turns; `None`: all the time.
    pub duty: Option<Duty>,
    /// Bytes recorded a day on the animal, as measured or worked out.
    pub record_bytes_per_day: f64,
    /// Instructions of the detectors a sample while sampling, see [`super::cost`].
    pub instructions_per_sample: f64,
    /// Ceiling on the animal, h; `None`: that of the tag file.
    pub ceiling_h: Option<f64>,
}

/// Pulses of one part in one phase.
#[derive(Clone, Debug, PartialEq)]
pub struct Train {
    /// Index into [`Plan::parts`].
    pub part: usize,
    /// What one pulse is called, as `satellite message`.
    pub pulse_name: String,
    /// [length in s, current in mA], in order.
    pub steps: Vec<[f64; 2]>,
    /// From start to start, s; the first at the start of the phase.
    pub period_s: f64,
    /// Seconds a day, from the start of the phase on.
    pub day_s: f64,
    /// Mean current while active, mA.
    pub mean_ma: f64,
}

/// A pulse of sampling itself: too short to count for more than its charge, but it sags.
#[derive(Clone, Debug, PartialEq)]
pub struct OwnPulse {
    /// What it is called.
    pub name: &'static str,
    /// Length, s, and current, mA.
    pub step: [f64; 2],
}

/// Mean current of a part while sampling and while not, mA, without pulse trains.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// Index into [`Plan::parts`].
    pub part: usize,
    /// While sampling, mA.
    pub on_ma: f64,
    /// Between, mA.
    pub off_ma: f64,
}

/// A phase in currents.
#[derive(Clone, Debug, PartialEq)]
pub struct PhasePlan {
    /// Its name.
    pub name: String,
    /// Where the tag is.
    pub kind: PhaseKind,
    /// Length by the schedule, s.
    pub length_s: f64,
    /// Temperature of the cell, deg C.
    pub temp_c: f64,
    /// Sampling by turns; `None`: it is always "on".
    pub duty: Option<Duty>,
    /// Currents by part.
    pub shares: Vec<Share>,
    /// Pulse trains.
    pub trains: Vec<Train>,
    /// Pulses while sampling.
    pub own_pulses: Vec<OwnPulse>,
    /// Sum of the shares while sampling, mA.
    pub on_ma: f64,
    /// Sum of the shares between, mA.
    pub off_ma: f64,
    /// Bytes recorded a second, on average over turns.
    pub bytes_per_s: f64,
}

/// A deployment in currents.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Names of parts.
    pub parts: Vec<String>,
    /// Phases in order.
    pub phases: Vec<PhasePlan>,
    /// Steps of one firing of the release, [s, mA].
    pub firing: Vec<[f64; 2]>,
    /// Firings paid for.
    pub attempts: f64,
    /// Part of the charge at which the tag lets go.
    pub reserve_fraction: f64,
    /// When the passive link parts, s after the animal was let go.
    pub passive_link_s: Option<f64>,
    /// Memory that counts as full, bytes.
    pub memory_bytes: f64,
    /// Pulses of different parts may fall together.
    pub coincide: bool,
}

/// Parts that every tag has, in the order of reports.
const OWN_PARTS: [&str; 12] = [
    "mcu, asleep",
    "mcu, sampling",
    "detectors",
    "accelerometer",
    "depth sensor",
    "memory",
    "leakage",
    "release",
    "shell",
    "bus",
    "pressure",
    "copies",
];
/// Index of the detectors in [`Plan::parts`].
pub const DETECTORS_PART: usize = 2;
/// Index of the release.
pub const RELEASE_PART: usize = 7;
/// Index of clocks, water, release driver and log.
pub const SHELL_PART: usize = 8;
/// Index of reading the accelerometer.
pub const BUS_PART: usize = 9;
/// Index of reading the pressure sensor, without its own current.
pub const PRESSURE_PART: usize = 10;
/// Index of the copies of state.
pub const COPIES_PART: usize = 11;

impl Plan {
    /// Of a tag; `choice` replaces what its file says of sampling on the animal.
    pub fn new(tag: &TagFile, choice: Option<&Choice>) -> Self {
        let mut parts: Vec<String> = OWN_PARTS.map(str::to_owned).into();
        parts.extend(tag.loads.iter().map(|l| l.name.replace('_', " ")));
        let mut phases: Vec<PhasePlan> = tag.phases.iter().map(|p| phase(tag, p, choice)).collect();
        if let Some(ceiling_h) = choice.and_then(|c| c.ceiling_h) {
            ceil(&mut phases, ceiling_h * 3600.0);
        }
        let full = f64::from(firmware_core::config::Release::DEFAULT.memory_full_fraction);
        Plan {
            parts,
            phases,
            firing: tag.release.firing.steps(),
            attempts: tag.release.attempts,
            reserve_fraction: tag.release.reserve_fraction,
            passive_link_s: tag.passive_link_days.as_ref().map(|d| d.value * 86_400.0),
            memory_bytes: tag
                .memory_mib
                .as_ref()
                .map_or(f64::INFINITY, |m| full * m.value * 1024.0 * 1024.0),
            coincide: tag.pulses_coincide,
        }
    }
}

/// Brings the end of the last phase on the animal to `ceiling_s`, and leaves out
/// phases on the animal that would start later.
fn ceil(phases: &mut Vec<PhasePlan>, ceiling_s: f64) {
    let mut start = 0.0;
    let mut last = None;
    let mut n = 0;
    phases.retain_mut(|p| {
        let keep = p.kind != PhaseKind::Animal || start < ceiling_s;
        if p.kind == PhaseKind::Animal {
            p.length_s = p.length_s.min((ceiling_s - start).max(0.0));
            start += p.length_s;
            if keep {
                last = Some(n);
            }
        }
        n += usize::from(keep);
        keep
    });
    if let Some(last) = last {
        phases[last].length_s += (ceiling_s - start).max(0.0);
    }
}

fn phase(tag: &TagFile, p: &Phase, choice: Option<&Choice>) -> PhasePlan {
    let choice = choice.filter(|_| p.kind == PhaseKind::Animal);
    let sample_hz = choice.map_or(p.sample_hz, |c| c.sample_hz);
    let duty = match choice {
        Some(c) => c.duty.filter(|d| d.on_s < d.period_s),
        None => p.duty,
    };
    let on_part = duty.map_or(1.0, |d| d.on_s / d.period_s);
    let instructions = match choice {
        Some(c) => c.instructions_per_sample,
        None if p.detectors => tag.mcu.instructions(sample_hz),
        None => 0.0,
    };

    let bytes_per_s = match choice {
        Some(c) => c.record_bytes_per_day / 86_400.0,
        None => bytes_per_s(tag, p, sample_hz, on_part),
    };
    let mut shares = processor(tag, p, sample_hz, instructions);
    let mut own_pulses = Vec::new();
    depth(tag, p, &mut shares, &mut own_pulses);
    // While sampling they are written faster.
    memory(tag, bytes_per_s / on_part, &mut shares, &mut own_pulses);
    let leakage = tag.supply.leakage_ua.value * MA_PER_UA;
    shares.push(Share { part: 6, on_ma: leakage, off_ma: leakage });

    let mut trains = Vec::new();
    for &n in &p.parts {
        let Some(load) = tag.loads.get(n) else { continue };
        let part = OWN_PARTS.len() + n;
        let steady = load.steady_ua.value * MA_PER_UA;
        shares.push(Share { part, on_ma: steady, off_ma: steady });
        trains.extend(train(load, part));
    }
    PhasePlan {
        name: p.name.clone(),
        kind: p.kind,
        length_s: (p.end_h - p.start_h) * 3600.0,
        temp_c: p.temp_c.value,
        duty,
        on_ma: shares.iter().map(|s| s.on_ma).sum(),
        off_ma: shares.iter().map(|s| s.off_ma).sum(),
        shares,
        trains,
        own_pulses,
        bytes_per_s,
    }
}

/// Bytes recorded a second of wall time, sampling for `on_part` of it.
fn bytes_per_s(tag: &TagFile, p: &Phase, sample_hz: f64, on_part: f64) -> f64 {
    let records = p.records.iter().filter_map(|&n| tag.records.get(n));
    let each = records.map(|r| {
        let b = &r.bytes;
        let on = b.bytes_per_sample.value * sample_hz
            + if sample_hz > 0.0 { b.bytes_per_minute.value / 60.0 } else { 0.0 };
        on_part * on + b.bytes_per_day.value / 86_400.0
    });
    each.sum()
}

/// The processor with what it runs and reads, the accelerometer, and copies of state.
fn processor(tag: &TagFile, p: &Phase, sample_hz: f64, instructions: f64) -> Vec<Share> {
    let mcu = &tag.mcu;
    let run_ma = mcu.run_ua_per_mhz.value * mcu.clock_mhz.value * MA_PER_UA;
    let awake = |us: f64| sample_hz * us * 1e-6 * run_ma;
    let split = mcu.split(sample_hz, instructions);
    let run = |count: f64| awake(count * mcu.cycles_per_instruction.value / mcu.clock_mhz.value);
    let reckoner = tag.reckoner();
    let fifo_ma = match &mcu.read_us {
        Some(read_us) => awake(read_us.value),
        None if sample_hz > 0.0 => reckoner.fifo_ua(sample_hz) * MA_PER_UA,
        None => 0.0,
    };
    let accel = &tag.accelerometer;
    let standby_ma = accel.standby_ua.value * MA_PER_UA;
    let accel_ma =
        if sample_hz > 0.0 { accel.current_ua_by_hz.at(sample_hz) * MA_PER_UA } else { standby_ma };
    let sleep_ma = mcu.sleep_ua.value * MA_PER_UA;
    let mut shares = vec![
        Share { part: 0, on_ma: sleep_ma, off_ma: sleep_ma },
        Share { part: 1, on_ma: awake(mcu.wake_us.value), off_ma: 0.0 },
        Share { part: DETECTORS_PART, on_ma: run(split.detectors), off_ma: 0.0 },
        Share { part: SHELL_PART, on_ma: run(split.shell), off_ma: 0.0 },
        Share { part: BUS_PART, on_ma: fifo_ma, off_ma: 0.0 },
        Share { part: 3, on_ma: accel_ma, off_ma: standby_ma },
    ];
    if p.detectors {
        // By time, not by sample: they go on while the sensors sleep.
        let copies_ma = run(split.copies) + reckoner.copies_ua(&tag.copies) * MA_PER_UA;
        shares.push(Share { part: COPIES_PART, on_ma: copies_ma, off_ma: copies_ma });
    }
    shares
}

/// The depth sensor, and reading it.
fn depth(tag: &TagFile, p: &Phase, shares: &mut Vec<Share>, own_pulses: &mut Vec<OwnPulse>) {
    let Some(depth) = &tag.depth_sensor else { return };
    let standby = depth.standby_ua.value * MA_PER_UA;
    let reading_s = depth.reading_ms.value * 1e-3;
    // Readings one after the other at most.
    let part = (p.depth_hz * reading_s).min(1.0);
    shares.push(Share { part: 4, on_ma: standby + part * depth.reading_ma.value, off_ma: standby });
    let read_uc = tag.reckoner().pressure_uc(depth.wait_ms.value);
    let read_ma = part / reading_s * read_uc * MA_PER_UA;
    shares.push(Share { part: PRESSURE_PART, on_ma: read_ma, off_ma: 0.0 });
    if p.depth_hz > 0.0 {
        let step = [reading_s, depth.reading_ma.value];
        own_pulses.push(OwnPulse { name: "depth reading", step });
    }
}

/// The memory, `bytes_on` recorded a second while sampling.
fn memory(tag: &TagFile, bytes_on: f64, shares: &mut Vec<Share>, own_pulses: &mut Vec<OwnPulse>) {
    let Some(flash) = &tag.flash else { return };
    let idle = flash.idle_ua.value * MA_PER_UA;
    let per_byte_uc = flash.write_uc_per_byte.value + flash.erase_uc_per_byte.value;
    let on_ma = idle + bytes_on * per_byte_uc * MA_PER_UA;
    shares.push(Share { part: 5, on_ma, off_ma: idle });
    if let Some(ma) = flash.write_ma.as_ref().filter(|_| bytes_on > 0.0) {
        let page_s = PAGE_BYTES * flash.write_uc_per_byte.value * 1e-3 / ma.value;
        own_pulses.push(OwnPulse { name: "memory write", step: [page_s, ma.value] });
    }
}

fn train(load: &Load, part: usize) -> Option<Train> {
    let pulses = load.pulses.as_ref()?;
    let steps = pulses.shape.steps();
    let length: f64 = steps.iter().map(|s| s[0]).sum();
    let charge: f64 = steps.iter().map(|s| s[0] * s[1]).sum();
    // A draw may make pulses longer than their period: then they follow without rest.
    let period_s = pulses.period_s.value.max(length);
    let name = if load.pulse_name == "pulse" {
        format!("{} pulse", load.name.replace('_', " "))
    } else {
        load.pulse_name.to_owned()
    };
    Some(Train {
        part,
        pulse_name: name,
        steps,
        period_s,
        day_s: pulses.hours_per_day * 3600.0,
        mean_ma: charge / period_s,
    })
}

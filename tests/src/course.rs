//! Records as a deployment would leave them, made from numbers alone.

use firmware_core::store::log::{Log, LogError};
use firmware_core::store::record::{
    Burst, FateEvent, FaultEvent, Hour, LaunchEvent, Record, RecoveryEvent, ReleaseEvent,
    ResetEvent, StartEvent,
};
use firmware_core::types::{
    Cause, FAULT_KINDS, Fate, FateReport, LaunchReport, LaunchStep, LaunchedBy, Minute,
    RecoveryReport, ReleaseDecision, State,
};

/// The `n`-th minute.
pub fn minute(n: u32) -> Minute {
    let x = (n % 97) as f32;
    Minute {
        t_us: u64::from(n) * 60_000_000,
        beats_per_min: (!n.is_multiple_of(13)).then_some(30.0 + x / 8.0),
        sway_g: x / 1024.0,
        odba_g: x / 512.0,
        vedba_g: x / 256.0,
        pitch_deg: 0.0,
        roll_deg: 0.0,
        depth_m: (!n.is_multiple_of(7)).then_some(x * 2.0),
        state: if n.is_multiple_of(5) { State::Resting } else { State::Swimming },
    }
}

/// The `n`-th record of a run in which most are minutes.
pub fn record(n: u32) -> Record {
    let t_us = u64::from(n) * 60_000_000;
    match n {
        0 => Record::Start(StartEvent {
            deployment: 7,
            start_unix_s: Some(1_925_000_000),
            sample_hz: 25.0,
            floor_h: 6.0,
            ceiling_h: 48.0,
        }),
        _ if n % 60 == 59 => Record::Hour(Hour {
            number: (n / 60) as u16,
            minutes: 60,
            swimming: 48,
            resting: 12,
            state: State::Swimming,
            beats_per_min: Some(31.5),
            sway_g: 0.0625,
            odba_g: 0.125,
            vedba_g: 0.125,
            vedba_max_g: 0.5,
            pitch_deg: 0.0,
            pitch_sd_deg: 0.0,
            depth_m: Some(12.0),
            depth_min_m: Some(2.0),
            depth_max_m: Some(30.5),
            cell_left: Some(0.5),
            faults: [0, 1, 2, 3, 4, n as u16],
        }),
        _ if n.is_multiple_of(41) => Record::Fate(FateEvent {
            report: FateReport {
                fate: Fate::Dead,
                event_us: t_us,
                decided_us: t_us + 1,
                evidence: n as f32 * 0.1,
            },
            minute: Some(minute(n)),
        }),
        _ if n.is_multiple_of(43) => Record::Recovery(RecoveryEvent {
            t_us,
            report: RecoveryReport {
                t_s: n as f32,
                se_s: 300.0,
                prob: 0.5,
                decided_us: n.is_multiple_of(2).then_some(t_us),
            },
        }),
        _ if n.is_multiple_of(47) => Record::Release(ReleaseEvent {
            decision: ReleaseDecision {
                t_us,
                cause: Cause::Death,
                since_us: t_us - 9,
                value: 12.5,
                bound: 9.25,
            },
            minute: None,
        }),
        _ if n.is_multiple_of(53) => {
            Record::Fault(FaultEvent { t_us, kind: FAULT_KINDS[(n % 6) as usize], count: n })
        }
        _ if n.is_multiple_of(59) => {
            Record::Reset(ResetEvent { t_us, out_us: Some(5), count: n as u16, reason: 3 })
        }
        _ if n.is_multiple_of(61) => Record::Launch(LaunchEvent {
            report: LaunchReport {
                step: LaunchStep::Launched(LaunchedBy::Depth),
                t_us,
                depth_m: Some(12.0),
                deep_s: 240.5,
                pose_s: 3.0,
            },
            ago_us: 0,
            numbers: [0, 1, n],
        }),
        _ if n.is_multiple_of(9) => {
            let mut burst = Burst::new(t_us, 25.0, 4096.0);
            for i in 0..n % 37 + 1 {
                let _ = burst.push([i as f32 / 4096.0, -0.5, if i == 3 { f32::NAN } else { 1.0 }]);
            }
            Record::Burst(burst)
        }
        _ => Record::Minute(minute(n)),
    }
}

/// Puts a record into a log.
///
/// # Errors
/// That of the log.
pub fn append<F: embedded_storage::nor_flash::NorFlash>(
    log: &mut Log<F>,
    record: &Record,
) -> Result<(), LogError> {
    match record {
        Record::Start(x) => log.append(x),
        Record::Reset(x) => log.append(x),
        Record::Minute(x) => log.append(x),
        Record::Hour(x) => log.append(x),
        Record::Fate(x) => log.append(x),
        Record::Recovery(x) => log.append(x),
        Record::Release(x) => log.append(x),
        Record::Fault(x) => log.append(x),
        Record::Burst(x) => log.append(x),
        Record::Own(x) => log.append(x),
        Record::OwnNames(x) => log.append(x),
        Record::Launch(x) => log.append(x),
        Record::End(x) => log.append(x),
        Record::Identity(x) => log.append(x),
    }
}

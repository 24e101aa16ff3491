//! The outcome of one leaf in the form in which a replay reports, to be judged.

use firmware_core::types::Fate;

use super::fan::Outcome;
use crate::own::OwnEvents;
use crate::replay::{
    BeatTimes, Beats, EndReport, EnergyUse, FileFacts, LaunchReport, Memory, Minute, ReleaseReport,
    Report, cause_name, fate_name, seconds,
};

/// A report of what a judge looks at; faults and the measures of minutes are left
/// out. `own` are the settings of the registered detector. With `found`, beats and minutes are in it.
pub fn report(o: &Outcome, facts: &FileFacts, duration_s: f64, own: &[f32], found: bool) -> Report {
    let first_t_s = facts.first_t_s;
    let at = |tag_us| o.clock.at_s(tag_us, first_t_s);
    let (fate, fate_detail) = fate_name(o.fate);
    let decided = o.fates.last().filter(|f| f.fate == o.fate);
    let happened = decided.filter(|f| !matches!(f.fate, Fate::Alive | Fate::Undetermined));
    let recovered = o.recovery.filter(|r| r.decided_us.is_some());
    let estimate = |t_s| o.clock.estimate_s(t_s, first_t_s);
    Report {
        injected: None,
        schema: 1,
        trace: facts.trace.clone(),
        id: facts.id.clone(),
        samples: 0,
        first_t_s,
        duration_s,
        sample_hz: facts.sample_hz,
        launch: LaunchReport::new(facts),
        end: EndReport::new(facts),
        fate,
        fate_detail,
        fate_t_s: happened.map(|f| at(f.event_us)),
        fate_decided_t_s: decided.map(|f| at(f.decided_us)),
        fate_evidence: decided.map(|f| f.evidence),
        recovery_t_s: recovered.map(|r| estimate(r.t_s)),
        recovery_decided_t_s: recovered.and_then(|r| r.decided_us).map(at),
        recovery_estimate_t_s: o.recovery.map(|r| estimate(r.t_s)),
        recovery_se_s: o.recovery.map(|r| r.se_s),
        recovery_prob: o.recovery.map(|r| r.prob),
        release: ReleaseReport {
            t_s: o.release.map(|d| at(d.t_us)),
            cause: o.release.map_or("none", |d| cause_name(d.cause)),
            value: o.release.map(|d| d.value),
            bound: o.release.map(|d| d.bound),
            since_s: o.release.map(|d| at(d.since_us)),
        },
        beats: Beats {
            count: o.found.beats_us.len() as u64,
            times_s: found.then(|| {
                let written = o.found.beats_us.iter().map(|&us| o.clock.written_us(us));
                BeatTimes::new(written.collect(), first_t_s)
            }),
        },
        minutes: found.then(|| {
            let written = |&(us, beats)| minute((o.clock.written_us(us), beats), first_t_s);
            o.found.minutes.iter().map(written).collect()
        }),
        own: OwnEvents::of(&o.own, own, at),
        faults: Vec::new(),
        energy: EnergyUse { used_mah: o.used_mah, left_fraction: o.left_fraction },
        memory: Memory {
            record_bytes: o.record_bytes,
            used_fraction: (f64::from(o.record_bytes) / facts.memory_bytes).min(1.0),
        },
        facts: facts.clone(),
    }
}

fn minute((t_us, beats_per_min): (u64, Option<f32>), first_t_s: f64) -> Minute {
    Minute {
        t_s: seconds(t_us, first_t_s),
        beats_per_min,
        sway_g: 0.0,
        odba_g: 0.0,
        vedba_g: 0.0,
        pitch_deg: 0.0,
        roll_deg: 0.0,
        depth_m: None,
        state: "unknown",
    }
}

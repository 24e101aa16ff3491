//! Can a death be confirmed before the ceiling, sampling by turns?
//!
//! The fate test of the tag gathers `ln(1000)/L` of evidence in every minute of
//! which at least 60 % was recorded, and decides at `ln(1/false_death_prob)`
//! (`docs/detectors.md`). Minutes that were not recorded say nothing. So the minutes
//! that a decision needs stretch with the duty cycle, and turns that never cover
//! most of a minute never decide at all.

use firmware_core::config::{Breathing, Detector, Release};
use serde::Serialize;

use crate::tag_file::Duty;

/// Part of a minute that must be recorded for it to be evidence, as in the fate test.
const GOOD_MIN: f64 = 0.6;
/// What is lost at the start of each turn while the running means fill, s.
const WARM_UP_S: f64 = 3.0;
/// Turns looked at for how their minutes fall.
const TURNS: u32 = 720;

/// Whether a death could be told in time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DeathJudgement {
    /// Minutes of lifeless recording that the decision needs.
    pub evidence_min: f64,
    /// Minutes that count in an hour, 0 to 60.
    pub counted_min_per_h: f64,
    /// From death to its confirmation, h; `None`: never.
    pub confirm_h: Option<f64>,
    /// The ceiling, h.
    pub ceiling_h: f64,
    /// A death at the very start would be confirmed before the ceiling.
    pub possible: bool,
    /// The same in words; empty where there is nothing to warn of.
    pub warning: Option<String>,
}

/// Minutes that count as evidence in an hour, with sampling by turns.
fn counted_min_per_h(duty: Option<Duty>) -> f64 {
    let Some(duty) = duty.filter(|d| d.on_s < d.period_s) else { return 60.0 };
    let mut counted = 0_u64;
    let mut minute = -1.0;
    let mut covered_s = 0.0;
    for n in 0..TURNS {
        let from = f64::from(n) * duty.period_s + WARM_UP_S;
        let to = f64::from(n) * duty.period_s + duty.on_s;
        let mut at = from;
        while at < to {
            let this = (at / 60.0).floor();
            if this != minute {
                (minute, covered_s) = (this, 0.0);
            }
            let end = to.min((this + 1.0) * 60.0);
            let before = covered_s;
            covered_s += end - at;
            if before < GOOD_MIN * 60.0 && covered_s >= GOOD_MIN * 60.0 {
                counted += 1;
            }
            at = end;
        }
    }
    counted as f64 / (f64::from(TURNS) * duty.period_s / 3600.0)
}

/// Judges whether a death on the animal can be confirmed before `ceiling_h` with the
/// detector and release settings given, in this breathing mode, with or without depth,
/// sampling all the time or by turns.
pub fn judge_death(
    detector: &Detector,
    release: &Release,
    breathing: Breathing,
    has_depth: bool,
    duty: Option<Duty>,
    ceiling_h: f64,
) -> DeathJudgement {
    let (pause_min, no_depth) = match breathing {
        Breathing::Ram => (f64::from(detector.ram_pause_min), 0.6),
        Breathing::Buccal => (f64::from(detector.buccal_pause_h) * 60.0, 0.85),
    };
    let pace = if has_depth { 1.0 } else { no_depth };
    let wanted = -f64::from(detector.false_death_prob).ln();
    let evidence_min = wanted / (1000.0_f64.ln() / pause_min * pace);
    let counted = counted_min_per_h(duty);
    let confirm_h = (counted > 0.0)
        .then(|| evidence_min / counted + f64::from(release.death_confirm_min) / 60.0);
    let possible = confirm_h.is_some_and(|h| h < ceiling_h);
    let mode = match breathing {
        Breathing::Ram => "a ram ventilator",
        Breathing::Buccal => "a buccal pumper",
    };
    let turns = duty.filter(|d| d.on_s < d.period_s).map_or("all the time".to_owned(), |d| {
        format!("{} min in every {} min", brief(d.on_s / 60.0), brief(d.period_s / 60.0))
    });
    let warning = match confirm_h {
        None => Some(format!(
            "A death can never be told: sampling {turns}, no minute is recorded to 60 %, and the \
             detector passes over such minutes."
        )),
        Some(h) if !possible => Some(format!(
            "A death cannot be confirmed before the ceiling: sampling {turns}, {mode} that dies at \
             once is known to be dead after {} h; the ceiling is {} h.",
            brief(h),
            brief(ceiling_h)
        )),
        Some(h) if h > 0.5 * ceiling_h => Some(format!(
            "Most deaths will not be confirmed before the ceiling: sampling {turns}, it takes {} h \
             to know that {mode} is dead; the ceiling is {} h, so only a death in the first {} h \
             is told.",
            brief(h),
            brief(ceiling_h),
            brief(ceiling_h - h)
        )),
        Some(_) => None,
    };
    DeathJudgement {
        evidence_min,
        counted_min_per_h: counted,
        confirm_h,
        ceiling_h,
        possible,
        warning,
    }
}

/// Three significant figures at most, without trailing zeros.
fn brief(x: f64) -> String {
    let digits = if x.abs() >= 100.0 {
        0
    } else if x.abs() >= 10.0 {
        1
    } else {
        2
    };
    let text = format!("{x:.digits$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn judge(breathing: Breathing, duty: Option<(f64, f64)>, ceiling_h: f64) -> DeathJudgement {
        let duty = duty.map(|(on, every)| Duty { on_s: on * 60.0, period_s: every * 60.0 });
        judge_death(&Detector::DEFAULT, &Release::DEFAULT, breathing, true, duty, ceiling_h)
    }

    #[test]
    fn without_turns_it_is_what_the_detectors_document_says() {
        // docs/detectors.md: 27 min (ram, stationary depth), 7 h (buccal), then 30 min.
        let ram = judge(Breathing::Ram, None, 48.0);
        assert!((ram.evidence_min - 26.7).abs() < 0.1, "{ram:?}");
        assert!(ram.possible && ram.warning.is_none());
        let buccal = judge(Breathing::Buccal, None, 48.0);
        assert!((buccal.confirm_h.unwrap() - 7.5).abs() < 0.1, "{buccal:?}");
    }

    #[test]
    fn turns_stretch_the_wait_and_are_called_out() {
        let tenth = judge(Breathing::Buccal, Some((6.0, 60.0)), 48.0);
        assert!(!tenth.possible && tenth.warning.unwrap().contains("cannot be confirmed"));
        let ram = judge(Breathing::Ram, Some((6.0, 60.0)), 48.0);
        assert!(ram.possible, "{ram:?}");
        let short = judge(Breathing::Ram, Some((0.5, 5.0)), 4000.0);
        assert!(short.confirm_h.is_none() && short.warning.unwrap().contains("never"));
        let half = judge(Breathing::Buccal, Some((15.0, 60.0)), 48.0);
        assert!(half.possible && half.warning.unwrap().contains("Most deaths"));
    }

    #[test]
    fn whole_minutes_are_counted() {
        let per_h = |on: f64, every: f64| {
            counted_min_per_h(Some(Duty { on_s: on * 60.0, period_s: every * 60.0 }))
        };
        assert!((per_h(10.0, 60.0) - 10.0).abs() < 0.02);
        assert!((per_h(1.0, 2.0) - 30.0).abs() < 0.02);
        assert_eq!(per_h(0.5, 1.0), 0.0);
    }
}

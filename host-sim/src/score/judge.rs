//! One report held against one truth.

use std::collections::BTreeMap;

use firmware_core::config::{self, Config};

use super::matching::{TrueBeat, TrueSpan, match_beats, match_spans};
use super::trace_score::{
    BeatScore, Breathing, FateScore, OwnScore, RateScore, RecoveryScore, ReleaseScore, TagFate,
    TraceScore, TrueFate, Verdict,
};
use super::truth::Truth;
use crate::own;
use crate::replay::{Minute, Report};

/// A decision up to so long before the event is not early: the detectors work by the
/// minute, and people annotate to the minute, s.
const SLACK_S: f64 = 60.0;

/// Judges `report` by `truth`. Beats and minutes are judged where the report holds
/// them ([`crate::replay::Keep`]); `config` is the configuration that was run.
///
/// Fate is judged by what was true when the tag decided: with a death followed by a
/// loss of the tag, either word is right at its time, and a word that came before its
/// event is wrong.
pub fn judge(truth: &Truth, report: &Report, config: &Config) -> TraceScore {
    let (first_s, end_s) = (report.facts.first_t_s, report.facts.first_t_s + report.duration_s);
    let beats = report.beats.times_s.as_ref().and_then(|found| {
        let mut found: Vec<f64> = found.iter().collect();
        // The trace's clock may have been set back.
        found.sort_by(f64::total_cmp);
        beat_score(truth, &found, (first_s, end_s))
    });
    let minutes = report.minutes.as_deref();
    TraceScore {
        breathing: match report.facts.breathing {
            config::Breathing::Ram => Breathing::Ram,
            config::Breathing::Buccal => Breathing::Buccal,
        },
        duration_s: report.duration_s,
        beats,
        rate: minutes.and_then(|minutes| rate_score(truth, minutes, (first_s, end_s))),
        fate: fate_score(truth, report, first_s + 3600.0 * f64::from(config.release().ceiling_h)),
        recovery: recovery_score(truth, report),
        release: release_score(truth, report),
        own: own_scores(truth, report, (first_s, end_s)),
    }
}

/// Events of the registered detector, by their names.
fn own_scores(
    truth: &Truth,
    report: &Report,
    (start, end): (f64, f64),
) -> BTreeMap<String, OwnScore> {
    let Some(own) = &report.own else { return BTreeMap::new() };
    let times_s = own.times_s();
    let mut scores = BTreeMap::new();
    for (kind, told) in own::kinds().iter().zip(&truth.own) {
        let Some(told) = told else { continue };
        let found = times_s.get(kind.name).map_or(&[][..], Vec::as_slice);
        // Truth outside the record cannot be found.
        let held = |span: &&TrueSpan| span.from_s >= start && span.from_s <= end;
        let spans: Vec<TrueSpan> = told.iter().filter(held).copied().collect();
        scores.insert(kind.name.to_owned(), own_score(&spans, found, truth.own_within_s));
    }
    scores
}

fn own_score(truth: &[TrueSpan], found: &[f64], within_s: f64) -> OwnScore {
    let pairs = match_spans(truth, found, within_s);
    OwnScore {
        truth: truth.len() as u64,
        found: found.len() as u64,
        matched: pairs.len() as u64,
        error_sum_s: pairs.iter().map(|&(i, j)| found[j] - truth[i].from_s).sum(),
    }
}

fn beat_score(truth: &Truth, found: &[f64], (start, end): (f64, f64)) -> Option<BeatScore> {
    let (from, to) = truth.beats_told_s?;
    // Truth outside the record cannot be found.
    let held = |t: f64| t >= from.max(start) && t <= to.min(end);
    let beats: Vec<TrueBeat> = truth.beats.iter().copied().filter(|b| held(b.t_s)).collect();
    let found: Vec<f64> = found.iter().copied().filter(|&t| t >= from && t < to).collect();
    let matched = match_beats(&beats, &found);
    let timing_sum_s2 = matched.timing_sum_s2(&beats, &found);
    Some(BeatScore {
        truth: beats.len() as u64,
        found: found.len() as u64,
        matched: matched.pairs.len() as u64,
        offset_cycles: (!matched.pairs.is_empty()).then_some(matched.offset),
        timing_sum_s2,
    })
}

fn rate_score(truth: &Truth, minutes: &[Minute], (start, end): (f64, f64)) -> Option<RateScore> {
    let (from, to) = truth.beats_told_s?;
    let mut score = RateScore::default();
    for minute in minutes {
        let (begins, ends) = (minute.t_s, minute.t_s + 60.0);
        let Some(told) = minute.beats_per_min else { continue };
        if begins < from.max(start) || ends > to.min(end) {
            continue;
        }
        let error = f64::from(told) - cycles_between(&truth.beats, begins, ends);
        score.minutes += 1;
        score.sum += error;
        score.sum_abs += error.abs();
        score.sum_squares += error * error;
    }
    Some(score)
}

/// Cycles between two times; a beat's cycle lies half a period either side of it.
fn cycles_between(beats: &[TrueBeat], from: f64, to: f64) -> f64 {
    // No cycle is longer than a minute's search on either side.
    const REACH_S: f64 = 60.0;
    let first = beats.partition_point(|b| b.t_s < from - REACH_S);
    beats[first..]
        .iter()
        .take_while(|b| b.t_s <= to + REACH_S)
        .filter(|b| b.period_s > 0.0)
        .map(|b| {
            let half = 0.5 * b.period_s;
            let inside = (b.t_s + half).min(to) - (b.t_s - half).max(from);
            inside.max(0.0) / b.period_s
        })
        .sum()
}

fn fate_score(truth: &Truth, report: &Report, ceiling_s: f64) -> FateScore {
    let tag = match report.fate {
        "alive" => TagFate::Alive,
        "dead" => TagFate::Dead,
        "detached" => TagFate::Detached,
        _ => TagFate::Undetermined,
    };
    let decided_s = report.fate_decided_t_s;
    // What was true when the tag decided: after both a death and a loss of the tag
    // either word can be the right one.
    let (what, event_s) = match (truth.fate(), truth.detached_s) {
        ((TrueFate::Dead | TrueFate::Eaten, _), Some(off))
            if tag == TagFate::Detached && decided_s.is_some_and(|t| t + SLACK_S >= off) =>
        {
            (TrueFate::Detached, Some(off))
        }
        (first, _) => first,
    };
    let named = match tag {
        TagFate::Dead => matches!(what, TrueFate::Dead | TrueFate::Eaten),
        TagFate::Detached => what == TrueFate::Detached,
        TagFate::Alive => what == TrueFate::Alive,
        TagFate::Undetermined => false,
    };
    let said_lost = matches!(tag, TagFate::Dead | TagFate::Detached);
    let early = said_lost && event_s.zip(decided_s).is_some_and(|(e, d)| d + SLACK_S < e);
    let right = named && !early;
    let since = |t: Option<f64>| t.zip(event_s).filter(|_| right).map(|(t, event)| t - event);
    FateScore {
        truth: what,
        event_s,
        tag,
        decided_s,
        verdict: match tag {
            _ if right => Verdict::Right,
            TagFate::Undetermined => Verdict::Undetermined,
            _ => Verdict::Wrong,
        },
        early,
        delay_s: since(decided_s),
        time_error_s: since(report.fate_t_s),
        before_ceiling: event_s.map(|_| right && decided_s.is_some_and(|t| t <= ceiling_s)),
    }
}

fn recovery_score(truth: &Truth, report: &Report) -> RecoveryScore {
    let decided = report.recovery_t_s.zip(report.recovery_decided_t_s);
    let known = truth.recovered_s.zip(decided);
    RecoveryScore {
        truth_s: truth.recovered_s,
        decided: truth.tells_recovery.then_some(decided.is_some()),
        error_s: known.map(|(truth, (told, _))| told - truth),
        se_s: known.and(report.recovery_se_s).map(f64::from),
        delay_s: known.map(|(truth, (_, decided))| decided - truth),
    }
}

fn release_score(truth: &Truth, report: &Report) -> ReleaseScore {
    let cause = report.release.cause;
    let for_loss = matches!(cause, "death" | "detached");
    let (_, event_s) = truth.fate();
    let t_s = report.release.t_s;
    let after = t_s.zip(event_s).map(|(t, event)| t - event);
    ReleaseScore {
        cause: cause.to_owned(),
        t_s,
        false_release: for_loss && after.is_none_or(|s| s < -SLACK_S),
        before_recovery: (cause == "recovered" && truth.tells_recovery)
            .then(|| t_s.is_some_and(|t| truth.recovered_s.is_none_or(|r| t < r))),
        delay_s: after.filter(|&s| for_loss && s >= -SLACK_S),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deployment::{Deployment, TruthSource};
    use crate::replay::{Keep, prepare_source};
    use crate::truth::parse;

    /// A minute of a level tag; its decisions are then set by hand.
    fn blank() -> (Report, Config) {
        let rows: String = (0..600).map(|i| format!("{:.1},0,0,1\n", 0.1 * f64::from(i))).collect();
        let text = format!("t_s,ax_g,ay_g,az_g\n{rows}");
        let keep = Keep { beats: true, minutes: true };
        let source = Box::new(std::io::Cursor::new(text));
        let prepared =
            prepare_source("x.csv", source, &Deployment::default(), keep, Vec::new()).unwrap();
        let config = prepared.setup.config;
        let mut report = prepared.run().unwrap();
        report.fate = "undetermined";
        (report, config)
    }

    fn truth(text: &'static str) -> Truth {
        let events = parse("x.truth.csv", Box::new(text.as_bytes())).unwrap();
        Truth::new(&events, Some(TruthSource::Invented))
    }

    fn fate(text: &'static str, fate: &'static str, decided_s: Option<f64>) -> FateScore {
        let (mut report, config) = blank();
        (report.fate, report.fate_decided_t_s, report.fate_t_s) = (fate, decided_s, decided_s);
        judge(&truth(text), &report, &config).fate
    }

    const LIVES: &str = "t_s,event\n";
    const DIES: &str = "t_s,event\n5000,death\n";
    const LOSES: &str = "t_s,event\n5000,detached\n";
    const BOTH: &str = "t_s,event\n5000,death\n9000,detached\n";
    const EATEN: &str = "t_s,event\n5000,death\n5001,beat\n5002,beat\n9000,beat\n";

    #[test]
    fn fate_by_what_was_true_at_the_time() {
        use Verdict::{Right, Undetermined, Wrong};
        for (text, word, at, want) in [
            (LIVES, "alive", None, Right),
            (LIVES, "undetermined", None, Undetermined),
            (LIVES, "dead", Some(7000.0), Wrong),
            (DIES, "dead", Some(7000.0), Right),
            (DIES, "dead", Some(4970.0), Right),
            (DIES, "dead", Some(3000.0), Wrong),
            (DIES, "alive", None, Wrong),
            (DIES, "detached", Some(7000.0), Wrong),
            (DIES, "undetermined", None, Undetermined),
            (LOSES, "detached", Some(7000.0), Right),
            (LOSES, "dead", Some(7000.0), Wrong),
            (BOTH, "dead", Some(7000.0), Right),
            (BOTH, "detached", Some(7000.0), Wrong),
            (BOTH, "detached", Some(9500.0), Right),
            (EATEN, "alive", None, Wrong),
            (EATEN, "dead", Some(7000.0), Right),
        ] {
            let score = fate(text, word, at);
            assert_eq!(score.verdict, want, "{text:?} {word} {at:?}: {score:?}");
        }
    }

    #[test]
    fn delays_and_the_ceiling() {
        let score = fate(DIES, "dead", Some(7000.0));
        assert_eq!((score.delay_s, score.before_ceiling), (Some(2000.0), Some(true)));
        assert_eq!(fate(BOTH, "detached", Some(9500.0)).delay_s, Some(500.0));
        let late = fate(DIES, "dead", Some(48.5 * 3600.0));
        assert_eq!((late.verdict, late.before_ceiling), (Verdict::Right, Some(false)));
        let early = fate(DIES, "dead", Some(3000.0));
        assert!(early.early && early.delay_s.is_none() && early.before_ceiling == Some(false));
        assert_eq!(fate(LIVES, "alive", None).before_ceiling, None);
        assert_eq!(fate(EATEN, "alive", None).truth, TrueFate::Eaten);
    }

    #[test]
    fn own_events_are_judged_by_their_spans() {
        let span = |from_s, to_s| TrueSpan { from_s, to_s };
        let score = own_score(&[span(10.0, 11.0), span(50.0, 50.0)], &[10.5, 30.0, 49.0], 2.0);
        assert_eq!((score.truth, score.found, score.matched), (2, 3, 2));
        assert_eq!(score.mean_error_s(), Some(-0.25));
        assert_eq!((score.precision(), score.recall()), (Some(2.0 / 3.0), Some(1.0)));
        assert_eq!(score.f1(), Some(0.8));
        let none = own_score(&[], &[], 2.0);
        assert_eq!((none.f1(), none.mean_error_s()), (None, None));
    }

    #[test]
    fn releases() {
        let (mut report, config) = blank();
        let mut of = |text, cause, t_s| {
            (report.release.cause, report.release.t_s) = (cause, t_s);
            judge(&truth(text), &report, &config).release
        };
        assert!(of(LIVES, "death", Some(9000.0)).false_release);
        assert!(of(DIES, "detached", Some(3000.0)).false_release);
        // A wrong word, but the animal was dead: nothing is lost by letting go.
        assert!(!of(DIES, "detached", Some(9000.0)).false_release);
        assert!(!of(LIVES, "ceiling", Some(9000.0)).false_release);
        assert!(!of(LIVES, "none", None).false_release);
        assert_eq!(of(DIES, "death", Some(9000.0)).delay_s, Some(4000.0));
        assert_eq!(of(DIES, "ceiling", Some(9000.0)).delay_s, None);
        assert_eq!(of(LIVES, "recovered", Some(9000.0)).before_recovery, Some(true));
        let settles = "t_s,event\n8000,recovered\n";
        assert_eq!(of(settles, "recovered", Some(9000.0)).before_recovery, Some(false));
        assert_eq!(of(settles, "recovered", Some(7000.0)).before_recovery, Some(true));
        assert_eq!(of(settles, "death", Some(7000.0)).before_recovery, None);
    }

    #[test]
    fn recovery_and_what_cannot_be_said() {
        let (mut report, config) = blank();
        let settles = truth("t_s,event\n8000,recovered\n");
        let none = judge(&settles, &report, &config).recovery;
        assert_eq!((none.decided, none.error_s, none.within_h(1.5)), (Some(false), None, None));
        report.recovery_t_s = Some(11_600.0);
        report.recovery_decided_t_s = Some(20_000.0);
        report.recovery_se_s = Some(2000.0);
        let off = judge(&settles, &report, &config).recovery;
        assert_eq!((off.error_s, off.delay_s), (Some(3600.0), Some(12_000.0)));
        assert_eq!(off.within_h(1.5), Some(true));
        assert_eq!((off.within_se(1.0), off.within_se(1.96)), (Some(false), Some(true)));
        assert_eq!(judge(&truth(LIVES), &report, &config).recovery.made_up(), Some(true));
        // An annotation that lists no recovery says nothing of it.
        let annotated = Truth::new(&[], Some(TruthSource::Annotated));
        let score = judge(&annotated, &report, &config);
        assert_eq!((score.recovery.decided, score.recovery.made_up()), (None, None));
        assert_eq!((score.beats, score.rate), (None, None));
        let empty = judge(&truth(LIVES), &report, &config).beats.unwrap();
        assert_eq!((empty.precision(), empty.recall(), empty.f1()), (None, None, None));
    }

    #[test]
    fn beats_half_a_cycle_off_and_rates() {
        let found: Vec<f64> = (0..600).map(|i| 0.5 + f64::from(i)).collect();
        let text: String = (0..600).map(|i| format!("{i},beat\n")).collect();
        let text: &'static str = Box::leak(format!("t_s,event\n{text}").into_boxed_str());
        let score = beat_score(&truth(text), &found, (0.0, 600.0)).unwrap();
        assert_eq!((score.truth, score.found), (600, 600));
        assert!(score.matched >= 599 && score.timing_rms_s().unwrap() < 1e-9, "{score:?}");
        assert!((score.offset_cycles.unwrap() - 0.5).abs() < 1e-9);
        // A truth annotated for its middle only: beats outside are not held against the tag.
        let part: String = (200..300).map(|i| format!("{i},beat\n")).collect();
        let part: &'static str = Box::leak(format!("t_s,event\n{part}").into_boxed_str());
        let events = parse("x", Box::new(part.as_bytes())).unwrap();
        let part = Truth::new(&events, Some(TruthSource::Annotated));
        let score = beat_score(&part, &found, (0.0, 600.0)).unwrap();
        assert_eq!((score.truth, score.found), (100, 100));
        let minute = |t_s, beats_per_min| Minute {
            t_s,
            beats_per_min,
            sway_g: 0.0,
            odba_g: 0.0,
            vedba_g: 0.0,
            pitch_deg: 0.0,
            roll_deg: 0.0,
            depth_m: None,
            state: "unknown",
        };
        let minutes = [
            minute(0.0, Some(62.0)),
            minute(60.0, None),
            minute(120.0, Some(59.0)),
            minute(570.0, Some(0.0)),
        ];
        // The first minute lacks half of a cycle: the beat at 0 s began before it.
        let score = rate_score(&truth(text), &minutes, (0.0, 600.0)).unwrap();
        assert_eq!(score.minutes, 2);
        assert!((score.sum - 1.0).abs() < 1e-9 && (score.sum_abs - 3.0).abs() < 1e-9, "{score:?}");
        assert_eq!(RateScore::default().mean_abs_per_min(), None);
    }
}

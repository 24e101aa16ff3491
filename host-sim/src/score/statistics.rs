//! The statistics of many traces: one table that the reports, the bounds and the
//! documentation read.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use super::intervals::Estimate;
use super::trace_score::{
    BeatScore, Breathing, OwnScore, RateScore, TagFate, TraceScore, TrueFate, Verdict,
};
use crate::own;

/// How a number is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// 0 to 1, written in per cent for people.
    Part,
    /// Beats a minute.
    PerMin,
    /// Seconds.
    Seconds,
    /// Minutes.
    Minutes,
    /// Hours.
    Hours,
}

/// One statistic.
pub struct Statistic {
    /// Key, with its unit in the name unless it is a part of a whole.
    pub key: &'static str,
    /// Section of the report.
    pub section: &'static str,
    /// Unit.
    pub unit: Unit,
    /// Whether the short report breaks it down by family.
    pub headline: bool,
    /// What it is.
    pub doc: &'static str,
    of: Of,
}

/// How a statistic comes from scores.
enum Of {
    Scores(fn(&[&TraceScore]) -> Estimate),
    /// Of the events of this name, of all traces together.
    Own(&'static str, fn(&OwnScore) -> Option<f64>),
}

impl Statistic {
    /// Its value over `scores`.
    pub fn of(&self, scores: &[&TraceScore]) -> Estimate {
        match self.of {
            Of::Scores(of) => of(scores),
            Of::Own(event, number) => pooled_own(scores, event, number),
        }
    }
}

/// Every statistic, in the order of the reports: [`STATISTICS`], and those of the events of the
/// registered detector.
pub fn all() -> impl Iterator<Item = &'static Statistic> {
    STATISTICS.iter().chain(of_own())
}

/// The statistic called `key`.
pub fn statistic(key: &str) -> Option<&'static Statistic> {
    all().find(|s| s.key == key)
}

/// Statistics of the events of the registered detector.
fn of_own() -> &'static [Statistic] {
    static OWN: OnceLock<Vec<Statistic>> = OnceLock::new();
    let Some(detector) = own::registered() else { return &[] };
    OWN.get_or_init(|| detector.events.iter().flat_map(|kind| of_event(kind.name)).collect())
}

/// Statistics of one kind of event.
fn of_event(event: &'static str) -> [Statistic; 4] {
    use OwnScore as Own;
    type Number = fn(&OwnScore) -> Option<f64>;
    let one = |ending: &str, unit, headline, doc, number: Number| Statistic {
        // Once a program, for as long as it runs.
        key: format!("{event}_{ending}").leak(),
        section: "Own events",
        unit,
        headline,
        doc,
        of: Of::Own(event, number),
    };
    [
        one("f1", Unit::Part, true, "harmonic mean of precision and recall, pooled", Own::f1),
        one("precision", Unit::Part, false, "part of those found that are true", Own::precision),
        one("recall", Unit::Part, false, "part of the true ones that were found", Own::recall),
        one(
            "mean_error_s",
            Unit::Seconds,
            false,
            "mean timing error; positive: late",
            Own::mean_error_s,
        ),
    ]
}

type Scores<'a> = &'a [&'a TraceScore];

fn pooled_beats(scores: Scores, number: fn(&BeatScore) -> Option<f64>) -> Estimate {
    Estimate::pooled(
        scores.iter().map(|s| s.beats.filter(|b| b.truth + b.found > 0)),
        |beats: &[BeatScore]| {
            let sum = |of: fn(&BeatScore) -> u64| beats.iter().map(of).sum();
            number(&BeatScore {
                truth: sum(|b| b.truth),
                found: sum(|b| b.found),
                matched: sum(|b| b.matched),
                offset_cycles: None,
                timing_sum_s2: beats.iter().map(|b| b.timing_sum_s2).sum(),
            })
        },
    )
}

fn pooled_own(scores: Scores, event: &str, number: fn(&OwnScore) -> Option<f64>) -> Estimate {
    let cases = scores.iter().map(|s| s.own.get(event).filter(|o| o.truth + o.found > 0).copied());
    Estimate::pooled(cases, |all: &[OwnScore]| number(&OwnScore::pooled(all)))
}

fn pooled_rates(scores: Scores, number: fn(&RateScore) -> Option<f64>) -> Estimate {
    Estimate::pooled(
        scores.iter().map(|s| s.rate.filter(|r| r.minutes > 0)),
        |rates: &[RateScore]| {
            number(&RateScore {
                minutes: rates.iter().map(|r| r.minutes).sum(),
                sum: rates.iter().map(|r| r.sum).sum(),
                sum_abs: rates.iter().map(|r| r.sum_abs).sum(),
                sum_squares: rates.iter().map(|r| r.sum_squares).sum(),
            })
        },
    )
}

/// Of the traces with this true fate, the part for which `so` holds.
fn of_fate(scores: Scores, fate: TrueFate, so: fn(&TraceScore) -> bool) -> Estimate {
    Estimate::part(scores.iter().map(|s| (s.fate.truth == fate).then(|| so(s))))
}

fn delays(scores: Scores, part: f64, of: impl Fn(&TraceScore) -> Option<f64>) -> Estimate {
    Estimate::quantile(scores.iter().map(|s| of(s)), part)
}

fn right(s: &TraceScore) -> bool {
    s.fate.verdict == Verdict::Right
}

fn death_min(s: &TraceScore, breathing: Breathing) -> Option<f64> {
    let died = s.fate.truth == TrueFate::Dead && s.breathing == breathing;
    s.fate.delay_s.filter(|_| died).map(|t| t / 60.0)
}

fn ram_min(s: &TraceScore) -> Option<f64> {
    death_min(s, Breathing::Ram)
}

fn buccal_min(s: &TraceScore) -> Option<f64> {
    death_min(s, Breathing::Buccal)
}

fn detached_min(s: &TraceScore) -> Option<f64> {
    s.fate.delay_s.filter(|_| s.fate.truth == TrueFate::Detached).map(|t| t / 60.0)
}

fn time_error_min(s: &TraceScore) -> Option<f64> {
    s.fate.time_error_s.map(|t| t.abs() / 60.0)
}

fn recovery_h(s: &TraceScore) -> Option<f64> {
    s.recovery.error_s.map(|t| t / 3600.0)
}

fn release_h(s: &TraceScore, fate: TrueFate) -> Option<f64> {
    s.release.delay_s.filter(|_| s.fate.truth == fate).map(|t| t / 3600.0)
}

macro_rules! statistics {
    ($($section:literal: $($key:ident $unit:ident $headline:literal, $doc:literal, $of:expr;)+)+) => {
        /// Every built-in statistic, in the order of the reports.
        pub static STATISTICS: &[Statistic] = &[$($(Statistic {
            key: stringify!($key),
            section: $section,
            unit: Unit::$unit,
            headline: $headline,
            doc: $doc,
            of: Of::Scores($of),
        },)+)+];
    };
}

statistics! {
    "Beats":
    beats_f1 Part true, "harmonic mean of precision and recall, beats of all traces pooled",
        |s| pooled_beats(s, BeatScore::f1);
    beats_precision Part false, "part of the beats found that are true, pooled",
        |s| pooled_beats(s, BeatScore::precision);
    beats_recall Part false, "part of the true beats that were found, pooled",
        |s| pooled_beats(s, BeatScore::recall);
    beats_f1_p10 Part false, "F1 that nine traces in ten reach",
        |s| delays(s, 0.1, |t| t.beats.and_then(|b| b.f1()));
    beats_timing_rms_s Seconds false, "root mean square timing error of matched beats",
        |s| pooled_beats(s, BeatScore::timing_rms_s);
    "Minute rates":
    rate_bias_per_min PerMin false, "mean error of the minute rate; positive: too many",
        |s| pooled_rates(s, RateScore::bias_per_min);
    rate_mean_abs_per_min PerMin true, "mean size of the error of the minute rate",
        |s| pooled_rates(s, RateScore::mean_abs_per_min);
    rate_rms_per_min PerMin false, "root mean square error of the minute rate",
        |s| pooled_rates(s, RateScore::rms_per_min);
    "Fate":
    fate_right Part true, "fate right, all traces",
        |s| Estimate::part(s.iter().map(|t| Some(right(t))));
    fate_wrong Part false, "fate wrong, all traces; the rest is undetermined",
        |s| Estimate::part(s.iter().map(|t| Some(t.fate.verdict == Verdict::Wrong)));
    alive_right Part false, "survivors held to be alive",
        |s| of_fate(s, TrueFate::Alive, right);
    dead_right Part false, "dead held to be dead",
        |s| of_fate(s, TrueFate::Dead, right);
    eaten_right Part false, "eaten with the tag, and held to be dead",
        |s| of_fate(s, TrueFate::Eaten, right);
    detached_right Part false, "tags that came off and knew it",
        |s| of_fate(s, TrueFate::Detached, right);
    alive_taken_for_lost Part false, "survivors held at the end to be dead or without the tag",
        |s| of_fate(s, TrueFate::Alive, |t| matches!(t.fate.tag, TagFate::Dead | TagFate::Detached));
    dead_taken_for_detached Part false, "dead taken for a tag that came off",
        |s| of_fate(s, TrueFate::Dead, |t| t.fate.tag == TagFate::Detached);
    detached_taken_for_dead Part false, "tags that came off, taken for a death",
        |s| of_fate(s, TrueFate::Detached, |t| t.fate.tag == TagFate::Dead);
    early_decision Part false, "dead or detached, decided more than a minute before it was so",
        |s| Estimate::part(s.iter().map(|t| t.fate.event_s.map(|_| t.fate.early)));
    death_before_ceiling Part true, "deaths rightly decided before the ceiling",
        |s| of_fate(s, TrueFate::Dead, |t| t.fate.before_ceiling == Some(true));
    detached_before_ceiling Part false, "tags that came off, known before the ceiling",
        |s| of_fate(s, TrueFate::Detached, |t| t.fate.before_ceiling == Some(true));
    "Delays of decisions":
    death_delay_ram_median_min Minutes true, "death to decision, ram ventilators, median",
        |s| delays(s, 0.5, ram_min);
    death_delay_ram_p95_min Minutes false, "the same, 95 % of deaths within",
        |s| delays(s, 0.95, ram_min);
    death_delay_buccal_median_min Minutes true, "death to decision, buccal pumpers, median",
        |s| delays(s, 0.5, buccal_min);
    death_delay_buccal_p95_min Minutes false, "the same, 95 % of deaths within",
        |s| delays(s, 0.95, buccal_min);
    detached_delay_median_min Minutes true, "loss of the tag to decision, median",
        |s| delays(s, 0.5, detached_min);
    detached_delay_p95_min Minutes false, "the same, 95 % within",
        |s| delays(s, 0.95, detached_min);
    fate_time_error_median_min Minutes false, "size of the error of the stated time of the event, median",
        |s| delays(s, 0.5, time_error_min);
    fate_time_error_p95_min Minutes false, "the same, 95 % within",
        |s| delays(s, 0.95, time_error_min);
    "Recovery":
    recovery_decided Part false, "of animals that recovered, those for which it was decided",
        |s| Estimate::part(s.iter().map(|t| t.recovery.truth_s.and(t.recovery.decided)));
    recovery_made_up Part false, "of animals that did not recover in the record, those held to have",
        |s| Estimate::part(s.iter().map(|t| t.recovery.made_up()));
    recovery_within_1_5_h Part true, "decided recoveries within 1.5 h of the true time",
        |s| Estimate::part(s.iter().map(|t| t.recovery.within_h(1.5)));
    recovery_within_1_se Part false, "within 1 stated standard error; 68 % stated",
        |s| Estimate::part(s.iter().map(|t| t.recovery.within_se(1.0)));
    recovery_within_2_se Part false, "within 1.96 stated standard errors; 95 % stated",
        |s| Estimate::part(s.iter().map(|t| t.recovery.within_se(1.96)));
    recovery_error_median_h Hours false, "estimated less true time, median; positive: too late",
        |s| delays(s, 0.5, recovery_h);
    recovery_abs_error_median_h Hours false, "size of that error, median",
        |s| delays(s, 0.5, |t| recovery_h(t).map(f64::abs));
    recovery_abs_error_p95_h Hours false, "size of that error, 95 % within",
        |s| delays(s, 0.95, |t| recovery_h(t).map(f64::abs));
    recovery_delay_median_h Hours false, "true recovery to decision, median",
        |s| delays(s, 0.5, |t| t.recovery.delay_s.map(|x| x / 3600.0));
    "Release":
    false_release Part true, "survivors let go for death or detachment",
        |s| of_fate(s, TrueFate::Alive, |t| t.release.false_release);
    false_release_any Part false, "let go for death or detachment before either, all traces",
        |s| Estimate::part(s.iter().map(|t| Some(t.release.false_release)));
    release_before_recovery Part false, "of those let go as recovered, those that had not",
        |s| Estimate::part(s.iter().map(|t| t.release.before_recovery));
    death_release_median_h Hours false, "death to letting go for it, median",
        |s| delays(s, 0.5, |t| release_h(t, TrueFate::Dead));
    detached_release_median_h Hours false, "loss of the tag to letting go for it, median",
        |s| delays(s, 0.5, |t| release_h(t, TrueFate::Detached));
}

/// Traces by true fate and by what the tag held at the end.
pub type Matrix = BTreeMap<TrueFate, BTreeMap<TagFate, u64>>;

/// The confusion matrix of fates.
pub fn fate_matrix(scores: &[&TraceScore]) -> Matrix {
    let mut matrix = Matrix::new();
    for s in scores {
        *matrix.entry(s.fate.truth).or_default().entry(s.fate.tag).or_default() += 1;
    }
    matrix
}

/// Traces by true fate and by cause of release.
pub fn causes(scores: &[&TraceScore]) -> BTreeMap<TrueFate, BTreeMap<String, u64>> {
    let mut causes: BTreeMap<TrueFate, BTreeMap<String, u64>> = BTreeMap::new();
    for s in scores {
        let row = causes.entry(s.fate.truth).or_default();
        *row.entry(s.release.cause.clone()).or_default() += 1;
    }
    causes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_unique_and_carry_their_unit() {
        let mut keys: Vec<_> = STATISTICS.iter().map(|s| s.key).collect();
        for s in STATISTICS {
            let ending = match s.unit {
                Unit::Part => "",
                Unit::PerMin => "_per_min",
                Unit::Seconds => "_s",
                Unit::Minutes => "_min",
                Unit::Hours => "_h",
            };
            assert!(s.key.ends_with(ending), "{}", s.key);
            assert_eq!(s.of(&[]).value, None, "{}: nothing is not a number", s.key);
        }
        // No event of a detector of one's own can bring a key that is there.
        for key in &keys {
            for ending in ["_f1", "_precision", "_recall", "_mean_error_s"] {
                let event = key.strip_suffix(ending);
                assert!(event.is_none_or(own::is_taken), "{key}");
            }
        }
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), STATISTICS.len());
    }
}

//! What a truth file says, made ready to be judged by.

use std::path::Path;

use super::matching::{TrueBeat, TrueSpan, with_periods};
use super::trace_score::TrueFate;
use crate::deployment::{TruthSource, beside};
use crate::own;
use crate::problem::Problem;
use crate::truth::{self, Event, TruthEvent};

/// A true beat belongs to a cycle of at most so many median cycles of its trace: a
/// lone beat between two long glides has no period of its own.
const LONGEST_CYCLE: f64 = 2.0;

/// A death followed by true beats for longer than this was a predation: the beats
/// are those of the animal that carries the tag, s.
const CARRIED_ON_S: f64 = 600.0;

/// An event of the registered detector is matched to a true one at most this far from it, s,
/// where nothing else is asked for.
pub const OWN_WITHIN_S: f64 = 2.0;

/// The truth of one trace. Made once, it serves any number of reports of that trace.
#[derive(Clone, Debug)]
pub struct Truth {
    /// True beats in order of time.
    pub(super) beats: Vec<TrueBeat>,
    /// From and to when the truth lists every beat, s; `None` where it says nothing of beats.
    pub(super) beats_told_s: Option<(f64, f64)>,
    /// First death, s.
    pub(super) death_s: Option<f64>,
    /// First loss of the tag, s.
    pub(super) detached_s: Option<f64>,
    /// First recovery, s.
    pub(super) recovered_s: Option<f64>,
    /// Whether an absent `recovered` means that the animal had not recovered.
    pub(super) tells_recovery: bool,
    /// True events of each kind of the registered detector; `None` where it says nothing of them.
    pub(super) own: Vec<Option<Vec<TrueSpan>>>,
    /// How far from a true event one found may lie, s.
    pub(super) own_within_s: f64,
    /// Whether beats go on long after the death.
    eaten: bool,
}

impl Truth {
    /// From the events of a truth file in order of time. `source` is what the
    /// deployment file says of it.
    ///
    /// An invented truth is whole: what it does not list did not happen. An annotated
    /// one, or one of unsaid source, tells of recovery only if it lists it, and of
    /// beats only if it lists any: annotated ones from its first to its last beat and
    /// on after death or loss of the tag, others throughout. Of the events of a registered
    /// detector they tell only where they list one of that kind, and then of all.
    pub fn new(events: &[TruthEvent], source: Option<TruthSource>) -> Self {
        let first = |what| events.iter().find(|e| e.event == what).map(|e| e.t_s);
        let times: Vec<f64> =
            events.iter().filter(|e| e.event == Event::Beat).map(|e| e.t_s).collect();
        let beats = capped(with_periods(&times));
        let (death_s, detached_s) = (first(Event::Death), first(Event::Detached));
        let always = (f64::NEG_INFINITY, f64::INFINITY);
        let beats_told_s = match (source, beats.first(), beats.last()) {
            (Some(TruthSource::Invented), _, _) => Some(always),
            (_, None, _) | (_, _, None) => None,
            (None, ..) => Some(always),
            (Some(TruthSource::Annotated), Some(first), Some(last)) => {
                let end = last.t_s + 0.5 * last.period_s;
                let over =
                    [death_s, detached_s].into_iter().flatten().any(|t| t + 60.0 >= last.t_s);
                let end = if over { f64::INFINITY } else { end };
                Some((first.t_s - 0.5 * first.period_s, end))
            }
        };
        let last_beat_s = times.last().copied().unwrap_or(f64::NEG_INFINITY);
        let recovered_s = first(Event::Recovered);
        Truth {
            beats,
            beats_told_s,
            death_s,
            detached_s,
            recovered_s,
            tells_recovery: source == Some(TruthSource::Invented) || recovered_s.is_some(),
            own: own_events(events, source),
            own_within_s: OWN_WITHIN_S,
            eaten: death_s.is_some_and(|t| last_beat_s > t + CARRIED_ON_S),
        }
    }

    /// With events of the registered detector matched within so many seconds.
    #[must_use]
    pub fn with_own_within(self, own_within_s: f64) -> Self {
        Truth { own_within_s, ..self }
    }

    /// Reads the truth file beside `trace`.
    ///
    /// # Errors
    /// As [`truth::load`].
    pub fn beside(trace: &Path, source: Option<TruthSource>) -> Result<Self, Problem> {
        Ok(Self::new(&truth::load(&beside(trace, ".truth.csv"))?, source))
    }

    /// What became of the animal and its tag first, and when, s.
    pub fn fate(&self) -> (TrueFate, Option<f64>) {
        match (self.death_s, self.detached_s) {
            (Some(d), Some(off)) if off < d => (TrueFate::Detached, Some(off)),
            (Some(d), _) => (if self.eaten { TrueFate::Eaten } else { TrueFate::Dead }, Some(d)),
            (None, Some(off)) => (TrueFate::Detached, Some(off)),
            (None, None) => (TrueFate::Alive, None),
        }
    }
}

/// True events of each kind of the registered detector.
fn own_events(events: &[TruthEvent], source: Option<TruthSource>) -> Vec<Option<Vec<TrueSpan>>> {
    let of_kind = |kind: u8| {
        let all = events.iter().filter(|e| e.event == Event::Own(kind));
        let all: Vec<TrueSpan> =
            all.map(|e| TrueSpan { from_s: e.t_s, to_s: e.end_s.unwrap_or(e.t_s) }).collect();
        (source == Some(TruthSource::Invented) || !all.is_empty()).then_some(all)
    };
    own::kinds().iter().zip(0..).map(|(_, kind)| of_kind(kind)).collect()
}

/// No beat with a cycle longer than [`LONGEST_CYCLE`] medians.
fn capped(mut beats: Vec<TrueBeat>) -> Vec<TrueBeat> {
    let mut periods: Vec<f64> = beats.iter().map(|b| b.period_s).collect();
    if periods.is_empty() {
        return beats;
    }
    let middle = periods.len() / 2;
    let (_, &mut median, _) = periods.select_nth_unstable_by(middle, f64::total_cmp);
    for beat in &mut beats {
        beat.period_s = beat.period_s.min(LONGEST_CYCLE * median);
    }
    beats
}

//! What looks at every minute: depth as evidence, and fate.

use crate::config::Config;
use crate::fate::depth::DepthWatch;
use crate::fate::test::FateTest;
use crate::kept::Kept;
use crate::signal::frame::Frame;
use crate::types::{Evidence, Fate, FateReport, Minute, MinuteSummary, State};

/// The part of the tag that looks at every minute: depth as evidence, and fate.
#[derive(Clone, Debug, PartialEq, Kept!)]
pub struct Judges {
    depth: DepthWatch,
    fate: FateTest,
}

/// What [`Judges`] make of a minute.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Verdict {
    /// Fate was decided or revised.
    pub fate: Option<FateReport>,
    /// What there is to learn from it.
    pub lesson: Lesson,
    /// The minute as it is recorded.
    pub minute: Minute,
}

/// What the stages of motion have to know of a minute.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Lesson {
    /// It was swum by a living animal.
    pub swum: bool,
    /// Depth cannot be trusted.
    pub depth_failed: bool,
    /// The tag has come to sit otherwise on an animal that swims on.
    pub shifted: bool,
}

impl Lesson {
    /// Nothing to learn.
    pub const NOTHING: Lesson = Lesson { swum: false, depth_failed: false, shifted: false };
}

impl Judges {
    /// With the configured error rates.
    pub fn new(config: &Config) -> Self {
        Judges { depth: DepthWatch::new(config), fate: FateTest::new(config) }
    }

    /// Takes a minute at `now_us`, before `frame` learns from it.
    pub fn minute(&mut self, s: &MinuteSummary, frame: &Frame, now_us: u64) -> Verdict {
        let swum = s.beats >= 3.0 && s.good > 0.6;
        let clue = self.depth.step(s.depth_m, s.depth_range_m, swum);
        let attitude = frame.attitude(s.static_g);
        let known = if frame.glimpsed() { Some(&attitude) } else { None };
        let fate = self.fate.step(s, known, clue, now_us);
        // What rocks a carcass or a loose tag is evidence, but no beat to be told.
        let (beats, sway_g) = if self.living() { (s.beats, s.sway_g) } else { (0.0, 0.0) };
        let minute = Minute {
            t_us: s.t_us,
            beats_per_min: (s.good >= 0.5).then_some(beats),
            sway_g,
            odba_g: s.odba_g,
            vedba_g: s.vedba_g,
            pitch_deg: attitude.pitch_deg,
            roll_deg: attitude.roll_deg,
            depth_m: s.depth_m,
            state: self.state(s),
        };
        let lesson = Lesson {
            swum: swum && self.fate.lived(),
            depth_failed: self.depth.failed(),
            shifted: self.fate.shifted(),
        };
        Verdict { fate, lesson, minute }
    }

    /// Evidence against a living animal, natural log; see [`Evidence`].
    pub fn not_living(&self) -> f32 {
        let [not_living, ..] = self.fate.evidence();
        not_living
    }

    /// The evidence on fate as it stands.
    pub fn evidence(&self) -> Evidence {
        let [not_living, floating, on_bottom] = self.fate.evidence();
        Evidence { not_living, floating, on_bottom }
    }

    /// False once the animal was found not to live, or not to wear the tag.
    pub fn living(&self) -> bool {
        self.fate.living()
    }

    /// The decision on fate that stands.
    pub fn report(&self) -> Option<&FateReport> {
        self.fate.report()
    }

    /// Fate as known now. Before any decision: [`Fate::Undetermined`], or
    /// [`Fate::Alive`] once the animal was seen to swim.
    pub fn fate(&self) -> Fate {
        match self.fate.report() {
            Some(report) => report.fate,
            None if self.fate.seen_alive() => Fate::Alive,
            None => Fate::Undetermined,
        }
    }

    fn state(&self, s: &MinuteSummary) -> State {
        match self.fate.report().map(|r| r.fate) {
            Some(Fate::Dead) => State::Dead,
            Some(Fate::DetachedFloating) => State::Floating,
            Some(Fate::DetachedOnBottom) => State::OnBottom,
            _ if s.good < 0.5 => State::Unknown,
            _ if s.beats >= 3.0 || s.beats * s.period_s > 15.0 => State::Swimming,
            _ => State::Resting,
        }
    }
}

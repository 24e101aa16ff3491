//! What one minute says of fate.

use crate::fate::depth::DepthClue;
use crate::types::MinuteSummary;

/// Gravity further off the worn posture than this is not a posture to swim in, degrees.
pub const OFF_DEG: f32 = 65.0;
/// Gravity further off than this is unusual, degrees.
pub const LEAN_DEG: f32 = 42.0;
/// Part of a minute that beats have to fill at an unchanging depth: what glides, sinks,
/// so that a beat now and then is the swell's.
pub const FILLED_MIN: f32 = 0.35;

/// What one minute says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clues {
    /// What depth says.
    pub depth: DepthClue,
    /// Gravity off the worn posture, degrees.
    pub off_deg: f32,
    /// Head up or down in the worn frame, 0 to 90 degrees, where that frame is known.
    pub pitch_deg: Option<f32>,
    /// Rocked within the running mean: by waves of a few seconds, or on a line.
    pub chop: bool,
    /// Moves as what hangs in water does, however calm.
    pub sways: bool,
    /// Rolls widely, or next to not at all.
    pub rolls: bool,
    /// See `rolls`.
    pub lulled: bool,
    /// Rolls widely and is tossed about, as on a tether.
    pub tossed: bool,
    /// So widely, and strays so little from its mean posture, as no carcass does.
    pub whirls: bool,
    /// The mean posture is much that of the minute before.
    pub holds: bool,
    /// Nothing moves but the sensor's own noise, for minutes: not even gills.
    pub still: bool,
    /// No rocking, no change of posture.
    pub quiet: bool,
    /// Slow motion, if ever so little, beyond the sensor's own noise.
    pub rocked: bool,
    /// Calm, but turned by more than a loose tag turns since it came to rest.
    pub crept: bool,
    /// The mean posture is that of the minute before.
    pub steady: bool,
    /// The mean posture is quite another than in the minute before.
    pub turned: bool,
    /// A swimmer, but neither its rhythm nor its posture is the animal's own: it was
    /// eaten, and the tag with it.
    pub stranger: bool,
    /// Somewhat like that: no sign that the own animal lives, either.
    pub doubtful: bool,
    /// As active as ever in another posture, which changes as a swimmer's does: neither a
    /// carcass nor what ate it, but a tag that sits otherwise.
    pub active: bool,
}

impl Clues {
    /// Could the sway of this minute be a swimming animal's? Not in a posture
    /// that nothing swims in, nor where waves rock it about an unchanging one beside
    /// the worn.
    pub fn can_swim(&self, minute: &MinuteSummary) -> bool {
        if self.off_deg > OFF_DEG || self.stranger {
            return false;
        }
        if self.depth == DepthClue::Stationary && minute.beats * minute.period_s < 60.0 * FILLED_MIN
        {
            return false;
        }
        let surface = self.depth == DepthClue::Surface;
        if self.steady && self.chop && (self.off_deg > LEAN_DEG || surface && self.off_deg > 25.0) {
            return false;
        }
        true
    }
}

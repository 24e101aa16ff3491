//! The door for a detector of one's own.
//!
//! A [`Detector`] sees the motion that the tag's own stages see, every minute and every gap, and
//! reports events of its own names with up to four numbers each. [`crate::tag::Tag`] takes it as a type
//! parameter, so that it costs nothing where there is none.

use core::fmt::Debug;

use crate::config::Param;
use crate::kept::Kept;
use crate::signal::window::Window;
use crate::types::{MinuteSummary, OWN_NUMBERS, OwnEvent};

/// Events that a detector can report of one call.
pub const OUT_MAX: usize = 4;

/// A kind of event that a detector reports.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct OwnKind {
    /// Name, as in a truth file: lower case, digits and `_`, at most 24 characters.
    pub name: &'static str,
    /// Names of its numbers, with the unit in each, at most [`OWN_NUMBERS`].
    pub numbers: &'static [&'static str],
}

/// A detector of one's own.
///
/// Its state is kept through resets as any stage's is: derive [`Kept`] for it with
/// [`crate::kept!`].
pub trait Detector: Kept + Clone + Debug + PartialEq {
    /// Name: lower case, digits and `_`, at most 24 characters.
    const NAME: &'static str;
    /// Its settings.
    const PARAMS: &'static [Param] = &[];
    /// False where there is no detector at all.
    const ANY: bool = true;
    /// What it reports.
    const EVENTS: &'static [OwnKind] = &[];

    /// At the start of a deployment, with a value for each of [`Detector::PARAMS`], in range.
    fn new(params: &[f32]) -> Self;

    /// Takes the motion that came since the last call.
    fn block(&mut self, motion: &Motion<'_>, out: &mut Out) {
        let _ = (motion, out);
    }

    /// Takes a minute, once it is complete.
    fn minute(&mut self, minute: &MinuteSummary, out: &mut Out) {
        let _ = (minute, out);
    }

    /// Samples are missing between the last block and the next.
    fn gap(&mut self) {}
}

/// No detector.
impl Detector for () {
    const NAME: &'static str = "";
    const ANY: bool = false;

    fn new(_: &[f32]) -> Self {}
}

impl Kept for () {
    fn blank() -> Self {}

    fn visit(&mut self, _: &mut crate::kept::Cursor<'_>) {}
}

/// Takes the events of one call.
#[derive(Clone, Debug, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Out {
    events: heapless::Vec<OwnEvent, OUT_MAX>,
}

impl Out {
    /// Reports an event of the kind at this place of [`Detector::EVENTS`], at tag time `t_us`,
    /// microseconds, with its numbers. False: there were [`OUT_MAX`] already, and it is lost.
    pub fn report(&mut self, kind: u8, t_us: u64, numbers: &[f32]) -> bool {
        let mut all = [0.0; OWN_NUMBERS];
        for (slot, number) in all.iter_mut().zip(numbers) {
            *slot = *number;
        }
        self.events.push(OwnEvent { t_us, kind, numbers: all }).is_ok()
    }

    /// The events, in order.
    pub fn events(&self) -> &[OwnEvent] {
        &self.events
    }
}

/// What moved since the last call: up to 16 samples in a row at the working rate, which is the
/// sample rate below 40 Hz, half of it from there and a quarter of it from 80 Hz on.
#[derive(Clone, Copy, Debug)]
pub struct Motion<'a> {
    /// Tag time of the newest sample, microseconds.
    pub newest_us: u64,
    /// From one sample to the next, microseconds.
    pub period_us: u32,
    /// Mean acceleration over the static window (2.5 s unless set otherwise) that ends with the
    /// newest sample, or over what came since the start or a gap, g: what is slower than a beat.
    pub mean_g: [f32; 3],
    /// Unit vector towards one flank, sensor axes, once known.
    pub sway_axis: Option<[f32; 3]>,
    /// The animal's own beat period, s, once known.
    pub own_period_s: Option<f32>,
    /// Latest depth, m below the surface.
    pub depth_m: Option<f32>,
    /// All samples can be trusted.
    pub good: bool,
    /// The newest pairs that `window` worked off.
    pub(crate) pairs: u8,
    pub(crate) window: &'a Window,
}

impl<'a> Motion<'a> {
    /// Number of samples.
    pub fn len(&self) -> usize {
        let pairs = usize::from(self.pairs);
        if self.window.doubles() { pairs } else { pairs.saturating_mul(2) }
    }

    /// True where there is none.
    pub fn is_empty(&self) -> bool {
        self.pairs == 0
    }

    /// The samples, oldest first: tag time, microseconds, and acceleration in sensor axes, g.
    pub fn samples(&self) -> impl Iterator<Item = (u64, [f32; 3])> + use<'a> {
        let (len, newest_us, period_us) = (self.len(), self.newest_us, self.period_us);
        self.window.latest_g(self.pairs).enumerate().map(move |(n, accel_g)| {
            let behind = len.saturating_sub(n).saturating_sub(1) as u64;
            (newest_us.saturating_sub(behind.saturating_mul(u64::from(period_us))), accel_g)
        })
    }
}

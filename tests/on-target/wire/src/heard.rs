//! What the tag reported within one feed, held until it can be written: writing it
//! would count among the instructions of the feed.

use firmware_core::types::{Event, Moment, Sink};

/// At most `N` events, each with the samples of the run that were taken by then; what comes
/// beyond that is lost, and missed by whoever compares.
#[derive(Debug)]
pub struct Heard<const N: usize> {
    events: [Option<(Event, u32)>; N],
    count: usize,
}

impl<const N: usize> Heard<N> {
    /// Nothing yet.
    pub const NEW: Self = Heard { events: [None; N], count: 0 };

    /// The events in order, each with the number of its sample, where the run began with
    /// number `first`.
    pub fn iter(&self, first: u32) -> impl Iterator<Item = (&Event, u32)> {
        self.events
            .iter()
            .take(self.count)
            .flatten()
            .map(move |(event, taken)| (event, first.wrapping_add(taken.saturating_sub(1))))
    }

    /// Forgets them.
    pub fn clear(&mut self) {
        self.count = 0;
    }
}

impl<const N: usize> Sink for Heard<N> {
    #[inline]
    fn event(&mut self, event: &Event, moment: &Moment<'_>) {
        if let Some(place) = self.events.get_mut(self.count) {
            *place = Some((*event, moment.taken as u32));
            self.count = self.count.wrapping_add(1);
        }
    }
}

/// Through a reference.
impl<const N: usize> Sink for &mut Heard<N> {
    #[inline]
    fn event(&mut self, event: &Event, moment: &Moment<'_>) {
        (**self).event(event, moment);
    }
}

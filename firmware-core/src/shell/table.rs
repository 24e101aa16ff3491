//! Every state of the release, and every transition.

use crate::kept::Kept;

/// Where the release stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Kept!)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum State {
    /// Nothing to do, or not allowed to.
    #[default]
    Safe,
    /// The firing circuit charges.
    Arming,
    /// Current through the link.
    Firing,
    /// Waits for the tag to rise.
    Verifying,
    /// Waits before the next attempt.
    Resting,
    /// The tag came free.
    Free,
    /// Left to the passive link.
    GivenUp,
}

/// What can happen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Event {
    /// The decision stands, and nothing holds it.
    Called,
    /// On deck, or before the floor.
    Held,
    /// The time of the state has passed.
    Due,
    /// The tag rose, or went dry.
    Risen,
    /// A tag taken to be free went deep again.
    Sunk,
    /// Attempts or charge are used up.
    Spent,
    /// A pin could not be set.
    Fault,
    /// The tag was reset.
    Reset,
}

/// What the pins are to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Pull {
    /// Both low.
    Off,
    /// Armed.
    Arm,
    /// Armed and firing.
    Fire,
}

impl State {
    /// The pins in this state.
    pub fn pull(self) -> Pull {
        match self {
            State::Arming => Pull::Arm,
            State::Firing => Pull::Fire,
            _ => Pull::Off,
        }
    }
}

/// From, event, to. What is not here does not change the state.
pub const TABLE: &[(State, Event, State)] = &[
    (State::Safe, Event::Called, State::Arming),
    (State::Safe, Event::Spent, State::GivenUp),
    (State::Arming, Event::Due, State::Firing),
    (State::Arming, Event::Held, State::Safe),
    (State::Arming, Event::Fault, State::Resting),
    (State::Arming, Event::Reset, State::Resting),
    (State::Firing, Event::Due, State::Verifying),
    (State::Firing, Event::Risen, State::Free),
    (State::Firing, Event::Held, State::Safe),
    (State::Firing, Event::Fault, State::Resting),
    (State::Firing, Event::Reset, State::Resting),
    (State::Verifying, Event::Risen, State::Free),
    (State::Verifying, Event::Due, State::Resting),
    (State::Resting, Event::Risen, State::Free),
    (State::Resting, Event::Spent, State::GivenUp),
    (State::Resting, Event::Held, State::Safe),
    (State::Resting, Event::Due, State::Arming),
    (State::Free, Event::Sunk, State::Resting),
    (State::GivenUp, Event::Risen, State::Free),
];

/// The state after an event; `None`: it stays.
pub fn next(state: State, event: Event) -> Option<State> {
    TABLE.iter().find(|(s, e, _)| *s == state && *e == event).map(|(_, _, next)| *next)
}

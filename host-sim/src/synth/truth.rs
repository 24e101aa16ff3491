//! Truth: what happened and when, sorted, on the clock that the trace is written by.

/// Something that happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Happening {
    Beat,
    Glide,
    Rest,
    Burst,
    Death,
    Recovered,
    Detached,
    Surface,
    HeadShake,
    Released,
    PickedUp,
}

impl Happening {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Beat => "beat",
            Self::Glide => "glide",
            Self::Rest => "rest",
            Self::Burst => "burst",
            Self::Death => "death",
            Self::Recovered => "recovered",
            Self::Detached => "detached",
            Self::Surface => "surface",
            Self::HeadShake => "head_shake",
            Self::Released => "released",
            Self::PickedUp => "picked_up",
        }
    }
}

/// A row of the truth file; times in s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Event {
    pub(crate) t_s: f64,
    pub(crate) what: Happening,
    pub(crate) end_s: Option<f64>,
}

/// Events that may still be overtaken by an earlier one.
///
/// An interval is known when it ends but sorts by its start, and a clock that jumps
/// back brings old times again; so events wait until none can come before them.
#[derive(Clone, Debug, Default)]
pub(crate) struct Waiting {
    events: Vec<Event>,
}

impl Waiting {
    pub(crate) fn push(&mut self, e: Event) {
        let at = self.events.partition_point(|x| (x.t_s, x.what) <= (e.t_s, e.what));
        self.events.insert(at, e);
    }

    /// Takes those before `t_s`, in order.
    pub(crate) fn before(&mut self, t_s: f64) -> impl Iterator<Item = Event> + '_ {
        let n = self.events.partition_point(|x| x.t_s < t_s);
        self.events.drain(..n)
    }
}

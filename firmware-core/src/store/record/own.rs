//! Events of a detector of one's own, and what they are called.

use heapless::Vec;

use super::field::{Field, Pack, Unpack, layout};
use crate::detector::Detector;
use crate::types::{OWN_NUMBERS, OwnEvent};

/// Bytes of the names, at most.
const NAMES_MAX: usize = 239;

/// An event of a detector of one's own: its kind is a number, which [`OwnNames`] gives a name.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OwnRecord(pub OwnEvent);

layout!(OwnRecord { 0 });
layout!(OwnEvent { t_us, kind, numbers });

/// The table of a detector's events: a line of text with its name, then one a kind of event: its
/// name and the names of its numbers, with spaces between.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnNames {
    text: Vec<u8, NAMES_MAX>,
}

impl OwnNames {
    /// Those of a detector; what does not fit into a record is left out from the end.
    pub fn of<X: Detector>() -> Self {
        let mut names = OwnNames { text: Vec::new() };
        names.add(X::NAME);
        for kind in X::EVENTS {
            names.add("\n");
            names.add(kind.name);
            for number in kind.numbers.iter().take(OWN_NUMBERS) {
                names.add(" ");
                names.add(number);
            }
        }
        names
    }

    fn add(&mut self, text: &str) {
        // Not a part of a name: all of it, or nothing from here on.
        let _ = self.text.extend_from_slice(text.as_bytes());
    }

    /// The text.
    pub fn text(&self) -> &str {
        core::str::from_utf8(&self.text).unwrap_or("")
    }
}

impl Field for OwnNames {
    fn put(&self, into: &mut Pack<'_>) {
        self.text.put(into);
    }

    fn take(from: &mut Unpack<'_>) -> Option<Self> {
        let text = Vec::take(from)?;
        core::str::from_utf8(&text).ok()?;
        Some(OwnNames { text })
    }
}

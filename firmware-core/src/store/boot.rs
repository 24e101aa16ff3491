//! What a tag that starts up finds in its flash: whether a deployment is under way.
//!
//! By the log alone, so that no firmware formats at sea what a deployment has recorded. A log that
//! cannot be read is one under way: only [`Boot::Blank`] and [`Boot::Ended`] may be formatted.

use embedded_storage::nor_flash::NorFlash;

use crate::store::log::Log;
use crate::store::record::{Class, Kind};

/// What the flash says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Boot {
    /// No deployment was ever recorded here.
    Blank,
    /// One has begun and has not ended, or what is there cannot be read: go on with it.
    UnderWay,
    /// One has ended, by a record that says so.
    Ended,
}

/// Looks at a log just opened.
pub fn boot<F: NorFlash>(log: &mut Log<F>) -> Boot {
    let (mut ended, mut empty) = (false, true);
    log.recall(Class::Summary, 0, |kind, _| {
        empty = false;
        // Whatever follows an end is another deployment.
        ended = Kind::from_code(kind) == Some(Kind::End);
    });
    if ended {
        return Boot::Ended;
    }
    // Power may have gone as the last segment was erased, or as the first was opened.
    if empty && log.written() <= 1 { Boot::Blank } else { Boot::UnderWay }
}

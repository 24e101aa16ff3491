//! What is set before a deployment, where everything lies in the flash, and who writes to it.

use embedded_storage::nor_flash::NorFlash;
use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use firmware_core::shell::keeper::{Layout, Plan, Settings, Store};
use firmware_core::store::journal::Journal;
use firmware_core::store::log::Log;
use firmware_core::store::slots::Region;
use firmware_core::types::{Event, Moment, Sink};

/// The flash: the log first, then the copies. Sectors of 4 KiB.
pub const LOG_BYTES: u32 = 0x1_0000;
const COPIES: Region = Region { from: LOG_BYTES, slot_bytes: 4096, count: 4, mark: 1 };
const VITALS: Region = Region { from: 0x1_4000, slot_bytes: 256, count: 32, mark: 2 };
/// Copies of the journal.
pub const JOURNAL: Region = Region { from: 0x1_6000, slot_bytes: 1024, count: 8, mark: 3 };
/// Copies of the keeper.
pub const LAYOUT: Layout = Layout { copies: COPIES, vitals: VITALS };
/// Bytes of the flash that it takes.
pub const FLASH_BYTES: u32 = 0x1_8000;

/// What differs from one deployment to the next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deployment {
    /// Its number, another for each: copies of an earlier one are never taken up.
    pub number: u8,
    /// Earliest release, h.
    pub floor_h: f32,
    /// Latest release, h.
    pub ceiling_h: f32,
    /// Latitude, degrees north.
    pub latitude_deg: f32,
}

impl Deployment {
    /// The one that is tried on the simulated board.
    pub const TRIAL: Deployment =
        Deployment { number: 17, floor_h: 0.1, ceiling_h: 0.5, latitude_deg: 43.0 };

    /// What the keeper is made of. `None`: a setting is out of range.
    pub fn plan(&self) -> Option<Plan> {
        let Deployment { floor_h, ceiling_h, latitude_deg, .. } = *self;
        let release = Release { floor_h, ceiling_h, ..Release::DEFAULT };
        let config = Config::new(
            Logger { sample_hz: 25.0, range_g: 8.0, counts_per_g: 256.0, mount_deg: None },
            Place { start_unix_s: None, latitude_deg, longitude_deg: 0.0 },
            Animal { breathing: Breathing::Ram, length_m: None },
            Detector::DEFAULT,
            release,
        );
        Some(Plan::new(config.ok()?, Settings::DEFAULT, self.number.into()))
    }
}

/// Log and journal, which take the reports; their flash holds the copies too.
pub struct Books<F> {
    /// Recorder and satellite summary.
    pub journal: Journal,
    /// The log, which owns the flash.
    pub log: Log<F>,
}

impl<F: NorFlash> Sink for Books<F> {
    fn event(&mut self, event: &Event, moment: &Moment<'_>) {
        // What cannot be kept is counted by the journal, and in the messages.
        let _ = self.journal.take(event, moment, &mut self.log);
    }
}

impl<F: NorFlash> Store for Books<F> {
    type Flash = F;

    fn flash(&mut self) -> &mut F {
        self.log.flash()
    }
}

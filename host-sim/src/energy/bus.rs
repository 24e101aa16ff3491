//! What reading the sensors and keeping copies of state costs, from the bytes that the
//! drivers of the core transfer.
//!
//! [`traffic`] counts bytes; here they become clocks, time and charge:
//!
//! ```text
//! SPI: clocks = 8 bytes
//! I2C: clocks = 9 (bytes + addresses) + 2 transactions + restarts
//! ```
//!
//! 9 clocks a byte, with its acknowledge, and an address after each start: UM10204
//! (memory). A start, a restart and a stop count as one clock each, which is their setup and
//! hold time at 400 kHz to within a clock (memory).

use super::cost::CoreFigures;
use super::traffic::{self, Traffic};
use crate::tag_file::{Bus, BusKind, Copies, Meanwhile};

const MS_PER_S: f64 = 1e3;
const US_PER_S: f64 = 1e6;
const SECONDS_PER_DAY: f64 = 86_400.0;
/// A clock line is charged once a clock, two data lines once in four each (random bits).
const CHARGES_PER_CLOCK: f64 = 1.5;

/// The processor, awake.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Processor {
    /// Running current, mA.
    pub run_ma: f64,
    /// Clock, MHz.
    pub clock_mhz: f64,
    /// To wake and fall asleep again, us at running current.
    pub wake_us: f64,
}

impl From<&CoreFigures> for Processor {
    fn from(c: &CoreFigures) -> Self {
        Processor {
            run_ma: c.run_ua_per_mhz * c.clock_mhz / MS_PER_S,
            clock_mhz: c.clock_mhz,
            wake_us: c.wake_us,
        }
    }
}

/// Charges of a bus under a processor. All are above that of a processor asleep.
#[derive(Clone, Copy, Debug)]
pub struct Reckoner<'a> {
    /// The bus.
    pub bus: &'a Bus,
    /// The processor.
    pub processor: Processor,
}

impl Reckoner<'_> {
    /// Time that `traffic` takes on a bus of `kind`, s.
    pub fn transfer_s(&self, kind: BusKind, traffic: &Traffic) -> f64 {
        let khz = match kind {
            BusKind::Spi => self.bus.spi_khz.value,
            BusKind::I2c => self.bus.i2c_khz.value,
        };
        traffic.clocks(kind) / (khz * 1e3)
    }

    /// Charge of `traffic` on a bus of `kind`, uC.
    pub fn transfer_uc(&self, kind: BusKind, traffic: &Traffic) -> f64 {
        let (bus, cpu) = (self.bus, self.processor);
        let length_s = self.transfer_s(kind, traffic);
        let setup_us = traffic.transactions * bus.setup_cycles.value / cpu.clock_mhz;
        let processor_uc = match bus.transfers {
            Meanwhile::Wait => cpu.run_ma * (length_s * MS_PER_S + setup_us / MS_PER_S),
            Meanwhile::Sleep => {
                let awake_us = setup_us + traffic.transactions * cpu.wake_us;
                bus.transfer_ua.value * length_s + cpu.run_ma * awake_us / MS_PER_S
            }
        };
        processor_uc + self.lines_uc(kind, traffic)
    }

    /// Charge that the lines themselves take, uC.
    fn lines_uc(&self, kind: BusKind, traffic: &Traffic) -> f64 {
        let bus = self.bus;
        match kind {
            // Each of the two lines is low half of the time.
            BusKind::I2c => {
                let both_a = 2.0 * 0.5 * bus.line_v.value / bus.pullup_ohm.value;
                both_a * self.transfer_s(kind, traffic) * US_PER_S
            }
            BusKind::Spi => {
                let line_uc = bus.line_pf.value * bus.line_v.value / US_PER_S;
                CHARGES_PER_CLOCK * line_uc * traffic.clocks(kind)
            }
        }
    }

    /// Charge of the processor over a delay of `length_ms`, uC.
    pub fn delay_uc(&self, length_ms: f64) -> f64 {
        let cpu = self.processor;
        match self.bus.delays {
            Meanwhile::Wait => cpu.run_ma * length_ms,
            // It wakes once at the end, and may wake within the delay itself.
            Meanwhile::Sleep => cpu.run_ma * (cpu.wake_us / MS_PER_S).min(length_ms),
        }
    }

    /// Mean current of reading the accelerometer's FIFO at `sample_hz`, uA.
    pub fn fifo_ua(&self, sample_hz: f64) -> f64 {
        let samples = self.bus.fifo_samples;
        let read = traffic::fifo(self.bus.kind, samples);
        sample_hz / samples * self.transfer_uc(self.bus.kind, &read)
    }

    /// Charge of one pressure reading beside the sensor's own, uC: commands and results on
    /// I2C, and `wait_ms` of conversion.
    pub fn pressure_uc(&self, wait_ms: f64) -> f64 {
        let conversions = traffic::CONVERSIONS;
        self.transfer_uc(BusKind::I2c, &traffic::pressure())
            + conversions * self.delay_uc(wait_ms / conversions)
    }

    /// Mean current of the copies without their instructions, uA: bytes to the memory and
    /// back over SPI, its programming and erasing, and the processor meanwhile.
    pub fn copies_ua(&self, copies: &Copies) -> f64 {
        regions(copies).map(|region| self.copy_uc(copies, &region) / region.every_s).sum()
    }

    /// Charge of one copy, with its part of an erasure, uC.
    fn copy_uc(&self, copies: &Copies, region: &Region) -> f64 {
        let blocks = region.blocks;
        let erasures = region.erasures_per_copy();
        let program_ms = copies.program_ms.value;
        let written = self.transfer_uc(BusKind::Spi, &traffic::flash_blocks(blocks))
            + blocks * (copies.program_ma.value * program_ms + self.delay_uc(program_ms));
        let erase_ms = copies.erase_ms.value;
        let erased = self.transfer_uc(BusKind::Spi, &traffic::flash_erasure())
            + copies.erase_ma.value * erase_ms
            + self.delay_uc(erase_ms);
        written + erasures * erased
    }
}

/// A region of copies.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Region {
    /// From copy to copy, s.
    every_s: f64,
    /// Blocks of a copy.
    blocks: f64,
    /// Bytes of a slot.
    slot_bytes: f64,
    /// Sectors in turn.
    sectors: f64,
}

impl Region {
    fn erasures_per_copy(&self) -> f64 {
        self.slot_bytes / traffic::SECTOR_BYTES
    }
}

/// Vitals, everything, log and messages; none where no copies are kept.
fn regions(copies: &Copies) -> impl Iterator<Item = Region> {
    let every_s = [copies.vitals_s, copies.all_s, traffic::JOURNAL_S];
    let all = (0..3).map(move |n| Region {
        every_s: every_s[n],
        blocks: traffic::COPY_BLOCKS[n],
        slot_bytes: traffic::SLOT_BYTES[n],
        sectors: copies.sectors[n],
    });
    all.filter(|_| copies.kept)
}

/// Erasures a day of the sector that is erased most; 0 where no copies are kept.
pub fn erasures_per_day(copies: &Copies) -> f64 {
    regions(copies)
        .map(|r| SECONDS_PER_DAY / r.every_s * r.erasures_per_copy() / r.sectors)
        .fold(0.0, f64::max)
}

#[cfg(test)]
#[path = "bus_tests.rs"]
mod tests;

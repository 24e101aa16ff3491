//! Bytes that cross a bus, as the drivers and the copies of the core transfer them.
//! `traffic_tests.rs` holds each count to the core itself, over a bus and a memory that count.

use crate::tag_file::BusKind;

/// Bytes of a frame of three axes in the accelerometer's FIFO.
const FRAME_BYTES: f64 = 7.0;
/// Frames that the driver reads at a time.
const BLOCK_FRAMES: f64 = 16.0;
/// Bytes of the two readings before: status 1, length 2.
const ASKED_BYTES: f64 = 3.0;
/// Conversions of a pressure reading: pressure and temperature.
pub const CONVERSIONS: f64 = 2.0;
/// Bytes of a block, in which copies are written and read back.
const COPY_BLOCK_BYTES: f64 = 64.0;
/// Bytes that are erased together.
pub const SECTOR_BYTES: f64 = 4096.0;
/// Bytes of a slot: vitals, everything, log and messages (`docs/resets.md`).
pub const SLOT_BYTES: [f64; 3] = [256.0, 4096.0, 1024.0];
/// Blocks of a copy of each at most, over six hours at 25 Hz.
pub const COPY_BLOCKS: [f64; 3] = [3.0, 56.0, 10.0];
/// From copy to copy of the journal, s.
pub const JOURNAL_S: f64 = 3600.0;

/// What crosses a bus.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Traffic {
    /// Transactions: from start to stop, or under one select of the chip.
    pub transactions: f64,
    /// Changes from writing to reading within a transaction: a restart on I2C.
    pub restarts: f64,
    /// Bytes: registers, commands, dummies and data, without the addresses of I2C.
    pub bytes: f64,
}

impl Traffic {
    /// Clocks on a bus of `kind`, see [`super::bus`].
    pub fn clocks(&self, kind: BusKind) -> f64 {
        match kind {
            BusKind::Spi => 8.0 * self.bytes,
            BusKind::I2c => {
                let addresses = self.transactions + self.restarts;
                9.0 * (self.bytes + addresses) + 2.0 * self.transactions + self.restarts
            }
        }
    }
}

/// One read of the FIFO with `samples` in it, 1 to 146: status, length, blocks of frames. SPI
/// needs a dummy byte behind each register.
pub fn fifo(kind: BusKind, samples: f64) -> Traffic {
    let transactions = 2.0 + (samples / BLOCK_FRAMES).ceil();
    let (before, restarts) = match kind {
        BusKind::Spi => (2.0, 0.0),
        BusKind::I2c => (1.0, transactions),
    };
    let bytes = before * transactions + ASKED_BYTES + FRAME_BYTES * samples;
    Traffic { transactions, restarts, bytes }
}

/// One pressure reading on I2C: twice a command, then a command and 3 bytes of result.
pub fn pressure() -> Traffic {
    Traffic {
        transactions: 2.0 * CONVERSIONS,
        restarts: CONVERSIONS,
        bytes: (1.0 + 1.0 + 3.0) * CONVERSIONS,
    }
}

/// Writing `blocks` of a copy to a serial memory and reading them back. A block: enable 1
/// byte, program with its address 4 and the data, status 2; then read with its address 4 and
/// the data. Commands are those of common serial NOR memories (memory).
pub fn flash_blocks(blocks: f64) -> Traffic {
    let bytes = 1.0 + (4.0 + COPY_BLOCK_BYTES) + 2.0 + (4.0 + COPY_BLOCK_BYTES);
    Traffic { transactions: 4.0 * blocks, restarts: 0.0, bytes: bytes * blocks }
}

/// Erasing a sector of a serial memory: enable 1, erase with its address 4, status 2.
pub fn flash_erasure() -> Traffic {
    Traffic { transactions: 3.0, restarts: 0.0, bytes: 7.0 }
}

#[cfg(test)]
#[path = "traffic_tests.rs"]
mod tests;

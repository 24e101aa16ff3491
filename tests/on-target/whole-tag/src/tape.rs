//! The tape of a simulated board: everything that it answers the firmware and everything that the
//! firmware makes it do, in order, so that the host can run the same firmware over it. A record is a
//! tag and its fields, whole numbers little-endian.

/// A boot: reason (0 power, 1 watchdog) u8, CRC-32 of the flash u32.
pub const BOOT: u8 = b'B';
/// The boot is over, by a reset.
pub const RESET: u8 = b'X';
/// The firmware came to its end.
pub const END: u8 = b'E';
/// A sleep: time u64, interrupt u64 (all ones: none).
pub const SLEEP: u8 = b'S';
/// Clocks: timer u64, two counters u64.
pub const CLOCKS: u8 = b'C';
/// Why the processor started u8.
pub const REASON: u8 = b'R';
/// Wet sensor u8.
pub const WET: u8 = b'W';
/// Magnet u8.
pub const MAGNET: u8 = b'M';
/// Cable u8.
pub const PLUGGED: u8 = b'P';
/// A measurement: what u8, value u16.
pub const MEASURE: u8 = b'A';
/// A switch: what u8, on u8.
pub const SWITCH: u8 = b'O';
/// A pin of the release: which (0 arms, 1 fires) u8, high u8.
pub const PIN: u8 = b'N';
/// A satellite message: 31 bytes.
pub const SEND: u8 = b'T';
/// The serial line: length u16, CRC-32 of the bytes u32.
pub const SERIAL: u8 = b'L';
/// The watchdog.
pub const ALIVE: u8 = b'V';
/// A transfer on the bus: answered u8, bytes read u8, the bytes.
pub const BUS: u8 = b'I';
/// Of the world, no answer: samples that the next transfer reads, number of the first u32, how many u8.
pub const SAMPLES: u8 = b'D';
/// Of the world, no answer: depth at a reading, time u64, cm u32.
pub const DEPTH: u8 = b'H';
/// The check sum.
pub const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

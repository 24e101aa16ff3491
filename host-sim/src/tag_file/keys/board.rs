//! What moves bytes between the processor and its parts, and the copies of state.

use super::Kind::{Count, Figure, Flag, Word};
use super::{MA, Table, UA, may, with};

const TYPICAL: &str = "typical of data sheets, no single source (memory)";

pub(super) static BUS: Table = Table {
    name: "bus",
    many: false,
    must: false,
    doc: "Between the processor and its sensors and memory. Absent: the defaults below are counted.",
    keys: &[
        may("kind", Word(&["spi", "i2c"]), "\"spi\"", "Bus of the accelerometer."),
        with("spi_khz", Figure(1.0, 1e5), 4000.0, TYPICAL, "Clock of SPI, kHz."),
        with(
            "i2c_khz",
            Figure(1.0, 5000.0),
            400.0,
            "fast mode of UM10204 (memory)",
            "Clock of I2C, kHz; the pressure sensor is always on I2C.",
        ),
        may(
            "transfers",
            Word(&["wait", "sleep"]),
            "\"wait\", as a blocking driver does",
            "What the processor does while a transfer runs: wait at running current, or sleep until \
             an interrupt (DMA).",
        ),
        may(
            "delays",
            Word(&["wait", "sleep"]),
            "\"wait\", as a blocking driver does",
            "What it does while a sensor converts or the memory programs and erases.",
        ),
        with(
            "fifo_samples",
            Count(1.0, 146.0),
            25.0,
            "as measured, `docs/on-target-table.md`",
            "Samples that the FIFO holds when it is read.",
        ),
        with(
            "setup_cycles",
            Figure(0.0, 1e6),
            300.0,
            "assumed, no source",
            "Cycles of the processor to begin a transaction and to take its end.",
        ),
        with(
            "transfer_ua",
            UA,
            500.0,
            TYPICAL,
            "Clock, bus block and DMA of a processor that sleeps while a transfer runs, uA.",
        ),
        with(
            "pullup_ohm",
            Figure(10.0, 1e7),
            4700.0,
            TYPICAL,
            "Pull-up of each of the two lines of I2C, ohm.",
        ),
        with("line_pf", Figure(0.0, 1e5), 20.0, TYPICAL, "Capacitance of a line of SPI, pF."),
        with("line_v", Figure(0.1, 30.0), 3.0, TYPICAL, "Voltage of the lines, V."),
    ],
};

pub(super) static COPIES: Table = Table {
    name: "copies",
    many: false,
    must: false,
    doc: "Copies of state in flash, while the detectors run. Absent: the defaults below are counted.",
    keys: &[
        may("kept", Flag, "true", "Copies are kept."),
        with(
            "vitals_s",
            Count(1.0, 3600.0),
            60.0,
            "default of the shell",
            "From copy to copy of the vitals, s.",
        ),
        with(
            "all_s",
            Count(10.0, 86_400.0),
            300.0,
            "default of the shell",
            "From copy to copy of everything, s.",
        ),
        with(
            "vitals_sectors",
            Count(2.0, 1e4),
            2.0,
            "the least there may be",
            "Sectors of 4096 bytes for the vitals.",
        ),
        with(
            "all_sectors",
            Count(2.0, 1e4),
            4.0,
            "two more than the least",
            "Sectors of 4096 bytes for everything.",
        ),
        with(
            "journal_sectors",
            Count(2.0, 1e4),
            2.0,
            "the least there may be",
            "Sectors of 4096 bytes for log and messages.",
        ),
        with("program_ms", Figure(0.0, 1e4), 0.2, TYPICAL, "To program a block of 64 bytes, ms."),
        with("program_ma", MA, 15.0, TYPICAL, "Current of the memory while it programs, mA."),
        with("erase_ms", Figure(0.0, 1e5), 50.0, TYPICAL, "To erase a sector of 4096 bytes, ms."),
        with("erase_ma", MA, 15.0, TYPICAL, "Current of the memory while it erases, mA."),
        with(
            "rated_erasures",
            Figure(1.0, 1e9),
            10_000.0,
            TYPICAL,
            "Erasures that a sector of the memory stands.",
        ),
    ],
};

//! The battery and what always draws on it.

use super::Kind::{Count, Curve, Figure, Flag, Text, Word};
use super::{DEG_C, MA, NONE, Table, UA, may, must, with};

pub(super) static TAG: Table = Table {
    name: "tag",
    many: false,
    must: true,
    doc: "Which tag this is.",
    keys: &[
        must("id", Text, "Name of the tag, repeated in reports."),
        may("notes", Text, NONE, "Remarks."),
        may("invented", Flag, "false", "The figures are made up; reports then say so."),
    ],
};

pub(super) static CELL: Table = Table {
    name: "cell",
    many: false,
    must: true,
    doc: "The cell. Figures are those of one cell; `in_series` and `in_parallel` make the battery.",
    keys: &[
        must("chemistry", Text, "Chemistry, for the report."),
        must("nominal_mah", Figure(1e-3, 1e6), "Nominal capacity at 20 deg C and `rated_ma`, mAh."),
        with("in_series", Count(1.0, 20.0), 1.0, "one cell", "Cells in series."),
        with("in_parallel", Count(1.0, 100.0), 1.0, "one cell", "Cells in parallel."),
        may(
            "rated_ma",
            Figure(1e-6, 1e5),
            "needed with `peukert_exponent`",
            "Current at which the nominal capacity holds, mA.",
        ),
        with(
            "peukert_exponent",
            Figure(1.0, 2.0),
            1.0,
            "no derating by load",
            "Peukert's exponent: a current I counts as I (I/rated)^(exponent - 1).",
        ),
        may(
            "capacity_part_by_ma",
            Curve([0.0, 1e5], [0.01, 1.5]),
            "1 at every load",
            "Part of the nominal capacity by load, mA of one cell; instead of `peukert_exponent`.",
        ),
        must(
            "capacity_part_by_c",
            Curve(DEG_C, [0.01, 1.5]),
            "Part of the nominal capacity by temperature, deg C.",
        ),
        must(
            "voltage_v_by_left",
            Curve([0.0, 1.0], [0.1, 30.0]),
            "Voltage without load, V, by the part of the charge left; may not fall as the part rises.",
        ),
        must(
            "resistance_ohm_by_c",
            Curve(DEG_C, [0.0, 1e6]),
            "Internal resistance of a fresh cell, ohm, by temperature, deg C.",
        ),
        may(
            "resistance_factor_by_left",
            Curve([0.0, 1.0], [0.01, 1e4]),
            "1 throughout",
            "Factor on the internal resistance by the part of the charge left; may not rise with it.",
        ),
        must(
            "self_discharge_percent_per_year",
            Figure(0.0, 99.0),
            "Charge lost by itself at 20 deg C, percent of what is left a year.",
        ),
        with(
            "self_discharge_doubling_c",
            Figure(1.0, 1000.0),
            10.0,
            "common practice, no source",
            "Rise of temperature that doubles self-discharge, deg C.",
        ),
        with(
            "age_years",
            Figure(0.0, 50.0),
            0.0,
            "a fresh cell",
            "Time the cell lay at 20 deg C before the first phase, years.",
        ),
        must(
            "cutoff_v",
            Figure(0.05, 30.0),
            "Voltage of one cell under steady load at which it counts as empty, V.",
        ),
    ],
};

pub(super) static SUPPLY: Table = Table {
    name: "supply",
    many: false,
    must: true,
    doc: "Between the cell and the parts.",
    keys: &[
        must("brownout_v", Figure(0.05, 600.0), "Battery voltage below which the tag resets, V."),
        with(
            "buffer_mf",
            Figure(0.0, 1e6),
            0.0,
            "no buffer",
            "Capacitor across the battery, millifarad.",
        ),
        with(
            "buffer_esr_ohm",
            Figure(0.0, 1e4),
            0.0,
            "no series resistance",
            "Its series resistance, ohm.",
        ),
        with("leakage_ua", UA, 0.0, "none", "Leakage and regulator, all the time, uA."),
        may(
            "pulses_coincide",
            Flag,
            "false",
            "Pulses of different parts may fall together; else the firmware keeps them apart.",
        ),
    ],
};

pub(super) static MCU: Table = Table {
    name: "mcu",
    many: false,
    must: true,
    doc: "The microcontroller. Absent figures of running are those of the core in `tests/on-target/model.toml`.",
    keys: &[
        may(
            "core",
            Word(&["Cortex-M4F", "Cortex-M0"]),
            "\"Cortex-M4F\"",
            "Core that the instructions of the detectors were counted on.",
        ),
        must("sleep_ua", UA, "Asleep with the clock running, uA."),
        may(
            "cycles_per_instruction",
            Figure(0.1, 100.0),
            "of the core",
            "Clock cycles an instruction.",
        ),
        may("clock_mhz", Figure(0.01, 2000.0), "of the core", "Clock while running, MHz."),
        may("run_ua_per_mhz", Figure(0.1, 1e5), "of the core", "Running current, uA for each MHz."),
        may(
            "wake_us",
            Figure(0.0, 1e6),
            "of the core",
            "To wake and fall asleep again, once a sample, us at running current.",
        ),
        may(
            "read_us",
            Figure(0.0, 1e6),
            "by `[bus]`",
            "To read one sample from the accelerometer, us at running current, as measured; instead of what `[bus]` gives.",
        ),
        may(
            "instructions_by_hz",
            Curve([0.01, 1000.0], [0.0, 1e8]),
            "measured, `docs/on-target-table.md`",
            "Instructions a sample of all that runs on the core, copies of state included, by sample rate, Hz; all count as detectors.",
        ),
    ],
};

pub(super) static ACCELEROMETER: Table = Table {
    name: "accelerometer",
    many: false,
    must: true,
    doc: "The accelerometer.",
    keys: &[
        must(
            "current_ua_by_hz",
            Curve([0.01, 1000.0], [0.0, 1e6]),
            "While sampling, uA, by sample rate, Hz.",
        ),
        must("standby_ua", UA, "Switched on and not sampling, uA."),
    ],
};

pub(super) static DEPTH_SENSOR: Table = Table {
    name: "depth_sensor",
    many: false,
    must: false,
    doc: "The depth sensor.",
    keys: &[
        with("standby_ua", UA, 0.0, "switched off", "Between readings, uA."),
        must("reading_ma", MA, "During a reading, mA."),
        must("reading_ms", Figure(1e-3, 1e5), "Length of a reading, ms."),
        with(
            "wait_ms",
            Figure(0.0, 1e5),
            4.56,
            "two conversions of the core's driver",
            "Time of a reading for which the processor waits, or sleeps by `delays` of `[bus]`, ms.",
        ),
    ],
};

pub(super) static FLASH: Table = Table {
    name: "flash",
    many: false,
    must: false,
    doc: "The memory chip.",
    keys: &[
        must("idle_ua", UA, "Not being written, uA."),
        must("write_uc_per_byte", Figure(0.0, 1e6), "Charge to write a byte, uC."),
        with(
            "erase_uc_per_byte",
            Figure(0.0, 1e6),
            0.0,
            "erased before the trip",
            "Charge to erase a byte, uC, where it is erased under way.",
        ),
        may("write_ma", MA, "its sag is not looked at", "Current while a page is written, mA."),
    ],
};

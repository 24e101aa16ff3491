//! Every table and key of a tag file, with unit, range and default: the one place
//! that the reader checks against and `docs/tag-file.md` is written from.

/// What a key takes.
#[derive(Clone, Copy, Debug)]
pub enum Kind {
    /// Text in quotes.
    Text,
    /// One of these words.
    Word(&'static [&'static str]),
    /// A list of names.
    Names,
    /// true or false.
    Flag,
    /// A number somebody measured or stated: range; needs a source.
    Figure(f64, f64),
    /// A number somebody chose: range; needs no source.
    Choice(f64, f64),
    /// A whole number somebody chose: range.
    Count(f64, f64),
    /// Pairs: range of the first number, range of the second; needs a source.
    Curve([f64; 2], [f64; 2]),
    /// Pairs in order of time: range of the length, range of the current; needs a source.
    Steps([f64; 2], [f64; 2]),
}

/// Whether a key has to be there.
#[derive(Clone, Copy, Debug)]
pub enum Need {
    /// An error without it.
    Must,
    /// May be absent; the text says what then holds.
    May(&'static str),
    /// May be absent; then this number, whose source is the text.
    Default(f64, &'static str),
}

/// A key.
#[derive(Debug)]
pub struct Key {
    /// Its name, unit at the end.
    pub name: &'static str,
    /// Whether it has to be there.
    pub need: Need,
    /// What it takes.
    pub kind: Kind,
    /// What it says.
    pub doc: &'static str,
}

/// A table.
#[derive(Debug)]
pub struct Table {
    /// Its name.
    pub name: &'static str,
    /// Written `[[name]]`, any number of them.
    pub many: bool,
    /// An error without it.
    pub must: bool,
    /// What it is.
    pub doc: &'static str,
    /// Its keys.
    pub keys: &'static [Key],
}

const fn must(name: &'static str, kind: Kind, doc: &'static str) -> Key {
    Key { name, need: Need::Must, kind, doc }
}

const fn may(name: &'static str, kind: Kind, absent: &'static str, doc: &'static str) -> Key {
    Key { name, need: Need::May(absent), kind, doc }
}

const fn with(
    name: &'static str,
    kind: Kind,
    default: f64,
    from: &'static str,
    doc: &'static str,
) -> Key {
    Key { name, need: Need::Default(default, from), kind, doc }
}

use Kind::{Choice, Count, Curve, Figure, Flag, Names, Steps, Text, Word};

/// Steady currents, uA.
const UA: Kind = Figure(0.0, 1e6);
/// Pulse currents, mA.
const MA: Kind = Figure(1e-6, 1e5);
const NONE: &str = "none";
/// The range of all that is a temperature, deg C.
const DEG_C: [f64; 2] = [-60.0, 90.0];

/// The tables, in the order of the documentation.
pub const TABLES: &[Table] = &[
    Table {
        name: "tag",
        many: false,
        must: true,
        doc: "Which tag this is.",
        keys: &[
            must("id", Text, "Name of the tag, repeated in reports."),
            may("notes", Text, NONE, "Remarks."),
            may("invented", Flag, "false", "The figures are made up; reports then say so."),
        ],
    },
    Table {
        name: "cell",
        many: false,
        must: true,
        doc: "The cell. Figures are those of one cell; `in_series` and `in_parallel` make the battery.",
        keys: &[
            must("chemistry", Text, "Chemistry, for the report."),
            must(
                "nominal_mah",
                Figure(1e-3, 1e6),
                "Nominal capacity at 20 deg C and `rated_ma`, mAh.",
            ),
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
                Figure(0.0, 1000.0),
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
    },
    Table {
        name: "supply",
        many: false,
        must: true,
        doc: "Between the cell and the parts.",
        keys: &[
            must(
                "brownout_v",
                Figure(0.05, 600.0),
                "Battery voltage below which the tag resets, V.",
            ),
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
    },
    Table {
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
            may(
                "run_ua_per_mhz",
                Figure(0.1, 1e5),
                "of the core",
                "Running current, uA for each MHz.",
            ),
            may(
                "wake_us",
                Figure(0.0, 1e6),
                "of the core",
                "To wake and fall asleep again, once a sample, us at running current.",
            ),
            with(
                "read_us",
                Figure(0.0, 1e6),
                0.0,
                "not counted",
                "To read one sample from the sensor, us at running current.",
            ),
            may(
                "instructions_by_hz",
                Curve([0.01, 1000.0], [0.0, 1e8]),
                "measured, `docs/on-target-table.md`",
                "Instructions of the detectors a sample, by sample rate, Hz.",
            ),
        ],
    },
    Table {
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
    },
    Table {
        name: "depth_sensor",
        many: false,
        must: false,
        doc: "The depth sensor.",
        keys: &[
            with("standby_ua", UA, 0.0, "switched off", "Between readings, uA."),
            must("reading_ma", MA, "During a reading, mA."),
            must("reading_ms", Figure(1e-3, 1e5), "Length of a reading, ms."),
        ],
    },
    Table {
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
    },
    Table {
        name: "radio_beacon",
        many: false,
        must: false,
        doc: "The radio beacon for homing in.",
        keys: &[
            may("pulse_ma", MA, "see `pulse_shape_ms_ma`", "Current during a pulse, mA."),
            may("pulse_ms", Figure(1e-3, 1e7), "see `pulse_mah`", "Length of a pulse, ms."),
            may(
                "pulse_mah",
                Figure(1e-12, 1e4),
                "from current and length",
                "Charge of a pulse, mAh; instead of `pulse_ms`.",
            ),
            may(
                "pulse_shape_ms_ma",
                Steps([1e-3, 1e7], [0.0, 1e5]),
                NONE,
                "Steps of a pulse, [length in ms, current in mA], in order; instead of the keys above.",
            ),
            must("period_s", Figure(1e-3, 1e7), "From pulse to pulse, s."),
            with(
                "hours_per_day",
                Choice(0.01, 24.0),
                24.0,
                "all day",
                "Hours a day, from the start of the phase on.",
            ),
            with("idle_ua", UA, 0.0, "none", "Between pulses, uA."),
        ],
    },
    Table {
        name: "satellite_beacon",
        many: false,
        must: false,
        doc: "The satellite beacon.",
        keys: &[
            may("message_ma", MA, "see `message_shape_s_ma`", "Current during a message, mA."),
            may("message_s", Figure(1e-6, 1e5), "see `message_mah`", "Length of a message, s."),
            may(
                "message_mah",
                Figure(1e-12, 1e4),
                "from current and length",
                "Charge of a message, mAh; instead of `message_s`.",
            ),
            may(
                "message_shape_s_ma",
                Steps([1e-6, 1e5], [0.0, 1e5]),
                NONE,
                "Steps of a message, [length in s, current in mA], in order; instead of the keys above.",
            ),
            must("period_s", Figure(1e-3, 1e7), "From message to message, s."),
            with(
                "hours_per_day",
                Choice(0.01, 24.0),
                24.0,
                "all day",
                "Hours a day, from the start of the phase on.",
            ),
            with("idle_ua", UA, 0.0, "none", "Between messages, uA."),
        ],
    },
    Table {
        name: "position_fix",
        many: false,
        must: false,
        doc: "The receiver that fixes the position.",
        keys: &[
            must("fix_ma", MA, "Current during a fix, mA."),
            may("fix_s", Figure(1e-6, 1e5), "see `fix_mah`", "Length of a fix, s."),
            may(
                "fix_mah",
                Figure(1e-12, 1e4),
                "from current and length",
                "Charge of a fix, mAh; instead of `fix_s`.",
            ),
            must("period_s", Figure(1e-3, 1e7), "From fix to fix, s."),
            with("idle_ua", UA, 0.0, "none", "Between fixes, uA."),
        ],
    },
    Table {
        name: "release",
        many: false,
        must: true,
        doc: "Letting go.",
        keys: &[
            must("firing_ma", MA, "Current while the release fires, mA."),
            may("firing_s", Figure(1e-6, 1e6), "see `firing_mah`", "Length of a firing, s."),
            may(
                "firing_mah",
                Figure(1e-12, 1e5),
                "from current and length",
                "Charge of a firing, mAh; instead of `firing_s`.",
            ),
            with("attempts", Count(1.0, 100.0), 1.0, "one", "Firings paid for."),
            with(
                "reserve_fraction",
                Choice(0.0, 0.95),
                0.2,
                "default of `cell_reserve_fraction`",
                "Part of the charge kept for firing and search: the tag lets go when no more is left.",
            ),
        ],
    },
    Table {
        name: "passive_link",
        many: false,
        must: false,
        doc: "The link that corrodes through by itself, the last resort.",
        keys: &[must("days", Figure(1e-3, 4000.0), "Days in the water until it parts.")],
    },
    Table {
        name: "memory",
        many: false,
        must: false,
        doc: "Memory for the record.",
        keys: &[must("size_mib", Figure(1e-3, 1e6), "Size, MiB.")],
    },
    Table {
        name: "record",
        many: true,
        must: false,
        doc: "A format of record, named in the `records` of a phase.",
        keys: &[
            must("name", Text, "Its name."),
            with("bytes_per_sample", Figure(0.0, 1e4), 0.0, "none", "Bytes each sample."),
            with(
                "bytes_per_minute",
                Figure(0.0, 1e7),
                0.0,
                "none",
                "Bytes each minute of sampling.",
            ),
            with("bytes_per_day", Figure(0.0, 1e10), 0.0, "none", "Bytes each day."),
        ],
    },
    Table {
        name: "load",
        many: true,
        must: false,
        doc: "Any other load, named in the `parts` of a phase: steady, pulsed, or both.",
        keys: &[
            must("name", Text, "Its name."),
            with("current_ua", UA, 0.0, "none", "Steady current, uA."),
            may("pulse_ma", MA, NONE, "Current during a pulse, mA."),
            may("pulse_ms", Figure(1e-3, 1e7), "see `pulse_mah`", "Length of a pulse, ms."),
            may(
                "pulse_mah",
                Figure(1e-12, 1e4),
                "from current and length",
                "Charge of a pulse, mAh; instead of `pulse_ms`.",
            ),
            may("period_s", Figure(1e-3, 1e7), "needed with a pulse", "From pulse to pulse, s."),
            with(
                "hours_per_day",
                Choice(0.01, 24.0),
                24.0,
                "all day",
                "Hours a day, from the start of the phase on; for the pulses.",
            ),
        ],
    },
    Table {
        name: "phase",
        many: true,
        must: true,
        doc: "A phase of the deployment. Phases follow each other without gap or overlap; hour 0 is when the animal is let go.",
        keys: &[
            must("name", Text, "Its name."),
            must(
                "kind",
                Word(&["before", "animal", "search"]),
                "Before the animal is let go, on the animal, or surfaced and searched for; in this order.",
            ),
            must("start_h", Choice(-1e5, 1e5), "Start, hours since the animal was let go."),
            must(
                "end_h",
                Choice(-1e5, 1e5),
                "End, likewise. That of the last phase on the animal is the ceiling; that of the last search phase, the search wanted.",
            ),
            must("temp_c", Figure(DEG_C[0], DEG_C[1]), "Temperature of the cell, deg C."),
            with(
                "sample_hz",
                Choice(0.0, 1000.0),
                0.0,
                "not sampling",
                "Samples a second, Hz; 0: none.",
            ),
            may(
                "duty_on_min",
                Choice(0.05, 1e5),
                "sampling all the time",
                "Sampling goes on for so long ...",
            ),
            may(
                "duty_period_min",
                Choice(0.1, 1e5),
                "sampling all the time",
                "... every so often, min.",
            ),
            with(
                "depth_hz",
                Choice(0.0, 1000.0),
                0.0,
                "none",
                "Depth readings a second while sampling, Hz.",
            ),
            may(
                "detectors",
                Flag,
                "true on the animal where it samples, else false",
                "The detectors run on every sample.",
            ),
            may("records", Names, NONE, "Records kept, by name."),
            may(
                "parts",
                Names,
                NONE,
                "Parts in use: `radio_beacon`, `satellite_beacon`, `position_fix`, or the name of a load. Microcontroller, accelerometer, memory and leakage always count.",
            ),
        ],
    },
];

/// The table called `name`.
pub fn table(name: &str) -> Option<&'static Table> {
    TABLES.iter().find(|t| t.name == name)
}

impl Table {
    /// The key called `name`.
    pub fn key(&self, name: &str) -> Option<&'static Key> {
        TABLES.iter().find(|t| t.name == self.name)?.keys.iter().find(|k| k.name == name)
    }

    /// True where figures stand in it, so that it takes `source` and `sd_percent`.
    pub fn has_figures(&self) -> bool {
        self.keys
            .iter()
            .any(|k| matches!(k.kind, Kind::Figure(..) | Kind::Curve(..) | Kind::Steps(..)))
    }
}

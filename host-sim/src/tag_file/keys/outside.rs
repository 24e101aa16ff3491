//! Beacons, letting go, memory, other loads, and the schedule.

use super::Kind::{Choice, Count, Figure, Flag, Names, Steps, Text, Word};
use super::{DEG_C, MA, NONE, Table, UA, may, must, with};

pub(super) static RADIO_BEACON: Table = Table {
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
};

pub(super) static SATELLITE_BEACON: Table = Table {
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
};

pub(super) static POSITION_FIX: Table = Table {
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
};

pub(super) static RELEASE: Table = Table {
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
};

pub(super) static PASSIVE_LINK: Table = Table {
    name: "passive_link",
    many: false,
    must: false,
    doc: "The link that corrodes through by itself, the last resort.",
    keys: &[must("days", Figure(1e-3, 4000.0), "Days in the water until it parts.")],
};

pub(super) static MEMORY: Table = Table {
    name: "memory",
    many: false,
    must: false,
    doc: "Memory for the record.",
    keys: &[must("size_mib", Figure(1e-3, 1e6), "Size, MiB.")],
};

pub(super) static RECORD: Table = Table {
    name: "record",
    many: true,
    must: false,
    doc: "A format of record, named in the `records` of a phase.",
    keys: &[
        must("name", Text, "Its name."),
        with("bytes_per_sample", Figure(0.0, 1e4), 0.0, "none", "Bytes each sample."),
        with("bytes_per_minute", Figure(0.0, 1e7), 0.0, "none", "Bytes each minute of sampling."),
        with("bytes_per_day", Figure(0.0, 1e10), 0.0, "none", "Bytes each day."),
    ],
};

pub(super) static LOAD: Table = Table {
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
};

pub(super) static PHASE: Table = Table {
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
            "true on the animal at 5 to 100 Hz, else false",
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
};

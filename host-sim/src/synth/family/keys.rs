//! Every key of a family file: unit in the name, range, meaning.

/// What a key holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Kind {
    /// A number from the first to the second.
    Number(f64, f64),
    /// True or false.
    Flag,
    /// One of these words.
    Word(&'static [&'static str]),
}

/// A key of a family file.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Key {
    /// Table and name, with a dot between.
    pub(crate) path: &'static str,
    pub(crate) kind: Kind,
    pub(crate) doc: &'static str,
}

impl Key {
    /// A drawn value as it is written in a file.
    pub(crate) fn shown(&self, x: f64) -> String {
        match self.kind {
            Kind::Number(..) if x == 0.0 || (0.001..1e7).contains(&x.abs()) => {
                // Six figures at most.
                let decimals = (5 - x.abs().max(1e-9).log10().floor() as i32).clamp(0, 9);
                let by = 10_f64.powi(decimals);
                format!("{}", (x * by).round() / by)
            }
            Kind::Number(..) => format!("{x:e}"),
            Kind::Flag => format!("{}", x >= 0.5),
            Kind::Word(words) => format!("\"{}\"", words.get(x as usize).unwrap_or(&"?")),
        }
    }
}

const fn number(path: &'static str, least: f64, most: f64, doc: &'static str) -> Key {
    Key { path, kind: Kind::Number(least, most), doc }
}
const fn flag(path: &'static str, doc: &'static str) -> Key {
    Key { path, kind: Kind::Flag, doc }
}
const fn word(path: &'static str, words: &'static [&'static str], doc: &'static str) -> Key {
    Key { path, kind: Kind::Word(words), doc }
}

/// All keys, in the order of the manual.
pub(crate) const KEYS: &[Key] = &[
    number("deployment.hours", 0.5, 2400.0, "Length of the trace."),
    number("deployment.start_h", 0.0, 24.0, "Local solar time of release."),
    word("animal.breathing", &["ram", "buccal"], "How it breathes."),
    number("animal.length_m", 0.3, 12.0, "Total length."),
    number(
        "animal.beat_hz_at_1m",
        0.3,
        3.0,
        "Settled beat frequency of an animal 1 m long; falls as length^-0.9, which is mass^-0.3.",
    ),
    word(
        "recovery.course",
        &["above", "below", "none"],
        "Where the beat rate starts against the settled: above or below it, or at it.",
    ),
    number("recovery.period_h", 0.5, 200.0, "Time from release to 80 % of the way."),
    number("recovery.width_part", 0.02, 0.5, "Width of the logistic as a part of the period."),
    number("recovery.above_part", 1.0, 2.0, "First beat rate where it starts above."),
    number("recovery.below_part", 0.4, 1.0, "First beat rate where it starts below."),
    number("recovery.amplitude_part", 0.4, 2.0, "First beat amplitude; 1 is the settled."),
    number("recovery.unrest_part", 1.0, 5.0, "First restlessness; 1 is the settled."),
    number("day.half_swing_part", 0.0, 0.4, "Half of the daily swing of beat rate and amplitude."),
    number("day.peak_h", 0.0, 24.0, "Local solar time of its peak."),
    number("habits.swim_s", 10.0, 1e6, "Mean time between glides."),
    number("habits.glide_least_s", 1.0, 600.0, "Shortest glide."),
    number("habits.glide_most_s", 1.0, 1200.0, "Longest glide; their lengths are log-even."),
    number("habits.turn_every_s", 10.0, 1e6, "Mean time between turns."),
    number("habits.burst_every_s", 30.0, 1e6, "Mean time between bursts."),
    flag("habits.yoyo", "Whether it dives up and down without end."),
    number(
        "habits.roll_every_s",
        0.0,
        1e6,
        "Mean time between held rolls of 30 to 60 deg; 0: none.",
    ),
    number("habits.roll_most_s", 5.0, 7200.0, "Longest held roll; at least a tenth of it."),
    word("habits.rest", &["none", "long", "tidal"], "Rests: none, by the clock, or with the tide."),
    number("habits.rest_most_h", 0.1, 24.0, "Longest rest by the clock."),
    number("habits.gill_g", 0.0, 0.05, "Amplitude of gill movements at rest."),
    number("habits.fight_every_h", 0.0, 1000.0, "Mean time between fights; 0: none."),
    number("habits.jump_every_h", 0.0, 1000.0, "Mean time between jumps; 0: none."),
    number("habits.rub_every_h", 0.0, 1000.0, "Mean time between rubs on the bottom; 0: none."),
    word(
        "fate.ends",
        &["lives", "dies", "eaten", "floats", "sinks", "dangles"],
        "How it ends: alive; dead; eaten, tag and all; tag off and afloat, on the bottom, or dangling.",
    ),
    number("fate.after_h", 0.0, 2400.0, "Time of that after release."),
    number(
        "fate.fades_s",
        1.0,
        1e5,
        "Time over which a dying animal weakens, but never before release.",
    ),
    word("carcass.way", &["sinks", "drifts", "surf"], "Where a carcass goes."),
    flag("carcass.scavenged", "Whether scavengers pull at it."),
    number(
        "carcass.carried_every_h",
        0.0,
        1000.0,
        "Mean time between its being carried off; 0: never.",
    ),
    number("carcass.slides_part", 0.0, 1.0, "How far it goes with the water on the bottom."),
    number("sea.bottom_m", 2.0, 2000.0, "Mean depth of the bottom."),
    number(
        "sea.swell_height_m",
        0.0,
        8.0,
        "Significant height of the swell; at most 0.6 of the depth.",
    ),
    number("sea.swell_period_s", 6.0, 20.0, "Its peak period."),
    number("sea.wind_wave_height_m", 0.02, 6.0, "Significant height of the wind sea."),
    number("sea.tide_m", 0.0, 5.0, "Amplitude of the main tide."),
    number("water.cold_c", -2.0, 30.0, "Temperature below the thermocline."),
    number("water.warmer_c", 0.0, 20.0, "How much warmer it is above."),
    number("water.air_c", -30.0, 60.0, "Temperature of the tag when it is let go."),
    number("water.front_every_h", 0.0, 1000.0, "Mean time between fronts; 0: none."),
    number("water.front_c", 0.0, 15.0, "Step of temperature at a front, either way."),
    word("tag.dangles_from", &["animal", "snag"], "What a dangling tag hangs from."),
    word("mount.loosens", &["no", "slowly", "jumps"], "How the attachment loosens."),
    number("mount.turns_deg", 0.0, 180.0, "How far the mount turns in all."),
    number("mount.from_part", 0.0, 1.0, "When that begins, as a part of the trace."),
    number("mount.wobble_deg", 0.0, 20.0, "How much a loose mount wobbles."),
    number("fouling.tilt_deg_day", 0.0, 45.0, "Tilt that growth brings in a day."),
    number("fouling.depth_m_day", 0.0, 5.0, "Drift of the depth reading in a day, either way."),
    number("fouling.noise_part_day", 0.0, 5.0, "Growth of the noise in a day, as a part of it."),
    number("logger.sample_hz", 5.0, 100.0, "Samples a second."),
    number("logger.noise_g_rthz", 0.0, 0.01, "Noise density of acceleration, g per root Hz."),
    number("logger.clock_ppm", -500.0, 500.0, "How much slower than true the clock runs."),
    number("logger.offset_mg_c", 0.0, 5.0, "Drift of each axis with temperature, mg per deg C."),
    flag("logger.has_depth", "Whether there is a depth sensor."),
    flag("logger.mount_known", "Whether the deployment file states the mounting."),
    word(
        "fault.kind",
        &[
            "none",
            "stuck",
            "clipped",
            "missing",
            "gap",
            "duplicates",
            "clock_jump",
            "depth_frozen",
            "depth_silent",
            "depth_rail",
        ],
        "Fault of sensor, record or clock.",
    ),
    number("fault.from_part", 0.0, 1.0, "When it begins, as a part of the trace."),
    number("fault.lasts_h", 0.01, 10000.0, "How long an axis is at fault."),
];

/// The key called `path`.
pub(crate) fn find(path: &str) -> Option<&'static Key> {
    KEYS.iter().find(|k| k.path == path)
}

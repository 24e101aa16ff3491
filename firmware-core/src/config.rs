//! Configuration: plain settings with documented ranges, and the validated
//! [`Config`] that every stage is built from. An invalid `Config` cannot exist.

use crate::math;

/// One setting as a person writes it in a deployment file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Param {
    /// Key, with its unit in the name.
    pub key: &'static str,
    /// Smallest value allowed.
    pub min: f32,
    /// Largest value allowed.
    pub max: f32,
    /// Value used when the key is absent.
    pub default: f32,
    /// Whether the key is a yes/no choice (0 = no, 1 = yes).
    pub is_flag: bool,
    /// What it does, in one sentence.
    pub doc: &'static str,
}

/// Why a [`Config`] could not be built.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ConfigError {
    /// A value lies outside its documented range (or is not a number).
    OutOfRange {
        /// The key at fault.
        key: &'static str,
        /// Value given.
        got: f32,
        /// Smallest value allowed.
        min: f32,
        /// Largest value allowed.
        max: f32,
    },
    /// No setting has this name.
    UnknownKey,
    /// Two settings contradict each other: the first must be below the second.
    Order {
        /// Key that must be smaller.
        low: &'static str,
        /// Key that must be larger.
        high: &'static str,
    },
}

fn in_range(key: &'static str, got: f32, min: f32, max: f32) -> Result<(), ConfigError> {
    if got >= min && got <= max {
        Ok(())
    } else {
        Err(ConfigError::OutOfRange { key, got, min, max })
    }
}

/// Key, smallest and largest value allowed.
type Limits = (&'static str, f32, f32);

/// The first of some values that lies outside its limits.
fn all_in_range(values: &[f32], limits: &[Limits]) -> Result<(), ConfigError> {
    for (value, (key, min, max)) in values.iter().zip(limits) {
        in_range(key, *value, *min, *max)?;
    }
    Ok(())
}

macro_rules! settings {
    (@get f32, $v:expr) => { $v };
    (@get bool, $v:expr) => { if $v { 1.0 } else { 0.0 } };
    (@put f32, $v:expr) => { $v };
    (@put bool, $v:expr) => { $v >= 0.5 };
    (@flag f32) => { false };
    (@flag bool) => { true };
    // Values and limits of the numbers; a yes/no choice is never out of range.
    (@check [$($value:expr),*] [$($limits:expr),*]) => {
        all_in_range(&[$($value),*], &[$($limits),*])
    };
    (@check [$($value:expr),*] [$($limits:expr),*]
        $v:expr, $key:ident f32 $min:expr, $max:expr; $($rest:tt)*) => {
        settings!(@check [$($value,)* $v] [$($limits,)* (stringify!($key), $min, $max)] $($rest)*)
    };
    (@check $values:tt $limits:tt $v:expr, $key:ident bool $min:expr, $max:expr; $($rest:tt)*) => {
        settings!(@check $values $limits $($rest)*)
    };
    ($(#[$meta:meta])* $name:ident { $( $key:ident : $ty:tt = $default:expr, $min:expr, $max:expr, $doc:expr; )* }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq)]
        pub struct $name {
            $( #[doc = $doc] pub $key: $ty, )*
        }

        impl $name {
            /// Every setting of this group, in the order of the documentation.
            pub const PARAMS: &'static [Param] = &[
                $( Param {
                    key: stringify!($key), min: $min, max: $max, default: $default,
                    is_flag: settings!(@flag $ty), doc: $doc,
                }, )*
            ];

            /// The documented defaults.
            pub const DEFAULT: $name = $name { $( $key: settings!(@put $ty, $default), )* };

            /// Value of the setting named `key` (0 or 1 for a yes/no choice).
            pub fn get(&self, key: &str) -> Option<f32> {
                match key {
                    $( stringify!($key) => Some(settings!(@get $ty, self.$key)), )*
                    _ => None,
                }
            }

            /// Sets the setting named `key`.
            ///
            /// # Errors
            /// [`ConfigError::UnknownKey`], or [`ConfigError::OutOfRange`] with the
            /// documented range.
            pub fn set(&mut self, key: &str, value: f32) -> Result<(), ConfigError> {
                match key {
                    $( stringify!($key) => {
                        in_range(stringify!($key), value, $min, $max)?;
                        self.$key = settings!(@put $ty, value);
                        Ok(())
                    } )*
                    _ => Err(ConfigError::UnknownKey),
                }
            }

            fn check(&self) -> Result<(), ConfigError> {
                settings!(@check [] [] $( self.$key, $key $ty $min, $max; )*)
            }
        }

        impl Default for $name {
            fn default() -> Self {
                Self::DEFAULT
            }
        }
    };
}

settings! {
    /// Settings of the detectors (`[detector]` in a deployment file).
    Detector {
        min_beat_hz: f32 = 0.15, 0.1, 2.0, "Slowest tail beat looked for, in Hz.";
        max_beat_hz: f32 = 5.0, 0.3, 5.0, "Fastest tail beat looked for, in Hz.";
        min_sway_g: f32 = 0.008, 0.002, 0.5, "Smallest sway amplitude (half the swing) that can be a beat, in g.";
        static_window_s: f32 = 2.5, 2.0, 3.0, "Length of the running mean that gives static acceleration, in s.";
        false_death_prob: f32 = 1e-4, 1e-9, 0.1, "Chance that a pause of a living animal is taken for death.";
        missed_death_prob: f32 = 0.01, 1e-6, 0.5, "Chance that rocking or scavengers on a carcass are taken for a living animal and start the wait anew.";
        false_detached_prob: f32 = 1e-4, 1e-9, 0.1, "Chance that a tag still worn is taken for one that came off.";
        ram_pause_min: f32 = 20.0, 5.0, 240.0, "Pause between beats that one pause in a thousand of a living ram ventilator exceeds, in min.";
        buccal_pause_h: f32 = 5.25, 0.5, 48.0, "Rest that one rest in a thousand of a living buccal pumper exceeds, in h.";
        off_posture_min: f32 = 30.0, 5.0, 600.0, "Time in one unchanging posture far from the worn one that one such spell in a thousand of a living animal exceeds, in min.";
        stationary_depth_m: f32 = 1.0, 0.1, 10.0, "Change of depth in ten minutes below which depth counts as stationary, in m.";
        surface_depth_m: f32 = 1.5, 0.2, 10.0, "Depth above which a tag counts as being at the surface, in m.";
        recovered_fraction: f32 = 0.8, 0.5, 0.99, "Part of the way to the settled level at which an animal counts as recovered.";
        recovery_sd_max_h: f32 = 1.5, 0.1, 12.0, "Standard error of the recovery time at which it is decided, in h.";
        recovery_prob: f32 = 0.95, 0.5, 0.9999, "Probability that the animal has recovered, needed before recovery is decided.";
    }
}

settings! {
    /// Settings of the release decision (`[release]` in a deployment file).
    Release {
        floor_h: f32 = 6.0, 0.0, 2000.0, "Never let go before this time after the start, in h.";
        ceiling_h: f32 = 48.0, 0.05, 4000.0, "Always let go by this time after the start, in h.";
        death_confirm_min: f32 = 30.0, 0.0, 6000.0, "Death must have stood this long, in min.";
        detached_confirm_min: f32 = 10.0, 0.0, 6000.0, "Detachment must have stood this long, in min.";
        recovery_normal_h: f32 = 6.0, 0.0, 1000.0, "Normal behaviour to record after recovery was decided, in h.";
        memory_full_fraction: f32 = 0.98, 0.1, 1.0, "Part of the memory that counts as full.";
        memory_confirm_min: f32 = 1.0, 0.0, 600.0, "Memory must have been full this long, in min.";
        cell_reserve_fraction: f32 = 0.2, 0.0, 0.95, "Part of the cell kept for firing the release and for the beacon.";
        cell_confirm_min: f32 = 10.0, 0.0, 600.0, "The cell must have been down to its reserve this long, in min.";
        max_depth_m: f32 = 500.0, 5.0, 6000.0, "Depth the housing is rated for, in m.";
        depth_confirm_s: f32 = 5.0, 0.0, 600.0, "The rated depth must have been passed this long, in s.";
        death_daylight: bool = 1.0, 0.0, 1.0, "After death, wait for daylight to let go.";
        detached_daylight: bool = 0.0, 0.0, 1.0, "After detachment, wait for daylight to let go.";
        recovery_daylight: bool = 1.0, 0.0, 1.0, "After recovery, wait for daylight to let go.";
        memory_daylight: bool = 1.0, 0.0, 1.0, "With the memory full, wait for daylight to let go.";
        cell_daylight: bool = 0.0, 0.0, 1.0, "With the cell down to its reserve, wait for daylight to let go.";
        daylight_margin_h: f32 = 2.0, 0.0, 8.0, "Daylight that must be left after letting go, in h.";
    }
}

/// How an animal moves water over its gills.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Breathing {
    /// Must keep swimming.
    Ram,
    /// Can lie still and pump for hours.
    Buccal,
}

/// The logger as built and as mounted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Logger {
    /// Samples a second, 5 to 100 Hz.
    pub sample_hz: f32,
    /// Full scale of the sensor, 1 to 32 g.
    pub range_g: f32,
    /// Counts for one g, 1 to 65536, for raw samples.
    pub counts_per_g: f32,
    /// Rotation from body to sensor as roll, pitch, yaw in degrees, if known.
    pub mount_deg: Option<[f32; 3]>,
}

/// Where and when the deployment starts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Unix time of the first sample, s; `None` where unknown (no daylight rules then).
    pub start_unix_s: Option<i64>,
    /// Latitude, degrees north, -90 to 90.
    pub latitude_deg: f32,
    /// Longitude, degrees east, -180 to 180.
    pub longitude_deg: f32,
}

/// The animal, as far as known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Animal {
    /// Breathing mode.
    pub breathing: Breathing,
    /// Total length, 0.2 to 15 m, if known.
    pub length_m: Option<f32>,
}

/// A checked configuration. Fields can be read, never changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Config {
    logger: Logger,
    place: Place,
    animal: Animal,
    detector: Detector,
    release: Release,
}

impl Config {
    /// Checks everything and builds a configuration.
    ///
    /// # Errors
    /// [`ConfigError::OutOfRange`] or [`ConfigError::Order`], naming the key.
    pub fn new(
        logger: Logger,
        place: Place,
        animal: Animal,
        detector: Detector,
        release: Release,
    ) -> Result<Self, ConfigError> {
        let [roll_deg, pitch_deg, yaw_deg] = logger.mount_deg.unwrap_or_default();
        // 1970 to 2100: the solar formula is stated for the present era.
        let start = match place.start_unix_s {
            None => 0.0,
            Some(start) => {
                u32::try_from(start).map_or(if start < 0 { -1.0 } else { f32::MAX }, |s| s as f32)
            }
        };
        for (value, key, min, max) in [
            (logger.sample_hz, "sample_hz", 5.0, 100.0),
            (logger.range_g, "range_g", 1.0, 32.0),
            (logger.counts_per_g, "counts_per_g", 1.0, 65_536.0),
            (roll_deg, "mount_deg", -360.0, 360.0),
            (pitch_deg, "mount_deg", -360.0, 360.0),
            (yaw_deg, "mount_deg", -360.0, 360.0),
            (place.latitude_deg, "latitude_deg", -90.0, 90.0),
            (place.longitude_deg, "longitude_deg", -180.0, 180.0),
            (start, "start_utc", 0.0, 4_102_444_800.0),
            (animal.length_m.unwrap_or(1.0), "length_m", 0.2, 15.0),
        ] {
            in_range(key, value, min, max)?;
        }
        detector.check()?;
        release.check()?;
        if detector.min_beat_hz >= detector.max_beat_hz {
            return Err(ConfigError::Order { low: "min_beat_hz", high: "max_beat_hz" });
        }
        if release.floor_h >= release.ceiling_h {
            return Err(ConfigError::Order { low: "floor_h", high: "ceiling_h" });
        }
        Ok(Config { logger, place, animal, detector, release })
    }

    /// The logger.
    pub fn logger(&self) -> &Logger {
        &self.logger
    }
    /// Place and start.
    pub fn place(&self) -> &Place {
        &self.place
    }
    /// The animal.
    pub fn animal(&self) -> &Animal {
        &self.animal
    }
    /// Detector settings.
    pub fn detector(&self) -> &Detector {
        &self.detector
    }
    /// Release settings.
    pub fn release(&self) -> &Release {
        &self.release
    }
    /// Nominal time between samples, microseconds.
    pub fn sample_us(&self) -> u32 {
        math::round_u32(1.0e6 / self.logger.sample_hz)
    }
}

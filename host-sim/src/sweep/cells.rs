//! Which stage of the tag reads which setting.

/// The first stage of the tag that reads a setting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// The stages that look at every sample: to beats and minutes.
    Samples,
    /// The stages that look at minutes: depth, fate, recovery.
    Minutes,
    /// The decision to let go.
    Release,
}

/// Every setting of `[detector]` and `[release]`, in the order of the
/// documentation, and the first stage that reads it. Cells that differ only in
/// settings of later stages share one run of the earlier ones.
pub const STAGES: [(&str, Stage); 32] = [
    ("min_beat_hz", Stage::Samples),
    ("max_beat_hz", Stage::Samples),
    ("min_sway_g", Stage::Samples),
    ("static_window_s", Stage::Samples),
    ("false_death_prob", Stage::Minutes),
    ("missed_death_prob", Stage::Minutes),
    ("false_detached_prob", Stage::Minutes),
    ("ram_pause_min", Stage::Minutes),
    ("buccal_pause_h", Stage::Minutes),
    ("off_posture_min", Stage::Minutes),
    ("stationary_depth_m", Stage::Minutes),
    ("surface_depth_m", Stage::Minutes),
    ("recovered_fraction", Stage::Minutes),
    ("recovery_sd_max_h", Stage::Minutes),
    ("recovery_prob", Stage::Minutes),
    ("floor_h", Stage::Release),
    ("ceiling_h", Stage::Release),
    ("death_confirm_min", Stage::Release),
    ("detached_confirm_min", Stage::Release),
    ("recovery_normal_h", Stage::Release),
    ("memory_full_fraction", Stage::Release),
    ("memory_confirm_min", Stage::Release),
    ("cell_reserve_fraction", Stage::Release),
    ("cell_confirm_min", Stage::Release),
    ("max_depth_m", Stage::Release),
    ("depth_confirm_s", Stage::Release),
    ("death_daylight", Stage::Release),
    ("detached_daylight", Stage::Release),
    ("recovery_daylight", Stage::Release),
    ("memory_daylight", Stage::Release),
    ("cell_daylight", Stage::Release),
    ("daylight_margin_h", Stage::Release),
];

/// Stage of the setting named `key`.
pub fn stage_of(key: &str) -> Option<Stage> {
    STAGES.iter().find(|(name, _)| *name == key).map(|&(_, stage)| stage)
}

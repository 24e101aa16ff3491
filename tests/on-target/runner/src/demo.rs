//! The demo deployments as traces, read by the same code as `swaymark replay`.

use std::path::{Path, PathBuf};

use host_sim::replay::{Keep, prepare};
use on_target_wire::trace::{Axes, Kind, Raw};

use crate::target::here;
use crate::trace::Trace;

/// Paths of the demo traces; empty where the folder holds none.
pub fn paths() -> Vec<PathBuf> {
    let folder = here().join("../../demo-data");
    let mut all: Vec<PathBuf> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .flatten()
        .map(|e| e.path())
        .filter(|p| {
            let name = p.to_string_lossy();
            (name.ends_with(".csv") || name.ends_with(".csv.gz")) && !name.contains(".truth.")
        })
        .collect();
    all.sort();
    all
}

/// Reads a trace with the deployment beside it, as `swaymark replay` would.
pub fn load(path: &Path) -> Result<Trace, String> {
    let keep = Keep { beats: false, minutes: false };
    let mut prepared =
        prepare(path, None, keep, |file| Box::new(file) as _).map_err(|e| e.to_string())?;
    let config = prepared.setup.config;
    let counts_per_g = config.logger().counts_per_g;
    let mut samples = Vec::new();
    let mut exact = true;
    while let Some(row) = prepared.reader.next_row().map_err(|e| e.to_string())? {
        let counts = row.accel_g.map(|g| (g * counts_per_g).round());
        let back = on_target_wire::accel::to_g(counts.map(|c| c as i16), counts_per_g);
        exact &= back.map(f32::to_bits) == row.accel_g.map(f32::to_bits);
        samples.push(Raw {
            t_us: row.t_us,
            axes: Some(Axes::Floats(row.accel_g)),
            depth_m: row.depth_m,
            cell_left: None,
            memory_used: None,
        });
    }
    let mut kind = Kind::Floats;
    if exact {
        // Every value is a whole count: half the bytes will do.
        kind = Kind::Counts;
        for raw in &mut samples {
            if let Some(Axes::Floats(g)) = raw.axes {
                raw.axes = Some(Axes::Counts(g.map(|g| (g * counts_per_g).round() as i16)));
            }
        }
    }
    let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    Ok(Trace { name, config, kind, samples })
}

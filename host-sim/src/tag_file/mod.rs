//! The tag file: cell, parts, memory and schedule of a tag, in TOML.
//!
//! Every key with unit, range and default stands in [`keys`]; every figure carries
//! the text that says where it comes from.

mod ask;
mod board;
mod cell;
mod figure;
pub mod keys;
mod parts;
mod phases;
mod reader;
mod units;
mod values;

use std::collections::BTreeMap;
use std::path::Path;

use crate::energy::bus::{Processor, Reckoner};
use crate::problem::{Problem, shown};
use crate::toml_text;

pub use board::{Bus, BusKind, Copies, Meanwhile};
pub use cell::{Cell, LoadDerating};
pub use figure::{Curve, Figure, Spread, line};
pub use parts::{
    Accelerometer, DepthSensor, Flash, Load, Mcu, Pulses, RecordBytes, Release, Shape, Supply,
};
pub use phases::{Duty, Phase, PhaseKind, Record, word};

use reader::{Doc, Section};

/// Tags that come with the program, invented: name and content.
const SHIPPED: &[(&str, &str)] = &[
    ("fin-float", include_str!("../../../demo-data/tags/fin-float.toml")),
    ("by-hand", include_str!("../../../demo-data/tags/by-hand.toml")),
    ("long-drift", include_str!("../../../demo-data/tags/long-drift.toml")),
];

/// The tag taken where a deployment names none.
pub const DEFAULT_TAG: &str = "fin-float";

/// A tag as its file describes it. Checked: what stands here can be run.
#[derive(Clone, Debug, PartialEq)]
pub struct TagFile {
    /// Name of the file, for messages.
    pub name: String,
    /// Name of the tag.
    pub id: String,
    /// Remarks.
    pub notes: Option<String>,
    /// The figures are made up.
    pub invented: bool,
    /// The battery.
    pub cell: Cell,
    /// Between cell and parts.
    pub supply: Supply,
    /// Pulses of different parts may fall together.
    pub pulses_coincide: bool,
    /// The microcontroller.
    pub mcu: Mcu,
    /// The accelerometer.
    pub accelerometer: Accelerometer,
    /// The depth sensor.
    pub depth_sensor: Option<DepthSensor>,
    /// The memory chip.
    pub flash: Option<Flash>,
    /// Between processor, sensors and memory.
    pub bus: Bus,
    /// Copies of state.
    pub copies: Copies,
    /// Beacons, position fix and other loads.
    pub loads: Vec<Load>,
    /// Letting go.
    pub release: Release,
    /// Days until the passive link parts.
    pub passive_link_days: Option<Figure>,
    /// Memory for the record, MiB.
    pub memory_mib: Option<Figure>,
    /// Formats of record.
    pub records: Vec<Record>,
    /// The schedule, in order of time.
    pub phases: Vec<Phase>,
    /// What a person should know about what was assumed.
    pub notices: Vec<String>,
}

impl TagFile {
    /// Reads the file at `path`.
    ///
    /// # Errors
    /// As for [`TagFile::parse`], and a file that cannot be read.
    pub fn load(path: &Path) -> Result<Self, Problem> {
        let name = path.display().to_string();
        Self::parse(&name, &toml_text::read(path)?)
    }

    /// Names of the tags that come with the program.
    pub fn shipped_names() -> impl Iterator<Item = &'static str> {
        SHIPPED.iter().map(|(name, _)| *name)
    }

    /// The tag called `name` that comes with the program.
    pub fn shipped(name: &str) -> Option<Self> {
        let (_, text) = SHIPPED.iter().find(|(n, _)| *n == name)?;
        // A test reads each of them.
        Self::parse(name, text.as_bytes()).ok()
    }

    /// Understands the content of a tag file called `name`.
    ///
    /// # Errors
    /// Text that is not TOML; tables or keys that are unknown or missing; values of
    /// the wrong kind, unit or range; figures without a source; phases that overlap
    /// or leave gaps. Each with its line, its column and the reason.
    pub fn parse(name: &str, bytes: &[u8]) -> Result<Self, Problem> {
        let text = toml_text::decode(name, bytes, "a tag file of a hundred lines")?;
        let root = toml_text::table(name, text)?;
        let doc = Doc { name, text };
        let all = reader::sections(doc, root.get_ref())?;
        build(name, &all)
    }

    /// All figures with their keys, for draws and sensitivities.
    pub fn figures_mut(&mut self) -> Vec<&mut Figure> {
        let mut all = self.cell.figures_mut();
        all.extend(self.supply.figures_mut());
        all.extend(self.mcu.figures_mut());
        all.push(&mut self.accelerometer.current_ua_by_hz.scale);
        all.push(&mut self.accelerometer.standby_ua);
        if let Some(depth) = &mut self.depth_sensor {
            all.extend(depth.figures_mut());
        }
        if let Some(flash) = &mut self.flash {
            all.extend([
                &mut flash.idle_ua,
                &mut flash.write_uc_per_byte,
                &mut flash.erase_uc_per_byte,
            ]);
            all.extend(flash.write_ma.as_mut());
        }
        for load in &mut self.loads {
            all.extend(load.figures_mut());
        }
        all.extend(self.release.firing.figures_mut());
        all.extend(self.passive_link_days.as_mut());
        all.extend(self.memory_mib.as_mut());
        for record in &mut self.records {
            all.extend(record.bytes.figures_mut());
        }
        all.extend(self.phases.iter_mut().map(|p| &mut p.temp_c));
        all.extend(self.bus.figures_mut());
        all.extend(self.copies.figures_mut());
        all
    }

    /// What transfers, delays and copies of this tag cost.
    pub fn reckoner(&self) -> Reckoner<'_> {
        let mcu = &self.mcu;
        Reckoner {
            bus: &self.bus,
            processor: Processor {
                run_ma: mcu.run_ua_per_mhz.value * mcu.clock_mhz.value * 1e-3,
                clock_mhz: mcu.clock_mhz.value,
                wake_us: mcu.wake_us.value,
            },
        }
    }

    /// Hours on the animal by the schedule: the ceiling.
    pub fn ceiling_h(&self) -> f64 {
        let ends = self.phases.iter().filter(|p| p.kind == PhaseKind::Animal).map(|p| p.end_h);
        ends.fold(0.0, f64::max)
    }

    /// Hours of search by the schedule.
    pub fn search_wanted_h(&self) -> f64 {
        let search = self.phases.iter().filter(|p| p.kind == PhaseKind::Search);
        search.map(|p| p.end_h - p.start_h).sum()
    }
}

fn build(name: &str, all: &BTreeMap<&'static str, Vec<Section<'_>>>) -> Result<TagFile, Problem> {
    let many = |table: &str| all.get(table).map_or(&[][..], Vec::as_slice);
    let one = |table: &str| many(table).first();
    let need = |table: &str| {
        one(table).ok_or_else(|| Problem::new(format!("{name}: [{table}] is missing")))
    };
    let tag = need("tag")?;
    let accelerometer = need("accelerometer")?;
    let supply = need("supply")?;
    let release = need("release")?;

    let mut loads = Vec::new();
    for (part, stem, ending, pulse_name) in [
        ("radio_beacon", "pulse", ("ms", 1e-3), "radio beacon pulse"),
        ("satellite_beacon", "message", ("s", 1.0), "satellite message"),
        ("position_fix", "fix", ("s", 1.0), "position fix"),
    ] {
        if let Some(s) = one(part) {
            loads.push(Load {
                name: part.to_owned(),
                pulse_name,
                steady_ua: s.figure("idle_ua")?,
                pulses: Some(Pulses::read(s, stem, ending)?),
            });
        }
    }
    let reserved: Vec<&str> = keys::TABLES.iter().map(|t| t.name).collect();
    for s in many("load") {
        let load_name = s.text("name")?;
        if reserved.contains(&&*load_name) {
            return Err(s.fail_at(
                "name",
                &format!("name {} is that of a table of its own", shown(load_name.as_bytes())),
            ));
        }
        let pulsed = ["pulse_ma", "pulse_ms", "pulse_mah", "period_s"].iter().any(|k| s.has(k));
        if !pulsed && !s.has("current_ua") {
            return Err(s.fail_at(
                "name",
                "draws nothing: current_ua (or mah_per_day) or pulse_ma is missing",
            ));
        }
        loads.push(Load {
            pulse_name: "pulse",
            steady_ua: s.figure("current_ua")?,
            pulses: if pulsed { Some(Pulses::read(s, "pulse", ("ms", 1e-3))?) } else { None },
            name: load_name,
        });
    }
    once("name", &loads.iter().map(|l| &*l.name).collect::<Vec<_>>(), |n| {
        // Only loads of the file's own can be named twice.
        let builtin = loads.len() - many("load").len();
        &many("load")[n - builtin]
    })?;

    let mut records = Vec::new();
    for s in many("record") {
        let record = Record { name: s.text("name")?, bytes: RecordBytes::read(s)? };
        let b = &record.bytes;
        if b.bytes_per_sample.value + b.bytes_per_minute.value + b.bytes_per_day.value == 0.0 {
            return Err(s.fail_at(
                "name",
                "takes no bytes: bytes_per_sample, bytes_per_minute or bytes_per_day is missing",
            ));
        }
        records.push(record);
    }
    once("name", &records.iter().map(|r| &*r.name).collect::<Vec<_>>(), |n| &many("record")[n])?;

    let mut phases = Vec::new();
    for s in many("phase") {
        phases.push(Phase::read(s, &loads, &records, one("depth_sensor").is_some())?);
    }
    once("name", &phases.iter().map(|p| &*p.name).collect::<Vec<_>>(), |n| &many("phase")[n])?;
    phases::check(&phases, many("phase"))?;
    phases.sort_by(|a, b| a.start_h.total_cmp(&b.start_h));

    let cell = Cell::read(need("cell")?)?;
    let supply_figures = Supply::read(supply)?;
    let full_v = cell.in_series * cell.voltage_v_by_left.at(1.0);
    if supply_figures.brownout_v.value >= full_v {
        return Err(supply.fail_at(
            "brownout_v",
            &format!(
                "brownout_v = {} is not below the {full_v} V of the full battery: the tag would never start",
                supply_figures.brownout_v.value
            ),
        ));
    }
    let reserve_fraction = if release.has("reserve_fraction") {
        release.number("reserve_fraction")?
    } else {
        f64::from(firmware_core::config::Release::DEFAULT.cell_reserve_fraction)
    };
    let accelerometer = Accelerometer {
        current_ua_by_hz: accelerometer.curve("current_ua_by_hz")?,
        standby_ua: accelerometer.figure("standby_ua")?,
    };
    let mut notices = Vec::new();
    for phase in &phases {
        let temps = [&cell.capacity_part_by_c, &cell.resistance_ohm_by_c];
        let temp_c = phase.temp_c.value;
        let all = temps.map(|curve| (curve, "temp_c", temp_c, "deg C")).into_iter().chain(
            (phase.sample_hz > 0.0).then_some((
                &accelerometer.current_ua_by_hz,
                "sample_hz",
                phase.sample_hz,
                "Hz",
            )),
        );
        for (curve, key, x, unit) in all {
            // A table of one pair says that there is no dependence.
            if let [first, .., last] = curve.points[..]
                && !(first[0]..=last[0]).contains(&x)
            {
                notices.push(format!(
                    "{name}: {key} = {x} of phase {:?} lies outside {} ({} to {} {unit}); the nearest \
                     end of the table is taken",
                    phase.name, curve.key, first[0], last[0]
                ));
            }
        }
    }
    Ok(TagFile {
        name: name.to_owned(),
        notices,
        id: tag.text("id")?,
        notes: tag.may_text("notes").map(str::to_owned),
        invented: tag.may_flag("invented").unwrap_or(false),
        cell,
        supply: supply_figures,
        pulses_coincide: supply.may_flag("pulses_coincide").unwrap_or(false),
        mcu: Mcu::read(need("mcu")?)?,
        accelerometer,
        depth_sensor: one("depth_sensor").map(DepthSensor::read).transpose()?,
        flash: match one("flash") {
            Some(s) => Some(Flash {
                idle_ua: s.figure("idle_ua")?,
                write_uc_per_byte: s.figure("write_uc_per_byte")?,
                erase_uc_per_byte: s.figure("erase_uc_per_byte")?,
                write_ma: s.may_figure("write_ma"),
            }),
            None => None,
        },
        bus: one("bus").map_or_else(|| Ok(Bus::usual()), Bus::read)?,
        copies: one("copies").map_or_else(|| Ok(Copies::usual()), Copies::read)?,
        loads,
        release: Release {
            firing: Shape::read(release, "firing", ("s", 1.0))?,
            attempts: release.number("attempts")?,
            reserve_fraction,
        },
        passive_link_days: one("passive_link").map(|s| s.figure("days")).transpose()?,
        memory_mib: one("memory").map(|s| s.figure("size_mib")).transpose()?,
        records,
        phases,
    })
}

/// Names that stand for one thing each.
fn once<'s, 'a: 's>(
    key: &str,
    names: &[&str],
    section: impl Fn(usize) -> &'s Section<'a>,
) -> Result<(), Problem> {
    for (n, name) in names.iter().enumerate() {
        if names[..n].contains(name) {
            return Err(section(n)
                .fail_at(key, &format!("{key} {} is taken already", shown(name.as_bytes()))));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The record of minutes is what the core's log takes for them.
    #[test]
    fn shipped_tags_reckon_with_the_core_s_own_records() {
        for name in ["fin-float", "long-drift"] {
            let tag = TagFile::shipped(name).expect("shipped");
            let minutes = tag.records.iter().find(|r| r.name == "minutes").expect("a record");
            let want = f64::from(firmware_core::store::record::STORED_PER_MINUTE);
            assert!((minutes.bytes.bytes_per_minute.value - want).abs() < 1e-6, "{name}");
        }
    }

    #[test]
    fn shipped_tags_are_sound_and_say_that_they_are_invented() {
        for (name, text) in SHIPPED {
            let tag = TagFile::parse(name, text.as_bytes()).unwrap_or_else(|p| panic!("{p}"));
            assert!(tag.invented && tag.id == *name);
        }
        assert!(TagFile::shipped(DEFAULT_TAG).is_some());
    }
}

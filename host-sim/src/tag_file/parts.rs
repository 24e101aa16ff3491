//! The parts that draw on the cell, as a tag file gives them.

use super::figure::{Curve, Figure};
use super::reader::Section;
use crate::energy::cost::{self, Core, Split};
use crate::problem::Problem;

/// A struct of figures that are read by the names of their fields.
macro_rules! part {
    ($(#[$meta:meta])* $name:ident { $( $(#[$doc:meta])* $field:ident, )* }) => {
        $(#[$meta])*
        #[derive(Clone, Debug, PartialEq)]
        pub struct $name {
            $( $(#[$doc])* pub $field: Figure, )*
        }

        impl $name {
            pub(super) fn read(section: &Section<'_>) -> Result<Self, Problem> {
                Ok($name { $( $field: section.figure(stringify!($field))?, )* })
            }

            pub(super) fn figures_mut(&mut self) -> Vec<&mut Figure> {
                vec![$( &mut self.$field, )*]
            }
        }
    };
}

part! {
    /// Between the cell and the parts.
    Supply {
        /// Battery voltage below which the tag resets, V.
        brownout_v,
        /// Capacitor across the battery, mF.
        buffer_mf,
        /// Its series resistance, ohm.
        buffer_esr_ohm,
        /// Leakage, uA.
        leakage_ua,
    }
}

part! {
    /// The depth sensor.
    DepthSensor {
        /// Between readings, uA.
        standby_ua,
        /// During a reading, mA.
        reading_ma,
        /// Length of a reading, ms.
        reading_ms,
        /// Of it the processor waits, ms.
        wait_ms,
    }
}

part! {
    /// A format of record: bytes.
    RecordBytes {
        /// Each sample.
        bytes_per_sample,
        /// Each minute of sampling.
        bytes_per_minute,
        /// Each day.
        bytes_per_day,
    }
}

/// The microcontroller and what the detectors cost it.
#[derive(Clone, Debug, PartialEq)]
pub struct Mcu {
    /// Core that the instructions were counted on.
    pub core: Core,
    /// Asleep, uA.
    pub sleep_ua: Figure,
    /// Clock cycles an instruction.
    pub cycles_per_instruction: Figure,
    /// Clock, MHz.
    pub clock_mhz: Figure,
    /// Running, uA for each MHz.
    pub run_ua_per_mhz: Figure,
    /// To wake and sleep again, us.
    pub wake_us: Figure,
    /// To read one sample, us; `None`: by the bus.
    pub read_us: Option<Figure>,
    /// Instructions of the detectors a sample, by sample rate; `None`: as measured.
    pub instructions_by_hz: Option<Curve>,
    /// Factor on the instructions as measured, 1.
    pub instructions_scale: Figure,
}

impl Mcu {
    pub(super) fn read(s: &Section<'_>) -> Result<Self, Problem> {
        let core = match s.may_text("core") {
            Some("Cortex-M0") => Core::CortexM0,
            _ => Core::CortexM4F,
        };
        let usual = cost::core_figures(core);
        let or = |key: &str, value: f64, source: &str| {
            s.may_figure(key).unwrap_or_else(|| Figure {
                key: format!("mcu.{key}"),
                value,
                spread: super::Spread::Part(0.0),
                source: format!("default: {source}"),
            })
        };
        Ok(Mcu {
            core,
            sleep_ua: s.figure("sleep_ua")?,
            cycles_per_instruction: or(
                "cycles_per_instruction",
                usual.cycles_per_instruction,
                &usual.cycles_per_instruction_source,
            ),
            clock_mhz: or("clock_mhz", usual.clock_mhz, &usual.run_source),
            run_ua_per_mhz: or("run_ua_per_mhz", usual.run_ua_per_mhz, &usual.run_source),
            wake_us: or("wake_us", usual.wake_us, &usual.wake_source),
            read_us: s.may_figure("read_us"),
            instructions_by_hz: s.may_curve("instructions_by_hz"),
            instructions_scale: Figure {
                key: "mcu.instructions".into(),
                value: 1.0,
                spread: super::Spread::Part(0.0),
                source: format!("measured, docs/on-target-table.md; `{}`", cost::MEASURED_BY),
            },
        })
    }

    /// Instructions a sample of all that runs on the core, at `sample_hz`.
    pub fn instructions(&self, sample_hz: f64) -> f64 {
        match &self.instructions_by_hz {
            Some(curve) => curve.at(sample_hz),
            None => self.instructions_scale.value * cost::instructions(self.core, sample_hz),
        }
    }

    /// What `instructions` a sample at `sample_hz` are for. Those of a file of its own are not told
    /// apart: all count as the detectors'.
    pub fn split(&self, sample_hz: f64, instructions: f64) -> Split {
        match &self.instructions_by_hz {
            Some(_) => Split { detectors: instructions, shell: 0.0, copies: 0.0 },
            None => cost::split(self.core, sample_hz).scaled_to(instructions),
        }
    }

    pub(super) fn figures_mut(&mut self) -> Vec<&mut Figure> {
        let mut all = vec![
            &mut self.sleep_ua,
            &mut self.cycles_per_instruction,
            &mut self.clock_mhz,
            &mut self.run_ua_per_mhz,
            &mut self.wake_us,
        ];
        all.extend(self.read_us.as_mut());
        match &mut self.instructions_by_hz {
            Some(curve) => all.push(&mut curve.scale),
            None => all.push(&mut self.instructions_scale),
        }
        all
    }
}

/// The accelerometer.
#[derive(Clone, Debug, PartialEq)]
pub struct Accelerometer {
    /// While sampling, uA, by sample rate, Hz.
    pub current_ua_by_hz: Curve,
    /// Not sampling, uA.
    pub standby_ua: Figure,
}

/// The memory chip.
#[derive(Clone, Debug, PartialEq)]
pub struct Flash {
    /// Not being written, uA.
    pub idle_ua: Figure,
    /// Charge to write a byte, uC.
    pub write_uc_per_byte: Figure,
    /// Charge to erase a byte, uC.
    pub erase_uc_per_byte: Figure,
    /// Current while a page is written, mA.
    pub write_ma: Option<Figure>,
}

/// Current over time of one pulse.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// One level for a time.
    Level {
        /// Current, mA.
        current_ma: Figure,
        /// Length, in units of `unit_s`.
        length: Figure,
        /// s.
        unit_s: f64,
    },
    /// One level until a charge has been drawn.
    Charge {
        /// Current, mA.
        current_ma: Figure,
        /// Charge, mAh.
        charge_mah: Figure,
    },
    /// Steps of [length in `unit_s`, current in mA].
    Steps {
        /// The steps in order.
        steps: Curve,
        /// s.
        unit_s: f64,
    },
}

impl Shape {
    /// From `STEM_ma` with `STEM_s` or `STEM_ms`, or `STEM_mah`; or from the steps.
    pub(super) fn read(
        s: &Section<'_>,
        stem: &str,
        (ending, unit_s): (&str, f64),
    ) -> Result<Self, Problem> {
        let ma = format!("{stem}_ma");
        let length = format!("{stem}_{ending}");
        let mah = format!("{stem}_mah");
        let steps = format!("{stem}_shape_{ending}_ma");
        if let Some(curve) = s.may_curve(&steps) {
            if let Some(other) = [&ma, &length, &mah].into_iter().find(|k| s.has(k)) {
                return Err(s.fail_at(
                    other,
                    &format!("{other} contradicts {steps}; one of them was expected"),
                ));
            }
            if curve.points.iter().all(|p| p[1] == 0.0) {
                return Err(s.fail_at(&steps, &format!("{steps} draws no current at all")));
            }
            return Ok(Shape::Steps { steps: curve, unit_s });
        }
        let Some(current_ma) = s.may_figure(&ma) else {
            return Err(s.fail_at(&ma, &format!("{ma} is missing")));
        };
        match (s.may_figure(&length), s.may_figure(&mah)) {
            (Some(length), None) => Ok(Shape::Level { current_ma, length, unit_s }),
            (None, Some(charge_mah)) => Ok(Shape::Charge { current_ma, charge_mah }),
            (Some(_), Some(_)) => Err(s.fail_at(
                &mah,
                &format!("{length} and {mah} both say how long it lasts; one of them was expected"),
            )),
            (None, None) => Err(s.fail_at(&length, &format!("{length} (or {mah}) is missing"))),
        }
    }

    /// Steps of [length in s, current in mA].
    pub fn steps(&self) -> Vec<[f64; 2]> {
        match self {
            Shape::Level { current_ma, length, unit_s } => {
                vec![[length.value * unit_s, current_ma.value]]
            }
            Shape::Charge { current_ma, charge_mah } => {
                vec![[charge_mah.value * 3600.0 / current_ma.value, current_ma.value]]
            }
            Shape::Steps { steps, unit_s } => {
                steps.points.iter().map(|p| [p[0] * unit_s, p[1] * steps.scale.value]).collect()
            }
        }
    }

    pub(super) fn figures_mut(&mut self) -> Vec<&mut Figure> {
        match self {
            Shape::Level { current_ma, length, .. } => vec![current_ma, length],
            Shape::Charge { current_ma, charge_mah } => vec![current_ma, charge_mah],
            Shape::Steps { steps, .. } => vec![&mut steps.scale],
        }
    }
}

/// Pulses that come again and again.
#[derive(Clone, Debug, PartialEq)]
pub struct Pulses {
    /// One of them.
    pub shape: Shape,
    /// From start to start, s.
    pub period_s: Figure,
    /// Hours a day, from the start of the phase on; 24: always.
    pub hours_per_day: f64,
}

impl Pulses {
    pub(super) fn read(s: &Section<'_>, stem: &str, ending: (&str, f64)) -> Result<Self, Problem> {
        let shape = Shape::read(s, stem, ending)?;
        let Some(period_s) = s.may_figure("period_s") else {
            return Err(s.fail_at("period_s", "period_s is missing"));
        };
        let length_s: f64 = shape.steps().iter().map(|p| p[0]).sum();
        if length_s > period_s.value {
            return Err(s.fail_at(
                "period_s",
                &format!(
                    "period_s = {} is shorter than the {length_s:.6} s that one {stem} lasts: they would overlap",
                    period_s.value
                ),
            ));
        }
        let hours_per_day =
            if s.table.key("hours_per_day").is_some() { s.number("hours_per_day")? } else { 24.0 };
        Ok(Pulses { shape, period_s, hours_per_day })
    }
}

/// A part that draws a steady current, pulses, or both.
#[derive(Clone, Debug, PartialEq)]
pub struct Load {
    /// Its name, as phases name it.
    pub name: String,
    /// What one pulse is called.
    pub pulse_name: &'static str,
    /// All the time, uA.
    pub steady_ua: Figure,
    /// Its pulses.
    pub pulses: Option<Pulses>,
}

impl Load {
    pub(super) fn figures_mut(&mut self) -> Vec<&mut Figure> {
        let mut all = vec![&mut self.steady_ua];
        if let Some(pulses) = &mut self.pulses {
            all.push(&mut pulses.period_s);
            all.extend(pulses.shape.figures_mut());
        }
        all
    }
}

/// Letting go.
#[derive(Clone, Debug, PartialEq)]
pub struct Release {
    /// One firing.
    pub firing: Shape,
    /// Firings paid for.
    pub attempts: f64,
    /// Part of the charge kept for firing and search, 0 to 0.95.
    pub reserve_fraction: f64,
}

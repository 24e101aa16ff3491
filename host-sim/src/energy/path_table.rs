//! The section of `docs/on-target-table.md` on the current of the deployed path with its bus:
//! written by `tests/on-target/run measure`, and held to the counts of the table by a test.

use std::fmt::Write as _;

use super::bus::{Processor, Reckoner};
use super::cost::{self, Core, CoreFigures, core_figures};
use crate::tag_file::{Bus, BusKind, Copies, Meanwhile};

/// Head of the section.
pub const HEAD: &str = "## Current with the bus, by the model\n";
/// Rates in the table, Hz.
const RATES_HZ: [f64; 3] = [10.0, 25.0, 50.0];
/// Bar of detectors, shell and bus on SPI, on a Cortex-M4F at 25 Hz, uA.
pub const BAR_UA: f64 = 4.0;
/// Time of a pressure reading for which the driver waits, ms.
const PRESSURE_WAIT_MS: f64 = 4.56;

/// Instructions of one core at one rate, as the table has them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Counted {
    /// The core.
    pub core: Core,
    /// Samples a second, Hz.
    pub sample_hz: f64,
    /// Detectors and shell, instructions a sample.
    pub path: f64,
    /// Copies of state, instructions a sample.
    pub copies: f64,
}

impl Counted {
    fn run_ua(&self, instructions: f64, wakes: f64) -> f64 {
        let c: &CoreFigures = core_figures(self.core);
        let awake_us = instructions * c.cycles_per_instruction / c.clock_mhz + wakes * c.wake_us;
        self.sample_hz * awake_us * 1e-6 * c.run_ua_per_mhz * c.clock_mhz
    }

    /// Detectors and shell with a wake a sample, uA.
    pub fn path_ua(&self) -> f64 {
        self.run_ua(self.path, 1.0)
    }

    /// Reading the FIFO over `kind`, uA; other figures of the bus at their defaults.
    pub fn bus_ua(&self, kind: BusKind, transfers: Meanwhile) -> f64 {
        let bus = Bus { kind, transfers, ..Bus::usual() };
        self.reckoner(&bus).fifo_ua(self.sample_hz)
    }

    /// Copies of state with the flash's own current, uA.
    pub fn copies_ua(&self, meanwhile: Meanwhile) -> f64 {
        let bus = Bus { transfers: meanwhile, delays: meanwhile, ..Bus::usual() };
        self.run_ua(self.copies, 0.0) + self.reckoner(&bus).copies_ua(&Copies::usual())
    }

    /// A pressure reading a second without the sensor's own current, uA.
    pub fn pressure_ua(&self, meanwhile: Meanwhile) -> f64 {
        let bus = Bus { transfers: meanwhile, delays: meanwhile, ..Bus::usual() };
        self.reckoner(&bus).pressure_uc(PRESSURE_WAIT_MS)
    }

    fn reckoner<'a>(&self, bus: &'a Bus) -> Reckoner<'a> {
        Reckoner { bus, processor: Processor::from(core_figures(self.core)) }
    }
}

/// The counts of the committed table.
pub fn committed() -> Vec<Counted> {
    let both = [Core::CortexM4F, Core::CortexM0];
    let all = both.into_iter().flat_map(|core| RATES_HZ.map(|sample_hz| (core, sample_hz)));
    all.map(|(core, sample_hz)| {
        let split = cost::split(core, sample_hz);
        Counted { core, sample_hz, path: split.detectors + split.shell, copies: split.copies }
    })
    .collect()
}

/// The section, with its head. Ends with a line.
pub fn section(counts: &[Counted]) -> String {
    use BusKind::{I2c, Spi};
    use Meanwhile::{Sleep, Wait};
    let bus = Bus::usual();
    let mut t = format!(
        "{HEAD}\n\
         Detectors and shell (a wake a sample), and the accelerometer's FIFO of {} samples read by \
         its\ndriver: by bus, and by whether the processor waits for a transfer or sleeps until its \
         end. SPI at\n{} kHz, I2C at {} kHz; all figures of the bus are the defaults of `[bus]` in \
         [tag-file.md](tag-file.md),\nthe model is in [energy.md](energy.md#bus-and-copies). Above \
         a processor asleep.\n\n\
         | core | rate, Hz | detectors and shell, uA | **with SPI, waits** | with SPI, sleeps | with \
         I2C, waits | with I2C, sleeps |\n| --- | ---: | ---: | ---: | ---: | ---: | ---: |\n",
        bus.fifo_samples, bus.spi_khz.value, bus.i2c_khz.value
    );
    for c in counts {
        let path = c.path_ua();
        let [a, b, d, e] = [(Spi, Wait), (Spi, Sleep), (I2c, Wait), (I2c, Sleep)]
            .map(|(kind, meanwhile)| path + c.bus_ua(kind, meanwhile));
        let (name, hz) = (c.core.name(), c.sample_hz);
        let _ =
            writeln!(t, "| {name} | {hz} | {path:.2} | **{a:.2}** | {b:.2} | {d:.2} | {e:.2} |");
    }
    let bar = counts.iter().find(|c| c.core == Core::CortexM4F && c.sample_hz == 25.0);
    if let Some(c) = bar {
        let got = c.path_ua() + c.bus_ua(Spi, Wait);
        let verdict = if got <= BAR_UA { "holds" } else { "does not hold" };
        let _ = writeln!(
            t,
            "\nThe bar of {BAR_UA:.1} uA for detectors, shell and SPI on a Cortex-M4F at 25 Hz \
             {verdict}: {got:.2} uA.\n"
        );
    }
    t.push_str(
        "Copies of state at the default intervals, and a pressure reading a second, come on top. The \
         flash's own\ncurrent is in, that of the sensors is not.\n\n\
         | core | rate, Hz | copies, waits, uA | copies, sleeps | pressure, waits | pressure, sleeps \
         |\n| --- | ---: | ---: | ---: | ---: | ---: |\n",
    );
    for c in counts {
        let _ = writeln!(
            t,
            "| {} | {} | {:.2} | {:.2} | {:.2} | {:.2} |",
            c.core.name(),
            c.sample_hz,
            c.copies_ua(Wait),
            c.copies_ua(Sleep),
            c.pressure_ua(Wait),
            c.pressure_ua(Sleep)
        );
    }
    t
}

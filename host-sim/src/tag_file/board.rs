//! Bus and copies of state, as a tag file gives them.

use super::figure::Figure;
use super::reader::Section;
use crate::problem::Problem;

/// Kind of a bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BusKind {
    /// 8 clocks a byte, no addresses.
    Spi,
    /// 9 clocks a byte, addresses, start and stop.
    I2c,
}

/// What the processor does meanwhile.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meanwhile {
    /// Waits at running current.
    Wait,
    /// Sleeps until an interrupt.
    Sleep,
}

/// Between the processor, its sensors and its memory.
#[derive(Clone, Debug, PartialEq)]
pub struct Bus {
    /// That of the accelerometer.
    pub kind: BusKind,
    /// While a transfer runs.
    pub transfers: Meanwhile,
    /// While a sensor converts, or the memory programs and erases.
    pub delays: Meanwhile,
    /// Samples that the FIFO holds when it is read, 1 to 146.
    pub fifo_samples: f64,
    /// Clock of SPI, kHz.
    pub spi_khz: Figure,
    /// Clock of I2C, kHz.
    pub i2c_khz: Figure,
    /// Cycles to begin a transaction and to take its end.
    pub setup_cycles: Figure,
    /// Of a sleeping processor while a transfer runs, uA.
    pub transfer_ua: Figure,
    /// Pull-up of each line of I2C, ohm.
    pub pullup_ohm: Figure,
    /// Capacitance of a line of SPI, pF.
    pub line_pf: Figure,
    /// Voltage of the lines, V.
    pub line_v: Figure,
}

impl Bus {
    /// All at the defaults of a tag file.
    pub fn usual() -> Self {
        let section = Section::absent("", "bus").and_then(|s| Bus::read(&s));
        section.expect("every key of [bus] has a default")
    }

    pub(super) fn read(s: &Section<'_>) -> Result<Self, Problem> {
        let meanwhile = |key| match s.may_text(key) {
            Some("sleep") => Meanwhile::Sleep,
            _ => Meanwhile::Wait,
        };
        Ok(Bus {
            kind: if s.may_text("kind") == Some("i2c") { BusKind::I2c } else { BusKind::Spi },
            transfers: meanwhile("transfers"),
            delays: meanwhile("delays"),
            fifo_samples: s.number("fifo_samples")?,
            spi_khz: s.figure("spi_khz")?,
            i2c_khz: s.figure("i2c_khz")?,
            setup_cycles: s.figure("setup_cycles")?,
            transfer_ua: s.figure("transfer_ua")?,
            pullup_ohm: s.figure("pullup_ohm")?,
            line_pf: s.figure("line_pf")?,
            line_v: s.figure("line_v")?,
        })
    }

    pub(super) fn figures_mut(&mut self) -> [&mut Figure; 7] {
        [
            &mut self.spi_khz,
            &mut self.i2c_khz,
            &mut self.setup_cycles,
            &mut self.transfer_ua,
            &mut self.pullup_ohm,
            &mut self.line_pf,
            &mut self.line_v,
        ]
    }
}

/// Copies of state in flash.
#[derive(Clone, Debug, PartialEq)]
pub struct Copies {
    /// They are kept at all.
    pub kept: bool,
    /// From copy to copy of the vitals, s, 1 to 3600.
    pub vitals_s: f64,
    /// From copy to copy of everything, s, 10 to 86 400.
    pub all_s: f64,
    /// Sectors of 4096 bytes for the vitals, everything, log and messages; 2 or more each.
    pub sectors: [f64; 3],
    /// To program a block of 64 bytes, ms.
    pub program_ms: Figure,
    /// Meanwhile, mA.
    pub program_ma: Figure,
    /// To erase a sector, ms.
    pub erase_ms: Figure,
    /// Meanwhile, mA.
    pub erase_ma: Figure,
    /// Erasures that a sector stands.
    pub rated_erasures: Figure,
}

impl Copies {
    /// All at the defaults of a tag file.
    pub fn usual() -> Self {
        let section = Section::absent("", "copies").and_then(|s| Copies::read(&s));
        section.expect("every key of [copies] has a default")
    }

    pub(super) fn read(s: &Section<'_>) -> Result<Self, Problem> {
        Ok(Copies {
            kept: s.may_flag("kept").unwrap_or(true),
            vitals_s: s.number("vitals_s")?,
            all_s: s.number("all_s")?,
            sectors: [
                s.number("vitals_sectors")?,
                s.number("all_sectors")?,
                s.number("journal_sectors")?,
            ],
            program_ms: s.figure("program_ms")?,
            program_ma: s.figure("program_ma")?,
            erase_ms: s.figure("erase_ms")?,
            erase_ma: s.figure("erase_ma")?,
            rated_erasures: s.figure("rated_erasures")?,
        })
    }

    pub(super) fn figures_mut(&mut self) -> [&mut Figure; 5] {
        [
            &mut self.program_ms,
            &mut self.program_ma,
            &mut self.erase_ms,
            &mut self.erase_ma,
            &mut self.rated_erasures,
        ]
    }
}

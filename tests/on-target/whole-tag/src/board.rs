//! What the firmware wants of a board. All times are of its timer, microseconds since boot.

use embedded_hal::digital::OutputPin;
use embedded_hal::i2c::I2c;
use embedded_storage::nor_flash::NorFlash;
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::firing::Pins;
use firmware_core::shell::keeper::Reset;

/// Why the processor woke, and when.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wake {
    /// The time now.
    pub now_us: u64,
    /// When the accelerometer's watermark interrupt came, if it did since the last sleep.
    pub mark_us: Option<u64>,
}

/// What can be measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Probe {
    /// Voltage of the cell, mV.
    Cell,
    /// Resistance of the release's link by a current too small to part it, milliohm; `u16::MAX`:
    /// open.
    Link,
    /// Current drawn from the cell, mA.
    Current,
}

/// What can be switched, beside the release.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Switch {
    /// The light.
    Led,
    /// A resistor across the cell.
    Load,
    /// The homing transmitter's key.
    Key,
}

/// The board. A pin of the release stays low through a reset until the firmware sets it.
pub trait Board {
    /// The bus of the sensors.
    type Bus: I2c;
    /// Log and copies.
    type Flash: NorFlash;
    /// The two pins of the release.
    type Pin: OutputPin;

    /// A handle on the bus; several share it.
    fn bus(&mut self) -> Self::Bus;
    /// Sleeps until the accelerometer's interrupt or the alarm at `alarm_us`, whichever comes
    /// first. Interrupts that came since the last sleep end it at once.
    fn sleep(&mut self, alarm_us: u64) -> Wake;
    /// The timer, and the counters that run on through a reset.
    fn clocks(&mut self) -> Clocks;
    /// Why the processor started.
    fn reset(&mut self) -> Reset;
    /// In water, by the wet sensor.
    fn wet(&mut self) -> bool;
    /// A magnet is held to the tag.
    fn magnet(&mut self) -> bool;
    /// A cable is plugged in.
    fn plugged(&mut self) -> bool;
    /// Measures.
    fn measure(&mut self, what: Probe) -> u16;
    /// Switches.
    fn switch(&mut self, what: Switch, on: bool);
    /// Sends a satellite message.
    fn send(&mut self, message: &[u8]);
    /// Writes to the serial line, and waits until it is out.
    fn serial(&mut self, bytes: &[u8]);
    /// The watchdog: without this for 16 s the processor starts anew.
    fn alive(&mut self);
}

/// What the firmware owns.
pub struct Parts<B: Board> {
    /// The flash.
    pub flash: B::Flash,
    /// The release.
    pub pins: Pins<B::Pin, B::Pin>,
}

/// All clocks as they were when the timer read `at_us`.
pub fn dated(now: &Clocks, at_us: u64) -> Clocks {
    let back_us = now.timer_us.saturating_sub(at_us);
    let backup_us = now.backup_us.map(|clock| clock.map(|us| us.saturating_sub(back_us)));
    Clocks { timer_us: at_us, backup_us }
}

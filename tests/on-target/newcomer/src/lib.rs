//! An emulated board: an accelerometer on an animal that beats its tail once a
//! second, a timer that does not wait, a release pin and a memory. After ten
//! minutes it ends the emulation, well only if the minutes stored say so.
#![no_std]

use core::cell::Cell;
use core::convert::Infallible;

use cortex_m_semihosting::debug::{EXIT_FAILURE, EXIT_SUCCESS, exit};
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{self, OutputPin};
use embedded_hal::i2c::{self, I2c, Operation};

const COUNTS_PER_G: f32 = 4096.0;
const END_US: u64 = 600_000_000;

static STARTED: Shared = Shared(Cell::new(0));
static GOOD_MINUTES: Shared = Shared(Cell::new(0));

struct Shared(Cell<u64>);
// SAFETY: one core, no interrupts.
unsafe impl Sync for Shared {}

/// What a board offers.
pub struct Board {
    /// Bus of the accelerometer.
    pub bus: Bus,
    /// Waits.
    pub timer: Timer,
    /// Fires the release while high.
    pub release: Pin,
}

/// Takes the board.
pub fn take() -> Board {
    Board { bus: Bus, timer: Timer, release: Pin }
}

impl Board {
    /// Keeps a record: here, looks whether the minute holds 58 to 62 beats.
    pub fn store(&mut self, record: &[u8]) {
        if let [_, _, _, _, low, high, ..] = record {
            let beats = u16::from_le_bytes([*low, *high]) / 128;
            if (58..=62).contains(&beats) {
                GOOD_MINUTES.0.set(GOOD_MINUTES.0.get() + 1);
            }
        }
    }
}

/// The accelerometer's bus.
pub struct Bus;

impl i2c::ErrorType for Bus {
    type Error = Infallible;
}

impl I2c for Bus {
    fn transaction(&mut self, _: u8, operations: &mut [Operation<'_>]) -> Result<(), Infallible> {
        let t_s = STARTED.0.get() as f32 * 1.0e-6;
        let sway = 0.2 * libm::sinf(core::f32::consts::TAU * (t_s - libm::floorf(t_s)));
        let noise = 0.002 * libm::sinf(t_s * 977.0);
        let axes = [noise, sway, 1.0 - noise].map(|g| (g * COUNTS_PER_G) as i16);
        for operation in operations {
            if let Operation::Read(into) = operation {
                for (to, from) in into.iter_mut().zip(axes.iter().flat_map(|a| a.to_le_bytes())) {
                    *to = from;
                }
            }
        }
        Ok(())
    }
}

/// The timer.
pub struct Timer;

impl DelayNs for Timer {
    fn delay_ns(&mut self, ns: u32) {
        let now_us = STARTED.0.get() + u64::from(ns / 1000);
        STARTED.0.set(now_us);
        if now_us >= END_US {
            exit(if GOOD_MINUTES.0.get() >= 7 { EXIT_SUCCESS } else { EXIT_FAILURE });
        }
    }
}

/// The release.
pub struct Pin;

impl digital::ErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

//! The pressure sensor MS5837-30BA on I2C, by its data sheet: commands, checksum of
//! its constants, first- and second-order compensation. A conversion need not be waited for:
//! [`Ms5837::step`] begins it and reports when to ask again.
//!
//! The crates for it are written for `embedded-hal` 0.2, so this is our own.

use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;
use embedded_hal_async::delay::DelayNs as AsyncDelayNs;
use embedded_hal_async::i2c::I2c as AsyncI2c;

use crate::drivers::port::{AsyncRegisters, I2CInterface, Registers};
use crate::drivers::sensor::{AsyncPressure, Fault, Pressure, Progress, Reading};
use crate::drivers::sensor::{Repeats, Troubles, count};

/// Address on the bus.
pub const ADDRESS: u8 = 0x76;
/// Loads the constants.
pub const RESET: u8 = 0x1E;
/// First of seven words of constants; the others follow in steps of 2.
pub const CONSTANTS: u8 = 0xA0;
/// Converts pressure, oversampling 1024.
pub const CONVERT_PRESSURE: u8 = 0x44;
/// Converts temperature, oversampling 1024.
pub const CONVERT_TEMPERATURE: u8 = 0x54;
/// Reads the result of a conversion.
pub const RESULT: u8 = 0x00;
/// Longest time of a conversion at this oversampling, microseconds.
const CONVERSION_US: u32 = 2280;
/// Time that a reset takes, microseconds.
const RESET_US: u32 = 10_000;
/// A part that gives exactly this many equal pairs of counts stands still: their
/// noise is many counts.
const STUCK: u16 = 16;

/// CRC-4 of the constants, as the data sheet has it; the word that holds it first.
fn crc4(constants: &[u16; 7]) -> u8 {
    let mut rest = 0_u16;
    let words = constants.iter().enumerate().map(|(i, w)| if i == 0 { w & 0x0FFF } else { *w });
    for word in words.chain([0]) {
        for byte in word.to_be_bytes() {
            rest ^= u16::from(byte);
            for _ in 0..8 {
                let carry = rest & 0x8000 != 0;
                rest = rest.wrapping_shl(1);
                if carry {
                    rest ^= 0x3000;
                }
            }
        }
    }
    (rest >> 12) as u8
}

/// Pressure in 0.1 mbar and temperature in 0.01 deg C from the counts, by the data
/// sheet. Whole numbers throughout.
pub fn compensate(constants: &[u16; 7], d1: u32, d2: u32) -> (i32, i32) {
    let [_, c1, c2, c3, c4, c5, c6] = constants.map(i64::from);
    let (d1, d2) = (i64::from(d1), i64::from(d2));
    let times = i64::wrapping_mul;
    let dt = d2.wrapping_sub(times(c5, 256));
    let temp = 2000_i64.wrapping_add(times(dt, c6) >> 23);
    let off = times(c2, 65_536).wrapping_add(times(c4, dt) >> 7);
    let sens = times(c1, 32_768).wrapping_add(times(c3, dt) >> 8);
    let square = |x: i64| times(x, x);
    let below = temp.wrapping_sub(2000);
    let (ti, off2, sens2) = if temp < 2000 {
        let (mut off2, mut sens2) = (times(3, square(below)) >> 1, times(5, square(below)) >> 3);
        if temp < -1500 {
            let colder = temp.wrapping_add(1500);
            off2 = off2.wrapping_add(times(7, square(colder)));
            sens2 = sens2.wrapping_add(times(4, square(colder)));
        }
        (times(3, square(dt)) >> 33, off2, sens2)
    } else {
        (times(2, square(dt)) >> 37, square(below) >> 4, 0)
    };
    let off = off.wrapping_sub(off2);
    let sens = sens.wrapping_sub(sens2);
    let pressure = (times(d1, sens) >> 21).wrapping_sub(off) >> 13;
    (pressure as i32, temp.wrapping_sub(ti) as i32)
}

/// What the part is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
enum Phase {
    /// To be set up.
    #[default]
    Off,
    /// It loads its constants.
    Resetting,
    /// Nothing.
    Ready,
    /// It converts the pressure.
    Pressure,
    /// It converts the temperature; this came out for the pressure.
    Temperature(u32),
}

/// What a driver knows of its part.
#[derive(Clone, Debug, Default)]
struct State {
    constants: [u16; 7],
    phase: Phase,
    repeats: Repeats<(u32, u32)>,
    troubles: Troubles,
}

impl State {
    /// Takes the constants; false where they are damaged or none.
    fn load(&mut self, constants: [u16; 7]) -> bool {
        let [first, rest @ ..] = &constants;
        let blank = rest.iter().all(|w| *w == 0) || rest.iter().all(|w| *w == 0xFFFF);
        if blank || crc4(&constants) != (first >> 12) as u8 {
            return false;
        }
        (self.constants, self.phase) = (constants, Phase::Ready);
        self.repeats = Repeats::default();
        true
    }

    /// There is no reading; a reset of the part is counted.
    fn none<E>(&mut self, reset: bool) -> Fault<E> {
        if reset {
            count(&mut self.troubles.resets);
        }
        Fault::NotReady
    }

    /// The reading of both counts. Error: the part has none, as after a reset of its own (true), or
    /// it stands still; it is set up anew with the next step.
    fn reading(&mut self, d1: u32, d2: u32) -> Result<Reading, bool> {
        // A result that was never made, or interrupted, reads 0 by the data sheet;
        // all ones is a bus that nobody drives.
        let sound = |d: u32| d != 0 && d != 0x00FF_FFFF;
        if !(sound(d1) && sound(d2)) {
            return Err(true);
        }
        if self.repeats.step((d1, d2), STUCK) {
            count(&mut self.troubles.stuck);
            return Err(false);
        }
        self.phase = Phase::Ready;
        let (pressure, temp) = compensate(&self.constants, d1, d2);
        Ok(Reading { pressure_mbar: 0.1 * pressure as f32, temp_c: 0.01 * temp as f32 })
    }
}

macro_rules! driver {
    (
        $go:ident; $($async:ident)?;
        $driver:ident, $pressure:ident, $i2c:ident, $delay:ident
    ) => {
        /// The driver. Readings that are waited for ask the delay `D`; for steps `()` will do.
        pub struct $driver<B, D> {
            port: I2CInterface<B>,
            delay: D,
            state: State,
        }

        impl<B: $i2c, D> $driver<B, D> {
            /// On `bus`. The first step sets it up.
            pub fn new(bus: B, delay: D) -> Self {
                let port = I2CInterface { bus, address: ADDRESS };
                $driver { port, delay, state: State::default() }
            }

            /// Takes a reading on without waiting: sets the part up where that is due, begins its
            /// conversions, reads their results. Call it again after the time that it gives,
            /// until it is done; then again for the next reading.
            ///
            /// # Errors
            /// The bus, damaged constants, or no reading. The next step begins anew.
            pub $($async)? fn step(&mut self) -> Result<Progress, Fault<B::Error>> {
                let done = $go!(self.advance())?;
                done.map_err(|reset| self.state.none(reset))
            }

            /// One step; the error within: whether the part was reset, not stuck.
            $($async)? fn advance(&mut self) -> Result<Result<Progress, bool>, Fault<B::Error>> {
                // Off, whatever fails.
                let phase = core::mem::take(&mut self.state.phase);
                let failures = &mut self.state.troubles.bus;
                let mut bytes = [0; 3];
                if matches!(phase, Phase::Pressure | Phase::Temperature(_)) {
                    $go!(self.port.twice(&[RESULT], &mut bytes, failures))?;
                }
                let [high, middle, low] = bytes;
                let counts = u32::from_be_bytes([0, high, middle, low]);
                if phase == Phase::Resetting {
                    $go!(self.load())?;
                }
                let wait_us = if phase == Phase::Off { RESET_US } else { CONVERSION_US };
                let (begun, command) = match phase {
                    Phase::Off => (Phase::Resetting, RESET),
                    Phase::Resetting | Phase::Ready => (Phase::Pressure, CONVERT_PRESSURE),
                    Phase::Pressure => (Phase::Temperature(counts), CONVERT_TEMPERATURE),
                    Phase::Temperature(d1) => {
                        return Ok(self.state.reading(d1, counts).map(Progress::Done));
                    }
                };
                $go!(self.port.twice(&[command], &mut [], &mut self.state.troubles.bus))?;
                self.state.phase = begun;
                Ok(Ok(Progress::WaitUs(wait_us)))
            }

            /// Reads the constants.
            $($async)? fn load(&mut self) -> Result<(), Fault<B::Error>> {
                let mut constants = [0; 7];
                for (i, word) in constants.iter_mut().enumerate() {
                    let mut bytes = [0; 2];
                    let at = CONSTANTS.wrapping_add((i as u8).wrapping_mul(2));
                    $go!(self.port.twice(&[at], &mut bytes, &mut self.state.troubles.bus))?;
                    *word = u16::from_be_bytes(bytes);
                }
                if self.state.load(constants) { Ok(()) } else { Err(Fault::WrongPart) }
            }
        }

        impl<B: $i2c, D: $delay> $pressure for $driver<B, D> {
            type Error = B::Error;

            $($async)? fn start(&mut self) -> Result<(), Fault<B::Error>> {
                self.state.phase = Phase::Off;
                $go!(self.step())?;
                $go!(self.delay.delay_us(RESET_US));
                self.state.phase = Phase::Off;
                $go!(self.load())
            }

            $($async)? fn read(&mut self) -> Result<Reading, Fault<B::Error>> {
                let mut again = true;
                loop {
                    match $go!(self.advance())? {
                        Ok(Progress::WaitUs(us)) => $go!(self.delay.delay_us(us)),
                        Ok(Progress::Done(reading)) => return Ok(reading),
                        Err(reset) if reset && again => {
                            again = false;
                            self.state.none::<()>(true);
                        }
                        Err(_) => return Err(Fault::NotReady),
                    }
                }
            }

            fn troubles(&self) -> &Troubles {
                &self.state.troubles
            }
        }
    };
}

driver!(now; ; Ms5837, Pressure, I2c, DelayNs);
driver!(later; async; AsyncMs5837, AsyncPressure, AsyncI2c, AsyncDelayNs);

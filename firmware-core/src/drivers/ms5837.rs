//! The pressure sensor MS5837-30BA on I2C, by its data sheet: commands, checksum of
//! its constants, first- and second-order compensation.
//!
//! The crates for it are written for `embedded-hal` 0.2, so this is our own.

use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;

use crate::drivers::sensor::{Fault, Pressure, Reading, Repeats, Troubles, count, twice};

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

/// The driver.
pub struct Ms5837<B, D> {
    bus: B,
    delay: D,
    constants: [u16; 7],
    ready: bool,
    repeats: Repeats<(u32, u32)>,
    troubles: Troubles,
}

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

impl<B: I2c, D: DelayNs> Ms5837<B, D> {
    /// On `bus`. [`Pressure::start`] sets it up.
    pub fn new(bus: B, delay: D) -> Self {
        Ms5837 {
            bus,
            delay,
            constants: [0; 7],
            ready: false,
            repeats: Repeats::default(),
            troubles: Troubles::default(),
        }
    }

    /// Gives bus and delay back.
    pub fn release(self) -> (B, D) {
        (self.bus, self.delay)
    }

    /// Asks the bus, and once more where it fails.
    fn twice(
        &mut self,
        mut ask: impl FnMut(&mut B) -> Result<(), B::Error>,
    ) -> Result<(), Fault<B::Error>> {
        let got = twice(&mut self.troubles.bus, || ask(&mut self.bus).map_err(Fault::Bus));
        self.ready &= got.is_ok();
        got
    }

    fn command(&mut self, command: u8) -> Result<(), Fault<B::Error>> {
        self.twice(|bus| bus.write(ADDRESS, &[command]))
    }

    fn get(&mut self, command: u8, bytes: &mut [u8]) -> Result<(), Fault<B::Error>> {
        self.twice(|bus| bus.write_read(ADDRESS, &[command], bytes))
    }

    fn convert(&mut self, what: u8) -> Result<u32, Fault<B::Error>> {
        self.command(what)?;
        self.delay.delay_us(CONVERSION_US);
        let mut bytes = [0; 3];
        self.get(RESULT, &mut bytes)?;
        let [high, middle, low] = bytes;
        Ok(u32::from_be_bytes([0, high, middle, low]))
    }

    /// Both counts; `None`: the part has no result, as after a reset of its own.
    fn counts(&mut self) -> Result<Option<(u32, u32)>, Fault<B::Error>> {
        let d1 = self.convert(CONVERT_PRESSURE)?;
        let d2 = self.convert(CONVERT_TEMPERATURE)?;
        // A result that was never made, or interrupted, reads 0 by the data sheet;
        // all ones is a bus that nobody drives.
        let sound = |d: u32| d != 0 && d != 0x00FF_FFFF;
        Ok((sound(d1) && sound(d2)).then_some((d1, d2)))
    }
}

impl<B: I2c, D: DelayNs> Pressure for Ms5837<B, D> {
    type Error = B::Error;

    fn start(&mut self) -> Result<(), Fault<B::Error>> {
        self.ready = false;
        self.repeats = Repeats::default();
        self.command(RESET)?;
        self.delay.delay_us(RESET_US);
        let mut constants = [0; 7];
        for (i, word) in constants.iter_mut().enumerate() {
            let mut bytes = [0; 2];
            self.get(CONSTANTS.wrapping_add((i as u8).wrapping_mul(2)), &mut bytes)?;
            *word = u16::from_be_bytes(bytes);
        }
        let [first, rest @ ..] = &constants;
        let blank = rest.iter().all(|w| *w == 0) || rest.iter().all(|w| *w == 0xFFFF);
        if blank || crc4(&constants) != (first >> 12) as u8 {
            return Err(Fault::WrongPart);
        }
        self.constants = constants;
        self.ready = true;
        Ok(())
    }

    fn read(&mut self) -> Result<Reading, Fault<B::Error>> {
        if !self.ready {
            self.start()?;
        }
        let mut counts = self.counts()?;
        if counts.is_none() {
            count(&mut self.troubles.resets);
            self.start()?;
            counts = self.counts()?;
        }
        let stuck = counts.is_some_and(|pair| self.repeats.step(pair, STUCK));
        if stuck {
            count(&mut self.troubles.stuck);
        }
        let Some((d1, d2)) = counts.filter(|_| !stuck) else {
            self.ready = false;
            return Err(Fault::NotReady);
        };
        let (pressure, temp) = compensate(&self.constants, d1, d2);
        Ok(Reading { pressure_mbar: 0.1 * pressure as f32, temp_c: 0.01 * temp as f32 })
    }

    fn troubles(&self) -> &Troubles {
        &self.troubles
    }
}

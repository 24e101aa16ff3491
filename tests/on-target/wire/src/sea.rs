//! The world of the whole tag: an accelerometer with a FIFO and a pressure sensor
//! on one bus, which sometimes does not answer, on an animal that swims; a release whose link parts when
//! it has burnt for long enough. Whole numbers throughout, so that every host and
//! target makes the same one.

use core::cell::Cell;
use core::convert::Infallible;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{ErrorType as PinErrorType, OutputPin};
use embedded_hal::i2c::{self, I2c};
use firmware_core::drivers::ms5837;

use crate::bus::{NoAnswer, copy};

const ACCEL: u8 = 0x14;
/// Bytes of a frame of the FIFO.
const FRAME: u16 = 7;
/// Transfers from one that is not answered to the next.
const SILENT_EVERY: u32 = 211;
/// Constants of the pressure sensor: the worked example of the MS5837-30BA data sheet
/// (memory), with their checksum.
const CONSTANTS: [u16; 7] = [0, 34_982, 36_352, 20_328, 22_354, 26_646, 26_146];
/// Counts of pressure at about 30 m, of a metre, and of temperature, by the same example.
const D1: i32 = 4_958_179;
const D1_A_METRE: i32 = 15_000;
const D2: u32 = 6_815_414;

/// Everything that the tag can sense or move.
pub struct Sea {
    /// Samples taken by the accelerometer since the start.
    taken: Cell<u32>,
    /// Of these, read.
    read: Cell<u32>,
    running: Cell<bool>,
    was_reset: Cell<bool>,
    transfers: Cell<u32>,
    converting: Cell<u8>,
    crc: u16,
    fire_since_s: Cell<Option<u32>>,
    /// Second in which the link parted.
    free_s: Cell<Option<u32>>,
    noise: Cell<u32>,
}

impl Sea {
    /// At the start; `crc` is the check sum of the constants, which the driver
    /// takes one of sixteen of.
    pub const fn new(crc: u16) -> Self {
        Sea {
            taken: Cell::new(0),
            read: Cell::new(0),
            running: Cell::new(false),
            was_reset: Cell::new(true),
            transfers: Cell::new(0),
            converting: Cell::new(0),
            crc,
            fire_since_s: Cell::new(None),
            free_s: Cell::new(None),
            noise: Cell::new(2_463_534_242),
        }
    }

    /// Time passes until so many samples were taken.
    pub fn pass_to(&self, samples: u32) {
        self.taken.set(samples);
        if !self.running.get() {
            self.read.set(samples);
        }
    }

    fn second(&self) -> u32 {
        self.taken.get() / 25
    }

    /// Second in which the link parted.
    pub fn free_s(&self) -> Option<u32> {
        self.free_s.get()
    }

    /// Whether the tag is wet; dry once it floats.
    pub fn wet(&self) -> bool {
        self.free_s.get().is_none_or(|s| self.second() < s.saturating_add(90))
    }

    /// The fire pin moves.
    fn fire(&self, high: bool) {
        let now_s = self.second();
        match (high, self.fire_since_s.get()) {
            (true, None) => self.fire_since_s.set(Some(now_s)),
            (true, Some(since_s)) if now_s >= since_s.saturating_add(4) => {
                self.free_s.set(self.free_s.get().or(Some(now_s)));
            }
            (false, _) => self.fire_since_s.set(None),
            _ => {}
        }
    }

    /// Xorshift; Marsaglia 2003, J. Statistical Software 8:14.
    fn number(&self) -> u32 {
        let mut x = self.noise.get();
        x ^= x << 13;
        x ^= x >> 17;
        x ^= x << 5;
        self.noise.set(x);
        x
    }

    /// Counts of the three axes of a sample, 256 for one g.
    fn axes(&self, n: u32) -> [i16; 3] {
        // 0.8 beats a second, with a glide of 15 s in every minute.
        let phase = n.wrapping_mul(2097) as u16 as i16;
        let swims = n % 1500 < 1125 && self.free_s.get().is_none();
        let sway = if swims { 40 * parabola(phase) / 1024 } else { 0 };
        let level = if self.free_s.get().is_some() { [-200, 0, 150] } else { [10, 0, 254] };
        let noise = [(); 3].map(|()| (self.number() % 5) as i32 - 2);
        [level[0] + noise[0], level[1] + sway + noise[1], level[2] + noise[2]].map(|c| c as i16)
    }

    fn pressure(&self) -> u32 {
        let second = self.second();
        let swing = 8 * D1_A_METRE * parabola((second % 600 * 109) as u16 as i16) / 1024;
        let mut d1 = D1 + swing + (self.number() % 64) as i32;
        if let Some(free_s) = self.free_s.get() {
            let risen = second.saturating_sub(free_s) as i32 * D1_A_METRE / 2;
            d1 = (d1 - risen).max(D1 - 29 * D1_A_METRE - D1_A_METRE / 2 + d1 % 64);
        }
        d1 as u32
    }

    fn accel_get(&self, register: u8, into: &mut [u8]) {
        let waiting = self.taken.get().wrapping_sub(self.read.get()).min(146) as u16;
        match register {
            0x00 => copy(&[0x90], into),
            0x0D => copy(&[u8::from(self.was_reset.replace(false))], into),
            0x12 => copy(&(waiting * FRAME).to_le_bytes(), into),
            0x14 => {
                for frame in into.chunks_mut(FRAME.into()) {
                    let n = self.read.get();
                    self.read.set(n.wrapping_add(1));
                    let [x, y, z] = self.axes(n).map(|c| [(c & 15) as u8, (c >> 4) as u8]);
                    copy(&[0x9E, x[0], x[1], y[0], y[1], z[0], z[1]], frame);
                }
            }
            _ => {}
        }
    }

    fn accel_put(&self, bytes: &[u8]) {
        match bytes {
            [0x7E, 0xB6] => {
                self.running.set(false);
                self.was_reset.set(true);
            }
            [0x26, _] => {
                self.running.set(true);
                self.read.set(self.taken.get());
            }
            _ => {}
        }
    }

    fn depth_get(&self, register: u8, into: &mut [u8]) {
        if register == ms5837::RESULT {
            let counts = match self.converting.get() {
                ms5837::CONVERT_PRESSURE => self.pressure(),
                _ => D2,
            };
            let [_, a, b, c] = counts.to_be_bytes();
            copy(&[a, b, c], into);
        } else {
            let n = usize::from(register.wrapping_sub(ms5837::CONSTANTS) / 2);
            let word = CONSTANTS.get(n).copied().unwrap_or(0);
            let word = if n == 0 { self.crc << 12 } else { word };
            copy(&word.to_be_bytes(), into);
        }
    }
}

/// A wave of two parabolas, -1024 to 1024, over a whole turn.
fn parabola(phase: i16) -> i32 {
    let x = i32::from(phase) / 32;
    4 * x * (1024 - x.abs()) / 1024
}

/// The bus.
#[derive(Clone, Copy)]
pub struct Wires<'a>(pub &'a Sea);

impl i2c::ErrorType for Wires<'_> {
    type Error = NoAnswer;
}

impl I2c for Wires<'_> {
    fn transaction(
        &mut self,
        address: u8,
        operations: &mut [i2c::Operation<'_>],
    ) -> Result<(), NoAnswer> {
        let sea = self.0;
        let transfers = sea.transfers.get().wrapping_add(1);
        sea.transfers.set(transfers);
        if transfers.is_multiple_of(SILENT_EVERY) {
            return Err(NoAnswer);
        }
        let mut register = 0;
        for operation in operations {
            match operation {
                i2c::Operation::Write(bytes) => {
                    register = bytes.first().copied().unwrap_or(0);
                    if address == ACCEL {
                        sea.accel_put(bytes);
                    } else if register == ms5837::CONVERT_PRESSURE
                        || register == ms5837::CONVERT_TEMPERATURE
                    {
                        sea.converting.set(register);
                    }
                }
                i2c::Operation::Read(into) if address == ACCEL => sea.accel_get(register, into),
                i2c::Operation::Read(into) => sea.depth_get(register, into),
            }
        }
        Ok(())
    }
}

/// Conversions take no time.
#[derive(Clone, Copy)]
pub struct NoWait;

impl DelayNs for NoWait {
    fn delay_ns(&mut self, _: u32) {}
}

/// A pin of the release; only that which fires moves the world.
pub struct Line<'a> {
    sea: &'a Sea,
    fires: bool,
}

impl<'a> Line<'a> {
    /// The pin that arms, or that which fires.
    pub fn new(sea: &'a Sea, fires: bool) -> Self {
        Line { sea, fires }
    }
}

impl PinErrorType for Line<'_> {
    type Error = Infallible;
}

impl OutputPin for Line<'_> {
    fn set_low(&mut self) -> Result<(), Infallible> {
        if self.fires {
            self.sea.fire(false);
        }
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        if self.fires {
            self.sea.fire(true);
        }
        Ok(())
    }
}

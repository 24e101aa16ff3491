//! The world of the simulated tag, which lasts through its resets: sensors, sea, animal, link, flash, and
//! what befalls the processor. Whole numbers throughout.

use core::mem::MaybeUninit;

use firmware_core::drivers::ms5837;
use whole_tag::setup::{FLASH_BYTES, LOG_BYTES};
use whole_tag::tape;

const MAGIC: u32 = 0x5EA_CA1F;
/// Room of the tape, bytes.
const TAPE: usize = 3 << 20;
/// Bytes of a frame of the accelerometer's FIFO, and frames that it holds.
const FRAME: u32 = 7;
const HOLDS: u32 = 146;
/// Time from one sample to the next, microseconds.
const SAMPLE_US: u64 = 40_000;
/// Transfers from one that is not answered to the next.
const SILENT_EVERY: u32 = 211;
/// Constants of the pressure sensor: the worked example of the MS5837-30BA data sheet
/// (memory), with their checksum; counts of temperature there, of pressure in air, and counts of a
/// metre of sea water by the same constants.
const CONSTANTS: [u16; 7] = [2 << 12, 34_982, 36_352, 20_328, 22_354, 26_646, 26_146];
const D2: u32 = 6_815_414;
const D1_IN_AIR: u32 = 4_510_383;
const D1_A_METRE: u64 = 15_072;
/// Current through the link for so long parts it, microseconds.
const PARTS_US: u64 = 4_000_000;
const SECOND_US: u64 = 1_000_000;

/// What ends a boot.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// Power goes while the processor sleeps.
    Asleep,
    /// Power goes within so many ticks of a time at which the processor has woken.
    Busy(u32),
    /// Power goes before so many more words are written to the flash.
    Writing(u32),
    /// The bus holds the processor for good; the watchdog has to help.
    Hung,
}

/// All of it.
pub struct World {
    magic: u32,
    noise: u32,
    /// Time at which the processor booted, and whether power had gone.
    pub boot_us: u64,
    /// The reset was the watchdog's.
    pub watchdog: bool,
    /// The present boot ends then, and how.
    pub ends_us: u64,
    /// How it ends.
    pub fate: Fate,
    by_water: bool,
    launch_us: u64,
    transfers: u32,
    // Accelerometer.
    running: bool,
    was_reset: bool,
    read: u32,
    mark: u32,
    /// The interrupt comes with the next crossing.
    edge: bool,
    // Pressure sensor.
    converting: u8,
    ready_us: u64,
    // Link.
    fire_since_us: Option<u64>,
    free_us: Option<u64>,
    free_m: u64,
    pulses: u32,
    /// Times that the cable was asked for.
    pub rounds: u32,
    /// The flash.
    pub flash: [u8; FLASH_BYTES as usize],
    tape: [u8; TAPE],
    /// Bytes on the tape.
    pub taped: usize,
}

#[unsafe(link_section = ".uninit.world")]
static mut WORLD: MaybeUninit<World> = MaybeUninit::uninit();

/// The world. To be used with interrupts off.
pub fn world() -> &'static mut World {
    let place = &raw mut WORLD;
    // SAFETY: every bit pattern that the memory holds at power-up (zero), or that this program left, is
    // a valid world; interrupts are off, so nobody else has it.
    unsafe { (*place).assume_init_mut() }
}

/// A wave of two parabolas, -1024 to 1024, over a whole turn.
fn parabola(phase: i16) -> i32 {
    let x = i32::from(phase) / 32;
    4 * x * (1024 - x.abs()) / 1024
}

impl World {
    /// True where it was there before: the processor was reset. Else it is to be begun.
    pub fn lasts(&self) -> bool {
        self.magic == MAGIC
    }

    /// Begins it.
    pub fn begin(&mut self, seed: u32) {
        (self.magic, self.noise) = (MAGIC, seed.wrapping_mul(2_654_435_761) | 1);
        (self.boot_us, self.watchdog, self.rounds, self.taped) = (0, false, 0, 0);
        self.by_water = seed % 2 == 1;
        let late_s = if self.by_water { 20 } else { 70 + self.number() % 60 };
        self.launch_us = u64::from(late_s) * SECOND_US;
        (self.transfers, self.running, self.was_reset, self.read) = (0, false, true, 0);
        (self.mark, self.edge, self.converting, self.ready_us) = (0, false, 0, 0);
        (self.fire_since_us, self.free_us, self.free_m, self.pulses) = (None, None, 0, 0);
        // A new part; where the copies lie is junk.
        self.flash.fill(0x53);
        self.flash.iter_mut().take(LOG_BYTES as usize).for_each(|byte| *byte = 0xFF);
        self.draw_end(0);
    }

    /// Xorshift; Marsaglia 2003, J. Statistical Software 8:14.
    pub fn number(&mut self) -> u32 {
        let mut x = self.noise;
        x ^= x << 13;
        x ^= x >> 17;
        x ^= x << 5;
        self.noise = x;
        x
    }

    /// Draws how and when the boot ends that begins at `now_us`.
    fn draw_end(&mut self, now_us: u64) {
        // One in four boots is left alone for long.
        let most_ms = if self.number().is_multiple_of(4) { 1_500_000 } else { 300_000 };
        let wait_us = u64::from(self.number() % most_ms) * 1000;
        self.ends_us = now_us + 20 * SECOND_US + wait_us;
        self.fate = match self.number() % 8 {
            0 => Fate::Hung,
            1 => Fate::Asleep,
            2..5 => Fate::Writing(1 + self.number() % 1100),
            _ => {
                let most = 1 << (8 + self.number() % 13);
                Fate::Busy(1 + self.number() % most)
            }
        };
    }

    /// The processor stops now, and boots again some time later.
    pub fn stop(&mut self, now_us: u64) {
        self.watchdog = self.fate == Fate::Hung;
        self.boot_us = now_us + 16 * SECOND_US;
        if !self.watchdog {
            self.boot_us = now_us + 50_000 + u64::from(self.number() % 20_000) * 1000;
            (self.running, self.was_reset, self.converting) = (false, true, 0);
            self.edge = false;
        }
        self.fire(now_us, false);
        let boot_us = self.boot_us;
        self.draw_end(boot_us);
        self.put(tape::RESET, &[]);
    }

    /// Adds a record to the tape.
    pub fn put(&mut self, tag: u8, fields: &[&[u8]]) {
        let bytes = core::iter::once(&tag).chain(fields.iter().copied().flatten());
        let room = self.tape.iter_mut().skip(self.taped);
        self.taped += room.zip(bytes).map(|(place, byte)| *place = *byte).count();
    }

    /// The tape.
    pub fn tape(&self) -> &[u8] {
        self.tape.get(..self.taped).unwrap_or_default()
    }

    /// In water, by the wet sensor.
    pub fn wet(&self, now_us: u64) -> bool {
        now_us >= self.launch_us && self.free_us.is_none_or(|us| now_us < us + 90 * SECOND_US)
    }

    /// The tag was found.
    pub fn found(&self, now_us: u64) -> bool {
        self.free_us.is_some_and(|us| now_us >= us + 480 * SECOND_US)
    }

    /// A magnet is at the tag: on the shelf, unless water arms it, and in the hands of the finder.
    pub fn magnet(&self, now_us: u64) -> bool {
        self.found(now_us) || (!self.by_water && now_us < 20 * SECOND_US)
    }

    /// The fire pin moves.
    pub fn fire(&mut self, now_us: u64, high: bool) {
        let since_us = self.fire_since_us;
        if high && since_us.is_none() {
            self.pulses += 1;
            if self.pulses == 1 && self.number().is_multiple_of(2) {
                // Every other first pulse is broken into.
                let pulse_us = u64::from(self.number() % 5000) * 1000;
                (self.ends_us, self.fate) = (now_us + pulse_us, Fate::Asleep);
            }
        }
        self.fire_since_us = if high { since_us.or(Some(now_us)) } else { None };
        if since_us.is_some_and(|us| now_us >= us + PARTS_US) && self.free_us.is_none() {
            self.free_m = self.depth_cm(now_us);
            self.free_us = Some(now_us);
        }
    }

    /// Depth, cm.
    fn depth_cm(&self, now_us: u64) -> u64 {
        let Some(swum_us) = now_us.checked_sub(self.launch_us) else { return 0 };
        if let Some(free_us) = self.free_us {
            // Half a metre a second, up to a float that bobs.
            let risen_cm = now_us.saturating_sub(free_us) / 20_000;
            return self.free_m.saturating_sub(risen_cm).max(5 + now_us / 700_000 % 7);
        }
        let phase = (swum_us / SECOND_US % 600 * 109) as u16 as i16;
        let level_cm = 2000 + 900 * i64::from(parabola(phase)) / 1024;
        // It goes down at 0.2 m a second first.
        (level_cm as u64).min(swum_us / 50_000)
    }

    /// Counts of the three axes of a sample, 256 for one g.
    fn axes(&mut self, n: u32) -> [i16; 3] {
        let at_us = u64::from(n) * SAMPLE_US;
        // 0.8 beats a second, with a glide of 15 s in every minute.
        let phase = n.wrapping_mul(2097) as u16 as i16;
        let free = self.free_us.is_some_and(|us| at_us >= us);
        let swims = n % 1500 < 1125 && at_us >= self.launch_us && !free;
        let sway = if swims { 40 * parabola(phase) / 1024 } else { 0 };
        let level = if free { [-200, 0, 150] } else { [10, 0, 254] };
        let noise = [(); 3].map(|()| (self.number() % 5) as i32 - 2);
        let [[x, y, z], [a, b, c]] = [level, noise];
        [x + a, y + sway + b, z + c].map(|c| c as i16)
    }

    /// Samples taken until now.
    fn taken(now_us: u64) -> u32 {
        (now_us / SAMPLE_US) as u32
    }

    /// When the watermark's interrupt comes next.
    pub fn mark_us(&self) -> Option<u64> {
        let comes = self.edge && self.running && self.mark > 0;
        comes.then(|| u64::from(self.read + self.mark) * SAMPLE_US)
    }

    /// It came.
    pub fn marked(&mut self) {
        self.edge = false;
    }

    /// Reads from the accelerometer.
    pub fn accel_get(&mut self, now_us: u64, register: u8, into: &mut [u8]) {
        let taken = Self::taken(now_us);
        self.read = if self.running { self.read.max(taken.saturating_sub(HOLDS)) } else { taken };
        let waiting = taken - self.read;
        match register {
            0x00 => into.fill(0x90),
            0x0D => into.fill(u8::from(core::mem::take(&mut self.was_reset))),
            0x12 => copy(&((waiting * FRAME) as u16).to_le_bytes(), into),
            0x14 => {
                let count = (into.len() / FRAME as usize) as u8;
                self.put(tape::SAMPLES, &[&self.read.to_le_bytes(), &[count]]);
                for frame in into.chunks_mut(FRAME as usize) {
                    let n = self.read;
                    let [x, y, z] = self.axes(n).map(|c| [(c & 15) as u8, (c >> 4) as u8]);
                    let [[a, b], [c, d], [e, f]] = [x, y, z];
                    copy(&[0x9E, a, b, c, d, e, f], frame);
                    self.read += 1;
                }
                self.edge |= taken.saturating_sub(self.read) < self.mark;
            }
            _ => {}
        }
    }

    /// Writes to the accelerometer.
    pub fn accel_put(&mut self, now_us: u64, bytes: &[u8]) {
        match bytes {
            [0x7E, 0xB6] => (self.running, self.was_reset, self.mark) = (false, true, 0),
            [0x26, _] => (self.running, self.read) = (true, Self::taken(now_us)),
            [0x27, low] => self.mark = u32::from(*low),
            [0x28, high] => self.mark = (self.mark | u32::from(*high) << 8) / FRAME,
            [0x1F, on] => self.edge = on & 0x40 != 0,
            _ => {}
        }
    }

    /// Reads from the pressure sensor.
    pub fn pressure_get(&mut self, now_us: u64, register: u8, into: &mut [u8]) {
        if register != ms5837::RESULT {
            let n = usize::from(register.wrapping_sub(ms5837::CONSTANTS) / 2);
            return copy(&CONSTANTS.get(n).copied().unwrap_or(0).to_be_bytes(), into);
        }
        // Too early, or never begun: no result.
        let done = now_us >= self.ready_us;
        let counts = match core::mem::take(&mut self.converting) {
            ms5837::CONVERT_PRESSURE if done => {
                let cm = self.depth_cm(now_us);
                self.put(tape::DEPTH, &[&now_us.to_le_bytes(), &(cm as u32).to_le_bytes()]);
                D1_IN_AIR + (cm * D1_A_METRE / 100) as u32 + self.number() % 64
            }
            ms5837::CONVERT_TEMPERATURE if done => D2,
            _ => 0,
        };
        let [_, a, b, c] = counts.to_be_bytes();
        copy(&[a, b, c], into);
    }

    /// Writes to the pressure sensor.
    pub fn pressure_put(&mut self, now_us: u64, command: u8) {
        (self.converting, self.ready_us) = (command, now_us + 2_200);
    }

    /// A word is about to be written; true: power goes first.
    pub fn writes(&mut self, now_us: u64) -> bool {
        match &mut self.fate {
            Fate::Writing(left) if now_us >= self.ends_us => {
                *left -= 1;
                *left == 0
            }
            _ => false,
        }
    }

    /// Whether a transfer is answered.
    pub fn answers(&mut self) -> bool {
        self.transfers = self.transfers.wrapping_add(1);
        !self.transfers.is_multiple_of(SILENT_EVERY)
    }
}

/// As many bytes as there are in both.
fn copy(from: &[u8], to: &mut [u8]) {
    to.iter_mut().zip(from).for_each(|(to, from)| *to = *from);
}

//! The tape of the simulated board, the flash of the host's own run over it, and what the tape tells of
//! the world.

use std::sync::{Mutex, MutexGuard};

use whole_tag::setup::{FLASH_BYTES, LOG_BYTES};
use whole_tag::tape;

/// Time from one sample to the next, microseconds.
pub const SAMPLE_US: u64 = 40_000;
/// The first backup counter runs 20 ppm fast, and began at 7 s.
const FAST: u64 = 50_000;
const AHEAD_US: u64 = 7_000_000;

/// A word or a sector of the flash before it was changed.
type Undo = (usize, Vec<u8>);

/// What the tape tells of the world, by the world's time in microseconds.
#[derive(Default)]
pub struct World {
    /// Time of the latest clocks.
    pub now_us: u64,
    /// Samples that the tag read, by number: that of a time, and its counts.
    pub samples: Vec<(u32, [i16; 3])>,
    /// Depths that the tag read, m.
    pub depths: Vec<(u64, f32)>,
    /// The end of the self-test.
    pub begun_us: Option<u64>,
    /// Boots after the first.
    pub boots_us: Vec<u64>,
    /// Of these, by the watchdog.
    pub watchdog: usize,
    /// Boots that broke into a pulse of the release.
    pub in_pulse: usize,
    /// Boots that broke into writing to the flash.
    pub in_writing: usize,
    /// Depths at which the release was pulled, m, and when.
    pub pulls: Vec<(u64, f32)>,
    /// Satellite messages.
    pub messages: Vec<Vec<u8>>,
    /// The release is pulled.
    pub firing: bool,
    /// Samples that the next transfer reads: number of the first, how many.
    pub reading: Option<(u32, u8)>,
}

/// All of it.
pub struct State {
    bytes: Vec<u8>,
    at: usize,
    /// The flash.
    pub flash: Vec<u8>,
    /// Changes since the latest answer.
    undo: Vec<Undo>,
    /// What is known so far.
    pub world: World,
}

/// How a boot ends.
#[derive(Debug)]
pub enum End {
    /// By a reset, as on the target.
    Reset,
    /// The firmware came to its end.
    Done,
    /// It did something else than on the target.
    Differs(String),
}

/// A lock that a thread which stopped elsewhere cannot spoil.
pub fn lock(state: &Mutex<State>) -> MutexGuard<'_, State> {
    state.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// A whole number, little-endian.
pub fn number(bytes: &[u8]) -> u64 {
    bytes.iter().rev().fold(0, |n, byte| n << 8 | u64::from(*byte))
}

impl State {
    /// At the start of the tape, with a flash as the target's.
    pub fn new(bytes: Vec<u8>) -> Self {
        let mut flash = vec![0x53; FLASH_BYTES as usize];
        flash[..LOG_BYTES as usize].fill(0xFF);
        State { bytes, at: 0, flash, undo: Vec::new(), world: World::default() }
    }

    fn get<const N: usize>(&mut self) -> Option<[u8; N]> {
        let bytes = self.bytes.get(self.at..)?.first_chunk::<N>().copied()?;
        self.at += N;
        Some(bytes)
    }

    /// Takes up what the tape tells of the world before the next answer.
    fn pass_world(&mut self) {
        loop {
            match self.bytes.get(self.at) {
                Some(&tape::SAMPLES) => {
                    self.at += 1;
                    let Some([a, b, c, d, n]) = self.get::<5>() else { return };
                    self.world.reading = Some((u32::from_le_bytes([a, b, c, d]), n));
                }
                Some(&tape::DEPTH) => {
                    self.at += 1;
                    let Some(bytes) = self.get::<12>() else { return };
                    let cm = number(&bytes[8..]) as f32;
                    self.world.depths.push((number(&bytes[..8]), cm / 100.0));
                }
                _ => return,
            }
        }
    }

    /// What follows the next record's tag, which must be this one.
    ///
    /// # Errors
    /// The boot ends here, or another record stands there.
    pub fn take<const N: usize>(&mut self, tag: u8) -> Result<[u8; N], End> {
        self.pass_world();
        let at = self.at;
        match self.get::<1>() {
            Some([there]) if there == tag => {}
            Some([tape::RESET]) => return Err(End::Reset),
            there => {
                return Err(End::Differs(format!(
                    "byte {at} of the tape: '{}' here, {:?} on the target",
                    char::from(tag),
                    there.map(|[tag]| char::from(tag))
                )));
            }
        }
        self.undo.clear();
        self.get::<N>().ok_or_else(|| End::Differs("the tape ends".into()))
    }

    /// The head of a boot.
    ///
    /// Where the target's flash is not what some of the changes since the latest answer make of it,
    /// an error. The other changes are undone: the reset came before them.
    pub fn boot(&mut self) -> Result<(), String> {
        let made = self.undo.len();
        let mut changes = std::mem::take(&mut self.undo);
        let [watchdog, crc @ ..] = self.take::<5>(tape::BOOT).map_err(|e| format!("{e:?}"))?;
        let crc = number(&crc) as u32;
        while tape::CRC.checksum(&self.flash) != crc {
            let Some((at, old)) = changes.pop() else {
                return Err("the flash is not what the target left there".into());
            };
            self.flash[at..at + old.len()].copy_from_slice(&old);
        }
        let world = &mut self.world;
        world.in_writing += usize::from(made > 0 && changes.len() < made && !changes.is_empty());
        world.watchdog += usize::from(watchdog == 1);
        world.in_pulse += usize::from(world.firing);
        world.firing = false;
        world.boots_us.push(0);
        Ok(())
    }

    /// Bytes of the record that is being read.
    pub fn bytes(&mut self, len: usize) -> Vec<u8> {
        let from = self.at;
        self.at += len;
        self.bytes.get(from..self.at).map(<[u8]>::to_vec).unwrap_or_default()
    }

    /// Changes the flash.
    pub fn change(&mut self, at: usize, new: impl Iterator<Item = u8>, len: usize) {
        let place = &mut self.flash[at..at + len];
        self.undo.push((at, place.to_vec()));
        place.iter_mut().zip(new).for_each(|(to, from)| *to = from);
    }

    /// The end of the tape.
    pub fn ended(&mut self) -> Result<(), String> {
        self.take::<0>(tape::END).map(|_| ()).map_err(|e| format!("{e:?}"))
    }

    /// The board told its clocks.
    pub fn told_clocks(&mut self, backup_us: u64) {
        let since_us = backup_us.saturating_sub(AHEAD_US);
        self.world.now_us = since_us - since_us / (FAST + 1);
        let now_us = self.world.now_us;
        if let Some(boot_us) = self.world.boots_us.last_mut().filter(|us| **us == 0) {
            *boot_us = now_us;
        }
    }

    /// The board gave so many bytes, which may be frames of the accelerometer's FIFO.
    pub fn read_frames(&mut self, bytes: &[u8]) {
        let Some((first, count)) = self.world.reading.take() else { return };
        let frames = bytes.chunks_exact(7).take(count.into()).zip(first..);
        for (frame, n) in frames {
            let axis = |i: usize| i16::from_le_bytes([frame[i] << 4, frame[i + 1]]) >> 4;
            self.world.samples.push((n, [axis(1), axis(3), axis(5)]));
        }
    }
}

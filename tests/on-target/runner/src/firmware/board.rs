//! A board that answers the firmware from a tape, on the host. Everything that the firmware does
//! must be what it did on the target; between two answers the flash is written word by word, as there.

use std::convert::Infallible;
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread;

use embedded_hal::digital::{ErrorType as PinErrorType, OutputPin};
use embedded_hal::i2c::{self, I2c, NoAcknowledgeSource, Operation};
use embedded_storage::nor_flash::{
    ErrorType as FlashErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase,
    check_read, check_write,
};
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::keeper::Reset;
use whole_tag::board::{Board, Probe, Switch, Wake};
use whole_tag::setup::FLASH_BYTES;
use whole_tag::tape;

use super::tape::{End, State, lock, number};

/// The board.
#[derive(Clone)]
pub struct Taped {
    state: Arc<Mutex<State>>,
    end: Sender<End>,
}

impl Taped {
    /// Over a tape; `end` hears how the boot ends.
    pub fn new(state: Arc<Mutex<State>>, end: Sender<End>) -> Self {
        Taped { state, end }
    }

    /// Ends the boot: nothing that stands on this thread's stack goes on.
    fn end(&self, end: End) -> ! {
        let _ = self.end.send(end);
        loop {
            thread::park();
        }
    }

    /// What follows the next record's tag, which must be this one.
    fn next<const N: usize>(&self, tag: u8) -> [u8; N] {
        let taken = lock(&self.state).take(tag);
        match taken {
            Ok(bytes) => bytes,
            Err(end) => self.end(end),
        }
    }

    fn flag(&self, tag: u8) -> bool {
        self.next::<1>(tag) != [0]
    }

    /// The firmware does what it did there.
    fn does<const N: usize>(&self, tag: u8, did: [u8; N]) {
        let there = self.next::<N>(tag);
        if there != did {
            let tag = char::from(tag);
            self.end(End::Differs(format!("'{tag}': {did:?} here, {there:?} on the target")));
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        lock(&self.state)
    }
}

impl Board for Taped {
    type Bus = Taped;
    type Flash = Taped;
    type Pin = Pin;

    fn bus(&mut self) -> Taped {
        self.clone()
    }

    fn sleep(&mut self, _: u64) -> Wake {
        let bytes = self.next::<16>(tape::SLEEP);
        let mark_us = number(&bytes[8..]);
        Wake { now_us: number(&bytes[..8]), mark_us: (mark_us != u64::MAX).then_some(mark_us) }
    }

    fn clocks(&mut self) -> Clocks {
        let bytes = self.next::<24>(tape::CLOCKS);
        let backup_us = [number(&bytes[8..16]), number(&bytes[16..])];
        self.state().told_clocks(backup_us[0]);
        Clocks { timer_us: number(&bytes[..8]), backup_us: backup_us.map(Some) }
    }

    fn reset(&mut self) -> Reset {
        if self.flag(tape::REASON) { Reset::Watchdog } else { Reset::Power }
    }

    fn wet(&mut self) -> bool {
        self.flag(tape::WET)
    }

    fn magnet(&mut self) -> bool {
        self.flag(tape::MAGNET)
    }

    fn plugged(&mut self) -> bool {
        self.flag(tape::PLUGGED)
    }

    fn measure(&mut self, what: Probe) -> u16 {
        let [there, value @ ..] = self.next::<3>(tape::MEASURE);
        if there != what as u8 {
            self.end(End::Differs(format!("measures {what:?}, {there} on the target")));
        }
        u16::from_le_bytes(value)
    }

    fn switch(&mut self, what: Switch, on: bool) {
        self.does(tape::SWITCH, [what as u8, on.into()]);
        if what == Switch::Led && on {
            let mut state = self.state();
            let now_us = state.world.now_us;
            state.world.begun_us.get_or_insert(now_us);
        }
    }

    fn send(&mut self, message: &[u8]) {
        let there = self.next::<31>(tape::SEND);
        if there != message {
            self.end(End::Differs(format!("sends {message:?}, {there:?} on the target")));
        }
        self.state().world.messages.push(message.to_vec());
    }

    fn serial(&mut self, bytes: &[u8]) {
        let [a, b, c, d] = tape::CRC.checksum(bytes).to_le_bytes();
        let [low, high] = (bytes.len() as u16).to_le_bytes();
        self.does(tape::SERIAL, [low, high, a, b, c, d]);
    }

    fn alive(&mut self) {
        self.does(tape::ALIVE, []);
    }
}

/// The bus did not answer.
#[derive(Clone, Copy, Debug)]
pub struct NoAnswer;

impl i2c::Error for NoAnswer {
    fn kind(&self) -> i2c::ErrorKind {
        i2c::ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address)
    }
}

impl i2c::ErrorType for Taped {
    type Error = NoAnswer;
}

impl I2c for Taped {
    fn transaction(&mut self, _: u8, operations: &mut [Operation<'_>]) -> Result<(), NoAnswer> {
        let [answered, len] = self.next::<2>(tape::BUS);
        if answered == 0 {
            self.state().world.reading = None;
            return Err(NoAnswer);
        }
        let into = operations.iter_mut().find_map(|operation| match operation {
            Operation::Read(into) => Some(into),
            Operation::Write(_) => None,
        });
        let wanted = into.as_ref().map_or(0, |into| into.len());
        if wanted != usize::from(len) {
            self.end(End::Differs(format!("reads {wanted} bytes, {len} on the target")));
        }
        let mut state = self.state();
        let bytes = state.bytes(wanted);
        state.read_frames(&bytes);
        if let Some(into) = into {
            into.copy_from_slice(&bytes);
        }
        Ok(())
    }
}

/// A pin of the release.
pub struct Pin {
    board: Taped,
    fires: bool,
}

impl Pin {
    /// That arms, or that fires.
    pub fn new(board: &Taped, fires: bool) -> Self {
        Pin { board: board.clone(), fires }
    }

    fn pull(&mut self, high: bool) -> Result<(), Infallible> {
        self.board.does(tape::PIN, [self.fires.into(), high.into()]);
        if self.fires {
            let world = &mut self.board.state().world;
            world.firing = high;
            if high {
                let depth_m = world.depths.last().map_or(0.0, |(_, m)| *m);
                world.pulls.push((world.now_us, depth_m));
            }
        }
        Ok(())
    }
}

impl PinErrorType for Pin {
    type Error = Infallible;
}

impl OutputPin for Pin {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.pull(false)
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.pull(true)
    }
}

impl FlashErrorType for Taped {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Taped {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        check_read(self, offset, into.len())?;
        into.copy_from_slice(&self.state().flash[offset as usize..][..into.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        FLASH_BYTES as usize
    }
}

impl NorFlash for Taped {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        check_erase(self, from, to)?;
        for at in (from as usize..to as usize).step_by(Self::ERASE_SIZE) {
            self.state().change(at, std::iter::repeat(u8::MAX), Self::ERASE_SIZE);
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        check_write(self, offset, bytes.len())?;
        for (n, word) in bytes.chunks(Self::WRITE_SIZE).enumerate() {
            let at = offset as usize + Self::WRITE_SIZE * n;
            let mut state = self.state();
            let old = state.flash[at..at + word.len()].to_vec();
            state.change(at, old.into_iter().zip(word).map(|(o, w)| o & w), word.len());
        }
        Ok(())
    }
}

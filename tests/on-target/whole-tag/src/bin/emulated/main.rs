//! The firmware on a simulated board, through resets at drawn instants: QEMU's `mps2-an386`. It
//! links only where no panic can be reached.
#![no_std]
#![no_main]

mod hw;
mod panic;
mod world;

use core::convert::Infallible;

use cortex_m::interrupt::free;
use cortex_m_rt::entry;
use cortex_m_semihosting::{debug, syscall};
use embedded_hal::digital::{ErrorType as PinErrorType, OutputPin};
use embedded_hal::i2c::{self, I2c, NoAcknowledgeSource, Operation};
use embedded_storage::nor_flash::{
    ErrorType as FlashErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash, check_erase,
    check_read, check_write,
};
use firmware_core::drivers::{bma400, ms5837};
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::firing::Pins;
use firmware_core::shell::keeper::Reset;
use whole_tag::board::{Board, Parts, Probe, Switch, Wake};
use whole_tag::setup::{Deployment, FLASH_BYTES};
use whole_tag::tape;
use world::{Fate, World, world};

/// Bytes erased together.
const SECTOR: usize = 4096;
/// A boot that lasts for so long comes to nothing, microseconds.
const GIVEN_UP_US: u64 = 7_200_000_000;

/// Looks at the world, at its time, which no reset breaks into.
fn at_now<T>(f: impl FnOnce(&mut World, u64) -> T) -> T {
    let us = hw::now_us();
    free(|_| {
        let world = world();
        let now_us = world.boot_us + us;
        f(world, now_us)
    })
}

/// The simulated board.
struct Simulated {
    /// Switches that are on.
    on: [bool; 3],
}

impl Board for Simulated {
    type Bus = Wires;
    type Flash = Memory;
    type Pin = Line;

    fn bus(&mut self) -> Wires {
        Wires
    }

    fn sleep(&mut self, alarm_us: u64) -> Wake {
        loop {
            let us = hw::now_us();
            let (mark_us, ends_us, fate) = free(|_| {
                let world = world();
                let since = |at_us: u64| at_us.saturating_sub(world.boot_us);
                (world.mark_us().map(since), since(world.ends_us), world.fate)
            });
            if us > GIVEN_UP_US {
                debug::exit(debug::EXIT_FAILURE);
            }
            let comes = mark_us.filter(|mark_us| us >= *mark_us);
            match fate {
                Fate::Asleep if us >= ends_us => hw::power_goes(),
                Fate::Busy(ticks) if us >= ends_us => hw::stop_in(ticks),
                _ => {}
            }
            if comes.is_some() || us >= alarm_us {
                free(|_| {
                    let (none, world) = (u64::MAX, world());
                    if comes.is_some() {
                        world.marked();
                    }
                    let mark = comes.unwrap_or(none).to_le_bytes();
                    world.put(tape::SLEEP, &[&us.to_le_bytes(), &mark]);
                });
                return Wake { now_us: us, mark_us: comes };
            }
            let ends_us = if fate == Fate::Asleep { ends_us } else { u64::MAX };
            let next_us = alarm_us.min(ends_us).min(mark_us.unwrap_or(u64::MAX));
            hw::wait_us(next_us.saturating_sub(us));
        }
    }

    fn clocks(&mut self) -> Clocks {
        let timer_us = hw::now_us();
        free(|_| {
            let world = world();
            let now_us = world.boot_us + timer_us;
            // Two counters on their own supply, 20 ppm fast and 30 ppm slow.
            let backup_us = [now_us + now_us / 50_000 + 7_000_000, now_us - now_us * 3 / 100_000];
            let [one, two] = backup_us.map(u64::to_le_bytes);
            world.put(tape::CLOCKS, &[&timer_us.to_le_bytes(), &one, &two]);
            Clocks { timer_us, backup_us: backup_us.map(Some) }
        })
    }

    fn reset(&mut self) -> Reset {
        at_now(|world, _| {
            let watchdog = world.watchdog;
            world.put(tape::REASON, &[&[watchdog.into()]]);
            if watchdog { Reset::Watchdog } else { Reset::Power }
        })
    }

    fn wet(&mut self) -> bool {
        at_now(|world, now_us| told(world, tape::WET, world.wet(now_us)))
    }

    fn magnet(&mut self) -> bool {
        at_now(|world, now_us| told(world, tape::MAGNET, world.magnet(now_us)))
    }

    fn plugged(&mut self) -> bool {
        at_now(|world, now_us| {
            // From here on nothing befalls the processor: a download broken off is begun anew by hand.
            world.ends_us = u64::MAX;
            world.rounds += 1;
            let plugged = world.found(now_us) && world.rounds <= 2;
            told(world, tape::PLUGGED, plugged)
        })
    }

    fn measure(&mut self, what: Probe) -> u16 {
        let [_, load, key] = self.on;
        at_now(|world, _| {
            let value = match what {
                Probe::Cell => 3580 - 190 * u16::from(load) - 40 * u16::from(key),
                Probe::Link => 2400 + (world.number() % 32) as u16,
                Probe::Current => 3 + 180 * u16::from(load) + 95 * u16::from(key),
            };
            world.put(tape::MEASURE, &[&[what as u8], &value.to_le_bytes()]);
            value
        })
    }

    fn switch(&mut self, what: Switch, on: bool) {
        if let Some(place) = self.on.get_mut(what as usize) {
            *place = on;
        }
        free(|_| world().put(tape::SWITCH, &[&[what as u8, on.into()]]));
    }

    fn send(&mut self, message: &[u8]) {
        free(|_| world().put(tape::SEND, &[message]));
    }

    fn serial(&mut self, bytes: &[u8]) {
        let crc = tape::CRC.checksum(bytes).to_le_bytes();
        free(|_| world().put(tape::SERIAL, &[&(bytes.len() as u16).to_le_bytes(), &crc]));
        for byte in bytes {
            // In the first round the line is noisy: bits flip, bytes are lost.
            let noise = free(|_| match world() {
                world if world.rounds < 2 => world.number() % 3000,
                _ => 9,
            });
            match noise {
                0 => {}
                1 => hw::serial(byte ^ 0x10),
                _ => hw::serial(*byte),
            }
        }
    }

    fn alive(&mut self) {
        hw::alive();
        free(|_| world().put(tape::ALIVE, &[]));
    }
}

fn told(world: &mut World, tag: u8, answer: bool) -> bool {
    world.put(tag, &[&[answer.into()]]);
    answer
}

/// The bus with both sensors.
#[derive(Clone, Copy)]
struct Wires;

/// The bus did not answer.
#[derive(Clone, Copy, Debug)]
struct NoAnswer;

impl i2c::Error for NoAnswer {
    fn kind(&self) -> i2c::ErrorKind {
        i2c::ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address)
    }
}

impl i2c::ErrorType for Wires {
    type Error = NoAnswer;
}

impl I2c for Wires {
    fn transaction(
        &mut self,
        address: u8,
        operations: &mut [Operation<'_>],
    ) -> Result<(), NoAnswer> {
        if at_now(|world, now_us| world.fate == Fate::Hung && now_us >= world.ends_us) {
            hw::hang();
        }
        at_now(|world, now_us| {
            if !world.answers() {
                world.put(tape::BUS, &[&[0, 0]]);
                return Err(NoAnswer);
            }
            let mut register = 0;
            let mut taken = 0;
            for operation in operations.iter_mut() {
                match operation {
                    Operation::Write(bytes) => {
                        register = bytes.first().copied().unwrap_or(0);
                        match address {
                            bma400::ADDRESS => world.accel_put(now_us, bytes),
                            _ if matches!(register, 0x1E | 0x44 | 0x54) => {
                                world.pressure_put(now_us, register);
                            }
                            _ => {}
                        }
                    }
                    Operation::Read(into) => {
                        match address {
                            bma400::ADDRESS => world.accel_get(now_us, register, into),
                            ms5837::ADDRESS => world.pressure_get(now_us, register, into),
                            _ => {}
                        }
                        world.put(tape::BUS, &[&[1, into.len() as u8], into]);
                        taken += 1;
                    }
                }
            }
            if taken == 0 {
                world.put(tape::BUS, &[&[1, 0]]);
            }
            Ok(())
        })
    }
}

/// A pin of the release.
struct Line {
    fires: bool,
}

impl PinErrorType for Line {
    type Error = Infallible;
}

impl OutputPin for Line {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.pull(false)
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.pull(true)
    }
}

impl Line {
    fn pull(&mut self, high: bool) -> Result<(), Infallible> {
        at_now(|world, now_us| {
            if self.fires {
                world.fire(now_us, high);
            }
            world.put(tape::PIN, &[&[self.fires.into(), high.into()]]);
        });
        Ok(())
    }
}

/// The flash: a reset comes between two of its words.
struct Memory;

impl FlashErrorType for Memory {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Memory {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        check_read(self, offset, into.len())?;
        free(|_| {
            let places = world().flash.iter().skip(offset as usize);
            into.iter_mut().zip(places).for_each(|(to, from)| *to = *from);
        });
        Ok(())
    }

    fn capacity(&self) -> usize {
        FLASH_BYTES as usize
    }
}

impl NorFlash for Memory {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        check_erase(self, from, to)?;
        let mut left = from as usize..to as usize;
        while left.start < left.end {
            let sector = left.start..left.start + SECTOR;
            left.start = sector.end;
            free(|_| {
                let bytes = world().flash.get_mut(sector);
                bytes.into_iter().for_each(|bytes| bytes.fill(u8::MAX));
            });
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        check_write(self, offset, bytes.len())?;
        for (n, word) in bytes.chunks(Self::WRITE_SIZE).enumerate() {
            if at_now(World::writes) {
                hw::power_goes();
            }
            free(|_| {
                let places = world().flash.iter_mut().skip(offset as usize + 4 * n);
                places.zip(word).for_each(|(place, byte)| *place &= byte);
            });
        }
        Ok(())
    }
}

/// The seed that the host drew: a file of four bytes.
fn seed() -> u32 {
    let (name, mut bytes) = (c"seed.bin", [0; 4]);
    // SAFETY: name and buffer are live and of the stated lengths.
    unsafe {
        let file = syscall!(OPEN, name.as_ptr(), 1, name.to_bytes().len());
        syscall!(READ, file, bytes.as_mut_ptr(), bytes.len());
    }
    u32::from_le_bytes(bytes)
}

/// Hands the tape to the host.
fn hand_over(tape: &[u8]) {
    let name = c"tape.bin";
    // SAFETY: name and buffer are live and of the stated lengths.
    unsafe {
        let file = syscall!(OPEN, name.as_ptr(), 5, name.to_bytes().len());
        syscall!(WRITE, file, tape.as_ptr(), tape.len());
    }
}

#[entry]
fn main() -> ! {
    hw::start();
    let lasts = free(|_| world().lasts());
    if !lasts {
        let seed = seed();
        free(|_| world().begin(seed));
    }
    free(|_| {
        let world = world();
        let crc = tape::CRC.checksum(&world.flash).to_le_bytes();
        world.put(tape::BOOT, &[&[world.watchdog.into()], &crc]);
    });
    let pins = Pins { arm: Line { fires: false }, fire: Line { fires: true } };
    let parts = Parts { flash: Memory, pins };
    whole_tag::firmware::run(&mut Simulated { on: [false; 3] }, parts, &Deployment::TRIAL);
    free(|_| {
        let world = world();
        world.put(tape::END, &[]);
        hand_over(world.tape());
    });
    loop {
        debug::exit(debug::EXIT_SUCCESS);
    }
}

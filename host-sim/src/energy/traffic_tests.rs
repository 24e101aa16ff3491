//! The counts against the drivers, the keeper and the journal of the core, over a bus and a
//! memory that count what they are asked for.

use std::cell::RefCell;
use std::convert::Infallible;
use std::rc::Rc;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{self, OutputPin};
use embedded_hal::{i2c, spi};
use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash};
use firmware_core::config::{Animal, Breathing, Config, Detector, Logger, Place, Release};
use firmware_core::drivers::bma400::{Bma400, Range, Rate};
use firmware_core::drivers::ms5837::{self, Ms5837};
use firmware_core::drivers::{Accelerometer, Pressure};
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::firing::Pins;
use firmware_core::shell::keeper::{Apart, Keeper, Layout, Plan, Settings};
use firmware_core::store::journal::Journal;
use firmware_core::store::log::Log;
use firmware_core::store::record::StartEvent;
use firmware_core::store::slots::Region;
use firmware_core::types::{Event, Moment, Run};

use super::*;

/// What was asked of a bus, and what the parts on it answer with.
#[derive(Default)]
struct Counter {
    traffic: Traffic,
    addresses: f64,
    waited_ns: f64,
    fifo: Vec<u8>,
    register: u8,
    converted: u8,
}

impl Counter {
    fn answer(&mut self, into: &mut [u8]) {
        let answer: Vec<u8> = match self.register {
            0x00 if into.len() == 1 => vec![0x90],
            0x12 => (self.fifo.len() as u16).to_le_bytes().to_vec(),
            0x14 => self.fifo.drain(..into.len()).collect(),
            // The result of a conversion, another each time.
            ms5837::RESULT => {
                self.converted = self.converted.wrapping_add(1);
                vec![0x65, 0x43, self.converted]
            }
            _ => vec![0; into.len()],
        };
        into.copy_from_slice(&answer);
    }
}

#[derive(Clone, Default)]
struct Bus(Rc<RefCell<Counter>>);

impl i2c::ErrorType for Bus {
    type Error = i2c::ErrorKind;
}

impl i2c::I2c for Bus {
    fn transaction(
        &mut self,
        _: u8,
        operations: &mut [i2c::Operation<'_>],
    ) -> Result<(), i2c::ErrorKind> {
        let mut c = self.0.borrow_mut();
        c.traffic.transactions += 1.0;
        c.traffic.restarts += operations.len() as f64 - 1.0;
        c.addresses += operations.len() as f64;
        for operation in operations {
            match operation {
                i2c::Operation::Write(bytes) => {
                    c.traffic.bytes += bytes.len() as f64;
                    c.register = bytes[0];
                }
                i2c::Operation::Read(into) => {
                    c.traffic.bytes += into.len() as f64;
                    c.answer(into);
                }
            }
        }
        Ok(())
    }
}

impl spi::ErrorType for Bus {
    type Error = spi::ErrorKind;
}

impl spi::SpiDevice for Bus {
    fn transaction(
        &mut self,
        operations: &mut [spi::Operation<'_, u8>],
    ) -> Result<(), spi::ErrorKind> {
        let mut c = self.0.borrow_mut();
        c.traffic.transactions += 1.0;
        for operation in operations {
            match operation {
                spi::Operation::Write(bytes) => {
                    c.traffic.bytes += bytes.len() as f64;
                    c.register = bytes[0] & 0x7F;
                }
                spi::Operation::Read(into) => {
                    c.traffic.bytes += into.len() as f64;
                    c.answer(into);
                }
                _ => panic!("the driver reads and writes"),
            }
        }
        Ok(())
    }
}

impl DelayNs for Bus {
    fn delay_ns(&mut self, ns: u32) {
        self.0.borrow_mut().waited_ns += f64::from(ns);
    }
}

/// What one read of a FIFO with `samples` in it transfers.
fn drained<T>(bus: &Bus, driver: &mut T, samples: usize) -> Traffic
where
    T: Accelerometer<Error: std::fmt::Debug>,
{
    let frames = (0..samples).flat_map(|n| [0x9E, n as u8 & 0xF, 0, 2, 0, 3, 0x10]);
    bus.0.borrow_mut().fifo = frames.collect();
    bus.0.borrow_mut().traffic = Traffic::default();
    bus.0.borrow_mut().addresses = 0.0;
    let batch = driver.drain(&mut |_| ()).expect("the bus answers");
    assert_eq!((usize::from(batch.samples), batch.lost), (samples, false));
    bus.0.borrow().traffic
}

#[test]
fn a_fifo_read_transfers_what_the_driver_does() {
    for samples in [1, 10, 16, 17, 25, 100] {
        let bus = Bus::default();
        let mut driver = Bma400::new_i2c(bus.clone(), Rate::Hz25, Range::G8).expect("a part");
        driver.start().expect("it starts");
        let got = drained(&bus, &mut driver, samples);
        assert_eq!(got, fifo(BusKind::I2c, samples as f64), "I2C, {samples}");
        assert_eq!(got.transactions + got.restarts, bus.0.borrow().addresses);

        let bus = Bus::default();
        let mut driver = Bma400::new_spi(bus.clone(), Rate::Hz25, Range::G8).expect("a part");
        driver.start().expect("it starts");
        let got = drained(&bus, &mut driver, samples);
        assert_eq!(got, fifo(BusKind::Spi, samples as f64), "SPI, {samples}");
    }
}

/// A part on the bus whose constants the driver takes: six words and their checksum.
#[derive(Clone)]
struct Sensor(Bus);

/// Constants of the example in the MS5837-30BA data sheet (memory); the first word is made to
/// hold their CRC-4, by the rule of that data sheet (memory).
const CONSTANTS: [u16; 7] = [0, 34_982, 36_352, 20_328, 22_354, 26_646, 26_146];

fn crc4(words: &[u16; 7]) -> u16 {
    let mut rest = 0_u16;
    for byte in words.iter().chain(&[0]).flat_map(|w| w.to_be_bytes()) {
        rest ^= u16::from(byte);
        for _ in 0..8 {
            rest = if rest & 0x8000 == 0 { rest << 1 } else { rest << 1 ^ 0x3000 };
        }
    }
    rest >> 12
}

impl i2c::ErrorType for Sensor {
    type Error = i2c::ErrorKind;
}

impl i2c::I2c for Sensor {
    fn transaction(
        &mut self,
        address: u8,
        operations: &mut [i2c::Operation<'_>],
    ) -> Result<(), i2c::ErrorKind> {
        i2c::I2c::transaction(&mut self.0, address, operations)?;
        let register = self.0.0.borrow().register;
        if let (0xA0..=0xAC, Some(i2c::Operation::Read(into))) = (register, operations.last_mut()) {
            let n = usize::from(register - ms5837::CONSTANTS) / 2;
            let word = if n == 0 { crc4(&CONSTANTS) << 12 } else { CONSTANTS[n] };
            into.copy_from_slice(&word.to_be_bytes());
        }
        Ok(())
    }
}

#[test]
fn a_pressure_reading_transfers_and_waits_as_the_driver_does() {
    let bus = Bus::default();
    let mut driver = Ms5837::new(Sensor(bus.clone()), bus.clone());
    driver.start().expect("it starts");
    for _ in 0..3 {
        bus.0.borrow_mut().traffic = Traffic::default();
        bus.0.borrow_mut().waited_ns = 0.0;
        driver.read().expect("a reading");
        assert_eq!(bus.0.borrow().traffic, pressure());
        // The default of `wait_ms` of `[depth_sensor]`.
        let table = crate::tag_file::keys::table("depth_sensor").expect("a table");
        let need = table.key("wait_ms").expect("a key").need;
        let crate::tag_file::keys::Need::Default(wait_ms, _) = need else { panic!("a default") };
        assert_eq!(bus.0.borrow().waited_ns, wait_ms * 1e6);
    }
}

const SECTOR: u32 = SECTOR_BYTES as u32;

/// A flash that notes every write, read and erasure behind its first `quiet` bytes.
struct Noting {
    bytes: Vec<u8>,
    quiet: u32,
    writes: Vec<(u32, usize)>,
    read: usize,
    erased: Vec<u32>,
}

impl Noting {
    fn new(sectors: u32, quiet: u32) -> Self {
        let bytes = vec![0xFF; (sectors * SECTOR) as usize];
        Noting { bytes, quiet, writes: Vec::new(), read: 0, erased: Vec::new() }
    }

    fn forget(&mut self) {
        self.writes.clear();
        self.read = 0;
        self.erased.clear();
    }

    /// Copies from `from` to `to`, blocks of the longest and sectors erased: a write at the
    /// start of a slot begins a copy.
    fn copies(&self, from: u32, to: u32, slot: u32) -> (usize, usize, usize) {
        let within = || self.writes.iter().filter(|(at, _)| (from..to).contains(at));
        assert!(within().all(|(_, len)| *len == COPY_BLOCK_BYTES as usize));
        let mut blocks: Vec<usize> = Vec::new();
        for (at, _) in within() {
            if (at - from).is_multiple_of(slot) {
                blocks.push(0);
            }
            *blocks.last_mut().expect("a copy begins at its slot") += 1;
        }
        let erased = self.erased.iter().filter(|at| (from..to).contains(*at)).count();
        (blocks.len(), blocks.iter().copied().max().unwrap_or(0), erased)
    }
}

impl ErrorType for Noting {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Noting {
    const READ_SIZE: usize = 1;

    fn read(&mut self, at: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        into.copy_from_slice(&self.bytes[at as usize..at as usize + into.len()]);
        self.read += if at >= self.quiet { into.len() } else { 0 };
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl NorFlash for Noting {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = SECTOR as usize;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        self.bytes[from as usize..to as usize].fill(0xFF);
        self.erased.extend((from..to).step_by(SECTOR as usize));
        Ok(())
    }

    fn write(&mut self, at: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        self.bytes[at as usize..at as usize + bytes.len()].copy_from_slice(bytes);
        if at >= self.quiet {
            self.writes.push((at, bytes.len()));
        }
        Ok(())
    }
}

#[derive(Default)]
struct Pin;

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

const HZ: u32 = 25;
const HOURS: u64 = 6;
/// Log in the first 16 sectors, then the copies of the journal.
const LOG: u32 = 16 * SECTOR;

/// Memories of keeper and journal after [`HOURS`] of swimming, begin left out.
fn swum() -> (Noting, Noting) {
    let logger =
        Logger { sample_hz: HZ as f32, range_g: 8.0, counts_per_g: 4096.0, mount_deg: None };
    let place = Place { start_unix_s: None, latitude_deg: 10.0, longitude_deg: -30.0 };
    let animal = Animal { breathing: Breathing::Ram, length_m: None };
    let config = Config::new(logger, place, animal, Detector::DEFAULT, Release::DEFAULT)
        .expect("a configuration");
    let mut flash = Noting::new(6, 0);
    let clocks = |us: u64| Clocks { timer_us: us, backup_us: [Some(us), None] };
    let layout = Layout {
        copies: Region { from: 0, slot_bytes: 4096, count: 4, mark: 1 },
        vitals: Region { from: 4 * SECTOR, slot_bytes: 256, count: 32, mark: 2 },
    };
    let mut keeper = Keeper::new(&Plan::new(config, Settings::DEFAULT, 1));
    keeper.begin(&mut flash, &layout, &clocks(0)).expect("the regions fit");
    let mut log = Log::open(Noting::new(18, LOG), 0, LOG).expect("the log fits");
    log.format().expect("blank");
    let start = StartEvent {
        deployment: 1,
        start_unix_s: None,
        sample_hz: HZ as f32,
        floor_h: 1.0,
        ceiling_h: 100.0,
    };
    let told = Region { from: LOG, slot_bytes: 1024, count: 8, mark: 3 };
    let mut journal = Journal::start(1, &start, &mut log, told).expect("the region fits");
    flash.forget();
    log.flash().forget();
    let mut pins = Pins { arm: Pin, fire: Pin };
    for second in 1..=HOURS * 3600 {
        let sample = |n: u32| {
            let t_s = second as f32 % 3600.0 + n as f32 / HZ as f32;
            [0.03 * (0.4 * t_s).sin(), 0.2 * (5.6 * t_s).sin(), 1.0]
        };
        let samples: Vec<[f32; 3]> = (0..HZ).map(sample).collect();
        let run = Run::accel(0, 1_000_000 / HZ, &samples);
        let sink = |event: &Event, moment: &Moment<'_>| {
            journal.take(event, moment, &mut log).expect("the log takes it");
        };
        let mut store = Apart { flash: &mut flash, sink };
        keeper.feed(&run, Some(true), &clocks(second * 1_000_000), &mut store, &mut pins);
    }
    let told = std::mem::replace(log.flash(), Noting::new(1, 0));
    (flash, told)
}

#[test]
fn copies_write_and_erase_what_keeper_and_journal_do() {
    let (kept, told) = swum();
    let (vitals, vitals_blocks, vitals_erased) = kept.copies(4 * SECTOR, 6 * SECTOR, 256);
    let (all, all_blocks, all_erased) = kept.copies(0, 4 * SECTOR, 4096);
    let (journal, journal_blocks, journal_erased) = told.copies(LOG, LOG + 2 * SECTOR, 1024);
    let blocks = [vitals_blocks, all_blocks, journal_blocks].map(|n| n as f64);
    assert_eq!(blocks, COPY_BLOCKS);
    // Copies come at their intervals; a decision may bring one more of everything.
    let due = |every_s: f64| (HOURS * 3600) as f64 / every_s;
    let (vitals_s, all_s) = (Settings::DEFAULT.vitals_s, Settings::DEFAULT.copy_s);
    for (name, got, want) in [
        ("vitals", vitals, due(vitals_s.into())),
        ("everything", all, due(all_s.into())),
        ("journal", journal, due(JOURNAL_S)),
    ] {
        assert!((got as f64 - want).abs() <= 0.02 * want + 2.0, "{name}: {got}, {want}");
    }
    for (copies, erased, slot_bytes) in [
        (vitals, vitals_erased, SLOT_BYTES[0]),
        (all, all_erased, SLOT_BYTES[1]),
        (journal, journal_erased, SLOT_BYTES[2]),
    ] {
        let want = copies as f64 * slot_bytes / SECTOR_BYTES;
        assert!((erased as f64 - want).abs() < 1.0, "{erased}, {want}");
    }
    // Each copy is read back whole, once.
    let written: usize = kept.writes.iter().map(|w| w.1).sum();
    assert_eq!(kept.read, written);
}

#[test]
fn intervals_by_default_are_those_of_the_shell() {
    let tag = crate::tag_file::TagFile::shipped("fin-float").expect("a tag");
    assert_eq!(tag.copies.vitals_s, f64::from(Settings::DEFAULT.vitals_s));
    assert_eq!(tag.copies.all_s, f64::from(Settings::DEFAULT.copy_s));
}

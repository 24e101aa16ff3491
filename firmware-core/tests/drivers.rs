//! Sensor drivers on a mock bus: what they say to the part, and what they make of
//! errors, overruns, resets and readings that never change.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

use embedded_hal::i2c::{ErrorKind, NoAcknowledgeSource};
use embedded_hal_mock::eh1::delay::NoopDelay;
use embedded_hal_mock::eh1::i2c::{Mock as I2c, Transaction};
use embedded_hal_mock::eh1::spi::{Mock as Spi, Transaction as SpiTransaction};
use firmware_core::drivers::bma400::{Bma400, I2CInterface, Range, Rate};
use firmware_core::drivers::depth::depth_m;
use firmware_core::drivers::ms5837::{self, Ms5837, compensate};
use firmware_core::drivers::{Accelerometer, Fault, Pressure, Troubles};

const ACCEL: u8 = 0x14;
const SILENT: ErrorKind = ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address);

fn get(register: u8, bytes: &[u8]) -> Transaction {
    Transaction::write_read(ACCEL, vec![register], bytes.to_vec())
}

fn put(register: u8, value: u8) -> Transaction {
    Transaction::write(ACCEL, vec![register, value])
}

/// Identity, soft reset, then 25 Hz, 8 g, normal mode, FIFO with three axes.
/// Registers and bits: BMA400 data sheet, register map (memory).
fn set_up() -> Vec<Transaction> {
    vec![
        get(0x00, &[0x90]),
        put(0x7E, 0xB6),
        get(0x0D, &[0x01]),
        put(0x19, 0x02),
        put(0x1A, 0x86),
        put(0x26, 0xE0),
    ]
}

/// A frame of three axes at 12 bits: low four bits, then high eight.
fn frame([x, y, z]: [i16; 3]) -> [u8; 7] {
    let split = |c: i16| [(c & 0xF) as u8, ((c >> 4) & 0xFF) as u8];
    let ([a, b], [c, d], [e, f]) = (split(x), split(y), split(z));
    [0x9E, a, b, c, d, e, f]
}

/// Status without a reset, FIFO length, and its content in blocks of 16 frames.
fn content(frames: &[[i16; 3]]) -> Vec<Transaction> {
    let bytes: Vec<u8> = frames.iter().flat_map(|f| frame(*f)).collect();
    let len = (bytes.len() as u16).to_le_bytes();
    let mut list = vec![get(0x0D, &[0x00]), get(0x12, &len)];
    list.extend(bytes.chunks(16 * 7).map(|block| get(0x14, block)));
    list
}

/// Runs a driver over I2C that is set up, then what `with` does.
fn accel<R>(
    then: Vec<Transaction>,
    with: impl FnOnce(&mut Bma400<I2CInterface<I2c>>) -> R,
) -> (R, Troubles) {
    let mut all = vec![get(0x00, &[0x90])];
    all.extend(set_up());
    all.extend(then);
    let mut bus = I2c::new(&all);
    let mut driver = Bma400::new_i2c(bus.clone(), Rate::Hz25, Range::G8).unwrap();
    driver.start().unwrap();
    let result = with(&mut driver);
    let troubles = *driver.troubles();
    bus.done();
    (result, troubles)
}

fn drained(
    driver: &mut Bma400<I2CInterface<I2c>>,
) -> (Vec<[f32; 3]>, Result<firmware_core::drivers::Batch, Fault<ErrorKind>>) {
    let mut samples = Vec::new();
    let batch = driver.drain(&mut |s| samples.push(s));
    (samples, batch)
}

#[test]
fn the_fifo_is_handed_over_in_g() {
    let counts: Vec<[i16; 3]> = (0..40).map(|n| [n, -2 * n, 256 - n]).collect();
    let ((samples, batch), troubles) = accel(content(&counts), drained);
    assert_eq!(batch.map(|b| (b.samples, b.lost)), Ok((40, false)));
    // 256 counts for one g at 8 g.
    assert_eq!(samples[0], [0.0, 0.0, 1.0]);
    assert_eq!(samples[16], [16.0 / 256.0, -32.0 / 256.0, 240.0 / 256.0]);
    assert_eq!(troubles, Troubles::default());
}

#[test]
fn other_frames_are_passed_over_and_rubbish_does_no_harm() {
    let mut bytes = vec![0x48, 0x02];
    bytes.extend(frame([1, 2, 3]));
    bytes.extend([0xA0, 1, 2, 3]);
    let list = vec![get(0x0D, &[0]), get(0x12, &[bytes.len() as u8, 0]), get(0x14, &bytes)];
    let ((samples, _), _) = accel(list, drained);
    assert_eq!(samples, [[1.0 / 256.0, 2.0 / 256.0, 3.0 / 256.0]]);
    for seed in 0..2000_u32 {
        let mut state = seed.wrapping_mul(2_654_435_761) | 1;
        let bytes: Vec<u8> = (0..112)
            .map(|_| {
                state ^= state << 13;
                state ^= state >> 17;
                state ^= state << 5;
                state as u8
            })
            .collect();
        let list = vec![get(0x0D, &[0]), get(0x12, &[112, 0]), get(0x14, &bytes)];
        let ((_, batch), _) = accel(list, drained);
        assert!(batch.is_ok());
    }
}

#[test]
fn an_overrun_is_told_with_the_samples_that_are_left() {
    let counts = vec![[5, 6, 7]; 146];
    let ((samples, batch), troubles) = accel(content(&counts), drained);
    assert_eq!((samples.len(), batch.map(|b| b.lost)), (146, Ok(true)));
    assert_eq!(troubles.overruns, 1);
}

#[test]
fn one_bus_error_is_made_good_two_are_told() {
    let mut list = vec![get(0x0D, &[0]).with_error(SILENT)];
    list.extend(content(&[[1, 2, 3]]));
    let ((samples, batch), troubles) = accel(list, drained);
    assert_eq!((samples.len(), batch.is_ok(), troubles.bus), (1, true, 1));

    let silent = || get(0x0D, &[0]).with_error(SILENT);
    let mut list = vec![silent(), silent()];
    list.extend(content(&[[1, 2, 3]]));
    let ((first, second), troubles) = accel(list, |d| (drained(d).1, drained(d).0));
    assert_eq!(first, Err(Fault::Bus(SILENT)));
    assert_eq!((second.len(), troubles.bus), (1, 2));
}

#[test]
fn a_bus_that_fails_within_the_fifo_keeps_what_came_before() {
    let counts: Vec<[i16; 3]> = (0..32).map(|n| [n, 0, 0]).collect();
    let mut list = content(&counts);
    let last = list.pop().unwrap();
    list.push(last.with_error(SILENT));
    let ((samples, batch), troubles) = accel(list, drained);
    assert_eq!((samples.len(), batch, troubles.bus), (16, Err(Fault::Bus(SILENT)), 1));
}

#[test]
fn a_part_that_was_reset_is_set_up_anew() {
    let mut list = vec![get(0x0D, &[0x01])];
    list.extend(set_up());
    list.extend(content(&[[9, 9, 9]]));
    let ((first, second), troubles) = accel(list, |d| (drained(d), drained(d)));
    assert_eq!((first.0.len(), first.1.map(|b| b.lost)), (0, Ok(true)));
    assert_eq!((second.0.len(), troubles.resets), (1, 1));
}

#[test]
fn a_part_that_stands_still_is_set_up_anew() {
    let same = vec![[3, 4, 250]; 100];
    let mut list = Vec::new();
    for _ in 0..15 {
        list.extend(content(&same));
    }
    list.extend(content(&same[..1]));
    list.extend(set_up());
    let (n, troubles) = accel(list, |d| (0..16).map(|_| drained(d).0.len()).sum::<usize>());
    assert_eq!((n, troubles.stuck), (1501, 1));
    // One count of noise, and it lives.
    let mut alive = Vec::new();
    for n in 0..16 {
        let mut some = same.clone();
        some[50] = [3, 4, 250 + (n % 2) as i16];
        some[51] = [3, 5, 250];
        alive.extend(content(&some));
    }
    let (_, troubles) = accel(alive, |d| (0..16).map(|_| drained(d).0.len()).sum::<usize>());
    assert_eq!(troubles.stuck, 0);
}

#[test]
fn another_part_at_the_address_is_refused() {
    let mut bus = I2c::new(&[get(0x00, &[0x33])]);
    let refused = Bma400::new_i2c(bus.clone(), Rate::Hz25, Range::G8).err();
    assert_eq!(refused, Some(Fault::WrongPart));
    bus.done();
}

#[test]
fn the_same_over_spi() {
    let transaction = |mut inner: Vec<SpiTransaction<u8>>| {
        inner.insert(0, SpiTransaction::transaction_start());
        inner.push(SpiTransaction::transaction_end());
        inner
    };
    // Reading: the register with its top bit set, a dummy byte, then the content.
    let get = |register: u8, bytes: &[u8]| {
        transaction(vec![
            SpiTransaction::write_vec(vec![register | 0x80, 0]),
            SpiTransaction::read_vec(bytes.to_vec()),
        ])
    };
    let put = |register: u8, value: u8| {
        transaction(vec![SpiTransaction::write_vec(vec![register, value])])
    };
    let samples = [frame([1, 2, 3]), frame([-4, 5, 255])].concat();
    let list = [
        // The first reading wakes the part's SPI.
        get(0x00, &[0]),
        get(0x00, &[0x90]),
        get(0x00, &[0x90]),
        put(0x7E, 0xB6),
        get(0x0D, &[0x01]),
        put(0x19, 0x02),
        put(0x1A, 0xC7),
        put(0x26, 0xE0),
        get(0x0D, &[0]),
        get(0x12, &[14, 0]),
        get(0x14, &samples),
    ]
    .concat();
    let mut bus = Spi::new(&list);
    let mut driver = Bma400::new_spi(bus.clone(), Rate::Hz50, Range::G16).unwrap();
    driver.start().unwrap();
    let mut got = Vec::new();
    let batch = driver.drain(&mut |s| got.push(s.map(|g| g * 128.0))).unwrap();
    assert_eq!((batch.samples, batch.lost), (2, false));
    assert_eq!(got, [[1.0, 2.0, 3.0], [-4.0, 5.0, 255.0]]);
    bus.done();
}

// MS5837-30BA data sheet, worked example (memory).
const CONSTANTS: [u16; 7] = [0, 34_982, 36_352, 20_328, 22_354, 26_646, 26_146];
const D1: u32 = 4_958_179;
const D2: u32 = 6_815_414;

#[test]
fn compensation_is_that_of_the_data_sheet() {
    // 19.81 deg C and 3999.8 mbar.
    let (pressure, temp) = compensate(&CONSTANTS, D1, D2);
    assert_eq!((pressure, temp), (39_998, 1981));
}

/// The constants with their checksum, as the part gives them.
fn constants() -> [u16; 7] {
    // The checksum is found by trying all sixteen: the driver takes exactly one.
    for crc in 0..16_u16 {
        let mut words = CONSTANTS;
        words[0] = crc << 12;
        let mut bus = I2c::new(&pressure_set_up(&words));
        let mut driver = Ms5837::new(bus.clone(), NoopDelay::new());
        let started = driver.start().is_ok();
        bus.done();
        if started {
            return words;
        }
    }
    panic!("no checksum is taken");
}

fn pressure_set_up(words: &[u16; 7]) -> Vec<Transaction> {
    let mut list = vec![Transaction::write(ms5837::ADDRESS, vec![ms5837::RESET])];
    for (i, word) in words.iter().enumerate() {
        list.push(Transaction::write_read(
            ms5837::ADDRESS,
            vec![ms5837::CONSTANTS + 2 * i as u8],
            word.to_be_bytes().to_vec(),
        ));
    }
    list
}

fn conversion(d1: u32, d2: u32) -> Vec<Transaction> {
    let mut list = Vec::new();
    for (command, d) in [(ms5837::CONVERT_PRESSURE, d1), (ms5837::CONVERT_TEMPERATURE, d2)] {
        list.push(Transaction::write(ms5837::ADDRESS, vec![command]));
        list.push(Transaction::write_read(
            ms5837::ADDRESS,
            vec![ms5837::RESULT],
            d.to_be_bytes()[1..].to_vec(),
        ));
    }
    list
}

#[test]
fn the_checksum_of_the_constants_is_looked_at() {
    let good = constants();
    for bit in 0..112 {
        let mut words = good;
        words[bit / 16] ^= 1 << (bit % 16);
        let mut bus = I2c::new(&pressure_set_up(&words));
        let mut driver = Ms5837::new(bus.clone(), NoopDelay::new());
        let started = driver.start();
        bus.done();
        assert_eq!(started, Err(Fault::WrongPart), "bit {bit}");
    }
    // A bus that nobody drives, and one that is held down.
    for word in [0, 0xFFFF] {
        let mut bus = I2c::new(&pressure_set_up(&[word; 7]));
        let mut driver = Ms5837::new(bus.clone(), NoopDelay::new());
        assert_eq!(driver.start(), Err(Fault::WrongPart));
        bus.done();
    }
}

#[test]
fn pressure_is_read_and_troubles_are_put_right() {
    let words = constants();
    let mut list = pressure_set_up(&words);
    list.extend(conversion(D1, D2));
    // A bus error, made good.
    list.push(
        Transaction::write(ms5837::ADDRESS, vec![ms5837::CONVERT_PRESSURE]).with_error(SILENT),
    );
    list.extend(conversion(D1 + 7, D2));
    // A reset of the part: no result; set up anew.
    list.extend(conversion(0, D2));
    list.extend(pressure_set_up(&words));
    list.extend(conversion(D1 + 9, D2));
    // It stays without a result.
    list.extend(conversion(0x00FF_FFFF, D2));
    list.extend(pressure_set_up(&words));
    list.extend(conversion(0, 0));
    let mut bus = I2c::new(&list);
    let mut driver = Ms5837::new(bus.clone(), NoopDelay::new());
    driver.start().unwrap();
    let r = driver.read().unwrap();
    assert!((r.pressure_mbar - 3999.8).abs() < 0.01 && (r.temp_c - 19.81).abs() < 0.001);
    assert!(driver.read().is_ok());
    assert!(driver.read().is_ok());
    assert_eq!(driver.read(), Err(Fault::NotReady));
    let expected = Troubles { bus: 1, resets: 2, ..Troubles::default() };
    assert_eq!(*driver.troubles(), expected);
    bus.done();
}

#[test]
fn a_pressure_that_never_changes_is_none() {
    let words = constants();
    let mut list = pressure_set_up(&words);
    for _ in 0..17 {
        list.extend(conversion(D1, D2));
    }
    list.extend(pressure_set_up(&words));
    list.extend(conversion(D1, D2));
    let mut bus = I2c::new(&list);
    let mut driver = Ms5837::new(bus.clone(), NoopDelay::new());
    driver.start().unwrap();
    for _ in 0..16 {
        assert!(driver.read().is_ok());
    }
    assert_eq!(driver.read(), Err(Fault::NotReady));
    assert!(driver.read().is_ok());
    assert_eq!(driver.troubles().stuck, 1);
    bus.done();
}

#[test]
fn pressure_becomes_depth() {
    // Fofonoff & Millard 1983, UNESCO Technical Paper 44: 10000 dbar at 30 deg
    // is 9712.653 m; f32 holds it to a metre.
    assert!((depth_m(1_000_000.0, 0.0, 30.0) - 9712.653).abs() < 1.0);
    assert!((depth_m(1013.0, 1013.0, 45.0)).abs() < 1e-3);
}

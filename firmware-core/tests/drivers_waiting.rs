//! Drivers that do not wait for their parts: watermark interrupts, readings in steps, and the
//! drivers for an executor, which must bring what the blocking ones bring.

// A test may panic; that is how it fails.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::arithmetic_side_effects
)]

use std::future::Future;
use std::pin::pin;
use std::task::{Context, Poll, Waker};

use embedded_hal::i2c::{ErrorKind, ErrorType, NoAcknowledgeSource, Operation};
use embedded_hal_async::i2c::I2c as AsyncI2c;
use embedded_hal_mock::eh1::delay::NoopDelay;
use embedded_hal_mock::eh1::i2c::{Mock, Transaction};
use embedded_hal_mock::eh1::spi::{Mock as Spi, Transaction as SpiTransaction};
use firmware_core::drivers::bma400::{AsyncBma400, Bma400, Range, Rate};
use firmware_core::drivers::ms5837::{self, AsyncMs5837, Ms5837};
use firmware_core::drivers::{
    Accelerometer, AsyncAccelerometer, AsyncPressure, Batch, Fault, Pressure, Progress, Watermark,
};

const ACCEL: u8 = 0x14;
const MARK: Watermark = Watermark { samples: 100, period_us: 40_000 };
const SILENT: ErrorKind = ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address);

/// A bus on which every transfer lets the others have their turn first.
struct Slow(Mock);

impl ErrorType for Slow {
    type Error = ErrorKind;
}

/// Pending once.
async fn turn() {
    let mut waited = false;
    std::future::poll_fn(|_| {
        if std::mem::replace(&mut waited, true) { Poll::Ready(()) } else { Poll::Pending }
    })
    .await;
}

impl AsyncI2c for Slow {
    async fn transaction(
        &mut self,
        address: u8,
        operations: &mut [Operation<'_>],
    ) -> Result<(), ErrorKind> {
        turn().await;
        // The mock tells a reading by its own call.
        match operations {
            [Operation::Write(bytes)] => AsyncI2c::write(&mut self.0, address, bytes).await,
            [Operation::Write(bytes), Operation::Read(into)] => {
                AsyncI2c::write_read(&mut self.0, address, bytes, into).await
            }
            _ => panic!("another transfer"),
        }
    }
}

/// Runs a future to its end; how often it waited.
fn run<T>(future: impl Future<Output = T>) -> (T, u32) {
    let mut future = pin!(future);
    let mut context = Context::from_waker(Waker::noop());
    let mut waited = 0;
    loop {
        match future.as_mut().poll(&mut context) {
            Poll::Ready(got) => return (got, waited),
            Poll::Pending => waited += 1,
        }
    }
}

fn get(register: u8, bytes: &[u8]) -> Transaction {
    Transaction::write_read(ACCEL, vec![register], bytes.to_vec())
}

fn put(register: u8, value: u8) -> Transaction {
    Transaction::write(ACCEL, vec![register, value])
}

/// Set-up at 25 Hz and 8 g with a watermark of 100 samples, which is 700 bytes: 0x2BC. Registers and
/// bits: BMA400 data sheet, register map (memory).
fn set_up() -> Vec<Transaction> {
    vec![
        get(0x00, &[0x90]),
        put(0x7E, 0xB6),
        get(0x0D, &[0x01]),
        put(0x19, 0x02),
        put(0x1A, 0x86),
        put(0x26, 0xE0),
        put(0x27, 0xBC),
        put(0x28, 0x02),
        put(0x21, 0x40),
        put(0x1F, 0x40),
    ]
}

fn content(n: u16) -> Vec<Transaction> {
    let frame = |c: u16| [0x9E, (c & 15) as u8, (c >> 4) as u8, 1, 0, 2, 0];
    let bytes: Vec<u8> = (0..n).flat_map(frame).collect();
    let mut list = vec![get(0x0D, &[0]), get(0x12, &(7 * n).to_le_bytes())];
    list.extend(bytes.chunks(16 * 7).map(|block| get(0x14, block)));
    list
}

/// Starts, then 103 samples, a bus that fails once, one that fails twice, a part that was reset,
/// and samples again.
fn course() -> Vec<Transaction> {
    let mut all = vec![get(0x00, &[0x90])];
    all.extend(set_up());
    all.extend(content(103));
    all.push(get(0x0D, &[0]).with_error(SILENT));
    all.extend(content(2));
    all.extend([0, 0].map(|_| get(0x0D, &[0]).with_error(SILENT)));
    all.push(get(0x0D, &[0x01]));
    all.extend(set_up());
    all.extend(content(5));
    all
}

type Outcome = (Vec<[f32; 3]>, Vec<Result<Batch, Fault<ErrorKind>>>);

fn blocking(bus: Mock) -> (Outcome, String) {
    let mut driver = Bma400::new_i2c(bus, Rate::Hz25, Range::G8).unwrap().with_watermark(MARK);
    driver.start().unwrap();
    let (mut samples, mut batches) = (Vec::new(), Vec::new());
    for _ in 0..5 {
        batches.push(driver.drain(&mut |s| samples.push(s)));
    }
    ((samples, batches), format!("{:?}", driver.troubles()))
}

async fn waiting<B: AsyncI2c<Error = ErrorKind>>(bus: B) -> (Outcome, String) {
    let driver = AsyncBma400::new_i2c(bus, Rate::Hz25, Range::G8).await.unwrap();
    let mut driver = driver.with_watermark(MARK);
    driver.start().await.unwrap();
    let (mut samples, mut batches) = (Vec::new(), Vec::new());
    for _ in 0..5 {
        batches.push(driver.drain(&mut |s| samples.push(s)).await);
    }
    ((samples, batches), format!("{:?}", driver.troubles()))
}

#[test]
fn an_executor_gets_the_samples_and_faults_that_a_blocking_firmware_gets() {
    let mut bus = Mock::new(&course());
    let one = blocking(bus.clone());
    bus.done();
    let counts: Vec<u16> = one.0.1.iter().map(|b| b.map_or(0, |b| b.samples)).collect();
    assert_eq!(counts, [103, 2, 0, 0, 5]);
    assert_eq!(one.0.0.len(), 110);
    let mut bus = Mock::new(&course());
    let (other, waited) = run(waiting(Slow(bus.clone())));
    bus.done();
    assert_eq!(one, other);
    assert_eq!(waited as usize, course().len(), "every transfer gave way once");
}

#[test]
fn an_executor_reaches_the_part_on_spi() {
    let around = |mut inner: Vec<SpiTransaction<u8>>| {
        inner.insert(0, SpiTransaction::transaction_start());
        inner.push(SpiTransaction::transaction_end());
        inner
    };
    let get = |register: u8, bytes: &[u8]| {
        let head = SpiTransaction::write_vec(vec![register | 0x80, 0]);
        around(vec![head, SpiTransaction::read_vec(bytes.to_vec())])
    };
    let put = |r: u8, value: u8| around(vec![SpiTransaction::write_vec(vec![r, value])]);
    let list = [
        // The first reading sets the part to SPI.
        get(0x00, &[0]),
        get(0x00, &[0x90]),
        get(0x00, &[0x90]),
        put(0x7E, 0xB6),
        get(0x0D, &[0x01]),
        put(0x19, 0x02),
        put(0x1A, 0xC7),
        put(0x26, 0xE0),
        get(0x0D, &[0]),
        get(0x12, &[7, 0]),
        get(0x14, &[0x9E, 1, 0, 2, 0, 3, 0]),
    ]
    .concat();
    let mut bus = Spi::new(&list);
    let (got, _) = run(async {
        let mut driver = AsyncBma400::new_spi(bus.clone(), Rate::Hz50, Range::G16).await.unwrap();
        driver.start().await.unwrap();
        let mut got = Vec::new();
        driver.drain(&mut |s| got.push(s.map(|g| g * 128.0))).await.unwrap();
        got
    });
    assert_eq!(got, [[1.0, 2.0, 3.0]]);
    bus.done();
}

/// The interrupt comes with the 100th sample; three more were taken until the FIFO was emptied.
#[test]
fn samples_are_dated_back_from_the_interrupt() {
    let batch = |samples, lost| Batch { samples, lost };
    assert_eq!(MARK.newest_us(7_000_000, &batch(103, false)), Some(7_120_000));
    assert_eq!(MARK.newest_us(7_000_000, &batch(100, false)), Some(7_000_000));
    // It says nothing of a batch with samples missing, or too short to have brought it.
    assert_eq!(MARK.newest_us(7_000_000, &batch(103, true)), None);
    assert_eq!(MARK.newest_us(7_000_000, &batch(99, false)), None);
    assert_eq!(MARK.newest_us(u64::MAX, &batch(u16::MAX, false)), Some(u64::MAX));
}

// MS5837-30BA data sheet, worked example (memory), and the checksum that the driver takes.
const CONSTANTS: [u16; 7] = [2 << 12, 34_982, 36_352, 20_328, 22_354, 26_646, 26_146];
const D1: u32 = 4_958_179;
const D2: u32 = 6_815_414;

fn command(command: u8) -> Transaction {
    Transaction::write(ms5837::ADDRESS, vec![command])
}

fn result(d: u32) -> Transaction {
    Transaction::write_read(ms5837::ADDRESS, vec![ms5837::RESULT], d.to_be_bytes()[1..].to_vec())
}

fn constants() -> Vec<Transaction> {
    let words = CONSTANTS.iter().enumerate();
    let word = |(i, w): (usize, &u16)| {
        let register = vec![ms5837::CONSTANTS + 2 * i as u8];
        Transaction::write_read(ms5837::ADDRESS, register, w.to_be_bytes().to_vec())
    };
    words.map(word).collect()
}

#[test]
fn a_pressure_comes_in_steps_that_wait_for_nothing() {
    // Between these calls a firmware sleeps: each lists the transfers of one step alone.
    let steps: [(Vec<Transaction>, u32); 3] = [
        (vec![command(ms5837::RESET)], 10_000),
        ([constants(), vec![command(ms5837::CONVERT_PRESSURE)]].concat(), 2280),
        (vec![result(D1), command(ms5837::CONVERT_TEMPERATURE)], 2280),
    ];
    let mut bus = Mock::new(&[]);
    let mut driver = Ms5837::new(bus.clone(), ());
    for (transfers, wait_us) in steps {
        bus.update_expectations(&transfers);
        assert_eq!(driver.step(), Ok(Progress::WaitUs(wait_us)));
        bus.done();
    }
    bus.update_expectations(&[result(D2)]);
    let Ok(Progress::Done(reading)) = driver.step() else { panic!("no reading") };
    // 19.81 deg C and 3999.8 mbar.
    assert!((reading.pressure_mbar - 3999.8).abs() < 0.01);
    assert!((reading.temp_c - 19.81).abs() < 0.001);
    bus.done();
    // The next needs no set-up; a part that was reset meanwhile has no result, and is set up anew.
    bus.update_expectations(&[
        command(ms5837::CONVERT_PRESSURE),
        result(0),
        command(ms5837::CONVERT_TEMPERATURE),
        result(0),
        command(ms5837::RESET),
    ]);
    assert_eq!(driver.step(), Ok(Progress::WaitUs(2280)));
    assert_eq!(driver.step(), Ok(Progress::WaitUs(2280)));
    assert_eq!(driver.step(), Err(Fault::NotReady));
    assert_eq!(driver.step(), Ok(Progress::WaitUs(10_000)));
    bus.done();
    // A bus that is gone; then it begins from the start.
    let silent = |t: Transaction| t.with_error(SILENT);
    let first = constants().swap_remove(0);
    bus.update_expectations(&[silent(first.clone()), silent(first), command(ms5837::RESET)]);
    assert_eq!(driver.step(), Err(Fault::Bus(SILENT)));
    assert_eq!(driver.step(), Ok(Progress::WaitUs(10_000)));
    bus.done();
}

#[test]
fn an_executor_reads_the_same_pressure() {
    let mut list = vec![command(ms5837::RESET)];
    list.extend(constants());
    let conversion = |d1| {
        [
            command(ms5837::CONVERT_PRESSURE),
            result(d1),
            command(ms5837::CONVERT_TEMPERATURE),
            result(D2),
        ]
    };
    list.extend(conversion(D1));
    list.extend(conversion(D1 + 9000));
    let mut bus = Mock::new(&list);
    let mut driver = Ms5837::new(bus.clone(), NoopDelay::new());
    let one = [driver.read().unwrap(), driver.read().unwrap()];
    bus.done();
    assert!(one[1].pressure_mbar > one[0].pressure_mbar);
    let mut bus = Mock::new(&list);
    let (other, waited) = run(async {
        let mut driver = AsyncMs5837::new(Slow(bus.clone()), NoopDelay::new());
        [driver.read().await.unwrap(), driver.read().await.unwrap()]
    });
    bus.done();
    assert_eq!(one, other);
    assert_eq!(waited as usize, list.len());
}

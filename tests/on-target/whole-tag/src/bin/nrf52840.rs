//! The firmware on an nRF52840, a Cortex-M4F. It is compiled, and was never run on hardware: before it
//! is trusted with an animal, every line of this file wants a bench. The chip's crate can reach panics, so
//! unlike the simulated board's image this one is not proven free of them; a panic waits for the watchdog.
//!
//! On the bench the release pulls, or heats, beside hands: leave the link out, or fit a lamp in its
//! place, while the board is under power. Arm and fire need pull-downs of their own, so that nothing
//! fires while the chip starts. Lithium cells burn and vent; a transmitter needs a licence.
//!
//! | pin | what |
//! | --- | --- |
//! | P0.26, P0.27 | bus of both sensors, data and clock |
//! | P0.11 | INT1 of the accelerometer |
//! | P0.13, P0.14 | release: arm, fire |
//! | P0.15, P0.16, P0.17 | light, load, key of the homing transmitter |
//! | P0.19, P0.20, P0.21 | magnet switch to ground, wet sensor, cable |
//! | P0.28, P0.29, P0.30 | half the cell's voltage; the link's under 1 mA, 10 mV for 1 ohm; 2 mV for 1 mA drawn |
//! | P0.06, P0.08 | serial line of the download, 115 200 baud |
//! | P1.01, P1.02 | satellite transmitter, 9600 baud |
#![no_std]
#![no_main]

use core::cell::RefCell;
use core::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use cortex_m_rt::entry;
use embedded_hal::digital::{InputPin, OutputPin};
use embedded_hal_bus::i2c::RefCellDevice;
use firmware_core::shell::clock::Clocks;
use firmware_core::shell::firing::Pins;
use firmware_core::shell::keeper::Reset;
use nrf52840_hal as hal;
use panic_halt as _;
use whole_tag::board::{Board, Parts, Probe, Switch, Wake};
use whole_tag::setup::{Deployment, FLASH_BYTES};

use hal::gpio::{Input, Level, Output, Pin, PullDown, PullUp, PushPull, p0, p1};
use hal::pac::{self, interrupt};
use hal::rtc::{RtcCompareReg, RtcInterrupt};
use hal::saadc::{Gain, Reference, SaadcConfig};
use hal::{gpiote::Gpiote, nvmc::Nvmc, saadc::Saadc, twim, uarte, wdt};

/// Log and copies: the last pages of the flash, which the linker leaves free.
const STORAGE: usize = 0x10_0000 - FLASH_BYTES as usize;
/// Ticks of the watchdog, 32 768 a second.
const WATCHDOG_TICKS: u32 = 16 * 32_768;
/// Steps of the converter over 3.6 V.
const STEPS: u32 = 1 << 14;
/// The deployment: set these before each.
const DEPLOYMENT: Deployment =
    Deployment { number: 1, floor_h: 6.0, ceiling_h: 48.0, latitude_deg: 0.0 };

/// Reading of the counter at the accelerometer's interrupt, and whether there is one.
static MARK_TICKS: AtomicU32 = AtomicU32::new(0);
static MARKED: AtomicBool = AtomicBool::new(false);

#[interrupt]
fn GPIOTE() {
    // SAFETY: a register that is read, and an event that only this interrupt clears.
    let (counter, gpiote) = unsafe { (&*pac::RTC0::ptr(), &*pac::GPIOTE::ptr()) };
    gpiote.events_in[0].reset();
    MARK_TICKS.store(counter.counter.read().bits(), Ordering::Relaxed);
    MARKED.store(true, Ordering::Release);
}

#[interrupt]
fn RTC0() {
    // SAFETY: an event that only this interrupt clears.
    let counter = unsafe { &*pac::RTC0::ptr() };
    counter.events_compare[0].reset();
}

type Bus = hal::Twim<pac::TWIM0>;

/// The inputs.
struct Inputs {
    magnet: Pin<Input<PullUp>>,
    wet: Pin<Input<PullDown>>,
    cable: Pin<Input<PullDown>>,
}

/// The board.
struct Nrf {
    bus: &'static RefCell<Bus>,
    counter: hal::Rtc<pac::RTC0>,
    /// Ticks since boot, to which the counter of 24 bits is added up.
    ticks: u64,
    reset: Reset,
    inputs: Inputs,
    switches: [Pin<Output<PushPull>>; 3],
    converter: Saadc,
    cell: p0::P0_28<Input<hal::gpio::Floating>>,
    link: p0::P0_29<Input<hal::gpio::Floating>>,
    current: p0::P0_30<Input<hal::gpio::Floating>>,
    line: hal::Uarte<pac::UARTE0>,
    satellite: hal::Uarte<pac::UARTE1>,
    watchdog: wdt::WatchdogHandle<wdt::handles::HdlN>,
}

/// Microseconds of so many ticks of 1/32 768 s.
fn us(ticks: u64) -> u64 {
    ticks * 15_625 / 512
}

impl Nrf {
    /// Ticks since boot. To be called every 512 s at least.
    fn now(&mut self) -> u64 {
        let since = u64::from(self.counter.get_counter()).wrapping_sub(self.ticks) & 0xFF_FFFF;
        self.ticks += since;
        self.ticks
    }

    /// When the accelerometer's interrupt came.
    fn mark_us(&mut self) -> Option<u64> {
        let now = self.now();
        let marked = MARKED.swap(false, Ordering::Acquire);
        let ago = now.wrapping_sub(MARK_TICKS.load(Ordering::Relaxed).into()) & 0xFF_FFFF;
        marked.then(|| us(now - ago))
    }
}

impl Board for Nrf {
    type Bus = RefCellDevice<'static, Bus>;
    type Flash = Nvmc<pac::NVMC>;
    type Pin = Pin<Output<PushPull>>;

    fn bus(&mut self) -> Self::Bus {
        RefCellDevice::new(self.bus)
    }

    fn sleep(&mut self, alarm_us: u64) -> Wake {
        loop {
            let (mark_us, now) = (self.mark_us(), self.now());
            if mark_us.is_some() || us(now) >= alarm_us {
                return Wake { now_us: us(now), mark_us };
            }
            // Two ticks at least, or the counter passes before it compares.
            let wait = ((alarm_us - us(now)) * 512 / 15_625 + 1).clamp(2, 1 << 22);
            let at = (now + wait) as u32 & 0xFF_FFFF;
            let _ = self.counter.set_compare(RtcCompareReg::Compare0, at);
            // An interrupt that comes before the sleep ends it: it is taken behind it.
            cortex_m::interrupt::disable();
            if !MARKED.load(Ordering::Acquire) {
                cortex_m::asm::wfi();
            }
            // SAFETY: interrupts were on before.
            unsafe { cortex_m::interrupt::enable() };
        }
    }

    /// No counter of the chip runs on without power: with a clock on the bus, give its reading here.
    fn clocks(&mut self) -> Clocks {
        Clocks { timer_us: us(self.now()), backup_us: [None, None] }
    }

    fn reset(&mut self) -> Reset {
        self.reset
    }

    fn wet(&mut self) -> bool {
        self.inputs.wet.is_high().unwrap_or(false)
    }

    fn magnet(&mut self) -> bool {
        self.inputs.magnet.is_low().unwrap_or(false)
    }

    fn plugged(&mut self) -> bool {
        self.inputs.cable.is_high().unwrap_or(false)
    }

    fn measure(&mut self, what: Probe) -> u16 {
        let read = match what {
            Probe::Cell => self.converter.read_channel(&mut self.cell),
            Probe::Link => self.converter.read_channel(&mut self.link),
            Probe::Current => self.converter.read_channel(&mut self.current),
        };
        let steps = u32::try_from(read.unwrap_or(0)).unwrap_or(0);
        let tenth_mv = steps * 36_000 / STEPS;
        let value = match what {
            Probe::Cell => tenth_mv / 5,
            Probe::Link => tenth_mv * 10,
            Probe::Current => tenth_mv / 20,
        };
        u16::try_from(value).unwrap_or(u16::MAX)
    }

    fn switch(&mut self, what: Switch, on: bool) {
        if let Some(pin) = self.switches.get_mut(what as usize) {
            let _ = pin.set_state(on.into());
        }
    }

    fn send(&mut self, message: &[u8]) {
        let _ = self.satellite.write(message);
    }

    fn serial(&mut self, bytes: &[u8]) {
        let _ = self.line.write(bytes);
    }

    fn alive(&mut self) {
        self.watchdog.pet();
    }
}

/// Why the chip started, and forgets it.
fn reason(power: &pac::POWER) -> Reset {
    let reasons = power.resetreas.read();
    power.resetreas.write(|w| unsafe { w.bits(reasons.bits()) });
    // A reset by the program itself is as short as one by the watchdog.
    let short = reasons.dog().bit_is_set() || reasons.sreq().bit_is_set();
    if short { Reset::Watchdog } else { Reset::Power }
}

/// The watchdog, set to run while the chip sleeps; it may run already.
fn watchdog(wdt: pac::WDT) -> Option<wdt::WatchdogHandle<wdt::handles::HdlN>> {
    let parts = match wdt::Watchdog::try_new(wdt) {
        Ok(mut watchdog) => {
            watchdog.set_lfosc_ticks(WATCHDOG_TICKS);
            watchdog.run_during_sleep(true);
            watchdog.activate::<wdt::count::One>()
        }
        Err(wdt) => wdt::Watchdog::try_recover::<wdt::count::One>(wdt).ok()?,
    };
    let (handle,) = parts.handles;
    Some(handle.degrade())
}

fn serial_pins(txd: Pin<Output<PushPull>>, rxd: Pin<Input<hal::gpio::Floating>>) -> uarte::Pins {
    uarte::Pins { txd, rxd, cts: None, rts: None }
}

/// The board and what the firmware owns. `None`: it was taken before. Over 60 lines, for it is one list of
/// the chip's parts, each used once.
fn take() -> Option<(Nrf, Parts<Nrf>)> {
    let p = pac::Peripherals::take()?;
    let mut core = pac::CorePeripherals::take()?;
    let reset = reason(&p.POWER);
    hal::clocks::Clocks::new(p.CLOCK).start_lfclk();
    let watchdog = watchdog(p.WDT)?;
    let (port0, port1) = (p0::Parts::new(p.P0), p1::Parts::new(p.P1));
    let fire = port0.p0_14.into_push_pull_output(Level::Low).degrade();
    let arm = port0.p0_13.into_push_pull_output(Level::Low).degrade();
    let pins = twim::Pins {
        scl: port0.p0_27.into_floating_input().degrade(),
        sda: port0.p0_26.into_floating_input().degrade(),
    };
    let bus = hal::Twim::new(p.TWIM0, pins, twim::Frequency::K400);
    let bus = cortex_m::singleton!(: RefCell<Bus> = RefCell::new(bus))?;
    let mut counter = hal::Rtc::new(p.RTC0, 0).ok()?;
    counter.enable_interrupt(RtcInterrupt::Compare0, Some(&mut core.NVIC));
    counter.enable_event(RtcInterrupt::Compare0);
    counter.enable_counter();
    let gpiote = Gpiote::new(p.GPIOTE);
    let interrupt_pin = port0.p0_11.into_floating_input().degrade();
    gpiote.channel0().input_pin(&interrupt_pin).lo_to_hi().enable_interrupt();
    // SAFETY: its handler is there.
    unsafe { pac::NVIC::unmask(pac::Interrupt::GPIOTE) };
    let (out, input) = (port0.p0_06.into_push_pull_output(Level::High), port0.p0_08);
    let pins = serial_pins(out.degrade(), input.into_floating_input().degrade());
    let speed = uarte::Baudrate::BAUD115200;
    let line = hal::Uarte::new(p.UARTE0, pins, uarte::Parity::EXCLUDED, speed);
    let (out, input) = (port1.p1_01.into_push_pull_output(Level::High), port1.p1_02);
    let pins = serial_pins(out.degrade(), input.into_floating_input().degrade());
    let speed = uarte::Baudrate::BAUD9600;
    let satellite = hal::Uarte::new(p.UARTE1, pins, uarte::Parity::EXCLUDED, speed);
    let config = SaadcConfig {
        gain: Gain::GAIN1_6,
        reference: Reference::INTERNAL,
        ..SaadcConfig::default()
    };
    let board = Nrf {
        bus,
        counter,
        ticks: 0,
        reset,
        inputs: Inputs {
            magnet: port0.p0_19.into_pullup_input().degrade(),
            wet: port0.p0_20.into_pulldown_input().degrade(),
            cable: port0.p0_21.into_pulldown_input().degrade(),
        },
        switches: [
            port0.p0_15.into_push_pull_output(Level::Low).degrade(),
            port0.p0_16.into_push_pull_output(Level::Low).degrade(),
            port0.p0_17.into_push_pull_output(Level::Low).degrade(),
        ],
        converter: Saadc::new(p.SAADC, config),
        cell: port0.p0_28.into_floating_input(),
        link: port0.p0_29.into_floating_input(),
        current: port0.p0_30.into_floating_input(),
        line,
        satellite,
        watchdog,
    };
    // SAFETY: nothing else lies in these pages of the flash.
    let pages =
        unsafe { core::slice::from_raw_parts_mut(STORAGE as *mut u8, FLASH_BYTES as usize) };
    let flash = Nvmc::new(p.NVMC, pages);
    Some((board, Parts { flash, pins: Pins { arm, fire } }))
}

#[entry]
fn main() -> ! {
    if let Some((mut board, parts)) = take() {
        whole_tag::firmware::run(&mut board, parts, &DEPLOYMENT);
        // Handed over: it waits to be switched off.
        loop {
            board.alive();
            board.sleep(u64::MAX >> 20);
        }
    }
    // Taken before: the watchdog helps.
    loop {
        cortex_m::asm::nop();
    }
}

//! The chip: QEMU's `mps2-an386`, 25 MHz. Its registers are those of Arm's Cortex-M System Design
//! Kit (Technical Reference Manual, memory). One timer counts on, one is the alarm, one stops the
//! processor at an instant that is drawn; they start anew with every reset.

use core::cell::Cell;
use core::sync::atomic::{AtomicBool, Ordering};

use cortex_m::interrupt::{Mutex, free};
use cortex_m::peripheral::{NVIC, SCB};
use cortex_m_rt::exception;

use crate::world::world;

const TIMER: usize = 0x4000_0000;
const ALARM: usize = 0x4000_1000;
const STOP: usize = 0x4000_2000;
const UART: usize = 0x4000_4000;
const WATCHDOG: usize = 0x4000_8000;
/// Ticks of a microsecond.
const TICKS_A_US: u64 = 25;
/// The watchdog barks after 8 s, and bites after 8 more.
const WATCHDOG_TICKS: u32 = 200_000_000;

/// Interrupts of the chip.
#[derive(Clone, Copy)]
struct Line(u16);

// SAFETY: the numbers are those of the chip.
unsafe impl cortex_m::interrupt::InterruptNumber for Line {
    fn number(self) -> u16 {
        self.0
    }
}

const ALARM_LINE: Line = Line(9);
const STOP_LINE: Line = Line(10);

/// Interrupts: the alarm, of which whoever sleeps looks what it was, and the drawn instant. A watchdog
/// that barks, or anything else, is waited out: the watchdog bites.
#[exception]
unsafe fn DefaultHandler(number: i16) {
    match number {
        9 => {
            write(ALARM + 0xC, 1);
            write(ALARM, 0);
        }
        10 => power_goes(),
        _ => loop {
            cortex_m::asm::wfi();
        },
    }
}

fn write(register: usize, value: u32) {
    // SAFETY: a register of the chip.
    unsafe { (register as *mut u32).write_volatile(value) }
}

fn read(register: usize) -> u32 {
    // SAFETY: a register of the chip.
    unsafe { (register as *const u32).read_volatile() }
}

/// Ticks since boot, and the reading of the timer that they were counted up to.
static COUNT: Mutex<Cell<(u64, u32)>> = Mutex::new(Cell::new((0, u32::MAX)));
static STOPPING: AtomicBool = AtomicBool::new(false);

/// Starts the timers, the watchdog and the serial line.
pub fn start() {
    write(TIMER + 8, u32::MAX);
    write(TIMER + 4, u32::MAX);
    write(TIMER, 1);
    write(UART + 0x10, 217);
    write(UART + 8, 1);
    write(WATCHDOG + 0xC00, 0x1ACC_E551);
    write(WATCHDOG, WATCHDOG_TICKS);
    write(WATCHDOG + 8, 3);
    // SAFETY: the handlers are there.
    unsafe {
        NVIC::unmask(ALARM_LINE);
        NVIC::unmask(STOP_LINE);
    }
}

/// Time since boot, microseconds. To be called every 170 s at least.
pub fn now_us() -> u64 {
    free(|section| {
        let count = COUNT.borrow(section);
        let (ticks, last) = count.get();
        let value = read(TIMER + 4);
        let ticks = ticks + u64::from(last.wrapping_sub(value));
        count.set((ticks, value));
        ticks / TICKS_A_US
    })
}

/// Sleeps for at most so many microseconds.
pub fn wait_us(us: u64) {
    // The alarm may come before the processor sleeps: it wakes with interrupts off, and takes them then.
    cortex_m::interrupt::disable();
    write(ALARM + 8, 0);
    write(ALARM + 4, (us.clamp(1, 60_000_000) * TICKS_A_US) as u32);
    write(ALARM, 9);
    cortex_m::asm::wfi();
    // SAFETY: they were on before.
    unsafe { cortex_m::interrupt::enable() };
}

/// The processor stops after so many ticks.
pub fn stop_in(ticks: u32) {
    if !STOPPING.swap(true, Ordering::Relaxed) {
        write(STOP + 8, 0);
        write(STOP, ticks);
        // Enabled, with interrupt, 32 bits, once.
        write(STOP + 8, 0xA3);
    }
}

/// Power goes now.
pub fn power_goes() -> ! {
    let us = now_us();
    free(|_| {
        let world = world();
        let at_us = world.boot_us + us;
        world.stop(at_us);
    });
    SCB::sys_reset()
}

/// The processor hangs, until the watchdog helps.
pub fn hang() -> ! {
    let us = now_us();
    free(|_| {
        let world = world();
        let at_us = world.boot_us + us;
        world.stop(at_us);
    });
    loop {
        cortex_m::asm::wfi();
    }
}

/// The watchdog's count begins anew.
pub fn alive() {
    write(WATCHDOG + 0xC, 1);
}

/// Writes a byte to the serial line.
pub fn serial(byte: u8) {
    while read(UART + 4) & 1 != 0 {}
    write(UART, byte.into());
}

//! Counting instructions and stack of one feed.
//!
//! Under QEMU's `-icount` the core's own timer advances by the same number of
//! ticks for every instruction, so ticks are instructions once the number is
//! known: it is measured at the start, with a run of instructions that do nothing.

use core::arch::{asm, global_asm};

use on_target_wire::record;
use on_target_wire::trace::Sink;

const CSR: *mut u32 = 0xE000_E010 as *mut u32;
const RELOAD: *mut u32 = 0xE000_E014 as *mut u32;
const CURRENT: *mut u32 = 0xE000_E018 as *mut u32;
const MASK: u32 = 0x00FF_FFFF;
/// Instructions of [`do_nothing`], its call and return included.
const NOPS: u32 = 1000;
/// Bytes painted below the stack before a feed, and before the tag is built.
pub const FEED: usize = 3072;
/// See [`FEED`]; less where there is no [`room`].
pub const NEW: usize = 32_768;
const PAINT: u32 = 0xA5A5_5A5A;

// A run of instructions that do nothing, out of line: a block of this length
// would keep the compiler's constants out of reach.
global_asm!(
    ".section .text.do_nothing, \"ax\"",
    ".global do_nothing",
    ".type do_nothing, %function",
    ".thumb_func",
    "do_nothing:",
    ".rept 998",
    "nop",
    ".endr",
    "bx lr",
    ".size do_nothing, . - do_nothing",
);

unsafe extern "C" {
    fn do_nothing();
}

/// The timer.
pub struct Ticks;

impl Ticks {
    /// Starts the timer.
    pub fn start() -> Self {
        // SAFETY: the registers of the core's timer, used by nobody else.
        unsafe {
            RELOAD.write_volatile(MASK);
            CURRENT.write_volatile(0);
            CSR.write_volatile(0b101);
        }
        Ticks
    }

    fn now() -> u32 {
        // SAFETY: reading the timer changes nothing.
        unsafe { CURRENT.read_volatile() }
    }

    /// Runs `f` and gives the ticks it took; at most 2^24.
    #[inline(always)]
    pub fn of<T>(&self, f: impl FnOnce() -> T) -> (T, u32) {
        let before = Self::now();
        let out = f();
        let after = Self::now();
        (out, before.wrapping_sub(after) & MASK)
    }

    /// Writes how ticks become instructions.
    pub fn calibrate(&self, results: &mut impl Sink) {
        let ((), empty) = self.of(|| ());
        let ((), longer) = self.of(|| {
            // SAFETY: does nothing: the call, 998 instructions, the return.
            unsafe { do_nothing() }
        });
        record::write_calibration(empty, longer, NOPS, results);
    }
}

unsafe extern "C" {
    /// End of memory with a fixed place, by the linker.
    static __ebss: u32;
}

/// Bytes between here and memory with a fixed place, less a margin.
#[inline(always)]
pub fn room() -> usize {
    let sp: usize;
    // SAFETY: reads a register.
    unsafe { asm!("mov {sp}, sp", sp = out(reg) sp) };
    (sp.saturating_sub(&raw const __ebss as usize) & !3).saturating_sub(64)
}

/// Runs `f` and gives the bytes of stack that it used, `painted` at most.
#[inline(always)]
pub fn stack<T>(painted: usize, f: impl FnOnce() -> T) -> (T, u32) {
    let sp: usize;
    // SAFETY: the memory below the stack pointer is free, no interrupt runs, and
    // nothing is called between reading the pointer and the end of painting.
    unsafe {
        asm!(
            "mov {sp}, sp",
            "mov {at}, sp",
            "subs {at}, {at}, {size}",
            "2:",
            "str {paint}, [{at}]",
            "adds {at}, {at}, #4",
            "cmp {at}, {sp}",
            "bne 2b",
            sp = out(reg) sp,
            at = out(reg) _,
            size = in(reg) painted,
            paint = in(reg) PAINT,
        );
    }
    let out = f();
    let mut at = sp.wrapping_sub(painted);
    // SAFETY: memory of this stack, read only.
    while at < sp && unsafe { (at as *const u32).read_volatile() } == PAINT {
        at = at.wrapping_add(4);
    }
    (out, sp.wrapping_sub(at) as u32)
}

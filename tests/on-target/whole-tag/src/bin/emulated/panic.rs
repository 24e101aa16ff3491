//! The panic handler that proves that there is no panic: it calls a function that does not exist. An
//! image from which a panic can be reached does not link.

use core::panic::PanicInfo;

unsafe extern "C" {
    fn a_panic_is_reachable() -> !;
}

#[panic_handler]
fn panic(_: &PanicInfo) -> ! {
    // SAFETY: never linked, so never called.
    unsafe { a_panic_is_reachable() }
}

//! The panic handler that proves that there is no panic: it calls a function
//! that does not exist. An image from which a panic can be reached does not link.

use core::panic::PanicInfo;

#[cfg(not(any(feature = "inspect", feature = "log")))]
unsafe extern "C" {
    fn a_panic_is_reachable() -> !;
}

#[panic_handler]
fn panic(_: &PanicInfo) -> ! {
    #[cfg(not(any(feature = "inspect", feature = "log")))]
    // SAFETY: never linked, so never called.
    unsafe {
        a_panic_is_reachable()
    }
    // Formatting text (inspecting, logging) may reach a panic by the compiler's reckoning.
    #[cfg(any(feature = "inspect", feature = "log"))]
    loop {
        cortex_m_semihosting::debug::exit(cortex_m_semihosting::debug::EXIT_FAILURE);
    }
}

//! `swaymark_tests::fuzz::journal` by libFuzzer.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| swaymark_tests::fuzz::journal(data));

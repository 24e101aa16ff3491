//! `swaymark_tests::fuzz::image` by libFuzzer.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| swaymark_tests::fuzz::image(data));

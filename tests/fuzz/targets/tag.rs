//! `swaymark_tests::fuzz::tag` by libFuzzer.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| swaymark_tests::fuzz::tag(data));

//! Any bytes as a capture: `cargo fuzz run capture`.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tonering::capture::torture::read_anything(bytes));

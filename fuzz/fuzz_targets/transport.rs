//! Any bytes as frames and packets: no panic, bounded memory.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| tonering::transport::fuzz::fuzz(input));

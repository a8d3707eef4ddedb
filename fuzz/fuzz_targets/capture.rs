//! Any bytes as a capture, as far as the record of it: no panic, bounded memory.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| tonering_fuzz::bodies::capture(input));

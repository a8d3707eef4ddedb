//! Any bytes as a capture, through everything to the printers: no panic, bounded memory.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| tonering_fuzz::bodies::capture(input));

//! Any bytes as messages, taken apart in every family: no panic, bounded memory.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| tonering_fuzz::bodies::service(input));

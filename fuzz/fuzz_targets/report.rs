//! Any bytes as a capture, all the way to the printers: no panic, nothing that would steer a terminal.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| tonering_fuzz::bodies::report(input));

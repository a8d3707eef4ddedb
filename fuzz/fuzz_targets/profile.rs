//! Any text as a profile; what is read is written and read again: no panic, bounded memory.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| tonering_fuzz::bodies::profile(input));

//! Any text as inspection notes: no panic, bounded memory.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| tonering_fuzz::bodies::notes(input));

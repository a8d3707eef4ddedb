//! Anything typed after explain: no panic, bounded memory.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| tonering_fuzz::bodies::explained(input));

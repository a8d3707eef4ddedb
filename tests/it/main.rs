//! Integration tests: one binary, a module for each command, and the house rules.

#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests read files, and a failed helper is a failed test"
)]

#[expect(
    unreachable_pub,
    reason = "the fuzz targets call them from their own crate"
)]
mod bodies;
mod calibration;
mod case;
mod command;
mod compare;
mod console;
mod damage;
mod decode;
mod dialogue;
mod drill;
mod each;
mod ends;
mod explain;
mod fuzz_replay;
mod limits;
mod live;
mod moments;
mod report;
mod report_example;
#[cfg(feature = "schema")]
mod schemas;
mod shipped_rules;
mod tidy;
mod trials;
mod wheels;
mod why;

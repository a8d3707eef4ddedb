//! Integration tests: one binary, a module for each command, and the house rules.

#![expect(
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "tests read files, and a failed helper is a failed test"
)]

mod calibration;
mod case;
mod command;
mod compare;
mod console;
mod decode;
mod explain;
mod report;
mod report_example;
#[cfg(feature = "schema")]
mod schemas;
mod shipped_rules;
mod tidy;
mod wheels;

//! Tests on real `SocketCAN`. `tests/live/run.sh` runs them in a virtual machine; anywhere else they are skipped, which they
//! say.

#![cfg(target_os = "linux")]
#![expect(clippy::unwrap_used, reason = "helpers of tests")]

mod asking;
mod command;
mod disturbed;
mod guest;
mod hearing;
mod hours;
mod replay;

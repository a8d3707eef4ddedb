//! Frames that are sent one after the other are heard in that order.
//!
//! A virtual link hands each frame to a queue of the processor that it is sent on (Linux `drivers/net/can/vcan.c`, `netif_rx`). A
//! thread that is moved between two frames may have the later one heard first. A controller sends from one queue and keeps order.

use nix::errno::Errno;
use nix::sched::{CpuSet, sched_getcpu, sched_setaffinity};
use nix::unistd::Pid;

/// Keeps the calling thread on the processor that it is on, and with it the threads that it starts from now on.
///
/// # Errors
///
/// What the system says when it refuses.
pub fn stay_on_one_processor() -> Result<(), std::io::Error> {
    let stay = || -> Result<(), Errno> {
        let mut processors = CpuSet::new();
        processors.set(sched_getcpu()?)?;
        sched_setaffinity(Pid::from_raw(0), &processors)
    };
    Ok(stay()?)
}

//! Opening a link for the commands that send.

use tonering::link::Bus;

/// Opens a CAN interface to hear and to send.
#[cfg(target_os = "linux")]
pub(crate) fn open(name: &str) -> anyhow::Result<Box<dyn Bus + Send>> {
    Ok(Box::new(tonering::link::Socket::open(name)?))
}

/// There are CAN interfaces on Linux only.
#[cfg(not(target_os = "linux"))]
pub(crate) fn open(name: &str) -> anyhow::Result<Box<dyn Bus + Send>> {
    anyhow::bail!("{name}: CAN interfaces can be used on Linux only")
}

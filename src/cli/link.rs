//! Opening a link for the commands that send, and what a person reads when it cannot be had.

use tonering::link::clear::ClearError;
use tonering::link::{Bus, LinkError};

/// Opens a CAN interface to hear and to send.
#[cfg(target_os = "linux")]
pub(crate) fn open(name: &str) -> anyhow::Result<Box<dyn Bus + Send>> {
    let socket = tonering::link::Socket::open(name).map_err(explained)?;
    Ok(Box::new(socket))
}

/// There are CAN interfaces on Linux only.
#[cfg(not(target_os = "linux"))]
pub(crate) fn open(name: &str) -> anyhow::Result<Box<dyn Bus + Send>> {
    anyhow::bail!("{name}: CAN interfaces can be used on Linux only")
}

/// The error with what would help.
pub(crate) fn explained(error: LinkError) -> anyhow::Error {
    let help = match &error {
        LinkError::NoSuchLink { .. } | LinkError::NotCan { .. } => {
            let found = names();
            if found.is_empty() {
                "there is no CAN interface here: is the adapter plugged in and its driver loaded? (docs/live.md)".to_owned()
            } else {
                format!("CAN interfaces here: {}", found.join(", "))
            }
        }
        LinkError::Permission { .. } => {
            "run it as a user who may use the network, or outside of a container that keeps it from that".to_owned()
        }
        LinkError::System { source, .. } if source.raw_os_error().is_some_and(|error| NO_CAN.contains(&error)) => {
            "this kernel has no SocketCAN: load its module (modprobe can_raw) or use another kernel".to_owned()
        }
        LinkError::Full { .. } => {
            "nobody on the bus acknowledges: is another node connected, at the same bit rate?".to_owned()
        }
        LinkError::Down { link } => {
            format!("switch it on: ip link set {link} up (a controller needs its bit rate first, docs/live.md)")
        }
        _ => return error.into(),
    };
    anyhow::anyhow!("{:#}; {help}", anyhow::Error::from(error))
}

/// The same for an error from further up.
pub(crate) fn helped(error: anyhow::Error) -> anyhow::Error {
    let error = match error.downcast::<ClearError>() {
        Ok(ClearError::Link(error)) => return explained(error),
        Ok(error) => error.into(),
        Err(error) => error,
    };
    match error.downcast::<LinkError>() {
        Ok(error) => explained(error),
        Err(error) => error,
    }
}

#[cfg(target_os = "linux")]
fn names() -> Vec<String> {
    tonering::link::links()
}

#[cfg(not(target_os = "linux"))]
const fn names() -> Vec<String> {
    Vec::new()
}

/// `EPROTONOSUPPORT` and `EAFNOSUPPORT` of Linux: the kernel does not know this protocol, or this family of sockets.
const NO_CAN: [i32; 2] = [93, 97];

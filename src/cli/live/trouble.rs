//! What a person reads when a link cannot be had, and what would help.

use tonering::link::{LinkError, links};

/// The error with what would help.
pub(super) fn explained(error: LinkError) -> anyhow::Error {
    let help = match &error {
        LinkError::NoSuchLink { .. } | LinkError::NotCan { .. } => {
            let found = links();
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

/// `EPROTONOSUPPORT` and `EAFNOSUPPORT` of Linux: the kernel does not know this protocol, or this family of sockets.
const NO_CAN: [i32; 2] = [93, 97];

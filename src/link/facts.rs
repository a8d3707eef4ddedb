//! What the system knows of an interface: bit rate, state of the bus, error counters, queue, counts.
//!
//! Source: Linux `include/uapi/linux/can/netlink.h`, `if_link.h`, `netlink.h`; `Documentation/ABI/testing/sysfs-class-net`.

#![expect(
    clippy::disallowed_methods,
    reason = "the link is where the system is asked about its interfaces"
)]

use std::fs;
use std::io;
use std::os::fd::AsRawFd as _;

use nix::sys::socket::{
    AddressFamily, MsgFlags, NetlinkAddr, SockFlag, SockProtocol, SockType, recv, sendto, socket,
};

use super::bus::LinkError;
use super::interface::Facts;
use super::netlink;

/// The kind of hardware that CAN interfaces are (`ARPHRD_CAN`, Linux `if_arp.h`).
const CAN: &str = "280";
/// The flag of an interface that is up (`IFF_UP`).
const UP: u32 = 1;
/// The longest answer about one interface, in bytes.
const ANSWER: usize = 64 << 10;

/// Whether this is a CAN interface.
pub(super) fn is_can(link: &str) -> bool {
    attribute(link, "type").is_some_and(|kind| kind == CAN)
}

/// Whether it is switched on.
pub(super) fn is_up(link: &str) -> bool {
    let flags = attribute(link, "flags");
    let bits = flags.and_then(|text| u32::from_str_radix(text.trim_start_matches("0x"), 16).ok());
    bits.is_some_and(|bits| bits & UP != 0)
}

fn attribute(link: &str, name: &str) -> Option<String> {
    // A name with a slash would lead elsewhere.
    if link.contains('/') {
        return None;
    }
    let text = fs::read_to_string(format!("/sys/class/net/{link}/{name}")).ok()?;
    Some(text.trim().to_owned())
}

/// The CAN interfaces that there are, by name.
pub fn links() -> Vec<String> {
    let mut found: Vec<String> = fs::read_dir("/sys/class/net")
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter(|name| is_can(name))
        .collect();
    found.sort();
    found
}

/// Asks the kernel about an interface.
pub fn facts(link: &str) -> Result<Facts, LinkError> {
    let index = nix::net::if_::if_nametoindex(link).map_err(|_| LinkError::NoSuchLink {
        link: link.to_owned(),
    })?;
    let failed = |source: io::Error| LinkError::System {
        link: link.to_owned(),
        doing: "asking the kernel about it",
        source,
    };
    let answer = ask(&netlink::request(index)).map_err(|error| failed(error.into()))?;
    let facts = netlink::read(&answer).ok_or_else(|| LinkError::NoSuchLink {
        link: link.to_owned(),
    })?;
    Ok(facts)
}

fn ask(request: &[u8]) -> nix::Result<Vec<u8>> {
    let socket = socket(
        AddressFamily::Netlink,
        SockType::Raw,
        SockFlag::SOCK_CLOEXEC,
        SockProtocol::NetlinkRoute,
    )?;
    let fd = socket.as_raw_fd();
    sendto(fd, request, &NetlinkAddr::new(0, 0), MsgFlags::empty())?;
    let mut answer = vec![0; ANSWER];
    let length = recv(fd, &mut answer, MsgFlags::empty())?;
    answer.truncate(length);
    Ok(answer)
}

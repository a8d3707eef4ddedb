//! A link by Linux `SocketCAN`: one raw CAN socket on one interface.
//!
//! [`Ear`] only hears: it has no way to send, so whoever holds one is passive by construction. [`Socket`] also sends.
//! Times are the kernel's receive stamps, on the system's clock; frames that the kernel had to drop are counted with the
//! next one that comes. While the interface is down or gone, each call of `hear` waits its patience out and says so; when it
//! is back, hearing goes on, through a new socket if need be.
//!
//! Source: Linux `Documentation/networking/can.rst`; socket(7) (`SO_TIMESTAMPNS`, `SO_RXQ_OVFL`, `SO_RCVBUFFORCE`).

#![expect(
    clippy::disallowed_methods,
    reason = "the link is where the clock of what is heard is read"
)]

use std::io::{self, IoSliceMut};
use std::os::fd::{AsFd as _, AsRawFd as _};
use std::thread::sleep;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use nix::errno::Errno;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::socket::sockopt::{RcvBuf, RcvBufForce, ReceiveTimestampns, RxqOvfl};
use nix::sys::socket::{ControlMessageOwned, MsgFlags, recvmsg, send, setsockopt};
use nix::sys::time::TimeSpec;
use socketcan::{CanFdSocket, Socket as _, SocketOptions as _};

use super::bus::{Bus, Heard, LinkError};
use super::{facts, raw};
use crate::frame::{CanId, FrameKind, Timestamp};

/// What the kernel is asked to hold for a reader that is late, in bytes: some 10 000 frames, more than two seconds of a full
/// bus at 500 kbit/s.
const RECEIVE_BUFFER: usize = 8 << 20;

/// How long sending is tried again while the send queue is full.
const FULL_FOR: Duration = Duration::from_secs(1);
/// A pause between two tries.
const FULL_PAUSE: Duration = Duration::from_millis(1);

/// Hears a CAN interface and cannot send.
#[derive(Debug)]
pub struct Ear {
    socket: Socket,
}

impl Ear {
    /// Listens on an interface: `can0`.
    pub fn open(link: &str) -> Result<Self, LinkError> {
        let socket = Socket::open(link)?;
        Ok(Self { socket })
    }

    /// As [`Bus::hear`].
    pub fn hear(&mut self, patience: Duration) -> Result<Option<Heard>, LinkError> {
        self.socket.hear(patience)
    }

    /// As [`Bus::now`].
    pub fn now(&self) -> Timestamp {
        self.socket.now()
    }

    /// Bytes that the kernel holds for a reader that is late; 0 when it does not say.
    pub fn receive_buffer(&self) -> usize {
        self.socket.receive_buffer()
    }
}

/// Hears a CAN interface and sends on it.
#[derive(Debug)]
pub struct Socket {
    link: String,
    /// `None` while the interface is gone.
    open: Option<Open>,
    /// The interface was found to be down.
    is_down: bool,
}

#[derive(Debug)]
struct Open {
    socket: CanFdSocket,
    /// The kernel's number of the interface: another one with the same name is another adapter.
    index: u32,
    /// Frames that the kernel has dropped since the socket was opened, as it counts.
    dropped: u32,
}

/// What came out of one attempt to read.
enum Read {
    Frame(Heard),
    Nothing,
    Down,
    Gone,
}

impl Socket {
    /// Opens an interface: `can0`. One that is down can be opened: hearing then says so until it is up.
    pub fn open(link: &str) -> Result<Self, LinkError> {
        let open = open(link)?;
        Ok(Self {
            link: link.to_owned(),
            open: Some(open),
            is_down: false,
        })
    }

    /// The interface's name.
    pub fn link(&self) -> &str {
        &self.link
    }

    /// Puts a frame of any kind on the link, for replay. An error frame is no frame of a bus: only a virtual link carries it.
    pub fn put_frame(&mut self, id: CanId, kind: FrameKind, data: &[u8]) -> Result<(), LinkError> {
        let too_long = || LinkError::TooLong {
            link: self.link.clone(),
            length: data.len(),
        };
        let (bytes, size) = raw::write(id, kind, data).ok_or_else(too_long)?;
        let bytes = bytes.get(..size).unwrap_or_default();
        let mut began = None;
        loop {
            let Some(open) = &self.open else {
                return Err(self.gone());
            };
            match send(open.socket.as_raw_fd(), bytes, MsgFlags::MSG_DONTWAIT) {
                Ok(_) => return Ok(()),
                Err(Errno::EINTR) => {}
                Err(Errno::ENOBUFS | Errno::EAGAIN) => {
                    let since = *began.get_or_insert_with(Instant::now);
                    if since.elapsed() > FULL_FOR {
                        let link = self.link.clone();
                        return Err(LinkError::Full { link });
                    }
                    sleep(FULL_PAUSE);
                }
                Err(Errno::ENETDOWN) => {
                    self.is_down = true;
                    return Err(self.down());
                }
                Err(Errno::ENODEV | Errno::ENXIO) => {
                    self.open = None;
                    return Err(self.gone());
                }
                // The interface carries classic frames only.
                Err(Errno::EINVAL) if size == raw::FD => return Err(too_long()),
                Err(error) => return Err(self.system("sending", error.into())),
            }
        }
    }

    /// Bytes that the kernel holds for a reader that is late; 0 when it does not say.
    pub fn receive_buffer(&self) -> usize {
        let open = self.open.as_ref();
        let size = open.map(|open| nix::sys::socket::getsockopt(&open.socket.as_fd(), RcvBuf));
        size.and_then(Result::ok).unwrap_or_default()
    }

    fn down(&self) -> LinkError {
        let link = self.link.clone();
        LinkError::Down { link }
    }

    fn gone(&self) -> LinkError {
        let link = self.link.clone();
        LinkError::Gone { link }
    }

    fn system(&self, doing: &'static str, source: io::Error) -> LinkError {
        LinkError::System {
            link: self.link.clone(),
            doing,
            source,
        }
    }

    /// Reads what is there, without waiting.
    fn read(&mut self) -> Result<Read, LinkError> {
        let Some(open) = &mut self.open else {
            return Ok(Read::Gone);
        };
        loop {
            match open.read() {
                Ok(Some(heard)) => return Ok(Read::Frame(heard)),
                Ok(None) | Err(Errno::EINTR) => {}
                Err(Errno::EAGAIN) => return Ok(Read::Nothing),
                Err(Errno::ENETDOWN) => return Ok(Read::Down),
                Err(Errno::ENODEV | Errno::ENXIO) => return Ok(Read::Gone),
                Err(error) => return Err(self.system("reading", error.into())),
            }
        }
    }

    /// Waits until there is something to read, at most so long.
    fn wait(&self, patience: Duration) -> Result<(), LinkError> {
        let Some(open) = &self.open else {
            sleep(patience);
            return Ok(());
        };
        let mut polled = [PollFd::new(open.socket.as_fd(), PollFlags::POLLIN)];
        // Whole milliseconds, and not less than was asked for.
        let whole = u64::try_from(patience.as_nanos().div_ceil(1_000_000)).unwrap_or(u64::MAX);
        let timeout = PollTimeout::try_from(whole).unwrap_or(PollTimeout::MAX);
        match poll(&mut polled, timeout) {
            Ok(_) | Err(Errno::EINTR) => Ok(()),
            Err(error) => Err(self.system("waiting", error.into())),
        }
    }

    /// Looks whether an interface that was down or gone is back.
    fn look_again(&mut self) {
        let index = index_of(&self.link);
        let same = self.open.as_ref().is_some_and(|open| open.index == index);
        if index == 0 {
            self.open = None;
        } else if !same {
            self.open = open(&self.link).ok();
        }
        self.is_down = !facts::is_up(&self.link);
    }
}

impl Bus for Socket {
    fn hear(&mut self, patience: Duration) -> Result<Option<Heard>, LinkError> {
        let mut waited = false;
        loop {
            match self.read()? {
                Read::Frame(heard) => {
                    self.is_down = false;
                    return Ok(Some(heard));
                }
                Read::Down => self.is_down = true,
                Read::Gone => self.open = None,
                Read::Nothing => {}
            }
            if waited {
                break;
            }
            self.wait(patience)?;
            waited = true;
            if self.is_down || self.open.is_none() {
                self.look_again();
            }
        }
        if self.open.is_none() {
            Err(self.gone())
        } else if self.is_down {
            Err(self.down())
        } else {
            Ok(None)
        }
    }

    fn put(&mut self, id: CanId, data: &[u8]) -> Result<(), LinkError> {
        let kind = if data.len() > 8 {
            FrameKind::Fd {
                bit_rate_switch: false,
                error_passive: false,
            }
        } else {
            FrameKind::Data
        };
        self.put_frame(id, kind, data)
    }

    fn now(&self) -> Timestamp {
        let since = SystemTime::now().duration_since(UNIX_EPOCH);
        let nanos = since.map_or(0, |since| {
            i64::try_from(since.as_nanos()).unwrap_or(i64::MAX)
        });
        Timestamp::from_nanos(nanos)
    }
}

impl Open {
    /// The next frame; `None` for what is no frame of CAN or CAN FD.
    fn read(&mut self) -> Result<Option<Heard>, Errno> {
        let mut bytes = [0; raw::FD];
        let mut space = nix::cmsg_space!(TimeSpec, u32);
        let mut pieces = [IoSliceMut::new(&mut bytes)];
        let fd = self.socket.as_raw_fd();
        let flags = MsgFlags::MSG_DONTWAIT;
        let message = recvmsg::<()>(fd, &mut pieces, Some(&mut space), flags)?;
        let (mut nanos, mut dropped) = (None, None);
        for control in message.cmsgs()? {
            match control {
                ControlMessageOwned::ScmTimestampns(time) => {
                    let whole = time.tv_sec().saturating_mul(1_000_000_000);
                    nanos = Some(whole.saturating_add(time.tv_nsec()));
                }
                ControlMessageOwned::RxqOvfl(count) => dropped = Some(count),
                _ => {}
            }
        }
        let length = message.bytes;
        let Some((id, kind, data)) = bytes.get(..length).and_then(raw::read) else {
            return Ok(None);
        };
        let lost = dropped.map_or(0, |count| count.wrapping_sub(self.dropped));
        self.dropped = dropped.unwrap_or(self.dropped);
        let time = Timestamp::from_nanos(nanos.unwrap_or_default());
        Ok(Some(Heard {
            time,
            id,
            kind,
            data,
            lost,
        }))
    }
}

/// The kernel's number of an interface; 0 when there is none of that name.
fn index_of(link: &str) -> u32 {
    nix::net::if_::if_nametoindex(link).unwrap_or_default()
}

fn open(link: &str) -> Result<Open, LinkError> {
    let name = || link.to_owned();
    let index = index_of(link);
    if index == 0 {
        return Err(LinkError::NoSuchLink { link: name() });
    }
    if !facts::is_can(link) {
        return Err(LinkError::NotCan { link: name() });
    }
    let failed = |source: io::Error| match source.kind() {
        io::ErrorKind::PermissionDenied => LinkError::Permission {
            link: name(),
            source,
        },
        _ if source.raw_os_error() == Some(Errno::ENODEV as i32) => {
            LinkError::Gone { link: name() }
        }
        _ => LinkError::System {
            link: name(),
            doing: "opening",
            source,
        },
    };
    let socket = CanFdSocket::open_iface(index).map_err(failed)?;
    socket.set_recv_timestamp(true).map_err(failed)?;
    socket.set_error_filter_accept_all().map_err(failed)?;
    let set = |done: nix::Result<()>| done.map_err(|error| failed(error.into()));
    let fd = socket.as_fd();
    set(setsockopt(&fd, ReceiveTimestampns, &true))?;
    set(setsockopt(&fd, RxqOvfl, &1))?;
    // Only privileged users may go beyond the system's limit; others get as much as that allows.
    if setsockopt(&fd, RcvBufForce, &RECEIVE_BUFFER).is_err() {
        set(setsockopt(&fd, RcvBuf, &RECEIVE_BUFFER))?;
    }
    Ok(Open {
        socket,
        index,
        dropped: 0,
    })
}

//! Where frames are heard and put, whatever carries them.

use std::fmt;
use std::io;
use std::ops::Deref;
use std::time::Duration;

use crate::frame::{CanId, Channel, Frame, FrameKind, MAX_DATA, Timestamp};

/// Where frames are heard and put: a SocketCAN interface, or a hub in memory.
pub trait Bus {
    /// Waits at most `patience` for what comes next; `None` when nothing came. Error frames come too.
    fn hear(&mut self, patience: Duration) -> Result<Option<Heard>, LinkError>;

    /// Puts a classic data frame (up to 8 bytes) or, if longer, a CAN FD frame on the bus. One's own frames are not
    /// heard.
    fn put(&mut self, id: CanId, data: &[u8]) -> Result<(), LinkError>;

    /// The link's clock: the one that stamps what is heard.
    fn now(&self) -> Timestamp;
}

/// A frame that was heard on a link.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Heard {
    /// When, on the link's clock.
    pub time: Timestamp,
    /// Its identifier; for an error frame the error classes as a 29-bit value.
    pub id: CanId,
    /// What kind of frame it is.
    pub kind: FrameKind,
    /// Its data.
    pub data: Data,
    /// Frames that were lost on the way to the program since the last one that was heard, as far as the system says.
    pub lost: u32,
}

impl Heard {
    /// The same as a borrowed frame, as the `number`th of its link.
    pub fn frame(&self, number: u64, channel: Channel) -> Frame<'_> {
        Frame {
            number,
            time: Some(self.time),
            channel,
            id: self.id,
            kind: self.kind,
            data: &self.data,
        }
    }
}

/// The data field of a frame, held in place: at most [`MAX_DATA`] bytes.
#[derive(Clone, Copy)]
pub struct Data {
    bytes: [u8; MAX_DATA],
    length: u8,
}

impl Data {
    /// Takes a copy; `None` for more bytes than a frame can carry.
    pub fn new(bytes: &[u8]) -> Option<Self> {
        let length = u8::try_from(bytes.len()).ok()?;
        let mut held = [0; MAX_DATA];
        held.get_mut(..bytes.len())?.copy_from_slice(bytes);
        Some(Self {
            bytes: held,
            length,
        })
    }
}

impl Deref for Data {
    type Target = [u8];

    fn deref(&self) -> &[u8] {
        self.bytes
            .get(..usize::from(self.length))
            .unwrap_or_default()
    }
}

impl fmt::Debug for Data {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02X?}", &**self)
    }
}

impl PartialEq for Data {
    fn eq(&self, other: &Self) -> bool {
        **self == **other
    }
}

impl Eq for Data {}

/// Why a link does not carry frames.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LinkError {
    /// Nothing of that name.
    #[error("{link}: there is no such interface")]
    NoSuchLink {
        /// The name asked for.
        link: String,
    },
    /// Something of that name, but no CAN bus.
    #[error("{link}: this is no CAN interface")]
    NotCan {
        /// The interface.
        link: String,
    },
    /// The system does not allow it.
    #[error("{link}: no permission to use it")]
    Permission {
        /// The interface.
        link: String,
        /// What the system said.
        source: io::Error,
    },
    /// The interface exists and is switched off.
    #[error("{link}: the interface is down")]
    Down {
        /// The interface.
        link: String,
    },
    /// The interface went away: the adapter was unplugged.
    #[error("{link}: the interface is gone")]
    Gone {
        /// The interface.
        link: String,
    },
    /// Nobody takes the frames: the send buffer stays full.
    #[error("{link}: its send buffer stays full, frames do not get out")]
    Full {
        /// The interface.
        link: String,
    },
    /// The bus was opened to listen only.
    #[error("{link}: opened to listen, nothing may be sent")]
    ListensOnly {
        /// The interface.
        link: String,
    },
    /// More bytes than a frame of this bus can carry.
    #[error("{link}: {length} bytes do not fit a frame")]
    TooLong {
        /// The interface.
        link: String,
        /// So many.
        length: usize,
    },
    /// Anything else that the system says.
    #[error("{link}: {doing} failed")]
    System {
        /// The interface.
        link: String,
        /// What was being done: "opening", "reading", "sending".
        doing: &'static str,
        /// What the system said.
        source: io::Error,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn data_holds_what_a_frame_can_carry() {
        let data = Data::new(&[1, 2, 3]).unwrap();
        assert_eq!(&*data, [1, 2, 3]);
        assert_eq!(format!("{data:?}"), "[01, 02, 03]");
        assert_ne!(data, Data::new(&[1, 2, 3, 0]).unwrap());
        assert_eq!(Data::new(&[7; 64]).unwrap().len(), 64);
        assert_eq!(Data::new(&[7; 65]), None);
        assert!(Data::new(&[]).unwrap().is_empty());
    }
}

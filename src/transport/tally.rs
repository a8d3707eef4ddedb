//! What the observer counted: never text, never silence.

/// Counts of what was set aside, recognised or limited.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
#[non_exhaustive]
pub struct TransportTally {
    /// Exact copies of a frame within 0.05 ms on the same bus, dropped as an artefact of the capture.
    pub duplicates: u64,
    /// Frames on identifiers of known conversations that are no frame of ISO 15765-2, ignored as the standard says.
    pub malformed: u64,
    /// Flow-control frames that nobody waited for.
    pub stray_flow: u64,
    /// Identifiers that were recognised as carrying messages, beyond those of the book.
    pub recognised: u64,
    /// Messages on identifiers that were not recognised in the end, dropped.
    pub unconfirmed: u64,
    /// Frames of SAE J1939's own parameter groups (transport, request, address claim, broadcast groups).
    pub j1939: u64,
    /// Messages that ended early because a limit of memory was reached.
    pub limited: u64,
    /// Frames that were not looked at because more identifiers or addresses are in use than are told apart.
    pub unwatched: u64,
    /// Whether the capture's clock runs so slowly that it cannot count seconds; time limits are then a thousand times
    /// as long.
    pub slow_clock: bool,
    /// Packets on a TCP port of ISO 13400 that are encrypted.
    pub encrypted: u64,
    /// Bytes of ISO 13400 streams that could not be read: lost segments, or no header where one has to be.
    pub stream_bytes_lost: u64,
    /// Packets that are cut off or no Ethernet, IP, TCP or UDP.
    pub unreadable_packets: u64,
}

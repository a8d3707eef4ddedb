//! Writing captures: candump's log form and pcapng, frame by frame.
//!
//! What is written is read back equal (a property test), with these limits: a text cannot hold a space or an opening
//! bracket in the name of a bus, and pcapng has no time before its clock's zero and none that is absent.
//! Each frame is one `write_all`; give a `BufWriter` where many are written at once.
//!
//! Source: can-utils (log form), draft-ietf-opsawg-pcapng, tcpdump.org (`LINKTYPE_CAN_SOCKETCAN`), `linux/can.h`.

use std::io::{self, Write};

use crate::frame::{CanId, Channels, Frame, FrameKind, MAX_DATA, Timestamp};

const ERROR_FLAG: u32 = 0x2000_0000;
const REMOTE_FLAG: u32 = 0x4000_0000;
const EXTENDED_FLAG: u32 = 0x8000_0000;
const BIT_RATE_SWITCH: u8 = 0x01;
const ERROR_PASSIVE: u8 = 0x02;
const FD_FORMAT: u8 = 0x04;
const LINKTYPE_CAN_SOCKETCAN: u16 = 227;
const NANOS_PER_SECOND: u64 = 1_000_000_000;

/// The flags of CAN FD as Linux numbers them; 0 for classic frames.
const fn fd_flags(kind: FrameKind) -> u8 {
    match kind {
        FrameKind::Fd {
            bit_rate_switch,
            error_passive,
        } => (bit_rate_switch as u8 * BIT_RATE_SWITCH) | (error_passive as u8 * ERROR_PASSIVE),
        FrameKind::Data | FrameKind::Remote { .. } | FrameKind::Error => 0,
    }
}

/// Writes candump's log form: `(1700000000.100000) can0 7DF#02010C`.
///
/// Microseconds, or nanoseconds where a frame has them; no time stamp where it has none.
///
/// ```
/// use tonering::capture::write::CandumpWriter;
/// use tonering::frame::{CanId, Channels, Frame, FrameKind, Timestamp};
///
/// let mut channels = Channels::default();
/// let frame = Frame {
///     number: 1,
///     time: Some(Timestamp::from_micros(1_700_000_000_100_000)),
///     channel: channels.intern("can0"),
///     id: CanId::standard(0x7DF)?,
///     kind: FrameKind::Data,
///     data: &[0x02, 0x01, 0x0C],
/// };
/// let mut writer = CandumpWriter::new(Vec::new());
/// writer.write_frame(&frame, &channels)?;
/// assert_eq!(writer.into_inner(), b"(1700000000.100000) can0 7DF#02010C\n");
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
pub struct CandumpWriter<W> {
    to: W,
    line: Vec<u8>,
}

impl<W: Write> CandumpWriter<W> {
    /// Before the first line.
    pub const fn new(to: W) -> Self {
        Self {
            to,
            line: Vec::new(),
        }
    }

    /// Writes one line. Spaces, opening brackets and control characters in the name of the bus become `_`.
    pub fn write_frame(&mut self, frame: &Frame<'_>, channels: &Channels) -> io::Result<()> {
        let line = &mut self.line;
        line.clear();
        if let Some(time) = frame.time {
            write_stamp(line, time)?;
        }
        write_name(line, channels.name(frame.channel));
        let raw = frame.id.raw();
        match frame.kind {
            FrameKind::Error => write!(line, " {:08X}#", raw | ERROR_FLAG)?,
            _ if frame.id.is_extended() => write!(line, " {raw:08X}#")?,
            _ => write!(line, " {raw:03X}#")?,
        }
        match frame.kind {
            FrameKind::Remote { length: 0 } => line.push(b'R'),
            FrameKind::Remote { length } => write!(line, "R{}", length.min(8))?,
            FrameKind::Fd { .. } => write!(line, "#{:X}", fd_flags(frame.kind))?,
            FrameKind::Data | FrameKind::Error => {}
        }
        for &byte in frame.data.iter().take(MAX_DATA) {
            line.extend([hex_digit(byte >> 4), hex_digit(byte & 0x0F)]);
        }
        line.push(b'\n');
        self.to.write_all(line)
    }

    /// Passes on everything written so far.
    pub fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }

    /// What is written to: between two frames whole lines are in it.
    pub const fn get_mut(&mut self) -> &mut W {
        &mut self.to
    }

    /// What was written to.
    pub fn into_inner(self) -> W {
        self.to
    }
}

const fn hex_digit(nibble: u8) -> u8 {
    if nibble < 10 {
        b'0' + nibble
    } else {
        b'A' + nibble - 10
    }
}

fn write_stamp(line: &mut Vec<u8>, time: Timestamp) -> io::Result<()> {
    let nanos = time.nanos().unsigned_abs();
    let (whole, rest) = (nanos / NANOS_PER_SECOND, nanos % NANOS_PER_SECOND);
    let sign = if time.nanos() < 0 { "-" } else { "" };
    if rest.is_multiple_of(1_000) {
        write!(line, "({sign}{whole:010}.{:06}) ", rest / 1_000)
    } else {
        write!(line, "({sign}{whole:010}.{rest:09}) ")
    }
}

fn write_name(line: &mut Vec<u8>, name: &str) {
    if name.is_empty() {
        line.push(b'_');
    }
    line.extend(name.bytes().map(|byte| {
        if matches!(byte, 0..=b' ' | b'(' | 0x7F) {
            b'_'
        } else {
            byte
        }
    }));
}

/// Writes pcapng: one section, an interface for each bus when its first frame comes, nanoseconds.
#[derive(Debug)]
pub struct PcapngWriter<W> {
    to: W,
    block: Vec<u8>,
    /// The interface of each channel, by channel index.
    interfaces: Vec<Option<u32>>,
    count: u32,
}

const SECTION_HEADER: u32 = 0x0A0D_0D0A;
const BYTE_ORDER_MAGIC: u32 = 0x1A2B_3C4D;
const INTERFACE_DESCRIPTION: u32 = 1;
const ENHANCED_PACKET: u32 = 6;
const OPTION_NAME: u16 = 2;
const OPTION_RESOLUTION: u16 = 9;
/// Ten to the power of minus nine seconds.
const NANOSECONDS: u8 = 9;

impl<W: Write> PcapngWriter<W> {
    /// Writes the section header.
    pub fn new(to: W) -> io::Result<Self> {
        let mut writer = Self {
            to,
            block: Vec::new(),
            interfaces: Vec::new(),
            count: 0,
        };
        writer.begin(SECTION_HEADER);
        writer.put(&BYTE_ORDER_MAGIC.to_le_bytes());
        writer.put(&1_u16.to_le_bytes());
        writer.put(&0_u16.to_le_bytes());
        writer.put(&u64::MAX.to_le_bytes());
        writer.end()?;
        Ok(writer)
    }

    /// Writes one packet, and before it the description of its bus if that is new.
    ///
    /// A frame without a time gets the clock's zero; one from before it is an error.
    pub fn write_frame(&mut self, frame: &Frame<'_>, channels: &Channels) -> io::Result<()> {
        let nanos = frame.time.map_or(0, Timestamp::nanos);
        let nanos = u64::try_from(nanos).map_err(|_| {
            let text = "a pcapng file cannot hold a time before its clock's zero";
            io::Error::new(io::ErrorKind::InvalidInput, text)
        })?;
        let interface = self.interface(frame, channels)?;
        let flags = match frame.kind {
            FrameKind::Fd { .. } => FD_FORMAT | fd_flags(frame.kind),
            FrameKind::Data | FrameKind::Remote { .. } | FrameKind::Error => 0,
        };
        let data = frame.data.get(..MAX_DATA).unwrap_or(frame.data);
        let length = match frame.kind {
            FrameKind::Remote { length } => length,
            _ => u8::try_from(data.len()).unwrap_or(u8::MAX),
        };
        let size = u32::try_from(8 + data.len()).unwrap_or(u32::MAX);

        self.begin(ENHANCED_PACKET);
        self.put(&interface.to_le_bytes());
        let [a, b, c, d, upper @ ..] = nanos.to_le_bytes();
        self.put(&upper);
        self.put(&[a, b, c, d]);
        self.put(&size.to_le_bytes());
        self.put(&size.to_le_bytes());
        self.put(&socketcan_id(frame.id, frame.kind).to_be_bytes());
        self.put(&[length, flags, 0, 0]);
        self.put(data);
        self.end()
    }

    /// Passes on everything written so far.
    pub fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }

    /// What is written to: between two frames whole blocks are in it.
    pub const fn get_mut(&mut self) -> &mut W {
        &mut self.to
    }

    /// What was written to.
    pub fn into_inner(self) -> W {
        self.to
    }

    fn interface(&mut self, frame: &Frame<'_>, channels: &Channels) -> io::Result<u32> {
        let index = usize::from(frame.channel.0);
        if let Some(Some(interface)) = self.interfaces.get(index) {
            return Ok(*interface);
        }
        self.begin(INTERFACE_DESCRIPTION);
        self.put(&LINKTYPE_CAN_SOCKETCAN.to_le_bytes());
        self.put(&[0; 6]);
        let name = channels.name(frame.channel).as_bytes();
        let name = name.get(..usize::from(u16::MAX)).unwrap_or(name);
        self.option(OPTION_NAME, name);
        self.option(OPTION_RESOLUTION, &[NANOSECONDS]);
        self.option(0, &[]);
        self.end()?;
        let interface = self.count;
        self.count += 1;
        if self.interfaces.len() <= index {
            self.interfaces.resize(index + 1, None);
        }
        if let Some(slot) = self.interfaces.get_mut(index) {
            *slot = Some(interface);
        }
        Ok(interface)
    }

    /// Starts a block; its length is not known yet.
    fn begin(&mut self, kind: u32) {
        self.block.clear();
        self.put(&kind.to_le_bytes());
        self.put(&[0; 4]);
    }

    fn put(&mut self, bytes: &[u8]) {
        self.block.extend_from_slice(bytes);
    }

    fn option(&mut self, code: u16, value: &[u8]) {
        self.put(&code.to_le_bytes());
        self.put(&u16::try_from(value.len()).unwrap_or(0).to_le_bytes());
        self.put(value);
        self.pad();
    }

    fn pad(&mut self) {
        let length = self.block.len().next_multiple_of(4);
        self.block.resize(length, 0);
    }

    /// Puts the length in front and at the end, and writes the block.
    fn end(&mut self) -> io::Result<()> {
        self.pad();
        let length = u32::try_from(self.block.len() + 4).unwrap_or(u32::MAX);
        let length = length.to_le_bytes();
        for (to, from) in self.block.iter_mut().skip(4).zip(length) {
            *to = from;
        }
        self.put(&length);
        self.to.write_all(&self.block)
    }
}

/// The identifier with Linux's flags.
const fn socketcan_id(id: CanId, kind: FrameKind) -> u32 {
    let raw = id.raw();
    match kind {
        FrameKind::Error => raw | ERROR_FLAG,
        FrameKind::Remote { .. } if id.is_extended() => raw | EXTENDED_FLAG | REMOTE_FLAG,
        FrameKind::Remote { .. } => raw | REMOTE_FLAG,
        FrameKind::Data | FrameKind::Fd { .. } if id.is_extended() => raw | EXTENDED_FLAG,
        FrameKind::Data | FrameKind::Fd { .. } => raw,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::capture::{Capture, Item};

    #[derive(Clone, Debug, PartialEq)]
    struct Owned {
        time: Option<Timestamp>,
        name: String,
        id: CanId,
        kind: FrameKind,
        data: Vec<u8>,
    }

    fn id() -> impl Strategy<Value = CanId> {
        prop_oneof![
            (0_u32..=CanId::MAX_STANDARD).prop_map(CanId::standard_masked),
            (0_u32..=CanId::MAX_EXTENDED).prop_map(CanId::extended_masked),
        ]
    }

    fn bytes(most: usize) -> impl Strategy<Value = Vec<u8>> {
        prop::collection::vec(any::<u8>(), 0..=most)
    }

    fn body() -> impl Strategy<Value = (CanId, FrameKind, Vec<u8>)> {
        let fd = (any::<bool>(), any::<bool>()).prop_map(|(bit_rate_switch, error_passive)| {
            FrameKind::Fd {
                bit_rate_switch,
                error_passive,
            }
        });
        prop_oneof![
            4 => (id(), bytes(8)).prop_map(|(id, data)| (id, FrameKind::Data, data)),
            2 => (id(), fd, bytes(64)),
            1 => (id(), 0_u8..=8).prop_map(|(id, length)| (id, FrameKind::Remote { length }, Vec::new())),
            1 => (0_u32..=CanId::MAX_EXTENDED, bytes(8))
                .prop_map(|(id, data)| (CanId::extended_masked(id), FrameKind::Error, data)),
        ]
    }

    fn frames(times: impl Strategy<Value = Option<i64>>) -> impl Strategy<Value = Vec<Owned>> {
        let name = prop_oneof!["v?can[0-9]{1,3}", Just("0".to_owned()), "[!-'*-~]{1,15}"];
        let frame = (times, name, body()).prop_map(|(nanos, name, (id, kind, data))| Owned {
            time: nanos.map(Timestamp::from_nanos),
            name,
            id,
            kind,
            data,
        });
        prop::collection::vec(frame, 1..40)
    }

    fn read(written: Vec<u8>) -> Vec<Owned> {
        let mut capture =
            Capture::from_reader(Box::new(io::Cursor::new(written)), "written").unwrap();
        let mut found = Vec::new();
        while let Some(item) = capture.next_item().unwrap() {
            let Item::Can(frame) = item else {
                panic!("only frames were written");
            };
            let (channel, owned) = (
                frame.channel,
                Owned {
                    time: frame.time,
                    name: String::new(),
                    id: frame.id,
                    kind: frame.kind,
                    data: frame.data.to_vec(),
                },
            );
            let name = capture.channels().name(channel).to_owned();
            found.push(Owned { name, ..owned });
        }
        assert_eq!(capture.tally().unreadable(), 0);
        found
    }

    fn each(frames: &[Owned], mut write: impl FnMut(&Frame<'_>, &Channels)) {
        let mut channels = Channels::default();
        for frame in frames {
            let channel = channels.intern(&frame.name);
            let frame = Frame {
                number: 0,
                time: frame.time,
                channel,
                id: frame.id,
                kind: frame.kind,
                data: &frame.data,
            };
            write(&frame, &channels);
        }
    }

    proptest! {
        #[test]
        fn candump_is_read_back_equal(frames in frames(any::<Option<i64>>())) {
            let mut writer = CandumpWriter::new(Vec::new());
            each(&frames, |frame, channels| writer.write_frame(frame, channels).unwrap());
            prop_assert_eq!(read(writer.into_inner()), frames);
        }

        #[test]
        fn pcapng_is_read_back_equal(frames in frames((0..i64::MAX).prop_map(Some))) {
            let mut writer = PcapngWriter::new(Vec::new()).unwrap();
            each(&frames, |frame, channels| writer.write_frame(frame, channels).unwrap());
            prop_assert_eq!(read(writer.into_inner()), frames);
        }
    }

    #[test]
    fn what_a_format_cannot_hold_is_said() {
        let mut channels = Channels::default();
        let frame = Frame {
            number: 1,
            time: Some(Timestamp::from_nanos(-1)),
            channel: channels.intern("front bus\n"),
            id: CanId::standard_masked(0x123),
            kind: FrameKind::Data,
            data: &[],
        };
        let mut writer = CandumpWriter::new(Vec::new());
        writer.write_frame(&frame, &channels).unwrap();
        assert_eq!(
            writer.into_inner(),
            b"(-0000000000.000000001) front_bus_ 123#\n"
        );
        let mut writer = PcapngWriter::new(Vec::new()).unwrap();
        let error = writer.write_frame(&frame, &channels).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::InvalidInput);
    }
}

//! Opening a capture: recognise what it is from its first bytes, then hand out its items one by one.

use std::fs::File;
use std::io::{self, Read, Seek};
use std::path::Path;

use super::candump::{self, Lines};
use super::input::{CAPACITY, Input};
use super::mdf4::{self, Log, Store};
use super::pcap::{self, Records};
use super::pcapng::{self, Blocks};
use super::source::Source;
use super::{Found, Item, Kind, Packet, Remark, Tally};
use crate::frame::{Channels, Frame, Timestamp};

/// How far into a text a frame is looked for, in bytes.
const LOOK_INTO: usize = 64 << 10;

/// A clock that goes back by more than this many nanoseconds is counted.
const CLOCK_BACK_NANOS: i64 = 1_000_000_000;

/// A capture that is being read.
///
/// ```
/// use tonering::capture::{Capture, Item};
///
/// let text: &[u8] = b"(1700000000.100000) can0 7DF#02010C\n";
/// let mut capture = Capture::from_reader(Box::new(text), "a pipe")?;
/// let Some(Item::Can(frame)) = capture.next_item()? else {
///     panic!("the line holds a frame");
/// };
/// assert_eq!(frame.id.to_string(), "0x7DF");
/// assert_eq!(frame.data, [0x02, 0x01, 0x0C]);
/// assert!(capture.next_item()?.is_none());
/// assert_eq!(capture.tally().frames, 1);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
pub struct Capture {
    name: String,
    kind: Kind,
    input: Input,
    reader: Reader,
    channels: Channels,
    tally: Tally,
    last_nanos: i64,
}

#[derive(Debug)]
enum Reader {
    Text(Box<Lines>),
    Pcap(Records),
    Pcapng(Blocks),
    Mdf4(Box<Log>),
}

/// Why a capture cannot be read at all.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OpenError {
    /// It cannot be opened or its first bytes cannot be read.
    #[error("{name}: cannot be read")]
    Read {
        /// The file, or what the caller named the stream.
        name: String,
        /// What the system said.
        source: io::Error,
    },
    /// It is a folder.
    #[error("{name}: is a folder; name the capture files in it")]
    Folder {
        /// The folder.
        name: String,
    },
    /// There is not a single byte.
    #[error("{name}: is empty; a capture has at least one frame")]
    Empty {
        /// The file or stream.
        name: String,
    },
    /// It is packed in a way that is not read.
    #[error(
        "{name}: is packed with {packing}; unpack it first (gzip and zstd are unpacked on the way)"
    )]
    Packed {
        /// The file or stream.
        name: String,
        /// The name of the packing.
        packing: &'static str,
    },
    /// It begins like a kind that is read, but ends within its header.
    #[error("{name}: ends within the header of its {kind} file")]
    CutOff {
        /// The file or stream.
        name: String,
        /// The kind.
        kind: Kind,
    },
    /// It is a measurement file of a version before 4.
    #[error("{name}: is an MDF file older than version 4; convert it to MDF 4")]
    OldMdf {
        /// The file or stream.
        name: String,
    },
    /// It is an MDF 4 file that would have to be held in memory as a whole.
    #[error(
        "{name}: an MDF 4 file that is packed or comes from a pipe may have {limit} bytes at most; \
         unpack it and name the file"
    )]
    TooLarge {
        /// The file or stream.
        name: String,
        /// In bytes.
        limit: u64,
    },
    /// It is none of the kinds that are read.
    #[error(
        "{name}: unknown kind of capture (starts with {head:02X?}); candump text, pcap, pcapng and MDF 4 are read, \
         also packed with gzip or zstd"
    )]
    UnknownKind {
        /// The file or stream.
        name: String,
        /// Its first bytes, four at most.
        head: Vec<u8>,
    },
}

/// Why a capture could be read only up to a place: the file or pipe itself failed.
#[derive(Debug, thiserror::Error)]
#[error("{name}: cannot be read further than byte {offset}")]
pub struct ReadError {
    /// The file or stream.
    pub name: String,
    /// How far it was read, in bytes of the unpacked stream.
    pub offset: u64,
    /// What the system said.
    pub source: io::Error,
}

impl Capture {
    /// Opens a file.
    pub fn open(path: &Path) -> Result<Self, OpenError> {
        let name = path.display().to_string();
        let opened = File::open(path).and_then(|file| Ok((file.metadata()?, file)));
        let (data, mut file) = match opened {
            Ok(opened) => opened,
            Err(source) => return Err(OpenError::Read { name, source }),
        };
        if data.is_dir() {
            return Err(OpenError::Folder { name });
        }
        if data.is_file() {
            match begins_like_mdf(&mut file) {
                Ok(true) => {
                    let (length, read) = (data.len(), 0);
                    let store = Store::File { file, length, read };
                    return Self::from_store(store, name, Input::none());
                }
                Ok(false) => {}
                Err(source) => return Err(OpenError::Read { name, source }),
            }
        }
        Self::from_reader(Box::new(file), &name)
    }

    fn from_store(store: Store, name: String, input: Input) -> Result<Self, OpenError> {
        let mut tally = Tally::default();
        let log = match Log::open(store, &mut tally) {
            Ok(Ok(log)) => log,
            Ok(Err(mdf4::Refusal::Old)) => return Err(OpenError::OldMdf { name }),
            Ok(Err(mdf4::Refusal::CutOff)) => {
                let kind = Kind::Mdf4;
                return Err(OpenError::CutOff { name, kind });
            }
            Err(source) => return Err(OpenError::Read { name, source }),
        };
        Ok(Self {
            name,
            kind: Kind::Mdf4,
            input,
            reader: Reader::Mdf4(Box::new(log)),
            channels: Channels::default(),
            tally,
            last_nanos: i64::MIN,
        })
    }

    /// Reads a stream; `name` stands for it in errors.
    pub fn from_reader(reader: Box<dyn Read + Send>, name: &str) -> Result<Self, OpenError> {
        let unreadable = |source| OpenError::Read {
            name: name.to_owned(),
            source,
        };
        let mut input = Input::new(Source::new(reader).map_err(unreadable)?);
        input.ensure(MAGIC).map_err(unreadable)?;
        if mdf4::is_mdf(input.window()) {
            let bytes = read_whole(&mut input).map_err(unreadable)?;
            let name = name.to_owned();
            let limit = mdf4::MAX_HELD;
            return match bytes {
                Some(bytes) => Self::from_store(Store::Memory(bytes), name, input),
                None => Err(OpenError::TooLarge { name, limit }),
            };
        }
        let mut channels = Channels::default();
        let seen = recognise(&mut input, &mut channels).map_err(unreadable)?;
        let (kind, reader) = seen.map_err(|refusal| refusal.into_error(name.to_owned(), &input))?;
        Ok(Self {
            name: name.to_owned(),
            kind,
            input,
            reader,
            channels,
            tally: Tally::default(),
            last_nanos: i64::MIN,
        })
    }

    /// What kind it is.
    pub const fn kind(&self) -> Kind {
        self.kind
    }

    /// The file's path, or what the caller named the stream.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The next frame or packet; `None` at the end. Damage is passed over and counted in the [`Tally`].
    ///
    /// An error means that the file or pipe itself failed; what was read before stays valid.
    #[inline]
    pub fn next_item(&mut self) -> Result<Option<Item<'_>>, ReadError> {
        let Self {
            name,
            input,
            reader,
            channels,
            tally,
            last_nanos,
            ..
        } = self;
        let found = match reader {
            Reader::Text(lines) => match lines.next(input, channels, tally) {
                Ok(Some(frame)) => {
                    tally.frames += 1;
                    watch_clock(frame.time, frame.number, last_nanos, input, tally);
                    return Ok(Some(Item::Can(frame)));
                }
                Ok(None) => Ok(None),
                Err(error) => Err(error),
            },
            Reader::Mdf4(log) => match log.next(channels, tally) {
                Ok(Some(frame)) => {
                    tally.frames += 1;
                    watch_clock(frame.time, frame.number, last_nanos, input, tally);
                    return Ok(Some(Item::Can(frame)));
                }
                Ok(None) => Ok(None),
                Err(error) => Err(error),
            },
            Reader::Pcap(records) => records.next(input, channels, tally),
            Reader::Pcapng(blocks) => blocks.next(input, channels, tally),
        };
        match found {
            Ok(Some(found)) => {
                tally.frames += 1;
                watch_clock(found.time, found.number, last_nanos, input, tally);
                Ok(Some(item(found, input)))
            }
            Ok(None) => {
                if input.is_damaged() && !tally.has(Remark::Compression) {
                    tally.add(Remark::Compression, tally.frames + 1, input.offset());
                }
                Ok(None)
            }
            Err(source) => Err(ReadError {
                name: name.clone(),
                offset: input.offset(),
                source,
            }),
        }
    }

    /// The buses seen so far.
    pub const fn channels(&self) -> &Channels {
        &self.channels
    }

    /// What was counted so far.
    pub const fn tally(&self) -> &Tally {
        &self.tally
    }

    /// How many bytes of the file or stream were read so far, before unpacking: for progress.
    pub fn bytes_read(&self) -> u64 {
        let of_file = match &self.reader {
            Reader::Mdf4(log) => log.bytes_read(),
            Reader::Text(_) | Reader::Pcap(_) | Reader::Pcapng(_) => None,
        };
        of_file.unwrap_or_else(|| self.input.bytes_read())
    }
}

/// How many bytes tell MDF 4.
const MAGIC: usize = 8;

/// Looks at the first bytes of a file, and goes back to its front.
fn begins_like_mdf(file: &mut File) -> io::Result<bool> {
    let mut head = Vec::new();
    file.take(MAGIC as u64).read_to_end(&mut head)?;
    file.rewind()?;
    Ok(mdf4::is_mdf(&head))
}

/// All of a stream; `None` where it is longer than what is held.
fn read_whole(input: &mut Input) -> io::Result<Option<Vec<u8>>> {
    let mut bytes = Vec::new();
    loop {
        let place = input.take(CAPACITY);
        bytes.extend_from_slice(input.bytes(place));
        if bytes.len() as u64 > mdf4::MAX_HELD {
            return Ok(None);
        }
        if !input.more()? {
            return Ok(Some(bytes));
        }
    }
}

fn item(found: Found, input: &Input) -> Item<'_> {
    let Found {
        number,
        time,
        channel,
        can,
        data,
    } = found;
    let data = input.bytes(data);
    match can {
        Some((id, kind)) => Item::Can(Frame {
            number,
            time,
            channel,
            id,
            kind,
            data,
        }),
        None => Item::Ethernet(Packet {
            number,
            time,
            channel,
            data,
        }),
    }
}

#[inline]
fn watch_clock(
    time: Option<Timestamp>,
    number: u64,
    last_nanos: &mut i64,
    input: &Input,
    tally: &mut Tally,
) {
    if let Some(time) = time {
        let nanos = time.nanos();
        if last_nanos.saturating_sub(nanos) > CLOCK_BACK_NANOS {
            tally.add(Remark::ClockBack, number, input.offset());
        }
        *last_nanos = nanos;
    }
}

/// Why a stream is not read, before its name is known.
enum Refusal {
    Empty,
    Packed(&'static str),
    CutOff(Kind),
    Unknown,
}

impl Refusal {
    fn into_error(self, name: String, input: &Input) -> OpenError {
        match self {
            Self::Empty => OpenError::Empty { name },
            Self::Packed(packing) => OpenError::Packed { name, packing },
            Self::CutOff(kind) => OpenError::CutOff { name, kind },
            Self::Unknown => OpenError::UnknownKind {
                name,
                head: input.window().iter().take(4).copied().collect(),
            },
        }
    }
}

/// First bytes of packings that are not unpacked here, or not a second time.
const PACKINGS: &[(&[u8], &str)] = &[
    (b"PK\x03\x04", "zip"),
    (b"7z\xBC\xAF\x27\x1C", "7z"),
    (b"\xFD7zXZ\x00", "xz"),
    (b"BZh", "bzip2"),
    (b"\x04\x22\x4D\x18", "lz4"),
    (b"\x1F\x8B", "gzip twice"),
    (b"\x28\xB5\x2F\xFD", "zstd twice"),
];

fn recognise(
    input: &mut Input,
    channels: &mut Channels,
) -> io::Result<Result<(Kind, Reader), Refusal>> {
    input.ensure(4)?;
    let Some(&head) = input.window().first_chunk() else {
        return Ok(Err(match input.window().len() {
            0 => Refusal::Empty,
            _ => Refusal::Unknown,
        }));
    };
    if let Some(form) = pcap::form(head) {
        return Ok(match Records::open(form, input, channels)? {
            Some(records) => Ok((Kind::Pcap, Reader::Pcap(records))),
            None => Err(Refusal::CutOff(Kind::Pcap)),
        });
    }
    if head == pcapng::SECTION_HEADER {
        return Ok(Ok((Kind::Pcapng, Reader::Pcapng(Blocks::new()))));
    }
    recognise_text(input)
}

/// Looks for a line of candump in the first [`LOOK_INTO`] bytes; reads no more of a pipe than it must.
fn recognise_text(input: &mut Input) -> io::Result<Result<(Kind, Reader), Refusal>> {
    loop {
        let window = input.window();
        let head = window.get(..LOOK_INTO).unwrap_or(window);
        let is_full = head.len() == LOOK_INTO;
        let sight = candump::look(head, input.is_ended() && !is_full);
        let is_last = is_full || input.is_ended();
        match sight {
            Some(sight) if sight.is_sure || is_last => {
                let lines = Box::new(Lines::new(sight.is_difference));
                return Ok(Ok((sight.kind, Reader::Text(lines))));
            }
            None if is_last => {
                let packing = PACKINGS
                    .iter()
                    .find(|(magic, _)| input.window().starts_with(magic));
                return Ok(Err(match packing {
                    Some((_, packing)) => Refusal::Packed(packing),
                    None => Refusal::Unknown,
                }));
            }
            _ => {
                input.more()?;
            }
        }
    }
}

//! Where bytes come from: a file or a pipe, as it is or packed with gzip or zstd.
//!
//! Packing is recognised from the first bytes. Several gzip members and several zstd frames in one stream are read
//! one after the other, as their tools do. What was unpacked before a damaged place is given in full.
//! Limits: [`MAX_RATIO`] against streams that grow without end, [`MAX_WINDOW`] for the memory of zstd.
//!
//! Source: RFC 1952 (gzip), RFC 8878 (zstd).

use std::fmt;
use std::io::{self, BufRead, BufReader, Read};

use flate2::bufread::GzDecoder;
use ruzstd::decoding::errors::{FrameDecoderError, ReadFrameHeaderError};
use ruzstd::decoding::{BlockDecodingStrategy, FrameDecoder};

/// A stream that unpacks to more than this many times its size is given up...
pub(super) const MAX_RATIO: u64 = 1_000;
/// ...once it has given this many bytes.
pub(super) const RATIO_FREE: u64 = 64 << 20;
/// Largest window of a zstd frame, in bytes; its command line tool makes no larger one unless it is told to.
pub(super) const MAX_WINDOW: u64 = 128 << 20;

const PIECE: usize = 64 << 10;
const GZIP_MAGIC: [u8; 2] = [0x1F, 0x8B];
const ZSTD_MAGIC: [u8; 4] = [0x28, 0xB5, 0x2F, 0xFD];
/// The first byte of a skippable zstd frame is 0x50 to 0x5F, then come these (RFC 8878, 3.1.2).
const ZSTD_SKIPPABLE: [u8; 3] = [0x2A, 0x4D, 0x18];

/// Why no more bytes come.
#[derive(Debug)]
pub(super) enum Fault {
    /// The file or pipe itself failed.
    Io(io::Error),
    /// The packed stream is damaged, ends too early, or grows beyond the limit.
    Packing,
}

/// A stream of bytes, unpacked where it was packed.
#[derive(Debug)]
pub(super) struct Source {
    packing: Packing,
    given: u64,
}

enum Packing {
    None(Counted),
    Gzip(Option<GzDecoder<BufReader<Counted>>>),
    Zstd(Box<Zstd>),
    /// Given up or ended: how many bytes had been read.
    Over(u64),
}

impl fmt::Debug for Packing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::None(_) => "None",
            Self::Gzip(_) => "Gzip",
            Self::Zstd(_) => "Zstd",
            Self::Over(_) => "Over",
        })
    }
}

impl Source {
    /// Looks at the first bytes of `reader` to see how it is packed.
    pub(super) fn new(reader: Box<dyn Read + Send>) -> io::Result<Self> {
        let mut counted = Counted::new(reader);
        counted.peek(4)?;
        let head = counted.head.as_slice();
        let packing = if head.starts_with(&GZIP_MAGIC) {
            Packing::Gzip(Some(GzDecoder::new(BufReader::with_capacity(
                PIECE, counted,
            ))))
        } else if is_zstd(head) {
            Packing::Zstd(Box::new(Zstd::new(counted)))
        } else {
            Packing::None(counted)
        };
        Ok(Self { packing, given: 0 })
    }

    /// A source that has ended.
    pub(super) const fn none() -> Self {
        Self {
            packing: Packing::Over(0),
            given: 0,
        }
    }

    /// How many bytes of the file or pipe were read so far, still packed.
    pub(super) fn bytes_read(&self) -> u64 {
        match &self.packing {
            Packing::None(counted) => counted.count,
            Packing::Gzip(decoder) => decoder
                .as_ref()
                .map_or(0, |decoder| decoder.get_ref().get_ref().count),
            Packing::Zstd(zstd) => zstd.source.get_ref().count,
            Packing::Over(count) => *count,
        }
    }

    /// Some more bytes; 0 at the end.
    pub(super) fn read(&mut self, into: &mut [u8]) -> Result<usize, Fault> {
        if into.is_empty() {
            return Ok(0);
        }
        let count = match &mut self.packing {
            Packing::None(counted) => return counted.read(into).map_err(Fault::Io),
            Packing::Gzip(decoder) => read_gzip(decoder, into),
            Packing::Zstd(zstd) => zstd.read(into),
            Packing::Over(_) => return Ok(0),
        };
        let count = match count {
            Ok(count) => count,
            Err(error) => return Err(self.give_up(error)),
        };
        self.given = self.given.saturating_add(count as u64);
        let allowed = self.bytes_read().saturating_mul(MAX_RATIO).max(RATIO_FREE);
        if self.given > allowed {
            self.packing = Packing::Over(self.bytes_read());
            return Err(Fault::Packing);
        }
        Ok(count)
    }

    /// Tells a failing file from a damaged stream, and reads no further.
    fn give_up(&mut self, error: io::Error) -> Fault {
        let failed = match &self.packing {
            Packing::Gzip(Some(decoder)) => decoder.get_ref().get_ref().failed,
            Packing::Zstd(zstd) => zstd.source.get_ref().failed,
            Packing::None(_) | Packing::Gzip(None) | Packing::Over(_) => false,
        };
        self.packing = Packing::Over(self.bytes_read());
        if failed {
            Fault::Io(error)
        } else {
            Fault::Packing
        }
    }
}

fn is_zstd(head: &[u8]) -> bool {
    head.starts_with(&ZSTD_MAGIC)
        || head
            .split_first()
            .is_some_and(|(first, rest)| first >> 4 == 5 && rest.starts_with(&ZSTD_SKIPPABLE))
}

/// Reads from the gzip member at hand, and goes on to the next when it ends. Zero bytes after a member are padding.
fn read_gzip(
    decoder: &mut Option<GzDecoder<BufReader<Counted>>>,
    into: &mut [u8],
) -> io::Result<usize> {
    loop {
        let Some(member) = decoder else {
            return Ok(0);
        };
        let count = member.read(into)?;
        if count > 0 {
            return Ok(count);
        }
        let rest = member.get_mut();
        let next = loop {
            let piece = rest.fill_buf()?;
            let zeros = piece.iter().take_while(|&&byte| byte == 0).count();
            match piece.get(zeros) {
                Some(&byte) => {
                    rest.consume(zeros);
                    break Some(byte);
                }
                None if piece.is_empty() => break None,
                None => rest.consume(zeros),
            }
        };
        match next {
            None => return Ok(0),
            Some(byte) if byte == GZIP_MAGIC[0] => {
                *decoder = decoder
                    .take()
                    .map(|member| GzDecoder::new(member.into_inner()));
            }
            Some(_) => return Err(io::ErrorKind::InvalidData.into()),
        }
    }
}

/// A zstd stream: frames one after the other.
struct Zstd {
    decoder: FrameDecoder,
    source: BufReader<Counted>,
    /// Whether a frame has begun and not yet given its last byte.
    within: bool,
    /// What ended the stream in the middle of a frame; told once all is given that was decoded before.
    damage: Option<io::Error>,
}

/// A last, empty raw block and a checksum of no meaning: makes the decoder give out what it still holds.
const ZSTD_CLOSING: [u8; 7] = [1, 0, 0, 0, 0, 0, 0];

impl Zstd {
    fn new(counted: Counted) -> Self {
        let mut decoder = FrameDecoder::new();
        decoder.set_max_window_size(MAX_WINDOW);
        Self {
            decoder,
            source: BufReader::with_capacity(PIECE, counted),
            within: false,
            damage: None,
        }
    }

    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        loop {
            if !self.within {
                if let Some(damage) = self.damage.take() {
                    return Err(damage);
                }
                if self.source.fill_buf()?.is_empty() {
                    return Ok(0);
                }
                match self.decoder.init(&mut self.source) {
                    Ok(()) => self.within = true,
                    Err(FrameDecoderError::ReadFrameHeaderError(
                        ReadFrameHeaderError::SkipFrame { length, .. },
                    )) => {
                        let mut skipped = (&mut self.source).take(u64::from(length));
                        io::copy(&mut skipped, &mut io::sink())?;
                    }
                    Err(error) => return Err(io::Error::other(error)),
                }
                continue;
            }
            while self.decoder.can_collect() == 0 && !self.decoder.is_finished() {
                self.decode_block();
            }
            let count = self.decoder.read(into)?;
            if count > 0 {
                return Ok(count);
            }
            self.within = false;
            if self.damage.is_none() && !self.checksum_holds() {
                return Err(io::ErrorKind::InvalidData.into());
            }
        }
    }

    fn decode_block(&mut self) {
        let strategy = BlockDecodingStrategy::UptoBlocks(1);
        if let Err(error) = self.decoder.decode_blocks(&mut self.source, strategy) {
            self.damage = Some(io::Error::other(error));
            let closed = self
                .decoder
                .decode_blocks(ZSTD_CLOSING.as_slice(), BlockDecodingStrategy::All);
            if closed.is_err() {
                // It holds on to what it has; a fresh one has nothing left to give.
                self.decoder = FrameDecoder::new();
            }
        }
    }

    fn checksum_holds(&self) -> bool {
        match (
            self.decoder.get_checksum_from_data(),
            self.decoder.get_calculated_checksum(),
        ) {
            (Some(told), Some(counted)) => told == counted,
            _ => true,
        }
    }
}

/// The file or pipe: counts what is read, remembers a failure, and can be looked into at its start.
struct Counted {
    inner: Box<dyn Read + Send>,
    head: Vec<u8>,
    count: u64,
    failed: bool,
}

impl Counted {
    fn new(inner: Box<dyn Read + Send>) -> Self {
        Self {
            inner,
            head: Vec::new(),
            count: 0,
            failed: false,
        }
    }

    /// Reads the first `length` bytes, or all there are, into `head`; they are read again later.
    fn peek(&mut self, length: usize) -> io::Result<()> {
        let mut piece = [0; 16];
        while self.head.len() < length {
            let count = self.read_inner(&mut piece)?;
            if count == 0 {
                break;
            }
            self.head.extend(piece.iter().take(count));
        }
        Ok(())
    }

    fn read_inner(&mut self, into: &mut [u8]) -> io::Result<usize> {
        loop {
            match self.inner.read(into) {
                Ok(count) => {
                    self.count = self.count.saturating_add(count as u64);
                    return Ok(count);
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => {
                    self.failed = true;
                    return Err(error);
                }
            }
        }
    }
}

impl Read for Counted {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.head.is_empty() {
            return self.read_inner(into);
        }
        let count = self.head.len().min(into.len());
        for (to, from) in into.iter_mut().zip(self.head.drain(..count)) {
            *to = from;
        }
        Ok(count)
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use flate2::Compression;
    use flate2::write::GzEncoder;

    use super::*;

    fn unpack(bytes: Vec<u8>) -> (Vec<u8>, Option<Fault>) {
        let mut source = Source::new(Box::new(io::Cursor::new(bytes))).unwrap();
        let mut all = Vec::new();
        let mut piece = vec![0; 5_000];
        loop {
            match source.read(&mut piece) {
                Ok(0) => return (all, None),
                Ok(count) => all.extend_from_slice(&piece[..count]),
                Err(fault) => return (all, Some(fault)),
            }
        }
    }

    fn gzip(text: &[u8]) -> Vec<u8> {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
        encoder.write_all(text).unwrap();
        encoder.finish().unwrap()
    }

    fn zstd(text: &[u8]) -> Vec<u8> {
        ruzstd::encoding::compress_to_vec(text, ruzstd::encoding::CompressionLevel::Fastest)
    }

    fn text() -> Vec<u8> {
        (0..20_000_u32)
            .flat_map(|n| format!("line {n} {}\n", n.wrapping_mul(2_654_435_761)).into_bytes())
            .collect()
    }

    #[test]
    fn packed_pieces_follow_one_another() {
        let text = text();
        let (first, second) = text.split_at(100_000);
        for pack in [gzip as fn(&[u8]) -> Vec<u8>, zstd] {
            let both = [pack(first), pack(second)].concat();
            let (all, fault) = unpack(both);
            assert!(fault.is_none(), "{fault:?}");
            assert_eq!(all, text);
        }
        let padded = [gzip(first), vec![0; 512], gzip(second), vec![0; 7]].concat();
        assert_eq!(unpack(padded).0, text);
        let skipped = [
            [0x5A, 0x2A, 0x4D, 0x18, 3, 0, 0, 0, 1, 2, 3].to_vec(),
            zstd(&text),
        ]
        .concat();
        assert_eq!(unpack(skipped).0, text);
    }

    #[test]
    fn what_stands_before_the_damage_is_given() {
        let text = text();
        for pack in [gzip as fn(&[u8]) -> Vec<u8>, zstd] {
            let packed = pack(&text);
            let cut = packed.len() * 9 / 10;
            let (all, fault) = unpack(packed[..cut].to_vec());
            assert!(matches!(fault, Some(Fault::Packing)), "{fault:?}");
            assert!(text.starts_with(&all));
            assert!(
                all.len() > text.len() / 3,
                "{} of {}",
                all.len(),
                text.len()
            );

            let mut flipped = packed.clone();
            *flipped.last_mut().unwrap() ^= 0x40;
            let (all, fault) = unpack(flipped);
            assert_eq!(all.len(), text.len());
            assert!(matches!(fault, Some(Fault::Packing)), "{fault:?}");
        }
        let trailing = [gzip(&text), b"junk".to_vec()].concat();
        let (all, fault) = unpack(trailing);
        assert_eq!(all, text);
        assert!(fault.is_some());
    }

    #[test]
    fn a_stream_that_grows_without_end_is_given_up() {
        // One repeated-byte block of 128 KiB takes four bytes in zstd (RFC 8878, 3.1.1.2).
        let mut bomb = vec![0x28, 0xB5, 0x2F, 0xFD, 0x00, 0x58];
        for _ in 0..8_000 {
            bomb.extend([0x02, 0x00, 0x10, b'\n']);
        }
        let mut source = Source::new(Box::new(io::Cursor::new(bomb))).unwrap();
        let mut piece = vec![0; 1 << 20];
        let mut given = 0;
        let fault = loop {
            match source.read(&mut piece) {
                Ok(0) => panic!("ended after {given} bytes"),
                Ok(count) => given += count as u64,
                Err(fault) => break fault,
            }
        };
        assert!(matches!(fault, Fault::Packing));
        assert!(
            (RATIO_FREE - (2 << 20)..RATIO_FREE + (2 << 20)).contains(&given),
            "{given}"
        );
    }

    #[test]
    fn a_failing_file_is_no_damage() {
        struct Failing(io::Cursor<Vec<u8>>);
        impl Read for Failing {
            fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
                match self.0.read(into)? {
                    0 => Err(io::Error::other("the disk is on fire")),
                    count => Ok(count),
                }
            }
        }
        for pack in [gzip as fn(&[u8]) -> Vec<u8>, zstd] {
            let packed = pack(&text());
            let half = packed[..packed.len() / 2].to_vec();
            let mut source = Source::new(Box::new(Failing(io::Cursor::new(half)))).unwrap();
            let mut piece = vec![0; 1 << 20];
            let fault = loop {
                match source.read(&mut piece) {
                    Ok(0) => panic!("no failure seen"),
                    Ok(_) => {}
                    Err(fault) => break fault,
                }
            };
            assert!(matches!(fault, Fault::Io(_)), "{fault:?}");
        }
    }
}

//! What is heard, kept in files while it comes: candump text or pcapng.
//!
//! Whole frames are handed on four times a second to a thread that writes them, and has the disk keep them once a second: a
//! sudden end (of the program or of the power) takes the last second at most, the file can be read at any moment, and a slow disk
//! keeps nobody from hearing. No file is ever overwritten: a number makes a new name. While a file cannot be written, frames are
//! held in memory up to [`MAX_HELD`] and written later.

#![expect(
    clippy::disallowed_methods,
    reason = "the edge is where the clock is read"
)]

use std::fs::{File, OpenOptions};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use tonering::capture::write::{CandumpWriter, PcapngWriter};
use tonering::frame::{Channels, Frame};

use super::super::console::remark;

/// What was heard is handed on at least so often.
const HAND_ON_EVERY: Duration = Duration::from_millis(250);
/// More at a time than this is handed on at once.
const MUCH: usize = 256 << 10;
/// The disk is told to keep what was written so often.
const KEEP_EVERY: Duration = Duration::from_secs(1);
/// A file that cannot be written is tried again so often, at the end so many times.
const RETRY_EVERY: Duration = Duration::from_secs(1);
const LAST_TRIES: u32 = 3;
/// So many bytes wait for a file that cannot be written.
const MAX_HELD: u64 = 32 << 20;

/// When a new file is begun.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Rotation {
    /// At so many bytes.
    pub(super) size: Option<u64>,
    /// After so long.
    pub(super) time: Option<Duration>,
}

impl Rotation {
    const fn is_some(self) -> bool {
        self.size.is_some() || self.time.is_some()
    }
}

/// Frames on their way into files.
#[derive(Debug)]
pub(super) struct Recording {
    rotation: Rotation,
    is_pcapng: bool,
    writer: Writer,
    /// The next piece begins a file.
    begins: bool,
    /// Bytes of the file at hand, written or not.
    bytes: u64,
    began: Instant,
    handed_on: Instant,
    /// Frames that could not even be held.
    dropped: u64,
    pieces: Sender<Piece>,
    thread: JoinHandle<anyhow::Result<()>>,
    state: Arc<Mutex<State>>,
}

/// Whole frames.
#[derive(Debug)]
struct Piece {
    bytes: Vec<u8>,
    begins_file: bool,
}

/// What both sides know.
#[derive(Debug, Default)]
struct State {
    path: PathBuf,
    files: u32,
    written: u64,
    /// Handed on and not written yet.
    waiting: u64,
    is_stuck: bool,
}

#[derive(Debug)]
enum Writer {
    Candump(CandumpWriter<Vec<u8>>),
    Pcapng(PcapngWriter<Vec<u8>>),
}

impl Recording {
    /// Begins the first file. The kind follows from the name's ending: `.pcapng`, or candump text.
    pub(super) fn begin(path: &Path, rotation: Rotation) -> anyhow::Result<Self> {
        let ending = path.extension().and_then(|ending| ending.to_str());
        if let Some(other @ ("gz" | "zst" | "pcap" | "mf4")) = ending {
            anyhow::bail!(
                "{}: recordings are candump text (.log) or pcapng (.pcapng), not {other}; they can be packed afterwards",
                path.display()
            );
        }
        let mut files = Files::begin(path, rotation.is_some())?;
        let name = &files.state().path.clone();
        if name != path && !rotation.is_some() {
            remark(&format!(
                "{} is there already and is not overwritten: recording to {}",
                path.display(),
                name.display()
            ));
        }
        let state = Arc::clone(&files.state);
        let (pieces, given) = channel();
        let thread = std::thread::Builder::new()
            .spawn(move || files.take(&given))
            .context("a thread cannot be had")?;
        let now = Instant::now();
        let is_pcapng = ending == Some("pcapng");
        Ok(Self {
            rotation,
            is_pcapng,
            writer: Writer::new(is_pcapng)?,
            begins: false,
            bytes: 0,
            began: now,
            handed_on: now,
            dropped: 0,
            pieces,
            thread,
            state,
        })
    }

    /// Takes a frame.
    pub(super) fn push(&mut self, frame: &Frame<'_>, channels: &Channels) -> anyhow::Result<()> {
        if self.is_full() {
            self.hand_on();
            self.writer = Writer::new(self.is_pcapng)?;
            self.begins = true;
            self.bytes = 0;
            self.began = Instant::now();
        }
        let pending = self.writer.pending().len() as u64;
        if pending + lock(&self.state).waiting >= MAX_HELD {
            self.dropped += 1;
            return Ok(());
        }
        // Writing to memory fails only for what a format cannot hold.
        if let Err(error) = self.writer.write(frame, channels) {
            self.dropped += 1;
            if self.dropped == 1 {
                remark(&format!("recording: a frame was left out: {error}"));
            }
        }
        Ok(())
    }

    /// To be called often: hands on what is due.
    pub(super) fn tick(&mut self) {
        let pending = self.writer.pending().len();
        if pending > MUCH || pending > 0 && self.handed_on.elapsed() >= HAND_ON_EVERY {
            self.hand_on();
        }
    }

    /// Where it goes and how much there is, in words.
    pub(super) fn words(&self) -> String {
        let state = lock(&self.state);
        let name = state.path.display();
        if state.is_stuck {
            return format!("{name} CANNOT BE WRITTEN; frames are held in memory and tried again");
        }
        let files = match state.files {
            1 => String::new(),
            files => format!(" in {files} files"),
        };
        let lost = match self.dropped {
            0 => String::new(),
            dropped => format!(", {dropped} frames LOST"),
        };
        format!("{name}, {}{files}{lost}", megabytes(state.written))
    }

    /// The last file is done. An error when frames are missing in it.
    pub(super) fn end(mut self) -> anyhow::Result<()> {
        self.hand_on();
        drop(self.pieces);
        let Ok(result) = self.thread.join() else {
            anyhow::bail!("the recording broke off");
        };
        result?;
        if self.dropped > 0 {
            anyhow::bail!(
                "{}: the recording is not whole: {} frames could not be kept",
                lock(&self.state).path.display(),
                self.dropped
            );
        }
        Ok(())
    }

    fn is_full(&mut self) -> bool {
        let bytes = self.bytes + self.writer.pending().len() as u64;
        let full = self.rotation.size.is_some_and(|size| bytes >= size);
        let old = |time| self.began.elapsed() >= time;
        bytes > 0 && (full || self.rotation.time.is_some_and(old))
    }

    fn hand_on(&mut self) {
        let bytes = std::mem::take(self.writer.pending());
        self.handed_on = Instant::now();
        if bytes.is_empty() {
            return;
        }
        let length = bytes.len() as u64;
        self.bytes += length;
        lock(&self.state).waiting += length;
        let begins_file = std::mem::take(&mut self.begins);
        // A thread that has ended tells why at the end.
        let _ = self.pieces.send(Piece { bytes, begins_file });
    }
}

impl Writer {
    fn new(is_pcapng: bool) -> io::Result<Self> {
        Ok(if is_pcapng {
            Self::Pcapng(PcapngWriter::new(Vec::new())?)
        } else {
            Self::Candump(CandumpWriter::new(Vec::new()))
        })
    }

    fn write(&mut self, frame: &Frame<'_>, channels: &Channels) -> io::Result<()> {
        match self {
            Self::Candump(writer) => writer.write_frame(frame, channels),
            Self::Pcapng(writer) => writer.write_frame(frame, channels),
        }
    }

    /// What was not handed on yet.
    const fn pending(&mut self) -> &mut Vec<u8> {
        match self {
            Self::Candump(writer) => writer.get_mut(),
            Self::Pcapng(writer) => writer.get_mut(),
        }
    }
}

fn lock(state: &Mutex<State>) -> MutexGuard<'_, State> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The thread's side: the files.
#[derive(Debug)]
struct Files {
    path: PathBuf,
    is_numbered: bool,
    number: u32,
    file: File,
    kept: Instant,
    /// Written since the disk was told to keep it.
    is_fresh: bool,
    state: Arc<Mutex<State>>,
}

impl Files {
    fn begin(path: &Path, is_numbered: bool) -> anyhow::Result<Self> {
        let mut number = u32::from(is_numbered);
        let (name, file) = create(path, is_numbered, &mut number)?;
        let state = State {
            path: name,
            files: 1,
            ..State::default()
        };
        Ok(Self {
            path: path.to_owned(),
            is_numbered,
            number,
            file,
            kept: Instant::now(),
            is_fresh: false,
            state: Arc::new(Mutex::new(state)),
        })
    }

    fn state(&self) -> MutexGuard<'_, State> {
        lock(&self.state)
    }

    /// Writes what comes, until nothing more will.
    fn take(&mut self, pieces: &Receiver<Piece>) -> anyhow::Result<()> {
        loop {
            match pieces.recv_timeout(KEEP_EVERY) {
                Ok(piece) => {
                    if piece.begins_file {
                        self.next_file();
                    }
                    self.write(piece.bytes, pieces)?;
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            if self.is_fresh && self.kept.elapsed() >= KEEP_EVERY {
                // A disk that fails shows when the next bytes are written.
                let _ = self.file.sync_data();
                self.kept = Instant::now();
                self.is_fresh = false;
            }
        }
        let name = self.state().path.display().to_string();
        let kept = self.file.sync_all();
        kept.with_context(|| format!("{name}: cannot be written"))
    }

    /// Goes on in the file of the next free number; where that cannot be had, in the one at hand.
    fn next_file(&mut self) {
        let _ = self.file.sync_data();
        self.number += 1;
        match create(&self.path, self.is_numbered, &mut self.number) {
            Ok((name, file)) => {
                self.file = file;
                let mut state = self.state();
                state.path = name;
                state.files += 1;
            }
            Err(error) => remark(&format!("{error:#}; the file at hand goes on")),
        }
    }

    /// Writes all of it, however long that takes; only after the end of the listening it is given up after some tries.
    fn write(&mut self, mut bytes: Vec<u8>, pieces: &Receiver<Piece>) -> anyhow::Result<()> {
        let mut later: Vec<Piece> = Vec::new();
        let mut tries = 0;
        loop {
            let written = self.write_some(&mut bytes);
            let name = self.state().path.display().to_string();
            let was_stuck = std::mem::replace(&mut self.state().is_stuck, written.is_err());
            match written {
                Ok(()) => {
                    if was_stuck {
                        remark(&format!("{name}: can be written again"));
                    }
                    break;
                }
                Err(error) if tries < LAST_TRIES => {
                    if !was_stuck {
                        remark(&format!(
                            "{name}: cannot be written ({error}); frames are held in memory and it is tried again"
                        ));
                    }
                }
                Err(error) => {
                    return Err(error).with_context(|| {
                        format!("{name}: the recording is not whole: it cannot be written")
                    });
                }
            }
            match pieces.recv_timeout(RETRY_EVERY) {
                Ok(piece) => later.push(piece),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    tries += 1;
                    std::thread::sleep(RETRY_EVERY);
                }
            }
        }
        for piece in later {
            if piece.begins_file {
                self.next_file();
            }
            self.write(piece.bytes, pieces)?;
        }
        Ok(())
    }

    /// Writes as far as the file takes it; the rest stays.
    fn write_some(&mut self, bytes: &mut Vec<u8>) -> io::Result<()> {
        while !bytes.is_empty() {
            match self.file.write(bytes) {
                Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                Ok(count) => {
                    bytes.drain(..count);
                    self.is_fresh = true;
                    let count = count as u64;
                    let mut state = self.state();
                    state.written += count;
                    state.waiting = state.waiting.saturating_sub(count);
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }
}

/// Makes the file of this number, or of the next number that is free.
fn create(path: &Path, is_numbered: bool, number: &mut u32) -> anyhow::Result<(PathBuf, File)> {
    loop {
        let name = numbered(path, *number, is_numbered);
        match OpenOptions::new().write(true).create_new(true).open(&name) {
            Ok(file) => return Ok((name, file)),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                *number = (*number).max(1) + 1;
            }
            Err(error) => {
                return Err(error)
                    .with_context(|| format!("{}: cannot be written", name.display()));
            }
        }
    }
}

/// `drive.log`, `drive-2.log`; with rotation `drive-001.log`.
fn numbered(path: &Path, number: u32, padded: bool) -> PathBuf {
    if number == 0 {
        return path.to_owned();
    }
    let mut name = path.file_stem().unwrap_or_default().to_owned();
    if padded {
        name.push(format!("-{number:03}"));
    } else {
        name.push(format!("-{number}"));
    }
    if let Some(ending) = path.extension() {
        name.push(".");
        name.push(ending);
    }
    path.with_file_name(name)
}

/// `4.2 MB`.
fn megabytes(bytes: u64) -> String {
    #[expect(clippy::cast_precision_loss, reason = "shown with two digits")]
    let megabytes = bytes as f64 / 1e6;
    format!("{megabytes:.1} MB")
}

#[cfg(test)]
mod tests {
    use tonering::capture::{Capture, Item};
    use tonering::frame::{CanId, FrameKind, Timestamp};

    use super::*;

    fn record(path: &Path, rotation: Rotation, frames: u64) {
        let mut channels = Channels::default();
        let channel = channels.intern("can0");
        let mut recording = Recording::begin(path, rotation).unwrap();
        for number in 1..=frames {
            let frame = Frame {
                number,
                time: Some(Timestamp::from_micros(
                    1_700_000_000_000_000 + i64::try_from(number).unwrap(),
                )),
                channel,
                id: CanId::standard_masked(0x123),
                kind: FrameKind::Data,
                data: &[1, 2, 3, 4],
            };
            recording.push(&frame, &channels).unwrap();
            recording.tick();
        }
        recording.end().unwrap();
    }

    fn frames(path: &Path) -> u64 {
        let mut capture = Capture::open(path).unwrap();
        while let Some(Item::Can(_)) = capture.next_item().unwrap() {}
        assert_eq!(capture.tally().unreadable(), 0);
        capture.tally().frames
    }

    #[test]
    fn nothing_is_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        for (name, second, third) in [
            ("drive.log", "drive-2.log", "drive-3.log"),
            ("drive.pcapng", "drive-2.pcapng", "drive-3.pcapng"),
            ("drive", "drive-2", "drive-3"),
        ] {
            let path = folder.path().join(name);
            record(&path, Rotation::default(), 10);
            record(&path, Rotation::default(), 20);
            record(&path, Rotation::default(), 30);
            assert_eq!(frames(&path), 10);
            assert_eq!(frames(&folder.path().join(second)), 20);
            assert_eq!(frames(&folder.path().join(third)), 30);
        }
    }

    #[test]
    fn files_of_a_size_hold_every_frame_once() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("drive.log");
        std::fs::write(folder.path().join("drive-002.log"), "mine").unwrap();
        let rotation = Rotation {
            size: Some(1_000),
            time: None,
        };
        record(&path, rotation, 100);
        let mut total = 0;
        let mut files = 0;
        for number in [1, 3, 4, 5] {
            let file = folder.path().join(format!("drive-{number:03}.log"));
            let size = std::fs::metadata(&file).unwrap().len();
            assert!(size <= 1_100, "{size}");
            total += frames(&file);
            files += 1;
        }
        assert_eq!((total, files), (100, 4));
        let mine = std::fs::read(folder.path().join("drive-002.log")).unwrap();
        assert_eq!(mine, b"mine");
    }

    #[test]
    fn kinds_that_cannot_grow_are_refused() {
        for name in ["drive.log.gz", "drive.pcap", "drive.mf4"] {
            let error = Recording::begin(Path::new(name), Rotation::default()).unwrap_err();
            assert!(error.to_string().contains(".pcapng"), "{error}");
        }
        let error = Recording::begin(Path::new("no-such-folder/a.log"), Rotation::default());
        assert!(error.is_err());
    }

    /// A disk that is full: the device that always is. What it does not take is written when there is room.
    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_disk_is_told_and_frames_wait() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("drive.log");
        let mut files = Files::begin(&path, false).unwrap();
        files.file = OpenOptions::new().write(true).open("/dev/full").unwrap();
        let mut bytes = b"(1700000000.000000) can0 123#\n".to_vec();
        let length = bytes.len();
        assert!(files.write_some(&mut bytes).is_err());
        assert_eq!((bytes.len(), files.state().written), (length, 0));
        // At the end it is given up, with an error.
        let (pieces, given) = channel::<Piece>();
        drop(pieces);
        let error = files.write(bytes.clone(), &given).unwrap_err();
        assert!(error.to_string().contains("not whole"), "{error}");
        files.file = OpenOptions::new().append(true).open(&path).unwrap();
        files.write(bytes, &given).unwrap();
        assert!(!files.state().is_stuck);
        assert_eq!(frames(&path), 1);
    }
}

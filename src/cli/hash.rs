//! SHA-256 of captures as they are read: a file by a second reader beside the first, a pipe on its way.

use std::fmt::Write as _;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use sha2::{Digest as _, Sha256};

/// Bytes read at a time.
const PIECE: usize = 256 * 1024;

/// A hash that is being made, and how many bytes went into it.
#[derive(Debug)]
pub(crate) enum Hashing {
    /// A file is read beside its capture.
    Beside(JoinHandle<io::Result<Hashed>>),
    /// A pipe is read through [`Tapped`].
    Tap(Arc<Mutex<Tap>>),
}

/// A finished hash.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(crate) struct Hashed {
    /// How many bytes there were.
    pub(crate) bytes: u64,
    /// SHA-256 in hexadecimal.
    pub(crate) sha256: String,
}

/// What has come through a pipe so far.
#[derive(Debug, Default)]
pub(crate) struct Tap {
    hash: Sha256,
    bytes: u64,
    ended: bool,
}

/// A reader that hashes what passes.
#[derive(Debug)]
pub(crate) struct Tapped<R> {
    inner: R,
    tap: Arc<Mutex<Tap>>,
}

impl Hashing {
    /// Hashes a file in its own thread.
    pub(crate) fn file(path: &Path) -> Self {
        let path: PathBuf = path.to_owned();
        Self::Beside(std::thread::spawn(move || {
            let mut file = File::open(path)?;
            let mut tap = Tap::default();
            let mut piece = vec![0; PIECE];
            while !tap.ended {
                match file.read(&mut piece) {
                    Ok(count) => tap.take(piece.get(..count).unwrap_or_default()),
                    Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                    Err(error) => return Err(error),
                }
            }
            Ok(tap.hashed())
        }))
    }

    /// Hashes what is read from `inner`.
    pub(crate) fn pipe<R: Read>(inner: R) -> (Self, Tapped<R>) {
        let tap = Arc::default();
        let reader = Tapped {
            inner,
            tap: Arc::clone(&tap),
        };
        (Self::Tap(tap), reader)
    }

    /// The hash; `None` when the capture was not read to its end.
    pub(crate) fn finish(self) -> Option<Hashed> {
        match self {
            Self::Beside(thread) => thread.join().ok()?.ok(),
            Self::Tap(tap) => {
                let tap = tap.lock().unwrap_or_else(PoisonError::into_inner);
                tap.ended.then(|| tap.hashed())
            }
        }
    }
}

impl Tap {
    /// Takes what was read; nothing is the end.
    fn take(&mut self, bytes: &[u8]) {
        self.hash.update(bytes);
        self.bytes = self.bytes.saturating_add(bytes.len() as u64);
        self.ended |= bytes.is_empty();
    }

    fn hashed(&self) -> Hashed {
        let hash = self.hash.clone().finalize();
        Hashed {
            bytes: self.bytes,
            sha256: hash.iter().fold(String::new(), |mut text, byte| {
                // Writing to a text cannot fail.
                let _ = write!(text, "{byte:02x}");
                text
            }),
        }
    }
}

impl<R: Read> Read for Tapped<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(into)?;
        if !into.is_empty() {
            let mut tap = self.tap.lock().unwrap_or_else(PoisonError::into_inner);
            tap.take(into.get(..count).unwrap_or_default());
        }
        Ok(count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // FIPS 180-4, example of one block: SHA-256 of "abc".
    const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

    #[test]
    fn a_file_and_a_pipe_have_the_hash_of_the_standard() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("abc");
        std::fs::write(&path, "abc").unwrap();
        let file = Hashing::file(&path).finish().unwrap();
        assert_eq!((file.bytes, file.sha256.as_str()), (3, ABC));

        let (hashing, mut reader) = Hashing::pipe(&b"abc"[..]);
        io::copy(&mut reader, &mut io::sink()).unwrap();
        assert_eq!(hashing.finish(), Some(file));
    }

    #[test]
    fn a_pipe_that_was_not_read_to_its_end_has_none() {
        let (hashing, mut reader) = Hashing::pipe(&b"abc"[..]);
        reader.read_exact(&mut [0; 3]).unwrap();
        assert_eq!(hashing.finish(), None);
        assert!(Hashing::file(Path::new("/no/such/file")).finish().is_none());
    }
}

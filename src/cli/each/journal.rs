//! What a run that was stopped had finished: the lines of the output file and of its `.partial` beside it.
//!
//! The partial file only grows, a line at a time, each in one write; it goes when the output is whole. A line that was cut
//! off is dropped. A line is taken over when capture, SHA-256 of its bytes, and the basis of the diagnosis are the same; a
//! capture that could not be diagnosed is tried again.
//!
//! Memory: a name, a hash and a place for each line; no line is kept.

use std::collections::HashMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use serde::Deserialize;

/// Longest line that is believed to be one of ours, in bytes.
const MAX_LINE: u64 = 64 << 20;

/// Lines of earlier runs, and where new ones are kept.
#[derive(Debug)]
pub(super) struct Journal {
    partial: File,
    path: PathBuf,
    /// Where the next line begins.
    end: u64,
    /// The output of an earlier run that was whole.
    whole: Option<File>,
    /// By the capture's name: its SHA-256 and the place of its line.
    known: Known,
}

type Known = HashMap<String, (String, Place)>;

/// Where a line is, without its line end.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Place {
    which: Which,
    start: u64,
    length: u64,
    /// A part of its capture could not be read.
    pub(super) damaged: bool,
}

#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Which {
    Whole,
    Partial,
}

/// As much of a line as is needed to know it again.
#[derive(Debug, Deserialize)]
struct Head {
    basis: Option<String>,
    error: Option<String>,
    captures: Vec<HeadCapture>,
}

#[derive(Debug, Deserialize)]
struct HeadCapture {
    file: String,
    sha256: Option<String>,
    #[serde(default)]
    unreadable: u64,
}

impl Journal {
    /// Opens what there is for this output, and the partial file for writing; no other run may have it open.
    pub(super) fn open(output: &Path, basis: &str) -> anyhow::Result<Self> {
        if std::fs::metadata(output).is_ok_and(|found| !found.is_file() && !found.is_dir()) {
            anyhow::bail!(
                "{}: is no file; --resume is for one that stays",
                output.display()
            );
        }
        // A last slash of a folder's name would not be part of it.
        let mut name = output.components().collect::<PathBuf>().into_os_string();
        name.push(".partial");
        let path = PathBuf::from(name);
        let cannot = || format!("{}: cannot be written", path.display());
        let partial = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .with_context(cannot)?;
        match partial.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                anyhow::bail!("{}: another run is writing it", path.display());
            }
            Err(TryLockError::Error(error)) => return Err(error).with_context(cannot),
        }
        let mut known = HashMap::new();
        let whole = match File::open(output) {
            Ok(file) if file.metadata().is_ok_and(|found| found.is_file()) => {
                index(&file, Which::Whole, basis, &mut known)
                    .with_context(|| format!("{}: cannot be read", output.display()))?;
                Some(file)
            }
            _ => None,
        };
        let end = index(&partial, Which::Partial, basis, &mut known)
            .with_context(|| format!("{}: cannot be read", path.display()))?;
        partial.set_len(end).with_context(cannot)?;
        Ok(Self {
            partial,
            path,
            end,
            whole,
            known,
        })
    }

    /// The SHA-256 that a capture of this name had, and the place of its line. The last one counts.
    pub(super) fn find(&self, file: &str) -> Option<(String, Place)> {
        self.known.get(file).cloned()
    }

    /// Keeps a line, which ends in a line feed and has no other.
    pub(super) fn append(&mut self, line: &[u8], damaged: bool) -> anyhow::Result<Place> {
        let cannot = || format!("{}: cannot be written", self.path.display());
        self.partial
            .seek(SeekFrom::Start(self.end))
            .with_context(cannot)?;
        self.partial.write_all(line).with_context(cannot)?;
        let place = Place {
            which: Which::Partial,
            start: self.end,
            length: line.len().saturating_sub(1) as u64,
            damaged,
        };
        self.end += line.len() as u64;
        Ok(place)
    }

    /// A kept line with its line feed.
    pub(super) fn line(&self, place: Place) -> anyhow::Result<Vec<u8>> {
        let file = match (place.which, &self.whole) {
            (Which::Whole, Some(whole)) => whole,
            _ => &self.partial,
        };
        let mut reader = file;
        let mut line = Vec::new();
        let read = reader
            .seek(SeekFrom::Start(place.start))
            .and_then(|_| reader.take(place.length).read_to_end(&mut line));
        read.with_context(|| format!("{}: cannot be read", self.path.display()))?;
        line.push(b'\n');
        Ok(line)
    }

    /// The output is whole: the partial file is not needed any more.
    pub(super) fn remove(self) -> anyhow::Result<()> {
        std::fs::remove_file(&self.path)
            .with_context(|| format!("{}: cannot be removed", self.path.display()))
    }
}

/// Notes where the lines of a file are that can be taken over; where its last whole line ends.
fn index(file: &File, which: Which, basis: &str, known: &mut Known) -> io::Result<u64> {
    let mut reader = BufReader::new(file);
    let mut start = 0_u64;
    let mut line = Vec::new();
    loop {
        line.clear();
        let length = (&mut reader).take(MAX_LINE).read_until(b'\n', &mut line)? as u64;
        let Some(text) = line.strip_suffix(b"\n") else {
            return Ok(start);
        };
        if let Ok(head) = serde_json::from_slice::<Head>(text)
            && head.basis.as_deref() == Some(basis)
            && head.error.is_none()
            && let [
                HeadCapture {
                    file,
                    sha256: Some(sha256),
                    unreadable,
                },
            ] = head.captures.as_slice()
        {
            let place = Place {
                which,
                start,
                length: length - 1,
                damaged: *unreadable > 0,
            };
            known.insert(file.clone(), (sha256.clone(), place));
        }
        start += length;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(file: &str, sha256: &str, rest: &str) -> String {
        format!(
            "{{\"basis\":\"b\",\"captures\":[{{\"file\":\"{file}\",\"sha256\":\"{sha256}\"}}]{rest}}}\n"
        )
    }

    #[test]
    fn whole_lines_are_taken_over_and_a_cut_off_one_is_dropped() {
        let folder = tempfile::tempdir().unwrap();
        let output = folder.path().join("out.jsonl");
        let partial = folder.path().join("out.jsonl.partial");
        let mut journal = Journal::open(&output, "b").unwrap();
        let first = line("a", "1", "");
        let place = journal.append(first.as_bytes(), false).unwrap();
        assert_eq!(journal.line(place).unwrap(), first.as_bytes());
        drop(journal);

        let others = [
            line("failed", "2", ",\"error\":\"x\""),
            line("other basis", "4", "").replace(":\"b\"", ":\"c\""),
            "no JSON\n".to_owned(),
            "\n".to_owned(),
        ]
        .concat();
        let cut = line("cut off", "5", "");
        let text = first.clone() + &others + &cut[..cut.len() - 3];
        std::fs::write(&partial, text).unwrap();
        std::fs::write(&output, line("z", "9", "")).unwrap();
        let mut journal = Journal::open(&output, "b").unwrap();
        assert_eq!(journal.known.len(), 2);
        for file in ["failed", "other basis", "cut off"] {
            assert_eq!(journal.find(file), None, "{file}");
        }
        let (sha256, found) = journal.find("a").unwrap();
        assert_eq!(sha256, "1");
        assert_eq!(journal.line(found).unwrap(), first.as_bytes());
        let (_, found) = journal.find("z").unwrap();
        assert_eq!(journal.line(found).unwrap(), line("z", "9", "").as_bytes());
        let place = journal.append(cut.as_bytes(), false).unwrap();
        assert_eq!(journal.line(place).unwrap(), cut.as_bytes());
        let kept = String::from_utf8(std::fs::read(&partial).unwrap()).unwrap();
        assert_eq!(kept, first + &others + &cut);
        journal.remove().unwrap();
        assert!(!partial.exists());
    }

    #[test]
    fn two_runs_do_not_write_the_same_file() {
        let folder = tempfile::tempdir().unwrap();
        let output = folder.path().join("out.jsonl");
        let _first = Journal::open(&output, "b").unwrap();
        let second = Journal::open(&output, "b").unwrap_err().to_string();
        assert!(second.contains("another run"), "{second}");
    }
}

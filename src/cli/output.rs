//! Where results go: standard output, or a file that appears under its name only when it is whole.

use std::io::{self, BufWriter, StdoutLock, Write};
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use tempfile::NamedTempFile;

use super::ending::{Watch, undisturbed};

const BUFFER: usize = 64 * 1024;

/// A sink for results. What was written to a file is there under its name only after [`Output::finish`].
#[derive(Debug)]
pub(crate) struct Output {
    sink: Sink,
}

#[derive(Debug)]
enum Sink {
    Standard(BufWriter<StdoutLock<'static>>),
    /// A device or pipe, which cannot be replaced.
    Direct(BufWriter<std::fs::File>, PathBuf),
    File(BufWriter<NamedTempFile>, PathBuf),
}

impl Output {
    /// Opens the file, or standard output without one. Done before the work, so that a wrong path is known at once.
    pub(crate) fn open(path: Option<&Path>) -> anyhow::Result<Self> {
        let sink = match path {
            None => Sink::Standard(BufWriter::with_capacity(BUFFER, io::stdout().lock())),
            Some(path) if path.metadata().is_ok_and(|found| !found.is_file()) => {
                let file = std::fs::OpenOptions::new()
                    .write(true)
                    .open(path)
                    .with_context(|| format!("{}: cannot be written", path.display()))?;
                Sink::Direct(BufWriter::with_capacity(BUFFER, file), path.to_owned())
            }
            Some(path) => {
                let folder = folder_of(path);
                let mut builder = tempfile::Builder::new();
                builder.prefix(".tonering-");
                #[cfg(unix)]
                {
                    use std::os::unix::fs::PermissionsExt as _;
                    // What an ordinary new file gets: the user's mask takes away from it.
                    builder.permissions(std::fs::Permissions::from_mode(0o666));
                }
                let watch = Watch::begin();
                let file = builder
                    .tempfile_in(folder)
                    .with_context(|| format!("{}: cannot be written", path.display()))?;
                watch.over(file.path());
                Sink::File(BufWriter::with_capacity(BUFFER, file), path.to_owned())
            }
        };
        Ok(Self { sink })
    }

    /// Flushes, and gives a file its name.
    pub(crate) fn finish(self) -> anyhow::Result<()> {
        match self.sink {
            Sink::Standard(mut out) => out.flush().context("standard output cannot be written"),
            Sink::Direct(mut out, path) => out
                .flush()
                .with_context(|| format!("{}: cannot be written", path.display())),
            Sink::File(out, path) => {
                let cannot = || format!("{}: cannot be written", path.display());
                let file = out
                    .into_inner()
                    .map_err(io::IntoInnerError::into_error)
                    .with_context(cannot)?;
                file.as_file().sync_all().with_context(cannot)?;
                undisturbed(|| file.persist(&path)).with_context(cannot)?;
                Ok(())
            }
        }
    }
}

/// The folder in which something of this name stands.
pub(super) fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

impl Write for Output {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = match &mut self.sink {
            Sink::Standard(out) => out.write(bytes),
            Sink::Direct(out, _) => out.write(bytes),
            Sink::File(out, _) => out.write(bytes),
        };
        written.map_err(|error| self.named(&error))
    }

    fn flush(&mut self) -> io::Result<()> {
        let flushed = match &mut self.sink {
            Sink::Standard(out) => out.flush(),
            Sink::Direct(out, _) => out.flush(),
            Sink::File(out, _) => out.flush(),
        };
        flushed.map_err(|error| self.named(&error))
    }
}

impl Output {
    /// The error with the name of where it happened; its kind stays, for a closed pipe is told by it.
    fn named(&self, error: &io::Error) -> io::Error {
        let name = match &self.sink {
            Sink::Standard(_) => "standard output".to_owned(),
            Sink::Direct(_, path) | Sink::File(_, path) => path.display().to_string(),
        };
        io::Error::new(error.kind(), format!("{name} cannot be written: {error}"))
    }
}

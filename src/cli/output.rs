//! Where results go: standard output, or a file that appears under its name only when it is whole.

use std::io::{self, BufWriter, StdoutLock, Write};
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use tempfile::NamedTempFile;

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
    Direct(BufWriter<std::fs::File>),
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
                Sink::Direct(BufWriter::with_capacity(BUFFER, file))
            }
            Some(path) => {
                let folder = match path.parent() {
                    Some(folder) if !folder.as_os_str().is_empty() => folder,
                    _ => Path::new("."),
                };
                let mut builder = tempfile::Builder::new();
                builder.prefix(".tonering-");
                #[cfg(unix)]
                {
                    use std::os::unix::fs::PermissionsExt as _;
                    // What an ordinary new file gets: the user's mask takes away from it.
                    builder.permissions(std::fs::Permissions::from_mode(0o666));
                }
                let file = builder
                    .tempfile_in(folder)
                    .with_context(|| format!("{}: cannot be written", path.display()))?;
                Sink::File(BufWriter::with_capacity(BUFFER, file), path.to_owned())
            }
        };
        Ok(Self { sink })
    }

    /// Flushes, and gives a file its name.
    pub(crate) fn finish(self) -> anyhow::Result<()> {
        match self.sink {
            Sink::Standard(mut out) => out.flush().context("standard output"),
            Sink::Direct(mut out) => out.flush().context("output"),
            Sink::File(out, path) => {
                let cannot = || format!("{}: cannot be written", path.display());
                let file = out
                    .into_inner()
                    .map_err(io::IntoInnerError::into_error)
                    .with_context(cannot)?;
                file.as_file().sync_all().with_context(cannot)?;
                file.persist(&path).with_context(cannot)?;
                Ok(())
            }
        }
    }
}

impl Write for Output {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.sink {
            Sink::Standard(out) => out.write(bytes),
            Sink::Direct(out) => out.write(bytes),
            Sink::File(out, _) => out.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.sink {
            Sink::Standard(out) => out.flush(),
            Sink::Direct(out) => out.flush(),
            Sink::File(out, _) => out.flush(),
        }
    }
}

//! What the commands read: captures with progress, profiles, and other YAML files.

#![expect(
    clippy::disallowed_methods,
    reason = "the edge is where files and clocks are read"
)]

use std::io::{self, Read, Write as _};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use tonering::capture::{Capture, Item, Tally};
use tonering::frame::Channels;
use tonering::signal::profile::Profile;

use super::console::{Console, remark};

/// Largest profile, notes or rules file, in bytes.
const MAX_TEXT: u64 = 16 * 1024 * 1024;

/// Opens a capture; `-` is standard input.
pub(crate) fn capture(path: &Path) -> anyhow::Result<Capture> {
    let opened = if path == Path::new("-") {
        Capture::from_reader(Box::new(io::stdin()), "standard input")
    } else {
        Capture::open(path)
    };
    opened.map_err(anyhow::Error::from)
}

/// Whether a capture can be read once more: it is a file, not what comes through a pipe.
pub(crate) fn can_be_read_again(path: &Path) -> bool {
    path.is_file()
}

/// How often the clock is looked at, in items.
const LOOK: u32 = 1 << 16;

/// Hands every item of a capture to `take`, with progress on a terminal. When the file itself fails in the middle, that is
/// told and the capture ends there: what was read counts. True when it was read to its end.
pub(crate) fn each_item(
    capture: &mut Capture,
    console: Console,
    tell: &mut dyn FnMut(&str),
    mut take: impl FnMut(&Item<'_>) -> anyhow::Result<()>,
) -> anyhow::Result<bool> {
    steps(capture, console, tell, |step| match step {
        Step::Item(item) => take(item),
        Step::After(_) => Ok(()),
    })
}

/// What [`each_step`] hands out.
pub(crate) enum Step<'a> {
    /// An item, which borrows from the capture.
    Item(&'a Item<'a>),
    /// The buses seen so far, after each item.
    After(&'a Channels),
}

/// The same as [`each_item`], and after each item the names of the buses, for those who print them as they go.
pub(crate) fn each_step(
    capture: &mut Capture,
    console: Console,
    take: impl FnMut(Step<'_>) -> anyhow::Result<()>,
) -> anyhow::Result<bool> {
    steps(capture, console, &mut remark, take)
}

fn steps(
    capture: &mut Capture,
    console: Console,
    tell: &mut dyn FnMut(&str),
    mut take: impl FnMut(Step<'_>) -> anyhow::Result<()>,
) -> anyhow::Result<bool> {
    let total = std::fs::metadata(capture.name())
        .map(|file| file.len())
        .ok();
    let mut progress = console.progress.then(|| Progress::new(total));
    let mut until_look = LOOK;
    let whole = loop {
        match capture.next_item() {
            Ok(Some(item)) => take(Step::Item(&item))?,
            Ok(None) => break true,
            Err(error) => {
                tell(&format!(
                    "{:#}; what was read until there counts",
                    anyhow::Error::from(error)
                ));
                break false;
            }
        }
        take(Step::After(capture.channels()))?;
        until_look -= 1;
        if until_look == 0 {
            until_look = LOOK;
            if let Some(progress) = &mut progress {
                progress.show(capture.bytes_read(), capture.tally().frames);
            }
        }
    };
    if let Some(progress) = progress {
        progress.clear();
    }
    Ok(whole)
}

/// Reads the profile, if one was named.
pub(crate) fn profile(path: Option<&Path>) -> anyhow::Result<Profile> {
    let Some(path) = path else {
        return Ok(Profile::default());
    };
    let folder = path.parent().map(Path::to_owned).unwrap_or_default();
    let mut read = |name: &Path| bytes(&folder.join(name));
    let name = path.display().to_string();
    Profile::parse(&text(path)?, &name, &mut read).map_err(anyhow::Error::from)
}

/// Reads a text file of bounded size.
pub(crate) fn text(path: &Path) -> anyhow::Result<String> {
    let bytes = bytes(path).with_context(|| format!("{}: cannot be read", path.display()))?;
    let text = String::from_utf8(bytes).map_err(|error| {
        let offset = error.utf8_error().valid_up_to();
        anyhow::anyhow!("{}: is no UTF-8 text (byte {offset})", path.display())
    })?;
    Ok(text)
}

fn bytes(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut file = std::fs::File::open(path)?.take(MAX_TEXT + 1);
    file.read_to_end(&mut bytes)?;
    if bytes.len() as u64 > MAX_TEXT {
        return Err(io::Error::new(
            io::ErrorKind::FileTooLarge,
            "is larger than 16 MiB",
        ));
    }
    Ok(bytes)
}

/// The `.yaml` and `.yml` files of a folder, by name.
pub(crate) fn yaml_files(folder: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let cannot = || format!("{}: cannot be read as a folder", folder.display());
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).with_context(cannot)? {
        let path = entry.with_context(cannot)?.path();
        let ending = path.extension().and_then(|ending| ending.to_str());
        if matches!(ending, Some("yaml" | "yml")) {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

/// Tells what of a capture could not be read; true when something was lost.
pub(crate) fn tell_damage(name: &str, tally: &Tally) -> bool {
    tell_damage_to(&mut remark, name, tally)
}

/// The same to whom it may concern.
pub(crate) fn tell_damage_to(tell: &mut dyn FnMut(&str), name: &str, tally: &Tally) -> bool {
    for known in &tally.remarks {
        tell(&format!(
            "{name}: {} {} (first at number {}, byte {})",
            known.count,
            known.remark.words(),
            known.first_number,
            known.first_offset
        ));
    }
    tally.unreadable() > 0
}

/// Rate and time left, redrawn on a terminal.
#[derive(Debug)]
struct Progress {
    shown: bool,
    started: Instant,
    last: Instant,
    total: Option<u64>,
}

impl Progress {
    const FIRST: Duration = Duration::from_secs(2);
    const EVERY: Duration = Duration::from_millis(250);

    fn new(total: Option<u64>) -> Self {
        let now = Instant::now();
        Self {
            shown: false,
            started: now,
            last: now,
            total,
        }
    }

    fn show(&mut self, bytes: u64, frames: u64) {
        let now = Instant::now();
        let since = now.duration_since(self.started);
        if since < Self::FIRST || now.duration_since(self.last) < Self::EVERY {
            return;
        }
        self.last = now;
        self.shown = true;
        #[expect(clippy::cast_precision_loss, reason = "shown with three digits")]
        let (bytes, frames) = (bytes as f64, frames as f64);
        let rate = bytes / since.as_secs_f64();
        let left = self.total.map_or_else(String::new, |total| {
            #[expect(clippy::cast_precision_loss, reason = "shown with three digits")]
            let left = (total as f64 - bytes).max(0.0) / rate.max(1.0);
            format!(", {left:.0} s left")
        });
        let line = format!(
            "{:.0} MB, {:.1} M frames, {:.0} MB/s{left}",
            bytes / 1e6,
            frames / 1e6,
            rate / 1e6
        );
        let _ = write!(io::stderr(), "\r{line:<60}");
    }

    fn clear(&self) {
        if self.shown {
            let _ = write!(io::stderr(), "\r{:60}\r", "");
        }
    }
}

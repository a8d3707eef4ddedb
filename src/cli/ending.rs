//! Stopped in the middle (SIGINT, SIGTERM, SIGHUP): half-written files go before the program does.
//!
//! Works while the program waits for more of a capture, too: a thread waits for the signal, removes the files, and then
//! ends the program as the signal would have. From the first file on it does so until the program ends.

use std::path::Path;

/// Signals are held back, but it is not yet known from which file.
#[derive(Debug)]
pub(crate) struct Watch {
    #[cfg(unix)]
    signals: Option<signal_hook::iterator::Signals>,
}

impl Watch {
    /// To be called before the file is there: a signal between this and [`Watch::over`] is not lost.
    #[cfg(unix)]
    pub(crate) fn begin() -> Self {
        use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
        // Where signals cannot be had, a stopped program leaves the half-written file under its hidden name.
        Self {
            signals: signal_hook::iterator::Signals::new([SIGHUP, SIGINT, SIGTERM]).ok(),
        }
    }

    /// To be called before the file is there.
    #[cfg(not(unix))]
    pub(crate) const fn begin() -> Self {
        Self {}
    }

    /// Removes this file or folder, and those watched before, when a signal ends the program.
    #[cfg(unix)]
    pub(crate) fn over(self, file: &Path) {
        use std::sync::PoisonError;
        let Some(mut signals) = self.signals else {
            return;
        };
        let mut files = FILES.lock().unwrap_or_else(PoisonError::into_inner);
        files.push(file.to_owned());
        drop(files);
        std::thread::spawn(move || {
            if let Some(signal) = signals.forever().next() {
                let files = FILES.lock().unwrap_or_else(PoisonError::into_inner);
                for file in files.iter() {
                    remove(file);
                }
                let _ = signal_hook::low_level::emulate_default_handler(signal);
            }
        });
    }

    /// Removes nothing here.
    #[cfg(not(unix))]
    pub(crate) const fn over(self, _file: &Path) {}
}

/// Removes a file or folder. One that has its final name by now is not there any more under this one.
#[cfg(unix)]
fn remove(file: &Path) {
    if !file.is_dir() {
        let _ = std::fs::remove_file(file);
        return;
    }
    // The program still writes: what it adds while the folder is emptied needs another round, and then the folder is gone.
    for _ in 0..ROUNDS {
        match std::fs::remove_dir_all(file) {
            Err(error) if error.kind() == std::io::ErrorKind::DirectoryNotEmpty => {}
            _ => return,
        }
    }
}

/// How often a folder that fills while it is emptied is emptied again.
#[cfg(unix)]
const ROUNDS: u32 = 1_000;

/// Does what gives a file or folder its final name: wholly, or not at all when a signal is ending the program.
pub(crate) fn undisturbed<T>(naming: impl FnOnce() -> T) -> T {
    #[cfg(unix)]
    let _held = FILES.lock();
    naming()
}

/// Waits for good when a signal is ending the program: what its missing files make fail then is not worth a word.
pub(crate) fn settle() {
    #[cfg(unix)]
    drop(FILES.lock());
}

/// Every half-written file or folder: a signal ends the program with all of them. Temporary names are not used twice.
#[cfg(unix)]
static FILES: std::sync::Mutex<Vec<std::path::PathBuf>> = std::sync::Mutex::new(Vec::new());

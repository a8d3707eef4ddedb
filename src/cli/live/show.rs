//! Standard output while a link is listened to: a picture that is drawn anew in place, or lines.
//!
//! A thread of its own writes, so that a terminal that is held (or a pipe that nobody reads) keeps nobody from listening.

use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;

/// Lines that wait for a slow reader; more are left out and counted.
const WAITING: usize = 4_096;

/// Goes to a screen of its own, without the cursor.
const ENTER: &str = "\u{1b}[?1049h\u{1b}[?25l\u{1b}[2J";
/// Goes back.
const LEAVE: &str = "\u{1b}[?25h\u{1b}[?1049l";

/// Where it is shown.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Where {
    /// A terminal: a picture.
    Screen,
    /// Standard output, line by line.
    Lines,
    /// Standard error, line by line: standard output is for the report.
    Remarks,
}

/// The thread that writes.
#[derive(Debug)]
pub(super) struct Show {
    to: SyncSender<String>,
    thread: JoinHandle<()>,
    place: Where,
    /// The last picture is not out yet.
    is_busy: Arc<AtomicBool>,
    /// The reader went away.
    is_closed: Arc<AtomicBool>,
    left_out: u64,
    last: String,
}

impl Show {
    /// Begins.
    pub(super) fn begin(place: Where) -> io::Result<Self> {
        let (to, texts) = sync_channel::<String>(WAITING);
        let is_busy = Arc::new(AtomicBool::new(false));
        let is_closed = Arc::new(AtomicBool::new(false));
        let (busy, closed) = (Arc::clone(&is_busy), Arc::clone(&is_closed));
        let thread = std::thread::Builder::new().spawn(move || {
            for text in texts {
                let written = match place {
                    Where::Remarks => put(&mut io::stderr(), &text),
                    Where::Screen | Where::Lines => put(&mut io::stdout(), &text),
                };
                busy.store(false, Ordering::Release);
                if written.is_err() {
                    closed.store(true, Ordering::Release);
                    break;
                }
            }
        })?;
        let show = Self {
            to,
            thread,
            place,
            is_busy,
            is_closed,
            left_out: 0,
            last: String::new(),
        };
        if place == Where::Screen {
            let _ = show.to.try_send(ENTER.to_owned());
        }
        Ok(show)
    }

    /// Draws these lines, unless they are there already or the last ones are still on their way.
    pub(super) fn picture(&mut self, lines: &[String]) {
        let mut text = String::from("\u{1b}[H");
        for (at, line) in lines.iter().enumerate() {
            if at > 0 {
                text.push_str("\r\n");
            }
            text.push_str(line);
            text.push_str("\u{1b}[K");
        }
        text.push_str("\u{1b}[J");
        if text == self.last || self.is_busy.swap(true, Ordering::AcqRel) {
            return;
        }
        self.last.clone_from(&text);
        if self.to.try_send(text).is_err() {
            self.is_busy.store(false, Ordering::Release);
        }
    }

    /// Adds a line.
    pub(super) fn line(&mut self, line: &str) {
        let mut text = String::new();
        if self.left_out > 0 {
            text = format!("({} lines were left out)\n", self.left_out);
        }
        text.push_str(line);
        text.push('\n');
        match self.to.try_send(text) {
            Ok(()) => self.left_out = 0,
            Err(TrySendError::Full(_)) => self.left_out += 1,
            Err(TrySendError::Disconnected(_)) => self.is_closed.store(true, Ordering::Release),
        }
    }

    /// Whether nobody reads any more.
    pub(super) fn is_closed(&self) -> bool {
        self.is_closed.load(Ordering::Acquire)
    }

    /// Ends, leaving these lines on a terminal's ordinary screen.
    pub(super) fn end(self, picture: &[String]) {
        if self.place == Where::Screen {
            let mut text = LEAVE.to_owned();
            let used = picture.iter().rposition(|line| !line.is_empty());
            for line in picture.iter().take(used.map_or(0, |at| at + 1)) {
                text.push_str(line);
                text.push_str("\r\n");
            }
            // Waits for its turn; a terminal that is held is held here too.
            let _ = self.to.send(text);
        }
        drop(self.to);
        let _ = self.thread.join();
    }
}

fn put(out: &mut impl Write, text: &str) -> io::Result<()> {
    out.write_all(text.as_bytes())?;
    out.flush()
}

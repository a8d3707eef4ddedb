//! Standard output while a link is listened to: a picture that is drawn anew in place, or lines.
//!
//! A thread of its own writes, so that a terminal that is held (or a pipe that nobody reads) keeps nobody from listening.

use std::fmt::Write as _;
use std::io::{self, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;

/// Lines that wait for a slow reader; more are left out and counted.
const WAITING: usize = 4_096;

/// Goes to a screen of its own, without the cursor, and where a line that is too long (the window has just become narrower)
/// is cut instead of wrapped.
const ENTER: &str = "\u{1b}[?1049h\u{1b}[?25l\u{1b}[?7l\u{1b}[2J";
/// Goes back.
const LEAVE: &str = "\u{1b}[?7h\u{1b}[?25h\u{1b}[?1049l";

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
    last: Picture,
}

/// What stands on the terminal.
#[derive(Debug, Default)]
struct Picture {
    lines: Vec<String>,
    /// Columns and rows of the window when it was drawn.
    window: (usize, usize),
}

impl Picture {
    /// What turns this picture into the other: only lines that differ are written, so that nothing flickers. In a window of
    /// another size all of it is.
    fn steps_to(&self, lines: &[String], window: (usize, usize)) -> String {
        let anew = window != self.window;
        let mut text = String::new();
        if anew {
            text.push_str("\u{1b}[2J");
        }
        // What is below another window is gone; a position there would mean its last line.
        let below = if anew { 0 } else { self.lines.len() };
        for at in 0..lines.len().max(below) {
            let (is, was) = (lines.get(at), self.lines.get(at));
            if !anew && is == was {
                continue;
            }
            // Rows are counted from one; writing to a String cannot fail.
            let _ = write!(text, "\u{1b}[{};1H", at + 1);
            text.push_str(is.map_or("", String::as_str));
            text.push_str("\u{1b}[K");
        }
        text
    }
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
            last: Picture::default(),
        };
        if place == Where::Screen {
            let _ = show.to.try_send(ENTER.to_owned());
        }
        Ok(show)
    }

    /// Draws these lines in a window of so many columns and rows, unless they are there already or the last ones are still on
    /// their way.
    pub(super) fn picture(&mut self, lines: Vec<String>, window: (usize, usize)) {
        let text = self.last.steps_to(&lines, window);
        if text.is_empty() || self.is_busy.swap(true, Ordering::AcqRel) {
            return;
        }
        if self.to.try_send(text).is_err() {
            self.is_busy.store(false, Ordering::Release);
            return;
        }
        self.last = Picture { lines, window };
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

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &str) -> Vec<String> {
        text.split('/').map(str::to_owned).collect()
    }

    /// Control sequences: ECMA-48 (CUP, ED, EL).
    #[test]
    fn only_what_has_changed_is_written() {
        let mut picture = Picture::default();
        let first = picture.steps_to(&lines("one/two"), (80, 24));
        assert_eq!(
            first,
            "\u{1b}[2J\u{1b}[1;1Hone\u{1b}[K\u{1b}[2;1Htwo\u{1b}[K"
        );
        picture = Picture {
            lines: lines("one/two"),
            window: (80, 24),
        };
        assert_eq!(picture.steps_to(&lines("one/two"), (80, 24)), "");
        assert_eq!(
            picture.steps_to(&lines("one/2/three"), (80, 24)),
            "\u{1b}[2;1H2\u{1b}[K\u{1b}[3;1Hthree\u{1b}[K"
        );
        assert_eq!(
            picture.steps_to(&lines("one"), (80, 24)),
            "\u{1b}[2;1H\u{1b}[K"
        );
        // Another window: the terminal may have moved everything.
        let anew = picture.steps_to(&lines("one/two"), (60, 24));
        assert!(anew.starts_with("\u{1b}[2J\u{1b}[1;1Hone"), "{anew}");
        let smaller = picture.steps_to(&lines("one"), (80, 1));
        assert_eq!(smaller, "\u{1b}[2J\u{1b}[1;1Hone\u{1b}[K");
    }
}

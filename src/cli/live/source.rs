//! What the loop of `live` hears with.
//!
//! A listener holds an [`Ear`], which has no way to send. What asks holds a socket and an errand instead: its `hear` does what the
//! errand wants done before it waits, and gives the frames that it has put itself like those that it has heard, so that the loop
//! need not know of it.

use std::time::Duration;

use tonering::frame::Timestamp;
use tonering::link::{Ear, Heard, LinkError};

/// Something that hears a link.
pub(super) trait Source {
    /// Waits at most `patience` for what comes next; `None` when nothing came.
    fn hear(&mut self, patience: Duration) -> Result<Option<Heard>, LinkError>;

    /// The link's clock.
    fn now(&self) -> Timestamp;

    /// What this program sends, for the screen.
    fn sends(&self) -> &'static str;

    /// Asks nothing more from here on.
    fn stop(&mut self) {}

    /// What is being asked, in words, while something is.
    fn asking(&self) -> Option<String> {
        None
    }

    /// What has been found out by asking since the last time, a line each.
    fn lines(&mut self) -> Vec<String> {
        Vec::new()
    }

    /// Whether it was there for one errand, and that is done.
    fn is_over(&self) -> bool {
        false
    }
}

impl Source for Ear {
    fn hear(&mut self, patience: Duration) -> Result<Option<Heard>, LinkError> {
        Self::hear(self, patience)
    }

    fn now(&self) -> Timestamp {
        Self::now(self)
    }

    fn sends(&self) -> &'static str {
        "nothing, this program only listens"
    }
}

//! Judging what was heard so far, in a thread of its own: it may take longer than the kernel can hold frames.

#![expect(
    clippy::disallowed_methods,
    reason = "the edge is where the clock is read"
)]

use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tonering::report::Report;
use tonering::vehicle::Record;

use super::super::basis::Basis;

/// Not more often than this.
const EVERY: Duration = Duration::from_secs(1);
/// Judging takes this share of one processor at most: a quarter.
const REST: u32 = 3;

/// The thread that judges.
#[derive(Debug)]
pub(super) struct Judge {
    records: SyncSender<Record>,
    reports: Receiver<Report>,
    thread: JoinHandle<()>,
    asked: Instant,
    /// When the next record may be given.
    next: Instant,
    is_busy: bool,
    /// How many frames the last record held.
    frames: Option<u64>,
}

impl Judge {
    /// Begins; the first record is due at once.
    pub(super) fn begin(basis: Arc<Basis>) -> std::io::Result<Self> {
        let (records, given) = sync_channel::<Record>(1);
        let (made, reports) = sync_channel(1);
        let thread = std::thread::Builder::new().spawn(move || {
            for record in given {
                if made.send(basis.report(&record)).is_err() {
                    break;
                }
            }
        })?;
        let now = Instant::now();
        Ok(Self {
            records,
            reports,
            thread,
            asked: now,
            next: now,
            is_busy: false,
            frames: None,
        })
    }

    /// Whether a new record, of so many frames, is welcome. What has no more frames than the last one says nothing new.
    pub(super) fn is_ready(&self, frames: u64) -> bool {
        !self.is_busy && self.frames != Some(frames) && Instant::now() >= self.next
    }

    /// Gives a record of so many frames.
    pub(super) fn give(&mut self, record: Record, frames: u64) {
        self.asked = Instant::now();
        self.frames = Some(frames);
        self.is_busy = self.records.try_send(record).is_ok();
    }

    /// What came out, once.
    pub(super) fn take(&mut self) -> Option<Report> {
        let report = self.reports.try_recv().ok()?;
        self.is_busy = false;
        let took = self.asked.elapsed();
        self.next = Instant::now() + EVERY.max(took * REST);
        Some(report)
    }

    /// Ends; waits for what is under way.
    pub(super) fn end(self) {
        drop(self.records);
        drop(self.reports);
        let _ = self.thread.join();
    }
}

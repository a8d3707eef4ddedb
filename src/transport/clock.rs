//! The capture's clock: what time it is, and whether it counts seconds at all.
//!
//! Some tools write milliseconds where seconds belong. Such a capture shows itself: frames of a bus follow each other
//! within a fraction of a millisecond now and then, so a long capture in which no two frames are nearer than
//! [`NEAREST`], and which has on average less than a frame a second, is a thousand times too slow. Its messages would
//! all be overdue; time limits are stretched by [`STRETCH`] instead, and the tally says so.

use crate::frame::Timestamp;

/// Watches the first frames until it knows.
#[derive(Clone, Debug, Default)]
pub(super) struct Clock {
    trusted: bool,
    frames: i64,
    first: Option<Timestamp>,
    last: Option<Timestamp>,
}

impl Clock {
    /// Takes the time of a frame.
    #[inline]
    pub(super) fn tick(&mut self, now: Timestamp) {
        if !self.trusted {
            self.watch(now);
        }
    }

    #[cold]
    fn watch(&mut self, now: Timestamp) {
        self.frames += 1;
        self.first.get_or_insert(now);
        if let Some(last) = self.last
            && now.nanos_since(last) < NEAREST
        {
            self.trusted = true;
        }
        self.last = Some(now);
    }

    /// Whether it runs too slowly to be seconds.
    pub(super) fn is_slow(&self) -> bool {
        let (Some(first), Some(last)) = (self.first, self.last) else {
            return false;
        };
        !self.trusted && self.frames >= ENOUGH && last.nanos_since(first) / self.frames >= SECOND
    }

    /// A time limit on this clock, in its nanoseconds.
    pub(super) fn limit(&self, nanos: i64) -> i64 {
        if self.is_slow() {
            nanos.saturating_mul(STRETCH)
        } else {
            nanos
        }
    }
}

const SECOND: i64 = 1_000_000_000;
/// Two frames nearer than this (nanoseconds) prove that the clock counts seconds.
const NEAREST: i64 = SECOND / 10;
/// So many frames are needed to call a clock slow.
const ENOUGH: i64 = 100;
/// Milliseconds written as seconds.
const STRETCH: i64 = 1_000;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn milliseconds_written_as_seconds_are_noticed() {
        let mut clock = Clock::default();
        for step in 0..ENOUGH {
            assert!(!clock.is_slow());
            clock.tick(Timestamp::from_nanos(step * 2 * SECOND));
        }
        assert!(clock.is_slow());
        assert_eq!(clock.limit(SECOND), 1_000 * SECOND);
        clock.tick(Timestamp::from_nanos(
            (ENOUGH - 1) * 2 * SECOND + 20_000_000,
        ));
        assert!(!clock.is_slow());
    }

    #[test]
    fn a_quiet_bus_is_no_slow_clock() {
        // A tester that asks every ten seconds and gets its answer after 20 ms.
        let mut clock = Clock::default();
        for step in 0..1_000 {
            clock.tick(Timestamp::from_nanos(step * 10 * SECOND));
            clock.tick(Timestamp::from_nanos(step * 10 * SECOND + 20_000_000));
        }
        assert!(!clock.is_slow());
    }
}

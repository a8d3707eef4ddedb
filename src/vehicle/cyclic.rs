//! Frames that come in a steady cycle, and their pauses while the rest of the bus goes on.
//!
//! A module that loses its feed, its earth or its branch of the bus stops sending; a bus that is off, a recording with a
//! gap and a key that was turned off silence the others too. So a pause counts only when the other frames of the same
//! channel kept coming through it about as densely as before.

use crate::frame::{CanId, Channel, Frame, FrameKind};

use super::{Cyclic, Pause};

/// A pause is longer than this, in s, and than so many cycles.
const LEAST_PAUSE_S: f64 = 0.4;
const LEAST_CYCLES: f64 = 8.0;
/// So many frames of the same identifier make its cycle known.
const KNOWN_FROM: u64 = 20;
/// Other frames in a pause, at least.
const LEAST_OTHERS: u64 = 20;
/// The others came at least at this share of their usual rate.
const LEAST_RATE: f64 = 0.6;
/// The bus was quiet for less than this share of the pause.
const MOST_QUIET: f64 = 0.3;
/// A gap between two frames of a channel that counts as quiet, in s.
const QUIET_S: f64 = 0.15;
/// Most pauses kept.
const KEPT: usize = 64;
/// With more intervals than this share beyond three cycles, pauses among them, the frames have no cycle.
const MOST_UNEVEN: f64 = 0.05;

/// Watches frames by their identifiers.
#[derive(Clone, Debug, Default)]
pub(super) struct Watch {
    watched: Vec<Watched>,
    channels: Vec<Heard>,
}

/// What was heard on a channel of the current capture.
#[derive(Clone, Debug)]
struct Heard {
    channel: Channel,
    /// Frames that are not watched.
    others: u64,
    first_s: f64,
    last_s: f64,
    /// How long no frame at all came, in gaps beyond [`QUIET_S`].
    quiet_s: f64,
}

#[derive(Clone, Debug)]
struct Watched {
    id: CanId,
    frames: u64,
    /// The channel it was first seen on in this capture, with the state of that channel at its last frame.
    last: Option<Last>,
    /// Mean interval outside pauses, in s.
    cycle_s: f64,
    intervals: u64,
    uneven: u64,
    pauses: Vec<Pause>,
    more: u64,
}

#[derive(Clone, Copy, Debug)]
struct Last {
    channel: Channel,
    time_s: f64,
    others: u64,
    quiet_s: f64,
}

impl Watch {
    /// Watches these identifiers.
    pub(super) fn new(ids: impl IntoIterator<Item = CanId>) -> Self {
        let mut watch = Self::default();
        for id in ids {
            if watch.watched.iter().all(|known| known.id != id) {
                watch.watched.push(Watched {
                    id,
                    frames: 0,
                    last: None,
                    cycle_s: 0.0,
                    intervals: 0,
                    uneven: 0,
                    pauses: Vec::new(),
                    more: 0,
                });
            }
        }
        watch
    }

    /// Takes the next frame of the current capture.
    pub(super) fn push(&mut self, frame: &Frame<'_>) {
        if self.watched.is_empty() || frame.kind == FrameKind::Error {
            return;
        }
        let Some(time_s) = frame.time.map(crate::frame::Timestamp::seconds) else {
            return;
        };
        let channels = &mut self.channels;
        let at = channels
            .iter()
            .position(|heard| heard.channel == frame.channel);
        let at = at.unwrap_or_else(|| {
            channels.push(Heard {
                channel: frame.channel,
                others: 0,
                first_s: time_s,
                last_s: time_s,
                quiet_s: 0.0,
            });
            channels.len() - 1
        });
        let Some(heard) = channels.get_mut(at) else {
            return;
        };
        let gap_s = time_s - heard.last_s;
        if gap_s > QUIET_S {
            heard.quiet_s += gap_s;
        }
        heard.last_s = time_s;
        let mut watched = self.watched.iter_mut();
        match watched.find(|watched| watched.id == frame.id) {
            Some(watched) => watched.take(heard, time_s),
            None => heard.others += 1,
        }
    }

    /// The current capture is over: what comes next does not follow on.
    pub(super) fn end_capture(&mut self) {
        self.channels.clear();
        for watched in &mut self.watched {
            watched.last = None;
        }
    }

    /// What was seen of each identifier.
    pub(super) fn settle(&self) -> Vec<Cyclic> {
        self.watched.iter().map(Watched::settle).collect()
    }
}

impl Watched {
    fn settle(&self) -> Cyclic {
        let pauses = self.pauses.len() as u64 + self.more;
        let uneven = share(self.uneven + pauses, self.intervals + pauses);
        Cyclic {
            id: self.id,
            frames: self.frames,
            steady: self.intervals >= KNOWN_FROM && uneven <= MOST_UNEVEN,
            cycle_s: self.cycle_s,
            pauses: self.pauses.clone(),
            more_pauses: self.more,
        }
    }

    fn take(&mut self, heard: &Heard, time_s: f64) {
        self.frames += 1;
        let now = Last {
            channel: heard.channel,
            time_s,
            others: heard.others,
            quiet_s: heard.quiet_s,
        };
        let Some(last) = self.last.filter(|last| last.channel == heard.channel) else {
            // A second channel that carries the same frames tells nothing more.
            self.last = self.last.or(Some(now));
            return;
        };
        self.last = Some(now);
        let length_s = time_s - last.time_s;
        if length_s < 0.0 {
            return;
        }
        let known = self.intervals >= KNOWN_FROM;
        if known && length_s > LEAST_PAUSE_S && length_s > LEAST_CYCLES * self.cycle_s {
            let others = heard.others - last.others;
            let usual = count(heard.others) / (heard.last_s - heard.first_s).max(length_s);
            let dense = count(others) >= LEAST_RATE * usual * length_s;
            let quiet = heard.quiet_s - last.quiet_s > MOST_QUIET * length_s;
            if others >= LEAST_OTHERS && dense && !quiet {
                if self.pauses.len() < KEPT {
                    self.pauses.push(Pause {
                        from_s: last.time_s,
                        length_s,
                        others,
                    });
                } else {
                    self.more += 1;
                }
            }
            return;
        }
        self.intervals += 1;
        if known && length_s > 3.0 * self.cycle_s {
            self.uneven += 1;
        }
        // A mean over the last few hundred intervals.
        self.cycle_s += (length_s - self.cycle_s) / count(self.intervals.min(200));
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts stay below 2^53")]
fn count(number: u64) -> f64 {
    number as f64
}

fn share(part: u64, whole: u64) -> f64 {
    count(part) / count(whole.max(1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Timestamp;

    const SPEEDS: CanId = CanId::standard_masked(0x1A0);
    const OTHERS: CanId = CanId::standard_masked(0x200);

    /// A minute of speeds every 20 ms and others every 10 ms, without those that `gone` names.
    fn heard(gone: impl Fn(CanId, f64) -> bool) -> Cyclic {
        let mut watch = Watch::new([SPEEDS, SPEEDS]);
        for step in 0..6_000_u32 {
            let time_s = f64::from(step) * 0.01;
            for (id, every) in [(SPEEDS, 2), (OTHERS, 1)] {
                if step % every == 0 && !gone(id, time_s) {
                    watch.push(&Frame {
                        number: u64::from(step),
                        time: Some(Timestamp::from_seconds(time_s)),
                        channel: Channel(0),
                        id,
                        kind: FrameKind::Data,
                        data: &[0; 8],
                    });
                }
            }
        }
        let mut settled = watch.settle();
        assert_eq!(settled.len(), 1);
        settled.remove(0)
    }

    #[test]
    fn a_module_that_falls_silent_pauses() {
        let twice = |at_s: f64| (20.0..22.0).contains(&at_s) || (40.0..40.6).contains(&at_s);
        let cyclic = heard(|id, at_s| id == SPEEDS && twice(at_s));
        assert!(cyclic.steady && (cyclic.cycle_s - 0.02).abs() < 1e-6);
        let lengths: Vec<f64> = cyclic.pauses.iter().map(|pause| pause.length_s).collect();
        assert_eq!(lengths.len(), 2, "{lengths:?}");
        assert!(
            (lengths[0] - 2.02).abs() < 0.03 && (lengths[1] - 0.62).abs() < 0.03,
            "{lengths:?}"
        );
        assert!(cyclic.pauses[0].others >= 198);
    }

    #[test]
    fn a_bus_or_a_recording_that_falls_silent_is_no_pause_of_the_module() {
        let twice = |at_s: f64| (20.0..22.0).contains(&at_s) || (40.0..40.6).contains(&at_s);
        assert!(heard(|_, _| false).pauses.is_empty());
        assert!(heard(|_, at_s| twice(at_s)).pauses.is_empty());
        // The key is turned off: the others thin out, too.
        let off = heard(|id, at_s| {
            twice(at_s) && (id == SPEEDS || (at_s * 100.0).round().rem_euclid(10.0) > 2.0)
        });
        assert!(off.pauses.is_empty(), "{off:?}");
        // It begins late and ends early.
        let late = heard(|id, at_s| id == SPEEDS && !(10.0..50.0).contains(&at_s));
        assert!(late.pauses.is_empty() && late.steady);
    }

    #[test]
    fn frames_that_come_now_and_then_have_no_cycle() {
        let rare = heard(|id, at_s| id == SPEEDS && (at_s * 10.0).floor().rem_euclid(7.0) > 2.0);
        assert!(!rare.steady, "{rare:?}");
        assert_eq!(heard(|id, _| id == SPEEDS).frames, 0);
    }
}

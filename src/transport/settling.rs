//! Deciding an identifier: believed, contradicted, or settled because no more can be waited for.
//!
//! Held messages go out, or are dropped, as their identifier is decided.

use super::form::Prior;
use super::lane::Standing;
use super::observer::{Observer, Verdict, refusal};
use super::queue::Owner;
use crate::frame::Timestamp;

impl Observer {
    /// The identifier carries messages in this reading.
    pub(super) fn confirm(&mut self, owner: Owner) {
        let Some(lane) = self.lanes.get_mut(owner.lane as usize) else {
            return;
        };
        if lane.standing != Standing::Undecided {
            return;
        }
        lane.standing = Standing::Carries {
            extended: owner.extended,
        };
        lane.habits = None;
        self.tally.recognised += 1;
        self.forget_streams(owner.lane, !owner.extended);
        self.decided(owner.lane);
    }

    /// A reading of an identifier is contradicted.
    pub(super) fn refute(&mut self, lane_index: u32, extended: bool) {
        let Some(lane) = self.lanes.get_mut(lane_index as usize) else {
            return;
        };
        let Some(habits) = &mut lane.habits else {
            return;
        };
        if let Some(habit) = habits.get_mut(usize::from(extended)) {
            habit.is_refuted = true;
        }
        let all = habits.iter().all(|habit| habit.is_refuted);
        self.forget_streams(lane_index, extended);
        if all {
            self.reject(lane_index);
        } else {
            self.release();
        }
    }

    /// The identifier carries no messages.
    fn reject(&mut self, lane_index: u32) {
        let Some(lane) = self.lanes.get_mut(lane_index as usize) else {
            return;
        };
        if lane.standing != Standing::Undecided {
            return;
        }
        lane.standing = Standing::Broadcast;
        lane.habits = None;
        let (id, bus) = (lane.id, usize::from(lane.bus));
        if let Some(bus) = self.buses.get_mut(bus) {
            bus.set_word(id, refusal(id));
        }
        for extended in [false, true] {
            self.forget_streams(lane_index, extended);
        }
        self.decided(lane_index);
    }

    fn decided(&mut self, lane_index: u32) {
        let Some(lane) = self.lanes.get(lane_index as usize) else {
            return;
        };
        if let Some(bus) = self.buses.get_mut(usize::from(lane.bus)) {
            bus.undecided = bus.undecided.saturating_sub(1);
        }
        self.release();
        self.mind_the_front();
    }

    /// Frees the streams of one reading of an identifier.
    fn forget_streams(&mut self, lane_index: u32, extended: bool) {
        let Some(lane) = self.lanes.get_mut(lane_index as usize) else {
            return;
        };
        let gone: Vec<u32> = lane.streams(extended).collect();
        if extended {
            lane.extended = Vec::new();
        } else {
            lane.normal = None;
        }
        if let Some(bus) = self.buses.get_mut(usize::from(lane.bus)) {
            bus.streams.retain(|stream| !gone.contains(stream));
        }
        for index in &gone {
            if let Some(stream) = self.streams.get_mut(*index as usize) {
                stream.free(&mut self.queue);
                self.free.push(*index);
            }
        }
        if !gone.is_empty() {
            self.pairs
                .found
                .retain(|(asker, answerer), _| !gone.contains(asker) && !gone.contains(answerer));
        }
    }

    /// Decides an identifier on what there is, because no more can be waited for.
    pub(super) fn settle(&mut self, lane_index: u32) {
        if !self.settle_by_form_or_pair(lane_index) {
            self.reject(lane_index);
        }
    }

    fn settle_by_form_or_pair(&mut self, lane_index: u32) -> bool {
        self.settle_by_pair(lane_index) || self.settle_by_form(lane_index)
    }

    fn settle_by_pair(&mut self, lane_index: u32) -> bool {
        let Some(lane) = self.lanes.get(lane_index as usize) else {
            return false;
        };
        let own: Vec<u32> = lane.streams(false).chain(lane.streams(true)).collect();
        let mut pairs: Vec<_> = self
            .pairs
            .found
            .iter()
            .filter(|((asker, answerer), _)| own.contains(asker) || own.contains(answerer))
            .map(|(&pair, evidence)| (std::cmp::Reverse(evidence.bits), pair))
            .collect();
        pairs.sort_unstable();
        for (_, (asker, answerer)) in pairs {
            self.weigh(asker, answerer, true);
            if self.is_decided(lane_index) {
                return true;
            }
        }
        false
    }

    fn settle_by_form(&mut self, lane_index: u32) -> bool {
        let Some(lane) = self.lanes.get(lane_index as usize) else {
            return false;
        };
        if Prior::of(lane.id) != Prior::Likely {
            return false;
        }
        let Some(habits) = &lane.habits else {
            return false;
        };
        let believed = [false, true].into_iter().find(|&extended| {
            habits.get(usize::from(extended)).is_some_and(|habit| {
                !habit.is_refuted && (habit.is_unanswered_requests() || habit.is_answers_alone())
            })
        });
        if let Some(extended) = believed {
            self.confirm(Owner {
                lane: lane_index,
                extended,
            });
        }
        believed.is_some()
    }

    fn is_decided(&self, lane_index: u32) -> bool {
        self.lanes
            .get(lane_index as usize)
            .is_none_or(|lane| lane.standing != Standing::Undecided)
    }

    /// The capture is over: first all that is likely by its partner, then by its form; the rest is given up.
    pub(super) fn settle_all(&mut self) {
        let lanes = u32::try_from(self.lanes.len()).unwrap_or(u32::MAX);
        let mut before = u64::MAX;
        while before != self.tally.recognised {
            before = self.tally.recognised;
            for lane in 0..lanes {
                if !self.is_decided(lane) {
                    self.settle_by_pair(lane);
                }
            }
        }
        for lane in 0..lanes {
            if !self.is_decided(lane) {
                self.settle(lane);
            }
        }
    }

    /// Too much is held: whoever holds it up is decided now.
    #[cold]
    pub(super) fn make_room(&mut self) {
        let mut queue = std::mem::take(&mut self.queue);
        self.tally.unconfirmed += queue.purge(|held| self.verdict(held) != Verdict::Drop);
        self.queue = queue;
        self.release();
        while self.queue.is_over() {
            let Some(lane) = self.queue.front().map(|held| held.owner.lane) else {
                break;
            };
            self.tally.limited += 1;
            self.settle(lane);
            self.release();
        }
    }

    /// Messages that have waited too long are believed by their form, or dropped; the identifier stays undecided.
    pub(super) fn give_up_waiting(&mut self, bus: usize, now: Timestamp) {
        let limit = self.clock.limit(LONGEST_HOLD);
        while let Some(held) = self.queue.front() {
            let lane_index = held.owner.lane;
            let since = held.message.end;
            let is_here = self
                .lanes
                .get(lane_index as usize)
                .is_some_and(|lane| usize::from(lane.bus) == bus);
            let too_long = since.is_some_and(|since| now.nanos_since(since) > limit);
            if !is_here || !too_long {
                break;
            }
            if !self.settle_by_form_or_pair(lane_index) {
                let serial = self.queue.serial();
                if let Some(lane) = self.lanes.get_mut(lane_index as usize) {
                    lane.drop_through = serial;
                }
            }
            self.release();
        }
    }

    /// Sees to it that the oldest held message does not wait for ever.
    pub(super) fn mind_the_front(&mut self) {
        let limit = self.clock.limit(LONGEST_HOLD);
        let Some((lane, Some(since))) = self
            .queue
            .front()
            .map(|held| (held.owner.lane, held.message.end))
        else {
            return;
        };
        let bus = self
            .lanes
            .get(lane as usize)
            .map(|lane| usize::from(lane.bus));
        if let Some(bus) = bus.and_then(|bus| self.buses.get_mut(bus)) {
            bus.deadline = bus.deadline.min(since.nanos().saturating_add(limit));
        }
    }
}

/// Messages are not held longer than this, in nanoseconds.
const LONGEST_HOLD: i64 = 10_000_000_000;

//! An errand: something that asks on a bus until it is done, told what is heard and what time it is.

use std::time::Duration;

use super::asker::{Action, Asker, Outcome, Target};
use super::bus::{Bus, Data, Heard, LinkError};
use super::gate::Permitted;
use crate::frame::{CanId, FrameKind, Timestamp};

/// Something that asks. Whoever holds the bus gives it what is heard and does what it says.
pub trait Errand {
    /// Takes a frame of the bus.
    fn hear(&mut self, heard: &Heard);

    /// What is to be done now; called again after each [`Action::Put`] and whenever something was heard.
    fn poll(&mut self, now: Timestamp) -> Action;

    /// Whether nothing more will be asked.
    fn is_done(&self) -> bool;
}

/// Whether to go on.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum GoOn {
    /// More.
    Yes,
    /// Enough.
    No,
}

/// Longest single wait, so that the caller is asked now and then whether to go on.
const LOOK: Duration = Duration::from_millis(50);

/// Runs an errand on a bus until it is done. Every frame that is heard or put goes to `each` (one's own with the time
/// at which it was put), which also says whether to go on; without a frame it is called with `None` every 50 ms.
pub fn run(
    bus: &mut (impl Bus + ?Sized),
    errand: &mut (impl Errand + ?Sized),
    each: &mut dyn FnMut(Option<&Heard>, Timestamp) -> GoOn,
) -> Result<(), LinkError> {
    while !errand.is_done() {
        let now = bus.now();
        let patience = match errand.poll(now) {
            Action::Put { id, data } => {
                bus.put(id, &data)?;
                if each(Some(&own(id, data, bus.now())), now) == GoOn::No {
                    break;
                }
                continue;
            }
            Action::Wait(until) => {
                let nanos = until.nanos_since(now);
                Duration::from_nanos(u64::try_from(nanos).unwrap_or(0)).min(LOOK)
            }
            Action::Idle => LOOK,
        };
        let heard = bus.hear(patience)?;
        if let Some(heard) = &heard {
            errand.hear(heard);
        }
        if each(heard.as_ref(), bus.now()) == GoOn::No {
            break;
        }
    }
    Ok(())
}

/// A frame that was put, as the others hear it.
pub const fn own(id: CanId, data: Data, time: Timestamp) -> Heard {
    Heard {
        time,
        id,
        kind: FrameKind::Data,
        data,
        lost: 0,
    }
}

/// One request and what comes of it.
#[derive(Debug)]
struct Question<'a> {
    asker: &'a mut Asker,
    outcome: Option<Outcome>,
}

impl Errand for Question<'_> {
    fn hear(&mut self, heard: &Heard) {
        if heard.kind.is_data() {
            self.asker.hear(heard.id, &heard.data, heard.time);
        }
    }

    fn poll(&mut self, now: Timestamp) -> Action {
        let action = self.asker.poll(now);
        if self.outcome.is_none() {
            self.outcome = self.asker.next_outcome();
        }
        action
    }

    fn is_done(&self) -> bool {
        self.outcome.is_some()
    }
}

/// Asks one thing and waits for what comes of it. `None` when the asker refused (the module is busy, the permission is
/// for another one).
pub fn converse(
    bus: &mut (impl Bus + ?Sized),
    asker: &mut Asker,
    target: &Target,
    request: &Permitted,
    each: &mut dyn FnMut(&Heard),
) -> Result<Option<Outcome>, LinkError> {
    asker.give_up();
    if asker.ask(target, request).is_err() {
        return Ok(None);
    }
    let mut question = Question {
        asker,
        outcome: None,
    };
    run(bus, &mut question, &mut |heard, _| {
        if let Some(heard) = heard {
            each(heard);
        }
        GoOn::Yes
    })?;
    Ok(question.outcome)
}

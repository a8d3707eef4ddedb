//! A module of the profile as the survey knows it.

use crate::frame::{CanId, Timestamp};
use crate::link::asker::{Ending, Outcome};
use crate::service::code_list;
use crate::signal::profile::{ProfileModule, Protocol};
use crate::transport::{Address, Conversation};
use crate::vehicle::Role;

/// Which session the module is in, as far as it was asked for.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Session {
    /// The one in which it starts.
    Default,
    /// The extended one was asked for.
    Asked,
    /// The extended one was given: it has to be kept open.
    Extended,
}

/// A module that is asked.
#[expect(
    clippy::struct_excessive_bools,
    reason = "independent observations, not states of one machine"
)]
#[derive(Debug)]
pub(super) struct Party {
    pub(super) name: String,
    pub(super) conversation: Conversation,
    pub(super) protocol: Protocol,
    pub(super) is_brakes: bool,
    pub(super) session: Session,
    pub(super) present_at: Timestamp,
    /// The request that its list of codes answers to.
    pub(super) codes_by: Option<Vec<u8>>,
    /// It has said that it gives no list of codes.
    pub(super) refuses_codes: bool,
    /// It gives polled data in the extended session only.
    pub(super) polls_in_session: bool,
    /// How many codes its last list held.
    pub(super) codes: usize,
    /// Whether it was told that it is silent, or that its codes are not to be had.
    pub(super) told_missing: bool,
    /// It has answered to something.
    pub(super) answered: bool,
    /// Questions without any answer since the last answer.
    silent: u32,
    /// Not asked again before this time.
    until: Option<Timestamp>,
}

/// After so many questions without an answer a module is left alone for a while.
const PATIENCE: u32 = 3;
/// For so long, nanoseconds.
const LEFT_ALONE: i64 = 5_000_000_000;

impl Party {
    pub(super) fn new(module: &ProfileModule) -> Self {
        Self {
            name: module.name.clone(),
            conversation: module.conversation(),
            protocol: module.protocol,
            is_brakes: module.role == Role::Brakes,
            session: Session::Default,
            present_at: Timestamp::default(),
            codes_by: None,
            refuses_codes: false,
            polls_in_session: false,
            codes: 0,
            told_missing: false,
            answered: false,
            silent: 0,
            until: None,
        }
    }

    fn id(&self) -> Option<CanId> {
        match self.conversation.request {
            Address::Can { id, .. } => Some(id),
            Address::DoIp { .. } => None,
        }
    }

    pub(super) fn is_wide(&self) -> bool {
        self.id().is_some_and(CanId::is_extended)
    }

    pub(super) fn is_narrow(&self) -> bool {
        self.id().is_some_and(|id| !id.is_extended())
    }

    /// What came of a question.
    pub(super) fn note(&mut self, outcome: &Outcome, now: Timestamp) {
        match outcome.ending {
            Ending::Silent => {
                self.silent += 1;
                if self.silent >= PATIENCE {
                    self.until = Some(super::later(now, LEFT_ALONE));
                    self.session = Session::Default;
                }
            }
            Ending::Answered | Ending::Broken(_) | Ending::StillPending => {
                self.answered = true;
                self.silent = 0;
                self.until = None;
            }
            Ending::Sent | Ending::NotSent(_) => {}
        }
    }

    /// Whether the last question got no answer.
    pub(super) const fn is_silent(&self) -> bool {
        self.silent > 0
    }

    /// Whether it is left alone now.
    pub(super) fn gave_up(&self, now: Timestamp) -> bool {
        self.until.is_some_and(|until| now < until)
    }

    pub(super) fn is_present_due(&self, now: Timestamp) -> bool {
        self.session == Session::Extended
            && now >= self.present_at
            && self.protocol == Protocol::Uds
    }
}

/// The codes of a list, three bytes each.
pub(super) fn codes_of(payload: &[u8]) -> Vec<[u8; 3]> {
    let Some(list) = code_list(payload) else {
        return Vec::new();
    };
    list.entries
        .iter()
        // A list of supported codes also holds those that never failed.
        .filter(|entry| entry.status.is_none_or(|status| status & FAILED != 0))
        .map(|entry| {
            let [high, low] = entry.code.0.to_be_bytes();
            [high, low, entry.failure_type.map_or(0, |kind| kind.0)]
        })
        .collect()
}

/// Status bits that say that something failed (ISO 14229-1, D.2: not bits 4 and 6).
const FAILED: u8 = 0xAF;

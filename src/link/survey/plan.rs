//! Which questions a survey asks, in which order.

use super::party::Party;
use crate::frame::CanId;
use crate::signal::profile::{Profile, Protocol};
use crate::signal::{Carrier, SignalSource};
use crate::transport::{Address, Addressing, Conversation};

/// Which identifiers legislated requests use (ISO 15765-4).
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Width {
    /// 0x7DF.
    Standard,
    /// 0x18DB33F1.
    Extended,
}

impl Width {
    pub(super) const fn functional(self) -> Address {
        Address::can(match self {
            Self::Standard => CanId::standard_masked(0x7DF),
            Self::Extended => CanId::extended_masked(0x18DB_33F1),
        })
    }

    const fn other(self) -> Self {
        match self {
            Self::Standard => Self::Extended,
            Self::Extended => Self::Standard,
        }
    }
}

/// Who is asked.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Whom {
    /// Everyone.
    All(Width),
    /// A module of the profile.
    Module(usize),
    /// Who answered the legislated modes.
    Engine,
}

/// What the answer is for.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Then {
    /// Which parameters are supported from `block` on.
    Supported { block: u8 },
    /// The first question to a module.
    Session,
    /// The extended session.
    Extended,
    /// Its codes; the how-manieth form of the request.
    Codes { attempt: usize },
    /// The same in the extended session.
    CodesIn { attempt: usize },
    /// The codes once more.
    CodesAgain,
    /// A signal.
    Poll,
    /// Several signals at once.
    PollTogether,
    /// The frames say it all.
    Nothing,
}

impl Then {
    pub(super) const fn is_poll(self) -> bool {
        matches!(self, Self::Poll | Self::PollTogether)
    }
}

/// A question.
#[derive(Clone, Debug, Eq, PartialEq)]
pub(super) struct Ask {
    pub(super) whom: Whom,
    pub(super) request: Vec<u8>,
    pub(super) then: Then,
    /// How often it was asked before.
    pub(super) tries: u32,
    /// Where to try when nobody answers.
    pub(super) other_width: Option<Width>,
}

impl Ask {
    pub(super) const fn new(whom: Whom, request: Vec<u8>, then: Then) -> Self {
        Self {
            whom,
            request,
            then,
            tries: 0,
            other_width: None,
        }
    }
}

/// The first legislated question: in this width, and if nobody answers in the other.
pub(super) fn legislated(width: Width) -> Vec<Ask> {
    let mut asks = legislated_only(width);
    for ask in &mut asks {
        ask.other_width = Some(width.other());
    }
    asks
}

/// The same in this width alone.
pub(super) fn legislated_only(width: Width) -> Vec<Ask> {
    let then = Then::Supported { block: 0 };
    vec![Ask::new(Whom::All(width), vec![0x01, 0x00], then)]
}

/// What follows when these parameters of a block are supported: the next block, then what is of use here.
pub(super) fn after_supported(width: Width, block: u8, supported: &[u8]) -> Vec<Ask> {
    let whom = Whom::All(width);
    let mut asks = Vec::new();
    // Lamp and number of codes; speed; voltage of the control module.
    for parameter in [0x01, 0x0D, 0x42] {
        if supported.contains(&parameter) {
            asks.push(Ask::new(whom, vec![0x01, parameter], Then::Nothing));
        }
    }
    if block == 0 {
        // Stored, pending and permanent codes; identification.
        for request in [
            vec![0x03],
            vec![0x07],
            vec![0x0A],
            vec![0x09, 0x00],
            vec![0x09, 0x02],
        ] {
            asks.push(Ask::new(whom, request, Then::Nothing));
        }
    }
    let next = block.saturating_add(0x20);
    if block < 0xE0 && supported.contains(&next) {
        let then = Then::Supported { block: next };
        asks.push(Ask::new(whom, vec![0x01, next], then));
    }
    asks
}

/// What a module of the profile is asked first.
pub(super) fn module(index: usize, protocol: Protocol) -> Vec<Ask> {
    let whom = Whom::Module(index);
    let first =
        codes(protocol, 0).map(|request| Ask::new(whom, request, Then::Codes { attempt: 0 }));
    let mut asks = match protocol {
        Protocol::Uds => vec![
            Ask::new(whom, vec![0x10, 0x01], Then::Session),
            Ask::new(whom, vec![0x22, 0xF1, 0x90], Then::Nothing),
        ],
        Protocol::Kwp => vec![Ask::new(whom, vec![0x10, 0x81], Then::Session)],
        Protocol::Obd => vec![Ask::new(whom, vec![0x01, 0x00], Then::Session)],
    };
    asks.extend(first);
    if protocol == Protocol::Obd {
        asks.push(Ask::new(whom, vec![0x07], Then::Nothing));
    }
    asks
}

/// The how-manieth form of the request for codes, for modules that refuse the ones before.
pub(in crate::link) fn codes(protocol: Protocol, attempt: usize) -> Option<Vec<u8>> {
    let forms: &[&[u8]] = match protocol {
        // Everything that failed, whether now or before; then any list at all.
        Protocol::Uds => &[&[0x19, 0x02, 0xAF], &[0x19, 0x0A]],
        // Stored codes of all groups, then of the chassis, then identified ones.
        Protocol::Kwp => &[
            &[0x18, 0x02, 0xFF, 0x00],
            &[0x18, 0x02, 0x40, 0x00],
            &[0x18, 0x00, 0xFF, 0x00],
        ],
        Protocol::Obd => &[&[0x03]],
    };
    forms.get(attempt).map(|form| form.to_vec())
}

/// The questions of one round of polling: identifiers of one module together, as far as a request holds them, and
/// parameters of the legislated mode.
pub(super) fn signals(profile: &Profile) -> Vec<Ask> {
    let mut identifiers: Vec<(usize, u16)> = Vec::new();
    let mut parameters = Vec::new();
    for (_, SignalSource { carrier, .. }) in profile.sources() {
        match *carrier {
            Carrier::Identifier { module, did } => {
                if !identifiers.contains(&(module, did)) {
                    identifiers.push((module, did));
                }
            }
            Carrier::Parameter(parameter) => {
                if !parameters.contains(&parameter) {
                    parameters.push(parameter);
                }
            }
            Carrier::Frame(_) => {}
        }
    }
    // Speed and voltage are of use even when the profile does not place them.
    for (placed, parameter) in [
        (profile.vehicle_speed.is_some(), 0x0D),
        (profile.battery_voltage.is_some(), 0x42),
    ] {
        if !placed && !parameters.contains(&parameter) {
            parameters.push(parameter);
        }
    }
    let mut asks: Vec<Ask> = Vec::new();
    for (module, did) in identifiers {
        let whom = Whom::Module(module);
        let is_uds = profile
            .modules
            .get(module)
            .is_some_and(|module| module.protocol == Protocol::Uds);
        let open = asks
            .iter_mut()
            .rev()
            .find(|ask| is_uds && ask.whom == whom && ask.request.len() < 1 + 2 * TOGETHER);
        if let Some(ask) = open {
            ask.request.extend(did.to_be_bytes());
            ask.then = Then::PollTogether;
        } else {
            let [high, low] = did.to_be_bytes();
            asks.push(Ask::new(whom, vec![0x22, high, low], Then::Poll));
        }
    }
    asks.extend(
        parameters
            .into_iter()
            .map(|parameter| Ask::new(Whom::Engine, vec![0x01, parameter], Then::Poll)),
    );
    asks
}

/// The same identifiers, each asked for alone.
pub(super) fn apart(ask: &Ask) -> Vec<Ask> {
    let identifiers = ask.request.get(1..).unwrap_or_default().chunks_exact(2);
    identifiers
        .map(|identifier| {
            let request = [&[0x22], identifier].concat();
            Ask::new(ask.whom, request, Then::Poll)
        })
        .collect()
}

/// Whether an answer holds every identifier that was asked for, in order.
pub(super) fn has_all(request: &[u8], answer: &[u8]) -> bool {
    if request.first() != Some(&0x22) {
        return true;
    }
    let mut rest = answer.get(1..).unwrap_or_default();
    for identifier in request.get(1..).unwrap_or_default().chunks_exact(2) {
        let Some(at) = rest.windows(2).position(|pair| pair == identifier) else {
            return false;
        };
        rest = rest.get(at + 2..).unwrap_or_default();
    }
    true
}

/// Most identifiers that are asked for together: the four wheels and the supply.
const TOGETHER: usize = 5;

/// Who may answer a request to all: the standard's addresses and the profile's modules.
pub(super) fn responders(width: Width, parties: &[Party]) -> Vec<Conversation> {
    let mut all: Vec<Conversation> = match width {
        Width::Standard => (0..8)
            .map(|node| Conversation {
                request: Address::can(CanId::standard_masked(0x7E0 + node)),
                response: Address::can(CanId::standard_masked(0x7E8 + node)),
                addressing: Addressing::Normal,
            })
            .collect(),
        Width::Extended => (0..=0xFF)
            .filter(|&node| node != 0xF1)
            .map(|node| Conversation {
                request: Address::can(CanId::extended_masked(0x18DA_00F1 | node << 8)),
                response: Address::can(CanId::extended_masked(0x18DA_F100 | node)),
                addressing: Addressing::NormalFixed,
            })
            .collect(),
    };
    for party in parties {
        let with = party.conversation;
        let fits = match width {
            Width::Standard => party.is_narrow(),
            Width::Extended => party.is_wide(),
        };
        let known = all
            .iter()
            .any(|known| known.response == with.response || known.request == with.request);
        if fits && !known {
            all.push(with);
        }
    }
    all
}

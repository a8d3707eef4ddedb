//! Which family of services a message belongs to, and what the services are called.
//!
//! Several families use the same service identifiers with other layouts. What a message is decides first; where two
//! families share an identifier, what its sender and receiver have said before decides. Messages of a family that is
//! neither ISO 14229, SAE J1979 nor KWP 2000 get a name that says so, and no fields.
//!
//! Source: ISO 14229-1:2013 and 2020, Table 2 and clauses 9 to 14; SAE J1979:2012, 6; ISO 14230-3:1999, 4.2.

use std::collections::HashMap;

use crate::frame::{Channel, Channels};
use crate::transport::{Address, Message};

/// A family of diagnostic services.
#[derive(Clone, Copy, Debug, Default, Eq, Hash, PartialEq)]
pub enum Family {
    /// Nothing says which.
    #[default]
    Unknown,
    /// ISO 14229-1.
    Uds,
    /// SAE J1979, ISO 15031-5.
    Obd,
    /// KWP 2000 (ISO 14230-3) on CAN.
    Kwp,
    /// A maker's own.
    Other,
}

impl Family {
    /// The family that the bytes of a single message show; ISO 14229 where they leave it open.
    pub(super) fn of_payload(payload: &[u8]) -> Self {
        match payload.first() {
            Some(service) => clear_cut(*service, payload).unwrap_or(Self::Uds),
            None => Self::Unknown,
        }
    }
}

/// What the members of each conversation have spoken so far.
#[derive(Debug, Default)]
pub struct Families {
    known: HashMap<Address, Family>,
    spoken: HashMap<(Channel, Address), Spoken>,
    /// The last request of each bus: who asked, and for what.
    asked: Vec<Option<(Address, u8)>>,
}

/// How often each family has shown itself.
#[derive(Clone, Copy, Debug, Default)]
struct Spoken {
    uds: u32,
    kwp: u32,
    other: u32,
}

/// Most addresses that are remembered.
const MAX_ADDRESSES: usize = 4096;

impl Families {
    /// Nothing heard yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Says which family a module's requests or answers belong to, as a profile does.
    pub fn know(&mut self, address: Address, family: Family) {
        self.known.insert(address, family);
    }

    /// Notes what a message shows, and says which family it belongs to.
    pub fn of(&mut self, message: &Message) -> Family {
        let Some(service) = message.service() else {
            return Family::Unknown;
        };
        let family = self.recognise(message, service);
        self.link(message, service, family);
        family
    }

    fn recognise(&mut self, message: &Message, service: u8) -> Family {
        if is_foreign_address(message.address) {
            self.note(message, service, Family::Other);
            return Family::Other;
        }
        if let Some(family) = clear_cut(service, &message.payload) {
            // Most messages of a capture; only a maker's own family is ever asked for them.
            self.note(message, service, family);
            return match family {
                Family::Other | Family::Obd => family,
                known => self.unless_other(message, known),
            };
        }
        match self.known(message) {
            Family::Unknown => Family::Uds,
            known => known,
        }
    }

    /// Who asked for what a module of a maker's own family answers speaks that family too, although nobody has said
    /// that the two belong together.
    fn link(&mut self, message: &Message, service: u8, family: Family) {
        let bus = usize::from(message.channel.0).min(Channels::MAX - 1);
        if service & 0x40 == 0 {
            if self.asked.len() <= bus {
                self.asked.resize(bus + 1, None);
            }
            if let Some(last) = self.asked.get_mut(bus) {
                *last = Some((message.address, service));
            }
            return;
        }
        if family == Family::Other
            && let Some(Some((address, asked))) = self.asked.get(bus)
            && *asked == service & !0x40
        {
            let key = (message.channel, *address);
            if self.spoken.len() < MAX_ADDRESSES || self.spoken.contains_key(&key) {
                let spoken = self.spoken.entry(key).or_default();
                spoken.other = spoken.other.saturating_add(8);
            }
        }
    }

    fn note(&mut self, message: &Message, service: u8, family: Family) {
        if family == Family::Obd {
            return;
        }
        // A positive answer says more than a request, which may be a mere trial.
        let weight = if service & 0x40 == 0 { 1 } else { 8 };
        for address in [Some(message.address), message.partner]
            .into_iter()
            .flatten()
        {
            let key = (message.channel, address);
            if self.spoken.len() >= MAX_ADDRESSES && !self.spoken.contains_key(&key) {
                continue;
            }
            let spoken = self.spoken.entry(key).or_default();
            let count = match family {
                Family::Uds => &mut spoken.uds,
                Family::Kwp => &mut spoken.kwp,
                _ => &mut spoken.other,
            };
            *count = count.saturating_add(weight);
        }
    }

    fn known(&self, message: &Message) -> Family {
        if let Some(family) = self.known.get(&message.address) {
            return *family;
        }
        let mut sum = Spoken::default();
        for address in [Some(message.address), message.partner]
            .into_iter()
            .flatten()
        {
            if let Some(spoken) = self.spoken.get(&(message.channel, address)) {
                sum.uds = sum.uds.saturating_add(spoken.uds);
                sum.kwp = sum.kwp.saturating_add(spoken.kwp);
                sum.other = sum.other.saturating_add(spoken.other);
            }
        }
        match sum {
            Spoken {
                uds: 0,
                kwp: 0,
                other: 0,
            } => Family::Unknown,
            Spoken { uds, kwp, other } if other > 0 && uds <= other && kwp <= 8 * other => {
                Family::Other
            }
            Spoken { uds, kwp, .. } if kwp > uds => Family::Kwp,
            _ => Family::Uds,
        }
    }

    fn unless_other(&self, message: &Message, family: Family) -> Family {
        match self.known(message) {
            Family::Other => Family::Other,
            _ => family,
        }
    }
}

/// Identifier 0x101 with target 0xFD or 0xFE is the "all nodes" address of a maker's own family.
///
/// Source: published: the general notes on GMLAN diagnostics in the documents of scapy (`gmlan`), all-nodes request.
fn is_foreign_address(address: Address) -> bool {
    match address {
        Address::Can {
            id,
            extension: Some(0xFD | 0xFE),
        } => id.raw() == 0x101 && !id.is_extended(),
        _ => false,
    }
}

/// The family of a message whose bytes leave no doubt.
pub(super) fn clear_cut(service: u8, payload: &[u8]) -> Option<Family> {
    let second = payload.get(1).copied();
    let asked = match (service, second) {
        (0x7F, Some(asked)) => return clear_cut_refusal(asked),
        _ => service & !0x40,
    };
    match asked {
        0x01..=0x0A => Some(Family::Obd),
        0x19 | 0x24 | 0x29 | 0x2A | 0x38 => Some(Family::Uds),
        0x12
        | 0x13
        | 0x17
        | 0x18
        | 0x1A
        | 0x20
        | 0x21
        | 0x26
        | 0x30
        | 0x32
        | 0x33
        | 0x39..=0x3B
        | 0x81
        | 0x82 => Some(Family::Kwp),
        0xA0..=0xBE => Some(Family::Other),
        0x10 | 0x14 | 0x28 | 0x3E | 0x85 => shared(service, second, payload.len()),
        _ => None,
    }
}

/// Services that two families share and that their second byte or their length tells apart.
const fn shared(service: u8, second: Option<u8>, length: usize) -> Option<Family> {
    match (service, second) {
        // Sessions of KWP 2000 have bit 7 set, those of ISO 14229 only to ask for silence, which no answer repeats.
        (0x50, Some(0x80..)) | (0x10, Some(0x85..=0xBF)) | (0x3E | 0x7E, Some(0x01 | 0x02)) => {
            Some(Family::Kwp)
        }
        (0x50, Some(0x01..=0x7E)) if length > 2 => Some(Family::Uds),
        (0x3E | 0x7E, Some(0x00 | 0x80)) => Some(Family::Uds),
        // Neither ISO 14229 nor KWP 2000 has these without a second byte.
        (0x50 | 0x28, None) => Some(Family::Other),
        (0x14, _) if length >= 4 => Some(Family::Uds),
        (0x14 | 0x54, _) if length == 3 => Some(Family::Kwp),
        (0x85 | 0xC5, Some(0x01 | 0x02 | 0x81 | 0x82)) if length == 2 => Some(Family::Uds),
        _ => None,
    }
}

/// Only mode numbers: a refusal of 0x12 or 0x19 says what was tried, not what is spoken.
const fn clear_cut_refusal(asked: u8) -> Option<Family> {
    match asked {
        0x01..=0x0A => Some(Family::Obd),
        _ => None,
    }
}

/// The name of a service, by the identifier of its request (bit 6 clear).
pub fn service_name(service: u8, family: Family) -> &'static str {
    let names = match family {
        Family::Unknown | Family::Uds | Family::Obd => &UDS,
        Family::Kwp => &KWP,
        Family::Other => &OTHER,
    };
    names
        .get(usize::from(service & !0x40))
        .copied()
        .unwrap_or(FOREIGN)
}

/// What a service is called that is in none of the standards.
const FOREIGN: &str = "service that is not in ISO 14229 or SAE J1979";

const RESERVED: &str = "reserved service";

type Row = (u8, &'static str);

/// SAE J1979.
const OBD_ROWS: &[Row] = &[
    (0x01, "current powertrain data"),
    (0x02, "freeze frame data"),
    (0x03, "stored emission-related codes"),
    (0x04, "clear emission-related codes and data"),
    (0x05, "oxygen sensor test results"),
    (0x06, "on-board monitor test results"),
    (0x07, "pending emission-related codes"),
    (0x08, "control of a system or test"),
    (0x09, "vehicle information"),
    (0x0A, "permanent emission-related codes"),
];

/// ISO 14229-1.
const UDS_ROWS: &[Row] = &[
    (0x10, "DiagnosticSessionControl"),
    (0x11, "ECUReset"),
    (0x14, "ClearDiagnosticInformation"),
    (0x19, "ReadDTCInformation"),
    (0x22, "ReadDataByIdentifier"),
    (0x23, "ReadMemoryByAddress"),
    (0x24, "ReadScalingDataByIdentifier"),
    (0x27, "SecurityAccess"),
    (0x28, "CommunicationControl"),
    (0x29, "Authentication"),
    (0x2A, "ReadDataByPeriodicIdentifier"),
    (0x2C, "DynamicallyDefineDataIdentifier"),
    (0x2E, "WriteDataByIdentifier"),
    (0x2F, "InputOutputControlByIdentifier"),
    (0x31, "RoutineControl"),
    (0x34, "RequestDownload"),
    (0x35, "RequestUpload"),
    (0x36, "TransferData"),
    (0x37, "RequestTransferExit"),
    (0x38, "RequestFileTransfer"),
    (0x3D, "WriteMemoryByAddress"),
    (0x3E, "TesterPresent"),
    (0x83, "AccessTimingParameter"),
    (0x84, "SecuredDataTransmission"),
    (0x85, "ControlDTCSetting"),
    (0x86, "ResponseOnEvent"),
    (0x87, "LinkControl"),
];

/// ISO 14230-3.
const KWP_ROWS: &[Row] = &[
    (0x10, "StartDiagnosticSession"),
    (0x11, "ECUReset"),
    (0x12, "ReadFreezeFrameData"),
    (0x13, "ReadDiagnosticTroubleCodes"),
    (0x14, "ClearDiagnosticInformation"),
    (0x17, "ReadStatusOfDiagnosticTroubleCodes"),
    (0x18, "ReadDiagnosticTroubleCodesByStatus"),
    (0x1A, "ReadECUIdentification"),
    (0x20, "StopDiagnosticSession"),
    (0x21, "ReadDataByLocalIdentifier"),
    (0x22, "ReadDataByCommonIdentifier"),
    (0x23, "ReadMemoryByAddress"),
    (0x26, "SetDataRates"),
    (0x27, "SecurityAccess"),
    (0x28, "DisableNormalMessageTransmission"),
    (0x29, "EnableNormalMessageTransmission"),
    (0x2C, "DynamicallyDefineLocalIdentifier"),
    (0x2E, "WriteDataByCommonIdentifier"),
    (0x2F, "InputOutputControlByCommonIdentifier"),
    (0x30, "InputOutputControlByLocalIdentifier"),
    (0x31, "StartRoutineByLocalIdentifier"),
    (0x32, "StopRoutineByLocalIdentifier"),
    (0x33, "RequestRoutineResultsByLocalIdentifier"),
    (0x34, "RequestDownload"),
    (0x35, "RequestUpload"),
    (0x36, "TransferData"),
    (0x37, "RequestTransferExit"),
    (0x38, "StartRoutineByAddress"),
    (0x39, "StopRoutineByAddress"),
    (0x3A, "RequestRoutineResultsByAddress"),
    (0x3B, "WriteDataByLocalIdentifier"),
    (0x3D, "WriteMemoryByAddress"),
    (0x3E, "TesterPresent"),
    (0x81, "StartCommunication"),
    (0x82, "StopCommunication"),
    (0x83, "AccessTimingParameter"),
    (0x84, "NetworkConfiguration"),
    (0x85, "ControlDTCSetting"),
    (0x86, "ResponseOnEvent"),
];

static UDS: [&str; 256] = table(&[OBD_ROWS, UDS_ROWS]);
static KWP: [&str; 256] = table(&[OBD_ROWS, KWP_ROWS]);
static OTHER: [&str; 256] = [FOREIGN; 256];

#[expect(
    clippy::indexing_slicing,
    reason = "evaluated by the compiler: an index out of bounds would be a compile error"
)]
const fn table(lists: &[&[Row]]) -> [&'static str; 256] {
    let mut names = [RESERVED; 256];
    // Makers and suppliers: ISO 14229-1:2013, Table 2.
    let mut service = 0xA0;
    while service <= 0xBE {
        names[service] = FOREIGN;
        service += 1;
    }
    let mut list = 0;
    while list < lists.len() {
        let rows = lists[list];
        let mut row = 0;
        while row < rows.len() {
            names[rows[row].0 as usize] = rows[row].1;
            row += 1;
        }
        list += 1;
    }
    names
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CanId;

    fn message(id: u32, partner: u32, payload: &[u8]) -> Message {
        let can = |id| Address::can(CanId::standard(id).unwrap());
        Message {
            number: 1,
            start: None,
            end: None,
            channel: Channel(0),
            address: can(id),
            partner: Some(can(partner)),
            functional: false,
            frames: 1,
            payload: payload.to_vec(),
            announced: 0,
            fault: None,
        }
    }

    /// Source: tables of ISO 14229-1 as in scapy 2.8.0 and py-uds 4.0.0.
    #[test]
    fn every_service_of_the_standard_has_its_name() {
        for service in [
            0x10, 0x11, 0x14, 0x19, 0x22, 0x23, 0x24, 0x27, 0x28, 0x29, 0x2A, 0x2C, 0x2E, 0x2F,
            0x31, 0x34, 0x35, 0x36, 0x37, 0x38, 0x3D, 0x3E, 0x83, 0x84, 0x85, 0x86, 0x87,
        ] {
            let name = service_name(service, Family::Uds);
            assert!(name != RESERVED && name != FOREIGN, "{service:02X}");
            assert_eq!(service_name(service | 0x40, Family::Uds), name);
        }
        assert_eq!(service_name(0xA5, Family::Uds), FOREIGN);
        assert_eq!(service_name(0x15, Family::Uds), RESERVED);
        for rows in [OBD_ROWS, UDS_ROWS, KWP_ROWS] {
            assert!(rows.is_sorted_by_key(|row| row.0));
        }
    }

    #[test]
    fn a_shared_identifier_belongs_to_who_speaks() {
        let mut families = Families::new();
        // Nothing known: the present standard.
        assert_eq!(families.of(&message(0x700, 0x708, &[0x27, 1])), Family::Uds);
        // A module that answers 0x21 speaks KWP 2000.
        families.of(&message(0x708, 0x700, &[0x61, 3, 1, 2]));
        assert_eq!(families.of(&message(0x700, 0x708, &[0x31, 5])), Family::Kwp);
        // Another that answers 0x19 does not.
        families.of(&message(0x718, 0x710, &[0x59, 2, 0xFF]));
        assert_eq!(
            families.of(&message(0x710, 0x718, &[0x31, 1, 2, 3])),
            Family::Uds
        );
        // A maker's own family, after one of its services.
        families.of(&message(0x641, 0x241, &[0xE2, 0]));
        assert_eq!(
            families.of(&message(0x241, 0x641, &[0x34, 0, 0, 1])),
            Family::Other
        );
        assert_eq!(
            families.of(&message(0x641, 0x241, &[0x5A, 0x90, 1])),
            Family::Other
        );
    }
}

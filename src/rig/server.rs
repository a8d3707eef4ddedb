//! How a module answers requests: ISO 14229-1 for all, SAE J1979 for the engine module.
//!
//! Bytes in, bytes out; when the answer is due, and whether "response pending" comes first, is told beside it.

use super::memory::{Dtc, Memory, Snapshot};
use super::readings::Readings;
use super::settings::ModuleName;
use super::whole::{byte, word};

/// An answer and when it goes out.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Reply {
    /// The payload; `None`: the module keeps silent.
    pub(super) payload: Option<Vec<u8>>,
    /// Whether "response pending" goes out first, and the answer only after [`LONG_S`].
    pub(super) pending: bool,
}

/// How long work takes that needs a "response pending", seconds.
pub(super) const LONG_S: f64 = 0.18;
/// A session other than the default one ends after so long without a request, seconds (ISO 14229-2, `S3_Server`).
const SESSION_S: f64 = 5.0;

const SERVICE_NOT_SUPPORTED: u8 = 0x11;
const SUB_FUNCTION_NOT_SUPPORTED: u8 = 0x12;
const WRONG_LENGTH: u8 = 0x13;
const CONDITIONS_NOT_CORRECT: u8 = 0x22;
const OUT_OF_RANGE: u8 = 0x31;
const SECURITY_ACCESS_DENIED: u8 = 0x33;
const NOT_IN_THIS_SESSION: u8 = 0x7F;

/// Identifiers of the brake module's own data; they are the training vehicle's own.
pub(super) const DID_WHEEL: u16 = 0x2B01;
const DID_ALL_WHEELS: u16 = 0x2B00;
pub(super) const DID_SUPPLY: u16 = 0x2B10;
const DID_STATES: u16 = 0x2B11;
const DID_YAW: u16 = 0x2B12;
const DID_STEERING: u16 = 0x2B13;
const DID_PRESSURE: u16 = 0x2B14;
const DID_SNAPSHOT_SPEED: u16 = 0x2B20;
const DID_SNAPSHOT_SUPPLY: u16 = 0x2B21;
const DID_SNAPSHOT_SECONDS: u16 = 0x2B22;

/// The answering side of one module.
#[derive(Clone, Debug)]
pub(super) struct Server {
    name: ModuleName,
    vin: [u8; 17],
    session: u8,
    session_until: f64,
    /// Whether it takes its time over long lists.
    slow: bool,
}

type Answer = Result<Vec<u8>, u8>;

impl Server {
    pub(super) const fn new(name: ModuleName, vin: [u8; 17], slow: bool) -> Self {
        Self {
            name,
            vin,
            session: 1,
            session_until: 0.0,
            slow,
        }
    }

    /// Answers one request.
    pub(super) fn answer(
        &mut self,
        request: &[u8],
        functional: bool,
        now: f64,
        memory: &mut Memory,
        readings: &Readings,
    ) -> Reply {
        let Some((&service, rest)) = request.split_first() else {
            return Reply::default();
        };
        if now > self.session_until {
            self.session = 1;
        }
        self.session_until = now + SESSION_S;
        let answer = match service {
            0x01..=0x0A if self.name == ModuleName::Powertrain => {
                // SAE J1979: what is not supported is not answered.
                let payload = self.legislated(service, rest, memory, readings);
                return Reply {
                    payload,
                    pending: false,
                };
            }
            0x10 => self.control_session(rest),
            0x14 => Self::clear(rest, memory, readings),
            0x19 => Self::read_codes(rest, memory),
            0x22 => self.read_data(rest, memory, readings),
            0x3E => match rest {
                [0x00 | 0x80] => Ok(vec![0x7E, 0]),
                [_] => Err(SUB_FUNCTION_NOT_SUPPORTED),
                _ => Err(WRONG_LENGTH),
            },
            0x11 | 0x28 | 0x2E | 0x2F | 0x31 | 0x85 if self.session == 1 => {
                Err(NOT_IN_THIS_SESSION)
            }
            0x11 | 0x28 | 0x2E | 0x2F | 0x31 | 0x85 => Err(SECURITY_ACCESS_DENIED),
            _ => Err(SERVICE_NOT_SUPPORTED),
        };
        let has_sub_function = matches!(service, 0x10 | 0x11 | 0x19 | 0x28 | 0x3E | 0x85);
        let suppressed = has_sub_function && rest.first().is_some_and(|sub| sub & 0x80 != 0);
        let pending = matches!(service, 0x14) || service == 0x19 && self.slow;
        match answer {
            Ok(_) if suppressed => Reply::default(),
            Ok(payload) => Reply {
                payload: Some(payload),
                pending: pending && !functional,
            },
            // Asked to all, a module keeps silent about what it does not have (ISO 14229-1:2013, 7.5).
            Err(
                SERVICE_NOT_SUPPORTED
                | SUB_FUNCTION_NOT_SUPPORTED
                | OUT_OF_RANGE
                | NOT_IN_THIS_SESSION,
            ) if functional => Reply::default(),
            Err(code) => Reply {
                payload: Some(vec![0x7F, service, code]),
                pending: false,
            },
        }
    }

    fn control_session(&mut self, rest: &[u8]) -> Answer {
        let &[sub] = rest else {
            return Err(WRONG_LENGTH);
        };
        let kind = sub & 0x7F;
        match kind {
            0x01 | 0x03 => {
                self.session = kind;
                // P2 50 ms, P2* 5000 ms in steps of 10.
                Ok(vec![0x50, kind, 0x00, 0x32, 0x01, 0xF4])
            }
            0x02 => Err(CONDITIONS_NOT_CORRECT),
            _ => Err(SUB_FUNCTION_NOT_SUPPORTED),
        }
    }

    fn clear(rest: &[u8], memory: &mut Memory, readings: &Readings) -> Answer {
        match rest {
            [0xFF, 0xFF, 0xFF] | [0x40 | 0xC0, 0x00, 0x00] if readings.speed_kmh > 3.0 => {
                Err(CONDITIONS_NOT_CORRECT)
            }
            [0xFF, 0xFF, 0xFF] => {
                memory.clear();
                Ok(vec![0x54])
            }
            [_, _, _] => Err(OUT_OF_RANGE),
            _ => Err(WRONG_LENGTH),
        }
    }

    fn read_codes(rest: &[u8], memory: &Memory) -> Answer {
        let available = memory.availability();
        let Some((&sub, rest)) = rest.split_first() else {
            return Err(WRONG_LENGTH);
        };
        let sub = sub & 0x7F;
        let list = |codes: Vec<(Dtc, u8)>| {
            let mut payload = vec![0x59, sub, available];
            for (dtc, status) in codes {
                payload.extend_from_slice(&dtc);
                payload.push(status);
            }
            payload
        };
        match (sub, rest) {
            (0x01, &[mask]) => {
                let count = u16::try_from(memory.listed(mask).len()).unwrap_or(u16::MAX);
                let [high, low] = count.to_be_bytes();
                Ok(vec![0x59, sub, available, 0x00, high, low])
            }
            (0x02, &[mask]) => Ok(list(memory.listed(mask))),
            (0x0A, []) => Ok(list(memory.known())),
            (0x04, &[a, b, c, record]) => {
                let dtc = [a, b, c];
                let (status, snapshot) = memory.look_up(dtc).ok_or(OUT_OF_RANGE)?;
                let mut payload = vec![0x59, sub, a, b, c, status];
                if let Some(snapshot) = snapshot.filter(|_| matches!(record, 0x01 | 0xFF)) {
                    push_snapshot(&mut payload, snapshot);
                }
                Ok(payload)
            }
            (0x01 | 0x02 | 0x04 | 0x0A, _) => Err(WRONG_LENGTH),
            _ => Err(SUB_FUNCTION_NOT_SUPPORTED),
        }
    }

    fn read_data(&self, rest: &[u8], memory: &Memory, readings: &Readings) -> Answer {
        if rest.is_empty() || !rest.len().is_multiple_of(2) {
            return Err(WRONG_LENGTH);
        }
        let mut payload = vec![0x62];
        for pair in rest.chunks_exact(2) {
            let did = u16::from_be_bytes([pair[0], pair[1]]);
            if let Some(data) = self.data(did, memory, readings) {
                payload.extend_from_slice(pair);
                payload.extend_from_slice(&data);
            }
        }
        if payload.len() == 1 {
            return Err(OUT_OF_RANGE);
        }
        Ok(payload)
    }

    fn data(&self, did: u16, memory: &Memory, readings: &Readings) -> Option<Vec<u8>> {
        let speed = |wheel: Option<f64>| wheel.map_or(0xFFFF, |kmh| word(kmh * 100.0));
        let signed = |value: f64, step: f64| word(value / step + 32_768.0).to_be_bytes().to_vec();
        match did {
            0xF190 => return Some(self.vin.to_vec()),
            0xF186 => return Some(vec![self.session]),
            0xF187 => return Some(format!("TV-{:02}-4711", self.name.index() + 1).into_bytes()),
            0xF195 => return Some(b"0203".to_vec()),
            _ => {}
        }
        if self.name == ModuleName::Powertrain {
            return match did {
                0x2C01 => Some(word(readings.engine_rpm * 4.0).to_be_bytes().to_vec()),
                _ => None,
            };
        }
        if self.name != ModuleName::Brakes {
            return None;
        }
        let wheel = usize::from(did.wrapping_sub(DID_WHEEL));
        if let Some(&kmh) = readings.wheels_kmh.get(wheel) {
            return Some(speed(kmh).to_be_bytes().to_vec());
        }
        match did {
            DID_ALL_WHEELS => {
                let words = readings.wheels_kmh.map(|kmh| speed(kmh).to_be_bytes());
                Some(words.concat())
            }
            DID_SUPPLY => Some(vec![byte(readings.supply_v * 10.0)]),
            DID_STATES => Some(vec![
                u8::from(readings.brake_switch)
                    | u8::from(readings.abs_active) << 1
                    | u8::from(readings.fluid_low) << 2
                    | u8::from(memory.any_present()) << 3,
            ]),
            DID_YAW => Some(signed(readings.yaw_deg_s, 0.01)),
            DID_STEERING => Some(signed(readings.steering_deg, 0.1)),
            DID_PRESSURE => Some(vec![byte(readings.pressure_bar)]),
            _ => None,
        }
    }

    fn legislated(
        &self,
        service: u8,
        rest: &[u8],
        memory: &mut Memory,
        readings: &Readings,
    ) -> Option<Vec<u8>> {
        match (service, rest) {
            (0x01, pids) if (1..=6).contains(&pids.len()) => {
                let mut payload = vec![0x41];
                for &pid in pids {
                    if let Some(data) = Self::parameter(pid, memory, readings) {
                        payload.push(pid);
                        payload.extend_from_slice(&data);
                    }
                }
                (payload.len() > 1).then_some(payload)
            }
            (0x03, []) => Some(two_byte_list(0x43, &memory.listed(0x08))),
            (0x07, []) => Some(two_byte_list(0x47, &memory.listed(0x04))),
            (0x0A, []) => {
                let mut confirmed = memory.listed(0x08);
                confirmed.retain(|(dtc, status)| dtc[0] < 0x40 && status & 0x81 != 0);
                Some(two_byte_list(0x4A, &confirmed))
            }
            (0x04, []) if readings.speed_kmh > 3.0 => Some(vec![0x7F, 0x04, 0x22]),
            (0x04, []) => {
                memory.clear();
                Some(vec![0x44])
            }
            (0x09, [0x00]) => Some(vec![0x49, 0x00, 0x40, 0x00, 0x00, 0x00]),
            (0x09, [0x02]) => {
                let mut payload = vec![0x49, 0x02, 0x01];
                payload.extend_from_slice(&self.vin);
                Some(payload)
            }
            _ => None,
        }
    }

    fn parameter(pid: u8, memory: &Memory, readings: &Readings) -> Option<Vec<u8>> {
        match pid {
            // 01, 05, 0C, 0D and the next block; 21 and 40; 42.
            0x00 => Some(vec![0x88, 0x18, 0x00, 0x01]),
            0x20 => Some(vec![0x80, 0x00, 0x00, 0x01]),
            0x40 => Some(vec![0x40, 0x00, 0x00, 0x00]),
            0x01 => {
                let confirmed = memory.listed(0x08);
                let count = u8::try_from(confirmed.len()).unwrap_or(0x7F).min(0x7F);
                let lamp = confirmed
                    .iter()
                    .any(|(dtc, status)| dtc[0] < 0x40 && status & 1 != 0);
                Some(vec![u8::from(lamp) << 7 | count, 0x07, 0x65, 0x00])
            }
            0x05 => Some(vec![byte(readings.coolant_c + 40.0)]),
            0x0C => Some(word(readings.engine_rpm * 4.0).to_be_bytes().to_vec()),
            0x0D => Some(vec![byte(readings.speed_kmh)]),
            0x21 => Some(vec![0, 0]),
            0x42 => Some(word(readings.battery_v * 1_000.0).to_be_bytes().to_vec()),
            _ => None,
        }
    }
}

fn push_snapshot(payload: &mut Vec<u8>, snapshot: Snapshot) {
    payload.extend_from_slice(&[0x01, 0x03]);
    payload.extend_from_slice(&DID_SNAPSHOT_SPEED.to_be_bytes());
    payload.extend_from_slice(&snapshot.speed.to_be_bytes());
    payload.extend_from_slice(&DID_SNAPSHOT_SUPPLY.to_be_bytes());
    payload.push(snapshot.supply);
    payload.extend_from_slice(&DID_SNAPSHOT_SECONDS.to_be_bytes());
    payload.extend_from_slice(&snapshot.seconds.to_be_bytes());
}

/// The list of SAE J1979 on CAN: a count, then two bytes for each code; two failure types of one code count once.
fn two_byte_list(service: u8, codes: &[(Dtc, u8)]) -> Vec<u8> {
    let mut numbers: Vec<[u8; 2]> = codes.iter().map(|(dtc, _)| [dtc[0], dtc[1]]).collect();
    numbers.dedup();
    let count = u8::try_from(numbers.len()).unwrap_or(u8::MAX);
    let mut payload = vec![service, count];
    for number in numbers.iter().take(usize::from(count)) {
        payload.extend_from_slice(number);
    }
    payload
}

#[cfg(test)]
mod tests {
    use super::*;

    const VIN: [u8; 17] = *b"000TRAJNGVEH00007";

    fn ask(name: ModuleName, request: &[u8], functional: bool) -> Option<Vec<u8>> {
        let mut memory = Memory::new(0x2F, 1, false);
        let snapshot = Snapshot {
            speed: 4_500,
            supply: 138,
            seconds: 12,
        };
        memory.failed([0x40, 0x31, 0x13], snapshot);
        memory.know([0x40, 0x34, 0x13]);
        let mut server = Server::new(name, VIN, false);
        let readings = Readings {
            wheels_kmh: [Some(45.0), None, Some(0.0), Some(44.5)],
            speed_kmh: 74.0,
            engine_rpm: 1_726.0,
            battery_v: 13.125,
            coolant_c: 83.0,
            ..Readings::default()
        };
        let reply = server.answer(request, functional, 0.0, &mut memory, &readings);
        reply.payload
    }

    /// Source: SAE J1979 values by the published formulae: 83 °C is 7B, 1726/min is 1AF8, 74 km/h is 4A, 13.125 V is 3345.
    #[test]
    fn legislated_values_are_those_of_the_formulae() {
        let powertrain = |request: &[u8]| ask(ModuleName::Powertrain, request, true);
        assert_eq!(powertrain(&[1, 5]).unwrap(), [0x41, 5, 0x7B]);
        assert_eq!(powertrain(&[1, 0x0C]).unwrap(), [0x41, 0x0C, 0x1A, 0xF8]);
        let both = powertrain(&[1, 0x0D, 0x42]).unwrap();
        assert_eq!(both, [0x41, 0x0D, 0x4A, 0x42, 0x33, 0x45]);
        assert_eq!(powertrain(&[3]).unwrap(), [0x43, 1, 0x40, 0x31]);
        assert_eq!(powertrain(&[1, 0x99]), None);
        assert_eq!(powertrain(&[4]).unwrap(), [0x7F, 4, 0x22]);
    }

    /// Source: ISO 14229-1:2013, the services' tables and negative response codes.
    #[test]
    fn diagnostic_services_answer_as_the_standard_says() {
        let brakes = |request: &[u8]| ask(ModuleName::Brakes, request, false).unwrap();
        assert_eq!(brakes(&[0x10, 3]), [0x50, 3, 0, 0x32, 1, 0xF4]);
        assert_eq!(
            brakes(&[0x19, 2, 0xFF]),
            [0x59, 2, 0x2F, 0x40, 0x31, 0x13, 0x2F]
        );
        assert_eq!(brakes(&[0x19, 1, 0x08]), [0x59, 1, 0x2F, 0, 0, 1]);
        assert_eq!(
            brakes(&[0x19, 4, 0x40, 0x31, 0x13, 1]),
            [
                0x59, 4, 0x40, 0x31, 0x13, 0x2F, 1, 3, 0x2B, 0x20, 0x11, 0x94, 0x2B, 0x21, 0x8A,
                0x2B, 0x22, 0, 12
            ]
        );
        assert_eq!(
            brakes(&[0x22, 0x2B, 1, 0x2B, 2]),
            [0x62, 0x2B, 1, 0x11, 0x94, 0x2B, 2, 0xFF, 0xFF]
        );
        assert_eq!(brakes(&[0x22, 0x12, 0x34]), [0x7F, 0x22, 0x31]);
        assert_eq!(brakes(&[0x14, 0xFF, 0xFF, 0xFF]), [0x7F, 0x14, 0x22]);
        assert_eq!(brakes(&[0x19, 0x77]), [0x7F, 0x19, 0x12]);
        assert_eq!(brakes(&[0x31, 1, 2, 3]), [0x7F, 0x31, 0x7F]);
        assert_eq!(brakes(&[0x99]), [0x7F, 0x99, 0x11]);
        assert_eq!(ask(ModuleName::Brakes, &[0x99], true), None);
        assert_eq!(ask(ModuleName::Brakes, &[0x3E, 0x80], true), None);
        assert_eq!(ask(ModuleName::Brakes, &[3], true), None);
    }

    #[test]
    fn any_request_is_survived() {
        for service in 0..=u8::MAX {
            for length in 0..9 {
                let mut request = vec![service];
                request.resize(1 + length, 0xFF);
                for name in ModuleName::ALL {
                    ask(name, &request, length % 2 == 0);
                }
            }
        }
    }

    #[test]
    fn a_session_ends_by_itself() {
        let mut server = Server::new(ModuleName::Brakes, VIN, false);
        let mut memory = Memory::new(0xFF, 1, false);
        let readings = Readings::default();
        server.answer(&[0x10, 3], false, 0.0, &mut memory, &readings);
        let mut session = |now| {
            let reply = server.answer(&[0x22, 0xF1, 0x86], false, now, &mut memory, &readings);
            reply.payload.unwrap()[3]
        };
        assert_eq!(session(4.0), 3);
        assert_eq!(session(8.9), 3);
        assert_eq!(session(14.1), 1);
    }
}

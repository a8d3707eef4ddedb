//! Clearing a module's codes: the only change that this program ever makes to a vehicle, and what has to come first.
//!
//! In this order, each step giving what the next one needs: the codes and their snapshots are read ([`read_memory`]) and
//! kept ([`Saved::keep`]); the vehicle stands ([`motion`], [`Motion::stands`]); a person types the module's name
//! ([`Saved::confirm`]). Only then there is a [`Confirmed`], without which the gate refuses.
//!
//! Source: ISO 14229-1:2013, 11.2 (0x14) and 11.3 (0x19 02, 04); ISO 14230-3:1999, 8; SAE J1979:2012, 6.4 (mode 04).

use std::io;
use std::time::Duration;

use super::asker::{Asker, Ending, Outcome, Target};
use super::bus::{Bus, Heard, LinkError};
use super::errand::{Errand, GoOn, converse, run};
use super::gate::{Confirmed, permit};
use super::survey::codes_request;
use crate::frame::{Channel, Timestamp};
use crate::service::{CodeEntry, code_list};
use crate::signal::profile::{Profile, ProfileModule, Protocol};
use crate::signal::{Carrier, Extractor, Trace};
use crate::transport::Address;

/// What a module remembers, as it said.
#[derive(Clone, Debug)]
pub struct Memory {
    /// The codes that failed at some time.
    pub codes: Vec<CodeEntry>,
    /// For each code that has one: the whole answer with its snapshots (0x59 04).
    pub snapshots: Vec<Vec<u8>>,
}

/// Why codes are not cleared.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ClearError {
    /// The link failed.
    #[error(transparent)]
    Link(#[from] LinkError),
    /// The module does not answer.
    #[error("{module} does not answer")]
    Silent {
        /// Its name.
        module: String,
    },
    /// The module gives no list of codes; what is not known is not cleared.
    #[error("{module} does not give its codes{}, so they cannot be kept and are not cleared", refused(*code))]
    NoCodes {
        /// Its name.
        module: String,
        /// Its response code.
        code: Option<u8>,
    },
    /// What was read could not be kept.
    #[error("the codes could not be kept, so they are not cleared")]
    NotKept(#[source] io::Error),
}

fn refused(code: Option<u8>) -> String {
    code.map_or_else(String::new, |code| format!(" (0x{code:02X})"))
}

/// The brake module of a profile, or the one of this name.
pub fn module<'p>(profile: &'p Profile, name: Option<&str>) -> Option<&'p ProfileModule> {
    profile.modules.iter().find(|module| match name {
        Some(name) => module.name == name,
        None => module.role == crate::vehicle::Role::Brakes,
    })
}

/// Asks one module one thing; in the extended session if the module insists.
fn ask(
    bus: &mut dyn Bus,
    asker: &mut Asker,
    module: &ProfileModule,
    request: &[u8],
    confirmed: Option<&Confirmed>,
    each: &mut dyn FnMut(&Heard),
) -> Result<Option<Outcome>, LinkError> {
    let target = Target::Module(module.conversation());
    let Ok(permitted) = permit(request, module.protocol, confirmed) else {
        return Ok(None);
    };
    let mut outcome = None;
    for _ in 0..TRIES {
        outcome = converse(bus, asker, &target, &permitted, each)?;
        let Some(known) = &outcome else {
            return Ok(None);
        };
        let insists = matches!(known.refusal(), Some(NOT_IN_SESSION | NOT_SUB_IN_SESSION));
        if insists && module.protocol == Protocol::Uds {
            if let Ok(session) = permit(&[0x10, 0x03], module.protocol, None) {
                converse(bus, asker, &target, &session, each)?;
            }
        } else if known.refusal() == Some(BUSY) {
            pause(bus, BUSY_PAUSE, each)?;
        } else if !matches!(known.ending, Ending::Silent | Ending::Broken(_)) {
            break;
        } else if confirmed.is_some() {
            // Whether it has cleared is not known: reading back will tell. It is not told twice.
            break;
        }
    }
    Ok(outcome)
}

/// Reads the codes and their snapshots. Every frame goes to `each`.
pub fn read_memory(
    bus: &mut dyn Bus,
    module: &ProfileModule,
    each: &mut dyn FnMut(&Heard),
) -> Result<Memory, ClearError> {
    let mut asker = Asker::new(super::Manner::default());
    let mut code = None;
    for attempt in 0.. {
        let Some(request) = codes_request(module.protocol, attempt) else {
            break;
        };
        let outcome = ask(bus, &mut asker, module, &request, None, each)?;
        let Some(outcome) = outcome else { break };
        if attempt == 0 && outcome.ending == Ending::Silent {
            return Err(ClearError::Silent {
                module: module.name.clone(),
            });
        }
        code = outcome.refusal();
        let list = outcome
            .positive()
            .and_then(|reply| code_list(&reply.payload));
        let Some(list) = list else { continue };
        let codes: Vec<CodeEntry> = list
            .entries
            .into_iter()
            .filter(|entry| entry.status.is_none_or(|status| status & FAILED != 0))
            .collect();
        let mut snapshots = Vec::new();
        if module.protocol == Protocol::Uds {
            for entry in &codes {
                let [high, low] = entry.code.0.to_be_bytes();
                let kind = entry.failure_type.map_or(0, |kind| kind.0);
                let request = [0x19, 0x04, high, low, kind, 0xFF];
                let outcome = ask(bus, &mut asker, module, &request, None, each)?;
                if let Some(reply) = outcome.as_ref().and_then(Outcome::positive) {
                    snapshots.push(reply.payload.clone());
                }
            }
        }
        return Ok(Memory { codes, snapshots });
    }
    Err(ClearError::NoCodes {
        module: module.name.clone(),
        code,
    })
}

/// What a module remembers has been kept.
#[derive(Debug)]
pub struct Saved {
    memory: Memory,
    module: ProfileModule,
}

impl Saved {
    /// Keeps what was read, in the way that `keep` knows; it must not succeed before the bytes are safe.
    pub fn keep(
        memory: Memory,
        module: &ProfileModule,
        keep: impl FnOnce(&Memory) -> io::Result<()>,
    ) -> Result<Self, ClearError> {
        keep(&memory).map_err(ClearError::NotKept)?;
        Ok(Self {
            memory,
            module: module.clone(),
        })
    }

    /// What was kept.
    pub const fn memory(&self) -> &Memory {
        &self.memory
    }

    /// What a person has typed, for a vehicle that stands: the module's name, and nothing else, confirms.
    pub fn confirm(&self, _stands: &Stands, typed: &str) -> Option<Confirmed> {
        (typed.trim() == self.module.name.trim() && !typed.trim().is_empty())
            .then(|| Confirmed::clearing(self.module.request))
    }
}

/// Whether the vehicle moves.
#[derive(Clone, Debug, PartialEq)]
pub enum Motion {
    /// Its speed is known and zero.
    Stands,
    /// Something turns.
    Turns {
        /// What: `left front wheel`, `vehicle`.
        what: &'static str,
        /// How fast, km/h.
        kmh: f32,
    },
    /// Nothing says how fast it is.
    Unknown,
}

/// The vehicle stands, as far as anyone can know.
#[derive(Debug)]
pub struct Stands(());

impl Motion {
    /// Whether it may be taken to stand. `stated` is what a person who sees the vehicle says; it does not help against a
    /// wheel that turns.
    pub const fn stands(&self, stated: bool) -> Option<Stands> {
        match self {
            Self::Stands => Some(Stands(())),
            Self::Unknown if stated => Some(Stands(())),
            Self::Unknown | Self::Turns { .. } => None,
        }
    }
}

/// Looks whether the vehicle moves: the wheels' signals of the profile, broadcast or asked for, and the legislated speed.
pub fn motion(
    bus: &mut dyn Bus,
    profile: &Profile,
    each: &mut dyn FnMut(&Heard),
) -> Result<Motion, LinkError> {
    let mut extractor = Extractor::new(profile);
    let mut asker = Asker::new(super::Manner::default());
    let mut number = 0;
    let mut listener = |heard: &Heard, extractor: &mut Extractor| {
        number += 1;
        extractor.push_frame(&heard.frame(number, Channel(0)));
        each(heard);
    };
    pause(bus, LISTEN, &mut |heard| listener(heard, &mut extractor))?;
    let mut asked = Vec::new();
    for source in profile
        .speeds
        .iter()
        .flatten()
        .chain(&profile.vehicle_speed)
    {
        let (target, request, protocol) = match source.carrier {
            Carrier::Frame(_) => continue,
            Carrier::Identifier { module, did } => {
                let Some(module) = profile.modules.get(module) else {
                    continue;
                };
                let [high, low] = did.to_be_bytes();
                let target = Target::Module(module.conversation());
                (target, vec![0x22, high, low], module.protocol)
            }
            Carrier::Parameter(parameter) => {
                (everyone(profile), vec![0x01, parameter], Protocol::Obd)
            }
        };
        asked.push((target, request, protocol));
    }
    if profile.vehicle_speed.is_none() {
        asked.push((everyone(profile), vec![0x01, 0x0D], Protocol::Obd));
    }
    for (target, request, protocol) in asked {
        let Ok(permitted) = permit(&request, protocol, None) else {
            continue;
        };
        let outcome = converse(bus, &mut asker, &target, &permitted, &mut |heard| {
            listener(heard, &mut extractor);
        })?;
        for reply in outcome.iter().flat_map(|outcome| &outcome.answers) {
            extractor.push_answer(
                reply.from.response,
                Some(&request),
                &reply.payload,
                Some(reply.time),
            );
        }
    }
    let signals = extractor.finish();
    let wheels = [
        "left front wheel",
        "right front wheel",
        "left rear wheel",
        "right rear wheel",
    ];
    let named = wheels.into_iter().zip(&signals.speeds);
    for (what, trace) in named.chain([("vehicle", &signals.vehicle_speed)]) {
        if let Some(kmh) = trace.as_ref().and_then(fastest)
            && kmh > STANDING_KMH
        {
            return Ok(Motion::Turns { what, kmh });
        }
    }
    let known = |trace: &Option<Trace>| trace.as_ref().and_then(fastest).is_some();
    let stands = known(&signals.vehicle_speed) || signals.speeds.iter().all(known);
    Ok(if stands {
        Motion::Stands
    } else {
        Motion::Unknown
    })
}

/// The highest valid value.
fn fastest(trace: &Trace) -> Option<f32> {
    let valid = trace.value.iter().copied().filter(|value| !value.is_nan());
    valid.fold(None, |most, value| {
        Some(most.map_or(value, |most: f32| most.max(value)))
    })
}

/// Everyone who answers legislated requests, in the width that the profile's modules use.
fn everyone(profile: &Profile) -> Target {
    let is_wide = |module: &ProfileModule| match module.request {
        Address::Can { id, .. } => id.is_extended(),
        Address::DoIp { .. } => false,
    };
    let wide = !profile.modules.is_empty() && profile.modules.iter().all(is_wide);
    super::survey::everyone(wide)
}

/// What came of clearing.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Cleared {
    /// The module says that it has cleared.
    Yes,
    /// It refuses, with this response code.
    Refused(u8),
    /// It did not say.
    Unknown,
}

/// Clears all codes of the module whose codes were kept.
pub fn clear(
    bus: &mut dyn Bus,
    saved: &Saved,
    confirmed: &Confirmed,
    each: &mut dyn FnMut(&Heard),
) -> Result<Cleared, LinkError> {
    let module = &saved.module;
    let request: &[u8] = match module.protocol {
        Protocol::Uds => &[0x14, 0xFF, 0xFF, 0xFF],
        Protocol::Kwp => &[0x14, 0xFF, 0x00],
        Protocol::Obd => &[0x04],
    };
    let mut asker = Asker::new(super::Manner::default());
    let outcome = ask(bus, &mut asker, module, request, Some(confirmed), each)?;
    Ok(match outcome {
        Some(outcome) if outcome.positive().is_some() => Cleared::Yes,
        Some(outcome) => outcome.refusal().map_or(Cleared::Unknown, Cleared::Refused),
        None => Cleared::Unknown,
    })
}

/// Listens for a while.
pub fn pause(
    bus: &mut dyn Bus,
    time: Duration,
    each: &mut dyn FnMut(&Heard),
) -> Result<(), LinkError> {
    let nanos = i64::try_from(time.as_nanos()).unwrap_or(i64::MAX);
    let end = Timestamp::from_nanos(bus.now().nanos().saturating_add(nanos));
    run(bus, &mut Pause, &mut |heard, now| {
        if let Some(heard) = heard {
            each(heard);
        }
        if now < end { GoOn::Yes } else { GoOn::No }
    })
}

/// Asks nothing.
struct Pause;

impl Errand for Pause {
    fn hear(&mut self, _heard: &Heard) {}

    fn poll(&mut self, _now: Timestamp) -> super::Action {
        super::Action::Idle
    }

    fn is_done(&self) -> bool {
        false
    }
}

/// How long it listens for broadcast speeds: several times the usual 10 to 100 ms between frames.
const LISTEN: Duration = Duration::from_millis(600);
const BUSY_PAUSE: Duration = Duration::from_millis(200);
/// Up to this a wheel stands, km/h: less than the step of the legislated speed.
const STANDING_KMH: f32 = 0.5;
const TRIES: u32 = 3;
/// Status bits that say that something failed (ISO 14229-1, D.2: not bits 4 and 6).
const FAILED: u8 = 0xAF;
/// Response codes (ISO 14229-1, Annex A).
const BUSY: u8 = 0x21;
const NOT_SUB_IN_SESSION: u8 = 0x7E;
const NOT_IN_SESSION: u8 = 0x7F;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::{Hub, Port};
    use crate::rig::{Drive, FaultWanted, Settings, Vehicle, profile_yaml};

    fn bench(drive: Drive, fault: &str, wait_s: u64) -> (Profile, Hub, Port) {
        let wanted: FaultWanted = fault.parse().unwrap();
        on_hub(
            &Settings {
                faults: vec![wanted.settled(8)],
                drive,
                ..Settings::training(8)
            },
            wait_s,
        )
    }

    fn on_hub(settings: &Settings, wait_s: u64) -> (Profile, Hub, Port) {
        let hub = Hub::new(Timestamp::default());
        hub.join(Vehicle::new(settings).without_tester());
        let mut port = hub.port();
        pause(&mut port, Duration::from_secs(wait_s), &mut |_| {}).unwrap();
        let yaml = profile_yaml(settings, "training");
        let profile = Profile::parse(&yaml, "rig", &mut |_| Err(io::ErrorKind::NotFound.into()));
        (profile.unwrap(), hub, port)
    }

    #[test]
    fn codes_are_kept_cleared_and_read_back() {
        // A wire was open on the drive before, and has been mended.
        let was: FaultWanted = "sensor-circuit/open@left-front".parse().unwrap();
        let settings = Settings {
            past_faults: vec![was.settled(8)],
            drive: Drive::Standing,
            ..Settings::training(8)
        };
        let (profile, _, mut port) = on_hub(&settings, 4);
        let module = module(&profile, None).unwrap();
        let mut frames = 0;
        let memory = read_memory(&mut port, module, &mut |_| frames += 1).unwrap();
        assert!(!memory.codes.is_empty() && !memory.snapshots.is_empty());
        assert!(frames > 4);
        let mut kept = 0;
        let saved = Saved::keep(memory, module, |memory| {
            kept = memory.codes.len();
            Ok(())
        })
        .unwrap();
        assert_eq!(kept, saved.memory().codes.len());
        let state = motion(&mut port, &profile, &mut |_| {}).unwrap();
        assert_eq!(state, Motion::Stands);
        let stands = state.stands(false).unwrap();
        // Only the module's own name confirms.
        for typed in ["", "yes", "brake control", "Engine control"] {
            assert!(saved.confirm(&stands, typed).is_none(), "{typed}");
        }
        let confirmed = saved.confirm(&stands, " Brake control\n").unwrap();
        assert_eq!(
            clear(&mut port, &saved, &confirmed, &mut |_| {}).unwrap(),
            Cleared::Yes
        );
        let after = read_memory(&mut port, module, &mut |_| {}).unwrap();
        assert_eq!(after.codes, []);
    }

    #[test]
    fn a_wheel_that_turns_forbids_it_whatever_a_person_says() {
        let (profile, _, mut port) = bench(Drive::Test, "sensor-circuit/open@left-front", 14);
        let state = motion(&mut port, &profile, &mut |_| {}).unwrap();
        assert!(
            matches!(state, Motion::Turns { kmh, .. } if kmh > 5.0),
            "{state:?}"
        );
        assert!(state.stands(true).is_none());
    }

    #[test]
    fn an_unknown_speed_needs_a_persons_word() {
        let (mut profile, _, _) = bench(Drive::Standing, "supply-low", 1);
        profile.speeds = [const { None }; 4];
        // Nobody is there to say how fast.
        let hub = Hub::new(Timestamp::default());
        let mut port = hub.port();
        let state = motion(&mut port, &profile, &mut |_| {}).unwrap();
        assert_eq!(state, Motion::Unknown);
        assert!(state.stands(false).is_none());
        assert!(state.stands(true).is_some());
        let module = module(&profile, None).unwrap();
        let silent = read_memory(&mut port, module, &mut |_| {}).unwrap_err();
        assert_eq!(silent.to_string(), "Brake control does not answer");
    }

    #[test]
    fn what_cannot_be_kept_is_not_cleared() {
        let (profile, _, mut port) = bench(Drive::Standing, "sensor-circuit/open@left-front", 4);
        let module = module(&profile, None).unwrap();
        let memory = read_memory(&mut port, module, &mut |_| {}).unwrap();
        let refused = Saved::keep(memory, module, |_| Err(io::ErrorKind::StorageFull.into()));
        assert!(matches!(refused, Err(ClearError::NotKept(_))));
    }
}

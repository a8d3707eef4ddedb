//! The survey against the simulated vehicle.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use super::*;
use crate::capture::{Item, Kind, Tally};
use crate::frame::{CanId, Channel, Frame, FrameKind};
use crate::link::{Bus as _, GoOn, Hub, Partner, run};
use crate::rig::{Drive, Fault, FaultWanted, RigFrame, Settings, Vehicle, causes, profile_yaml};
use crate::vehicle::{List, Record, Recorder};

/// A survey of a vehicle for so many seconds; the record of what was on the bus, and what the survey told.
pub(super) fn survey(
    settings: &Settings,
    hub: &Hub,
    scope: Scope,
    seconds: f64,
) -> (Record, Survey) {
    survey_by(&rig_profile(settings), hub, scope, seconds)
}

/// The same by another profile.
fn survey_by(profile: &Profile, hub: &Hub, scope: Scope, seconds: f64) -> (Record, Survey) {
    let mut recorder = Recorder::new(profile.clone());
    let mut survey = Survey::new(profile, scope);
    let mut port = hub.port();
    let end = port.now().seconds() + seconds;
    let mut number = 0;
    run(&mut port, &mut survey, &mut |heard, now| {
        if let Some(heard) = heard {
            number += 1;
            recorder.push(&Item::Can(heard.frame(number, Channel(0))));
        }
        if now.seconds() < end {
            GoOn::Yes
        } else {
            GoOn::No
        }
    })
    .unwrap();
    recorder.end_capture("hub", Kind::CandumpLog, &Tally::default());
    (recorder.finish(), survey)
}

fn rig_profile(settings: &Settings) -> Profile {
    let yaml = profile_yaml(settings, "training");
    Profile::parse(&yaml, "rig", &mut |_| {
        Err(std::io::ErrorKind::NotFound.into())
    })
    .unwrap()
}

fn on_hub(settings: &Settings) -> Hub {
    let hub = Hub::new(Timestamp::from_seconds(1_000.0));
    hub.join(Vehicle::new(settings).without_tester());
    hub
}

fn with_fault(text: &str, seed: u64) -> Settings {
    let wanted: FaultWanted = text.parse().unwrap();
    Settings {
        faults: vec![wanted.settled(seed)],
        ..Settings::training(seed)
    }
}

/// The codes of the modules by name, as far as they failed at some time.
fn codes(record: &Record) -> BTreeSet<(String, u16, Option<u8>)> {
    record
        .codes
        .iter()
        .filter(|code| matches!(code.list, List::Uds(_)))
        .filter_map(|code| {
            let module = record.modules.get(code.module)?;
            let kind = code.failure_type.map(|kind| kind.0);
            Some((module.name.clone(), code.code.0, kind))
        })
        .collect()
}

#[test]
fn a_sound_vehicle_is_surveyed_and_polled() {
    let settings = Settings::training(4);
    let hub = on_hub(&settings);
    let (record, mut survey) = survey(&settings, &hub, Scope::default(), 12.0);
    let mut events = Vec::new();
    while let Some(event) = survey.next_event() {
        events.push(event.to_string());
    }
    assert_eq!(
        events,
        [
            "legislated modes: 1 module answers",
            "Brake control: answers, no codes",
            "Engine control: answers, no codes",
            "Body control: answers, no codes",
            "Instrument cluster: answers, no codes",
            "polling 2 signals, 5 rounds a second",
        ]
    );
    // Supply voltage and the legislated speed, five times a second for most of 12 s. The battery's voltage is broadcast.
    for trace in [
        &record.signals.supply_voltage,
        &record.signals.vehicle_speed,
    ] {
        let samples = trace.as_ref().unwrap().len();
        assert!((40..=60).contains(&samples), "{samples}");
    }
    assert!(record.modules.iter().all(|module| module.positive > 0));
    assert!(survey.is_polling());
}

/// Every question that the survey ever puts on a bus reads: checked on the wire, not in the code.
#[test]
fn what_is_on_the_wire_only_reads() {
    for fault in [
        "sensor-circuit/open@left-front",
        "module-internal/self-test",
    ] {
        let settings = with_fault(fault, 9);
        let hub = on_hub(&settings);
        let mut witness = hub.port();
        survey(&settings, &hub, Scope::default(), 20.0);
        let requests: BTreeSet<u32> = [0x740, 0x7E0, 0x726, 0x720, 0x7DF].into();
        let mut seen = 0;
        while let Some(heard) = witness.hear(Duration::ZERO).unwrap() {
            if !requests.contains(&heard.id.raw()) {
                continue;
            }
            seen += 1;
            let service = match heard.data[0] >> 4 {
                0 => heard.data[1],
                1 => heard.data[2],
                _ => continue,
            };
            assert!(
                [0x01, 0x03, 0x07, 0x09, 0x0A, 0x10, 0x19, 0x22, 0x3E].contains(&service),
                "{heard:?}"
            );
        }
        assert!(seen > 60);
    }
}

/// For every cause: the survey gets the codes that the modules have, which the scripted tester of a recording of the same
/// vehicle gets too.
#[test]
fn every_cause_that_shows_in_codes_shows_in_a_survey() {
    let mut with_codes = 0;
    for (index, cause) in causes().into_iter().enumerate() {
        let seed = 40 + u64::try_from(index).unwrap();
        let place = ["", "@left-front", "@front"]
            .into_iter()
            .find(|place| format!("{cause}{place}").parse::<FaultWanted>().is_ok())
            .unwrap();
        let mut settings = with_fault(&format!("{cause}{place}"), seed);
        settings.drive = Drive::Short;
        let profile = rig_profile(&settings);
        let mut recorder = Recorder::new(profile);
        let mut number = 0;
        Vehicle::new(&settings).record(|frame| {
            number += 1;
            recorder.push(&Item::Can(frame.as_frame(number)));
        });
        recorder.end_capture("rig", Kind::CandumpLog, &Tally::default());
        let recorded = codes(&recorder.finish());
        // The same drive on the hub; the codes are read again after it.
        let (record, _) = survey(&settings, &on_hub(&settings), Scope::default(), 62.0);
        let asked = codes(&record);
        assert_eq!(asked, recorded, "{cause}");
        with_codes += usize::from(!recorded.is_empty());
    }
    assert!(with_codes >= 17, "{with_codes}");
}

#[test]
fn a_silent_brake_module_is_told_and_the_others_are_asked() {
    let settings = with_fault("supply-lost/fuse", 3);
    let (record, mut survey) = survey(&settings, &on_hub(&settings), Scope::default(), 20.0);
    let events: Vec<Event> = std::iter::from_fn(|| survey.next_event()).collect();
    assert!(events.contains(&Event::Silent {
        module: "Brake control".to_owned()
    }));
    let answering = |event: &&Event| matches!(event, Event::Codes { .. });
    assert_eq!(events.iter().filter(answering).count(), 3);
    let brakes = &record.modules[0];
    assert_eq!(
        (brakes.positive, brakes.name.as_str()),
        (0, "Brake control")
    );
    assert!(brakes.asked >= 3 && brakes.unanswered >= 3);
}

/// Two testers at once, each with its own survey: both get every code; neither mistakes the other's answers for its own.
#[test]
fn two_testers_survey_one_vehicle() {
    let settings = with_fault("sensor-circuit/open@left-front", 6);
    let alone = codes(&survey(&settings, &on_hub(&settings), Scope::default(), 10.0).0);
    assert!(!alone.is_empty());
    let hub = on_hub(&settings);
    let profile = rig_profile(&settings);
    let mut other = Survey::new(&profile, Scope::default());
    let mut other_port = hub.port();
    let mut recorder = Recorder::new(profile.clone());
    let mut first = Survey::new(&profile, Scope::default());
    let mut port = hub.port();
    let mut number = 0;
    run(&mut port, &mut first, &mut |heard, now| {
        if let Some(heard) = heard {
            number += 1;
            recorder.push(&Item::Can(heard.frame(number, Channel(0))));
        }
        // The other one comes a second later, and has its turn whenever the first has had one.
        while let Some(heard) = other_port.hear(Duration::ZERO).unwrap() {
            other.hear(&heard);
        }
        while now.seconds() > 1_001.0
            && let Action::Put { id, data } = other.poll(now)
        {
            other_port.put(id, &data).unwrap();
        }
        if now.seconds() < 1_040.0 {
            GoOn::Yes
        } else {
            GoOn::No
        }
    })
    .unwrap();
    recorder.end_capture("hub", Kind::CandumpLog, &Tally::default());
    assert_eq!(codes(&recorder.finish()), alone);
    let answering = |survey: &mut Survey| -> BTreeSet<String> {
        std::iter::from_fn(|| survey.next_event())
            .filter_map(|event| match event {
                Event::Codes { module, .. } => Some(module),
                _ => None,
            })
            .collect()
    };
    assert_eq!(
        (answering(&mut first).len(), answering(&mut other).len()),
        (4, 4)
    );
}

/// One delivery in fifty is lost: questions are asked again, and the codes come all the same.
#[test]
fn a_lossy_bus_costs_time_and_no_codes() {
    let settings = with_fault("sensor-circuit/open@left-front", 6);
    let alone = codes(&survey(&settings, &on_hub(&settings), Scope::default(), 10.0).0);
    let hub = on_hub(&settings).lossy(0.02, 5);
    let (record, _) = survey(&settings, &hub, Scope::default(), 50.0);
    let found = codes(&record);
    let brakes = |codes: &BTreeSet<(String, u16, Option<u8>)>| -> BTreeSet<_> {
        let of = codes.iter().filter(|code| code.0 == "Brake control");
        of.cloned().collect()
    };
    assert!(brakes(&found).is_superset(&brakes(&alone)));
}

/// A second vehicle on the same addresses: both answer, broadcasts contradict each other. Nothing breaks, and the wheel
/// signals show that something is wrong with the bus: each identifier comes twice as often.
#[test]
fn a_second_vehicle_disturbs_and_is_survived() {
    let settings = Settings::training(4);
    let count = |hub: &Hub| {
        let (record, survey) = survey(&settings, hub, Scope::default(), 8.0);
        assert!(survey.is_polling());
        record.signals.speeds[0].as_ref().unwrap().len()
    };
    let hub = on_hub(&settings);
    let once = count(&hub);
    let two = on_hub(&settings);
    let other = Settings {
        seed: 5,
        ..with_fault("sensor-circuit/open@left-front", 5)
    };
    two.join(Vehicle::new(&other).without_tester());
    let twice = count(&two);
    assert!(twice > once * 3 / 2, "{once} {twice}");
}

#[test]
fn nothing_is_asked_of_a_module_in_another_language_than_its_own() {
    for (protocol, services) in [
        (Protocol::Kwp, &[0x10, 0x18][..]),
        (Protocol::Obd, &[0x01, 0x03, 0x07]),
    ] {
        let mut profile = rig_profile(&Settings::training(1));
        profile.modules.truncate(1);
        profile.supply_voltage = None;
        if let Some(module) = profile.modules.first_mut() {
            module.protocol = protocol;
        }
        let hub = Hub::new(Timestamp::default());
        let mut witness = hub.port();
        let mut survey = Survey::new(&profile, Scope::default());
        let mut port = hub.port();
        run(&mut port, &mut survey, &mut |_, now| {
            if now.seconds() < 3.0 {
                GoOn::Yes
            } else {
                GoOn::No
            }
        })
        .unwrap();
        let mut asked = BTreeSet::new();
        while let Some(heard) = witness.hear(Duration::ZERO).unwrap() {
            if heard.id.raw() == 0x740 {
                asked.insert(heard.data[1]);
            }
        }
        assert!(!asked.is_empty());
        assert!(
            asked.iter().all(|service| services.contains(service)),
            "{asked:X?}"
        );
    }
}

#[test]
fn a_fault_and_a_rate_can_be_stated() {
    let fault: Fault = "supply-low".parse::<FaultWanted>().unwrap().settled(1);
    assert_eq!(fault.defect.cause(), "supply-low");
    let settings = Settings::training(4);
    let scope = Scope {
        rate_hz: 0.0,
        codes_again: false,
        snapshots: true,
    };
    let hub = on_hub(&settings);
    let (_, survey) = survey(&settings, &hub, scope, 60.0);
    assert!(survey.is_done(), "without polling it comes to an end");
    assert!(hub.now().seconds() < 1_010.0);
}

/// A module that gives codes and data in the extended session only, and leaves that after five seconds of silence
/// (ISO 14229-2, `S3`).
#[derive(Default)]
struct Strict {
    now: Timestamp,
    out: VecDeque<RigFrame>,
    until: Option<Timestamp>,
    counts: Arc<Mutex<BTreeSet<(i64, u8)>>>,
}

impl Partner for Strict {
    fn now(&self) -> Timestamp {
        self.now
    }

    fn advance(&mut self, to: Timestamp) {
        self.now = to;
    }

    fn next_frame(&mut self) -> Option<RigFrame> {
        self.out.pop_front()
    }

    fn receive(&mut self, frame: &Frame<'_>) {
        if frame.id.raw() != 0x740 {
            return;
        }
        let length = usize::from(frame.data[0]);
        let request = &frame.data[1..=length];
        let extended = self.until.is_some_and(|until| self.now < until);
        let mut counts = self.counts.lock().unwrap();
        counts.insert((self.now.nanos() / 1_000_000, request[0]));
        let answer = match *request {
            [0x10, 0x03] => {
                self.until = Some(later(self.now, 5 * SECOND));
                vec![0x50, 0x03, 0x00, 0x32, 0x01, 0xF4]
            }
            [0x10, session] => vec![0x50, session, 0x00, 0x32, 0x01, 0xF4],
            [service, ..] if !extended => vec![0x7F, service, 0x7F],
            [0x19, 0x02, _] => vec![0x59, 0x02, 0xFF, 0x40, 0x31, 0x13, 0x2F],
            [0x22, 0x2B, 0x10] => vec![0x62, 0x2B, 0x10, 0x7B],
            [0x3E, 0x80] | [] => Vec::new(),
            [service, ..] => vec![0x7F, service, 0x31],
        };
        if extended {
            self.until = Some(later(self.now, 5 * SECOND));
        }
        if answer.is_empty() {
            return;
        }
        let mut data = vec![u8::try_from(answer.len()).unwrap()];
        data.extend(answer);
        self.out.push_back(RigFrame {
            time: self.now,
            channel: Channel(0),
            id: CanId::standard(0x748).unwrap(),
            kind: FrameKind::Data,
            data,
        });
    }
}

#[test]
fn a_module_that_insists_on_a_session_gets_it_and_keeps_it() {
    let mut profile = rig_profile(&Settings::training(1));
    profile.modules.truncate(1);
    let hub = Hub::new(Timestamp::default());
    let strict = Strict::default();
    let counts = Arc::clone(&strict.counts);
    hub.join(strict);
    let scope = Scope {
        rate_hz: 0.2,
        ..Scope::default()
    };
    let (record, mut survey) = survey_by(&profile, &hub, scope, 40.0);
    let events: Vec<String> = std::iter::from_fn(|| survey.next_event())
        .map(|event| event.to_string())
        .collect();
    assert!(
        events.contains(&"Brake control: answers, 1 code".to_owned()),
        "{events:?}"
    );
    assert_eq!(codes(&record).len(), 1);
    // A round every five seconds: without tester present the session would be lost in between.
    let supply = record.signals.supply_voltage.unwrap();
    assert!((6..=8).contains(&supply.len()), "{}", supply.len());
    let counts = counts.lock().unwrap();
    let of = |service| counts.iter().filter(|(_, known)| *known == service).count();
    assert!(of(0x3E) >= 14, "{}", of(0x3E));
    assert!(
        of(0x10) <= 4,
        "the session is asked for once, not again and again: {}",
        of(0x10)
    );
}

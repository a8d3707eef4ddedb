//! The rig as a whole: what comes out of it, seen by the other rooms.

use super::*;
use crate::capture::write::CandumpWriter;
use crate::capture::{Item, Kind, Tally};
use crate::frame::{CanId, Channel, Channels, Frame, FrameKind, Timestamp};
use crate::place::{Axle, Place, Wheel};
use crate::signal::profile::Profile;
use crate::transport::{Address, AddressBook, Message, Observer};
use crate::vehicle::{ModuleState, Record, Recorder, Role, SensorKind};

fn recorded(settings: &Settings) -> Vec<RigFrame> {
    let mut frames = Vec::new();
    Vehicle::new(settings).record(|frame| frames.push(frame.clone()));
    frames
}

fn text(frames: &[RigFrame]) -> String {
    let mut channels = Channels::default();
    channels.intern("can0");
    let mut writer = CandumpWriter::new(Vec::new());
    for (number, frame) in (1..).zip(frames) {
        let frame = frame.as_frame(number);
        writer.write_frame(&frame, &channels).unwrap();
    }
    String::from_utf8(writer.into_inner()).unwrap()
}

fn record(settings: &Settings, frames: &[RigFrame]) -> Record {
    let yaml = profile_yaml(settings, "test");
    let mut none = |_: &std::path::Path| Err(std::io::ErrorKind::NotFound.into());
    let mut recorder = Recorder::new(Profile::parse(&yaml, "test", &mut none).unwrap());
    for (number, frame) in (1..).zip(frames) {
        recorder.push(&Item::Can(frame.as_frame(number)));
    }
    recorder.end_capture("test", Kind::CandumpLog, &Tally::default());
    recorder.finish()
}

fn with_fault(fault: &str, seed: u64) -> Settings {
    let wanted: FaultWanted = fault.parse().unwrap();
    Settings {
        faults: vec![wanted.settled(seed)],
        ..Settings::training(seed)
    }
}

/// Codes of the brake module whose test has failed, as text.
fn codes(record: &Record) -> Vec<String> {
    let brakes = record
        .modules
        .iter()
        .position(|module| module.role == Role::Brakes);
    let of_brakes = record
        .codes
        .iter()
        .filter(|code| Some(code.module) == brakes && code.failure_type.is_some());
    of_brakes
        .map(|code| format!("{}-{}", code.code, code.failure_type.unwrap()))
        .collect()
}

#[test]
fn the_same_seed_gives_the_same_bytes() {
    let settings = Settings {
        drive: Drive::Short,
        ..with_fault("tone-ring@left-rear", 3)
    };
    let first = text(&recorded(&settings));
    assert_eq!(first, text(&recorded(&settings)));
    assert_ne!(
        first,
        text(&recorded(&Settings {
            seed: 4,
            ..settings
        }))
    );
}

#[test]
fn times_never_go_back() {
    let settings = Settings {
        drive: Drive::Short,
        ..with_fault("network/disturbance", 5)
    };
    let frames = recorded(&settings);
    assert!(frames.is_sorted_by_key(|frame| frame.time));
    assert!(frames.iter().any(|frame| frame.kind == FrameKind::Error));
}

/// The observer is another implementation of ISO 15765-2 than the one that cut the messages.
#[test]
fn every_message_is_whole_for_the_observer() {
    let settings = Settings {
        drive: Drive::Standing,
        ..with_fault("sensor-circuit/open@left-front", 5)
    };
    let mut observer = Observer::new(AddressBook::default());
    let mut messages: Vec<Message> = Vec::new();
    for (number, frame) in (1..).zip(&recorded(&settings)) {
        observer.push(&frame.as_frame(number));
        while let Some(message) = observer.next_message() {
            messages.push(message);
        }
    }
    observer.finish();
    while let Some(message) = observer.next_message() {
        messages.push(message);
    }
    let ids: Vec<u32> = ModuleName::ALL
        .iter()
        .flat_map(|name| {
            let (request, response) = settings.scheme.addresses(*name);
            [request.raw(), response.raw()]
        })
        .collect();
    let diagnostic = messages.iter().filter(|message| match message.address {
        Address::Can { id, .. } => ids.contains(&id.raw()),
        Address::DoIp { .. } => false,
    });
    let mut long = 0;
    for message in diagnostic {
        assert!(message.is_complete(), "{message:?}");
        long += u32::from(message.payload.len() > 7);
    }
    assert!(long > 5, "{long} messages of several frames");
}

#[test]
fn healthy_vehicles_set_no_codes_however_they_are_driven() {
    for (seed, drive) in (20..).zip(Drive::ALL) {
        let settings = Settings {
            drive,
            earlier_drives: 0,
            spirited: seed % 2 == 0,
            sensor: if seed % 3 == 0 {
                SensorKind::Passive
            } else {
                SensorKind::Active
            },
            ..Settings::training(seed)
        };
        let record = record(&settings, &recorded(&settings));
        assert_eq!(codes(&record), [""; 0], "{drive:?}");
        let answering = record
            .modules
            .iter()
            .filter(|module| module.state == ModuleState::Answering);
        assert!(answering.count() >= 4);
    }
}

/// The code of each fault is the one that makers print for it: see `codes`.
#[test]
fn faults_are_found_by_the_module_itself() {
    for (fault, drive, code) in [
        (
            "sensor-circuit/open@left-front",
            Drive::Standing,
            "C0031-13",
        ),
        (
            "sensor-circuit/short@right-rear",
            Drive::Standing,
            "C003A-11",
        ),
        ("sensor-failed/dead@right-front", Drive::Short, "C0034-31"),
        (
            "tone-ring/teeth-missing@left-rear=0.4",
            Drive::Bends,
            "C0036-07",
        ),
        (
            "tyre-mismatch/size@right-rear=0.8",
            Drive::Motorway,
            "C003A-62",
        ),
        ("pump-motor/stuck", Drive::Short, "C0020-71"),
        ("valve-circuit/relay", Drive::Standing, "C053B-13"),
        ("fluid-low-worn-pads=0.9", Drive::Standing, "C0049-7B"),
        ("fluid-level-switch/open", Drive::Standing, "C004B-13"),
        ("supply-low=0.9", Drive::Short, "C0564-16"),
        ("brake-switch/stuck-on", Drive::Town, "C0040-64"),
        ("pressure-sensor/open", Drive::Standing, "C0044-13"),
        ("motion-sensor/yaw-offset", Drive::Standing, "C0063-28"),
        ("motion-sensor/steering-zero", Drive::Motorway, "C0051-28"),
        ("module-coding/not-coded", Drive::Standing, "U3000-55"),
        ("module-internal/self-test", Drive::Standing, "U3000-49"),
    ] {
        let settings = Settings {
            drive,
            earlier_drives: 0,
            ..with_fault(fault, 7)
        };
        let record = record(&settings, &recorded(&settings));
        assert_eq!(codes(&record), [code], "{fault}");
    }
}

/// Source: the definitions of ISO 14229-1:2013 Table D.2, as in `memory`.
#[test]
fn status_bytes_are_consistent_and_mended_faults_are_remembered() {
    let settings = Settings {
        past_faults: with_fault("sensor-circuit/open@left-rear", 9).faults,
        drive: Drive::Short,
        ..Settings::training(9)
    };
    let record = record(&settings, &recorded(&settings));
    assert_eq!(codes(&record), ["C0037-13"]);
    for code in &record.codes {
        let Some(status) = code.uds_status() else {
            continue;
        };
        assert!(!status.test_failed(), "{code:?}");
        assert!(status.confirmed() && status.test_failed_since_last_clear());
        assert!(!status.test_not_completed_since_last_clear());
    }
    assert_eq!(Truth::of(&settings).causes[0].cause, "no-present-fault");
}

#[test]
fn a_module_without_feed_keeps_silent_and_is_missed() {
    let settings = Settings {
        drive: Drive::Short,
        ..with_fault("supply-lost/fuse", 9)
    };
    let record = record(&settings, &recorded(&settings));
    let state = |role| {
        let mut modules = record.modules.iter();
        modules.find(|module| module.role == role).unwrap().state
    };
    assert_eq!(state(Role::Brakes), ModuleState::Silent);
    assert_eq!(state(Role::Powertrain), ModuleState::Answering);
    let missed = record
        .codes
        .iter()
        .filter(|code| code.code.to_string() == "U0121");
    assert!(missed.count() >= 3);
}

#[test]
fn swapped_sensors_turn_a_bend_round() {
    let sound = Settings {
        drive: Drive::Bends,
        earlier_drives: 0,
        ..Settings::training(4)
    };
    let swapped = Settings {
        faults: vec![Fault {
            defect: Defect::SidesSwapped,
            place: Place::Axle(Axle::Front),
            severity: 1.0,
        }],
        ..sound.clone()
    };
    let words = |settings: &Settings| -> Vec<[u8; 8]> {
        let wheels = u32::from(settings.layout.wheels[0].frame);
        let frames = recorded(settings);
        let mine = frames.iter().filter(|frame| frame.id.raw() == wheels);
        mine.map(|frame| frame.data.clone().try_into().unwrap())
            .collect()
    };
    let pairs = words(&sound).into_iter().zip(words(&swapped));
    for ([a, b, c, d, e, f, g, h], found) in pairs.take(3_000) {
        assert_eq!(found, [c, d, a, b, e, f, g, h]);
    }
}

/// A tester on a link: asks with its own flow control, in blocks of two with a pause.
#[test]
fn a_live_vehicle_answers_and_obeys_flow_control() {
    let settings = with_fault("sensor-circuit/open@left-front", 5);
    let mut vehicle = Vehicle::new(&settings).without_tester();
    let (request, response) = settings.scheme.addresses(ModuleName::Brakes);
    let mut tester = Talk::new(request, response, Some(0));
    tester.block_size = 2;
    tester.separation = 20;
    tester.send(vec![0x22, 0xF1, 0x90]);
    let start = settings.start.nanos();
    let mut answer = None;
    let mut times = Vec::new();
    for step in 1_000..3_000_i64 {
        let now = f64::from(u32::try_from(step).unwrap()) / 1e3;
        vehicle.advance(Timestamp::from_nanos(start + step * 1_000_000));
        let mut out = Vec::new();
        while let Some(frame) = vehicle.next_frame() {
            if frame.id == response {
                times.push(frame.time);
                answer = answer.or(tester.hear(&frame.data, now, &mut out));
            }
        }
        tester.poll(now, &mut out);
        for (id, data) in out {
            vehicle.receive(&Frame {
                number: 1,
                time: None,
                channel: Channel(0),
                id,
                kind: FrameKind::Data,
                data: &data,
            });
        }
    }
    let answer = answer.expect("an answer comes");
    assert_eq!(answer[..3], [0x62, 0xF1, 0x90]);
    assert_eq!(answer.len(), 20);
    assert_eq!(times.len(), 3);
    assert!(times[2].nanos_since(times[1]) >= 19_000_000, "{times:?}");
}

#[test]
fn frames_from_anywhere_are_survived() {
    let mut vehicle = Vehicle::new(&Settings::training(5)).without_tester();
    let mut random = Random::new(1, "noise");
    for step in 0..2_000_i64 {
        let length = random.below(9);
        let data: Vec<u8> = (0..length)
            .map(|_| random.bits().to_le_bytes()[0])
            .collect();
        let id = random.pick(&[0x740, 0x7DF, 0x7E0, 0x720, 0x123]);
        vehicle.receive(&Frame {
            number: 1,
            time: None,
            channel: Channel(0),
            id: CanId::standard_masked(id),
            kind: FrameKind::Data,
            data: &data,
        });
        let start = vehicle.now().nanos();
        vehicle.advance(Timestamp::from_nanos(start + step % 3 * 1_000_000));
        while vehicle.next_frame().is_some() {}
    }
}

#[test]
fn a_population_holds_every_cause_at_every_kind_of_place() {
    let mut seen: Vec<&str> = Vec::new();
    let mut double = 0;
    let mut sound = 0;
    for seed in 0..600 {
        let (settings, truth) = random_case(seed);
        assert_eq!(random_case(seed).1, truth);
        sound += u32::from(truth.causes.is_empty());
        double += u32::from(settings.faults.len() > 1);
        for fault in &settings.faults {
            assert_eq!(fault.place.kind(), fault.defect.place_kind());
            seen.push(fault.defect.cause());
        }
    }
    for cause in causes() {
        let count = seen.iter().filter(|other| **other == cause).count();
        assert!((8..80).contains(&count), "{cause} {count}");
    }
    assert!((20..60).contains(&sound), "{sound}");
    assert!((40..110).contains(&double), "{double}");
    assert_eq!(Wheel::ALL.len(), 4);
}

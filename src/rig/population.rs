//! A population of vehicles for a calibration bench: builds, drives, testers and faults drawn from a seed.

use super::codes::Numbering;
use super::drive::Drive;
use super::fault::{Defect, Fault, causes};
use super::kinematics::Geometry;
use super::layout::{Layout, Style};
use super::random::Random;
use super::settings::{Delivery, Moment, Scheme, Settings, Survey};
use super::truth::Truth;
use crate::place::Place;
use crate::vehicle::SensorKind;

/// Tyres that are found on ordinary cars: size, and rolling circumference in metres (0.97 of the outer one).
const TYRES: [(&str, f64); 5] = [
    ("195/65R15", 1.934),
    ("205/55R16", 1.926),
    ("225/45R17", 1.933),
    ("215/60R16", 2.025),
    ("225/60R17", 2.139),
];

/// Of 100 vehicles so many have two faults, none at all, and nothing but remembered codes.
const TWO_FAULTS: f64 = 0.12;
const SOUND: f64 = 0.06;

/// A vehicle that the seed draws, with the truth about it.
pub fn random_case(seed: u64) -> (Settings, Truth) {
    let mut random = Random::new(seed, "population");
    let mut settings = build(seed, &mut random);
    if !random.chance(SOUND) {
        let first = fault(&mut random, &[]);
        settings.faults.push(first);
        if first.defect != Defect::Remembered && random.chance(TWO_FAULTS) {
            let second = fault(&mut random, &settings.faults);
            if second.defect != Defect::Remembered {
                settings.faults.push(second);
            }
        }
    }
    let truth = Truth::of(&settings);
    (settings, truth)
}

fn fault(random: &mut Random, present: &[Fault]) -> Fault {
    let possible = causes();
    loop {
        let cause = random.pick(&possible);
        let Some(defect) = Defect::drawn(cause, random) else {
            continue;
        };
        let place = random.pick(defect.place_kind().places());
        // One fault for each place: a second one at the same wheel could not be told apart.
        let doubled = present.iter().any(|other| {
            other.defect.cause() == cause || other.place == place && place != Place::Vehicle
        });
        if !doubled {
            return Fault {
                defect,
                place,
                severity: random.between(0.3, 1.0),
            };
        }
    }
}

fn build(seed: u64, random: &mut Random) -> Settings {
    let (tyre, circumference_m) = random.pick(&TYRES);
    let drive = random.pick(&[
        Drive::Test,
        Drive::Test,
        Drive::Test,
        Drive::Town,
        Drive::Town,
        Drive::Bends,
        Drive::Bends,
        Drive::Motorway,
        Drive::Rough,
        Drive::Short,
        Drive::Parking,
        Drive::Standing,
    ]);
    let delivery = if random.chance(0.75) {
        Delivery::Broadcast
    } else if random.chance(0.8) {
        Delivery::Polled {
            rate_hz: random.between(2.0, 10.0),
        }
    } else {
        Delivery::Absent
    };
    let shift = 8 * u16::try_from(random.below(8)).unwrap_or(0);
    let period = random.pick(&[10, 20, 20, 20]);
    Settings {
        drive,
        earlier_drives: 1 + u8::from(random.chance(0.4)),
        delivery,
        layout: Layout::new(random.pick(&Style::ALL), shift, period),
        scheme: if random.chance(0.8) {
            Scheme::Normal
        } else {
            Scheme::NormalFixed
        },
        sensor: if random.chance(0.65) {
            SensorKind::Active
        } else {
            SensorKind::Passive
        },
        teeth: random.pick(&[43, 44, 47, 48, 48, 48, 52]),
        tyre,
        circumference_m,
        geometry: Geometry {
            track_m: random.between(1.45, 1.6),
            wheelbase_m: random.between(2.45, 2.85),
        },
        front_driven: random.chance(0.75),
        numbering: Some(random.pick(&[
            Numbering::ByPart,
            Numbering::ByPart,
            Numbering::ByPart,
            Numbering::ByCircuit,
            Numbering::Early,
        ])),
        survey: Survey {
            moment: random.pick(&[
                Moment::Before,
                Moment::During,
                Moment::After,
                Moment::After,
                Moment::After,
            ]),
            asks_brakes: random.chance(0.93),
            snapshots: random.chance(0.5),
            clears: random.chance(0.1),
        },
        stray_codes: u8::try_from(random.below(4)).unwrap_or(0),
        spirited: random.chance(0.15),
        ..Settings::training(seed)
    }
}

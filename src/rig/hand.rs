//! Checks by hand on the simulated vehicle: what a mechanic would find, with the uncertainty of eyes and meters.

use super::corner::Corner;
use super::fault::{Defect, Fault};
use super::line::LineState;
use super::random::Random;
use super::vehicle::Vehicle;
use crate::place::{Axle, Place, PlaceKind};
use crate::vehicle::SensorKind;

/// What a check by hand gave.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reading {
    /// One of the check's results.
    Result(&'static str),
    /// A value, with the key that it has in the notes (`value_mm`).
    Value(&'static str, f64),
    /// The check cannot be done here: resistance of an active sensor, a pump test on a silent module.
    NotPossible,
}

/// The check or its place is not known.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum UnknownCheck {
    /// No such check.
    #[error("no check {0:?}; possible: {list}", list = checks().join(", "))]
    Check(String),
    /// It is done elsewhere.
    #[error("{check} is not done at this place; it needs {needed}")]
    Place {
        /// The check.
        check: &'static str,
        /// What kind of place it needs.
        needed: &'static str,
    },
}

/// The checks, each with the kind of place at which it is done.
pub const CHECKS: [(&str, PlaceKind); 26] = [
    ("fluid-level", PlaceKind::Vehicle),
    ("pad-thickness", PlaceKind::Wheel),
    ("leak-look", PlaceKind::Vehicle),
    ("level-switch-test", PlaceKind::Vehicle),
    ("abs-fuse", PlaceKind::Vehicle),
    ("abs-supply-voltage", PlaceKind::Vehicle),
    ("abs-earth-drop", PlaceKind::Vehicle),
    ("battery-voltage", PlaceKind::Vehicle),
    ("sensor-resistance", PlaceKind::Wheel),
    ("sensor-wiring-test", PlaceKind::Wheel),
    ("sensor-connector-look", PlaceKind::Wheel),
    ("sensor-tip-look", PlaceKind::Wheel),
    ("sensor-swap-test", PlaceKind::Wheel),
    ("air-gap", PlaceKind::Wheel),
    ("tone-ring-look", PlaceKind::Wheel),
    ("bearing-play", PlaceKind::Wheel),
    ("tyre-size", PlaceKind::Wheel),
    ("tyre-pressure", PlaceKind::Wheel),
    ("sensor-sides", PlaceKind::Axle),
    ("pump-test", PlaceKind::Vehicle),
    ("valve-test", PlaceKind::Vehicle),
    ("brake-lamp-switch", PlaceKind::Vehicle),
    ("brake-pressure-compare", PlaceKind::Vehicle),
    ("motion-zero-check", PlaceKind::Vehicle),
    ("bus-resistance", PlaceKind::Vehicle),
    ("coding-check", PlaceKind::Vehicle),
];

fn checks() -> Vec<&'static str> {
    CHECKS.iter().map(|(id, _)| *id).collect()
}

impl Vehicle {
    /// Does a check by hand, in the vehicle's present state. Asked again, it gives the same.
    pub fn hand_check(&self, check: &str, place: Place) -> Result<Reading, UnknownCheck> {
        let known = CHECKS.iter().find(|(id, _)| *id == check);
        let &(id, kind) = known.ok_or_else(|| UnknownCheck::Check(check.to_owned()))?;
        let needed = match kind {
            PlaceKind::Vehicle => "no place",
            PlaceKind::Axle => "an axle",
            PlaceKind::Wheel => "a wheel",
        };
        if kind != place.kind() {
            return Err(UnknownCheck::Place { check: id, needed });
        }
        let mut random = Random::new(self.settings.seed, &format!("{id} at {place}"));
        Ok(match place {
            Place::Wheel(wheel) => {
                let faults: Vec<Fault> = self
                    .settings
                    .faults
                    .iter()
                    .filter(|fault| fault.place == place)
                    .copied()
                    .collect();
                let corner = &self.corners[wheel.index()];
                self.at_wheel(id, corner, &faults, &mut random)
            }
            Place::Axle(axle) => {
                let swapped = self.body.swapped[usize::from(axle == Axle::Rear)];
                Reading::Result(if swapped { "swapped" } else { "right" })
            }
            Place::Vehicle => self.at_vehicle(id, &mut random),
        })
    }

    fn at_wheel(
        &self,
        check: &str,
        corner: &Corner,
        faults: &[Fault],
        random: &mut Random,
    ) -> Reading {
        let has = |defect| faults.iter().any(|fault| fault.defect == defect);
        // What eyes and hands overlook, or see where there is nothing.
        let mut seen = |probability: f64| random.chance(probability);
        let worst = faults.first().map_or(0.0, |fault| fault.severity);
        match check {
            "sensor-wiring-test" => Reading::Result(match corner.line.rest {
                _ if has(Defect::ElementOpen) => "good",
                LineState::Open => "open",
                LineState::ToEarth => "short",
                // Pulling at the wires brings it out, often.
                LineState::Sound if has(Defect::WireIntermittent) && seen(0.6 + 0.3 * worst) => {
                    "open"
                }
                LineState::Sound => "good",
            }),
            "sensor-connector-look" => Reading::Result(
                if has(Defect::TerminalsCorroded) && seen(0.93)
                    || has(Defect::WireOpen) && seen(0.2)
                    || seen(0.02)
                {
                    "corroded"
                } else if has(Defect::WireIntermittent) && seen(0.5)
                    || has(Defect::WireOpen) && seen(0.15)
                {
                    "loose"
                } else {
                    "clean"
                },
            ),
            "sensor-tip-look" => Reading::Result(
                if has(Defect::Swarf) && seen(0.95)
                    || has(Defect::RingCorroded) && seen(0.2)
                    || seen(0.02)
                {
                    "swarf"
                } else if (has(Defect::ElementWeak) || has(Defect::ElementDead)) && seen(0.25)
                    || has(Defect::BearingPlay) && seen(0.2)
                {
                    "damaged"
                } else {
                    "clean"
                },
            ),
            "sensor-swap-test" => {
                let in_sensor = [
                    Defect::ElementOpen,
                    Defect::ElementDead,
                    Defect::ElementWeak,
                ];
                let follows = in_sensor.into_iter().any(has) || has(Defect::Swarf) && seen(0.6);
                Reading::Result(if follows {
                    "fault-follows-sensor"
                } else {
                    "fault-stays"
                })
            }
            "tone-ring-look" => Reading::Result(if has(Defect::TeethMissing) && seen(0.93) {
                "teeth-missing"
            } else if has(Defect::RingCracked) && seen(0.88) {
                "cracked"
            } else if has(Defect::RingCorroded) && seen(0.93) || seen(0.01) {
                "corroded"
            } else {
                "intact"
            }),
            "bearing-play" => {
                let present = has(Defect::BearingPlay) && seen(0.85 + 0.13 * worst);
                Reading::Result(if present || seen(0.01) {
                    "present"
                } else {
                    "none"
                })
            }
            "tyre-size" => Reading::Result(if has(Defect::TyreSize) {
                "different"
            } else {
                "same"
            }),
            _ => self.measured_at_wheel(check, corner, faults, random),
        }
    }

    fn measured_at_wheel(
        &self,
        check: &str,
        corner: &Corner,
        faults: &[Fault],
        random: &mut Random,
    ) -> Reading {
        let has = |defect| faults.iter().any(|fault| fault.defect == defect);
        let worst = faults.first().map_or(0.0, |fault| fault.severity);
        match check {
            "pad-thickness" => {
                let pad = self.body.pads_mm[corner.wheel.index()];
                Reading::Value("value_mm", round(pad + 0.15 * random.normal(), 10.0))
            }
            "air-gap" => {
                let gap = corner.sensor.gap_mm + 0.05 * random.normal();
                Reading::Value("value_mm", round(gap.max(0.1), 100.0))
            }
            "tyre-pressure" => {
                let lost = if has(Defect::TyrePressure) {
                    0.6 + 1.0 * worst
                } else {
                    0.0
                };
                let bar = 2.35 - lost + 0.07 * random.normal();
                Reading::Value("value_bar", round(bar, 100.0))
            }
            // At the sensor's own plug, so that the wires to the module do not matter.
            _ if corner.sensor.kind == SensorKind::Active => Reading::NotPossible,
            _ if has(Defect::ElementOpen) => Reading::Value("value_ohm", f64::INFINITY),
            _ => {
                let sound = random.between(1_050.0, 1_550.0);
                let share = if has(Defect::ElementDead) {
                    0.15
                } else if has(Defect::ElementWeak) {
                    0.42
                } else {
                    1.0
                };
                Reading::Value("value_ohm", round(sound * share, 1.0))
            }
        }
    }

    fn at_vehicle(&self, check: &str, random: &mut Random) -> Reading {
        let has = |defect| {
            let mut faults = self.settings.faults.iter();
            faults.any(|fault| fault.defect == defect)
        };
        let either = |bad: bool, yes, no| Reading::Result(if bad { yes } else { no });
        let body = &self.body;
        // Tests that the module itself has to run.
        let silent = has(Defect::FuseBlown) || has(Defect::FeedOpen) || has(Defect::ModuleDead);
        let volts = |value: f64, random: &mut Random| {
            Reading::Value("value_v", round(value + 0.02 * random.normal(), 100.0))
        };
        match check {
            "fluid-level" => either(body.fluid_mm < 4.0, "below-minimum", "ok"),
            "leak-look" => either(body.leaks, "wet", "dry"),
            "level-switch-test" => either(body.level_stuck || body.level_open, "stuck", "works"),
            "abs-fuse" => either(has(Defect::FuseBlown), "blown", "intact"),
            "abs-supply-voltage" => volts(self.electrics.plug_v().max(0.04), random),
            "abs-earth-drop" => volts(self.electrics.earth_drop_v().max(0.03), random),
            "battery-voltage" => volts(self.electrics.running_v(), random),
            "pump-test" | "valve-test" if silent => Reading::NotPossible,
            "pump-test" => either(
                has(Defect::PumpStuck) || has(Defect::PumpOpen),
                "dead",
                "runs",
            ),
            "valve-test" => either(
                has(Defect::ValveOpen) || has(Defect::ValveRelay),
                "faulty",
                "works",
            ),
            "brake-lamp-switch" => either(body.switch_on || body.switch_off, "stuck", "works"),
            "brake-pressure-compare" => either(
                body.pressure_open || body.pressure_offset_bar > 5.0,
                "disagrees",
                "agrees",
            ),
            "motion-zero-check" => either(
                body.yaw_offset.abs() > 0.03 || body.steering_offset_deg.abs() > 5.0,
                "offset",
                "zero",
            ),
            "bus-resistance" => Reading::Value(
                "value_ohm",
                round(self.network.resistance_ohm + 0.2 * random.normal(), 10.0),
            ),
            _ => either(
                has(Defect::NotCoded) || has(Defect::WrongVariant),
                "missing",
                "matches",
            ),
        }
    }
}

/// To so many steps in one, as a meter shows it.
fn round(value: f64, steps: f64) -> f64 {
    (value * steps).round() / steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::place::Wheel;
    use crate::rig::{FaultWanted, Settings};

    fn vehicle(fault: Option<&str>, sensor: SensorKind) -> Vehicle {
        let faults = fault.map(|text| text.parse::<FaultWanted>().unwrap().settled(11));
        Vehicle::new(&Settings {
            faults: faults.into_iter().collect(),
            earlier_drives: 0,
            sensor,
            ..Settings::training(11)
        })
    }

    /// Source of the bands: published service texts (coils 700 to 2500 ohms, gaps 0.2 to 1.5 mm, 13.5 to 14.7 V
    /// running, 60 ohms between the wires); linings above 3 mm are common practice.
    #[test]
    fn a_sound_vehicle_passes_every_check() {
        let vehicle = vehicle(None, SensorKind::Passive);
        for (check, kind) in CHECKS {
            for &place in kind.places() {
                let reading = vehicle.hand_check(check, place).unwrap();
                let good = match reading {
                    Reading::Result(word) => [
                        "ok",
                        "dry",
                        "works",
                        "intact",
                        "good",
                        "clean",
                        "none",
                        "same",
                        "right",
                        "runs",
                        "agrees",
                        "zero",
                        "matches",
                        "fault-stays",
                    ]
                    .contains(&word),
                    Reading::Value("value_mm", value) if check == "pad-thickness" => value > 3.0,
                    Reading::Value("value_mm", value) => (0.2..1.5).contains(&value),
                    Reading::Value("value_v", value) if check == "battery-voltage" => {
                        (13.5..14.7).contains(&value)
                    }
                    Reading::Value("value_v", value) if check == "abs-earth-drop" => value < 0.15,
                    Reading::Value("value_v", value) => value > 12.0,
                    Reading::Value("value_ohm", value) if check == "bus-resistance" => {
                        (58.0..62.5).contains(&value)
                    }
                    Reading::Value("value_ohm", value) => (700.0..2_500.0).contains(&value),
                    Reading::Value("value_bar", value) => (2.0..2.7).contains(&value),
                    Reading::Value(..) | Reading::NotPossible => false,
                };
                assert!(good, "{check} at {place}: {reading:?}");
            }
        }
    }

    #[test]
    fn a_fault_is_found_where_it_is() {
        let left = Place::Wheel(Wheel::LeftFront);
        let right = Place::Wheel(Wheel::RightFront);
        let broken = vehicle(Some("sensor-failed/open@left-front"), SensorKind::Passive);
        let ohms = |place| broken.hand_check("sensor-resistance", place).unwrap();
        assert_eq!(ohms(left), Reading::Value("value_ohm", f64::INFINITY));
        assert!(matches!(ohms(right), Reading::Value(_, value) if value < 2_500.0));
        let swap = broken.hand_check("sensor-swap-test", left).unwrap();
        assert_eq!(swap, Reading::Result("fault-follows-sensor"));
        let dark = vehicle(Some("supply-lost/fuse"), SensorKind::Active);
        let fuse = dark.hand_check("abs-fuse", Place::Vehicle).unwrap();
        assert_eq!(fuse, Reading::Result("blown"));
        let pump = dark.hand_check("pump-test", Place::Vehicle).unwrap();
        assert_eq!(pump, Reading::NotPossible);
    }

    #[test]
    fn what_is_no_check_is_explained() {
        let vehicle = vehicle(None, SensorKind::Active);
        let error = vehicle.hand_check("kick-it", Place::Vehicle).unwrap_err();
        assert!(error.to_string().contains("abs-fuse"));
        let error = vehicle.hand_check("air-gap", Place::Vehicle).unwrap_err();
        assert!(error.to_string().contains("a wheel"));
    }
}

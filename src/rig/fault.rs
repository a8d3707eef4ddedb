//! What can be wrong with the vehicle: causes, and for each the physical defects that bring it about.
//!
//! A [`Defect`] is a thing of the workshop (a broken wire, a missing tooth), not a symptom. What the module and the
//! capture show of it is left to the physics.

use std::fmt;
use std::str::FromStr;

use super::random::Random;
use crate::place::{Axle, Place, PlaceKind, Wheel};

macro_rules! defects {
    ($($(#[$doc:meta])+ $name:ident = $cause:literal / $form:literal, $kind:ident, $share:literal;)+) => {
        /// A physical defect.
        #[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
        #[non_exhaustive]
        pub enum Defect { $($(#[$doc])+ $name,)+ }

        impl Defect {
            /// All of them, in the order of the table of causes.
            pub const ALL: &[Self] = &[$(Self::$name,)+];

            /// The identifier of the cause that it is a form of.
            pub const fn cause(self) -> &'static str {
                match self { $(Self::$name => $cause,)+ }
            }

            /// The word for this form of the cause.
            pub const fn form(self) -> &'static str {
                match self { $(Self::$name => $form,)+ }
            }

            /// What kind of place it has.
            pub const fn place_kind(self) -> PlaceKind {
                match self { $(Self::$name => PlaceKind::$kind,)+ }
            }

            /// How often it is the form that the cause takes, relative to the others.
            const fn share(self) -> f64 {
                match self { $(Self::$name => $share,)+ }
            }
        }
    };
}

defects! {
    /// The fluid has followed the pistons of worn pads below the switch's level.
    PadsWorn = "fluid-low-worn-pads" / "worn-pads", Vehicle, 1.0;
    /// A hose, pipe or cylinder leaks.
    Leak = "fluid-leak" / "leak", Vehicle, 1.0;
    /// The level switch says low, whatever the level.
    LevelSwitchStuck = "fluid-level-switch" / "stuck", Vehicle, 3.0;
    /// The wire of the level switch is open.
    LevelSwitchOpen = "fluid-level-switch" / "open", Vehicle, 1.0;
    /// The sensor stands too far from the ring.
    GapWide = "sensor-weak-signal" / "air-gap", Wheel, 2.0;
    /// Metal dust on the sensor's tip leads the field past it.
    Swarf = "sensor-weak-signal" / "swarf", Wheel, 2.0;
    /// A wire of the sensor is broken.
    WireOpen = "sensor-circuit" / "open", Wheel, 3.0;
    /// A wire of the sensor touches earth.
    WireToEarth = "sensor-circuit" / "short", Wheel, 1.0;
    /// A wire or terminal opens now and then, most of all over bumps and with the steering turned.
    WireIntermittent = "sensor-circuit" / "intermittent", Wheel, 3.0;
    /// Corroded terminals: resistance that comes and goes.
    TerminalsCorroded = "sensor-circuit" / "corroded", Wheel, 2.0;
    /// The sensor's coil or electronics is open inside.
    ElementOpen = "sensor-failed" / "open", Wheel, 2.0;
    /// The sensor draws its current but gives no pulses.
    ElementDead = "sensor-failed" / "dead", Wheel, 2.0;
    /// The sensor gives too little, whatever the gap.
    ElementWeak = "sensor-failed" / "weak", Wheel, 1.0;
    /// Teeth are missing (or poles of an encoder have lost their field).
    TeethMissing = "tone-ring" / "teeth-missing", Wheel, 2.0;
    /// The ring has cracked: one space is too wide.
    RingCracked = "tone-ring" / "cracked", Wheel, 2.0;
    /// Rust has grown under and on the ring: uneven spacing and height.
    RingCorroded = "tone-ring" / "corroded", Wheel, 2.0;
    /// Play in the wheel bearing moves the ring before the sensor.
    BearingPlay = "wheel-bearing" / "play", Wheel, 1.0;
    /// A tyre of another size.
    TyreSize = "tyre-mismatch" / "size", Wheel, 2.0;
    /// A tyre that has lost most of its pressure.
    TyrePressure = "tyre-mismatch" / "pressure", Wheel, 1.0;
    /// Left and right sensors of an axle are connected the wrong way round.
    SidesSwapped = "sensors-swapped" / "swapped", Axle, 1.0;
    /// The module's fuse has blown.
    FuseBlown = "supply-lost" / "fuse", Vehicle, 2.0;
    /// The module's feed is broken behind a sound fuse.
    FeedOpen = "supply-lost" / "feed", Vehicle, 1.0;
    /// The battery is weak and the alternator does not keep up.
    ChargingLow = "supply-low" / "charging", Vehicle, 1.0;
    /// The module's earth has resistance.
    EarthResistive = "earth-poor" / "resistive", Vehicle, 1.0;
    /// The pump motor does not turn.
    PumpStuck = "pump-motor" / "stuck", Vehicle, 1.0;
    /// The pump motor's circuit or relay is open.
    PumpOpen = "pump-motor" / "open", Vehicle, 1.0;
    /// A solenoid valve's winding is open.
    ValveOpen = "valve-circuit" / "winding", Vehicle, 1.0;
    /// The valve relay does not close.
    ValveRelay = "valve-circuit" / "relay", Vehicle, 1.0;
    /// The brake lamp switch always says pressed.
    SwitchStuckOn = "brake-switch" / "stuck-on", Vehicle, 1.0;
    /// The brake lamp switch never says pressed.
    SwitchStuckOff = "brake-switch" / "stuck-off", Vehicle, 1.0;
    /// The pressure sensor reads too much.
    PressureOffset = "pressure-sensor" / "offset", Vehicle, 2.0;
    /// The pressure sensor's circuit is open.
    PressureOpen = "pressure-sensor" / "open", Vehicle, 1.0;
    /// The yaw rate sensor reads a turn where there is none.
    YawOffset = "motion-sensor" / "yaw-offset", Vehicle, 2.0;
    /// The yaw rate sensor always reads zero.
    YawDead = "motion-sensor" / "yaw-dead", Vehicle, 1.0;
    /// The steering angle's zero is lost.
    SteeringZero = "motion-sensor" / "steering-zero", Vehicle, 2.0;
    /// A terminating resistor is missing.
    TerminationMissing = "network" / "termination", Vehicle, 1.0;
    /// A node disturbs the bus.
    NodeDisturbs = "network" / "disturbance", Vehicle, 1.0;
    /// The brake module's bus wires lose contact now and then.
    StubIntermittent = "network" / "stub", Vehicle, 1.0;
    /// The module was never coded to this vehicle.
    NotCoded = "module-coding" / "not-coded", Vehicle, 1.0;
    /// The module holds the coding of another variant.
    WrongVariant = "module-coding" / "wrong-variant", Vehicle, 1.0;
    /// The module's electronics fail their self-test.
    SelfTestFails = "module-internal" / "self-test", Vehicle, 2.0;
    /// The module is dead although it is fed.
    ModuleDead = "module-internal" / "dead", Vehicle, 1.0;
    /// Nothing is wrong now; a defect of the past has left its codes.
    Remembered = "no-present-fault" / "remembered", Vehicle, 1.0;
}

impl Defect {
    /// The forms that a cause can take; empty for an unknown cause.
    pub fn of_cause(cause: &str) -> impl Iterator<Item = Self> {
        let all = Self::ALL.iter().copied();
        all.filter(move |defect| defect.cause() == cause)
    }

    /// One form of a cause, the frequent ones more often; `None` for an unknown cause.
    pub fn drawn(cause: &str, random: &mut Random) -> Option<Self> {
        let total: f64 = Self::of_cause(cause).map(Self::share).sum();
        let mut left = random.unit() * total;
        let mut last = None;
        for defect in Self::of_cause(cause) {
            last = Some(defect);
            left -= defect.share();
            if left < 0.0 {
                break;
            }
        }
        last
    }
}

/// `sensor-circuit/open`.
impl fmt::Display for Defect {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.cause(), self.form())
    }
}

/// A defect at a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fault {
    /// What it is.
    pub defect: Defect,
    /// Where.
    pub place: Place,
    /// How bad, from just noticeable (0) to as bad as it gets (1).
    pub severity: f64,
}

/// `sensor-circuit/open@left-front=0.70`: what [`FaultWanted`] reads.
impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.defect)?;
        match self.place {
            Place::Vehicle => {}
            Place::Axle(axle) => write!(f, "@{}", axle.id())?,
            Place::Wheel(wheel) => write!(f, "@{}", wheel.id())?,
        }
        write!(f, "={:.2}", self.severity)
    }
}

/// A fault as a person asks for it: form and severity may be left to the seed.
#[derive(Clone, Debug, PartialEq)]
pub struct FaultWanted {
    cause: String,
    form: Option<Defect>,
    place: Place,
    severity: Option<f64>,
}

impl FaultWanted {
    /// A form and a severity for whatever was left open, drawn from the seed.
    pub fn settled(&self, seed: u64) -> Fault {
        let mut random = Random::new(seed, "fault");
        let drawn = Defect::drawn(&self.cause, &mut random).unwrap_or(Defect::Remembered);
        let severity = random.between(0.35, 0.95);
        Fault {
            defect: self.form.unwrap_or(drawn),
            place: self.place,
            severity: self.severity.unwrap_or(severity),
        }
    }
}

/// The text is no fault.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ParseFaultError {
    /// No such cause.
    #[error("no cause {0:?}; possible: {list}", list = causes().join(", "))]
    Cause(String),
    /// The cause has no such form.
    #[error("{cause} has no form {form:?}; possible: {list}", list = forms(cause).join(", "))]
    Form {
        /// The cause.
        cause: String,
        /// What was given.
        form: String,
    },
    /// The place does not fit the cause.
    #[error("{cause} needs {needed}, as in {cause}{example}")]
    Place {
        /// The cause.
        cause: String,
        /// What kind of place it needs.
        needed: &'static str,
        /// An example of one.
        example: &'static str,
    },
    /// The severity is no number from 0 to 1.
    #[error("severity {0:?} is no number from 0 to 1")]
    Severity(String),
}

/// `CAUSE[/FORM][@PLACE][=SEVERITY]`.
impl FromStr for FaultWanted {
    type Err = ParseFaultError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (text, severity) = match text.split_once('=') {
            Some((text, number)) => match number.parse::<f64>() {
                Ok(value) if (0.0..=1.0).contains(&value) => (text, Some(value)),
                _ => return Err(ParseFaultError::Severity(number.to_owned())),
            },
            None => (text, None),
        };
        let (text, place) = match text.split_once('@') {
            Some((text, place)) => (text, Some(place)),
            None => (text, None),
        };
        let (cause, form) = match text.split_once('/') {
            Some((cause, form)) => (cause, Some(form)),
            None => (text, None),
        };
        let Some(kind) = Defect::of_cause(cause).next().map(Defect::place_kind) else {
            return Err(ParseFaultError::Cause(cause.to_owned()));
        };
        let form = match form {
            Some(form) => match Defect::of_cause(cause).find(|known| known.form() == form) {
                Some(defect) => Some(defect),
                None => {
                    return Err(ParseFaultError::Form {
                        cause: cause.to_owned(),
                        form: form.to_owned(),
                    });
                }
            },
            None => None,
        };
        let (found, needed, example) = match kind {
            PlaceKind::Vehicle => (
                place.is_none().then_some(Place::Vehicle),
                "no place (it concerns the vehicle)",
                "",
            ),
            PlaceKind::Axle => (
                place.and_then(Axle::from_id).map(Place::Axle),
                "an axle (front or rear)",
                "@front",
            ),
            PlaceKind::Wheel => (
                place.and_then(Wheel::from_id).map(Place::Wheel),
                "a wheel (left-front, right-front, left-rear or right-rear)",
                "@left-front",
            ),
        };
        let place = found.ok_or_else(|| ParseFaultError::Place {
            cause: cause.to_owned(),
            needed,
            example,
        })?;
        Ok(Self {
            cause: cause.to_owned(),
            form,
            place,
            severity,
        })
    }
}

/// The identifiers of all causes, in the order of the table.
pub fn causes() -> Vec<&'static str> {
    let mut causes: Vec<_> = Defect::ALL.iter().map(|defect| defect.cause()).collect();
    causes.dedup();
    causes
}

fn forms(cause: &str) -> Vec<&'static str> {
    Defect::of_cause(cause).map(Defect::form).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_defect_survives_print_and_parse() {
        for &defect in Defect::ALL {
            for &place in defect.place_kind().places() {
                let fault = Fault {
                    defect,
                    place,
                    severity: 0.25,
                };
                let wanted: FaultWanted = fault.to_string().parse().unwrap();
                assert_eq!(wanted.settled(1), fault);
            }
        }
    }

    #[test]
    fn there_are_the_causes_of_the_contract() {
        assert_eq!(causes().len(), 22);
    }

    #[test]
    fn what_is_no_fault_is_explained() {
        let error = |text: &str| text.parse::<FaultWanted>().unwrap_err().to_string();
        assert!(error("gremlins").contains("sensor-circuit"));
        assert!(error("sensor-circuit").contains("@left-front"));
        assert!(error("sensor-circuit@front").contains("a wheel"));
        assert!(error("supply-lost@front").contains("no place"));
        assert!(error("tone-ring/bent@left-rear").contains("cracked"));
        assert!(error("tone-ring@left-rear=7").contains("0 to 1"));
    }

    #[test]
    fn forms_are_drawn_by_their_share() {
        let mut random = Random::new(3, "test");
        let mut open = 0;
        for _ in 0..900 {
            if Defect::drawn("sensor-circuit", &mut random) == Some(Defect::WireOpen) {
                open += 1;
            }
        }
        assert!((250..350).contains(&open), "{open}");
        assert_eq!(Defect::drawn("gremlins", &mut random), None);
    }
}

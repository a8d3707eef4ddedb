//! Which code a brake module stores for which symptom: the numberings in use.
//!
//! A symptom is what the module can know. It does not know causes.
//!
//! Sources: SAE J2012 (C0030 to C003B by part, C0500 to C0517 by circuit), service texts of several makers before
//! that list was filled (C0035, C0040, C0045, C0050 with another table of symptom bytes).

use super::memory::Dtc;
use super::random::Random;
use crate::place::Wheel;

/// What a brake module can find wrong with one wheel's signal.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum WheelSymptom {
    /// No current on the line.
    LineOpen,
    /// The line is at earth.
    LineToEarth,
    /// The line opens again and again.
    LineIntermittent,
    /// The others turn, this one does not.
    NoSignal,
    /// The speed jumps.
    Erratic,
    /// A gap that comes back once per turn.
    Pattern,
    /// The speed disagrees with the others.
    Disagrees,
}

impl WheelSymptom {
    pub(super) const ALL: [Self; 7] = [
        Self::LineOpen,
        Self::LineToEarth,
        Self::LineIntermittent,
        Self::NoSignal,
        Self::Erratic,
        Self::Pattern,
        Self::Disagrees,
    ];
}

/// What a brake module can find wrong with the rest.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Symptom {
    FluidLow,
    LevelCircuitOpen,
    SupplyLow,
    PumpStuck,
    PumpOpen,
    ValveOpen(Wheel),
    ValveSupply,
    BrakeSwitch,
    PressureOffset,
    PressureOpen,
    YawOffset,
    YawImplausible,
    SteeringZero,
    NotCoded,
    WrongVariant,
    SelfTest,
    EngineLost,
    SteeringLost,
    BusOff,
}

/// A way of numbering the codes of wheel speeds.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Numbering {
    /// Ring, sensor and supply of each wheel: C0030 to C003B.
    ByPart,
    /// Open, range, low, high, intermittent, correlation of each wheel: C0500 to C0517.
    ByCircuit,
    /// One number for each wheel from before the shared list, with its own symptom bytes.
    Early,
}

/// The numbering of one module, with its maker's preferences for the failure type.
#[derive(Clone, Copy, Debug)]
pub(super) struct CodeBook {
    numbering: Numbering,
    no_signal: u8,
    erratic: u8,
    disagrees: u8,
    open: u8,
    supply: Dtc,
    fluid: u8,
    lost: u8,
    not_coded: u8,
    self_test: u8,
    pattern_has_own_code: bool,
}

impl CodeBook {
    /// A maker's choices, drawn.
    pub(super) fn drawn(numbering: Numbering, random: &mut Random) -> Self {
        Self {
            numbering,
            no_signal: random.pick(&[0x31, 0x29, 0x07, 0x23]),
            erratic: random.pick(&[0x2F, 0x2F, 0x64, 0x27]),
            disagrees: random.pick(&[0x62, 0x64]),
            open: random.pick(&[0x13, 0x13, 0x15, 0x14]),
            supply: random.pick(&[[0x45, 0x64, 0x16], [0xF0, 0x03, 0x16]]),
            fluid: random.pick(&[0x7B, 0x00]),
            lost: random.pick(&[0x87, 0x00]),
            not_coded: random.pick(&[0x55, 0x51]),
            self_test: random.pick(&[0x49, 0x46, 0x47, 0x04]),
            pattern_has_own_code: random.chance(0.8),
        }
    }

    /// The choices of the training vehicle.
    pub(super) const fn training() -> Self {
        Self {
            numbering: Numbering::ByPart,
            no_signal: 0x31,
            erratic: 0x2F,
            disagrees: 0x62,
            open: 0x13,
            supply: [0x45, 0x64, 0x16],
            fluid: 0x7B,
            lost: 0x87,
            not_coded: 0x55,
            self_test: 0x49,
            pattern_has_own_code: true,
        }
    }

    /// The failure type for a lost message.
    pub(super) const fn lost(&self) -> u8 {
        self.lost
    }

    /// The code for a wheel's symptom.
    pub(super) fn wheel(&self, symptom: WheelSymptom, wheel: Wheel) -> Dtc {
        use WheelSymptom as S;
        let index = u16::try_from(wheel.index()).unwrap_or(0);
        match self.numbering {
            Numbering::ByPart => {
                let ring = 0x4030 + 3 * index;
                match symptom {
                    S::LineOpen => three(ring + 1, self.open),
                    S::LineToEarth if self.open == 0x14 => three(ring + 1, 0x14),
                    S::LineToEarth => three(ring + 1, 0x11),
                    S::LineIntermittent => three(ring + 1, 0x1F),
                    S::NoSignal => three(ring + 1, self.no_signal),
                    S::Erratic => three(ring + 1, self.erratic),
                    S::Pattern if self.pattern_has_own_code => three(ring, 0x07),
                    S::Pattern => three(ring + 1, 0x2F),
                    S::Disagrees => three(ring + 1, self.disagrees),
                }
            }
            Numbering::ByCircuit => {
                let base = 0x4500 + 6 * index;
                match symptom {
                    S::LineOpen => three(base, self.open),
                    S::LineToEarth => three(base, 0x14),
                    S::LineIntermittent => three(base + 4, 0x1F),
                    S::NoSignal => three(base, self.no_signal),
                    S::Erratic => three(base + 4, self.erratic),
                    S::Pattern => three(base + 1, 0x07),
                    S::Disagrees => three(base + 1, self.disagrees),
                }
            }
            Numbering::Early => {
                let number = 0x4035 + [0x00, 0x0B, 0x10, 0x1B].get(wheel.index()).unwrap_or(&0);
                let symptom_byte = match symptom {
                    S::LineOpen => 0x06,
                    S::LineToEarth => 0x02,
                    S::LineIntermittent | S::Erratic | S::Pattern => 0x0F,
                    S::NoSignal => 0x18,
                    S::Disagrees => 0x5A,
                };
                three(number, symptom_byte)
            }
        }
    }

    /// The code for any other symptom.
    pub(super) fn other(&self, symptom: Symptom) -> Dtc {
        let early = self.numbering == Numbering::Early;
        match symptom {
            Symptom::FluidLow => three(0x4049, self.fluid),
            Symptom::LevelCircuitOpen => three(0x404B, 0x13),
            Symptom::SupplyLow if early => three(0x4899, 0x03),
            Symptom::SupplyLow => self.supply,
            Symptom::PumpStuck if early => three(0x4110, 0x61),
            Symptom::PumpStuck => three(0x4020, 0x71),
            Symptom::PumpOpen if early => three(0x4110, 0x04),
            Symptom::PumpOpen => three(0x4020, 0x13),
            Symptom::ValveOpen(wheel) => {
                let index = u16::try_from(wheel.index()).unwrap_or(0);
                three(0x4010 + 4 * index, 0x13)
            }
            Symptom::ValveSupply if early => three(0x4121, 0x04),
            Symptom::ValveSupply => three(0x453B, 0x13),
            Symptom::BrakeSwitch if early => three(0x4161, 0x08),
            Symptom::BrakeSwitch => three(0x4040, 0x64),
            Symptom::PressureOffset => three(0x4044, 0x28),
            Symptom::PressureOpen => three(0x4044, 0x13),
            Symptom::YawOffset => three(0x4063, 0x28),
            Symptom::YawImplausible => three(0x4063, 0x64),
            Symptom::SteeringZero => three(0x4051, 0x28),
            Symptom::NotCoded => three(0xF000, self.not_coded),
            Symptom::WrongVariant => three(0xC300, 0x55),
            Symptom::SelfTest => three(0xF000, self.self_test),
            Symptom::EngineLost => three(0xC100, self.lost),
            Symptom::SteeringLost => three(0xC126, self.lost),
            Symptom::BusOff => three(0xC073, 0x88),
        }
    }
}

/// A code from its number and failure type.
pub(super) const fn three(number: u16, failure_type: u8) -> Dtc {
    let [high, low] = number.to_be_bytes();
    [high, low, failure_type]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trouble::Code;

    fn text(dtc: Dtc) -> String {
        let number = u16::from_be_bytes([dtc[0], dtc[1]]);
        format!("{}-{:02X}", Code(number), dtc[2])
    }

    /// Source: published lists in J2012 wording and makers' charts.
    #[test]
    fn numberings_are_the_published_ones() {
        let book = CodeBook::training();
        let shared = |symptom, wheel| text(book.wheel(symptom, wheel));
        assert_eq!(shared(WheelSymptom::LineOpen, Wheel::LeftFront), "C0031-13");
        assert_eq!(shared(WheelSymptom::Pattern, Wheel::RightFront), "C0033-07");
        assert_eq!(
            shared(WheelSymptom::LineToEarth, Wheel::RightRear),
            "C003A-11"
        );
        let early = CodeBook {
            numbering: Numbering::Early,
            ..book
        };
        let numbers = Wheel::ALL.map(|wheel| text(early.wheel(WheelSymptom::Erratic, wheel)));
        assert_eq!(numbers, ["C0035-0F", "C0040-0F", "C0045-0F", "C0050-0F"]);
        let circuit = CodeBook {
            numbering: Numbering::ByCircuit,
            ..book
        };
        let open = |wheel| text(circuit.wheel(WheelSymptom::LineOpen, wheel));
        assert_eq!(
            Wheel::ALL.map(open),
            ["C0500-13", "C0506-13", "C050C-13", "C0512-13"]
        );
        assert_eq!(
            text(book.other(Symptom::ValveOpen(Wheel::RightRear))),
            "C001C-13"
        );
        assert_eq!(text(book.other(Symptom::EngineLost)), "U0100-87");
    }
}

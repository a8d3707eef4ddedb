//! The modules around the brake module: they miss its messages, doubt its data, and have codes of their own.

use super::codes::three;
use super::debounce::{Debounce, Outcome};
use super::memory::{Dtc, Memory, Snapshot};
use super::random::Random;
use super::readings::Readings;
use super::settings::{ModuleName, Settings};
use super::whole::{byte, word};

/// How often a neighbour looks, seconds.
pub(super) const LOOK_S: f64 = 0.05;

/// What a neighbour gets from outside.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    /// Seconds since a message of the brake module came.
    pub(super) brakes_silent_s: f64,
    /// Seconds since a message of the engine module came.
    pub(super) engine_silent_s: f64,
    /// Whether a wheel is marked invalid in the last message.
    pub(super) wheel_invalid: bool,
    /// Whether the two contacts of the brake switch contradict each other.
    pub(super) switch_contradicts: bool,
    pub(super) engine_runs: bool,
    pub(super) battery_v: f64,
}

#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Doubt {
    BrakesLost,
    BrakesInvalid,
    EngineLost,
    SupplyLow,
    BrakeSwitch,
}

#[derive(Clone, Debug)]
struct Test {
    doubt: Doubt,
    dtc: Dtc,
    debounce: Debounce,
}

/// A module other than the brake module.
#[derive(Clone, Debug)]
pub(super) struct Neighbour {
    pub(super) memory: Memory,
    tests: Vec<Test>,
    time: f64,
}

/// Codes that have nothing to do with the brakes: module, number, failure type, status.
const STRAY: [(ModuleName, u16, u8, u8); 8] = [
    (ModuleName::Powertrain, 0x0420, 0x00, 0x2F),
    (ModuleName::Powertrain, 0x0171, 0x00, 0x2C),
    (ModuleName::Powertrain, 0x0128, 0x00, 0x28),
    (ModuleName::Body, 0x9A0F, 0x13, 0x28),
    (ModuleName::Body, 0x9A24, 0x11, 0x2F),
    (ModuleName::Cluster, 0x9B02, 0x00, 0x28),
    (ModuleName::Body, 0xF003, 0x16, 0x28),
    (ModuleName::Cluster, 0xC155, 0x00, 0x28),
];

impl Neighbour {
    pub(super) fn new(name: ModuleName, lost: u8, settings: &Settings) -> Self {
        let mut random = Random::new(settings.seed, name.words());
        let mut memory = Memory::new(0xFF, 1, false);
        let invalid = random.pick(&[0x86, 0x81, 0x00]);
        let patience = random.between(0.6, 2.0);
        let test = |doubt, number, failure_type, fail_s| Test {
            doubt,
            dtc: three(number, failure_type),
            debounce: Debounce::new(fail_s, 1.0),
        };
        let mut tests = vec![test(Doubt::BrakesLost, 0xC121, lost, patience)];
        match name {
            ModuleName::Powertrain => {
                tests.push(test(Doubt::BrakesInvalid, 0xC415, invalid, 2.0));
                tests.push(test(Doubt::SupplyLow, 0x0562, 0x00, 3.0));
                tests.push(test(Doubt::BrakeSwitch, 0x0504, 0x00, 4.0));
            }
            ModuleName::Cluster => tests.push(test(Doubt::EngineLost, 0xC100, lost, patience)),
            ModuleName::Body => {
                tests.push(test(Doubt::SupplyLow, 0xF003, 0x16, 5.0));
            }
            ModuleName::Brakes => {}
        }
        for test in &tests {
            memory.know(test.dtc);
        }
        let mut stray = Random::new(settings.seed, "stray codes");
        let first = stray.below(STRAY.len());
        for index in 0..usize::from(settings.stray_codes) {
            let (module, number, failure_type, status) = STRAY[(first + index) % STRAY.len()];
            if module == name {
                memory.plant(three(number, failure_type), status);
            }
        }
        Self {
            memory,
            tests,
            time: 0.0,
        }
    }

    /// The key is turned on.
    pub(super) fn key_on(&mut self) {
        self.memory.new_cycle();
        self.time = 0.0;
        for test in &mut self.tests {
            test.debounce.restart();
        }
    }

    /// One look, [`LOOK_S`] after the last.
    pub(super) fn look(&mut self, seen: &Seen, readings: &Readings) {
        self.time += LOOK_S;
        // Nobody expects anything of the others while they start up or the starter turns.
        if self.time < 1.5 {
            return;
        }
        for test in &mut self.tests {
            let bad = match test.doubt {
                Doubt::BrakesLost => Some(seen.brakes_silent_s > 0.5),
                Doubt::EngineLost => Some(seen.engine_silent_s > 0.5),
                Doubt::BrakesInvalid => (seen.brakes_silent_s < 0.5).then_some(seen.wheel_invalid),
                Doubt::SupplyLow => seen.engine_runs.then_some(seen.battery_v < 10.8),
                Doubt::BrakeSwitch => Some(seen.switch_contradicts),
            };
            let Some(bad) = bad else { continue };
            match test.debounce.step(bad, LOOK_S) {
                Some(Outcome::Failed) if !self.memory.has_failed_this_cycle(test.dtc) => {
                    let snapshot = Snapshot {
                        speed: word(readings.speed_kmh * 100.0),
                        supply: byte(seen.battery_v * 10.0),
                        seconds: word(self.time),
                    };
                    self.memory.failed(test.dtc, snapshot);
                }
                Some(Outcome::Passed) => self.memory.passed(test.dtc),
                Some(Outcome::Failed) | None => {}
            }
        }
    }
}

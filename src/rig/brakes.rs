//! The brake module: measures, watches itself and its inputs, and stores what it finds after its own debounce.
//!
//! It knows pulses, currents, voltages and messages, never the fault that the vehicle was given. The limits are of
//! the size that makers print.

use super::codes::{CodeBook, Symptom, WheelSymptom};
use super::counter::{Counter, MAX_FILTER, TASK_S};
use super::debounce::{Debounce, Outcome};
use super::fault::{Defect, Fault};
use super::line::LineState;
use super::memory::{Memory, Snapshot};
use super::random::Random;
use super::settings::Settings;
use super::watch::{Limits, Signal, WheelWatch};
use super::whole::{byte, word};
use crate::place::Wheel;

/// What the module gets from outside in one task.
#[expect(
    clippy::struct_excessive_bools,
    reason = "independent inputs, not states of one machine"
)]
#[derive(Clone, Copy, Debug)]
pub(super) struct Inputs<'a> {
    /// Pulses of each wheel since the last task.
    pub(super) edges: [&'a [f64]; 4],
    pub(super) lines: [LineState; 4],
    pub(super) supply_v: f64,
    /// From the yaw rate sensor, rad/s, positive to the left.
    pub(super) yaw_rate: f64,
    /// From the steering angle sensor, degrees, positive to the left.
    pub(super) steering_deg: f64,
    /// From the pressure sensor; `None`: its circuit is open.
    pub(super) pressure_bar: Option<f64>,
    pub(super) brake_switch: bool,
    pub(super) level_low: bool,
    pub(super) level_circuit_open: bool,
    /// Whether the engine module's and the steering sensor's messages come in.
    pub(super) engine_heard: bool,
    pub(super) steering_heard: bool,
}

/// What the module's own hardware does when it tests it.
#[expect(
    clippy::struct_excessive_bools,
    reason = "independent defects, not states of one machine"
)]
#[derive(Clone, Copy, Debug, Default)]
struct Hardware {
    pump_stuck: bool,
    pump_open: bool,
    valve_open: Option<Wheel>,
    valve_supply_open: bool,
    not_coded: bool,
    wrong_variant: bool,
    self_test_fails: bool,
    dead: bool,
}

/// A test of something other than a wheel.
#[derive(Clone, Copy, Debug)]
struct Test {
    symptom: Symptom,
    debounce: Debounce,
    /// Interruptions do not start it anew.
    gathers: bool,
}

/// How a module sends a wheel whose signal it does not trust.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
enum Distrusted {
    Zero,
    Invalid,
    AsMeasured,
}

/// The brake module.
#[derive(Clone, Debug)]
pub(super) struct Brakes {
    pub(super) memory: Memory,
    book: CodeBook,
    limits: Limits,
    hardware: Hardware,
    counters: [Counter; 4],
    watches: [WheelWatch; 4],
    tests: Vec<Test>,
    distrusted: Distrusted,
    /// Seconds of key-on time, and until when the module restarts after its supply collapsed.
    time: f64,
    reset_until: f64,
    awake: bool,
    abs_until: f64,
    pump_until: f64,
    pump_tested: bool,
    side_bias: f64,
    /// For how long it has learnt how the rear tyres differ, s.
    learnt_s: f64,
    /// What the rear wheels turn more than the yaw rate sensor says, rad/s.
    yaw_beyond: f64,
    /// Vehicle speed a moment ago, m/s, and how fast it changes, m/s².
    speed_before: f64,
    acceleration: f64,
    supply_v: f64,
}

/// Below this supply the processor stops, volts; it is back [`RESTART_S`] after the supply is.
const COLLAPSE_V: f64 = 6.2;
const RESTART_S: f64 = 0.5;
/// Above this speed the pump is tested once in a cycle, m/s.
const PUMP_TEST_SPEED: f64 = 15.0 / 3.6;
const PUMP_TEST_S: f64 = 0.12;

impl Brakes {
    pub(super) fn new(settings: &Settings) -> Self {
        let mut random = Random::new(settings.seed, "brake module");
        let training = settings.numbering.is_none();
        let book = match settings.numbering {
            Some(numbering) => CodeBook::drawn(numbering, &mut random),
            None => CodeBook::training(),
        };
        let limits = if training {
            Limits::training(settings.teeth)
        } else {
            Limits::drawn(settings.teeth, &mut random)
        };
        let filter = if training {
            2
        } else {
            1 + random.below(MAX_FILTER)
        };
        let availability = random.pick(&[0xFF, 0x7F, 0x2F, 0x2B]);
        let confirm = 1 + u8::from(random.chance(0.3));
        let mut memory = Memory::new(
            if training { 0xFF } else { availability },
            if training { 1 } else { confirm },
            training || random.chance(0.5),
        );
        let pitch_m = settings.circumference_m / f64::from(settings.teeth.max(1));
        let tests = Self::tests(&limits);
        for wheel in Wheel::ALL {
            for symptom in WheelSymptom::ALL {
                memory.know(book.wheel(symptom, wheel));
            }
        }
        for test in &tests {
            memory.know(book.other(test.symptom));
        }
        Self {
            memory,
            book,
            limits,
            hardware: Hardware::default(),
            counters: [(); 4].map(|()| Counter::new(pitch_m, filter)),
            watches: [(); 4].map(|()| WheelWatch::new(&limits)),
            tests,
            distrusted: if training {
                Distrusted::Invalid
            } else {
                random.pick(&[
                    Distrusted::Zero,
                    Distrusted::Invalid,
                    Distrusted::AsMeasured,
                ])
            },
            time: 0.0,
            reset_until: 0.0,
            awake: false,
            abs_until: 0.0,
            pump_until: 0.0,
            pump_tested: false,
            side_bias: 0.0,
            learnt_s: 0.0,
            yaw_beyond: 0.0,
            speed_before: 0.0,
            acceleration: 0.0,
            supply_v: 0.0,
        }
    }

    fn tests(limits: &Limits) -> Vec<Test> {
        let test = |symptom, fail_s: f64, pass_s: f64| Test {
            symptom,
            debounce: Debounce::new(fail_s, pass_s),
            gathers: false,
        };
        let gathered = |symptom, fail_s: f64, pass_s: f64| Test {
            gathers: true,
            ..test(symptom, fail_s, pass_s)
        };
        let mut tests = vec![
            test(Symptom::FluidLow, 4.0, 10.0),
            test(Symptom::LevelCircuitOpen, 2.0, 2.0),
            test(Symptom::SupplyLow, limits.supply_s, 1.0),
            test(Symptom::PumpStuck, 0.02, 0.02),
            test(Symptom::PumpOpen, 0.3, 0.3),
            test(Symptom::ValveSupply, 0.3, 0.3),
            gathered(Symptom::BrakeSwitch, limits.switch_s, 30.0),
            gathered(Symptom::PressureOffset, 6.0, 20.0),
            test(Symptom::PressureOpen, 1.0, 1.0),
            test(Symptom::YawOffset, 2.0, 2.0),
            gathered(Symptom::YawImplausible, limits.yaw_s, 25.0),
            gathered(Symptom::SteeringZero, 6.0, 25.0),
            test(Symptom::NotCoded, 0.5, 0.5),
            test(Symptom::WrongVariant, 0.5, 0.5),
            test(Symptom::SelfTest, 0.8, 0.8),
            test(Symptom::EngineLost, limits.lost_s, 1.0),
            test(Symptom::SteeringLost, limits.lost_s, 1.0),
            test(Symptom::BusOff, 3.0, 1.0),
        ];
        for wheel in Wheel::ALL {
            tests.push(test(Symptom::ValveOpen(wheel), 0.3, 0.3));
        }
        tests
    }

    /// What the workshop or fate has done to the module.
    pub(super) fn suffer(&mut self, faults: &[Fault], seed: u64) {
        let mut random = Random::new(seed, "valve");
        let wheel = random.pick(&Wheel::ALL);
        let mut hardware = Hardware::default();
        for fault in faults {
            match fault.defect {
                Defect::PumpStuck => hardware.pump_stuck = true,
                Defect::PumpOpen => hardware.pump_open = true,
                Defect::ValveOpen => hardware.valve_open = Some(wheel),
                Defect::ValveRelay => hardware.valve_supply_open = true,
                Defect::NotCoded => hardware.not_coded = true,
                Defect::WrongVariant => hardware.wrong_variant = true,
                Defect::SelfTestFails => hardware.self_test_fails = true,
                Defect::ModuleDead => hardware.dead = true,
                _ => {}
            }
        }
        self.hardware = hardware;
    }

    /// The key is turned on.
    pub(super) fn key_on(&mut self) {
        self.memory.new_cycle();
        for counter in &mut self.counters {
            counter.reset();
        }
        for watch in &mut self.watches {
            watch.restart();
        }
        for test in &mut self.tests {
            test.debounce.restart();
        }
        self.time = 0.0;
        self.reset_until = 0.25;
        self.abs_until = 0.0;
        self.pump_until = 0.0;
        self.pump_tested = false;
    }

    /// One task of the module.
    pub(super) fn task(&mut self, now: f64, inputs: &Inputs<'_>) {
        self.time += TASK_S;
        self.supply_v = inputs.supply_v;
        if self.hardware.dead || inputs.supply_v < COLLAPSE_V {
            self.awake = false;
            self.reset_until = self.time + RESTART_S;
            for counter in &mut self.counters {
                counter.reset();
            }
            return;
        }
        self.awake = self.time >= self.reset_until;
        if !self.awake {
            return;
        }
        for (counter, edges) in self.counters.iter_mut().zip(inputs.edges) {
            counter.measure(now, edges);
        }
        self.watch_wheels(inputs);
        self.watch_the_rest(inputs);
        self.regulate(inputs);
    }

    fn watch_wheels(&mut self, inputs: &Inputs<'_>) {
        // Its inputs are not judged while the supply is outside the window in which they are specified.
        if !(self.limits.least_supply_v..16.5).contains(&inputs.supply_v) {
            for watch in &mut self.watches {
                watch.restart();
            }
            return;
        }
        let speeds = [0, 1, 2, 3].map(|wheel: usize| self.counters[wheel].speed());
        let mut ordered = speeds;
        ordered.sort_by(f64::total_cmp);
        let median = f64::midpoint(ordered[1], ordered[2]);
        let straight = inputs.yaw_rate.abs() < 0.05;
        let braking = inputs.brake_switch;
        for wheel in Wheel::ALL {
            let index = wheel.index();
            let fastest_other = Wheel::ALL
                .iter()
                .filter(|other| **other != wheel)
                .fold(0.0_f64, |most, other| most.max(speeds[other.index()]));
            let signal = Signal {
                raw: self.counters[index].raw(),
                speed: speeds[index],
                fastest_other,
                middle_other: middle_other(speeds, index),
                median,
                straight,
                braking,
                line: inputs.lines[index],
                edges: inputs.edges[index],
            };
            let found = self.watches[index].task(&signal, &self.limits);
            for (symptom, outcome) in found {
                let dtc = self.book.wheel(symptom, wheel);
                self.settle(dtc, outcome);
            }
        }
    }

    fn settle(&mut self, dtc: [u8; 3], outcome: Outcome) {
        match outcome {
            Outcome::Failed if !self.memory.has_failed_this_cycle(dtc) => {
                let snapshot = Snapshot {
                    speed: word(self.vehicle_kmh() * 100.0),
                    supply: byte(self.supply_v * 10.0),
                    seconds: word(self.time),
                };
                self.memory.failed(dtc, snapshot);
            }
            Outcome::Failed => {}
            Outcome::Passed => self.memory.passed(dtc),
        }
    }

    fn watch_the_rest(&mut self, inputs: &Inputs<'_>) {
        let speed = self.vehicle_kmh() / 3.6;
        let moving = speed > 1.0;
        let ready = self.time > 1.0;
        let trusted = Wheel::ALL.iter().all(|wheel| self.judges(*wheel));
        let change = (speed - self.speed_before) / TASK_S;
        self.speed_before = speed;
        self.acceleration += (change - self.acceleration) * TASK_S / 0.4;
        let slowing = self.acceleration < -0.6;
        let rear = [2, 3].map(|wheel: usize| self.counters[wheel].speed());
        let side = (rear[1] - rear[0]) / 1.5;
        // A wheel that drops out for a moment says nothing about the turn.
        let whole = rear
            .iter()
            .all(|wheel| (wheel / speed.max(0.1) - 1.0).abs() < 0.25);
        if moving && whole && inputs.steering_deg.abs() < 6.0 && inputs.yaw_rate.abs() < 0.02 {
            self.side_bias += (side / speed - self.side_bias) * TASK_S / 2.0;
            self.learnt_s += TASK_S;
        }
        // Smoothed over half a second: single readings are full of road.
        let by_wheels = side - self.side_bias * speed - inputs.yaw_rate;
        if whole {
            self.yaw_beyond += (by_wheels - self.yaw_beyond) * TASK_S / 0.5;
        }
        let pressure = inputs.pressure_bar.unwrap_or(0.0);
        // The pump is tested once, at the first drive-off; its sense wire tells whether it turned.
        let mut pump_turned = None;
        if speed > PUMP_TEST_SPEED && !self.pump_tested && !self.hardware.pump_open {
            self.pump_tested = true;
            self.pump_until = self.time + PUMP_TEST_S;
        }
        if self.time < self.pump_until {
            pump_turned = Some(!self.hardware.pump_stuck);
        }
        let mut tests = std::mem::take(&mut self.tests);
        for test in &mut tests {
            let bad = match test.symptom {
                Symptom::FluidLow => Some(inputs.level_low),
                Symptom::LevelCircuitOpen => Some(inputs.level_circuit_open),
                Symptom::SupplyLow => ready.then_some(inputs.supply_v < self.limits.low_supply_v),
                Symptom::PumpStuck => pump_turned.map(|turned| !turned),
                Symptom::PumpOpen => Some(self.hardware.pump_open),
                Symptom::ValveOpen(wheel) => Some(self.hardware.valve_open == Some(wheel)),
                Symptom::ValveSupply => Some(self.hardware.valve_supply_open),
                Symptom::BrakeSwitch if inputs.brake_switch => {
                    (speed > 4.2).then_some(pressure < 1.0)
                }
                Symptom::BrakeSwitch => (pressure > 6.0 && slowing && speed > 2.0).then_some(true),
                Symptom::PressureOffset => {
                    (moving && !inputs.brake_switch && !slowing).then_some(pressure > 8.0)
                }
                Symptom::PressureOpen => Some(inputs.pressure_bar.is_none()),
                Symptom::YawOffset => {
                    (speed <= 0.0 && ready).then_some(inputs.yaw_rate.abs() > 0.045)
                }
                Symptom::YawImplausible => (speed > 5.5 && trusted && whole && self.learnt_s > 6.0)
                    .then_some(self.yaw_beyond.abs() > 0.14),
                Symptom::SteeringZero => {
                    (speed > 8.0 && inputs.yaw_rate.abs() < 0.015 && self.yaw_beyond.abs() < 0.03)
                        .then_some(inputs.steering_deg.abs() > 12.0)
                }
                Symptom::NotCoded => Some(self.hardware.not_coded),
                Symptom::WrongVariant => Some(self.hardware.wrong_variant),
                Symptom::SelfTest => Some(self.hardware.self_test_fails),
                Symptom::EngineLost => ready.then_some(!inputs.engine_heard),
                Symptom::SteeringLost => ready.then_some(!inputs.steering_heard),
                Symptom::BusOff => ready.then_some(!inputs.engine_heard && !inputs.steering_heard),
            };
            let outcome = match bad {
                Some(bad) if test.gathers => test.debounce.gather(bad, TASK_S),
                Some(bad) => test.debounce.step(bad, TASK_S),
                None => None,
            };
            if let Some(outcome) = outcome {
                self.settle(self.book.other(test.symptom), outcome);
            }
        }
        self.tests = tests;
    }

    /// Regulates a wheel that seems to lock: also one whose signal only seems to.
    fn regulate(&mut self, inputs: &Inputs<'_>) {
        let pressure = inputs.pressure_bar.unwrap_or(0.0);
        if !inputs.brake_switch || pressure < 3.0 || self.hardware.valve_supply_open {
            return;
        }
        let reference = self.vehicle_kmh() / 3.6;
        let locks = Wheel::ALL.iter().any(|wheel| {
            let speed = self.counters[wheel.index()].speed();
            self.trusts(*wheel) && reference > 1.6 && speed < 0.6 * reference
        });
        if locks {
            self.abs_until = self.time + 0.3;
            if !self.hardware.pump_open {
                self.pump_until = self.pump_until.max(self.time + 0.3);
            }
        }
    }

    /// Whether no test of this wheel says that it has no signal.
    fn trusts(&self, wheel: Wheel) -> bool {
        let broken = [
            WheelSymptom::LineOpen,
            WheelSymptom::LineToEarth,
            WheelSymptom::NoSignal,
        ];
        let failed = |symptom| {
            let dtc = self.book.wheel(symptom, wheel);
            self.memory.has_failed_this_cycle(dtc)
        };
        !broken.into_iter().any(failed)
    }

    /// Whether no test of this wheel has failed at all.
    fn judges(&self, wheel: Wheel) -> bool {
        WheelSymptom::ALL.iter().all(|symptom| {
            let dtc = self.book.wheel(*symptom, wheel);
            !self.memory.has_failed_this_cycle(dtc)
        })
    }

    /// Whether it runs: fed, sound and not restarting.
    pub(super) const fn awake(&self) -> bool {
        self.awake
    }

    /// What it sends for each wheel, km/h; `None`: marked invalid.
    pub(super) fn sent_kmh(&self) -> [Option<f64>; 4] {
        Wheel::ALL.map(|wheel| {
            let kmh = self.counters[wheel.index()].speed() * 3.6;
            // Slower than this is a standstill to the module.
            let kmh = if kmh < self.limits.least_kmh {
                0.0
            } else {
                kmh
            };
            if self.trusts(wheel) {
                return Some(kmh);
            }
            match self.distrusted {
                Distrusted::Zero => Some(0.0),
                Distrusted::Invalid => None,
                Distrusted::AsMeasured => Some(kmh),
            }
        })
    }

    /// Vehicle speed: the mean of the two middle wheels, km/h.
    pub(super) fn vehicle_kmh(&self) -> f64 {
        let mut speeds = [0, 1, 2, 3].map(|wheel: usize| self.counters[wheel].speed());
        speeds.sort_by(f64::total_cmp);
        f64::midpoint(speeds[1], speeds[2]) * 3.6
    }

    /// Whether the pump runs now.
    pub(super) fn pump_runs(&self) -> bool {
        self.awake
            && self.time < self.pump_until
            && !self.hardware.pump_stuck
            && !self.hardware.pump_open
    }

    /// Whether the brakes are being regulated.
    pub(super) fn abs_active(&self) -> bool {
        self.time < self.abs_until
    }

    /// The failure type for a lost message, which the vehicle's maker prefers.
    pub(super) const fn lost(&self) -> u8 {
        self.book.lost()
    }
}

/// The middle one of the three others.
fn middle_other(speeds: [f64; 4], own: usize) -> f64 {
    let mut others = [1, 2, 3].map(|step: usize| speeds[(own + step) % 4]);
    others.sort_by(f64::total_cmp);
    others[1]
}

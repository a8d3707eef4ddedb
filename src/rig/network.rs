//! What disturbs the bus: a missing terminator, a node that talks nonsense, wires that lose contact.

use super::bus::{Bus, Node};
use super::fault::{Defect, Fault};
use super::random::Random;

/// The state of the bus wiring.
#[derive(Clone, Debug)]
pub(super) struct Network {
    /// Resistance between the wires with everything unpowered, ohms.
    pub(super) resistance_ohm: f64,
    /// Single disturbed frames for each second.
    errors_hz: f64,
    /// Longer disturbances: how many for each second, and their mean length.
    bursts_hz: f64,
    burst_s: f64,
    /// The same for the brake module's stub alone.
    stub_hz: f64,
    stub_s: f64,
    all_until: f64,
    stub_until: f64,
    next_error: f64,
    random: Random,
}

/// Classes of Linux error frames: protocol violation, bus error, controller state.
const PROTOCOL: u32 = 0x08;
const BUS_ERROR: u32 = 0x80;
const CONTROLLER: u32 = 0x04;

impl Network {
    pub(super) fn new(seed: u64, faults: &[Fault]) -> Self {
        let mut random = Random::new(seed, "network");
        let mut new = Self {
            resistance_ohm: random.between(59.0, 61.5),
            errors_hz: 0.0,
            bursts_hz: 0.0,
            burst_s: 0.0,
            stub_hz: 0.0,
            stub_s: 0.0,
            all_until: 0.0,
            stub_until: 0.0,
            next_error: 0.0,
            random,
        };
        for fault in faults {
            let scale = |least: f64, most: f64| least + (most - least) * fault.severity;
            match fault.defect {
                Defect::TerminationMissing => {
                    new.resistance_ohm = new.random.between(117.0, 123.0);
                    new.errors_hz = scale(0.5, 6.0);
                    new.bursts_hz = scale(0.02, 0.08);
                    new.burst_s = scale(0.3, 1.5);
                }
                Defect::NodeDisturbs => {
                    new.resistance_ohm = new.random.between(48.0, 60.0);
                    new.errors_hz = scale(1.0, 8.0);
                    new.bursts_hz = scale(0.05, 0.15);
                    new.burst_s = scale(0.4, 2.0);
                }
                Defect::StubIntermittent => {
                    new.stub_hz = scale(0.05, 0.2);
                    new.stub_s = scale(0.5, 3.0);
                    new.errors_hz = 0.1;
                }
                _ => {}
            }
        }
        new
    }

    /// The state after another `dt` seconds: error frames go to the bus. `shake` is 1 during a bump.
    pub(super) fn step(&mut self, now: f64, dt: f64, shake: f64, bus: Option<&mut Bus>) {
        if self.errors_hz <= 0.0 {
            return;
        }
        if now >= self.all_until && self.random.chance(self.bursts_hz * dt) {
            self.all_until = now + self.random.wait(self.burst_s);
        }
        let stub_hz = self.stub_hz * (1.0 + 20.0 * shake);
        if now >= self.stub_until && self.random.chance(stub_hz * dt) {
            self.stub_until = now + self.random.wait(self.stub_s);
        }
        let disturbed = now < self.all_until;
        let rate = if disturbed { 200.0 } else { self.errors_hz };
        if now < self.next_error || !self.random.chance(rate * dt) {
            return;
        }
        self.next_error = now + 0.002;
        let Some(bus) = bus else { return };
        // Violation and where: a stuffing, form or bit error, in the data, the length code or the identifier.
        let violation = self.random.pick(&[0x04, 0x02, 0x01]);
        let place = self.random.pick(&[0x0A, 0x0A, 0x0B, 0x02]);
        bus.error(
            now,
            PROTOCOL | BUS_ERROR,
            [0, 0, violation, place, 0, 0, 0, 0],
        );
        if disturbed && self.random.chance(0.01) {
            // The adapter's controller has become error passive (receiving).
            bus.error(now, CONTROLLER, [0, 0x10, 0, 0, 0, 0, 0, 0x80]);
        }
    }

    /// Whether a node cannot be heard now.
    pub(super) fn cuts_off(&self, node: Node, now: f64) -> bool {
        now < self.all_until || node == Node::Brakes && now < self.stub_until
    }
}

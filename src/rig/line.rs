//! The wires between a sensor and the module: sound, open, shorted, or of two minds.

use super::random::Random;

/// What the line does at one moment.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub(super) enum LineState {
    /// Pulses pass.
    #[default]
    Sound,
    /// No current flows.
    Open,
    /// It touches earth.
    ToEarth,
}

/// A contact that opens now and then.
#[derive(Clone, Copy, Debug)]
pub(super) struct Contact {
    /// How often it opens on a smooth road straight ahead, per second of key-on time.
    pub(super) rate_hz: f64,
    /// How long it stays open on average, seconds.
    pub(super) mean_s: f64,
    /// How much more often it opens during a bump.
    pub(super) bump_factor: f64,
    /// How much more often it opens for each 100 degrees of steering.
    pub(super) steering_factor: f64,
}

/// The line of one sensor.
#[derive(Clone, Debug, Default)]
pub(super) struct Line {
    /// What it is when its contacts hold.
    pub(super) rest: LineState,
    /// A bad contact, if there is one.
    pub(super) contact: Option<Contact>,
    open_until: f64,
}

impl Line {
    /// The state at `time` seconds. `bump` is 1 during a bump; `steering_deg` is at the steering wheel.
    pub(super) fn step(
        &mut self,
        time: f64,
        dt: f64,
        bump: f64,
        steering_deg: f64,
        random: &mut Random,
    ) -> LineState {
        let Some(contact) = self.contact else {
            return self.rest;
        };
        if time >= self.open_until {
            let steering = contact.steering_factor * steering_deg.abs() / 100.0;
            let rate = contact.rate_hz * (1.0 + contact.bump_factor * bump + steering);
            if random.chance(rate * dt) {
                self.open_until = time + random.wait(contact.mean_s);
            }
        }
        if time < self.open_until {
            LineState::Open
        } else {
            self.rest
        }
    }
}

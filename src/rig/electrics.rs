//! Battery, alternator, and what of it arrives at the brake module.

use super::drive::Motion;
use super::fault::{Defect, Fault};
use super::random::Random;

/// Currents that the brake module draws: at rest, and with its pump running, amperes.
pub(super) const REST_A: f64 = 1.5;
const PUMP_A: f64 = 9.0;

/// The voltages of the vehicle.
#[derive(Clone, Debug)]
pub(super) struct Electrics {
    resting_v: f64,
    cranking_v: f64,
    running_v: f64,
    /// Lost between the battery and the module's supply pin, ohms.
    feed_ohm: f64,
    /// Between the module's earth pin and the battery, ohms.
    earth_ohm: f64,
    /// Weak charging: what lamps and pump pull down, volts.
    sag_v: f64,
    ripple: f64,
    battery_v: f64,
    module_v: f64,
    fed: bool,
    random: Random,
}

impl Electrics {
    pub(super) fn new(seed: u64, faults: &[Fault]) -> Self {
        let mut random = Random::new(seed, "electrics");
        let mut new = Self {
            resting_v: random.between(12.35, 12.7),
            cranking_v: random.between(9.9, 10.8),
            running_v: random.between(13.8, 14.5),
            feed_ohm: 0.02,
            earth_ohm: 0.01,
            sag_v: 0.05,
            ripple: 0.0,
            battery_v: 12.4,
            module_v: 12.4,
            fed: true,
            random,
        };
        for fault in faults {
            let scale = |least: f64, most: f64| least + (most - least) * fault.severity;
            match fault.defect {
                Defect::ChargingLow => {
                    new.resting_v = scale(12.0, 11.1);
                    new.cranking_v = scale(8.6, 6.8);
                    new.running_v = scale(11.6, 8.9);
                    new.sag_v = scale(0.3, 0.8);
                }
                Defect::EarthResistive => new.earth_ohm = scale(0.2, 1.4),
                Defect::FuseBlown | Defect::FeedOpen => new.fed = false,
                _ => {}
            }
        }
        new
    }

    /// The voltages after another `dt` seconds. `shake` is 1 during a bump.
    pub(super) fn step(&mut self, dt: f64, motion: &Motion, pump: bool, shake: f64) {
        let load = f64::from(u8::from(pump)) + f64::from(u8::from(motion.pressure_bar > 0.0));
        let target = if motion.cranking {
            self.cranking_v
        } else if motion.engine {
            self.running_v
        } else {
            self.resting_v
        } - self.sag_v * load;
        let settle = if motion.cranking { 0.03 } else { 0.4 };
        self.battery_v += (target - self.battery_v) * dt / settle;
        self.ripple += -self.ripple * dt / 0.01 + 0.01 * self.random.normal() * (dt / 0.01).sqrt();
        let current = REST_A + if pump { PUMP_A } else { 0.0 };
        let earth = self.earth_ohm * (1.0 + 2.0 * shake * self.random.unit());
        self.module_v = if self.fed {
            self.battery_v + self.ripple - current * (self.feed_ohm + earth)
        } else {
            0.0
        };
    }

    /// At the battery, volts.
    pub(super) fn battery_v(&self) -> f64 {
        self.battery_v + self.ripple
    }

    /// Between supply and earth pin of the brake module, volts.
    pub(super) const fn module_v(&self) -> f64 {
        self.module_v
    }

    /// At the brake module's plug, against the battery's earth, with its load, volts.
    pub(super) fn plug_v(&self) -> f64 {
        if self.fed {
            self.resting_v - REST_A * self.feed_ohm
        } else {
            0.0
        }
    }

    /// Between the module's earth pin and the battery's, under a load of 2 A, volts.
    pub(super) fn earth_drop_v(&self) -> f64 {
        2.0 * self.earth_ohm
    }

    /// At the battery with the engine running, volts.
    pub(super) const fn running_v(&self) -> f64 {
        self.running_v
    }
}

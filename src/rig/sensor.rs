//! The wheel-speed sensor: whether an edge that passes becomes a pulse.
//!
//! The field of a ring with pitch λ falls with the gap g as exp(−2π g/λ) (the spacing loss known from magnetic
//! recording). A coil gives a voltage in proportion to that field and to the frequency, so it needs some speed before
//! the module's comparator sees it; an active sensor switches at a field strength, whatever the speed.

use super::curve::exponential;
use super::random::Random;
use crate::vehicle::SensorKind;

/// The gap for which sensor and ring are made, millimetres.
pub(super) const GAP_MM: f64 = 0.8;
/// Radius of the ring, millimetres.
pub(super) const RING_RADIUS_MM: f64 = 45.0;
/// What a coil gives at [`GAP_MM`], volts for each hertz: 0.36 V at one turn a second of a ring of 48 (published: at
/// least 0.1 V when spun by hand).
const COIL_V_PER_HZ: f64 = 0.0075;
/// Where the module's comparator switches, volts.
const COMPARATOR_V: f64 = 0.12;
/// The share of the nominal field at which an active sensor switches.
const SWITCH_FIELD: f64 = 0.25;

/// A sensor in its place.
#[derive(Clone, Debug)]
pub struct Sensor {
    /// How it works.
    pub kind: SensorKind,
    /// Its distance from the ring, millimetres.
    pub gap_mm: f64,
    /// Its output relative to a sound one, by its own state.
    pub output: f64,
    /// What metal dust on its tip lets through.
    pub clear: f64,
    /// The distance over which the field falls to 1/e, millimetres: λ/2π.
    decay_mm: f64,
}

impl Sensor {
    /// A sound sensor for a ring of `teeth`.
    pub fn sound(kind: SensorKind, teeth: u32) -> Self {
        Self {
            kind,
            gap_mm: GAP_MM,
            output: 1.0,
            clear: 1.0,
            decay_mm: RING_RADIUS_MM / f64::from(teeth.max(1)),
        }
    }

    /// The distance over which the field falls to 1/e, millimetres.
    pub(super) const fn decay_mm(&self) -> f64 {
        self.decay_mm
    }

    /// How far above its switching point an edge lifts the signal: above 1 there is a pulse. `gap_change_mm` is what
    /// play and vibration add to the gap at this moment.
    pub fn margin(&self, frequency_hz: f64, gap_change_mm: f64, strength: f64) -> f64 {
        let gap = (self.gap_mm + gap_change_mm).max(0.05);
        let field = exponential((GAP_MM - gap) / self.decay_mm) * strength;
        let signal = field * self.output * self.clear;
        match self.kind {
            SensorKind::Passive => signal * COIL_V_PER_HZ * frequency_hz / COMPARATOR_V,
            SensorKind::Active => signal / SWITCH_FIELD,
        }
    }

    /// Whether the edge becomes a pulse, with the noise of one reading.
    pub(super) fn sees(margin: f64, random: &mut Random) -> bool {
        // Far from the switching point the noise cannot decide: spare the random numbers.
        if margin > 1.6 {
            return true;
        }
        margin > 0.4 && margin * (1.0 + 0.07 * random.normal()) > 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: a tyre trade article (no reading at 3.2 km/h or less for coil sensors); the band of 2 to 5 km/h is
    /// common practice.
    #[test]
    fn a_sound_coil_starts_at_walking_pace_and_an_active_sensor_at_once() {
        let coil = Sensor::sound(SensorKind::Passive, 48);
        let hertz = |kmh: f64| kmh / 3.6 / 1.95 * 48.0;
        assert!(coil.margin(hertz(1.5), 0.0, 1.0) < 1.0);
        assert!(coil.margin(hertz(4.0), 0.0, 1.0) > 1.0);
        let active = Sensor::sound(SensorKind::Active, 48);
        assert!(active.margin(hertz(0.1), 0.0, 1.0) > 3.0);
    }

    #[test]
    fn a_wide_gap_raises_the_onset_of_a_coil_only() {
        let mut coil = Sensor::sound(SensorKind::Passive, 48);
        coil.gap_mm = 2.4;
        assert!(coil.margin(100.0, 0.0, 1.0) < coil.margin(200.0, 0.0, 1.0));
        assert!(coil.margin(20.0, 0.0, 1.0) < 1.0);
        assert!(coil.margin(200.0, 0.0, 1.0) > 1.0);
        let mut active = Sensor::sound(SensorKind::Active, 48);
        active.gap_mm = 2.4;
        assert!(active.margin(20.0, 0.0, 1.0) < 1.0);
        assert!(active.margin(2_000.0, 0.0, 1.0) < 1.0);
    }
}

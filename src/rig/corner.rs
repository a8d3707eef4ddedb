//! One corner of the vehicle: tyre, bearing, ring, sensor and line. Motion in, pulses out.

use super::curve::{cosine, sine};
use super::drive::Motion;
use super::fault::{Defect, Fault};
use super::line::{Contact, Line, LineState};
use super::random::Random;
use super::ring::Ring;
use super::sensor::{RING_RADIUS_MM, Sensor};
use super::whole::whole;
use crate::place::Wheel;
use crate::vehicle::SensorKind;

/// One corner.
#[derive(Clone, Debug)]
pub(super) struct Corner {
    pub(super) wheel: Wheel,
    /// Rolling circumference in metres, at 60 km/h, as it really is.
    pub(super) circumference_m: f64,
    pub(super) sensor: Sensor,
    pub(super) line: Line,
    ring: Ring,
    driven: bool,
    /// Play of the bearing, millimetres.
    play_mm: f64,
    /// Eccentricity of the ring as a share of its radius, and where its high point is, in turns.
    eccentric: f64,
    high_point: f64,
    /// Extra pulses for each second, from a poor shield or terminal.
    noise_hz: f64,
    turns: f64,
    seen: f64,
    bump_until: f64,
    bump_size: f64,
    ripple: f64,
    random: Random,
    /// Times of the pulses since they were last taken, seconds.
    pub(super) pulses: Vec<f64>,
    /// What the line did last.
    pub(super) line_state: LineState,
}

/// What a corner is made of.
#[derive(Clone, Copy, Debug)]
pub(super) struct Make {
    pub(super) wheel: Wheel,
    pub(super) circumference_m: f64,
    pub(super) teeth: u32,
    pub(super) sensor: SensorKind,
    pub(super) driven: bool,
}

impl Corner {
    /// A corner of the vehicle of this seed, with those of the faults that concern it.
    pub(super) fn new(make: Make, seed: u64, faults: &[Fault]) -> Self {
        let wheel = make.wheel;
        let mut random = Random::new(seed, wheel.id());
        let ring = Ring::made(make.teeth, &mut random);
        let mut sensor = Sensor::sound(make.sensor, make.teeth);
        sensor.gap_mm += random.between(-0.2, 0.25);
        sensor.output *= random.between(0.92, 1.08);
        let mut corner = Self {
            wheel,
            // Wear and pressure differ a little from tyre to tyre even when all is well.
            circumference_m: make.circumference_m * (1.0 + 0.0015 * random.normal()),
            sensor,
            line: Line::default(),
            ring,
            driven: make.driven,
            play_mm: 0.02,
            eccentric: random.between(0.0, 0.0012),
            high_point: random.unit(),
            noise_hz: 0.0,
            turns: random.unit(),
            seen: 0.0,
            bump_until: 0.0,
            bump_size: 0.0,
            ripple: 0.0,
            random,
            pulses: Vec::new(),
            line_state: LineState::Sound,
        };
        let mut chance = Random::new(seed, "severity");
        for fault in faults {
            if fault.place.wheel() == Some(wheel) {
                corner.suffer(fault, make.teeth, &mut chance);
            }
        }
        corner.seen = corner.turns;
        corner.ring.turn_to(corner.turns, |_, _| {});
        corner
    }

    /// Takes on a defect.
    fn suffer(&mut self, fault: &Fault, teeth: u32, random: &mut Random) {
        let severity = fault.severity;
        let scale = |least: f64, most: f64| least + (most - least) * severity;
        let passive = self.sensor.kind == SensorKind::Passive;
        let tooth = random.below(usize::try_from(teeth).unwrap_or(1));
        match fault.defect {
            Defect::GapWide => {
                let decays = if passive {
                    scale(1.1, 2.2)
                } else {
                    scale(1.1, 1.45)
                };
                self.sensor.gap_mm += decays * self.sensor.decay_mm();
            }
            Defect::Swarf => {
                self.sensor.clear = if passive {
                    scale(0.33, 0.11)
                } else {
                    scale(0.33, 0.23)
                };
            }
            Defect::ElementWeak => {
                self.sensor.output *= if passive {
                    scale(0.33, 0.11)
                } else {
                    scale(0.33, 0.23)
                };
            }
            Defect::WireOpen | Defect::ElementOpen => self.line.rest = LineState::Open,
            Defect::WireToEarth => self.line.rest = LineState::ToEarth,
            Defect::ElementDead => self.sensor.output = 0.0,
            Defect::WireIntermittent => {
                self.line.contact = Some(Contact {
                    rate_hz: scale(0.03, 0.25),
                    mean_s: scale(0.12, 0.7),
                    bump_factor: scale(10.0, 60.0),
                    steering_factor: random.between(0.0, 4.0),
                });
            }
            Defect::TerminalsCorroded => {
                self.sensor.output *= scale(0.8, 0.55);
                self.noise_hz = scale(0.3, 3.0);
                self.line.contact = Some(Contact {
                    rate_hz: scale(0.3, 1.5),
                    mean_s: scale(0.03, 0.15),
                    bump_factor: scale(5.0, 20.0),
                    steering_factor: random.between(0.0, 1.0),
                });
            }
            Defect::TeethMissing => {
                let count = if severity > 0.85 {
                    3
                } else if severity > 0.6 {
                    2
                } else {
                    1
                };
                self.ring = self.ring.clone().without(tooth, count);
            }
            Defect::RingCracked => {
                self.ring = self.ring.clone().cracked(tooth, scale(0.35, 0.95));
                self.eccentric += scale(0.002, 0.01);
            }
            Defect::RingCorroded => {
                self.ring = self.ring.clone().corroded(severity, random);
                // Rust lifts a pressed-on ring on one side.
                self.eccentric += scale(0.002, 0.008);
            }
            Defect::BearingPlay => self.play_mm = scale(0.3, 1.5),
            Defect::TyreSize => {
                let sign = if random.chance(0.5) { 1.0 } else { -1.0 };
                self.circumference_m *= 1.0 + sign * scale(0.025, 0.10);
            }
            Defect::TyrePressure => self.circumference_m *= 1.0 - scale(0.006, 0.022),
            _ => {}
        }
    }

    /// One step of `dt` seconds that ends at `time`, with the wheel's path speed in m/s.
    pub(super) fn step(&mut self, time: f64, dt: f64, path_speed: f64, motion: &Motion) {
        if path_speed <= 0.0 {
            self.bump_size = 0.0;
            let bump = 0.0;
            self.line_state = self
                .line
                .step(time, dt, bump, motion.steering_deg, &mut self.random);
            self.noise(time, dt);
            return;
        }
        let bump = self.road(time, dt, motion);
        self.line_state = self
            .line
            .step(time, dt, bump, motion.steering_deg, &mut self.random);
        let rate = self.rate(time, path_speed, motion);
        self.turns += rate * dt;
        // Play lets the ring tilt and wander: once per turn, and more of it the harder the corner pushes the wheel.
        let push = 0.35 + motion.lateral().abs() / 3.0;
        let wobble = self.eccentric + 0.5 * self.play_mm * push / RING_RADIUS_MM;
        let angle = self.turns + self.high_point;
        let position = self.turns + wobble / std::f64::consts::TAU * sine(angle);
        let before = std::mem::replace(&mut self.seen, position);
        let advance = position - before;
        let outward = if self.wheel.is_left() { 1.0 } else { -1.0 };
        let gap_change = self.play_mm
            * (0.5 * push * cosine(angle) + outward * motion.lateral() / 6.0)
            + 0.06 * bump * self.random.normal() * (1.0 + 4.0 * self.play_mm);
        let frequency =
            rate * (1.0 + wobble * cosine(angle)) * RING_RADIUS_MM / self.sensor.decay_mm();
        let Self {
            ring,
            sensor,
            random,
            pulses,
            line_state,
            ..
        } = self;
        ring.turn_to(position, |at, strength| {
            if advance <= 0.0 || *line_state != LineState::Sound {
                return;
            }
            let margin = sensor.margin(frequency, gap_change, strength);
            if Sensor::sees(margin, random) {
                pulses.push(time - dt * (position - at) / advance);
            }
        });
        self.noise(time, dt);
    }

    /// 1 while the wheel crosses a bump, else 0.
    pub(super) fn bump(&self, time: f64) -> f64 {
        f64::from(u8::from(time < self.bump_until))
    }

    /// Turns of the wheel for each second.
    fn rate(&self, time: f64, path_speed: f64, motion: &Motion) -> f64 {
        // Slip: a few thousandths for each m/s², on the wheels that pull or on all that brake, the front ones more.
        let slip = if motion.pressure_bar > 0.0 {
            let bias = if self.wheel.axle() == crate::place::Axle::Front {
                0.0045
            } else {
                0.003
            };
            bias * motion.acceleration
        } else if self.driven {
            0.002 + 0.004 * motion.acceleration
        } else {
            0.0
        };
        // In a bend the outer tyre is pressed flatter, the inner one less.
        let outer = if self.wheel.is_left() { -1.0 } else { 1.0 };
        let load = -0.0006 * outer * motion.lateral();
        // Tyres grow a little with speed: 1 % for each 100 km/h above 60 (WdK rule).
        let growth = (path_speed * 3.6 - 60.0) / 10_000.0;
        let bump = if time < self.bump_until {
            self.bump_size
        } else {
            0.0
        };
        let circumference = self.circumference_m * (1.0 + load + growth);
        path_speed * (1.0 + slip + self.ripple + bump) / circumference
    }

    /// What the road does to the wheel: 1 during a bump.
    fn road(&mut self, time: f64, dt: f64, motion: &Motion) -> f64 {
        let roughness = motion.roughness;
        let kick = self.random.normal();
        // A first-order process with a time constant of 40 ms.
        self.ripple += -self.ripple * dt / 0.04 + 0.012 * roughness * kick * (dt / 0.02).sqrt();
        if time < self.bump_until {
            return 1.0;
        }
        if self.random.chance(2.0 * roughness * roughness * dt) {
            self.bump_until = time + self.random.between(0.02, 0.06);
            self.bump_size = 0.05 * roughness * self.random.normal();
            return 1.0;
        }
        0.0
    }

    /// Pulses out of nowhere.
    fn noise(&mut self, time: f64, dt: f64) {
        if self.noise_hz > 0.0 && self.random.chance(self.noise_hz * dt) {
            for pulse in 0..whole(self.random.between(1.0, 4.0)) {
                let back = f64::from(u8::try_from(pulse).unwrap_or(0)) * 0.0002;
                self.pulses.push(time - back);
            }
            self.pulses.sort_by(f64::total_cmp);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn corner(faults: &[Fault], wheel: Wheel) -> Corner {
        let make = Make {
            wheel,
            circumference_m: 1.95,
            teeth: 48,
            sensor: SensorKind::Active,
            driven: false,
        };
        Corner::new(make, 5, faults)
    }

    fn pulses_at(corner: &mut Corner, kmh: f64, seconds: u32) -> usize {
        let motion = Motion {
            speed: kmh / 3.6,
            ..Motion::default()
        };
        let mut count = 0;
        for step in 1..=seconds * 1_000 {
            corner.step(f64::from(step) / 1_000.0, 0.001, kmh / 3.6, &motion);
            count += corner.pulses.len();
            corner.pulses.clear();
        }
        count
    }

    /// Source: f = v/(3.6 C) N by arithmetic, C 1.95 m; the makers' own figures (1700 Hz at 250 km/h) agree with 48.
    #[test]
    fn pulse_frequencies_are_those_of_the_table() {
        for (kmh, hertz) in [
            (5.0, 34.188),
            (50.0, 341.880),
            (100.0, 683.761),
            (250.0, 1_709.402),
        ] {
            let mut corner = corner(&[], Wheel::LeftFront);
            corner.circumference_m = 1.95;
            let growth = 1.0 + (kmh - 60.0) / 10_000.0;
            let found = f64::from(u32::try_from(pulses_at(&mut corner, kmh, 20)).unwrap()) / 20.0;
            assert!(
                (found * growth / hertz - 1.0).abs() < 0.004,
                "{kmh} {found}"
            );
        }
    }

    /// Source: numpy and scipy on a ring 1 % off centre read 48 times a turn: order 1 has 0.009992863.
    #[test]
    fn a_ring_off_centre_gives_one_line_at_order_one() {
        let mut corner = corner(&[], Wheel::LeftFront);
        corner.ring = Ring::perfect(48);
        corner.eccentric = 0.01;
        corner.play_mm = 0.0;
        let motion = Motion::default();
        let mut times = Vec::new();
        for step in 1..=3_000_u32 {
            corner.step(f64::from(step) / 1_000.0, 0.001, 60.0 / 3.6, &motion);
            times.append(&mut corner.pulses);
        }
        let readings: Vec<f64> = times
            .windows(2)
            .map(|pair| 1.0 / (pair[1] - pair[0]))
            .collect();
        let whole_turns = &readings[100..100 + 48 * 20];
        let mean = whole_turns.iter().sum::<f64>() / 960.0;
        let amplitude = |order: f64| {
            let (mut re, mut im) = (0.0, 0.0);
            for (index, reading) in (0_u32..).zip(whole_turns) {
                let turns = order * f64::from(index) / 48.0;
                re += (reading / mean - 1.0) * cosine(turns);
                im += (reading / mean - 1.0) * sine(turns);
            }
            (re * re + im * im).sqrt() * 2.0 / 960.0
        };
        assert!(
            (amplitude(1.0) - 0.009_992_863).abs() < 1e-4,
            "{}",
            amplitude(1.0)
        );
        assert!(amplitude(2.0) < 2e-4 && amplitude(3.0) < 2e-4);
    }

    #[test]
    fn a_defect_shows_at_its_own_wheel_only() {
        let fault = Fault {
            defect: Defect::WireOpen,
            place: crate::place::Place::Wheel(Wheel::LeftRear),
            severity: 0.5,
        };
        assert_eq!(
            pulses_at(&mut corner(&[fault], Wheel::LeftRear), 50.0, 2),
            0
        );
        assert!(pulses_at(&mut corner(&[fault], Wheel::RightRear), 50.0, 2) > 600);
    }
}

//! Where the driver goes: kinds of drive as stretches of road, and the vehicle's motion along them.

use super::curve::{arctangent, sine};
use super::random::Random;

/// A kind of drive.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Drive {
    /// Key on, engine perhaps running, nothing moves.
    Standing,
    /// Round the yard: once up to 30 km/h and back.
    Short,
    /// The test drive of a careful mechanic: pull away, straight, bends both ways, brake, faster, stop.
    Test,
    /// Streets: corners both ways, stops, up to 50 km/h.
    Town,
    /// A winding road, 50 to 80 km/h.
    Bends,
    /// Up to 110 km/h and back.
    Motorway,
    /// A poor road at 20 to 50 km/h.
    Rough,
    /// In and out of a parking space, steering to the stop.
    Parking,
}

impl Drive {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::Standing,
        Self::Short,
        Self::Test,
        Self::Town,
        Self::Bends,
        Self::Motorway,
        Self::Rough,
        Self::Parking,
    ];

    /// The word for it on the command line.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Standing => "standing",
            Self::Short => "short",
            Self::Test => "test",
            Self::Town => "town",
            Self::Bends => "bends",
            Self::Motorway => "motorway",
            Self::Rough => "rough",
            Self::Parking => "parking",
        }
    }

    /// Its stretches: seconds, target speed in km/h, curvature in 1/m (positive to the left), roughness of the road
    /// (0 smooth, 1 as bad as roads get).
    const fn stretches(self) -> &'static [(f64, f64, f64, f64)] {
        match self {
            Self::Standing => &[(20.0, 0.0, 0.0, 0.0)],
            Self::Short => &[
                (8.0, 30.0, 0.0, 0.1),
                (5.0, 18.0, 0.06, 0.1),
                (6.0, 30.0, 0.0, 0.1),
                (5.0, 18.0, -0.06, 0.1),
                (5.0, 0.0, 0.0, 0.1),
            ],
            Self::Test => &[
                (8.0, 30.0, 0.0, 0.1),
                (6.0, 25.0, 0.05, 0.1),
                (5.0, 40.0, 0.0, 0.1),
                (6.0, 28.0, -0.04, 0.1),
                (8.0, 0.0, 0.0, 0.1),
                (3.0, 0.0, 0.0, 0.1),
                (24.0, 62.0, 0.0, 0.1),
                (8.0, 55.0, 0.008, 0.3),
                (8.0, 55.0, -0.008, 0.6),
                (12.0, 0.0, 0.0, 0.2),
            ],
            Self::Town => &[
                (9.0, 45.0, 0.0, 0.1),
                (7.0, 0.0, 0.0, 0.2),
                (4.0, 0.0, 0.0, 0.0),
                (9.0, 48.0, 0.0, 0.2),
                (5.0, 18.0, 0.09, 0.2),
                (10.0, 50.0, 0.0, 0.3),
                (5.0, 16.0, -0.11, 0.2),
                (10.0, 35.0, 0.0, 0.5),
                (5.0, 20.0, -0.07, 0.1),
                (8.0, 45.0, 0.005, 0.2),
                (9.0, 0.0, 0.0, 0.1),
            ],
            Self::Bends => &[
                (12.0, 60.0, 0.0, 0.1),
                (5.0, 55.0, 0.012, 0.2),
                (5.0, 60.0, -0.011, 0.2),
                (7.0, 75.0, 0.0, 0.1),
                (6.0, 60.0, 0.01, 0.1),
                (5.0, 45.0, -0.018, 0.3),
                (8.0, 70.0, 0.003, 0.1),
                (6.0, 50.0, 0.015, 0.2),
                (6.0, 65.0, -0.006, 0.1),
                (14.0, 0.0, 0.0, 0.1),
            ],
            Self::Motorway => &[
                (8.0, 40.0, 0.02, 0.1),
                (22.0, 110.0, 0.0, 0.1),
                (20.0, 112.0, 0.001, 0.1),
                (20.0, 105.0, -0.001, 0.1),
                (10.0, 60.0, 0.0, 0.1),
                (6.0, 40.0, -0.015, 0.2),
                (9.0, 0.0, 0.0, 0.1),
            ],
            Self::Rough => &[
                (9.0, 35.0, 0.0, 0.7),
                (8.0, 25.0, 0.03, 1.0),
                (10.0, 45.0, 0.0, 0.8),
                (8.0, 30.0, -0.03, 1.0),
                (12.0, 50.0, 0.0, 0.9),
                (9.0, 25.0, 0.02, 0.6),
                (8.0, 0.0, 0.0, 0.5),
            ],
            Self::Parking => &[
                (6.0, 10.0, 0.0, 0.1),
                (5.0, 4.0, 0.18, 0.1),
                (4.0, 0.0, 0.0, 0.0),
                (6.0, 5.0, -0.18, 0.1),
                (5.0, 4.0, 0.17, 0.1),
                (4.0, 0.0, 0.0, 0.0),
                (6.0, 12.0, 0.05, 0.1),
                (5.0, 0.0, 0.0, 0.0),
            ],
        }
    }
}

/// What the vehicle is doing at one moment.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Motion {
    /// Speed of the rear axle's centre, m/s.
    pub(super) speed: f64,
    /// Along the road, m/s².
    pub(super) acceleration: f64,
    /// rad/s, positive to the left.
    pub(super) yaw_rate: f64,
    /// At the steering wheel, degrees, positive to the left.
    pub(super) steering_deg: f64,
    /// Of the road, 0 to 1.
    pub(super) roughness: f64,
    /// Brake pressure in bar; 0 with the pedal free.
    pub(super) pressure_bar: f64,
    /// Whether the engine runs.
    pub(super) engine: bool,
    /// Whether the starter turns.
    pub(super) cranking: bool,
}

impl Motion {
    /// Sideways, m/s², positive when turning to the left.
    pub(super) fn lateral(&self) -> f64 {
        self.speed * self.yaw_rate
    }
}

/// The driver: follows the stretches with limited acceleration and a smooth hand.
#[derive(Clone, Debug)]
pub(super) struct Driver {
    stretches: Vec<(f64, f64, f64, f64)>,
    /// Index into the stretches, and seconds spent on that one.
    current: usize,
    spent: f64,
    /// Seconds since the key was turned on.
    time: f64,
    /// When the starter turns, seconds; `None`: the engine stays off.
    start: Option<f64>,
    /// When the first stretch begins, seconds.
    depart: f64,
    wheelbase_m: f64,
    curvature: f64,
    motion: Motion,
    wander: f64,
    /// Pulls away with spinning wheels and brakes with all the road gives.
    pub(super) spirited: bool,
}

/// Steering wheel angle over road wheel angle.
const STEERING_RATIO: f64 = 15.5;
/// What a driver asks of the tyres sideways at most, m/s².
const LATERAL_LIMIT: f64 = 4.0;
/// How long the starter turns, seconds.
const CRANK_S: f64 = 0.8;

impl Driver {
    /// A driver who starts the engine `lead_s` seconds after key on, and leaves three seconds later. Durations,
    /// speeds and bends vary with the seed.
    pub(super) fn new(drive: Drive, lead_s: f64, wheelbase_m: f64, random: &mut Random) -> Self {
        let side = if random.chance(0.5) { 1.0 } else { -1.0 };
        let stretches = drive
            .stretches()
            .iter()
            .map(|&(seconds, speed_kmh, curvature, roughness)| {
                (
                    seconds * random.between(0.9, 1.15),
                    speed_kmh * random.between(0.94, 1.06),
                    curvature * side * random.between(0.85, 1.15),
                    roughness * random.between(0.7, 1.1),
                )
            })
            .collect();
        let runs = drive != Drive::Standing || random.chance(0.7);
        Self {
            stretches,
            current: 0,
            spent: 0.0,
            time: 0.0,
            start: runs.then_some(lead_s),
            depart: lead_s + 3.0,
            wheelbase_m,
            curvature: 0.0,
            motion: Motion::default(),
            wander: random.unit(),
            spirited: false,
        }
    }

    /// The motion after another `dt` seconds.
    pub(super) fn step(&mut self, dt: f64) -> Motion {
        self.time += dt;
        let starter = self.start.map(|start| self.time - start);
        self.motion.cranking = starter.is_some_and(|since| (0.0..CRANK_S).contains(&since));
        self.motion.engine = starter.is_some_and(|since| since >= CRANK_S);
        let stretch = self.stretches.get(self.current).copied();
        let (seconds, target_kmh, curvature, roughness) =
            stretch.unwrap_or((f64::INFINITY, 0.0, 0.0, 0.0));
        if self.time < self.depart {
            return self.motion;
        }
        self.spent += dt;
        if self.spent > seconds {
            self.current += 1;
            self.spent = 0.0;
        }
        let mut target = target_kmh / 3.6;
        if curvature != 0.0 {
            target = target.min((LATERAL_LIMIT / curvature.abs()).sqrt());
        }
        let wanted = ((target - self.motion.speed) / 0.9).clamp(-2.6, 1.9);
        let motion = &mut self.motion;
        motion.acceleration += (wanted - motion.acceleration) * dt / 0.25;
        motion.speed = (motion.speed + motion.acceleration * dt).max(0.0);
        if target <= 0.0 && motion.speed < 0.05 {
            motion.speed = 0.0;
            motion.acceleration = 0.0;
        }
        // A hand is never quite still: a slow sway of the steering.
        let sway = 0.000_25 * sine(self.time * 0.21 + self.wander);
        // The wheel is turned as far as the speed of the moment allows.
        let bend = LATERAL_LIMIT / (motion.speed * motion.speed).max(1.0);
        let curvature = curvature.clamp(-bend, bend);
        self.curvature += (curvature + sway - self.curvature) * dt / 0.6;
        motion.yaw_rate = motion.speed * self.curvature;
        let angle = arctangent(self.curvature * self.wheelbase_m);
        motion.steering_deg = angle.to_degrees() * STEERING_RATIO;
        motion.roughness = roughness;
        motion.pressure_bar = if motion.acceleration < -0.7 {
            -motion.acceleration * 9.0
        } else if target <= 0.0 && motion.speed < 0.3 {
            12.0
        } else {
            0.0
        };
        self.motion
    }

    /// Extra slip of each wheel, as a share of its path speed: the engine's wheels spin at a sharp start, all wheels
    /// are let slip and caught again by a full braking. Zero for a calm driver.
    pub(super) fn slips(&self, front_driven: bool) -> [f64; 4] {
        if !self.spirited {
            return [0.0; 4];
        }
        let motion = &self.motion;
        let spin = if motion.acceleration > 1.5 && motion.speed < 6.0 {
            0.12 + 0.08 * sine(self.time * 1.7)
        } else {
            0.0
        };
        let hard = motion.acceleration < -2.2 && motion.speed > 4.0;
        [0.0, 0.37, 0.61, 0.83].map(|phase: f64| {
            let front = phase < 0.5;
            let own = if front == front_driven { spin } else { 0.0 };
            let lock = if hard {
                -0.06 - 0.05 * sine(self.time * 3.6 + phase)
            } else {
                0.0
            };
            own + lock
        })
    }

    /// When the last stretch ends, in seconds after key on.
    pub(super) fn end(&self) -> f64 {
        let road: f64 = self.stretches.iter().map(|stretch| stretch.0).sum();
        self.depart + road
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The limits are those of physics and of a calm driver: source of the tyre limit is the aquaplaning table after
    /// a published automotive handbook (dry road, worn tyres, 0.85 to 1.0 g).
    #[test]
    fn every_drive_is_driveable_and_ends_standing() {
        for drive in Drive::ALL {
            for seed in 0..5 {
                let mut random = Random::new(seed, "drive");
                let mut driver = Driver::new(drive, 2.0, 2.62, &mut random);
                let mut motion = Motion::default();
                let mut top: f64 = 0.0;
                while driver.time < driver.end() + 6.0 {
                    motion = driver.step(0.001);
                    top = top.max(motion.speed);
                    assert!(motion.acceleration.abs() < 4.0, "{drive:?}");
                    assert!(motion.lateral().abs() < 6.0, "{drive:?} {motion:?}");
                }
                assert!(motion.speed < 0.01, "{drive:?} {motion:?}");
                assert_eq!(drive == Drive::Standing, top < 0.1, "{drive:?}");
            }
        }
    }
}

//! From the vehicle's motion to the path speed of each wheel: rigid body, wheels rolling along their own direction.

/// The geometry that matters, in metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Geometry {
    /// Distance between left and right wheels.
    pub track_m: f64,
    /// Distance between the axles.
    pub wheelbase_m: f64,
}

/// Speed of each wheel's centre along its rolling direction, in the unit of `speed`, in the order of
/// [`Wheel::ALL`](crate::place::Wheel::ALL).
///
/// `speed` is that of the rear axle's centre, `yaw_rate` in rad/s is positive to the left. With `w` the yaw rate:
/// rear wheels `v ∓ w T/2`, front wheels the length of that and of `w L` at right angles to it.
pub fn wheel_speeds(speed: f64, yaw_rate: f64, geometry: Geometry) -> [f64; 4] {
    let side = yaw_rate * geometry.track_m / 2.0;
    let forward = yaw_rate * geometry.wheelbase_m;
    let left = speed - side;
    let right = speed + side;
    let front = |along: f64| (along * along + forward * forward).sqrt();
    [front(left), front(right), left.abs(), right.abs()]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: worked by hand for v 30 km/h, R 20 m, L 2.70 m, T 1.55 m from the rigid-body formulae.
    #[test]
    fn a_worked_turn_comes_out() {
        let geometry = Geometry {
            track_m: 1.55,
            wheelbase_m: 2.70,
        };
        let speed = 30.0 / 3.6;
        let [front_left, front_right, rear_left, rear_right] =
            wheel_speeds(speed, speed / 20.0, geometry);
        for (found, expected) in [
            (rear_left, 8.010_417),
            (rear_right, 8.656_250),
            (front_left, 8.089_030),
            (front_right, 8.729_049),
        ] {
            assert!((found - expected).abs() < 1e-6, "{found} {expected}");
        }
        let cross = front_left * rear_right / (front_right * rear_left) - 1.0;
        assert!((cross - 0.001_392).abs() < 1e-6);
    }

    #[test]
    fn a_turn_to_the_other_side_is_its_mirror() {
        let geometry = Geometry {
            track_m: 1.5,
            wheelbase_m: 2.6,
        };
        let [a, b, c, d] = wheel_speeds(10.0, 0.4, geometry);
        let mirrored = wheel_speeds(10.0, -0.4, geometry);
        for (found, expected) in mirrored.into_iter().zip([b, a, d, c]) {
            assert!((found - expected).abs() < 1e-12);
        }
    }
}

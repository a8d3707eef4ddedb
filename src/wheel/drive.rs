//! What kind of drive the capture holds.

use super::grid::Grid;
use super::measures::{DriveSummary, Travel};
use crate::place::Wheel;

/// Moving from here, in km/h.
const MOVING_KMH: f64 = 3.0;
/// Standing below this, in km/h.
const STANDING_KMH: f64 = 1.0;
/// A bend: the wheels of both axles differ by this share of the speed (a radius of 60 m).
const BEND: f64 = 0.025;
/// A bend lasts at least this long, in s.
const BEND_S: f64 = 1.0;
/// So long the wheels must have agreed for a drive, in s.
const TRAVEL_S: f64 = 2.0;

/// Sums up the drive.
pub(super) fn sum_up(grid: &Grid<'_>, straight_s: f64) -> DriveSummary {
    let mut drive = DriveSummary {
        straight_s,
        ..DriveSummary::default()
    };
    let mut travel_s = 0.0;
    let mut was_moving = false;
    let mut bend: Option<(bool, f64)> = None;
    for index in 0..grid.len() {
        let moment = grid.moment(index);
        let stands = grid.stands(index);
        let speed = moment.reference_kmh;
        drive.seen_s += stands;
        if speed >= MOVING_KMH {
            drive.moving_s += stands;
            drive.distance_m += speed / 3.6 * stands;
            was_moving = true;
        } else if speed < STANDING_KMH {
            drive.standing_s += stands;
            if was_moving {
                drive.stops += 1;
            }
            was_moving = false;
        }
        drive.top_kmh = drive.top_kmh.max(speed);
        if moment.travels {
            travel_s += stands;
        }
        let to_left = bend_share(grid, index)
            .filter(|share| share.abs() > BEND && speed >= MOVING_KMH)
            .map(|share| share > 0.0);
        match (to_left, &mut bend) {
            (Some(side), Some((same, length))) if *same == side => *length += stands,
            (side, _) => {
                if let Some((left, length)) = bend.take()
                    && length >= BEND_S
                {
                    if left {
                        drive.left_turns += 1;
                    } else {
                        drive.right_turns += 1;
                    }
                }
                bend = side.map(|side| (side, stands));
            }
        }
    }
    let any = grid
        .columns
        .iter()
        .flatten()
        .any(|column| column.top_kmh >= MOVING_KMH);
    drive.travel = if travel_s >= TRAVEL_S {
        Travel::Drove
    } else if any {
        Travel::OnlySomeTurned
    } else {
        Travel::Stood
    };
    if drive.travel != Travel::Drove {
        drive.distance_m = 0.0;
    }
    drive
}

/// By what share of the speed right wheels are faster than left ones, where both axles agree on the side.
pub(super) fn bend_share(grid: &Grid<'_>, index: usize) -> Option<f64> {
    let axle = |left: Wheel, right: Wheel| {
        let (left, right) = (grid.speed(left, index), grid.speed(right, index));
        let share = 2.0 * (right - left) / (right + left);
        share.is_finite().then_some(share)
    };
    let front = axle(Wheel::LeftFront, Wheel::RightFront)?;
    let rear = axle(Wheel::LeftRear, Wheel::RightRear)?;
    (front * rear > 0.0).then(|| {
        if front.abs() < rear.abs() {
            front
        } else {
            rear
        }
    })
}

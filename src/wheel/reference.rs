//! The vehicle's own speed, as its wheels together show it: for drawings.

use super::grid::Grid;
use super::input::Input;

/// Fewer wheels cannot outvote one that is wrong.
const LEAST_WHEELS: usize = 3;

/// Times in seconds (never falling) and the vehicle's speed at each in km/h, NaN where it is not known. `None` when
/// fewer than three wheels have samples.
pub fn vehicle_speed(input: &Input<'_>) -> Option<(Vec<f64>, Vec<f32>)> {
    let grid = Grid::new(input)?;
    (grid.wheels() >= LEAST_WHEELS).then(|| grid.into_reference())
}

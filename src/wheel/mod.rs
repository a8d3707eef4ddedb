//! Wheel speeds to measures: pure mathematics on columns of time and speed.
//!
//! [`measure`] takes the traces of one capture and gives every measure with its value, its uncertainty, the times at
//! which it was seen, and a [`Verdict`]; or the reason why it could not be made. Nothing here knows a bus, a profile
//! or a rule.
//!
//! The thresholds stand beside the measure they belong to, each with what it is taken from. They are set so that
//! healthy driving raises nothing: a measure that is large but still within what sound vehicles do is
//! [`Verdict::Unclear`].
//!
//! Cost: a few passes over the samples, linear in their number. Memory besides the input: about 30 bytes for each
//! sample of the wheel that has the most.

mod acceleration;
mod clock;
mod column;
#[cfg(test)]
mod curves;
mod drive;
mod dropout;
mod frozen;
mod grid;
#[cfg(test)]
mod injection;
mod input;
mod lag;
mod latch;
mod measured;
mod measures;
mod neighbours;
mod noise;
mod onset;
mod orders;
mod periodogram;
#[cfg(test)]
mod physics;
mod ratio;
#[cfg(test)]
mod recordings;
mod reference;
mod slowing;
mod speedometer;
mod spikes;
mod statistics;
mod supply;
mod swapped;
#[cfg(test)]
mod tests;
mod together;
mod wander;

pub use input::{Geometry, Input, Samples};
pub use measured::{Made, Measured, Verdict};
pub use measures::{
    AxleMeasures, DriveSummary, Measures, Named, Travel, VehicleMeasures, WheelMeasures, measure,
};
pub use orders::{OrderLine, ResidualPoint};
pub use reference::vehicle_speed;

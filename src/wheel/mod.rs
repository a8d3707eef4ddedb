//! Wheel speeds to measures: pure mathematics on columns of time and speed.

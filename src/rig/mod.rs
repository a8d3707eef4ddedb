//! A simulated vehicle: wheels, sensors and modules with chosen faults, by physics.

//! What is really the matter with a simulated vehicle: for tests, lessons and calibration.

use super::fault::{Defect, Fault};
use super::settings::Settings;
use crate::place::Place;

/// A cause that is present.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct TrueCause {
    /// Its identifier, as in every report.
    pub cause: &'static str,
    /// The form it takes.
    pub form: &'static str,
    /// Where it is.
    pub place: Place,
}

/// The truth about a vehicle.
#[derive(Clone, Debug, Default, Eq, PartialEq)]
pub struct Truth {
    /// What is wrong now; for a vehicle with nothing but remembered codes that is `no-present-fault`; empty for a
    /// vehicle that is sound and always was.
    pub causes: Vec<TrueCause>,
    /// What was wrong before and has been mended.
    pub mended: Vec<TrueCause>,
}

impl Truth {
    /// The truth about the vehicle of these settings.
    pub fn of(settings: &Settings) -> Self {
        let cause = |fault: &Fault| TrueCause {
            cause: fault.defect.cause(),
            form: fault.defect.form(),
            place: fault.place,
        };
        let mut causes: Vec<_> = settings.faults.iter().map(cause).collect();
        let before = settings.faults_before();
        let gone = before
            .iter()
            .filter(|fault| !settings.faults.contains(fault));
        let mended: Vec<_> = gone.map(cause).collect();
        if causes.is_empty() && !mended.is_empty() {
            causes.push(TrueCause {
                cause: Defect::Remembered.cause(),
                form: Defect::Remembered.form(),
                place: Place::Vehicle,
            });
        }
        Self { causes, mended }
    }
}

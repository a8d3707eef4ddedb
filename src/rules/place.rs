//! Words for places in rule files, and which places of one kind belong to a place of another.

use serde::Deserialize;

use super::cause::At;
use crate::place::{Place, PlaceKind};

/// The kind of place that an entry has.
#[derive(Clone, Copy, Debug, Deserialize, Eq, Hash, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum PlaceWord {
    /// One for the vehicle.
    Vehicle,
    /// One for each axle.
    Axle,
    /// One for each wheel.
    Wheel,
}

impl PlaceWord {
    /// The kind of place.
    pub const fn kind(self) -> PlaceKind {
        match self {
            Self::Vehicle => PlaceKind::Vehicle,
            Self::Axle => PlaceKind::Axle,
            Self::Wheel => PlaceKind::Wheel,
        }
    }

    /// The word for it in files.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Vehicle => "vehicle",
            Self::Axle => "axle",
            Self::Wheel => "wheel",
        }
    }
}

/// Whether a cause at `cause` shows at `finding` when its link says `at`.
pub fn shows_at(cause: Place, finding: Place, at: At) -> bool {
    match at {
        At::All => true,
        At::Here => match (cause, finding) {
            (Place::Vehicle, _) | (_, Place::Vehicle) => true,
            (Place::Wheel(a), Place::Wheel(b)) => a == b,
            (Place::Wheel(wheel), Place::Axle(axle)) | (Place::Axle(axle), Place::Wheel(wheel)) => {
                wheel.axle() == axle
            }
            (Place::Axle(a), Place::Axle(b)) => a == b,
        },
        At::Opposite => match (cause, finding) {
            (Place::Wheel(a), Place::Wheel(b)) => a.opposite() == b,
            _ => false,
        },
        At::Others => match (cause, finding) {
            (Place::Wheel(a), Place::Wheel(b)) => a != b,
            (Place::Axle(a), Place::Axle(b)) => a != b,
            (Place::Axle(axle), Place::Wheel(wheel)) => wheel.axle() != axle,
            _ => false,
        },
    }
}

//! Where on the vehicle something is: a wheel, an axle, or the vehicle as a whole.
//!
//! Left and right are the driver's, facing forward, as everywhere in the trade.

use std::fmt;

/// One of the four wheels.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Wheel {
    /// Left front.
    LeftFront,
    /// Right front.
    RightFront,
    /// Left rear.
    LeftRear,
    /// Right rear.
    RightRear,
}

impl Wheel {
    /// All wheels, in the order of every table and array: left front, right front, left rear, right rear.
    pub const ALL: [Self; 4] = [
        Self::LeftFront,
        Self::RightFront,
        Self::LeftRear,
        Self::RightRear,
    ];

    /// Its index in [`Wheel::ALL`].
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The axle it is on.
    pub const fn axle(self) -> Axle {
        match self {
            Self::LeftFront | Self::RightFront => Axle::Front,
            Self::LeftRear | Self::RightRear => Axle::Rear,
        }
    }

    /// Whether it is on the left.
    pub const fn is_left(self) -> bool {
        matches!(self, Self::LeftFront | Self::LeftRear)
    }

    /// The other wheel of the same axle.
    pub const fn opposite(self) -> Self {
        match self {
            Self::LeftFront => Self::RightFront,
            Self::RightFront => Self::LeftFront,
            Self::LeftRear => Self::RightRear,
            Self::RightRear => Self::LeftRear,
        }
    }

    /// The identifier of files and JSON: `left-front`.
    pub const fn id(self) -> &'static str {
        match self {
            Self::LeftFront => "left-front",
            Self::RightFront => "right-front",
            Self::LeftRear => "left-rear",
            Self::RightRear => "right-rear",
        }
    }

    /// The words for a person: `left front`.
    pub const fn words(self) -> &'static str {
        match self {
            Self::LeftFront => "left front",
            Self::RightFront => "right front",
            Self::LeftRear => "left rear",
            Self::RightRear => "right rear",
        }
    }

    /// The wheel with this identifier, if it is one.
    pub fn from_id(id: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|wheel| wheel.id() == id)
    }
}

impl fmt::Display for Wheel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.words())
    }
}

/// One of the two axles.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Axle {
    /// The front axle.
    Front,
    /// The rear axle.
    Rear,
}

impl Axle {
    /// Both axles, front first.
    pub const ALL: [Self; 2] = [Self::Front, Self::Rear];

    /// The identifier of files and JSON: `front`.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Rear => "rear",
        }
    }

    /// The axle with this identifier, if it is one.
    pub fn from_id(id: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|axle| axle.id() == id)
    }

    /// Its wheels, left first.
    pub const fn wheels(self) -> [Wheel; 2] {
        match self {
            Self::Front => [Wheel::LeftFront, Wheel::RightFront],
            Self::Rear => [Wheel::LeftRear, Wheel::RightRear],
        }
    }
}

impl fmt::Display for Axle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.id())
    }
}

/// Where a cause, a finding or a check is.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Place {
    /// The vehicle as a whole.
    Vehicle,
    /// One axle.
    Axle(Axle),
    /// One wheel.
    Wheel(Wheel),
}

impl Place {
    /// The wheel, if it is a wheel.
    pub const fn wheel(self) -> Option<Wheel> {
        match self {
            Self::Wheel(wheel) => Some(wheel),
            Self::Vehicle | Self::Axle(_) => None,
        }
    }

    /// The axle, if it is an axle (not the axle of a wheel).
    pub const fn axle(self) -> Option<Axle> {
        match self {
            Self::Axle(axle) => Some(axle),
            Self::Vehicle | Self::Wheel(_) => None,
        }
    }

    /// What kind of place it is.
    pub const fn kind(self) -> PlaceKind {
        match self {
            Self::Vehicle => PlaceKind::Vehicle,
            Self::Axle(_) => PlaceKind::Axle,
            Self::Wheel(_) => PlaceKind::Wheel,
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Vehicle => f.pad("vehicle"),
            Self::Axle(Axle::Front) => f.pad("front axle"),
            Self::Axle(Axle::Rear) => f.pad("rear axle"),
            Self::Wheel(wheel) => wheel.fmt(f),
        }
    }
}

/// The kind of place that a cause, a finding or a check has: one instance for each place of that kind.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum PlaceKind {
    /// One for the vehicle.
    Vehicle,
    /// One for each axle.
    Axle,
    /// One for each wheel.
    Wheel,
}

impl PlaceKind {
    /// Every place of this kind, in table order.
    pub const fn places(self) -> &'static [Place] {
        match self {
            Self::Vehicle => &[Place::Vehicle],
            Self::Axle => &[Place::Axle(Axle::Front), Place::Axle(Axle::Rear)],
            Self::Wheel => &[
                Place::Wheel(Wheel::LeftFront),
                Place::Wheel(Wheel::RightFront),
                Place::Wheel(Wheel::LeftRear),
                Place::Wheel(Wheel::RightRear),
            ],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identifiers_survive_the_round_trip() {
        for wheel in Wheel::ALL {
            assert_eq!(Wheel::from_id(wheel.id()), Some(wheel));
            assert_eq!(Wheel::ALL[wheel.index()], wheel);
            assert!(wheel.axle().wheels().contains(&wheel));
            assert_eq!(wheel.opposite().opposite(), wheel);
            assert_ne!(wheel.opposite().is_left(), wheel.is_left());
        }
        for axle in Axle::ALL {
            assert_eq!(Axle::from_id(axle.id()), Some(axle));
        }
        assert_eq!(Wheel::from_id("left front"), None);
    }
}

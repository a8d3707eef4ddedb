//! A tyre's size and its rolling circumference.
//!
//! The outer diameter follows from the size. A loaded tyre rolls less far in a turn than its outer circumference:
//! the ETRTO rule is 3.05 times the diameter for a radial tyre and 2.99 times for a bias tyre, at full load, rated
//! pressure and 60 km/h. That is 0.971 and 0.952 of the outer circumference; published rolling circumferences lie
//! between 0.96 and 0.98 of it, so a speed from this number may be off by 1 %. Where it matters, measure the
//! circumference and give `circumference_m`.

use std::str::FromStr;

/// Rolling circumference over diameter, radial tyre (ETRTO).
const RADIAL: f64 = 3.05;
/// Rolling circumference over diameter, bias tyre (ETRTO).
const BIAS: f64 = 2.99;
const MM_PER_INCH: f64 = 25.4;

/// A tyre's size as on its side wall: `205/55R16`.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Tyre {
    /// Width in mm.
    pub width_mm: u16,
    /// Height of the side wall in per cent of the width.
    pub aspect: u16,
    /// Diameter of the rim in inches.
    pub rim_inch: u16,
    /// Radial rather than bias ply.
    pub radial: bool,
}

/// The text is no tyre size.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
#[error(
    "{text:?} is no tyre size (width in mm, a slash, aspect in per cent, R, rim in inches: 205/55R16)"
)]
pub struct TyreError {
    /// What was given.
    pub text: String,
}

impl Tyre {
    /// Outer diameter in mm.
    pub fn diameter_mm(self) -> f64 {
        let walls = 2.0 * f64::from(self.width_mm) * f64::from(self.aspect) / 100.0;
        f64::from(self.rim_inch) * MM_PER_INCH + walls
    }

    /// Rolling circumference in metres.
    pub fn circumference_m(self) -> f64 {
        let factor = if self.radial { RADIAL } else { BIAS };
        factor * self.diameter_mm() / 1000.0
    }
}

/// Reads `205/55R16`, also with a letter before it (P, LT), a speed letter before the R (ZR), spaces, and a service
/// description after it (`91V`). `-` or `D` instead of `R` is a bias tyre.
impl FromStr for Tyre {
    type Err = TyreError;

    fn from_str(text: &str) -> Result<Self, TyreError> {
        let parse = || {
            let size = text.trim().to_ascii_uppercase();
            let size = size.trim_start_matches(|c: char| c.is_ascii_alphabetic());
            let (width, rest) = size.split_once('/')?;
            let (aspect, rest) = split_number(rest.trim_start())?;
            let construction: String = rest.chars().take_while(|c| !c.is_ascii_digit()).collect();
            let radial = match construction.trim() {
                "R" | "ZR" | "VR" | "HR" | "SR" => true,
                "-" | "D" | "B" => false,
                _ => return None,
            };
            let (rim, service) = split_number(rest.get(construction.len()..)?)?;
            let tyre = Self {
                width_mm: width.trim().parse().ok()?,
                aspect,
                rim_inch: rim,
                radial,
            };
            let apart = service.is_empty() || service.starts_with([' ', 'C']);
            let sizes = (100..=455).contains(&tyre.width_mm)
                && (20..=100).contains(&tyre.aspect)
                && (8..=30).contains(&tyre.rim_inch);
            (apart && sizes).then_some(tyre)
        };
        parse().ok_or_else(|| TyreError {
            text: text.to_owned(),
        })
    }
}

fn split_number(text: &str) -> Option<(u16, &str)> {
    let end = text
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(text.len());
    let (digits, rest) = text.split_at_checked(end)?;
    Some((digits.parse().ok()?, rest))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn diameters_agree_with_published_ones() {
        // Source: tyre size calculators and the encyclopaedia's page on tyre codes; they print one decimal.
        for (size, diameter) in [
            ("195/65R15", 634.5),
            ("205/55R16", 631.9),
            ("215/50R16", 621.4),
            ("225/45R17", 634.3),
            ("235/35R19", 647.1),
            ("255/40R18", 661.2),
        ] {
            let tyre: Tyre = size.parse().unwrap();
            assert!((tyre.diameter_mm() - diameter).abs() < 0.051, "{size}");
        }
    }

    #[test]
    fn rolling_radii_lie_near_published_ones() {
        // Source: a published table of rolling radii in mm beside the ETRTO rule.
        for (size, radius) in [
            ("165/70R13", 273.0),
            ("175/70R13", 280.0),
            ("185/60R14", 281.0),
        ] {
            let tyre: Tyre = size.parse().unwrap();
            let ours = tyre.circumference_m() * 1000.0 / std::f64::consts::TAU;
            assert!((ours / radius - 1.0).abs() < 0.005, "{size}: {ours}");
        }
        let tyre: Tyre = "205/55R16".parse().unwrap();
        assert!((tyre.circumference_m() - 1.9273).abs() < 5e-5);
    }

    #[test]
    fn spellings() {
        let plain: Tyre = "205/55R16".parse().unwrap();
        for same in [
            "P205/55R16",
            "205/55 ZR 16 91V",
            " 205/55r16 ",
            "LT205/55R16",
        ] {
            assert_eq!(same.parse::<Tyre>(), Ok(plain), "{same}");
        }
        assert!(!"165/80D15".parse::<Tyre>().unwrap().radial);
        for wrong in [
            "",
            "205/55",
            "205-55R16",
            "205/55R160",
            "9/55R16",
            "205/55R16x",
            "205/55X16",
        ] {
            assert!(wrong.parse::<Tyre>().is_err(), "{wrong}");
        }
    }
}

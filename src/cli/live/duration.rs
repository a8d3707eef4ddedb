//! Durations and sizes as a person types them.

use std::time::Duration;

/// `90`, `90s`, `1.5min`, `2h`, `500ms`.
pub(super) fn duration(text: &str) -> Result<Duration, String> {
    let units = [("ms", 0.001), ("s", 1.0), ("min", 60.0), ("h", 3_600.0)];
    let seconds =
        number(text, &units, 1.0).ok_or("is no time; possible are 500ms, 90s, 10min, 2h")?;
    Duration::try_from_secs_f64(seconds).map_err(|error| error.to_string())
}

/// `4000000`, `500kB`, `100MB`, `2GB`: bytes.
pub(super) fn size(text: &str) -> Result<u64, String> {
    let units = [("kB", 1e3), ("MB", 1e6), ("GB", 1e9), ("B", 1.0)];
    let bytes = number(text, &units, 1.0).ok_or("is no size; possible are 500kB, 100MB, 2GB")?;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positive, and casts saturate"
    )]
    let bytes = bytes as u64;
    if bytes < LEAST {
        return Err(format!("a file holds {LEAST} bytes at least"));
    }
    Ok(bytes)
}

/// A factor of speed.
pub(super) fn factor(text: &str) -> Result<f64, String> {
    let factor = number(text, &[], 1.0).filter(|factor| (0.01..=1000.0).contains(factor));
    factor.ok_or_else(|| "possible are factors from 0.01 to 1000".to_owned())
}

/// Smaller files would be a new one every moment.
const LEAST: u64 = 1_000;

/// A positive number with one of these units, or with none, which counts as `plain`.
fn number(text: &str, units: &[(&str, f64)], plain: f64) -> Option<f64> {
    let text = text.trim();
    let end = text.find(|c: char| !(c.is_ascii_digit() || c == '.'));
    let (digits, unit) = text.split_at(end.unwrap_or(text.len()));
    let unit = unit.trim();
    let factor = if unit.is_empty() {
        plain
    } else {
        units.iter().find(|(name, _)| *name == unit)?.1
    };
    let value = digits.parse::<f64>().ok()? * factor;
    (value.is_finite() && value > 0.0).then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_sizes_and_factors() {
        assert_eq!(duration("90"), Ok(Duration::from_secs(90)));
        assert_eq!(duration("1.5 min"), Ok(Duration::from_secs(90)));
        assert_eq!(duration("2h"), Ok(Duration::from_hours(2)));
        assert_eq!(duration("500ms"), Ok(Duration::from_millis(500)));
        for wrong in [
            "",
            "h",
            "-1s",
            "1 week",
            "0",
            "1e99h",
            "9999999999999999999h",
        ] {
            assert!(duration(wrong).is_err(), "{wrong}");
        }
        assert_eq!(size("100MB"), Ok(100_000_000));
        assert_eq!(size("1000"), Ok(1_000));
        assert!(size("1kib").is_err() && size("10").is_err());
        assert_eq!(factor("0.5"), Ok(0.5));
        assert!(factor("0").is_err() && factor("x").is_err());
    }
}

//! Between floats and whole numbers: rounding that saturates instead of wrapping.

/// Rounds to the nearest whole number.
#[expect(
    clippy::cast_possible_truncation,
    reason = "float to integer casts saturate, which is what is wanted"
)]
pub(super) fn whole(value: f64) -> i64 {
    value.round() as i64
}

/// Rounds, and holds the result within an unsigned field of `width` bits (at most 32).
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "held within the range of the field one line above"
)]
pub(super) fn field(value: f64, width: u32) -> u32 {
    let top = f64::from(u32::MAX >> (32 - width.clamp(1, 32)));
    value.round().clamp(0.0, top) as u32
}

/// Rounds, and holds the result within a byte.
pub(super) fn byte(value: f64) -> u8 {
    field(value, 8).to_le_bytes()[0]
}

/// Rounds, and holds the result within two bytes.
pub(super) fn word(value: f64) -> u16 {
    let [low, high, ..] = field(value, 16).to_le_bytes();
    u16::from_le_bytes([low, high])
}

/// A count as a float: exact up to 2⁵³.
#[expect(clippy::cast_precision_loss, reason = "counts here are far below 2^53")]
pub(super) const fn real(count: usize) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_hold_their_width() {
        assert_eq!(field(-3.0, 16), 0);
        assert_eq!(field(70_000.0, 16), 0xFFFF);
        assert_eq!(field(f64::NAN, 16), 0);
        assert_eq!(byte(254.6), 255);
        assert_eq!(word(6_000.4), 6_000);
        assert_eq!(whole(-1.5), -2);
    }
}

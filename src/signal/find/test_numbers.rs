//! Numbers for tests of the search.

/// Numbers between −1 and 1 without a pattern.
pub(super) fn chance(seed: u32) -> f64 {
    let mixed = seed.wrapping_mul(0x9E37_79B9) ^ (seed << 7);
    let mixed = (mixed ^ mixed >> 15).wrapping_mul(0x85EB_CA6B);
    f64::from(mixed ^ mixed >> 13) / f64::from(u32::MAX) * 2.0 - 1.0
}

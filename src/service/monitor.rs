//! Mode 06: names of monitors and tests, and the units and scalings of their values.
//!
//! Source: SAE J1979:2012, Annexes D (monitors), E (units and scalings) and the standard test numbers; the scalings agree
//! with scapy 2.8.0, save 0xFC, which is from memory and not confirmed.

use super::field::Scale;

/// A unit with its scaling.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scaling {
    id: u8,
    /// From raw bytes to the number.
    pub(super) scale: Scale,
    /// The unit; empty for a plain number.
    pub(super) unit: &'static str,
    /// The same in words.
    pub(super) words: &'static str,
}

/// The scaling with this identifier.
pub(super) fn scaling(id: u8) -> Option<&'static Scaling> {
    let index = SCALINGS.binary_search_by_key(&id, |known| known.id).ok()?;
    SCALINGS.get(index)
}

/// What a monitor watches.
pub(super) const fn monitor_name(id: u8) -> &'static str {
    match id {
        0x00 | 0x20 | 0x40 | 0x60 | 0x80 | 0xA0 | 0xC0 | 0xE0 => "supported monitors",
        0x01..=0x10 => "oxygen sensor",
        0x21..=0x24 => "catalyst",
        0x31..=0x34 => "exhaust recirculation",
        0x35..=0x38 => "valve timing",
        0x39..=0x3C => "evaporative system leak",
        0x3D => "evaporative purge flow",
        0x41..=0x50 => "oxygen sensor heater",
        0x61..=0x64 => "heated catalyst",
        0x71..=0x74 => "secondary air",
        0x81..=0x84 => "fuel system",
        0x85 | 0x86 => "boost pressure",
        0x90 | 0x91 => "NOx adsorber",
        0x98 | 0x99 => "NOx catalyst",
        0xA1 => "misfire, all cylinders",
        0xA2..=0xAD => "misfire of one cylinder",
        0xB0..=0xB3 => "particle filter",
        0xE1..=0xFF => "given by the maker",
        _ => "reserved or not known here",
    }
}

/// What a test measures.
pub(super) const fn test_name(id: u8) -> &'static str {
    match id {
        0x01 => "rich to lean threshold voltage",
        0x02 => "lean to rich threshold voltage",
        0x03 => "low voltage for switch time",
        0x04 => "high voltage for switch time",
        0x05 => "rich to lean switch time",
        0x06 => "lean to rich switch time",
        0x07 => "lowest voltage of the test",
        0x08 => "highest voltage of the test",
        0x09 => "time between transitions",
        0x0A => "period of the sensor",
        0x0B => "misfires, average of ten cycles",
        0x0C => "misfires, this or last cycle",
        0x80..=0xFE => "given by the maker",
        _ => "reserved",
    }
}

const fn row(id: u8, scale: Scale, unit: &'static str, words: &'static str) -> Scaling {
    Scaling {
        id,
        scale,
        unit,
        words,
    }
}

/// In the order of their identifiers; 0x80 and above are in two's complement.
const SCALINGS: &[Scaling] = &[
    row(
        0x01,
        Scale::new(1.0, 1.0, 0.0),
        "",
        "1, plain number per bit",
    ),
    row(
        0x02,
        Scale::new(1.0, 10.0, 0.0),
        "",
        "0.1, plain number per bit",
    ),
    row(
        0x03,
        Scale::new(1.0, 100.0, 0.0),
        "",
        "0.01, plain number per bit",
    ),
    row(
        0x04,
        Scale::new(1.0, 1_000.0, 0.0),
        "",
        "0.001, plain number per bit",
    ),
    row(
        0x05,
        Scale::new(305.0, 10_000_000.0, 0.0),
        "",
        "0.0000305, ratio per bit",
    ),
    row(
        0x06,
        Scale::new(305.0, 1_000_000.0, 0.0),
        "",
        "0.000305, ratio per bit",
    ),
    row(
        0x07,
        Scale::new(25.0, 100.0, 0.0),
        "rpm",
        "0.25 rpm per bit",
    ),
    row(
        0x08,
        Scale::new(1.0, 100.0, 0.0),
        "km/h",
        "0.01 km/h per bit",
    ),
    row(0x09, Scale::new(1.0, 1.0, 0.0), "km/h", "1 km/h per bit"),
    row(
        0x0A,
        Scale::new(122.0, 1_000.0, 0.0),
        "mV",
        "0.122 mV per bit",
    ),
    row(0x0B, Scale::new(1.0, 1_000.0, 0.0), "V", "0.001 V per bit"),
    row(0x0C, Scale::new(1.0, 100.0, 0.0), "V", "0.01 V per bit"),
    row(
        0x0D,
        Scale::new(390_625.0, 100_000_000.0, 0.0),
        "mA",
        "0.00390625 mA per bit",
    ),
    row(0x0E, Scale::new(1.0, 1_000.0, 0.0), "A", "0.001 A per bit"),
    row(0x0F, Scale::new(1.0, 100.0, 0.0), "A", "0.01 A per bit"),
    row(0x10, Scale::new(1.0, 1.0, 0.0), "ms", "1 ms per bit"),
    row(0x11, Scale::new(100.0, 1.0, 0.0), "ms", "100 ms per bit"),
    row(0x12, Scale::new(1.0, 1.0, 0.0), "s", "1 s per bit"),
    row(0x13, Scale::new(1.0, 1.0, 0.0), "mΩ", "1 mΩ per bit"),
    row(0x14, Scale::new(1.0, 1.0, 0.0), "Ω", "1 Ω per bit"),
    row(0x15, Scale::new(1.0, 1.0, 0.0), "kΩ", "1 kΩ per bit"),
    row(
        0x16,
        Scale::new(1.0, 10.0, -40.0),
        "°C",
        "0.1 °C per bit, from -40",
    ),
    row(0x17, Scale::new(1.0, 100.0, 0.0), "kPa", "0.01 kPa per bit"),
    row(
        0x18,
        Scale::new(117.0, 10_000.0, 0.0),
        "kPa",
        "0.0117 kPa per bit",
    ),
    row(
        0x19,
        Scale::new(79.0, 1_000.0, 0.0),
        "kPa",
        "0.079 kPa per bit",
    ),
    row(0x1A, Scale::new(1.0, 1.0, 0.0), "kPa", "1 kPa per bit"),
    row(0x1B, Scale::new(10.0, 1.0, 0.0), "kPa", "10 kPa per bit"),
    row(0x1C, Scale::new(1.0, 100.0, 0.0), "°", "0.01 ° per bit"),
    row(0x1D, Scale::new(5.0, 10.0, 0.0), "°", "0.5 ° per bit"),
    row(
        0x1E,
        Scale::new(305.0, 10_000_000.0, 0.0),
        "",
        "0.0000305, air-fuel equivalence ratio per bit",
    ),
    row(
        0x1F,
        Scale::new(5.0, 100.0, 0.0),
        "",
        "0.05, air-fuel ratio per bit",
    ),
    row(
        0x20,
        Scale::new(39_062.0, 10_000_000.0, 0.0),
        "",
        "0.0039062, ratio per bit",
    ),
    row(0x21, Scale::new(1.0, 1.0, 0.0), "mHz", "1 mHz per bit"),
    row(0x22, Scale::new(1.0, 1.0, 0.0), "Hz", "1 Hz per bit"),
    row(0x23, Scale::new(1.0, 1.0, 0.0), "kHz", "1 kHz per bit"),
    row(
        0x24,
        Scale::new(1.0, 1.0, 0.0),
        "counts",
        "1 counts per bit",
    ),
    row(0x25, Scale::new(1.0, 1.0, 0.0), "km", "1 km per bit"),
    row(
        0x26,
        Scale::new(1.0, 10.0, 0.0),
        "mV/ms",
        "0.1 mV/ms per bit",
    ),
    row(0x27, Scale::new(1.0, 100.0, 0.0), "g/s", "0.01 g/s per bit"),
    row(0x28, Scale::new(1.0, 1.0, 0.0), "g/s", "1 g/s per bit"),
    row(
        0x29,
        Scale::new(25.0, 100.0, 0.0),
        "Pa/s",
        "0.25 Pa/s per bit",
    ),
    row(
        0x2A,
        Scale::new(1.0, 1_000.0, 0.0),
        "kg/h",
        "0.001 kg/h per bit",
    ),
    row(
        0x2B,
        Scale::new(1.0, 1.0, 0.0),
        "switches",
        "1 switches per bit",
    ),
    row(
        0x2C,
        Scale::new(1.0, 100.0, 0.0),
        "g/cylinder",
        "0.01 g/cylinder per bit",
    ),
    row(
        0x2D,
        Scale::new(1.0, 100.0, 0.0),
        "mg/stroke",
        "0.01 mg/stroke per bit",
    ),
    row(0x2F, Scale::new(1.0, 100.0, 0.0), "%", "0.01 % per bit"),
    row(
        0x30,
        Scale::new(1_526.0, 1_000_000.0, 0.0),
        "%",
        "0.001526 % per bit",
    ),
    row(0x31, Scale::new(1.0, 1_000.0, 0.0), "L", "0.001 L per bit"),
    row(
        0x32,
        Scale::new(305.0, 10_000_000.0, 0.0),
        "inch",
        "0.0000305 inch per bit",
    ),
    row(
        0x33,
        Scale::new(24_414.0, 100_000_000.0, 0.0),
        "",
        "0.00024414, equivalence ratio per bit",
    ),
    row(0x34, Scale::new(1.0, 1.0, 0.0), "min", "1 min per bit"),
    row(0x35, Scale::new(10.0, 1.0, 0.0), "ms", "10 ms per bit"),
    row(0x36, Scale::new(1.0, 100.0, 0.0), "g", "0.01 g per bit"),
    row(0x37, Scale::new(1.0, 10.0, 0.0), "g", "0.1 g per bit"),
    row(0x38, Scale::new(1.0, 1.0, 0.0), "g", "1 g per bit"),
    row(
        0x39,
        Scale::new(1.0, 100.0, -327.68),
        "%",
        "0.01 % per bit, from -327.68",
    ),
    row(
        0x81,
        Scale::signed(1.0, 1.0, 0.0),
        "",
        "1, plain number per bit, signed",
    ),
    row(
        0x82,
        Scale::signed(1.0, 10.0, 0.0),
        "",
        "0.1, plain number per bit, signed",
    ),
    row(
        0x83,
        Scale::signed(1.0, 100.0, 0.0),
        "",
        "0.01, plain number per bit, signed",
    ),
    row(
        0x84,
        Scale::signed(1.0, 1_000.0, 0.0),
        "",
        "0.001, plain number per bit, signed",
    ),
    row(
        0x85,
        Scale::signed(305.0, 10_000_000.0, 0.0),
        "",
        "0.0000305, ratio per bit, signed",
    ),
    row(
        0x86,
        Scale::signed(305.0, 1_000_000.0, 0.0),
        "",
        "0.000305, ratio per bit, signed",
    ),
    row(
        0x8A,
        Scale::signed(122.0, 1_000.0, 0.0),
        "mV",
        "0.122 mV per bit, signed",
    ),
    row(
        0x8B,
        Scale::signed(1.0, 1_000.0, 0.0),
        "V",
        "0.001 V per bit, signed",
    ),
    row(
        0x8C,
        Scale::signed(1.0, 100.0, 0.0),
        "V",
        "0.01 V per bit, signed",
    ),
    row(
        0x8D,
        Scale::signed(390_625.0, 100_000_000.0, 0.0),
        "mA",
        "0.00390625 mA per bit, signed",
    ),
    row(
        0x8E,
        Scale::signed(1.0, 1_000.0, 0.0),
        "A",
        "0.001 A per bit, signed",
    ),
    row(
        0x90,
        Scale::signed(1.0, 1.0, 0.0),
        "ms",
        "1 ms per bit, signed",
    ),
    row(
        0x96,
        Scale::signed(1.0, 10.0, 0.0),
        "°C",
        "0.1 °C per bit, signed",
    ),
    row(
        0x9C,
        Scale::signed(1.0, 100.0, 0.0),
        "°",
        "0.01 ° per bit, signed",
    ),
    row(
        0x9D,
        Scale::signed(5.0, 10.0, 0.0),
        "°",
        "0.5 ° per bit, signed",
    ),
    row(
        0xA8,
        Scale::signed(1.0, 1.0, 0.0),
        "g/s",
        "1 g/s per bit, signed",
    ),
    row(
        0xA9,
        Scale::signed(25.0, 100.0, 0.0),
        "Pa/s",
        "0.25 Pa/s per bit, signed",
    ),
    row(
        0xAF,
        Scale::signed(1.0, 100.0, 0.0),
        "%",
        "0.01 % per bit, signed",
    ),
    row(
        0xB0,
        Scale::signed(3_052.0, 1_000_000.0, 0.0),
        "%",
        "0.003052 % per bit, signed",
    ),
    row(
        0xB1,
        Scale::signed(2.0, 1.0, 0.0),
        "mV/s",
        "2 mV/s per bit, signed",
    ),
    row(
        0xFC,
        Scale::signed(1.0, 100.0, 0.0),
        "kPa",
        "0.01 kPa per bit, signed",
    ),
    row(
        0xFD,
        Scale::signed(1.0, 1_000.0, 0.0),
        "kPa",
        "0.001 kPa per bit, signed",
    ),
    row(
        0xFE,
        Scale::signed(25.0, 100.0, 0.0),
        "Pa",
        "0.25 Pa per bit, signed",
    ),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scalings_are_in_order_and_signed_from_0x80() {
        assert!(SCALINGS.is_sorted_by_key(|known| known.id));
        for known in SCALINGS {
            assert_eq!(known.scale.signed, known.id >= 0x80, "{:02X}", known.id);
        }
    }
}

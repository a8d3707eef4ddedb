//! Where the broadcast signals stand: identifiers, bits, scaling. The same table fills the frames and writes the
//! profile.

use super::whole::field;

/// A signal in a frame. Bit numbers are DBC's: bit `b` of byte `n` is `8 n + b`; the start is the least significant
/// bit of a little-endian signal and the most significant of a big-endian one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SignalPlace {
    /// Identifier of the frame (11 bits).
    pub frame: u16,
    /// Start bit.
    pub start_bit: u16,
    /// Length in bits, 1 to 16.
    pub length: u8,
    /// Big-endian.
    pub big: bool,
    /// Value of one step.
    pub factor: f64,
    /// Value of raw zero.
    pub offset: f64,
    /// The raw value that says "invalid", where there is one.
    pub invalid: Option<u32>,
}

impl SignalPlace {
    const fn flag(frame: u16, bit: u16) -> Self {
        Self {
            frame,
            start_bit: bit,
            length: 1,
            big: false,
            factor: 1.0,
            offset: 0.0,
            invalid: None,
        }
    }

    const fn word(frame: u16, start_bit: u16, factor: f64, offset: f64) -> Self {
        Self {
            frame,
            start_bit,
            length: 16,
            big: true,
            factor,
            offset,
            invalid: Some(0xFFFF),
        }
    }

    /// The raw number of a value: rounded to the step and held within the field, below the invalid mark.
    pub fn raw(&self, value: f64) -> u32 {
        let raw = field((value - self.offset) / self.factor, u32::from(self.length));
        match self.invalid {
            Some(mark) if raw >= mark => mark.saturating_sub(1),
            _ => raw,
        }
    }

    /// Puts a raw number into a frame of eight bytes.
    pub fn put(&self, data: &mut [u8; 8], raw: u32) {
        let mut bit = usize::from(self.start_bit);
        for index in 0..self.length {
            let shift = if self.big {
                self.length - 1 - index
            } else {
                index
            };
            if let Some(byte) = data.get_mut(bit / 8) {
                let mask = 1_u8 << (bit % 8);
                if raw >> shift & 1 == 1 {
                    *byte |= mask;
                } else {
                    *byte &= !mask;
                }
            }
            bit = if !self.big {
                bit + 1
            } else if bit % 8 == 0 {
                bit + 15
            } else {
                bit - 1
            };
        }
    }
}

/// The ways in which wheel speeds are sent.
#[derive(Clone, Copy, Debug, Eq, Hash, PartialEq)]
pub enum Style {
    /// One frame, four big-endian words of 0.01 km/h.
    FourWords,
    /// Two frames, an axle each, little-endian words of 1/32 km/h with a counter and a check byte.
    AxlePairs,
    /// One frame, four big-endian words of 0.01 km/h above −50 km/h.
    OffsetWords,
    /// One frame, four big-endian fields of 13 bits of 0.05 km/h.
    FourShort,
}

impl Style {
    /// All of them.
    pub const ALL: [Self; 4] = [
        Self::FourWords,
        Self::AxlePairs,
        Self::OffsetWords,
        Self::FourShort,
    ];
}

/// All broadcast signals of one vehicle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Layout {
    /// How the wheel speeds are sent.
    pub style: Style,
    /// The wheel speeds, km/h.
    pub wheels: [SignalPlace; 4],
    /// Yaw rate, degrees for each second.
    pub yaw_rate: SignalPlace,
    /// Steering wheel angle, degrees.
    pub steering_angle: SignalPlace,
    /// Brake lamp switch.
    pub brake_switch: SignalPlace,
    /// Brakes regulating.
    pub abs_active: SignalPlace,
    /// Level switch.
    pub fluid_low: SignalPlace,
    /// ABS lamp asked for; not in the profile.
    pub(super) abs_lamp: SignalPlace,
    /// Engine speed, 1/min; not in the profile.
    pub(super) engine_speed: SignalPlace,
    /// Vehicle speed as the cluster shows it, km/h; not in the profile.
    pub(super) shown_speed: SignalPlace,
    /// Battery voltage, volts.
    pub battery_voltage: SignalPlace,
    /// How often the wheel frames are sent, milliseconds.
    pub wheels_every_ms: u16,
}

impl Layout {
    /// The layout of a style, with its identifiers moved by `shift`.
    pub fn new(style: Style, shift: u16, wheels_every_ms: u16) -> Self {
        let wheel = 0x1A0 + shift;
        let state = 0x1B0 + shift;
        let wheels = match style {
            Style::FourWords => [7, 23, 39, 55].map(|bit| SignalPlace::word(wheel, bit, 0.01, 0.0)),
            Style::OffsetWords => {
                [7, 23, 39, 55].map(|bit| SignalPlace::word(wheel, bit, 0.01, -50.0))
            }
            Style::AxlePairs => {
                [(0, 0), (0, 16), (1, 0), (1, 16)].map(|(frame, bit)| SignalPlace {
                    big: false,
                    factor: 0.031_25,
                    ..SignalPlace::word(wheel + frame, bit, 0.0, 0.0)
                })
            }
            Style::FourShort => [7, 10, 29, 32].map(|bit| SignalPlace {
                length: 13,
                invalid: Some(0x1FFF),
                ..SignalPlace::word(wheel, bit, 0.05, 0.0)
            }),
        };
        let signed = |frame, bit, factor: f64| {
            let place = SignalPlace::word(frame, bit, factor, -32_768.0 * factor);
            SignalPlace {
                invalid: Some(0xFFFF),
                ..place
            }
        };
        Self {
            style,
            wheels,
            yaw_rate: signed(0x1C0 + shift, 7, 0.01),
            steering_angle: signed(0x0C2 + shift, 7, 0.1),
            brake_switch: SignalPlace::flag(state, 0),
            abs_active: SignalPlace::flag(state, 1),
            fluid_low: SignalPlace::flag(state, 2),
            abs_lamp: SignalPlace::flag(state, 3),
            engine_speed: SignalPlace::word(0x0D0 + shift, 7, 0.25, 0.0),
            shown_speed: SignalPlace::word(0x420 + shift, 7, 0.01, 0.0),
            battery_voltage: SignalPlace {
                length: 8,
                invalid: Some(0xFF),
                ..SignalPlace::word(0x350 + shift, 7, 0.1, 0.0)
            },
            wheels_every_ms,
        }
    }
}

/// Sum of the first seven bytes, as a check byte.
pub(super) fn check_byte(data: [u8; 8]) -> u8 {
    let sum = data[..7]
        .iter()
        .fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
    sum ^ 0xFF
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the bit numbering of DBC files, worked by hand: big-endian start 7 is byte 0's top bit.
    #[test]
    fn bits_go_where_a_dbc_says() {
        let mut data = [0; 8];
        SignalPlace::word(0, 7, 0.01, 0.0).put(&mut data, 0x1234);
        assert_eq!(data, [0x12, 0x34, 0, 0, 0, 0, 0, 0]);
        let little = SignalPlace {
            big: false,
            ..SignalPlace::word(0, 16, 0.01, 0.0)
        };
        little.put(&mut data, 0xABCD);
        assert_eq!(data, [0x12, 0x34, 0xCD, 0xAB, 0, 0, 0, 0]);
        let mut data = [0; 8];
        let short = Layout::new(Style::FourShort, 0, 20);
        for (place, raw) in short.wheels.iter().zip([0x1FFF, 0, 0x1FFF, 0]) {
            place.put(&mut data, raw);
        }
        assert_eq!(data, [0xFF, 0xF8, 0x00, 0x3F, 0xFE, 0, 0, 0]);
    }

    #[test]
    fn values_are_held_below_the_invalid_mark() {
        let place = SignalPlace::word(0, 7, 0.01, 0.0);
        assert_eq!(place.raw(60.004), 6_000);
        assert_eq!(place.raw(-1.0), 0);
        assert_eq!(place.raw(1e9), 0xFFFE);
    }
}

//! What the measures are made from: borrowed columns and the vehicle's geometry.

/// Samples of one signal in the order in which they were seen.
#[derive(Clone, Copy, Debug, Default)]
pub struct Samples<'a> {
    /// When each sample was seen, in seconds on the capture's clock. Not always rising: clocks jump.
    pub time_s: &'a [f64],
    /// Its value in the signal's unit (km/h for speeds); NaN where the sender marked it as invalid.
    pub value: &'a [f32],
    /// The smallest step of the value, in its unit; 0 when unknown.
    pub quantum: f64,
    /// Where the clock was set back: from which sample on, and how many seconds make its times go on. Empty when unknown;
    /// then each signal's own times are mended.
    pub set_back: &'a [(usize, f64)],
}

impl<'a> Samples<'a> {
    /// Samples from two columns; what one column has more than the other is left out.
    pub fn new(time_s: &'a [f64], value: &'a [f32], quantum: f64) -> Self {
        let length = time_s.len().min(value.len());
        Self {
            time_s: time_s.get(..length).unwrap_or_default(),
            value: value.get(..length).unwrap_or_default(),
            quantum: if quantum.is_finite() {
                quantum.abs()
            } else {
                0.0
            },
            set_back: &[],
        }
    }

    /// With what is known of the clock.
    pub const fn with_set_back(mut self, set_back: &'a [(usize, f64)]) -> Self {
        self.set_back = set_back;
        self
    }

    /// How many samples there are.
    pub fn len(&self) -> usize {
        self.time_s.len().min(self.value.len())
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Every sample: time in seconds, and value.
    pub fn iter(&self) -> impl Iterator<Item = (f64, f64)> + Clone + '_ {
        self.time_s
            .iter()
            .zip(self.value)
            .map(|(&time_s, &value)| (time_s, f64::from(value)))
    }
}

/// The vehicle as far as the mathematics needs it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Geometry {
    /// Distance rolled in one turn of the wheel, in m; [`Geometry::USUAL_CIRCUMFERENCE_M`] when nobody said.
    pub circumference_m: f64,
    /// Whether the circumference was given; else orders are looked for in a wider band.
    pub circumference_known: bool,
    /// Pulses per turn of the tone ring or encoder, where known.
    pub teeth: Option<f64>,
    /// Distance between the wheels of an axle, in m, where known.
    pub track_m: Option<f64>,
    /// Distance between the axles, in m, where known.
    pub wheelbase_m: Option<f64>,
}

impl Geometry {
    /// A car's usual rolling circumference, in m: the middle of the tyre sizes from 165/70 R13 to 225/60 R17.
    pub const USUAL_CIRCUMFERENCE_M: f64 = 1.95;
    /// A car's usual track, in m.
    pub const USUAL_TRACK_M: f64 = 1.52;
    /// A car's usual wheelbase, in m.
    pub const USUAL_WHEELBASE_M: f64 = 2.65;
    /// Usual pulses per turn of a tone ring.
    pub const USUAL_TEETH: f64 = 48.0;

    /// The track, or the usual one, in m.
    pub fn track(&self) -> f64 {
        self.track_m.unwrap_or(Self::USUAL_TRACK_M)
    }

    /// The wheelbase, or the usual one, in m.
    pub fn wheelbase(&self) -> f64 {
        self.wheelbase_m.unwrap_or(Self::USUAL_WHEELBASE_M)
    }
}

impl Default for Geometry {
    fn default() -> Self {
        Self {
            circumference_m: Self::USUAL_CIRCUMFERENCE_M,
            circumference_known: false,
            teeth: None,
            track_m: None,
            wheelbase_m: None,
        }
    }
}

/// Everything that one capture gives about the wheels.
#[derive(Clone, Copy, Debug, Default)]
pub struct Input<'a> {
    /// Wheel speeds in km/h, in the order of [`crate::place::Wheel::ALL`].
    pub speeds: [Option<Samples<'a>>; 4],
    /// The vehicle's geometry.
    pub geometry: Geometry,
    /// Yaw rate in rad/s, positive to the left.
    pub yaw_rate: Option<Samples<'a>>,
    /// Angle of the steering wheel in rad, positive to the left.
    pub steering_angle: Option<Samples<'a>>,
    /// 1 when the brake pedal is pressed.
    pub brake_switch: Option<Samples<'a>>,
    /// 1 when the ABS regulates.
    pub abs_active: Option<Samples<'a>>,
    /// Vehicle speed in km/h.
    pub vehicle_speed: Option<Samples<'a>>,
    /// Supply voltage at the ABS module, in V.
    pub supply_voltage: Option<Samples<'a>>,
    /// Battery voltage anywhere else, in V.
    pub battery_voltage: Option<Samples<'a>>,
}

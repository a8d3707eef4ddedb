//! What can be known of a CAN interface.
//!
//! Source: Linux `include/uapi/linux/can/netlink.h`, `if_link.h`.

/// What is known of an interface; what the driver does not say is `None`.
#[derive(Clone, Debug, Default, Eq, PartialEq)]
pub struct Facts {
    /// The kind of interface as its driver is called: `can` for a controller, `vcan` for a virtual bus.
    pub kind: String,
    /// Whether it is switched on.
    pub up: bool,
    /// The largest frame in bytes: 16 classic, 72 with CAN FD.
    pub mtu: Option<u32>,
    /// Frames that can wait to be sent.
    pub queue: Option<u32>,
    /// Bits per second.
    pub bit_rate: Option<u32>,
    /// Bits per second of the data phase of CAN FD.
    pub data_bit_rate: Option<u32>,
    /// Where each bit is looked at, in thousandths of the bit.
    pub sample_point: Option<u32>,
    /// How the controller stands with the bus.
    pub state: Option<BusState>,
    /// Whether the controller keeps from acknowledging what others send.
    pub listen_only: Option<bool>,
    /// Whether the controller reports single errors on the bus, and not only its own changes.
    pub reports_errors: Option<bool>,
    /// How long after bus-off the controller starts again by itself, in milliseconds; 0 for never.
    pub restart_ms: Option<u32>,
    /// The controller's counter of send errors.
    pub send_errors: Option<u16>,
    /// The controller's counter of receive errors.
    pub receive_errors: Option<u16>,
    /// Frames received since the interface is there.
    pub received: u64,
    /// Frames sent since the interface is there.
    pub sent: u64,
    /// Frames that the controller lost because its buffer was full.
    pub overruns: u64,
    /// How often the controller has left the bus.
    pub bus_off_count: u32,
}

/// How a controller stands with its bus (ISO 11898-1: fault confinement).
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum BusState {
    /// Takes part: both error counters below 96.
    Active,
    /// Takes part, with a counter at 96 or more.
    Warning,
    /// Takes part without being able to stop others: a counter at 128 or more.
    Passive,
    /// Has left the bus.
    BusOff,
    /// Switched off.
    Stopped,
    /// Asleep.
    Sleeping,
}

impl BusState {
    #[cfg(any(target_os = "linux", test))]
    pub(super) const fn from_number(number: u32) -> Option<Self> {
        Some(match number {
            0 => Self::Active,
            1 => Self::Warning,
            2 => Self::Passive,
            3 => Self::BusOff,
            4 => Self::Stopped,
            5 => Self::Sleeping,
            _ => return None,
        })
    }

    /// The word for it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Active => "error active",
            Self::Warning => "error warning",
            Self::Passive => "error passive",
            Self::BusOff => "bus off",
            Self::Stopped => "stopped",
            Self::Sleeping => "asleep",
        }
    }
}

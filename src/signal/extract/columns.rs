//! Wheel speeds row by row, in memory that does not grow with the capture.
//!
//! A row is given out when a sample of another time comes; samples of the same time share a row.

use crate::frame::{Frame, Timestamp};
use crate::signal::profile::Profile;
use crate::transport::Address;

use super::Unsampled;
use super::router::{Router, Sample};

/// The wheels' speeds at one time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// When, on the capture's clock.
    pub time: Timestamp,
    /// Speeds in km/h in the order of [`crate::place::Wheel::ALL`]; `None` where there is no sample, and where the sender
    /// marked it as invalid.
    pub speeds: [Option<f64>; 4],
}

/// Takes wheel speeds out of frames and answers, as rows.
///
/// ```
/// use tonering::frame::{CanId, Channel, Frame, FrameKind, Timestamp};
/// use tonering::signal::{Columns, profile::Profile};
/// let text = "profile: 1\nwheels: { speeds: { left-front: { frame: 0x1A0, start_bit: 7, length: 16, byte_order: big, factor: 0.01 } } }\n";
/// let profile = Profile::parse(text, "car.yaml", &mut |_| Err(std::io::ErrorKind::NotFound.into()))?;
/// let mut columns = Columns::new(&profile);
/// let frame = Frame {
///     number: 1,
///     time: Some(Timestamp::from_nanos(0)),
///     channel: Channel(0),
///     id: CanId::standard_masked(0x1A0),
///     kind: FrameKind::Data,
///     data: &[0x13, 0x88],
/// };
/// assert_eq!(columns.push_frame(&frame), None);
/// assert_eq!(columns.finish().unwrap().speeds[0], Some(50.0));
/// # Ok::<(), tonering::signal::profile::ProfileErrors>(())
/// ```
#[derive(Clone, Debug)]
pub struct Columns {
    router: Router,
    open: Option<Row>,
}

impl Columns {
    /// The columns of the wheels that the profile places.
    pub fn new(profile: &Profile) -> Self {
        Self {
            router: Router::new(profile),
            open: None,
        }
    }

    /// Takes one frame; a row that it ends.
    #[inline]
    pub fn push_frame(&mut self, frame: &Frame<'_>) -> Option<Row> {
        let (open, mut done) = (&mut self.open, None);
        self.router
            .frame(frame, |sample| done = done.or(put(open, &sample)));
        done
    }

    /// Takes one whole answer, as [`super::Extractor::push_answer`]; a row that it ends.
    pub fn push_answer(
        &mut self,
        address: Address,
        request: Option<&[u8]>,
        payload: &[u8],
        time: Option<Timestamp>,
    ) -> Option<Row> {
        let (open, mut done) = (&mut self.open, None);
        self.router
            .answer(address, request, payload, time, |sample| {
                done = done.or(put(open, &sample));
            });
        done
    }

    /// What gave no sample so far.
    pub const fn unsampled(&self) -> Unsampled {
        self.router.unsampled
    }

    /// The last row.
    pub fn finish(self) -> Option<Row> {
        self.open
    }
}

/// Puts a sample into the open row, or opens the next; the row that it ends. All samples of one push have the same time, so
/// that one push ends at most one row.
fn put(open: &mut Option<Row>, sample: &Sample<'_>) -> Option<Row> {
    let wheel = sample.signal;
    if wheel >= 4 {
        return None;
    }
    let mut done = None;
    if open.is_some_and(|row| row.time != sample.time) {
        done = open.take();
    }
    let row = open.get_or_insert(Row {
        time: sample.time,
        speeds: [None; 4],
    });
    if let Some(cell) = row.speeds.get_mut(wheel) {
        *cell = Some(sample.source.value(sample.raw)).filter(|value| !value.is_nan());
    }
    done
}

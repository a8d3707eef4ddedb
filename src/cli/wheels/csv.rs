//! The speeds as rows, in memory that does not grow with the capture.

use std::io::Write as _;
use std::path::Path;

use tonering::signal::profile::Profile;
use tonering::signal::{Carrier, Columns, Row};

use super::super::console::Console;
use super::super::output::Output;
use super::{Taken, each};

pub(super) fn header(output: &mut Output) -> anyhow::Result<()> {
    output.write_all(b"time_s,left_front_kmh,right_front_kmh,left_rear_kmh,right_rear_kmh\n")?;
    Ok(())
}

/// Writes the rows of one capture; true when nothing was lost.
pub(super) fn write(
    path: &Path,
    profile: &Profile,
    console: Console,
    output: &mut Output,
) -> anyhow::Result<bool> {
    // Answers are put together only when a speed is in one.
    let answers = profile
        .speeds
        .iter()
        .flatten()
        .any(|source| !matches!(source.carrier, Carrier::Frame(_)));
    let mut columns = Columns::new(profile);
    let mut lines = Vec::with_capacity(FULL + FULL / 4);
    let mut print = |row: Row, output: &mut Output| {
        put_row(&mut lines, &row);
        if lines.len() >= FULL {
            output.write_all(&lines)?;
            lines.clear();
        }
        std::io::Result::Ok(())
    };
    let whole = each(path, profile, answers, console, |taken| {
        let row = match taken {
            Taken::Frame(frame) => columns.push_frame(frame),
            Taken::Answer {
                address,
                request,
                payload,
                time,
            } => columns.push_answer(address, request, payload, time),
        };
        if let Some(row) = row {
            print(row, output)?;
        }
        Ok(())
    })?;
    if let Some(row) = columns.finish() {
        print(row, output)?;
    }
    output.write_all(&lines)?;
    Ok(whole)
}

/// So many bytes are written at once.
const FULL: usize = 64 * 1024;

/// The largest number, scaled, that is put by the quick way: far beyond any speed, and exact.
const MOST_QUICK: f64 = 1e15;

fn put_row(line: &mut Vec<u8>, row: &Row) {
    // Microseconds: what captures hold.
    put_quickly::<6>(line, row.time.nanos().div_euclid(1_000), false);
    for speed in row.speeds {
        line.push(b',');
        if let Some(speed) = speed.filter(|speed| speed.is_finite()) {
            let scaled = (speed * 1e4).round();
            #[expect(
                clippy::cast_possible_truncation,
                reason = "float to integer casts saturate"
            )]
            if scaled.abs() < MOST_QUICK {
                put_quickly::<4>(line, scaled as i64, true);
            } else {
                put_scaled(line, scaled as i128, 4, true);
            }
        }
    }
    line.push(b'\n');
}

/// Two digits of each number below 100.
static PAIRS: [[u8; 2]; 100] = {
    let mut pairs = [[b'0'; 2]; 100];
    let mut tens = 0_u8;
    while tens < 10 {
        let mut ones = 0_u8;
        while ones < 10 {
            pairs[(tens * 10 + ones) as usize] = [b'0' + tens, b'0' + ones];
            ones += 1;
        }
        tens += 1;
    }
    pairs
};

/// The same as [`put_scaled`] for an even count of `DIGITS` and a number that fits, two digits at a time.
#[inline]
fn put_quickly<const DIGITS: usize>(line: &mut Vec<u8>, value: i64, short: bool) {
    let pair = |number: u64| {
        let found = usize::try_from(number).ok();
        let found = found.and_then(|number| PAIRS.get(number));
        found.copied().unwrap_or([b'0'; 2])
    };
    let scale = (0..DIGITS).fold(1_u64, |scale, _| scale * 10);
    let magnitude = value.unsigned_abs();
    let (mut whole, mut part) = (magnitude / scale, magnitude % scale);
    // A sign, up to 19 digits and a point.
    let mut text = [0_u8; 24];
    let mut start = text.len() - DIGITS;
    let mut end = text.len();
    for place in text[start..].rchunks_exact_mut(2) {
        place.copy_from_slice(&pair(part % 100));
        part /= 100;
    }
    if short {
        while end > start && text[end - 1] == b'0' {
            end -= 1;
        }
    }
    start -= 1;
    text[start] = b'.';
    if end == start + 1 {
        end = start;
    }
    loop {
        let [tens, ones] = pair(whole % 100);
        whole /= 100;
        start -= 1;
        text[start] = ones;
        if whole == 0 && tens == b'0' {
            break;
        }
        start -= 1;
        text[start] = tens;
        if whole == 0 {
            break;
        }
    }
    if value < 0 {
        start -= 1;
        text[start] = b'-';
    }
    line.extend_from_slice(&text[start..end]);
}

/// A number of `digits` decimals; `short` leaves zeros at the end out. The general way: any number, digit by digit.
fn put_scaled(line: &mut Vec<u8>, value: i128, digits: u32, short: bool) {
    if value < 0 {
        line.push(b'-');
    }
    let scale = 10_u128.pow(digits);
    let magnitude = value.unsigned_abs();
    let mut buffer = [0_u8; 40];
    let mut put = |mut number: u128, least: usize, line: &mut Vec<u8>| {
        let mut length = 0;
        while number > 0 || length < least {
            if let Some(slot) = buffer.get_mut(length) {
                *slot = b'0' + u8::try_from(number % 10).unwrap_or(0);
            }
            number /= 10;
            length += 1;
        }
        line.extend(buffer.iter().take(length).rev());
    };
    put(magnitude / scale, 1, line);
    line.push(b'.');
    put(
        magnitude % scale,
        usize::try_from(digits).unwrap_or(0),
        line,
    );
    if short {
        while line.last() == Some(&b'0') {
            line.pop();
        }
        if line.last() == Some(&b'.') {
            line.pop();
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use tonering::frame::Timestamp;

    use super::*;

    #[test]
    fn rows_are_exact() {
        let mut line = Vec::new();
        put_row(
            &mut line,
            &Row {
                time: Timestamp::from_nanos(1_700_000_000_020_000_400),
                speeds: [Some(50.0), None, Some(0.07), Some(-0.25)],
            },
        );
        assert_eq!(line, b"1700000000.020000,50,,0.07,-0.25\n");
        line.clear();
        put_row(
            &mut line,
            &Row {
                time: Timestamp::from_nanos(-1),
                speeds: [Some(1e300), Some(0.0), Some(f64::INFINITY), Some(-1e11)],
            },
        );
        // The largest number of 128 bits, and nothing for what is no number.
        assert_eq!(
            line,
            b"-0.000001,17014118346046923173168730371588410.5727,0,,-100000000000\n"
        );
    }

    proptest! {
        #[test]
        fn the_quick_way_agrees_with_the_general_one(value: i64, shift in 0_u32..63, short: bool) {
            let value = value >> shift;
            let (mut quick, mut general) = (Vec::new(), Vec::new());
            put_quickly::<4>(&mut quick, value, short);
            put_scaled(&mut general, i128::from(value), 4, short);
            prop_assert_eq!(&quick, &general);
            quick.clear();
            general.clear();
            put_quickly::<6>(&mut quick, value, short);
            put_scaled(&mut general, i128::from(value), 6, short);
            prop_assert_eq!(&quick, &general);
        }
    }
}

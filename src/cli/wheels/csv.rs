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
    let mut line = Vec::with_capacity(128);
    let mut print = |row: Row, output: &mut Output| {
        line.clear();
        put_row(&mut line, &row);
        output.write_all(&line)
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
    Ok(whole)
}

fn put_row(line: &mut Vec<u8>, row: &Row) {
    // Microseconds: what captures hold.
    put_scaled(
        line,
        i128::from(row.time.nanos()).div_euclid(1_000),
        6,
        false,
    );
    for speed in row.speeds {
        line.push(b',');
        if let Some(speed) = speed.filter(|speed| speed.is_finite()) {
            #[expect(
                clippy::cast_possible_truncation,
                reason = "float to integer casts saturate"
            )]
            put_scaled(line, (speed * 1e4).round() as i128, 4, true);
        }
    }
    line.push(b'\n');
}

/// A number of `digits` decimals; `short` leaves zeros at the end out.
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
    use super::*;
    use tonering::frame::Timestamp;

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
    }
}

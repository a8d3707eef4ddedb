//! Speed of each stage behind the readers, on a generated drive: transport, pairing, fields, signals, the record of a vehicle, the
//! measures, and the reports.
//!
//! `cargo bench --bench stages`; frames a second are those of the drive that the stage is for.

mod whole {
    #[expect(dead_code, reason = "the lines of text are for the whole commands")]
    pub(crate) mod traffic;
}

use std::hint::black_box;
use std::io;

use divan::Bencher;
use divan::counter::{BytesCount, ItemsCount};
use tonering::capture::{Item, Kind, Tally};
use tonering::diagnosis::{self, Means};
use tonering::evidence::Grounds;
use tonering::frame::{CanId, Channel, Frame, FrameKind, Timestamp};
use tonering::notes::Notes;
use tonering::report::{self, Report};
use tonering::rules::Rules;
use tonering::service::{Context, Family, Pairing, fields, is_request};
use tonering::signal::profile::Profile;
use tonering::signal::{Columns, Extractor};
use tonering::transport::{Message, Observer};
use tonering::trouble::Catalogue;
use tonering::vehicle::{Record, Recorder};

use whole::traffic;

fn main() {
    divan::main();
}

/// A minute and forty seconds.
const FRAMES: u64 = 100_000;

/// The drive as it comes from a reader.
struct Drive {
    frames: Vec<(u64, u16, [u8; 8])>,
}

impl Drive {
    fn new(count: u64) -> Self {
        let mut frames = Vec::new();
        traffic::frames(count, 1_000, |time, id, data| frames.push((time, id, data)));
        Self { frames }
    }

    fn each(&self, mut take: impl FnMut(&Frame<'_>)) {
        for (number, (time, id, data)) in (1..).zip(&self.frames) {
            take(&Frame {
                number,
                time: Some(Timestamp::from_micros(time.cast_signed())),
                channel: Channel(0),
                id: CanId::standard_masked(u32::from(*id)),
                kind: FrameKind::Data,
                data,
            });
        }
    }

    fn profile() -> Profile {
        let mut none = |_: &std::path::Path| Err(io::ErrorKind::NotFound.into());
        Profile::parse(traffic::PROFILE, "profile", &mut none).expect("it is sound")
    }

    fn messages(&self) -> Vec<Message> {
        let mut observer = Observer::new(Self::profile().address_book());
        let mut messages = Vec::new();
        self.each(|frame| {
            observer.push(frame);
            messages.extend(std::iter::from_fn(|| observer.next_message()));
        });
        observer.finish();
        messages.extend(std::iter::from_fn(|| observer.next_message()));
        messages
    }

    fn record(&self) -> Record {
        let mut recorder = Recorder::new(Self::profile());
        self.each(|frame| recorder.push(&Item::Can(*frame)));
        recorder.end_capture("bench", Kind::CandumpLog, &Tally::default());
        recorder.finish()
    }
}

fn count<'a, 'b>(bencher: Bencher<'a, 'b>, drive: &Drive) -> Bencher<'a, 'b> {
    bencher
        .counter(ItemsCount::new(drive.frames.len()))
        .counter(BytesCount::new(8 * drive.frames.len()))
}

#[divan::bench]
fn transport(bencher: Bencher<'_, '_>) {
    let drive = Drive::new(FRAMES);
    count(bencher, &drive).bench(|| {
        let mut observer = Observer::new(Drive::profile().address_book());
        let mut bytes = 0;
        drive.each(|frame| {
            observer.push(frame);
            while let Some(message) = observer.next_message() {
                bytes += message.payload.len();
                observer.recycle(message);
            }
        });
        bytes
    });
}

#[divan::bench]
fn services_pairing(bencher: Bencher<'_, '_>) {
    let drive = Drive::new(FRAMES);
    let messages = drive.messages();
    count(bencher, &drive)
        .with_inputs(|| messages.clone())
        .bench_values(|messages| {
            let mut pairing = Pairing::new();
            let mut exchanges = 0;
            for message in messages {
                pairing.push(message);
                exchanges += std::iter::from_fn(|| pairing.next_exchange()).count();
            }
            pairing.finish(None);
            exchanges + std::iter::from_fn(|| pairing.next_exchange()).count()
        });
}

#[divan::bench]
fn services_fields(bencher: Bencher<'_, '_>) {
    let drive = Drive::new(FRAMES);
    let messages = drive.messages();
    let catalogue = Catalogue::embedded().expect("a test keeps it sound");
    let context = Context {
        catalogue: &catalogue,
        family: Family::Uds,
        length_of: &|_| None,
    };
    count(bencher, &drive).bench_local(|| {
        let mut request = None;
        let mut found = 0;
        for message in black_box(&messages) {
            fields(message, request, &context, &mut |_| found += 1);
            if message.service().is_some_and(is_request) {
                request = Some(message);
            }
        }
        found
    });
}

#[divan::bench]
fn signals_as_traces(bencher: Bencher<'_, '_>) {
    let drive = Drive::new(FRAMES);
    let profile = Drive::profile();
    count(bencher, &drive).bench(|| {
        let mut extractor = Extractor::new(&profile);
        drive.each(|frame| extractor.push_frame(frame));
        extractor.finish()
    });
}

#[divan::bench]
fn signals_as_rows(bencher: Bencher<'_, '_>) {
    let drive = Drive::new(FRAMES);
    let profile = Drive::profile();
    count(bencher, &drive).bench(|| {
        let mut columns = Columns::new(&profile);
        let mut rows = 0;
        drive.each(|frame| rows += u64::from(columns.push_frame(frame).is_some()));
        rows
    });
}

#[divan::bench]
fn record_of_the_vehicle(bencher: Bencher<'_, '_>) {
    let drive = Drive::new(FRAMES);
    count(bencher, &drive).bench(|| drive.record());
}

#[divan::bench]
fn wheel_measures(bencher: Bencher<'_, '_>) {
    let drive = Drive::new(FRAMES);
    let record = drive.record();
    count(bencher, &drive).bench(|| diagnosis::measures(black_box(&record)));
}

/// Rules and code lists from their files: once for each run of the program.
#[divan::bench]
fn rules_and_codes(bencher: Bencher<'_, '_>) {
    let files = Rules::built_in_files().map(|file| file.text.len());
    let lists = Catalogue::built_in_files().map(|file| file.text.len());
    bencher
        .counter(BytesCount::new(files.chain(lists).sum::<usize>()))
        .bench(|| {
            (
                Rules::built_in().expect("a test keeps them sound"),
                Catalogue::embedded().expect("a test keeps it sound"),
            )
        });
}

/// Findings, ranking, plan and view model, whatever the length of the drive.
fn reported(with: impl FnOnce(&Grounds<'_>, &dyn Fn() -> Report)) {
    let record = Drive::new(FRAMES).record();
    let measures = diagnosis::measures(&record);
    let rules = Rules::built_in().expect("a test keeps them sound");
    let catalogue = Catalogue::embedded().expect("a test keeps it sound");
    let grounds = Grounds {
        rules: &rules,
        catalogue: &catalogue,
        record: &record,
        measures: &measures,
        notes: &Notes::default(),
    };
    with(&grounds, &|| {
        let found = diagnosis::diagnose(&grounds);
        let mut report = diagnosis::report(&grounds, &found, "bench", &Means::default());
        report.plots = diagnosis::plots(&record, &measures);
        report
    });
}

#[divan::bench]
fn findings_and_ranking(bencher: Bencher<'_, '_>) {
    reported(|grounds, _| bencher.bench(|| diagnosis::diagnose(grounds)));
}

#[divan::bench]
fn plan_and_view_model(bencher: Bencher<'_, '_>) {
    reported(|grounds, _| {
        let found = diagnosis::diagnose(grounds);
        bencher.bench(|| diagnosis::report(grounds, &found, "bench", &Means::default()));
    });
}

#[divan::bench(args = ["text", "markdown", "html", "json"])]
fn report_printed(bencher: Bencher<'_, '_>, kind: &str) {
    reported(|_, make| {
        let report = make();
        let print = |out: &mut Vec<u8>| match kind {
            "text" => report::text::write(&report, out, report::text::Layout::PLAIN),
            "markdown" => report::markdown::write(&report, out),
            "html" => report::html::write(&report, out),
            _ => report::json::write(&report, out, report::json::Form::Lines),
        };
        let mut size = Vec::new();
        print(&mut size).expect("memory takes everything");
        bencher.counter(BytesCount::new(size.len())).bench(|| {
            let mut out = Vec::with_capacity(size.len());
            print(&mut out).expect("memory takes everything");
            out
        });
    });
}

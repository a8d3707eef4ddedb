//! Many captures, each diagnosed on its own: on all cores, one JSON object a line in the order of the inputs.
//!
//! A capture that cannot be diagnosed gets a line that says why, and the rest is done. Memory: of each worker one capture at
//! a time, and a few finished lines. With a journal, a run that was stopped is taken up where it was.

mod folder;
mod journal;
mod pool;

use std::io::{self, Write as _};
use std::num::NonZero;
use std::path::{Path, PathBuf};

use tonering::report::{self, CaptureLine, Report};

use self::journal::{Journal, Place};
use super::console::{Console, remark};
use super::hash::Hashing;
use super::output::Output;
use super::tables::TableFolder;

/// What was asked for.
#[derive(Debug)]
pub(super) struct Each<'a> {
    /// Captures and folders of captures.
    pub(super) captures: &'a [PathBuf],
    /// Where the result goes; standard output without it.
    pub(super) output: Option<&'a Path>,
    /// Take over what an earlier run of the same output has finished.
    pub(super) resume: bool,
    /// How many captures at a time; as many as there are cores without it.
    pub(super) jobs: Option<NonZero<usize>>,
    /// Damage is a failure.
    pub(super) strict: bool,
    /// Tables instead of lines.
    pub(super) parquet: bool,
    /// SHA-256 over everything but the captures that decides what comes out.
    pub(super) basis: &'a str,
}

/// Where the lines go.
enum Sink {
    Lines(Output),
    Tables(TableFolder),
}

impl Sink {
    fn open(each: &Each<'_>) -> anyhow::Result<Self> {
        Ok(if each.parquet {
            Self::Tables(TableFolder::open(each.output)?)
        } else {
            Self::Lines(Output::open(each.output)?)
        })
    }

    /// Takes a line with its line feed.
    fn take(&mut self, line: &[u8]) -> anyhow::Result<()> {
        match self {
            Self::Lines(out) => {
                out.write_all(line)?;
                out.flush()?;
            }
            Self::Tables(tables) => tables.push(line)?,
        }
        Ok(())
    }

    fn finish(self) -> anyhow::Result<()> {
        match self {
            Self::Lines(out) => out.finish(),
            Self::Tables(tables) => tables.finish(),
        }
    }
}

/// A report, and whether something of the capture was lost.
pub(super) type Diagnosed = (Report, bool);

/// How one capture is diagnosed: its path, where its remarks go, and whether to go on, to be asked again and again.
pub(super) type Diagnose<'a> = dyn Fn(&Path, &mut dyn FnMut(&str), &dyn Fn() -> anyhow::Result<()>) -> anyhow::Result<Diagnosed>
    + Sync
    + 'a;

/// A capture that is to be diagnosed.
struct Input<'a> {
    path: &'a Path,
    /// The SHA-256 it had when an earlier run did it, and where its line is.
    kept: Option<(String, Place)>,
}

/// What became of a capture.
enum Outcome {
    /// It was diagnosed, or could not be.
    New(Line),
    /// An earlier run has done it.
    Kept(Place),
}

/// A line of the result, with its line feed.
struct Line {
    bytes: Vec<u8>,
    remarks: Vec<String>,
    damaged: bool,
    failed: bool,
}

/// Diagnoses them all.
pub(super) fn run(
    each: &Each<'_>,
    console: Console,
    diagnose: &Diagnose<'_>,
) -> anyhow::Result<()> {
    let captures = folder::captures(each.captures)?;
    let mut out = Sink::open(each)?;
    let journal = each.output.filter(|_| each.resume);
    let mut journal = journal
        .map(|output| Journal::open(output, each.basis))
        .transpose()?;
    let inputs: Vec<Input<'_>> = captures
        .iter()
        .map(|path| Input {
            path,
            kept: journal
                .as_ref()
                .and_then(|journal| journal.find(&path.display().to_string())),
        })
        .collect();
    let jobs = each
        .jobs
        .or_else(|| std::thread::available_parallelism().ok());
    let mut taken = Taken::new(console, captures.len());
    pool::in_order(
        &inputs,
        jobs.map_or(1, NonZero::get),
        |input, stop| input.work(each.basis, stop, diagnose),
        |input, outcome| {
            let outcome = match outcome {
                Ok(outcome) => outcome?,
                Err(pool::Panicked) => Outcome::New(Line::failed(input.path, SPOILT, each.basis)?),
            };
            taken.tell(&outcome);
            match (outcome, &mut journal) {
                (Outcome::New(line), None) => out.take(&line.bytes)?,
                (Outcome::New(line), Some(journal)) => {
                    taken
                        .places
                        .push(journal.append(&line.bytes, line.damaged)?);
                }
                (Outcome::Kept(place), _) => taken.places.push(place),
            }
            Ok(())
        },
    )?;
    if let Some(journal) = &journal {
        for place in &taken.places {
            out.take(&journal.line(*place)?)?;
        }
    }
    out.finish()?;
    if let Some(journal) = journal {
        journal.remove()?;
    }
    taken.judge(each.strict)
}

/// Stands in the line of a capture that brought a worker to a fault of the program.
const SPOILT: &str = "a fault of this program kept it from being diagnosed; please report it";

impl Input<'_> {
    /// Done by a worker.
    fn work(
        &self,
        basis: &str,
        stop: &pool::Stop,
        diagnose: &Diagnose<'_>,
    ) -> anyhow::Result<Outcome> {
        if let Some((sha256, place)) = &self.kept {
            let now = Hashing::file(self.path).finish();
            if now.is_some_and(|now| now.sha256 == *sha256) {
                return Ok(Outcome::Kept(*place));
            }
        }
        let go_on = || {
            anyhow::ensure!(!stop.is_set(), "stopped");
            Ok(())
        };
        let mut remarks = Vec::new();
        let made = diagnose(
            self.path,
            &mut |words| remarks.push(words.to_owned()),
            &go_on,
        );
        let mut line = match made {
            Ok((mut report, damaged)) => {
                report.basis = Some(basis.to_owned());
                Line::new(&report, damaged)?
            }
            Err(error) => {
                let words = format!("{error:#}");
                remarks.push(words.clone());
                Line::failed(self.path, &words, basis)?
            }
        };
        line.remarks = remarks;
        Ok(Outcome::New(line))
    }
}

impl Line {
    fn new(report: &Report, damaged: bool) -> io::Result<Self> {
        let mut bytes = Vec::new();
        report::json::write(report, &mut bytes, report::json::Form::OneLine)?;
        Ok(Self {
            bytes,
            remarks: Vec::new(),
            damaged,
            failed: report.error.is_some(),
        })
    }

    /// Of a capture that could not be diagnosed: a report in which everything is empty, and why.
    fn failed(path: &Path, why: &str, basis: &str) -> io::Result<Self> {
        let capture = CaptureLine {
            file: path.display().to_string(),
            kind: "unknown".to_owned(),
            frames: 0,
            unreadable: 0,
            remarks: Vec::new(),
            first_s: None,
            last_s: None,
            sha256: None,
        };
        let report = Report {
            program: concat!("tonering ", env!("CARGO_PKG_VERSION")).to_owned(),
            captures: vec![capture],
            basis: Some(basis.to_owned()),
            error: Some(why.to_owned()),
            ..Report::default()
        };
        Self::new(&report, true)
    }
}

/// What was taken from the workers, and what is to be said about it.
struct Taken {
    console: Console,
    captures: usize,
    done: usize,
    /// Of them, by an earlier run.
    before: usize,
    damaged: usize,
    failed: usize,
    /// With a journal: where the lines are.
    places: Vec<Place>,
}

impl Taken {
    const fn new(console: Console, captures: usize) -> Self {
        Self {
            console,
            captures,
            done: 0,
            before: 0,
            damaged: 0,
            failed: 0,
            places: Vec::new(),
        }
    }

    /// Says what has to be said about a capture, and how far we are.
    fn tell(&mut self, outcome: &Outcome) {
        self.done += 1;
        self.clear();
        match outcome {
            Outcome::New(line) => {
                self.failed += usize::from(line.failed);
                self.damaged += usize::from(line.damaged);
                line.remarks.iter().for_each(|words| remark(words));
            }
            Outcome::Kept(place) => {
                self.before += 1;
                self.damaged += usize::from(place.damaged);
            }
        }
        if self.console.progress && self.done < self.captures {
            let _ = write!(
                io::stderr(),
                "\r{} of {} captures",
                self.done,
                self.captures
            );
        }
    }

    fn clear(&self) {
        if self.console.progress {
            let _ = write!(io::stderr(), "\r{:40}\r", "");
        }
    }

    /// The end: how it went, and whether that is a failure.
    fn judge(&self, strict: bool) -> anyhow::Result<()> {
        let Self {
            captures,
            before,
            failed,
            ..
        } = self;
        if *before > 0 {
            remark(&format!(
                "{before} of {captures} captures were diagnosed before"
            ));
        }
        if *failed > 0 {
            anyhow::bail!(
                "{failed} of {captures} captures could not be diagnosed; their lines say why"
            );
        }
        if strict && self.damaged > 0 {
            anyhow::bail!(
                "a part of {} of {captures} captures could not be read, and --strict was given",
                self.damaged
            );
        }
        Ok(())
    }
}

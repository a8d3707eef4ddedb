//! `explain WHAT`: teaches what a code, a byte, an identifier, a message or a frame is.

use std::io::Write as _;
use std::path::PathBuf;

use clap::ValueEnum;
use tonering::service::{Context, Explanation, Subject, explain, fields};
use tonering::transport::Message;
use tonering::trouble::Catalogue;

use super::console::Console;
use super::decode::text::wrapped;
use super::decode::{Lines, json, text};
use super::output::Output;

/// Explain a code, a byte, an identifier, a message or a frame
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Args {
    /// What to explain
    #[arg(required = true, value_name = "WHAT")]
    what: Vec<String>,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write to this file instead of standard output
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
}

const EXAMPLES: &str = "\
Examples:
  tonering explain C0034-13
  tonering explain failure-type 13
  tonering explain status 2F
  tonering explain service 19
  tonering explain 0x7E8
  tonering explain '59 02 FF 40 31 13 2F'
  tonering explain 7E8#037F2278

Other words: 'refusal 31', 'parameter 0C', 'identifier F190', or a line of a candump capture.";

/// How to print.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
enum Format {
    /// For a person
    Text,
    /// One JSON object
    Json,
}

pub(crate) fn run(args: &Args, console: Console) -> anyhow::Result<()> {
    let what = args.what.join(" ");
    let subject = Subject::parse(&what)?;
    let catalogue = Catalogue::embedded()?;
    let explanation = explain(&subject, &catalogue);
    let mut output = Output::open(args.output.as_deref())?;
    let mut out = Lines::new();
    match args.format {
        Format::Text => in_text(&mut out, &explanation, &catalogue, console),
        Format::Json => in_json(&mut out, &explanation, &catalogue),
    }
    output.write_all(out.bytes())?;
    output.finish()
}

/// Column at which the words of a fact start.
const WORDS_AT: usize = 22;

/// Column at which the words of a field start.
const FIELD_AT: usize = 27;

fn in_text(out: &mut Lines, told: &Explanation, catalogue: &Catalogue, console: Console) {
    let ascii = !console.unicode;
    let width = console.width;
    wrapped(out, 0, 0, &told.title, width, ascii);
    for fact in &told.facts {
        let start = out.len();
        out.text("  ");
        out.text(&fact.name);
        let length = out.len() - start;
        for _ in length..WORDS_AT.max(length + 1) {
            out.byte(b' ');
        }
        let words = match fact.source.as_str() {
            "" => fact.words.clone(),
            source => format!("{} [{source}]", fact.words),
        };
        wrapped(
            out,
            WORDS_AT.max(length + 1),
            WORDS_AT,
            &words,
            width,
            ascii,
        );
    }
    for (index, (message, family)) in told.messages.iter().enumerate() {
        out.text("byte by byte");
        if told.messages.len() > 1 {
            out.text(", message ");
            out.count(index as u64 + 1);
        }
        out.byte(b'\n');
        let request = request_of(told, index);
        let context = Context {
            catalogue,
            family: *family,
            length_of: &|_| None,
        };
        fields(message, request, &context, &mut |field| {
            let start = out.len();
            text::taken_apart(out, &field, &message.payload, ascii);
            let line = String::from_utf8_lossy(out.since(start)).into_owned();
            out.truncate(start);
            wrapped(out, 0, FIELD_AT, line.trim_end(), width, ascii);
        });
    }
    for (heading, list) in [
        ("what follows", &told.follows),
        ("what does not follow", &told.does_not_follow),
    ] {
        if !list.is_empty() {
            out.text(heading);
            out.byte(b'\n');
        }
        for words in list {
            out.text("  - ");
            wrapped(out, 4, 4, words, width, ascii);
        }
    }
}

/// The request that a message of the explanation answers, if that is among them.
fn request_of(told: &Explanation, index: usize) -> Option<&Message> {
    let (answer, _) = told.messages.get(index)?;
    let asked = answer.service().filter(|service| service & 0x40 != 0)? & !0x40;
    let before = told.messages.get(..index)?.iter().rev();
    before
        .map(|(message, _)| message)
        .find(|message| message.is_complete() && message.service() == Some(asked))
}

fn fields_in_json(out: &mut Lines, told: &Explanation, index: usize, catalogue: &Catalogue) {
    let Some((message, family)) = told.messages.get(index) else {
        return;
    };
    let context = Context {
        catalogue,
        family: *family,
        length_of: &|_| None,
    };
    let mut first = true;
    fields(message, request_of(told, index), &context, &mut |field| {
        if !first {
            out.text(", ");
        }
        first = false;
        json::field(out, &field, &message.payload, true);
    });
}

fn in_json(out: &mut Lines, told: &Explanation, catalogue: &Catalogue) {
    out.text("{\"kind\": ");
    json::string(out, told.kind);
    out.text(", \"title\": ");
    json::string(out, &told.title);
    out.text(", \"facts\": [");
    for (index, fact) in told.facts.iter().enumerate() {
        out.text(if index > 0 {
            ", {\"name\": "
        } else {
            "{\"name\": "
        });
        json::string(out, &fact.name);
        out.text(", \"words\": ");
        json::string(out, &fact.words);
        out.text(", \"source\": ");
        json::string(out, &fact.source);
        out.byte(b'}');
    }
    out.text("], \"fields\": [");
    if !told.messages.is_empty() {
        fields_in_json(out, told, 0, catalogue);
    }
    out.byte(b']');
    if told.kind == "frames" {
        out.text(", \"messages\": [");
        for (index, (message, _)) in told.messages.iter().enumerate() {
            out.text(if index > 0 {
                ", {\"id\": \""
            } else {
                "{\"id\": \""
            });
            out.show(&message.address);
            out.text("\", \"payload\": \"");
            out.hexes(&message.payload);
            out.text("\", \"fault\": ");
            match message.fault {
                Some(fault) => json::string(out, fault.id()),
                None => out.text("null"),
            }
            out.text(", \"fields\": [");
            fields_in_json(out, told, index, catalogue);
            out.text("]}");
        }
        out.byte(b']');
    }
    for (name, list) in [
        (", \"follows\": [", &told.follows),
        (", \"does_not_follow\": [", &told.does_not_follow),
    ] {
        out.text(name);
        for (index, words) in list.iter().enumerate() {
            if index > 0 {
                out.text(", ");
            }
            json::string(out, words);
        }
        out.byte(b']');
    }
    out.text("}\n");
}

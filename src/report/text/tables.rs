//! Wheels, modules and codes as tables.

use std::io;

use tabled::builder::Builder;
use tabled::settings::peaker::Priority;
use tabled::settings::style::HorizontalLine;
use tabled::settings::{Padding, Style, Width};

use super::page::{BOLD, DIM, Form, Page};
use crate::place::Wheel;
use crate::report::{Report, phrase};

/// Columns that a table is set in from the left.
const INDENT: usize = 2;

/// The wheels: a row for each measure, a column for each wheel; then what could not be tested.
pub(super) fn wheels(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    if report.wheels.is_empty() {
        return Ok(());
    }
    page.heading("The four wheels")?;
    let mut rows = vec![header(
        "",
        Wheel::ALL.map(|wheel| phrase::capital(wheel.words())),
    )];
    rows.extend(phrase::wheel_rows(report).into_iter().map(|row| {
        let mut cells = vec![row.name];
        cells.extend(row.cells);
        cells
    }));
    table(page, &rows)?;
    page.blank()?;
    for note in phrase::wheel_notes(report) {
        page.text(Form::indent(INDENT).styled_lead("* ", DIM), &note)?;
    }
    Ok(())
}

/// The modules and how they behaved.
pub(super) fn modules(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    if report.modules.is_empty() {
        return Ok(());
    }
    page.heading("Control modules: who answered, who kept silent")?;
    let mut rows = vec![header(
        "Module",
        ["Role", "Address", "State"].map(str::to_owned),
    )];
    for module in &report.modules {
        rows.push(vec![
            module.name.clone(),
            module.role.to_owned(),
            phrase::addresses(module),
            module.words.clone(),
        ]);
    }
    table(page, &rows)
}

/// The codes.
pub(super) fn codes(report: &Report, page: &mut Page<'_>) -> io::Result<()> {
    page.heading("Trouble codes")?;
    if report.codes.is_empty() {
        return page.text(Form::indent(INDENT), "No trouble code was read.");
    }
    let mut rows = vec![header(
        "Code",
        ["State", "Module", "Meaning"].map(str::to_owned),
    )];
    for code in &report.codes {
        rows.push(vec![
            phrase::code(code),
            phrase::code_state(code),
            code.module.clone(),
            phrase::code_meaning(code),
        ]);
    }
    table(page, &rows)
}

fn header<const N: usize>(first: &str, rest: [String; N]) -> Vec<String> {
    let mut cells = vec![first.to_owned()];
    cells.extend(rest);
    cells
}

/// Writes a table: the first row is its head, and every text is escaped here.
fn table(page: &mut Page<'_>, rows: &[Vec<String>]) -> io::Result<()> {
    let mut builder = Builder::default();
    for row in rows {
        builder.push_record(row.iter().map(|text| page.cell(text)));
    }
    let rule = if page.layout().unicode { '─' } else { '-' };
    let mut table = builder.build();
    table
        .with(Style::blank().horizontals([(1, HorizontalLine::new(rule).intersection(' '))]))
        .with(Padding::zero())
        .with(
            Width::wrap(page.layout().width - INDENT)
                .keep_words(true)
                .priority(Priority::max(true)),
        );
    page.table(&table.to_string(), BOLD)
}

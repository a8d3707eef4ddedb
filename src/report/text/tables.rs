//! Wheels, modules and codes as tables.

use std::io;

use super::page::{DIM, Form, Page};
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
    page.rows(&rows)?;
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
    page.rows(&rows)
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
    page.rows(&rows)
}

fn header<const N: usize>(first: &str, rest: [String; N]) -> Vec<String> {
    let mut cells = vec![first.to_owned()];
    cells.extend(rest);
    cells
}

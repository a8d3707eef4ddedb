//! What captures or a link are judged by, from the command line: profile, notes, rules, and who does the work.

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use tonering::diagnosis::{self, Diagnosis, Means};
use tonering::evidence::Grounds;
use tonering::notes::Notes;
use tonering::report::Report;
use tonering::rules::{RuleText, Rules, Work, fingerprint};
use tonering::signal::profile::Profile;
use tonering::trouble::{Catalogue, YamlText};
use tonering::vehicle::Record;
use tonering::wheel::Measures;

use super::input;

/// The options that say what is judged by.
#[derive(Debug, clap::Args)]
pub(super) struct BasisArgs {
    /// Vehicle profile (YAML): modules, wheels, where the signals are
    #[arg(long, value_name = "FILE")]
    pub(super) profile: Option<PathBuf>,
    /// Inspection notes (YAML): what was checked by hand
    #[arg(long, value_name = "FILE")]
    pub(super) notes: Option<PathBuf>,
    /// Folder with rules (YAML) that add to the built-in ones or replace them
    #[arg(long, value_name = "DIR")]
    rules: Vec<PathBuf>,
    /// Who does the work: checks and repairs beyond that are not proposed, or cost more
    #[arg(long, value_enum, default_value_t = Can::Home)]
    can: Can,
    /// What an hour of work costs, in the currency of the rules
    #[arg(long, value_name = "MONEY", default_value_t = 30.0)]
    hourly_rate: f64,
}

/// Who does the work.
#[derive(Clone, Copy, Debug, Eq, PartialEq, clap::ValueEnum)]
pub(super) enum Can {
    /// A careful person at home
    Home,
    /// A workshop
    Workshop,
}

/// What the work is planned with.
pub(super) fn means(can: Can, hourly_rate: f64) -> anyhow::Result<Means> {
    if !(hourly_rate.is_finite() && hourly_rate > 0.0) {
        anyhow::bail!("--hourly-rate {hourly_rate}: must be a positive number");
    }
    Ok(Means {
        work: match can {
            Can::Home => Work::Home,
            Can::Workshop => Work::Workshop,
        },
        hourly_rate,
        ..Means::default()
    })
}

impl BasisArgs {
    /// Reads all that was named.
    pub(super) fn read(&self) -> anyhow::Result<Basis> {
        self.read_all(false)
    }

    /// The same where the file of notes need not be there yet.
    pub(super) fn read_with_new_notes(&self) -> anyhow::Result<Basis> {
        self.read_all(true)
    }

    fn read_all(&self, may_lack_notes: bool) -> anyhow::Result<Basis> {
        let own = own_rules(&self.rules)?;
        let is_rules = |text: &str| text.lines().any(|line| line.starts_with("rules:"));
        let texts: Vec<RuleText<'_>> = own
            .iter()
            .filter(|(_, text)| is_rules(text))
            .map(|(name, text)| RuleText { name, text })
            .collect();
        let lists: Vec<YamlText<'_>> = own
            .iter()
            .filter(|(_, text)| !is_rules(text))
            .map(|(name, text)| YamlText { name, text })
            .collect();
        let rules = Rules::load(&texts)?;
        let catalogue = Catalogue::load(&lists)?;
        let notes = match &self.notes {
            Some(path) if may_lack_notes && !path.exists() => Notes::default(),
            Some(path) => Notes::parse(&input::text(path)?, &path.display().to_string(), &rules)?,
            None => Notes::default(),
        };
        Ok(Basis {
            means: means(self.can, self.hourly_rate)?,
            profile: input::profile(self.profile.as_deref())?,
            rules,
            catalogue,
            notes,
            in_force: in_force(&own, self.rules.len()),
            drawn: false,
        })
    }
}

/// What every capture is judged by.
#[derive(Debug)]
pub(super) struct Basis {
    pub(super) profile: Profile,
    pub(super) rules: Rules,
    catalogue: Catalogue,
    pub(super) notes: Notes,
    pub(super) means: Means,
    /// The rules in words, for the report.
    in_force: Vec<String>,
    /// Whether reports are drawn.
    drawn: bool,
}

impl Basis {
    /// SHA-256 over all of it: what decides, beside the captures, what comes out.
    pub(super) fn fingerprint(&self) -> String {
        let Means {
            work,
            hourly_rate,
            most,
        } = self.means;
        let texts = [
            ("profile", self.profile.to_yaml()),
            ("notes", self.notes.write(&self.rules)),
            ("rules", self.in_force.join("\n")),
            ("means", format!("{} {hourly_rate} {most}", work.id())),
        ];
        fingerprint(texts.iter().map(|(name, text)| RuleText { name, text }))
    }

    /// Everything that the findings of a vehicle are judged by.
    pub(super) const fn grounds<'a>(
        &'a self,
        record: &'a Record,
        measures: &'a Measures,
    ) -> Grounds<'a> {
        Grounds {
            rules: &self.rules,
            catalogue: &self.catalogue,
            record,
            measures,
            notes: &self.notes,
        }
    }

    /// The diagnosis on these grounds, and the report on it.
    pub(super) fn judge<'r>(&self, grounds: &Grounds<'r>) -> (Diagnosis<'r>, Report) {
        let found = diagnosis::diagnose(grounds);
        let mut report = diagnosis::report(grounds, &found, &self.profile.name, &self.means);
        report.rules.clone_from(&self.in_force);
        (found, report)
    }

    /// The report on a record.
    pub(super) fn report(&self, record: &Record) -> Report {
        let measures = diagnosis::measures(record);
        let mut report = self.judge(&self.grounds(record, &measures)).1;
        if self.drawn {
            report.plots = diagnosis::plots(record, &measures);
        }
        report
    }

    /// The same with or without drawings in its reports: they cost as much as some measures, and only a page shows them.
    pub(super) const fn drawn(mut self, drawn: bool) -> Self {
        self.drawn = drawn;
        self
    }
}

/// The rules in words: the built-in ones, and the files laid over them.
fn in_force(own: &[(String, String)], folders: usize) -> Vec<String> {
    let lists = Catalogue::built_in_files().map(|list| RuleText {
        name: list.name,
        text: list.text,
    });
    let built_in = fingerprint(Rules::built_in_files().chain(lists));
    let mut lines = vec![format!(
        "built-in, {}, SHA-256 {built_in}",
        concat!("tonering ", env!("CARGO_PKG_VERSION"))
    )];
    if folders > 0 {
        // A folder that was moved holds the same rules: only the file's own name counts.
        let files = own.iter().map(|(name, text)| RuleText {
            name: Path::new(name)
                .file_name()
                .and_then(|name| name.to_str())
                .unwrap_or(name),
            text,
        });
        let names: Vec<&str> = own.iter().map(|(name, _)| name.as_str()).collect();
        lines.push(format!(
            "{}, SHA-256 {}",
            names.join(", "),
            fingerprint(files)
        ));
    }
    lines
}

/// The YAML files of the rule folders, by name.
pub(super) fn own_rules(folders: &[PathBuf]) -> anyhow::Result<Vec<(String, String)>> {
    let mut own = Vec::new();
    for folder in folders {
        let files = input::yaml_files(folder)?;
        if files.is_empty() {
            let shown: &Path = folder;
            anyhow::bail!("{}: holds no .yaml file with rules", shown.display());
        }
        for file in files {
            let text = input::text(&file).context("a rules file")?;
            own.push((file.display().to_string(), text));
        }
    }
    Ok(own)
}

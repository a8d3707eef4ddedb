//! From rule files to checked rules: small named checks, every fault reported.

use std::collections::{BTreeMap, BTreeSet};

use super::Rules;
use super::cause::{Cause, ExtraLink, Link, Weight};
use super::caution::{Caution, SafetyRule};
use super::check::CheckRule;
use super::file::{self, RulesFile};
use super::finding::{CheckCondition, Condition, FindingRule, Nature};
use super::locate::locate;
use super::remark::{RuleRemark, RuleText, RulesError, Spot};

/// How many causes a vehicle with a lit lamp has on average, when no file says so.
const FAULTS_EXPECTED: f64 = 0.9;
/// The most that a file may say: the mathematics sums over few causes at a time.
const MOST_EXPECTED: f64 = 3.0;

/// Entries of one kind, each with its place; later layers replace earlier ones of the same identifier.
struct Entries<'a, T> {
    list: Vec<(T, Spot<'a>)>,
}

impl<'a, T> Entries<'a, T> {
    const fn new() -> Self {
        Self { list: Vec::new() }
    }

    /// Adds the entries of one file. `fresh` holds the identifiers of this layer: one of them again is a fault.
    fn add(
        &mut self,
        entries: Vec<T>,
        id: fn(&T) -> &str,
        (file, section): (RuleText<'a>, &'static str),
        fresh: &mut BTreeSet<(&'static str, String)>,
        remarks: &mut Vec<RuleRemark>,
    ) {
        for (index, entry) in entries.into_iter().enumerate() {
            let spot = Spot {
                file,
                section,
                index,
            };
            let name = id(&entry).to_owned();
            if name.is_empty() || name.contains(|c: char| !(c.is_ascii_alphanumeric() || c == '-'))
            {
                let words = "an identifier has letters, digits and hyphens only";
                remarks.push(spot.remark(".id", &name, words, Vec::new()));
            }
            if !fresh.insert((section, name.clone())) {
                let words = format!("{name} is there twice");
                remarks.push(spot.remark(".id", &name, words, Vec::new()));
            }
            match self.list.iter_mut().find(|(known, _)| id(known) == name) {
                Some(known) => *known = (entry, spot),
                None => self.list.push((entry, spot)),
            }
        }
    }

    fn into_entries(self) -> Vec<T> {
        self.list.into_iter().map(|(entry, _)| entry).collect()
    }

    fn ids(&self, id: fn(&T) -> &str) -> Vec<String> {
        self.list
            .iter()
            .map(|(entry, _)| id(entry).to_owned())
            .collect()
    }
}

/// Loads layers of files; within a layer no identifier may be there twice.
pub(super) fn load(layers: &[&[RuleText<'_>]]) -> Result<Rules, RulesError> {
    let mut remarks = Vec::new();
    let mut all = Gathered::new();
    for layer in layers {
        all.add_layer(layer, &mut remarks);
    }
    // References into a file that could not be read would all be reported as missing.
    if !all.unread {
        all.check(&mut remarks);
    }
    if remarks.is_empty() {
        Ok(Rules {
            causes: all.causes.into_entries(),
            findings: all.findings.into_entries(),
            checks: all.checks.into_entries(),
            cautions: all.cautions.into_entries(),
            safety: all.safety.into_entries(),
            natures: all.natures.into_entries(),
            faults_expected: all.faults_expected,
        })
    } else {
        remarks.sort();
        remarks.dedup();
        place(&mut remarks, layers);
        Err(RulesError { remarks })
    }
}

/// Most remarks whose exact place is looked up, each by reading its file once more.
const MOST_PLACED: usize = 200;

/// Gives remarks the place of exactly the part that they are about.
fn place(remarks: &mut [RuleRemark], layers: &[&[RuleText<'_>]]) {
    let files = || layers.iter().rev().flat_map(|layer| layer.iter());
    for remark in remarks.iter_mut().take(MOST_PLACED) {
        let text = files().find(|file| file.name == remark.file);
        let found = text.and_then(|file| locate(file.text, &remark.path));
        if let Some((line, column)) = found.filter(|_| !remark.path.is_empty()) {
            (remark.line, remark.column) = (line, column);
        }
    }
    remarks.sort();
}

/// The entries of all layers.
struct Gathered<'a> {
    causes: Entries<'a, Cause>,
    findings: Entries<'a, FindingRule>,
    checks: Entries<'a, CheckRule>,
    cautions: Entries<'a, Caution>,
    safety: Entries<'a, SafetyRule>,
    natures: Entries<'a, Nature>,
    links: Vec<(ExtraLink, Spot<'a>)>,
    weights: Vec<(Weight, Spot<'a>)>,
    faults_expected: f64,
    /// A file could not be read.
    unread: bool,
}

impl<'a> Gathered<'a> {
    fn new() -> Self {
        Self {
            causes: Entries::new(),
            findings: Entries::new(),
            checks: Entries::new(),
            cautions: Entries::new(),
            safety: Entries::new(),
            natures: Entries::new(),
            links: Vec::new(),
            weights: Vec::new(),
            faults_expected: FAULTS_EXPECTED,
            unread: false,
        }
    }

    fn add_layer(&mut self, layer: &[RuleText<'a>], remarks: &mut Vec<RuleRemark>) {
        let mut fresh = BTreeSet::new();
        for &text in layer {
            match file::parse(text) {
                Ok(file) => self.add_file(file, text, &mut fresh, remarks),
                Err(remark) => {
                    self.unread = true;
                    remarks.push(remark);
                }
            }
        }
    }

    fn add_file(
        &mut self,
        file: RulesFile,
        text: RuleText<'a>,
        fresh: &mut BTreeSet<(&'static str, String)>,
        remarks: &mut Vec<RuleRemark>,
    ) {
        if let Some(expected) = file.faults_expected {
            self.faults_expected = expected;
            if !(expected > 0.0 && expected <= MOST_EXPECTED) {
                let words = "must be above 0 and at most 3";
                remarks.push(whole(text, "faults_expected", words));
            }
        }
        self.causes
            .add(file.causes, |e| &e.id, (text, "causes"), fresh, remarks);
        self.findings
            .add(file.findings, |e| &e.id, (text, "findings"), fresh, remarks);
        self.checks
            .add(file.checks, |e| &e.id, (text, "checks"), fresh, remarks);
        self.cautions
            .add(file.cautions, |e| &e.id, (text, "cautions"), fresh, remarks);
        self.safety
            .add(file.safety, |e| &e.id, (text, "safety"), fresh, remarks);
        self.natures
            .add(file.natures, |e| &e.id, (text, "natures"), fresh, remarks);
        let spot = |section, index| Spot {
            file: text,
            section,
            index,
        };
        let links = file.links.into_iter().enumerate();
        self.links
            .extend(links.map(|(index, link)| (link, spot("links", index))));
        let weights = file.weights.into_iter().enumerate();
        self.weights
            .extend(weights.map(|(index, weight)| (weight, spot("weights", index))));
    }

    fn check(&mut self, remarks: &mut Vec<RuleRemark>) {
        let checks = self.checks.list.iter();
        let known = Known {
            causes: self.causes.ids(|e| &e.id),
            findings: self.findings.ids(|e| &e.id),
            cautions: self.cautions.ids(|e| &e.id),
            natures: self.natures.ids(|e| &e.id),
            checks: checks
                .map(|(check, _)| (check.id.clone(), check.clone()))
                .collect(),
        };
        apply_links(
            &mut self.causes,
            std::mem::take(&mut self.links),
            &known,
            remarks,
        );
        apply_weights(
            &mut self.causes,
            std::mem::take(&mut self.weights),
            &known,
            remarks,
        );
        for (cause, spot) in &self.causes.list {
            check_cause(cause, spot, &known, remarks);
        }
        for (finding, spot) in &self.findings.list {
            check_finding(finding, spot, &known, remarks);
        }
        for (check, spot) in &self.checks.list {
            check_check(check, spot, &known, remarks);
        }
        check_safety(&self.safety, &known, remarks);
        check_natures(&self.natures, remarks);
        self.check_use(remarks);
        if self.causes.list.is_empty() && remarks.is_empty() {
            remarks.push(RuleRemark {
                file: "rules".to_owned(),
                line: 0,
                column: 0,
                path: String::new(),
                message: "there is no cause in these rules".to_owned(),
                possible: Vec::new(),
            });
        }
    }

    /// Every identifier must be of use.
    fn check_use(&self, remarks: &mut Vec<RuleRemark>) {
        let mut used: BTreeSet<(&str, &str)> = BTreeSet::new();
        for (cause, _) in &self.causes.list {
            used.extend(cause.cautions.iter().map(|id| ("caution", id.as_str())));
            let shows = cause.shows.iter();
            used.extend(shows.map(|link| ("finding", link.finding.as_str())));
        }
        for (check, _) in &self.checks.list {
            used.extend(check.cautions.iter().map(|id| ("caution", id.as_str())));
        }
        for (rule, _) in &self.safety.list {
            used.extend(rule.finding.iter().map(|id| ("finding", id.as_str())));
        }
        for (finding, _) in &self.findings.list {
            finding.when.walk(&mut |condition| match condition {
                Condition::Check(check) => {
                    used.insert(("check", &check.id));
                }
                Condition::Code(code) => {
                    used.extend(code.natures.iter().map(|id| ("nature", id.as_str())));
                }
                _ => {}
            });
        }
        let mut unused = |what: &str, id: &str, spot: &Spot<'_>, by: &str| {
            if !used.contains(&(what, id)) {
                let words = format!("{id} is used by no {by}");
                remarks.push(spot.remark(".id", id, words, Vec::new()));
            }
        };
        for (finding, spot) in &self.findings.list {
            unused("finding", &finding.id, spot, "cause");
        }
        for (check, spot) in &self.checks.list {
            unused("check", &check.id, spot, "finding");
        }
        for (caution, spot) in &self.cautions.list {
            if !caution.always {
                unused("caution", &caution.id, spot, "cause and no check");
            }
        }
        for (nature, spot) in &self.natures.list {
            unused("nature", &nature.id, spot, "finding");
        }
    }
}

/// What can be referred to.
struct Known {
    causes: Vec<String>,
    findings: Vec<String>,
    cautions: Vec<String>,
    natures: Vec<String>,
    checks: BTreeMap<String, CheckRule>,
}

fn whole(text: RuleText<'_>, path: &str, message: &str) -> RuleRemark {
    let line = text
        .text
        .lines()
        .position(|line| line.starts_with(path))
        .map_or(0, |index| index + 1);
    RuleRemark {
        file: text.name.to_owned(),
        line,
        column: 0,
        path: path.to_owned(),
        message: message.to_owned(),
        possible: Vec::new(),
    }
}

/// A reference must resolve.
fn resolve(
    word: &str,
    known: &[String],
    what: &str,
    inside: &str,
    spot: &Spot<'_>,
    remarks: &mut Vec<RuleRemark>,
) -> bool {
    let there = known.iter().any(|id| id == word);
    if !there {
        let message = format!("there is no {what} {word:?}");
        remarks.push(spot.remark(inside, word, message, known.to_vec()));
    }
    there
}

fn apply_links(
    causes: &mut Entries<'_, Cause>,
    links: Vec<(ExtraLink, Spot<'_>)>,
    known: &Known,
    remarks: &mut Vec<RuleRemark>,
) {
    for (link, spot) in links {
        let cause = resolve(
            &link.cause,
            &known.causes,
            "cause",
            ".cause",
            &spot,
            remarks,
        );
        let finding = resolve(
            &link.finding,
            &known.findings,
            "finding",
            ".finding",
            &spot,
            remarks,
        );
        if !(0.0..=1.0).contains(&link.strength) {
            remarks.push(spot.remark(".strength", "strength", "must be from 0 to 1", Vec::new()));
        } else if cause
            && finding
            && let Some((cause, _)) = causes
                .list
                .iter_mut()
                .find(|(known, _)| known.id == link.cause)
        {
            cause
                .shows
                .retain(|old| !(old.finding == link.finding && old.at == link.at));
            if link.strength > 0.0 {
                cause.shows.push(Link {
                    finding: link.finding,
                    strength: link.strength,
                    at: link.at,
                });
            }
        }
    }
}

fn apply_weights(
    causes: &mut Entries<'_, Cause>,
    weights: Vec<(Weight, Spot<'_>)>,
    known: &Known,
    remarks: &mut Vec<RuleRemark>,
) {
    for (weight, spot) in weights {
        if !(weight.weight > 0.0 && weight.weight.is_finite()) {
            remarks.push(spot.remark(".weight", "weight", "must be above 0", Vec::new()));
        } else if resolve(
            &weight.cause,
            &known.causes,
            "cause",
            ".cause",
            &spot,
            remarks,
        ) && let Some((cause, _)) = causes
            .list
            .iter_mut()
            .find(|(known, _)| known.id == weight.cause)
        {
            cause.weight = weight.weight;
        }
    }
}

fn check_cause(cause: &Cause, spot: &Spot<'_>, known: &Known, remarks: &mut Vec<RuleRemark>) {
    if !(cause.weight > 0.0 && cause.weight.is_finite()) {
        remarks.push(spot.remark(".weight", "weight", "must be above 0", Vec::new()));
    }
    for (name, value) in [
        ("minutes", cause.repair.minutes),
        ("parts", cause.repair.parts),
    ] {
        if !(value >= 0.0 && value.is_finite()) {
            let inside = format!(".repair.{name}");
            remarks.push(spot.remark(&inside, name, "must be 0 or more", Vec::new()));
        }
    }
    for (index, caution) in cause.cautions.iter().enumerate() {
        let inside = format!(".cautions[{index}]");
        resolve(caution, &known.cautions, "caution", &inside, spot, remarks);
    }
    if cause.shows.is_empty() {
        let words = "shows nothing, so it could never be told from the others";
        remarks.push(spot.remark(".shows", &cause.id, words, Vec::new()));
    }
    let mut seen = BTreeSet::new();
    for (index, link) in cause.shows.iter().enumerate() {
        let inside = format!(".shows[{index}]");
        let finding = format!("{inside}.finding");
        resolve(
            &link.finding,
            &known.findings,
            "finding",
            &finding,
            spot,
            remarks,
        );
        if !(link.strength > 0.0 && link.strength <= 1.0) {
            let words = "the strength must be above 0 and at most 1";
            remarks.push(spot.remark(
                &format!("{inside}.strength"),
                &link.finding,
                words,
                Vec::new(),
            ));
        }
        if !seen.insert((&link.finding, link.at as u8)) {
            let words = format!("{} is there twice", link.finding);
            remarks.push(spot.remark(&inside, &link.finding, words, Vec::new()));
        }
    }
}

fn check_finding(
    finding: &FindingRule,
    spot: &Spot<'_>,
    known: &Known,
    remarks: &mut Vec<RuleRemark>,
) {
    if !(finding.leak > 0.0 && finding.leak < 1.0) {
        remarks.push(spot.remark(".leak", "leak", "must be above 0 and below 1", Vec::new()));
    }
    let mut see = |condition: &Condition, at: &str| match condition {
        Condition::Code(code) => {
            for (index, nature) in code.natures.iter().enumerate() {
                let inside = format!("{at}.natures[{index}]");
                resolve(nature, &known.natures, "nature", &inside, spot, remarks);
            }
        }
        Condition::Check(check) => check_result(check, at, finding, spot, known, remarks),
        Condition::All(parts) | Condition::Any(parts) if parts.is_empty() => {
            remarks.push(spot.remark(at, "when", "an empty list says nothing", Vec::new()));
        }
        Condition::Voltage(voltage) if voltage.below.is_none() && voltage.above.is_none() => {
            remarks.push(spot.remark(at, "voltage", "has no limit", Vec::new()));
        }
        _ => {}
    };
    finding.when.walk_paths(".when", &mut see);
    if let Some(moot) = &finding.moot {
        moot.walk_paths(".moot", &mut see);
    }
}

fn check_result(
    condition: &CheckCondition,
    at: &str,
    finding: &FindingRule,
    spot: &Spot<'_>,
    known: &Known,
    remarks: &mut Vec<RuleRemark>,
) {
    let Some(check) = known.checks.get(&condition.id) else {
        let message = format!("there is no check {:?}", condition.id);
        let possible = known.checks.keys().cloned().collect();
        remarks.push(spot.remark(&format!("{at}.id"), &condition.id, message, possible));
        return;
    };
    if check.place != finding.place {
        let message = format!(
            "the check {} is of a {}, the finding of a {}",
            check.id,
            check.place.id(),
            finding.place.id()
        );
        remarks.push(spot.remark(
            ".place",
            "place",
            message,
            vec![check.place.id().to_owned()],
        ));
    }
    for (index, result) in condition.results.iter().enumerate() {
        let results: Vec<String> = check
            .results
            .iter()
            .map(|result| result.id.clone())
            .collect();
        let inside = format!("{at}.results[{index}]");
        resolve(result, &results, "result", &inside, spot, remarks);
    }
    let limits = [
        condition.below,
        condition.above,
        condition.from,
        condition.to,
    ];
    let limited = limits.iter().any(Option::is_some);
    let message = match (&check.value, condition.results.is_empty(), limited) {
        (Some(_), true, true) | (None, false, false) => return,
        (Some(_), ..) => "this check has a value: give below, above, or from and to",
        (None, ..) => "this check has results in words: give results",
    };
    remarks.push(spot.remark(at, &condition.id, message, Vec::new()));
}

fn check_check(check: &CheckRule, spot: &Spot<'_>, known: &Known, remarks: &mut Vec<RuleRemark>) {
    if !(check.minutes > 0.0 && check.minutes.is_finite()) {
        remarks.push(spot.remark(".minutes", "minutes", "must be above 0", Vec::new()));
    }
    if !(check.money >= 0.0 && check.money.is_finite()) {
        remarks.push(spot.remark(".money", "money", "must be 0 or more", Vec::new()));
    }
    for (name, empty) in [
        ("steps", check.steps.is_empty()),
        ("expect", check.expect.is_empty()),
    ] {
        if empty {
            remarks.push(spot.remark(&format!(".{name}"), name, "must not be empty", Vec::new()));
        }
    }
    for (index, caution) in check.cautions.iter().enumerate() {
        let inside = format!(".cautions[{index}]");
        resolve(caution, &known.cautions, "caution", &inside, spot, remarks);
    }
    if let Some(value) = &check.value {
        if !check.results.is_empty() {
            let words = "has both results in words and a value";
            remarks.push(spot.remark(".results", "results", words, Vec::new()));
        }
        let ends: Vec<f64> = value.bands.iter().filter_map(|band| band.up_to).collect();
        let rising = ends.is_sorted_by(|a, b| a < b);
        let open = value.bands.last().is_some_and(|band| band.up_to.is_none());
        if value.bands.len() < 2 || ends.len() + 1 != value.bands.len() || !rising || !open {
            let words = "bands must rise, two or more, and only the last one has no up_to";
            remarks.push(spot.remark(".value.bands", "bands", words, Vec::new()));
        }
    } else {
        let ids: BTreeSet<&String> = check.results.iter().map(|result| &result.id).collect();
        if ids.len() < 2 || ids.len() != check.results.len() {
            let words = "needs two different results or more, or a value";
            remarks.push(spot.remark(".results", &check.id, words, Vec::new()));
        }
    }
}

fn check_safety(safety: &Entries<'_, SafetyRule>, known: &Known, remarks: &mut Vec<RuleRemark>) {
    for (rule, spot) in &safety.list {
        if rule.finding.is_none() && rule.cause.is_none() {
            let words = "needs a finding or a cause";
            remarks.push(spot.remark("", &rule.id, words, Vec::new()));
        }
        if let Some(finding) = &rule.finding {
            resolve(
                finding,
                &known.findings,
                "finding",
                ".finding",
                spot,
                remarks,
            );
        }
        if let Some(cause) = &rule.cause {
            resolve(cause, &known.causes, "cause", ".cause", spot, remarks);
        }
        if !(0.0..=1.0).contains(&rule.probability) {
            remarks.push(spot.remark(
                ".probability",
                "probability",
                "must be from 0 to 1",
                Vec::new(),
            ));
        }
    }
}

fn check_natures(natures: &Entries<'_, Nature>, remarks: &mut Vec<RuleRemark>) {
    let mut bytes: BTreeMap<(String, u8), &str> = BTreeMap::new();
    for (nature, spot) in &natures.list {
        let shared = nature
            .failure_types
            .iter()
            .map(|&byte| (String::new(), byte));
        let others = nature.other_types.iter().flat_map(|types| {
            let numbering = types.numbering.clone();
            types
                .bytes
                .iter()
                .map(move |&byte| (numbering.clone(), byte))
        });
        for (numbering, byte) in shared.chain(others) {
            if let Some(other) = bytes.insert((numbering, byte), &nature.id) {
                let words = format!("0x{byte:02X} already belongs to {other}");
                remarks.push(spot.remark("", &nature.id, words, Vec::new()));
            }
        }
    }
}

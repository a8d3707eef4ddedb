//! A rule set explained to a person: what an identifier stands for, what it rests on, and what rests on it.

use std::fmt::Write as _;

use super::{
    At, Cause, Caution, CheckCondition, CheckRule, CodeCondition, Condition, FindingRule,
    MeasureCondition, Nature, Rules, SafetyRule, SensorWord,
};

/// A paragraph of an explanation.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Paragraph {
    /// A heading.
    Heading(String),
    /// Running text.
    Text(String),
    /// A point of a list.
    Point(String),
}

use Paragraph::{Heading, Point, Text};

impl Rules {
    /// What an identifier stands for; empty when no entry has it.
    pub fn explain(&self, id: &str) -> Vec<Paragraph> {
        let mut out = Vec::new();
        if let Some(cause) = self.cause(id) {
            self.explain_cause(cause, &mut out);
        }
        if let Some(finding) = self.finding(id) {
            self.explain_finding(finding, &mut out);
        }
        if let Some(check) = self.check(id) {
            self.explain_check(check, &mut out);
        }
        if let Some(caution) = self.caution(id) {
            self.explain_caution(caution, &mut out);
        }
        if let Some(nature) = self.natures.iter().find(|nature| nature.id == id) {
            explain_nature(nature, &mut out);
        }
        if let Some(rule) = self.safety.iter().find(|rule| rule.id == id) {
            explain_safety(rule, &mut out);
        }
        out
    }

    /// Every identifier that [`Rules::explain`] knows, in the order of the files.
    pub fn ids(&self) -> Vec<&str> {
        let causes = self.causes.iter().map(|entry| entry.id.as_str());
        let findings = self.findings.iter().map(|entry| entry.id.as_str());
        let checks = self.checks.iter().map(|entry| entry.id.as_str());
        let cautions = self.cautions.iter().map(|entry| entry.id.as_str());
        let natures = self.natures.iter().map(|entry| entry.id.as_str());
        let safety = self.safety.iter().map(|entry| entry.id.as_str());
        causes
            .chain(findings)
            .chain(checks)
            .chain(cautions)
            .chain(natures)
            .chain(safety)
            .collect()
    }

    fn explain_cause(&self, cause: &Cause, out: &mut Vec<Paragraph>) {
        out.push(Heading(format!("Cause {}: {}", cause.id, cause.name)));
        out.push(Text(cause.summary.clone()));
        out.push(Text(format!(
            "Before any evidence: {:.2} % at each {} (weight {}). Repair: {}, about {} minutes and {} for parts.",
            self.prior(cause) * 100.0,
            cause.place.id(),
            cause.weight,
            cause.work.id(),
            cause.repair.minutes,
            cause.repair.parts
        )));
        if cause.last_resort {
            out.push(Text("Blamed last: checks and repairs of the other causes come before it, whatever the arithmetic says.".to_owned()));
        }
        if cause.alone {
            out.push(Text(
                "Stands alone: never together with another cause.".to_owned(),
            ));
        }
        out.push(Heading("It shows in".to_owned()));
        let mut links: Vec<_> = cause.shows.iter().collect();
        links.sort_by(|a, b| b.strength.total_cmp(&a.strength));
        for link in links {
            let Some(finding) = self.finding(&link.finding) else {
                continue;
            };
            out.push(Point(format!(
                "{:.1} % of its cases{}: {} ({}); without any cause {} %",
                link.strength * 100.0,
                at_words(link.at),
                plain(&finding.holds),
                finding.id,
                percent(finding.leak)
            )));
        }
        let checks = self.checks_that_tell(cause);
        if !checks.is_empty() {
            out.push(Heading("Checks by hand that bear on it".to_owned()));
            for check in checks {
                out.push(Point(format!(
                    "{} ({}), {} minutes",
                    check.name, check.id, check.minutes
                )));
            }
        }
        self.caution_points(&cause.cautions, out);
        out.push(Text(format!("Source: {}.", cause.source)));
    }

    /// The checks that settle a finding which this cause brings about.
    pub fn checks_that_tell(&self, cause: &Cause) -> Vec<&CheckRule> {
        let mut ids: Vec<&str> = Vec::new();
        for link in &cause.shows {
            if let Some(finding) = self.finding(&link.finding) {
                finding.when.walk(&mut |condition| {
                    if let Condition::Check(check) = condition
                        && !ids.contains(&check.id.as_str())
                    {
                        ids.push(&check.id);
                    }
                });
            }
        }
        ids.into_iter().filter_map(|id| self.check(id)).collect()
    }

    fn explain_finding(&self, finding: &FindingRule, out: &mut Vec<Paragraph>) {
        out.push(Heading(format!(
            "Finding {}: {}",
            finding.id,
            plain(&finding.holds)
        )));
        out.push(Text(format!(
            "One at each {}. It holds when {}.",
            finding.place.id(),
            condition_words(&finding.when)
        )));
        if let Some(moot) = &finding.moot {
            out.push(Text(format!(
                "It is left out when another finding already says the same: when {}.",
                condition_words(moot)
            )));
        }
        out.push(Text(format!(
            "Without any of the causes it holds in {} % of the vehicles.",
            percent(finding.leak)
        )));
        out.push(Heading("Causes that bring it about".to_owned()));
        let mut causes: Vec<(f64, At, &Cause)> = self
            .causes
            .iter()
            .flat_map(|cause| cause.shows.iter().map(move |link| (link, cause)))
            .filter(|(link, _)| link.finding == finding.id)
            .map(|(link, cause)| (link.strength, link.at, cause))
            .collect();
        causes.sort_by(|a, b| b.0.total_cmp(&a.0));
        for (strength, at, cause) in causes {
            out.push(Point(format!(
                "{} ({}): in {:.1} % of its cases{}",
                cause.name,
                cause.id,
                strength * 100.0,
                at_words(at)
            )));
        }
        out.push(Text(format!("Source: {}.", finding.source)));
    }

    fn explain_check(&self, check: &CheckRule, out: &mut Vec<Paragraph>) {
        out.push(Heading(format!("Check {}: {}", check.id, check.name)));
        let tools = if check.tools.is_empty() {
            "none".to_owned()
        } else {
            check.tools.join(", ")
        };
        out.push(Text(format!(
            "One at each {}. About {} minutes, {}. Tools: {tools}.",
            check.place.id(),
            check.minutes,
            check.work.id()
        )));
        out.push(Heading("How".to_owned()));
        out.extend(check.steps.iter().cloned().map(Point));
        out.push(Heading("Expected on a sound vehicle".to_owned()));
        for expect in &check.expect {
            let kind = expect.sensor.map(|kind| format!("{} sensor: ", kind.id()));
            let kind = kind.unwrap_or_default();
            out.push(Point(format!("{kind}{}", expect.words)));
        }
        out.push(Heading("What a result means".to_owned()));
        for result in &check.results {
            out.push(Point(format!("{}: {}", result.id, result.means)));
        }
        if let Some(value) = &check.value {
            let mut low: Option<f64> = None;
            for band in &value.bands {
                let symbol = value.unit.symbol();
                let range = match (low, band.up_to) {
                    (None, Some(high)) => format!("up to {high} {symbol}"),
                    (Some(low), Some(high)) => format!("{low} to {high} {symbol}"),
                    (Some(low), None) => format!("above {low} {symbol}"),
                    (None, None) => "any".to_owned(),
                };
                out.push(Point(format!("{range}: {}", band.means)));
                low = band.up_to;
            }
            out.push(Text(format!(
                "In notes its reading is {}.",
                value.unit.key()
            )));
        }
        self.caution_points(&check.cautions, out);
        out.push(Text(format!("Source: {}.", check.source)));
    }

    fn explain_caution(&self, caution: &Caution, out: &mut Vec<Paragraph>) {
        out.push(Heading(format!("Caution {}", caution.id)));
        out.push(Text(caution.words.clone()));
        let of = |ids: &[String]| ids.contains(&caution.id);
        let causes = self.causes.iter().filter(|cause| of(&cause.cautions));
        let checks = self.checks.iter().filter(|check| of(&check.cautions));
        let users: Vec<&str> = causes
            .map(|cause| cause.id.as_str())
            .chain(checks.map(|check| check.id.as_str()))
            .collect();
        if caution.always {
            out.push(Text("Stands in every report.".to_owned()));
        } else {
            out.push(Text(format!("Printed with: {}.", users.join(", "))));
        }
        out.push(Text(format!("Source: {}.", caution.source)));
    }

    fn caution_points(&self, ids: &[String], out: &mut Vec<Paragraph>) {
        if !ids.is_empty() {
            out.push(Heading("Cautions".to_owned()));
            out.extend(self.caution_words(ids).into_iter().map(Point));
        }
    }
}

fn explain_nature(nature: &Nature, out: &mut Vec<Paragraph>) {
    out.push(Heading(format!("Nature {}: {}", nature.id, nature.words)));
    let hex = |bytes: &[u8]| {
        let mut text = String::new();
        for byte in bytes {
            let _ = write!(text, " {byte:02X}");
        }
        text
    };
    if !nature.failure_types.is_empty() {
        out.push(Text(format!(
            "Failure types:{}.",
            hex(&nature.failure_types)
        )));
    }
    for other in &nature.other_types {
        out.push(Text(format!(
            "Third bytes of {}:{}.",
            other.numbering,
            hex(&other.bytes)
        )));
    }
    if !nature.kinds.is_empty() {
        out.push(Text(format!(
            "Kinds of the code lists, where the third byte says nothing: {}.",
            nature.kinds.join(", ")
        )));
    }
    out.push(Text(format!("Source: {}.", nature.source)));
}

fn explain_safety(rule: &SafetyRule, out: &mut Vec<Paragraph>) {
    let urgency = match rule.urgency {
        super::UrgencyWord::DoNotDrive => "do not drive",
        super::UrgencyWord::DriveWithCare => "drive with care",
    };
    out.push(Heading(format!("Safety rule {}: {urgency}", rule.id)));
    out.push(Text(rule.reason.clone()));
    if let Some(finding) = &rule.finding {
        out.push(Point(format!(
            "the finding {finding} holds at {} place(s) or more",
            rule.places
        )));
    }
    if let Some(cause) = &rule.cause {
        out.push(Point(format!(
            "the cause {cause} has {} % or more",
            percent(rule.probability)
        )));
    }
    out.push(Text(format!("Source: {}.", rule.source)));
}

const fn at_words(at: At) -> &'static str {
    match at {
        At::Here => "",
        At::Opposite => ", at the opposite wheel",
        At::Others => ", at the other wheels",
        At::All => ", everywhere",
    }
}

/// A sentence of a finding for no place in particular.
fn plain(sentence: &str) -> String {
    sentence
        .replace("the {place} wheel", "a wheel")
        .replace("the {place}", "a")
        .replace("{place}", "its")
}

fn percent(probability: f64) -> String {
    let percent = probability * 100.0;
    if percent >= 1.0 {
        format!("{percent:.0}")
    } else {
        format!("{percent:.2}")
    }
}

/// A condition in words.
fn condition_words(condition: &Condition) -> String {
    let list = |parts: &[Condition], word: &str| {
        let parts: Vec<String> = parts.iter().map(condition_words).collect();
        parts.join(word)
    };
    match condition {
        Condition::Code(code) => code_words(code),
        Condition::Silent(super::SilentCondition {
            who,
            requests: Some(requests),
            ..
        }) => format!(
            "{} gave no answer to {requests} requests or more that it had answered before",
            match who {
                super::Whose::Brakes => "the brake module",
                super::Whose::Others => "another module",
                super::Whose::Any => "a module",
            }
        ),
        Condition::Silent(silent) => match silent.who {
            super::Whose::Brakes => "the brake module was asked and never answered".to_owned(),
            super::Whose::Others => {
                format!(
                    "{} or more other modules were asked and never answered",
                    silent.modules
                )
            }
            super::Whose::Any => {
                format!(
                    "{} or more modules were asked and never answered",
                    silent.modules
                )
            }
        },
        Condition::Cleared(cleared) if cleared.come_back => {
            "codes were cleared and came back".to_owned()
        }
        Condition::Cleared(_) => "codes were cleared, read again, and had not come back".to_owned(),
        Condition::Voltage(voltage) => {
            let of = match voltage.of {
                super::VoltageOf::Supply => "the voltage at the ABS module",
                super::VoltageOf::Battery => "the voltage elsewhere",
                super::VoltageOf::SupplyOrBattery => "the voltage",
                super::VoltageOf::SupplyDrop => "what the ABS module lacks against the rest",
            };
            let below = voltage.below.map(|limit| format!("below {limit} V"));
            let above = voltage.above.map(|limit| format!("above {limit} V"));
            let limits: Vec<String> = below.into_iter().chain(above).collect();
            format!(
                "{of} is {} for {} s at a stretch",
                limits.join(" or "),
                voltage.for_s
            )
        }
        Condition::Signal(signal) => format!(
            "the signal {} is on in more than {} % of its samples",
            match signal.name {
                super::SwitchSignal::FluidLow => "fluid low",
                super::SwitchSignal::BrakeSwitch => "brake switch",
                super::SwitchSignal::AbsActive => "ABS active",
            },
            percent(signal.on_more_than)
        ),
        Condition::Bus(bus) => format!(
            "{} error frames or more, above {} % of all frames",
            bus.errors,
            percent(bus.error_share)
        ),
        Condition::Frames(frames) => match frames.state {
            super::FramesWord::Pausing => format!(
                "the frames with the wheel speeds pause {} times or more while others go on",
                frames.pauses
            ),
            super::FramesWord::Absent => format!(
                "no frame with wheel speeds comes in {} s in which others do",
                frames.at_least_s
            ),
        },
        Condition::Measure(measure) => measure_words(measure),
        Condition::Check(check) => check_words(check),
        Condition::All(parts) => list(parts, ", and "),
        Condition::Any(parts) => list(parts, ", or "),
        Condition::Not(part) => format!("not: {}", condition_words(part)),
    }
}

fn code_words(code: &CodeCondition) -> String {
    let whose = match code.from {
        super::Whose::Brakes => "the brake module",
        super::Whose::Others => "another module",
        super::Whose::Any => "a module",
    };
    let state = match code.state {
        super::CodeStateWord::Present => "reports",
        super::CodeStateWord::Remembered => "remembers",
        super::CodeStateWord::Untested => "remembers, not tested since the key was turned on,",
        super::CodeStateWord::Either => "reports or remembers",
    };
    let mut words = format!("{whose} {state} a code");
    if !code.components.is_empty() {
        let _ = write!(words, " for {}", code.components.join(", "));
    }
    if !code.natures.is_empty() {
        let _ = write!(words, " of the nature {}", code.natures.join(", "));
    }
    if code.modules > 1 {
        let _ = write!(words, ", from {} modules or more", code.modules);
    }
    if let Some(most) = code.modules_at_most {
        let _ = write!(words, ", from {most} module(s) at most");
    }
    if code.parts > 1 {
        let _ = write!(words, ", for {} parts or more", code.parts);
    }
    if code.wheels > 1 {
        let _ = write!(words, ", for {} wheels or more", code.wheels);
    }
    if let Some(most) = code.wheels_at_most {
        let _ = write!(
            words,
            "; not observable when it names more than {most} wheels"
        );
    }
    if code.exclusive {
        words.push_str("; not observable beside another code for the same part");
    }
    if code.only_when_there {
        words.push_str("; not observable without one");
    }
    if code.typed {
        words.push_str("; not observable without one where no code has a failure type");
    }
    words
}

fn measure_words(measure: &MeasureCondition) -> String {
    let mut words = format!("the wheel measure {} shows it", measure.name);
    if let Some(above) = measure.above {
        let _ = write!(words, ", above {above}");
    }
    if let Some(below) = measure.below {
        let _ = write!(words, ", below {below}");
    }
    if let Some(sensor) = measure.sensor {
        let _ = write!(
            words,
            "; that it does not says something of {} sensors only",
            sensor.id()
        );
    }
    words
}

fn check_words(check: &CheckCondition) -> String {
    let mut parts = Vec::new();
    if !check.results.is_empty() {
        parts.push(format!("gives {}", check.results.join(" or ")));
    }
    if let Some(limit) = check.below {
        parts.push(format!("reads below {limit}"));
    }
    if let Some(limit) = check.above {
        parts.push(format!("reads above {limit}"));
    }
    if check.from.is_some() || check.to.is_some() {
        let end = |value: Option<f64>, otherwise: &str| {
            value.map_or_else(|| otherwise.to_owned(), |value| value.to_string())
        };
        parts.push(format!(
            "reads {} to {}",
            end(check.from, "0"),
            end(check.to, "any value")
        ));
    }
    let sensor = check.sensor.map(|kind| {
        let article = match kind {
            SensorWord::Active => "an",
            SensorWord::Passive => "a",
        };
        format!(" on {article} {} sensor", kind.id())
    });
    let sensor = sensor.unwrap_or_default();
    format!("the check {} {}{sensor}", check.id, parts.join(" or "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn everything_can_be_explained() {
        let rules = Rules::built_in().unwrap();
        for id in rules.ids() {
            let paragraphs = rules.explain(id);
            assert!(paragraphs.len() >= 2, "{id}");
            for paragraph in paragraphs {
                let (Heading(text) | Text(text) | Point(text)) = paragraph;
                assert!(!text.contains('{') && !text.contains("  "), "{id}: {text}");
            }
        }
        assert!(rules.explain("no-such-thing").is_empty());
    }

    #[test]
    fn a_cause_names_its_findings_and_its_checks() {
        let rules = Rules::built_in().unwrap();
        let text = format!("{:?}", rules.explain("sensor-circuit"));
        for part in [
            "wheel-code-electrical",
            "sensor-wiring-test",
            "Source: published",
        ] {
            assert!(text.contains(part), "{part} not in {text}");
        }
        let text = format!("{:?}", rules.explain("wiring-bad"));
        assert!(
            text.contains("the check sensor-wiring-test gives open or short"),
            "{text}"
        );
    }
}

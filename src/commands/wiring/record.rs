//! The record of a commissioning: what was checked, figure by figure, what is open, and who signed it.

use std::io::{self, Write};

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

/// The act under which the journal keeps one.
pub(in crate::commands) const ACT: &str = crate::journal::read::COMMISSIONING;

/// What was found out about one enclosure.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Record {
    /// The enclosure's id.
    pub enclosure: String,
    /// When it began.
    pub began: DateTime<Utc>,
    /// When it ended.
    pub ended: DateTime<Utc>,
    /// Who did it.
    pub by: String,
    /// Whether they signed for what is in it.
    pub signed: bool,
    /// The program's version.
    pub version: String,
    /// Each probe of the enclosure.
    pub probes: Vec<ProbeLine>,
    /// Each lamp of the enclosure.
    pub lamps: Vec<LampLine>,
    /// What is wrong, and open.
    pub findings: Vec<FindingLine>,
}

/// How a probe was found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ProbeLine {
    /// Its name.
    pub probe: String,
    /// What it said last with every lamp off, kept unit.
    pub value: Option<f64>,
    /// The kept unit.
    pub unit: String,
    /// How often it speaks, s.
    pub every_s: Option<f64>,
    /// The longest it was silent, s.
    pub longest_gap_s: Option<f64>,
    /// The probe that rose when this one was taken into the hand.
    pub rose_in_hand: Option<String>,
    /// The lamps that it answered.
    pub answered: Vec<String>,
}

/// How a lamp was found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct LampLine {
    /// Its name.
    pub lamp: String,
    /// Whether it was tried, and how that ended.
    pub outcome: String,
    /// How long it was on, s.
    pub on_s: f64,
    /// How long it took to report on, s.
    pub reported_on_s: Option<f64>,
    /// Whether it reported off.
    pub reported_off: bool,
    /// What a person saw: `right`, `other` or `nothing`; none: nobody looked.
    pub seen: Option<String>,
    /// Every probe that answered.
    pub answers: Vec<AnswerLine>,
    /// Its response to a step.
    pub step: Option<StepLine>,
    /// Figures proposed.
    pub proposed: Vec<FigureLine>,
    /// What to know beside.
    pub notes: Vec<String>,
}

/// A probe that answered.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct AnswerLine {
    /// Enclosure and name.
    pub probe: String,
    /// Whether it is one that should.
    pub expected: bool,
    /// By how much, kept unit.
    pub change: f64,
    /// The kept unit.
    pub unit: String,
    /// After how long, s.
    pub after_s: f64,
}

/// A first-order response with dead time.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct StepLine {
    /// Enclosure and name of the probe.
    pub probe: String,
    /// Where it stood, °C.
    pub start_c: f64,
    /// How far full level moves it in the long run, K, with its standard error.
    pub gain_k: f64,
    /// Standard error of the gain, K.
    pub gain_error_k: Option<f64>,
    /// Time constant, s.
    pub time_constant_s: f64,
    /// Standard error of the time constant, s.
    pub time_constant_error_s: Option<f64>,
    /// Dead time, s.
    pub dead_time_s: f64,
    /// Standard error of the dead time, s.
    pub dead_time_error_s: Option<f64>,
    /// Standard deviation of a reading about the response, K.
    pub scatter_k: f64,
    /// For how many time constants it was seen.
    pub time_constants_seen: f64,
    /// The hottest reading, °C.
    pub hottest_c: f64,
    /// How many readings.
    pub readings: usize,
}

/// A figure that is proposed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct FigureLine {
    /// The table it goes into, such as `enclosure.lamps.heat`.
    pub table: String,
    /// The key.
    pub key: String,
    /// The value as TOML.
    pub value: String,
    /// What it is now.
    pub now: String,
    /// Why.
    pub why: String,
    /// The file.
    pub file: Option<String>,
    /// The line.
    pub line: Option<usize>,
}

/// Something that is wrong.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct FindingLine {
    /// What kind.
    pub kind: String,
    /// What a person is told.
    pub text: String,
    /// What to change.
    pub changes: Vec<ChangeLine>,
}

/// What to change.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ChangeLine {
    /// Enclosure and table, such as `e1 probes.basking`.
    pub of: String,
    /// The key.
    pub key: String,
    /// What it should say.
    pub to: String,
    /// The file.
    pub file: Option<String>,
    /// The line.
    pub line: Option<usize>,
}

/// `file:line`, as far as it is known.
fn at(file: Option<&str>, line: Option<usize>) -> String {
    match (file, line) {
        (Some(file), Some(line)) => format!("{file}:{line}"),
        _ => String::from("the configuration"),
    }
}

impl Record {
    /// For a person.
    pub(super) fn write_text(&self, zone: Tz, out: &mut impl Write) -> io::Result<()> {
        let time = |time: DateTime<Utc>| time.with_timezone(&zone).format("%Y-%m-%d %H:%M").to_string();
        writeln!(
            out,
            "commissioning of {}, {} to {}, by {}",
            self.enclosure,
            time(self.began),
            time(self.ended),
            self.by
        )?;
        for line in &self.probes {
            line.write(out)?;
        }
        for line in &self.lamps {
            line.write(out)?;
        }
        for finding in &self.findings {
            finding.write(out)?;
        }
        let open = match self.findings.len() {
            0 => "nothing is open".to_owned(),
            1 => "1 finding is open".to_owned(),
            many => format!("{many} findings are open"),
        };
        let signed = if self.signed { format!("signed off by {}", self.by) } else { "not signed".to_owned() };
        writeln!(out, "{open}; {signed}")
    }

    /// The figures as TOML to be pasted, table by table; nothing where none are proposed.
    pub(super) fn write_toml(&self, out: &mut impl Write) -> io::Result<()> {
        let figures: Vec<&FigureLine> = self.lamps.iter().flat_map(|lamp| &lamp.proposed).collect();
        if figures.is_empty() {
            return Ok(());
        }
        writeln!(
            out,
            "\n# Proposed for {}, from how it warmed today. Read each, then paste it under its table, in the place of",
            self.enclosure
        )?;
        writeln!(out, "# what stands there. Nothing is written by itself.")?;
        let mut table = None;
        for figure in figures {
            if table != Some(&figure.table) {
                table = Some(&figure.table);
                writeln!(out, "\n# {} ({})", figure.table, at(figure.file.as_deref(), figure.line))?;
            }
            writeln!(out, "{} = {}  # now {}; {}", figure.key, figure.value, figure.now, figure.why)?;
        }
        writeln!(out)
    }
}

impl ProbeLine {
    fn write(&self, out: &mut impl Write) -> io::Result<()> {
        let number =
            |value: Option<f64>, unit: &str| value.map_or("silent".to_owned(), |value| format!("{value:.1} {unit}"));
        write!(out, "  probe {}: {}", self.probe, number(self.value, &self.unit).trim_end())?;
        if let (Some(every), Some(longest)) = (self.every_s, self.longest_gap_s) {
            write!(out, ", every {every:.1} s, silent for {longest:.1} s at most")?;
        }
        if let Some(rose) = &self.rose_in_hand {
            write!(out, ", felt in the hand as {rose}")?;
        }
        match &self.answered[..] {
            [] => write!(out, ", answered no lamp")?,
            lamps => write!(out, ", answered {}", lamps.join(", "))?,
        }
        writeln!(out)
    }
}

impl LampLine {
    fn write(&self, out: &mut impl Write) -> io::Result<()> {
        write!(out, "  lamp {}: {}", self.lamp, self.outcome)?;
        if self.on_s > 0.0 {
            write!(out, ", on for {:.0} s", self.on_s)?;
        }
        if let Some(seconds) = self.reported_on_s {
            write!(out, ", reported on after {seconds:.1} s{}", if self.reported_off { " and off" } else { "" })?;
        }
        if let Some(seen) = &self.seen {
            write!(out, ", seen: {seen}")?;
        }
        writeln!(out)?;
        for answer in &self.answers {
            let mark = if answer.expected { "  " } else { " (" };
            let end = if answer.expected { "" } else { ")" };
            let (probe, change, unit, after) = (&answer.probe, answer.change, &answer.unit, answer.after_s);
            writeln!(out, "   {mark}{probe} answered after {after:.1} s, by {change:+.1} {unit}{end}")?;
        }
        if let Some(step) = &self.step {
            let plus = |error: Option<f64>| error.map_or(String::new(), |error| format!(" ± {error:.1}"));
            writeln!(
                out,
                "     response of {}: gain {:.1}{} K, time constant {:.0}{} s, dead time {:.0}{} s; {} readings over {:.1} time \
                 constants, {:.2} K about it, {:.1} °C at most",
                step.probe,
                step.gain_k,
                plus(step.gain_error_k),
                step.time_constant_s,
                plus(step.time_constant_error_s),
                step.dead_time_s,
                plus(step.dead_time_error_s),
                step.readings,
                step.time_constants_seen,
                step.scatter_k,
                step.hottest_c
            )?;
        }
        for figure in &self.proposed {
            writeln!(out, "     proposed: {} = {} (now {})", figure.key, figure.value, figure.now)?;
        }
        self.notes.iter().try_for_each(|note| writeln!(out, "     note: {note}"))
    }
}

impl FindingLine {
    fn write(&self, out: &mut impl Write) -> io::Result<()> {
        writeln!(out, "! {}: {}", self.kind, self.text)?;
        self.changes.iter().try_for_each(|change| {
            let place = at(change.file.as_deref(), change.line);
            writeln!(out, "    {place}: {}: `{}` should be {}", change.of, change.key, change.to)
        })
    }
}

//! What a walk has found, as the lines of its record.

use chrono::{DateTime, Utc};

use crate::commissioning::{
    self, Answer, Change, Ended, Figure, Finding, LampAt, Outcome, Place, ProbeAt, Proposal, Seen, Step, Track,
};
use crate::config::Locator;
use crate::settings::{EnclosureIx, Measures, Settings};

use super::record::{AnswerLine, ChangeLine, FigureLine, FindingLine, LampLine, ProbeLine, Record, StepLine};
use super::room::Room;
use super::voice::Reply;
use super::walk::Walk;

impl Walk<'_> {
    /// The records, signed or not.
    pub(super) async fn records(
        &mut self,
        locator: &Locator<'_>,
        room: &mut Room<'_>,
        ended: DateTime<Utc>,
    ) -> Vec<Record> {
        let findings: Vec<FindingLine> = self.findings.iter().map(|finding| self.finding(locator, finding)).collect();
        let mut records: Vec<Record> =
            self.options.enclosures.iter().map(|&e| self.record(locator, e, ended, &findings)).collect();
        for record in records.iter_mut() {
            let mut text = Vec::new();
            // Into memory, which does not fail.
            let _ = record.write_text(self.settings.site.timezone, &mut text);
            self.voice.say(&format!("\n{}", String::from_utf8_lossy(&text)));
            record.signed = match self.options.yes {
                true => self.options.signed,
                false => {
                    let question = format!("Do you, {}, sign off this record of {}?", record.by, record.enclosure);
                    self.voice.ask(room, &question).await == Reply::Yes
                }
            };
        }
        records
    }

    fn record(&self, locator: &Locator<'_>, e: EnclosureIx, ended: DateTime<Utc>, findings: &[FindingLine]) -> Record {
        let enclosure = &self.settings.enclosures[e.0];
        let probes = self.probes(e).map(|at| self.probe_line(at)).collect();
        let lamps = self.lamps().into_iter().filter(|at| at.0 == e).map(|at| self.lamp_line(locator, at)).collect();
        Record {
            enclosure: enclosure.id.clone(),
            began: self.began,
            ended,
            by: self.options.by.clone(),
            signed: false,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            probes,
            lamps,
            findings: findings.to_vec(),
        }
    }

    fn probe_line(&self, at: ProbeAt) -> ProbeLine {
        let probe = &self.settings.enclosures[at.0.0].probes[at.1.0];
        let track = self.rest.get(&at);
        let gaps = track.and_then(Track::gaps);
        let hand = self.hands.iter().find(|hand| hand.asked == at);
        ProbeLine {
            probe: probe.name.clone(),
            value: track.and_then(|track| track.last()).map(|(_, value)| tidy(value)),
            unit: probe.measures.unit().to_owned(),
            every_s: gaps.map(|(gap, _)| tidy(gap.as_secs_f64())),
            longest_gap_s: gaps.map(|(_, longest)| tidy(longest.as_secs_f64())),
            answered: self
                .tried
                .iter()
                .filter(|(outcome, _)| outcome.answers.contains_key(&at))
                .map(|(outcome, _)| commissioning::lamp_name(self.settings, outcome.lamp))
                .collect(),
            rose_in_hand: hand.and_then(|hand| Some(commissioning::probe_name(self.settings, hand.rose?))),
        }
    }

    fn lamp_line(&self, locator: &Locator<'_>, at: LampAt) -> LampLine {
        let lamp = self.settings.enclosures[at.0.0].lamps[at.1.0].name.clone();
        let Some((outcome, seen)) = self.tried.iter().find(|(outcome, _)| outcome.lamp == at) else {
            let outcome = self.stood.get(&at).cloned().unwrap_or_else(|| "not reached".to_owned());
            return LampLine { lamp, outcome, ..LampLine::default() };
        };
        let answer = |(probe, answer): (&ProbeAt, &Answer)| AnswerLine {
            probe: commissioning::probe_name(self.settings, *probe),
            expected: outcome.expected.contains(probe),
            change: tidy(answer.change),
            unit: match self.settings.enclosures[probe.0.0].probes[probe.1.0].measures {
                Measures::Temperature => "K".to_owned(),
                other => other.unit().to_owned(),
            },
            after_s: tidy(answer.delay.as_secs_f64()),
        };
        let proposal = self.proposals.get(&at);
        let seen = seen.map(|seen| match seen {
            Seen::Right => "right",
            Seen::Other(_) => "other",
            Seen::Nothing => "nothing",
        });
        LampLine {
            lamp,
            outcome: words(self.settings, outcome),
            on_s: tidy(outcome.on_for.as_secs_f64()),
            reported_on_s: outcome.reported_on.map(|span| tidy(span.as_secs_f64())),
            reported_off: outcome.reported_off,
            seen: seen.map(str::to_owned),
            answers: outcome.answers.iter().map(answer).collect(),
            step: outcome.step.as_ref().map(|step| self.step_line(step)),
            proposed: proposal.map(|proposal| self.figures(locator, proposal)).unwrap_or_default(),
            notes: proposal.map(|proposal| proposal.notes.clone()).unwrap_or_default(),
        }
    }

    fn step_line(&self, step: &Step) -> StepLine {
        let response = step.found.response;
        let [gain, lag, dead] = step.found.errors.map_or([None; 3], |errors| errors.map(|error| Some(tidy(error))));
        StepLine {
            probe: commissioning::probe_name(self.settings, step.probe),
            start_c: tidy(response.start),
            gain_k: tidy(response.gain),
            gain_error_k: gain,
            time_constant_s: tidy(response.lag),
            time_constant_error_s: lag,
            dead_time_s: tidy(response.dead),
            dead_time_error_s: dead,
            scatter_k: tidy(step.found.scatter),
            time_constants_seen: tidy(step.found.covered),
            hottest_c: tidy(step.hottest.0),
            readings: step.readings,
        }
    }

    fn figures(&self, locator: &Locator<'_>, proposal: &Proposal) -> Vec<FigureLine> {
        let line = |figure: &Figure| {
            let (id, path) = self.path(figure.place);
            let found = locator.find(id, &path);
            FigureLine {
                table: format!("{id}: {}", path[..path.len() - 1].join(".")),
                key: path.last().map(|key| (*key).to_owned()).unwrap_or_default(),
                value: figure.value.clone(),
                now: figure.now.clone(),
                why: figure.why.clone(),
                file: found.map(|(file, _)| file.to_owned()),
                line: found.map(|(_, line)| line),
            }
        };
        proposal.figures.iter().map(line).collect()
    }

    fn finding(&self, locator: &Locator<'_>, finding: &Finding) -> FindingLine {
        let change = |change: &Change| {
            let (id, path) = self.path(change.place);
            let found = locator.find(id, &path);
            ChangeLine {
                of: format!("{id} {}", path[..path.len() - 1].join(".")),
                key: path.last().map(|key| (*key).to_owned()).unwrap_or_default(),
                to: change.to.clone(),
                file: found.map(|(file, _)| file.to_owned()),
                line: found.map(|(_, line)| line),
            }
        };
        FindingLine {
            kind: finding.kind.word().to_owned(),
            text: finding.text.clone(),
            changes: finding.changes.iter().map(change).collect(),
        }
    }

    /// The enclosure's id and the way to a place within it, as the configuration writes it.
    fn path(&self, place: Place) -> (&str, Vec<&str>) {
        let enclosure = |e: EnclosureIx| &self.settings.enclosures[e.0];
        match place {
            Place::Probe((e, p), key) => (&enclosure(e).id, vec!["probes", &enclosure(e).probes[p.0].name, key]),
            Place::Lamp((e, l), key) => (&enclosure(e).id, vec!["lamps", &enclosure(e).lamps[l.0].name, key]),
            Place::Output((e, l), key) => {
                let lamp = &enclosure(e).lamps[l.0];
                let kind = if lamp.output.is_relay() { "relay" } else { "dimmer" };
                (&enclosure(e).id, vec!["lamps", &lamp.name, kind, key])
            }
        }
    }
}

/// How a trial ended, in words.
pub(super) fn words(settings: &Settings, outcome: &Outcome) -> String {
    let probe = |at: &ProbeAt| commissioning::probe_name(settings, *at);
    match &outcome.ended {
        Ended::Known => "tried".to_owned(),
        Ended::Unanswered => "tried, and not answered".to_owned(),
        Ended::Stranger(at) => format!("ended when {} rose instead", probe(at)),
        Ended::NearCut(at, reading) if outcome.on_for.is_zero() => format!("not tried: {} is at {reading}", probe(at)),
        Ended::NearCut(at, reading) => format!("tried until {} came near its cut at {reading}", probe(at)),
        Ended::HeatsWhileOff(at) => format!("not tried: {} rises although every lamp was told off", probe(at)),
        Ended::TimeUp => "tried for as long as it may be".to_owned(),
        Ended::Refused(why) => format!("ended: {why}"),
        Ended::NotSeen(at) => format!("not tried: {} was not heard often enough", probe(at)),
    }
}

/// To the thousandth.
fn tidy(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

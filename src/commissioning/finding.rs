//! What the trials of several lamps say together.

use std::collections::{BTreeMap, BTreeSet};

use crate::settings::{LampIx, Measures, OutputKind, Settings};

use super::trial::{Ended, Outcome};
use super::{Answer, LampAt, ProbeAt, lamp_name, lamp_of, probe_name, probe_of};

/// The right probe answers at least this share as strongly as the strongest of its kind. A guess: air over a basking spot may
/// warm more than the stone does at first, but not three times as much.
const SHARE: f64 = 1.0 / 3.0;

/// What kind of finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Two or more probes are exchanged.
    SwappedProbes,
    /// Two or more relays are exchanged, or their lamps are.
    SwappedRelays,
    /// Probes or relays are exchanged; which, a person who looks can tell.
    Crossed,
    /// The state topics of relays are exchanged.
    SwappedReports,
    /// Another probe answers than should.
    WrongProbe,
    /// It does the opposite of what it is told.
    Inverted,
    /// The lamp does not come on.
    Dark,
    /// The lamp comes on, and its probe does not answer.
    DeafProbe,
    /// The relay does not report as it should.
    Unreported,
    /// A probe speaks another unit than agreed.
    Unit,
    /// A probe is of another kind than agreed.
    WrongKind,
    /// A probe speaks too seldom.
    Slow,
    /// A probe was not heard often enough to try its lamp.
    Silent,
    /// The lamp could not be tried, or not to the end.
    NotTried,
    /// The lamp is too weak for its target.
    Weak,
    /// The broker keeps a command.
    Retained,
}

impl Kind {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Kind::SwappedProbes => "swapped-probes",
            Kind::SwappedRelays => "swapped-relays",
            Kind::Crossed => "crossed",
            Kind::SwappedReports => "swapped-reports",
            Kind::WrongProbe => "wrong-probe",
            Kind::Inverted => "inverted",
            Kind::Dark => "dark",
            Kind::DeafProbe => "deaf-probe",
            Kind::Unreported => "unreported",
            Kind::Unit => "wrong-unit",
            Kind::WrongKind => "wrong-kind",
            Kind::Slow => "slow-probe",
            Kind::Silent => "silent-probe",
            Kind::NotTried => "not-tried",
            Kind::Weak => "weak",
            Kind::Retained => "retained-command",
        }
    }
}

/// Something in the configuration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// A key of a probe.
    Probe(ProbeAt, &'static str),
    /// A key of a lamp.
    Lamp(LampAt, &'static str),
    /// A key of what switches a lamp.
    Output(LampAt, &'static str),
}

/// What to change, and into what.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// Where.
    pub place: Place,
    /// What it should say.
    pub to: String,
}

/// Something that is wrong, with what to change in the configuration where that helps.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What kind.
    pub kind: Kind,
    /// What a person is told.
    pub text: String,
    /// What to change.
    pub changes: Vec<Change>,
}

/// What a person saw when a lamp was told on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seen {
    /// The lamp that was named came on.
    Right,
    /// Another one did, which one if it was said.
    Other(Option<LampAt>),
    /// None did.
    Nothing,
}

/// A probe taken into the hand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hand {
    /// The one that was asked for.
    pub asked: ProbeAt,
    /// The one that rose.
    pub rose: Option<ProbeAt>,
}

/// Which probe answers instead of which, by the lamps that were tried.
pub fn misrouted(settings: &Settings, outcomes: &[Outcome]) -> BTreeMap<ProbeAt, ProbeAt> {
    let of = |outcome: &Outcome| -> Vec<(ProbeAt, ProbeAt)> {
        let wrong = |&at: &ProbeAt| Some((at, instead(settings, outcome, at)?));
        outcome.expected.iter().filter_map(wrong).collect()
    };
    outcomes.iter().flat_map(of).collect()
}

/// The probe that answered in the place of `at`; none where `at` itself did, or nobody.
fn instead(settings: &Settings, outcome: &Outcome, at: ProbeAt) -> Option<ProbeAt> {
    let measures = probe_of(settings, at).1.measures;
    let alike = |(other, _): &(&ProbeAt, &Answer)| probe_of(settings, **other).1.measures == measures;
    let rises = outcome.answers.iter().filter(alike).filter(|(_, answer)| answer.change > 0.0);
    let (strongest, most) = rises.max_by(|(_, a), (_, b)| a.change.total_cmp(&b.change))?;
    let own = outcome.answers.get(&at).map_or(0.0, |answer| answer.change);
    // One that answers downwards is no case of another in its place.
    (*strongest != at && own >= 0.0 && own < SHARE * most.change).then_some(*strongest)
}

/// Everything that the trials say, with what a person saw of each and which probes were taken into the hand.
pub fn findings(settings: &Settings, tried: &[(Outcome, Option<Seen>)], hands: &[Hand]) -> Vec<Finding> {
    let outcomes: Vec<Outcome> = tried.iter().map(|(outcome, _)| outcome.clone()).collect();
    let case = Case { settings, tried, hands, wrong: misrouted(settings, &outcomes) };
    let mut found = Vec::new();
    let mut told = BTreeSet::new();
    case.by_hand(&mut told, &mut found);
    case.circles(&mut told, &mut found);
    for (outcome, seen) in tried {
        case.one(outcome, *seen, &told, &mut found);
    }
    case.reports(&mut found);
    found
}

struct Case<'a> {
    settings: &'a Settings,
    tried: &'a [(Outcome, Option<Seen>)],
    hands: &'a [Hand],
    /// Which probe answers instead of which.
    wrong: BTreeMap<ProbeAt, ProbeAt>,
}

impl Case<'_> {
    fn probe(&self, at: ProbeAt) -> String {
        probe_name(self.settings, at)
    }

    /// The lamp that should be answered by this probe, of those that were tried.
    fn lamp_of(&self, probe: ProbeAt) -> Option<&Outcome> {
        self.tried.iter().map(|(outcome, _)| outcome).find(|outcome| outcome.expected.contains(&probe))
    }

    /// `at` should listen where `to` does.
    fn listen(&self, at: ProbeAt, to: ProbeAt) -> Change {
        let (_, there) = probe_of(self.settings, to);
        let pointer = there.pointer.as_ref().map_or_else(String::new, |pointer| format!(", pointer = \"{pointer}\""));
        Change { place: Place::Probe(at, "topic"), to: format!("\"{}\"{pointer}", there.topic) }
    }

    /// `at` should be told where `to` is told now.
    fn command(&self, at: LampAt, to: LampAt) -> Change {
        let output = &lamp_of(self.settings, to).1.output;
        let state = output.state.as_ref().map_or_else(String::new, |state| format!(", state = \"{state}\""));
        Change { place: Place::Output(at, "set"), to: format!("\"{}\"{state}", output.set) }
    }

    /// Probes that rose in another hand than theirs: the surest of all.
    fn by_hand(&self, told: &mut BTreeSet<ProbeAt>, found: &mut Vec<Finding>) {
        for Hand { asked, rose } in self.hands {
            let Some(rose) = rose.filter(|rose| rose != asked) else {
                if rose.is_none() {
                    let text = format!(
                        "{} did not rise in the hand, nor did another: is it the right one?",
                        self.probe(*asked)
                    );
                    let changes =
                        vec![Change { place: Place::Probe(*asked, "topic"), to: "the topic it speaks on".into() }];
                    found.push(Finding { kind: Kind::DeafProbe, text, changes });
                }
                continue;
            };
            let back = self.hands.iter().any(|hand| hand.asked == rose && hand.rose == Some(*asked));
            if back && told.contains(&rose) {
                continue;
            }
            told.insert(*asked);
            let text = format!("the hand on {} was felt by {}", self.probe(*asked), self.probe(rose));
            let mut changes = vec![self.listen(*asked, rose)];
            if back {
                told.insert(rose);
                changes.push(self.listen(rose, *asked));
            }
            found.push(Finding { kind: Kind::SwappedProbes, text, changes });
        }
    }

    /// Lamps that answer crosswise: each at the probe of the next.
    fn circles(&self, told: &mut BTreeSet<ProbeAt>, found: &mut Vec<Finding>) {
        for &first in self.wrong.keys() {
            let mut circle = vec![first];
            while let Some(&next) = circle.last().and_then(|last| self.wrong.get(last)) {
                if next == first || circle.contains(&next) {
                    break;
                }
                circle.push(next);
            }
            let closes = circle.last().and_then(|last| self.wrong.get(last)) == Some(&first);
            if !closes || circle.iter().any(|probe| told.contains(probe)) {
                continue;
            }
            told.extend(&circle);
            found.push(self.circle(&circle));
        }
    }

    fn circle(&self, circle: &[ProbeAt]) -> Finding {
        let next = |i: usize| circle[(i + 1) % circle.len()];
        let lamps: Vec<Option<&Outcome>> = circle.iter().map(|&probe| self.lamp_of(probe)).collect();
        let told = lamps.iter().enumerate().filter_map(|(i, lamp)| {
            let lamp = lamp_name(self.settings, lamp.as_ref()?.lamp);
            Some(format!("{lamp} is answered by {}, not by {}", self.probe(next(i)), self.probe(circle[i])))
        });
        let text = told.collect::<Vec<_>>().join("; ");
        let probes = (0..circle.len()).map(|i| self.listen(circle[i], next(i)));
        let relays = (0..circle.len()).filter_map(|i| {
            let (from, to) = (lamps[i]?.lamp, lamps[(i + 1) % circle.len()]?.lamp);
            Some(self.command(to, from))
        });
        match self.whose(circle, &lamps) {
            Kind::SwappedProbes => {
                let text = format!("{text}; the right lamps came on, so the probes are exchanged");
                Finding { kind: Kind::SwappedProbes, text, changes: probes.collect() }
            }
            Kind::SwappedRelays => {
                let text =
                    format!("{text}; other lamps came on than were told, so the relays or their plugs are exchanged");
                Finding { kind: Kind::SwappedRelays, text, changes: relays.collect() }
            }
            _ => {
                let text = format!(
                    "{text}; see which lamp comes on: if it is the one that is named, the probes are exchanged (change their \
                     topics), else the relays or their plugs (change those)"
                );
                Finding { kind: Kind::Crossed, text, changes: probes.chain(relays).collect() }
            }
        }
    }

    /// Whether probes or relays are exchanged, by what a person saw, which probe rose in the hand, and who reported.
    fn whose(&self, circle: &[ProbeAt], lamps: &[Option<&Outcome>]) -> Kind {
        let lamps: Vec<LampAt> = lamps.iter().flatten().map(|outcome| outcome.lamp).collect();
        let of_circle = |lamp: LampAt| lamps.contains(&lamp);
        let seen = |wanted: fn(Seen) -> bool| {
            self.tried.iter().any(|(outcome, seen)| of_circle(outcome.lamp) && seen.is_some_and(wanted))
        };
        let felt_right = self.hands.iter().any(|hand| circle.contains(&hand.asked) && hand.rose == Some(hand.asked));
        let reported = self.tried.iter().any(|(outcome, _)| {
            of_circle(outcome.lamp)
                && outcome.reported_on.is_none()
                && outcome.others.iter().any(|other| of_circle(*other))
        });
        let relays = felt_right || reported || seen(|seen| matches!(seen, Seen::Other(_)));
        let probes = seen(|seen| seen == Seen::Right);
        match (probes, relays) {
            (true, false) => Kind::SwappedProbes,
            (false, true) => Kind::SwappedRelays,
            _ => Kind::Crossed,
        }
    }

    /// What one trial says by itself. `told`: probes that have been found exchanged.
    fn one(&self, outcome: &Outcome, seen: Option<Seen>, told: &BTreeSet<ProbeAt>, found: &mut Vec<Finding>) {
        let name = lamp_name(self.settings, outcome.lamp);
        let mut say = |kind, text: String, changes| found.push(Finding { kind, text, changes });
        match &outcome.ended {
            Ended::NotSeen(probe) => {
                let text = format!("{name} was not tried: {} was not heard often enough", self.probe(*probe));
                return say(
                    Kind::Silent,
                    text,
                    vec![Change { place: Place::Probe(*probe, "topic"), to: "the topic it speaks on".into() }],
                );
            }
            Ended::HeatsWhileOff(probe) => {
                let text = format!(
                    "{} rises although every lamp was told off: PULL PLUGS until it stops. A relay does the opposite of what it is \
                     told, or its contacts are welded; {name} was not tried",
                    self.probe(*probe)
                );
                return say(Kind::Inverted, text, self.exchange_words(self.warmer_of(*probe).unwrap_or(outcome.lamp)));
            }
            Ended::NearCut(probe, reading) if outcome.on_for.is_zero() => {
                let text = format!("{name} was not tried: {} is already at {reading}", self.probe(*probe));
                return say(Kind::NotTried, text, Vec::new());
            }
            Ended::Refused(why) => say(Kind::NotTried, format!("{name} was not tried to the end: {why}"), Vec::new()),
            _ => {}
        }
        if outcome.on_for.is_zero() {
            return;
        }
        if outcome.contrary {
            return say(Kind::Inverted, format!("{name} reported off when told on"), self.exchange_words(outcome.lamp));
        }
        for &at in outcome.expected.iter().filter(|at| !told.contains(at)) {
            match (outcome.answers.get(&at), self.wrong.get(&at)) {
                (_, Some(&other)) => say(
                    Kind::WrongProbe,
                    format!(
                        "{name} is answered by {}, not by {}: the two are exchanged, or hang in each other's place",
                        self.probe(other),
                        self.probe(at)
                    ),
                    vec![self.listen(at, other), self.listen(other, at)],
                ),
                (Some(answer), None) if answer.change < 0.0 => say(
                    Kind::Inverted,
                    format!("{} falls when {name} is told on: it does the opposite of what it is told", self.probe(at)),
                    self.exchange_words(outcome.lamp),
                ),
                (None, None) if !matches!(outcome.ended, Ended::Refused(_)) => {
                    say_silent(self, outcome, seen, at, &mut say)
                }
                _ => {}
            }
        }
        if seen == Some(Seen::Nothing) && outcome.expected.iter().all(|at| outcome.answers.contains_key(at)) {
            let text = format!("{name} was seen to stay dark, and something answered all the same: look at it again");
            say(Kind::Dark, text, Vec::new());
        }
        if let Some(Seen::Other(other)) = seen
            && !outcome.expected.iter().any(|at| told.contains(at))
        {
            let other = other.filter(|other| *other != outcome.lamp);
            let which = other.map_or_else(|| "another lamp".to_owned(), |other| lamp_name(self.settings, other));
            let changes = other.map(|other| vec![self.command(other, outcome.lamp), self.command(outcome.lamp, other)]);
            say(Kind::SwappedRelays, format!("{which} came on when {name} was told"), changes.unwrap_or_default());
        }
    }

    /// The lamp that warms this probe, by the settings.
    fn warmer_of(&self, probe: ProbeAt) -> Option<LampAt> {
        let lamps = 0..self.settings.enclosures[probe.0.0].lamps.len();
        lamps.map(|l| (probe.0, LampIx(l))).find(|&lamp| super::warmed(self.settings, lamp) == Some(probe))
    }

    /// The words for on and off the other way round.
    fn exchange_words(&self, lamp: LampAt) -> Vec<Change> {
        match &lamp_of(self.settings, lamp).1.output.kind {
            OutputKind::Relay { on, off, .. } => vec![
                Change { place: Place::Output(lamp, "on"), to: format!("\"{off}\"") },
                Change { place: Place::Output(lamp, "off"), to: format!("\"{on}\"") },
            ],
            OutputKind::Dimmer { .. } => Vec::new(),
        }
    }

    /// Relays that report on the topic of another, or not at all.
    fn reports(&self, found: &mut Vec<Finding>) {
        let mut told = BTreeSet::new();
        for (outcome, _) in self.tried.iter().filter(|(outcome, _)| !outcome.on_for.is_zero()) {
            let at = outcome.lamp;
            let output = &lamp_of(self.settings, at).1.output;
            if output.state.is_none() || outcome.contrary {
                continue;
            }
            let name = lamp_name(self.settings, at);
            let crossed =
                self.tried.iter().map(|(other, _)| other).find(|other| {
                    other.lamp != at && outcome.others.contains(&other.lamp) && other.others.contains(&at)
                });
            if let (Some(other), None) = (crossed, outcome.reported_on) {
                let own_answers =
                    outcome.expected.iter().any(|at| outcome.answers.contains_key(at) && !self.wrong.contains_key(at));
                if !told.insert(at) | !told.insert(other.lamp) {
                    continue;
                }
                let names = format!("{name} and {}", lamp_name(self.settings, other.lamp));
                let is_known = outcome.expected.iter().any(|at| self.wrong.contains_key(at));
                if own_answers {
                    let state = |at: LampAt, of: LampAt| {
                        let state = lamp_of(self.settings, of).1.output.state.clone().unwrap_or_default();
                        Change { place: Place::Output(at, "state"), to: format!("\"{state}\"") }
                    };
                    let changes = vec![state(at, other.lamp), state(other.lamp, at)];
                    let text = format!("{names} each report on the other's state topic");
                    found.push(Finding { kind: Kind::SwappedReports, text, changes });
                } else if !is_known {
                    let changes = vec![self.command(at, other.lamp), self.command(other.lamp, at)];
                    let text = format!("{names} each report when the other is told: their `set` topics are exchanged");
                    found.push(Finding { kind: Kind::SwappedRelays, text, changes });
                }
            } else if outcome.reported_on.is_none() {
                let text = format!("{name} did not report on: does it get its commands, and is this its state topic?");
                let state = Change { place: Place::Output(at, "state"), to: "the topic it reports on".to_owned() };
                found.push(Finding { kind: Kind::Unreported, text, changes: vec![state] });
            } else if !outcome.reported_off {
                let text = format!("{name} did not report off: MAKE SURE THAT IT IS");
                found.push(Finding { kind: Kind::Unreported, text, changes: Vec::new() });
            }
        }
    }
}

/// The probe that should have answered said nothing, nor did another in its place.
fn say_silent(
    case: &Case<'_>,
    outcome: &Outcome,
    seen: Option<Seen>,
    at: ProbeAt,
    say: &mut impl FnMut(Kind, String, Vec<Change>),
) {
    let (name, probe) = (lamp_name(case.settings, outcome.lamp), case.probe(at));
    let for_so_long = crate::time::spoken(outcome.on_for);
    let measures = probe_of(case.settings, at).1.measures;
    let place = vec![Change { place: Place::Probe(at, "topic"), to: "the topic of the probe that is under it".into() }];
    match seen {
        Some(Seen::Right) => {
            say(Kind::DeafProbe, format!("{name} came on, and {probe} did not answer within {for_so_long}"), place);
        }
        Some(Seen::Other(_)) => {}
        Some(Seen::Nothing) => {
            let text =
                format!("{name} stayed dark, and {probe} did not answer: its lamp, its socket, its fuse or its relay");
            say(Kind::Dark, text, Vec::new());
        }
        None => {
            let more = match measures {
                Measures::Power => "or its meter is another's",
                _ => "or the probe hangs elsewhere",
            };
            let text = format!(
                "{name} was on for {for_so_long}, and {probe} did not answer: the lamp is dead or has no power, {more}"
            );
            say(Kind::Dark, text, place);
        }
    }
}

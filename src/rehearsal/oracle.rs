//! What holds in every story, at every step: the guard law, watched from outside.
//!
//! The oracle sees what anybody on the broker could see, and keeps a reckoning of its own; it asks the core nothing. It
//! errs on the side of the core: where a reading might rightly not have counted, it does not count here either way.
//!
//! | rule | law |
//! |---|---|
//! | `heat-without-reading`, `heat-on-stale-reading` | 3: no fresh reading, no heat |
//! | `heat-after-cut` | 2: off in the same step, and for the rest |
//! | `heat-while-latched` | 2 and 4: three trips or the limit latch, through restarts too |
//! | `hold-not-refreshed` | 7: every ON is refreshed before its hold ends |
//! | `unexplained-command` | no output is told anything but its lamp's decided level |
//! | `cycles-too-fast` | shortest times on and off |
//! | `strikes-at-once` | no two lamps of a circuit strike within its gap |
//! | `over-the-soft-limit` | no more than the soft limit of a circuit may be on |
//! | `stored-command-stays` | 7: nothing stays retained on a command topic |

use std::collections::VecDeque;

use crate::control::{Act, Command, OutputRef, Reading, Reason};
use crate::settings::{Circuit, CircuitIx, EnclosureIx, Lamp, LampIx, Measures, Probe, ProbeIx, Settings};
use crate::units::Level;

use super::sight::Sight;

/// A record counts as stored for certain this long after its cause, ms.
const STORED_AFTER: u64 = 1_000;
/// Trips within this latch (guard law 2), ms.
const DAY: u64 = 86_400_000;
/// After the link came up or a lamp was switched the command must have gone within this, ms.
const TOLD_WITHIN: u64 = 1_000;
/// A well probe is heard again within this share of its interval; more than its beat is ever off, and a guess.
const BEAT: (u64, u64) = (21, 20);
/// Readings nearer than this to one that stands for a fault are looked at closely: more than what counts as the same.
const NEAR_FAULT: f64 = 1e-5;
/// What a link that is up may leave retained on a command topic, ms.
const CLEARED_WITHIN: u64 = 5_000;

/// A finding: rule, whose, and what.
pub(super) type Finding = (&'static str, Option<EnclosureIx>, String);

/// The reckoning.
#[derive(Debug)]
pub(super) struct Oracle {
    lamps: Vec<Vec<Law>>,
    probes: Vec<Vec<Heard>>,
    circuits: Vec<Line>,
    /// Commands of this step.
    commands: Vec<(OutputRef, Level)>,
    findings: Vec<Finding>,
}

/// What is known of a lamp.
#[derive(Clone, Debug, Default)]
struct Law {
    /// The last reading at or above the cut, with its moment.
    hot: Option<(u64, f64)>,
    /// Why it must be latched, and since when.
    latched: Option<(u64, String)>,
    /// Readings at or above the cut while it was on.
    trips: VecDeque<u64>,
    /// The last command above zero on this connection.
    told_on: Option<u64>,
    /// When it last went on or off since the daemon started.
    switched: Option<u64>,
    /// Whether a finding about its present state has been made: one for each state.
    accused: bool,
}

/// What is known of a circuit.
#[derive(Clone, Debug)]
struct Line {
    name: String,
    /// Its lamps strike so far apart, ms.
    gap: u64,
    /// They have all struck within this, ms.
    stagger: u64,
    limit: Option<f64>,
    /// Its lamps with their rated powers, W.
    lamps: Vec<(EnclosureIx, LampIx, f64)>,
    /// When the last one struck.
    struck: Option<u64>,
    accused: bool,
}

fn lines(settings: &Settings) -> Vec<Line> {
    let ms = |span: std::time::Duration| u64::try_from(span.as_millis()).unwrap_or(u64::MAX / 4);
    let line = |(ix, circuit): (usize, &Circuit)| {
        let enclosures = settings.enclosures.iter().enumerate();
        let lamps = enclosures.flat_map(|(e, enclosure)| {
            let own = enclosure.lamps.iter().enumerate().filter(|(_, lamp)| lamp.circuit == Some(CircuitIx(ix)));
            own.map(move |(l, lamp)| (EnclosureIx(e), LampIx(l), lamp.power.map_or(0.0, |power| power.0)))
        });
        let lamps: Vec<_> = lamps.collect();
        let (gap, name) = (ms(circuit.strike_gap(lamps.len())), circuit.name.clone());
        let (stagger, limit) = (ms(circuit.stagger), circuit.soft_limit.map(|limit| limit.0));
        Line { name, gap, stagger, limit, lamps, struck: None, accused: false }
    };
    settings.circuits.iter().enumerate().map(line).collect()
}

/// What is known of a probe.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Heard {
    /// The last reading that may have counted.
    pub last: Option<u64>,
    /// The newest time stamp, ms since 1970.
    newest: Option<i64>,
}

/// Whether a value is one that such a probe may have.
fn is_plausible(probe: &Probe, value: f64) -> bool {
    let (least, most) = probe.plausible;
    value >= least && value <= most && !probe.reject.iter().any(|fault| (fault - value).abs() < 1e-6)
}

impl Oracle {
    /// A reckoning with nothing known.
    pub(super) fn new(settings: &Settings) -> Oracle {
        let enclosures = || settings.enclosures.iter();
        Oracle {
            lamps: enclosures().map(|enclosure| vec![Law::default(); enclosure.lamps.len()]).collect(),
            probes: enclosures().map(|enclosure| vec![Heard::default(); enclosure.probes.len()]).collect(),
            circuits: lines(settings),
            commands: Vec::new(),
            findings: Vec::new(),
        }
    }

    /// The daemon has ended at `now`; `stored`: everything it handed over until shortly before is on disk.
    pub(super) fn daemon_ended(&mut self, now: u64, stored: bool) {
        self.probes.iter_mut().flatten().for_each(|heard| *heard = Heard::default());
        for law in self.lamps.iter_mut().flatten() {
            let latched = law.latched.take().filter(|(since, _)| stored && since + STORED_AFTER < now);
            *law = Law { latched, ..Law::default() };
        }
        self.circuits.iter_mut().for_each(|line| line.struck = None);
    }

    /// The link is down: what was told does not count any more.
    pub(super) fn link_down(&mut self) {
        self.lamps.iter_mut().flatten().for_each(|law| law.told_on = None);
    }

    /// A reading is about to be handed to the core. `wall_ms`: true wall time, ms since 1970.
    pub(super) fn reading(
        &mut self,
        now: u64,
        wall_ms: i64,
        (settings, sight): (&Settings, &Sight),
        (e, p): (EnclosureIx, ProbeIx),
        reading: &Reading,
    ) {
        let enclosure = &settings.enclosures[e.0];
        let probe = &enclosure.probes[p.0];
        let Ok(value) = reading.value else { return };
        if reading.retained || !is_plausible(probe, value) {
            return;
        }
        let heard = &mut self.probes[e.0][p.0];
        heard.last = Some(now);
        // A stamped reading counts for certain only if it is new and has just been taken.
        let stamp = reading.taken.map(|taken| taken.timestamp_millis());
        let certain = stamp
            .is_none_or(|stamp| heard.newest.is_none_or(|newest| stamp > newest) && (wall_ms - stamp).abs() < 1_000);
        heard.newest = heard.newest.max(stamp);
        if probe.measures != Measures::Temperature || !certain {
            return;
        }
        for (l, (lamp, law)) in enclosure.lamps.iter().zip(&mut self.lamps[e.0]).enumerate() {
            if let Some(guard) = lamp.guard.as_ref().filter(|guard| guard.probes.contains(&p) && value >= guard.cut.0) {
                law.hot = Some((now, value));
                if value >= guard.limit.0 {
                    law.latched.get_or_insert((now, format!("read {value:.2} at or above the limit {}", guard.limit)));
                } else if !sight.lamp(e, LampIx(l)).level.is_off() {
                    law.trips.retain(|trip| now - trip < DAY - 1000);
                    law.trips.push_back(now);
                    if law.trips.len() >= crate::guard::TRIPS_TO_LATCH {
                        law.latched.get_or_insert((now, "three trips within 24 hours".to_owned()));
                    }
                }
            }
        }
    }

    /// Between which values, neither included, a plain reading is nothing to this oracle but that its probe was heard.
    pub(super) fn nothing_within(settings: &Settings, e: EnclosureIx, p: ProbeIx) -> (f64, f64) {
        let enclosure = &settings.enclosures[e.0];
        let probe = &enclosure.probes[p.0];
        // Of the stretches between values that stand for a fault the longest.
        let (least, most) = probe.plausible;
        let mut edges: Vec<f64> =
            probe.reject.iter().copied().filter(|fault| *fault > least && *fault < most).collect();
        edges.extend([least, most]);
        edges.sort_by(f64::total_cmp);
        let stretches = edges.windows(2).map(|pair| (pair[0] + NEAR_FAULT, pair[1] - NEAR_FAULT));
        let (above, below) = stretches.max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0))).unwrap_or((0.0, 0.0));
        let guards = enclosure.lamps.iter().filter_map(|lamp| lamp.guard.as_ref().filter(|it| it.probes.contains(&p)));
        (above, guards.map(|guard| guard.cut.0).fold(below, f64::min))
    }

    /// A plain reading within what is [nothing](Oracle::nothing_within) is about to be handed to the core.
    pub(super) fn nothing(&mut self, now: u64, e: EnclosureIx, p: ProbeIx) {
        self.probes[e.0][p.0].last = Some(now);
    }

    /// When a probe that has lost its beat, or could be silent within it, may count as silent; all the others are taken to
    /// be heard in time, as well ones are.
    pub(super) fn silent_at(&self, settings: &Settings, now: u64) -> u64 {
        let ms = |span: std::time::Duration| u64::try_from(span.as_millis()).unwrap_or(u64::MAX / 4);
        let probes = settings.enclosures.iter().zip(&self.probes).flat_map(|(e, heard)| e.probes.iter().zip(heard));
        let silent = probes.map(|(probe, heard)| {
            let (last, beat, stale) = (heard.last.unwrap_or(0), ms(probe.every) * BEAT.0 / BEAT.1, ms(probe.stale));
            if heard.last.is_some() && now <= last + beat && beat < stale { u64::MAX } else { last + stale }
        });
        silent.min().unwrap_or(u64::MAX)
    }

    /// The keeper does something.
    pub(super) fn act(&mut self, act: &Act) {
        if let Act::Reset { enclosure, lamp } = act {
            for (l, law) in self.lamps[enclosure.0].iter_mut().enumerate() {
                if lamp.is_none_or(|only| only.0 == l) {
                    law.latched = None;
                    law.trips.clear();
                }
            }
        }
    }

    /// The core sends a command.
    pub(super) fn commanded(&mut self, now: u64, command: &Command) {
        let level = command.permit.level();
        self.commands.push((command.output, level));
        if let OutputRef::Lamp(e, l) = command.output {
            let was_told_on = self.lamps[e.0][l.0].told_on.is_some();
            self.told_again(now, (e, l), level);
            if !level.is_off() && !was_told_on {
                self.struck(now, e, l);
            }
        }
    }

    /// A lamp is told to go on that was not told so before on this connection.
    fn struck(&mut self, now: u64, e: EnclosureIx, l: LampIx) {
        let has = |line: &&mut Line| line.lamps.iter().any(|(own, lamp, _)| (*own, *lamp) == (e, l));
        let Some(line) = self.circuits.iter_mut().find(has) else { return };
        if let Some(before) = line.struck.filter(|before| now + 1 < before + line.gap) {
            let text = format!("lamps of circuit {} strike {} ms apart, not {}", line.name, now - before, line.gap);
            self.findings.push(("strikes-at-once", Some(e), text));
        }
        line.struck = Some(now);
    }

    /// Judges what may be on at once on every circuit with a soft limit.
    fn judge_limits(&mut self, sight: &Sight) {
        for line in &mut self.circuits {
            let Some(limit) = line.limit else { continue };
            let lit = line.lamps.iter().filter(|(e, l, _)| !sight.lamp(*e, *l).level.is_off());
            let load: f64 = lit.map(|(_, _, watts)| watts).sum();
            if load <= limit + 1e-6 {
                line.accused = false;
            } else if !line.accused {
                line.accused = true;
                let text = format!("{load:.0} W may be on on circuit {}, whose soft limit is {limit:.0} W", line.name);
                self.findings.push(("over-the-soft-limit", None, text));
            }
        }
    }

    /// The core tells a lamp's output again what is decided.
    pub(super) fn told_again(&mut self, now: u64, (e, l): (EnclosureIx, LampIx), level: Level) {
        self.lamps[e.0][l.0].told_on = (!level.is_off()).then_some(now);
    }

    /// The core has decided on another level for a lamp that had `before`.
    pub(super) fn switched(
        &mut self,
        now: u64,
        settings: &Settings,
        (e, l): (EnclosureIx, LampIx),
        (before, after): (Level, Level),
        reason: &Reason,
    ) {
        let enclosure = &settings.enclosures[e.0];
        let lamp = &enclosure.lamps[l.0];
        let law = &mut self.lamps[e.0][l.0];
        law.accused = false;
        if before.is_off() == after.is_off() {
            return;
        }
        let lasted = law.switched.map(|at| now - at);
        let too_soon = |least: std::time::Duration| {
            // Half a second of rounding is no cycling.
            lasted.filter(|lasted| u128::from(*lasted) + 500 < least.as_millis())
        };
        let short = if after.is_off() {
            too_soon(lamp.min_on).filter(|_| !may_end_early(reason))
        } else {
            too_soon(lamp.min_off)
        };
        if let Some(lasted) = short {
            let name = format!("{}/{}", enclosure.id, lamp.name);
            let text = format!("{name} goes {after} after {} s, because: {reason}", lasted / 1000);
            self.findings.push(("cycles-too-fast", Some(e), text));
        }
        law.switched = Some(now);
    }

    /// Judges what stands after a step. `e`: only this enclosure can have changed; none: any.
    pub(super) fn judge(&mut self, now: u64, settings: &Settings, sight: &Sight, e: Option<EnclosureIx>) {
        let mut commands = std::mem::take(&mut self.commands);
        for &(output, level) in &commands {
            if let OutputRef::Lamp(e, l) = output
                && !sight.lamp(e, l).level.agrees_with(level)
            {
                let decided = sight.lamp(e, l).level;
                let text = format!("{} is told {level}, and {decided} is decided", name(settings, e, l));
                self.findings.push(("unexplained-command", Some(e), text));
            }
        }
        commands.clear();
        self.commands = commands;
        self.judge_limits(sight);
        match e {
            Some(e) => self.judge_enclosure(now, settings, sight, e),
            None => {
                (0..settings.enclosures.len()).for_each(|e| self.judge_enclosure(now, settings, sight, EnclosureIx(e)))
            }
        }
    }

    fn judge_enclosure(&mut self, now: u64, settings: &Settings, sight: &Sight, e: EnclosureIx) {
        let enclosure = &settings.enclosures[e.0];
        for (l, lamp) in enclosure.lamps.iter().enumerate() {
            if sight.lamp(e, LampIx(l)).level.is_off() || self.lamps[e.0][l].accused {
                continue;
            }
            if let Some((rule, why)) = self.wrong_heat(now, e, l, lamp, &enclosure.probes) {
                self.lamps[e.0][l].accused = true;
                let text = format!("{} may be {}: {why}", name(settings, e, LampIx(l)), sight.lamp(e, LampIx(l)).level);
                self.findings.push((rule, Some(e), text));
            }
        }
    }

    /// Why a lamp that may be on must not be.
    fn wrong_heat(
        &self,
        now: u64,
        e: EnclosureIx,
        l: usize,
        lamp: &Lamp,
        probes: &[Probe],
    ) -> Option<(&'static str, String)> {
        let guard = lamp.guard.as_ref()?;
        let law = &self.lamps[e.0][l];
        if let Some((_, why)) = &law.latched {
            return Some(("heat-while-latched", why.clone()));
        }
        if let Some((at, value)) = law.hot
            && u128::from(now - at) < guard.rest.as_millis()
        {
            let text = format!("read {value:.2} {} s ago, cut {}", (now - at) / 1000, guard.cut);
            return Some(("heat-after-cut", text));
        }
        for ProbeIx(p) in &guard.probes {
            let (probe, name) = (&probes[*p], &probes[*p].name);
            match self.probes[e.0][*p].last {
                None => return Some(("heat-without-reading", format!("{name} has not been heard since the start"))),
                Some(at) if u128::from(now - at) > probe.stale.as_millis() + 1 => {
                    let age = (now - at) as f64 / 1000.0;
                    return Some(("heat-on-stale-reading", format!("{name} was last heard {age:.1} s ago")));
                }
                Some(_) => {}
            }
        }
        None
    }

    /// Judges the holds of everything that may be on, while the link has been up since `up_since`.
    pub(super) fn judge_holds(&mut self, now: u64, settings: &Settings, sight: &Sight, up_since: u64) {
        for (e, enclosure) in settings.enclosures.iter().enumerate() {
            for (l, lamp) in enclosure.lamps.iter().enumerate() {
                let seen = &sight.enclosures[e].lamps[l];
                let law = &mut self.lamps[e][l];
                let Some(hold) = lamp.output.hold.filter(|_| !seen.level.is_off() && !law.accused) else { continue };
                let waits = lamp.circuit.and_then(|ix| self.circuits.get(ix.0)).map_or(0, |line| line.stagger);
                let fresh = now < up_since.max(seen.since) + TOLD_WITHIN + waits;
                let refreshed = law.told_on.is_some_and(|at| u128::from(now - at) < hold.as_millis());
                if !fresh && !refreshed {
                    law.accused = true;
                    let age = law.told_on.map_or("never".to_owned(), |at| format!("{} s ago", (now - at) / 1000));
                    let text = format!("{}/{} was told on {age}, and its hold is {hold:?}", enclosure.id, lamp.name);
                    self.findings.push(("hold-not-refreshed", Some(EnclosureIx(e)), text));
                }
            }
        }
    }

    /// Before when [`Oracle::judge_holds`] finds nothing, as long as nothing is told or switched.
    pub(super) fn holds_until(&self, settings: &Settings, sight: &Sight) -> u64 {
        let lamps = settings.enclosures.iter().zip(&sight.enclosures).zip(&self.lamps);
        let lamps = lamps.flat_map(|((e, seen), laws)| e.lamps.iter().zip(&seen.lamps).zip(laws));
        let held =
            lamps.filter(|((lamp, seen), law)| lamp.output.hold.is_some() && !seen.level.is_off() && !law.accused);
        let ends = held.filter_map(|((lamp, _), law)| {
            let hold = u64::try_from(lamp.output.hold?.as_millis()).unwrap_or(u64::MAX / 4);
            Some(law.told_on.map_or(0, |at| at + hold))
        });
        ends.min().unwrap_or(u64::MAX)
    }

    /// Judges that nothing stays retained on command topics while the link is up.
    pub(super) fn judge_kept(&mut self, now: u64, up_since: u64, since: u64, topic: &str) {
        if now > up_since.max(since) + CLEARED_WITHIN {
            let text = format!("something is retained on {topic} for {} s", (now - up_since.max(since)) / 1000);
            self.findings.push(("stored-command-stays", None, text));
        }
    }

    /// What has been found since it was last asked.
    pub(super) fn findings(&mut self) -> Vec<Finding> {
        std::mem::take(&mut self.findings)
    }

    /// Whether anything has been found.
    pub(super) fn has_findings(&self) -> bool {
        !self.findings.is_empty()
    }

    /// What is known of a probe.
    pub(super) fn heard(&self, e: EnclosureIx, p: ProbeIx) -> Heard {
        self.probes[e.0][p.0]
    }
}

/// Reasons that may end a lamp's shortest time on.
fn may_end_early(reason: &Reason) -> bool {
    matches!(
        reason,
        Reason::Guard(_)
            | Reason::CutOff { .. }
            | Reason::Stopping
            | Reason::Override
            | Reason::NoClock
            | Reason::NoReading { .. }
            | Reason::MinOff { cooling: true }
    )
}

/// A lamp's name with its enclosure's.
pub(super) fn name(settings: &Settings, e: EnclosureIx, l: LampIx) -> String {
    let enclosure = &settings.enclosures[e.0];
    format!("{}/{}", enclosure.id, enclosure.lamps[l.0].name)
}

//! The site's own: broker, clock, disk, configuration, contactors, and commands that others have left with the broker.

use super::{Scene, Since, TOLD_WITHIN};
use crate::control::{AlarmKind, OutputRef};
use crate::rehearsal::sight::Sight;
use crate::settings::{CutOffIx, EnclosureIx, Settings};
use crate::units::Level;

/// At its first start the daemon may take this long to reach the broker, ms (the core's own patience), and a second.
const FIRST_CONNECTION: u64 = 16_000;
/// A contactor is deaf after 30 s, as any output, ms.
const DEAF_WITHIN: u64 = 30_000;
/// A deleted command stays an alarm this long, ms (the program's hour), less a little.
const STORED_SHOWN: u64 = 58 * 60_000;
/// As does a refused configuration (the program's day).
const REFUSAL_SHOWN: u64 = 23 * 3_600_000;
/// A clock that is off by less than the first agrees, by more than the second it has jumped, ms: the program's minute,
/// with some slewing either way.
const AGREES: i64 = 50_000;
const JUMPED: i64 = 70_000;
/// A jump is told within this, ms: the daemon comes round once a minute at the latest.
const JUMP_TOLD: u64 = 130_000;
/// A new time may be believed from the first on, and is for certain from the second, ms: around the program's 15 min.
const MAY_BELIEVE: u64 = 14 * 60_000;
const BELIEVES: u64 = 18 * 60_000;
/// At the start a time further ahead of the last known than this may be doubted, ms: around the program's 400 days.
const NEAR_ENOUGH: i64 = 399 * 86_400_000;
const FAR_AHEAD: i64 = 401 * 86_400_000;
/// One that has been may be believed from here on, ms: the program's day, less a little.
const MAY_BELIEVE_BEFORE: u64 = 86_000_000;
/// A clock that is set at last is noticed within this, ms: the daemon comes round once a minute at the latest.
const NOTICES: u64 = 2 * 60_000;

/// What the daemon must take the wall clock for.
#[derive(Clone, Copy, Debug)]
pub(in crate::rehearsal) enum Belief {
    /// It was not set when the daemon started.
    Unset {
        /// Since then, ms.
        since: u64,
    },
    /// When the daemon started it said what cannot be by the last time that was known before; schedules carry on from that.
    Contradicted {
        /// How far the last known time is off, ms.
        estimate: i64,
        /// How far the clock is, and since when it has said the same.
        said: (i64, u64),
        /// Since when, ms.
        since: u64,
    },
    /// It is followed, off by so much; and it contradicts that, off by so much, since when.
    Followed {
        /// How far it is off, ms.
        off: i64,
        /// What it says instead.
        contender: Option<(i64, u64)>,
        /// Since when it has said anything else.
        doubtful: Since,
    },
    /// It has said the same since then, and whether that is believed is a matter of seconds.
    Open {
        /// How far it is off, ms.
        off: i64,
        /// Since when it has been, ms.
        since: u64,
    },
}

impl Belief {
    /// A daemon starts at `now` with a clock that is off by so many ms, and set or not.
    pub(super) fn new(now: u64, (off, set): (i64, bool)) -> Belief {
        if set {
            Belief::Followed { off, contender: None, doubtful: Since::default() }
        } else {
            Belief::Unset { since: now }
        }
    }

    /// The same where the last wall time known from before is off by so many ms.
    pub(super) fn started(now: u64, (off, set): (i64, bool), last_known: Option<i64>) -> Belief {
        let Some(estimate) = last_known else { return Belief::new(now, (off, set)) };
        let ahead = off - estimate;
        if set && (-AGREES..NEAR_ENOUGH).contains(&ahead) {
            Belief::new(now, (off, set))
        } else if set && (-JUMPED..FAR_AHEAD).contains(&ahead) {
            Belief::Open { off, since: now }
        } else {
            Belief::Contradicted { estimate, said: (off, now), since: now }
        }
    }

    fn follow(&mut self, now: u64, (off, set): (i64, bool)) {
        *self = match *self {
            Belief::Contradicted { estimate, .. } if set && (-JUMPED..FAR_AHEAD).contains(&(off - estimate)) => {
                Belief::Open { off, since: (now + NOTICES).saturating_sub(BELIEVES) }
            }
            Belief::Contradicted { estimate, said, since } => {
                let said = if (off - said.0).abs() <= AGREES { said } else { (off, now) };
                let may_be = if off < estimate { MAY_BELIEVE_BEFORE } else { MAY_BELIEVE };
                if set && now - said.1 >= may_be {
                    Belief::Open { off, since: now.saturating_sub(MAY_BELIEVE) }
                } else {
                    Belief::Contradicted { estimate, said, since }
                }
            }
            Belief::Unset { .. } if set => Belief::Open { off, since: (now + NOTICES).saturating_sub(BELIEVES) },
            Belief::Unset { since } => Belief::Unset { since },
            Belief::Followed { off: known, .. } if (off - known).abs() <= AGREES => Belief::new(now, (off, true)),
            Belief::Followed { off: known, .. } if (off - known).abs() < JUMPED => Belief::Open { off, since: now },
            Belief::Followed { off: known, contender, mut doubtful } => {
                doubtful.set(now, true);
                let contender = contender.filter(|(said, _)| (off - said).abs() <= AGREES).unwrap_or((off, now));
                if set && now - contender.1 >= MAY_BELIEVE {
                    Belief::Open { off, since: contender.1 }
                } else {
                    Belief::Followed { off: known, contender: Some(contender), doubtful }
                }
            }
            Belief::Open { off: said, .. } if (off - said).abs() > 1_000 => Belief::Open { off, since: now },
            Belief::Open { since, .. } if set && now - since >= BELIEVES => Belief::new(now, (off, true)),
            Belief::Open { since, .. } => Belief::Open { off, since },
        };
    }

    /// What schedules must go by: how far that is off, ms; none where it is open.
    pub(in crate::rehearsal) fn schedules_by(self) -> Option<i64> {
        match self {
            Belief::Followed { off, .. } | Belief::Contradicted { estimate: off, .. } => Some(off),
            Belief::Unset { .. } | Belief::Open { .. } => None,
        }
    }

    /// Whether an alarm is due.
    fn is_owed(self, now: u64) -> bool {
        match self {
            Belief::Unset { since } | Belief::Contradicted { since, .. } => now > since + TOLD_WITHIN,
            Belief::Followed { doubtful, .. } => doubtful.lasted(now) >= JUMP_TOLD,
            Belief::Open { .. } => false,
        }
    }
}

/// What is known of the site.
#[derive(Clone, Debug)]
pub(super) struct Track {
    pub clock: Belief,
    /// Commands that were found with the broker, and when.
    pub stored: Vec<(OutputRef, u64)>,
    /// When a configuration was last refused.
    pub refused: Option<u64>,
    /// What each contactor was told, and whether it reports otherwise.
    contactors: Vec<(Option<Level>, Since)>,
}

impl Track {
    pub(super) fn new(settings: &Settings) -> Track {
        Track {
            clock: Belief::Unset { since: u64::MAX / 4 },
            stored: Vec::new(),
            refused: None,
            contactors: vec![(None, Since::default()); settings.cut_offs.len()],
        }
    }

    /// A contactor was told something, or reports.
    pub(super) fn contactor(&mut self, now: u64, CutOffIx(c): CutOffIx, told: Option<Level>, sight: &Sight) {
        let (known, disagrees) = &mut self.contactors[c];
        *known = told.or(*known);
        let (wanted, reported) = (*known, sight.cut_offs[c]);
        let agrees = wanted.zip(reported).is_some_and(|(wanted, reported)| reported.agrees_with(wanted));
        disagrees.set(now, wanted.is_some() && !agrees);
    }

    /// The link has come or gone: what was told does not count any more.
    pub(super) fn link(&mut self) {
        self.contactors.iter_mut().for_each(|contactor| *contactor = (None, Since::default()));
    }

    /// Whether nothing is owed of the site as long as nothing happens and the clock stays off by so much.
    pub(super) fn is_quiet(&self, (off, set): (i64, bool)) -> bool {
        let followed = match self.clock {
            Belief::Followed { off: known, contender: None, doubtful: Since(None) } => (off - known).abs() <= AGREES,
            _ => false,
        };
        let obey = self.contactors.iter().all(|(_, disagrees)| disagrees.0.is_none());
        followed && set && obey && self.stored.is_empty() && self.refused.is_none()
    }

    pub(super) fn judge(&mut self, scene: &Scene<'_>) -> [(&'static str, Option<String>); 6] {
        self.clock.follow(scene.now, scene.clock);
        self.stored.retain(|(_, at)| scene.now < at + STORED_SHOWN);
        [
            ("broker-loss-untold", broker_lost(scene)),
            ("clock-untold", self.clock_doubtful(scene)),
            ("stored-command-untold", self.stored(scene)),
            ("contactor-untold", self.contactor_deaf(scene)),
            ("disk-untold", disk(scene)),
            ("refusal-untold", self.refusal(scene)),
        ]
    }

    /// A clock that jumps while the daemon runs, or is not set, is an alarm for as long as the program cannot have got
    /// used to it.
    fn clock_doubtful(&self, scene: &Scene<'_>) -> Option<String> {
        let told = scene.sight.has_alarm(None, AlarmKind::ClockDoubtful);
        let owed = self.clock.is_owed(scene.now) && !told;
        owed.then(|| "the clock has jumped or is not set, and nobody is told".to_owned())
    }

    /// A command that was found with the broker is an alarm.
    fn stored(&self, scene: &Scene<'_>) -> Option<String> {
        let untold = |(output, at): &&(OutputRef, u64)| {
            let whose = match output {
                OutputRef::Lamp(e, _) => Some(EnclosureIx(e.0)),
                OutputRef::CutOff(_) => None,
            };
            scene.now > at + TOLD_WITHIN && !scene.sight.has_alarm(whose, AlarmKind::RetainedCommand)
        };
        let (output, _) = self.stored.iter().find(untold)?;
        Some(format!("a command was stored for {output:?}, and nobody is told"))
    }

    /// A contactor that does not obey is an alarm.
    fn contactor_deaf(&self, scene: &Scene<'_>) -> Option<String> {
        let up_since = scene.up_since?;
        let all = self.contactors.iter().zip(&scene.settings.cut_offs);
        let mut deaf = all.filter(|((_, disagrees), cut_off)| {
            let since = disagrees.0.map(|since| since.max(up_since));
            cut_off.output.state.is_some() && since.is_some_and(|since| scene.now > since + DEAF_WITHIN)
        });
        let (_, cut_off) = deaf.next()?;
        let told = scene.sight.has_alarm(None, AlarmKind::RelayDeaf);
        (!told).then(|| format!("cut-off {} does not obey, and nobody is told", cut_off.name))
    }

    /// A configuration that was refused is an alarm.
    fn refusal(&self, scene: &Scene<'_>) -> Option<String> {
        let since = scene.now - self.refused?;
        let due = (TOLD_WITHIN..REFUSAL_SHOWN).contains(&since);
        let told = scene.sight.has_alarm(None, AlarmKind::ConfigRefused);
        (due && !told).then(|| "a configuration was refused, and nobody is told".to_owned())
    }
}

/// A lost broker is an alarm.
fn broker_lost(scene: &Scene<'_>) -> Option<String> {
    let due = match scene.down_since {
        Some(since) if since > scene.booted => since + TOLD_WITHIN,
        Some(_) => scene.booted + FIRST_CONNECTION,
        None => return None,
    };
    let told = scene.sight.has_alarm(None, AlarmKind::BrokerLost);
    (scene.now > due && !told).then(|| "the broker is lost, and nobody is told".to_owned())
}

/// A disk that takes nothing is an alarm.
fn disk(scene: &Scene<'_>) -> Option<String> {
    let told = scene.sight.has_alarm(None, AlarmKind::JournalFailing);
    let owed = scene.now > scene.disk_failing? + TOLD_WITHIN && !told;
    owed.then(|| "nothing can be stored, and nobody is told".to_owned())
}

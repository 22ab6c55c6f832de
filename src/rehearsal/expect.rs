//! Whether what a story expects comes to pass.

use super::scenario::{Expectation, What, When, Whose};
use super::sight::Sight;
use crate::control::{AlarmNotice, Controller};
use crate::simulator::World;

/// What an expectation is judged by.
pub(super) struct Evidence<'a> {
    /// What can be seen.
    pub sight: &'a Sight,
    /// What is so.
    pub world: &'a World,
    /// The core, where the daemon runs: for guards and reasons alone.
    pub core: Option<&'a Controller>,
}

/// An expectation while the story runs. Moments are ms.
#[derive(Clone, Debug)]
pub(super) struct Watch {
    when: Spell,
    needs_truth: bool,
    met: bool,
    broken: bool,
}

/// [`When`], in ms.
#[derive(Clone, Copy, Debug)]
enum Spell {
    Within(u64, u64),
    Always(u64, u64),
    Never(u64, u64),
    End,
}

impl Watch {
    /// Watches for `expectation`.
    pub(super) fn new(expectation: &Expectation) -> Watch {
        let ms = |at: std::time::Duration| u64::try_from(at.as_millis()).unwrap_or(u64::MAX);
        let when = match expectation.when {
            When::Within(from, to) => Spell::Within(ms(from), ms(to)),
            When::Always(from, to) => Spell::Always(ms(from), ms(to)),
            When::Never(from, to) => Spell::Never(ms(from), ms(to)),
            When::End => Spell::End,
        };
        let needs_truth = matches!(expectation.what, What::Place(..) | What::Truth(..));
        Watch { when, needs_truth, met: false, broken: false }
    }

    /// Looks at one moment; tells what is wrong the first time it is. `on_grid`: a moment at which the plant is looked
    /// at, which takes long.
    pub(super) fn look(&mut self, now: u64, on_grid: bool, what: &What, evidence: &Evidence<'_>) -> Option<String> {
        if self.met || self.broken || (self.needs_truth && !on_grid) {
            return None;
        }
        match self.when {
            Spell::Within(from, to) => {
                if now >= from && now <= to {
                    self.met = holds(what, evidence) == Some(true);
                }
                (now >= to && !self.met).then(|| self.fail("it did not come about", what, evidence))
            }
            Spell::Always(from, to) if now >= from && now <= to => {
                (holds(what, evidence) == Some(false)).then(|| self.fail("it did not hold", what, evidence))
            }
            Spell::Never(from, to) if now >= from && now <= to => {
                (holds(what, evidence) == Some(true)).then(|| self.fail("it came about", what, evidence))
            }
            Spell::Always(..) | Spell::Never(..) | Spell::End => None,
        }
    }

    /// From when on it must be looked at again, as long as nothing happens but readings of which nothing comes; `grid`: when
    /// the plant is looked at next.
    pub(super) fn quiet_until(&self, now: u64, grid: u64, what: &What) -> u64 {
        if self.met || self.broken {
            return u64::MAX;
        }
        let (from, to, open) = match self.when {
            Spell::Within(from, to) => (from, to, to),
            Spell::Always(from, to) | Spell::Never(from, to) => (from, to, u64::MAX),
            Spell::End => return u64::MAX,
        };
        match what {
            _ if now < from => from,
            _ if now > to => open,
            What::Alarm { .. } | What::Told(..) | What::Guard(..) | What::Closed(..) => open,
            What::Place(..) | What::Truth(..) => open.min(grid),
            What::Burns(..) | What::Because(..) | What::Probe(..) => now,
        }
    }

    /// Looks at the end of the story.
    pub(super) fn at_the_end(&mut self, what: &What, evidence: &Evidence<'_>) -> Option<String> {
        if self.met || self.broken {
            return None;
        }
        match self.when {
            Spell::End => (holds(what, evidence) != Some(true)).then(|| self.fail("it is not so", what, evidence)),
            Spell::Within(..) => Some(self.fail("it did not come about", what, evidence)),
            Spell::Always(..) | Spell::Never(..) => None,
        }
    }

    fn fail(&mut self, how: &str, what: &What, evidence: &Evidence<'_>) -> String {
        self.broken = true;
        match found(what, evidence) {
            Some(found) => format!("{how}: {found}"),
            None => how.to_owned(),
        }
    }
}

/// Whether `what` holds now; none where nobody can say.
fn holds(what: &What, evidence: &Evidence<'_>) -> Option<bool> {
    let Evidence { sight, world, core } = evidence;
    Some(match what {
        What::Alarm { kind, except, least, whose, aside } => {
            let counts = |notice: &AlarmNotice| {
                kind.is_none_or(|kind| kind == notice.kind)
                    && !except.contains(&notice.kind)
                    && notice.priority >= *least
                    && aside.is_none_or(|aside| aside == notice.aside.is_some())
                    && match whose {
                        Whose::Any => true,
                        Whose::Site => notice.enclosure.is_none(),
                        Whose::Enclosure(e) => notice.enclosure == Some(*e),
                    }
            };
            sight.alarms.values().any(|(notice, _)| counts(notice))
        }
        What::Burns(e, l, burns) => (world.power(*e, *l)?.0 > 0.0) == *burns,
        What::Told(e, l, on) => sight.lamp(*e, *l).level.is_off() != *on,
        What::Because(e, l, words) => core.as_ref()?.view(*e)?.lamps.get(l.0)?.reason.contains(words),
        What::Guard(e, l, standing) => core.as_ref()?.view(*e)?.lamps.get(l.0)?.interlock.as_ref()?.state == *standing,
        What::Place(e, region, bound) => bound.holds(world.temperature(*e, *region)?.0),
        What::Probe(e, p, bound) => bound.holds(sight.enclosures[e.0].probes[p.0].last()?.1),
        What::Truth(e, p, bound) => bound.holds(world.truth(*e, *p)?),
        What::Closed(c, closed) => world.is_closed(*c)? == *closed,
    })
}

/// What is so instead, in words, where that helps.
fn found(what: &What, evidence: &Evidence<'_>) -> Option<String> {
    let Evidence { sight, world, core } = evidence;
    Some(match what {
        What::Alarm { .. } => {
            let alarms: Vec<_> = sight.alarms.values().map(|(notice, _)| notice.text.as_str()).collect();
            if alarms.is_empty() {
                "no alarm stands".to_owned()
            } else {
                format!("these stand: {}", alarms.join(" | "))
            }
        }
        What::Burns(e, l, _) => format!("it draws {}", world.power(*e, *l)?),
        What::Told(e, l, _) | What::Because(e, l, _) => {
            let view = core.as_ref()?.view(*e)?;
            let lamp = view.lamps.get(l.0)?;
            format!("it is told {}: {}", lamp.wanted, lamp.reason)
        }
        What::Guard(e, l, _) => {
            let view = core.as_ref()?.view(*e)?;
            let interlock = view.lamps.get(l.0)?.interlock.as_ref()?;
            format!(
                "it is {}{}",
                interlock.state,
                interlock.why.as_ref().map_or(String::new(), |why| format!(": {why}"))
            )
        }
        What::Place(e, region, _) => format!("it is at {:.2} °C", world.temperature(*e, *region)?.0),
        What::Probe(e, p, _) => format!("it reads {:.2}", sight.enclosures[e.0].probes[p.0].last()?.1),
        What::Truth(e, p, _) => format!("it is {:.2}", world.truth(*e, *p)?),
        What::Closed(c, _) => format!("it is {}", if world.is_closed(*c)? { "closed" } else { "open" }),
    })
}

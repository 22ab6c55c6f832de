//! Lamps and their outputs: what does not obey, gives no sign, or gives too much or too little UV.

use std::time::Duration;

use super::Scene;
use super::{LampAt, Since, heat, lamp_name, ms, probe, probe_name};
use crate::control::{AlarmKind, Footing, Reason};
use crate::rehearsal::sight::LampSeen;
use crate::settings::{Enclosure, EnclosureIx, Lamp, LampIx, Measures, ProbeIx, UvBand, UvCeiling};
use crate::units::Level;

/// An output is deaf after 30 s (guard law 6), ms.
const DEAF_WITHIN: u64 = 30_000;
/// A lamp that draws nothing by its own meter is told within this, ms: the evidence of a quarter of an hour, twice.
const IDLE_WITHIN: u64 = 30 * 60_000;
/// One that no UV comes from within this, ms: the promise for all but one in a thousand; an animal may be in between.
const DARK_WITHIN: u64 = 2 * 3_600_000;
/// Too little UV is told within this, ms: six hours of warm light, the on-delay, and an hour; too much, which nothing that
/// lies on a probe can make, within an hour of light, the on-delay, and half an hour.
const BELOW_WITHIN: u64 = (7 * 60 + 30) * 60_000;
const ABOVE_WITHIN: u64 = 2 * 3_600_000;
/// UV over the ceiling is told within this, ms: the on-delay, and a little.
const CEILING_WITHIN: u64 = 2 * 60_000;
/// Readings count as outside only by this share: what lies closer may be judged either way.
const CLEARLY: f64 = 0.05;
/// A lamp drawing less than this share of its rated power is dark, as the program reckons it.
const DARK_POWER: f64 = 0.1;
/// As is one whose probe sees less than this UVI, or than a hundredth of the band's low end: an animal leaves more.
const DARK_UVI: f64 = 0.02;
/// From this share on the guard takes a lamp for lit.
const LIT: f64 = 0.3;
/// No override lasts longer, ms.
const LONGEST_OVERRIDE: Duration = Duration::from_secs(24 * 3600);

/// What is known of a lamp.
#[derive(Clone, Debug, Default)]
pub(super) struct Track {
    /// Since when it has been told off and truly heats over its cut, with the reading then, ms.
    pub unstopped: Option<(u64, f64)>,
    /// Its output reports otherwise.
    disagrees: Since,
    /// It is on by every account.
    pub shines: Since,
    /// It is told to be fully on, or off.
    pub full: Since,
    pub off: Since,
    /// It is fully on and its own meter says that it draws next to nothing.
    idle: Since,
    /// Its guard's probes are apart.
    pub apart: Since,
    /// Fully on, and short of its target.
    pub short: Option<heat::Short>,
    /// Whether the guard takes it for lit, and since when.
    lit: bool,
    lit_changed: u64,
    /// The switch that a live probe must answer to, with how often each probe had spoken by then.
    pub tested: Option<(u64, Vec<u64>)>,
    /// Until when somebody's hand counts.
    hand: Hand,
    /// What was seen of it when it was followed last.
    followed: Option<Followed>,
}

/// What follows of a lamp depends on: its level, what its output says, and whether the link is up.
type Followed = (Level, Option<Level>, bool);

/// A level that somebody has set.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Hand {
    /// Until when it counts, ms.
    until: u64,
    /// For how long it was asked for, ms.
    span: u64,
    /// How far the wall clock was off then, ms.
    clock: i64,
}

impl Track {
    /// The daemon has started, its wall clock off by so many ms. By a clock that has gone back, and nobody could tell, more
    /// of a hand's time is left; never more than was asked for.
    pub(super) fn started(&mut self, now: u64, clock: i64) {
        self.lit_changed = now;
        let back = u64::try_from(self.hand.clock - clock).unwrap_or(0);
        if self.hand.until > 0 && back > 0 {
            self.hand.until = self.hand.until.saturating_add(back).min(now + self.hand.span).max(self.hand.until);
        }
    }

    /// What somebody has set.
    pub(super) fn hand(&self) -> Hand {
        self.hand
    }

    /// The daemon has ended, and it counts on.
    pub(super) fn keep_hand(&mut self, hand: Hand) {
        self.hand = hand;
    }

    /// Its output reports what it was told: it is not deaf, even if it is told something else in the same moment.
    pub(super) fn reported(&mut self, seen: &LampSeen) {
        if seen.reported.is_some_and(|(level, _)| level.agrees_with(seen.level)) {
            self.disagrees = Since::default();
        }
    }

    /// A person has reset its guard: a probe that stood still is given another chance.
    pub(super) fn reset(&mut self) {
        self.tested = None;
    }

    pub(super) fn set_by_hand(&mut self, now: u64, span: Option<Duration>, clock: i64) {
        let span = span.map_or(0, |span| ms(span.min(LONGEST_OVERRIDE)));
        self.hand = Hand { until: now + span, span, clock };
    }

    /// Until when nothing can be owed of its output, its draw, its ceiling and the hand that set it, as long as nothing
    /// switches; `by_hand`: somebody's hand has.
    pub(super) fn quiet_until(&self, now: u64, lamp: &Lamp, probes: &[probe::Track], by_hand: bool) -> u64 {
        if self.disagrees.0.is_some() || by_hand {
            return now;
        }
        let idle = lamp.power_probe.map(|_| self.idle.0.unwrap_or(now) + IDLE_WITHIN);
        let over = |ceiling: &UvCeiling| probes[ceiling.probe.0].over.can_last(now, ms(ceiling.patience));
        let over = lamp.uv_ceiling.as_ref().map(over);
        idle.into_iter().chain(over).min().unwrap_or(u64::MAX)
    }

    pub(super) fn follow(&mut self, now: u64, lamp: &Lamp, seen: &LampSeen, up: bool, probes: &[probe::Track]) {
        let followed = (seen.level, seen.reported.map(|(level, _)| level), up);
        if self.followed.replace(followed) == Some(followed) {
            return;
        }
        let agrees = seen.reported.is_some_and(|(level, _)| level.agrees_with(seen.level));
        self.disagrees.set(now, up && lamp.output.state.is_some() && !agrees);
        let says_on = lamp.output.state.is_none() || seen.reported.is_some_and(|(level, _)| !level.is_off());
        self.shines.set(now, !seen.level.is_off() && says_on);
        self.full.set(now, heat::is_full(seen.level.share()));
        self.off.set(now, seen.level.is_off());
        let lit = seen.level.share() >= LIT;
        if lit != self.lit {
            // What lasted only briefly proves nothing about the probe.
            let long_enough =
                lamp.guard.as_ref().is_some_and(|guard| now - self.lit_changed > ms(guard.frozen_after) / 3 + 1000);
            self.tested = long_enough.then(|| (now, probes.iter().map(|probe| probe.said).collect()));
            (self.lit, self.lit_changed) = (lit, now);
        }
    }
}

/// Within which times what a UV probe sees outside is owed: none, too little, too much, over the ceiling.
pub(super) fn uv_withins() -> [u64; 4] {
    [DARK_WITHIN, BELOW_WITHIN, ABOVE_WITHIN, CEILING_WITHIN]
}

/// A good reading came from probe `p`; `gap`: after a silence.
pub(super) fn reading(
    now: u64,
    enclosure: &Enclosure,
    (lamps, track): (&mut [Track], &mut probe::Track),
    p: ProbeIx,
    (value, gap): (f64, bool),
) {
    let mut below = 0;
    let mut warm = true;
    for (lamp, known) in enclosure.lamps.iter().zip(lamps.iter_mut()) {
        if lamp.lights == Some(p) {
            below += 1;
            warm &= known.shines.lasted(now) >= ms(lamp.warm_up);
        }
        if let (Some(power), true) = (lamp.power, lamp.power_probe == Some(p)) {
            let full = known.full.lasted(now).min(known.shines.lasted(now)) >= ms(enclosure.probes[p.0].every);
            known.idle.set(now, !gap && full && value < power.0 * DARK_POWER * (1.0 - CLEARLY));
        }
    }
    let Some(band) = enclosure.care.uv.filter(|_| enclosure.probes[p.0].measures == Measures::Uvi) else { return };
    let warm = warm && below > 0 && !gap;
    track.over.set(now, !gap && value > band.ceiling.0 * (1.0 + CLEARLY));
    track.above.set(now, warm && value > band.high.0 * (1.0 + CLEARLY));
    // No UV at all is another alarm, and while that stands it is not called too little.
    let dark = darkness(band);
    let too_little = dark * (1.0 + CLEARLY)..band.low.0 * (1.0 - CLEARLY);
    track.below.set(now, warm && too_little.contains(&value));
    track.dark.set(now, warm && value < dark * (1.0 - CLEARLY));
}

/// An output that reports otherwise for 30 s is an alarm, however late or lossy the messages: what the program sees
/// disagree, it must tell.
pub(super) fn deaf(scene: &Scene<'_>, at: LampAt, track: &Track) -> Option<String> {
    let since = track.disagrees.0?.max(scene.up_since?);
    let told = scene.is_told(at.0, &[AlarmKind::RelayDeaf]);
    (scene.now > since + DEAF_WITHIN && !told).then(|| {
        let seen = &scene.sight.enclosures[at.0].lamps[at.1];
        let reports = seen.reported.map_or("nothing".to_owned(), |(level, _)| level.to_string());
        let lasted = (scene.now - since) / 1000;
        format!(
            "{} is told {} and reports {reports} for {lasted} s, and nobody is told",
            lamp_name(scene, at),
            seen.level
        )
    })
}

/// A lamp that is fully on and draws nothing by its own meter, or that no UV comes from.
pub(super) fn dark(scene: &Scene<'_>, at: LampAt, track: &Track) -> Option<String> {
    let enclosure = &scene.settings.enclosures[at.0];
    let probe = enclosure.lamps[at.1].power_probe.filter(|probe| scene.is_fresh(at.0, *probe))?;
    let every = ms(enclosure.probes[probe.0].every);
    let told = scene.is_told(at.0, &[AlarmKind::LampDark, AlarmKind::ProbeSilent, AlarmKind::ProbeDoubtful]);
    (track.idle.lasted(scene.now) > IDLE_WITHIN + 2 * every && !told).then(|| {
        let lasted = track.idle.lasted(scene.now) / 60_000;
        format!("{} is fully on and draws nothing for {lasted} min, and nobody is told", lamp_name(scene, at))
    })
}

/// What a UV probe sees while all its lamps are warm, and nobody is told. How long it has seen that is reckoned by what it
/// says itself; that it is so by its background and gain too, the program is asked.
pub(super) fn uv(scene: &Scene<'_>, at: (usize, usize), track: &probe::Track) -> Option<String> {
    if !scene.is_fresh(at.0, ProbeIx(at.1)) {
        return None;
    }
    let every = ms(scene.settings.enclosures[at.0].probes[at.1].every);
    let band = scene.settings.enclosures[at.0].care.uv?;
    let told = |kinds: &[AlarmKind]| {
        scene.is_told(at.0, kinds) || scene.is_told(at.0, &[AlarmKind::ProbeSilent, AlarmKind::ProbeDoubtful])
    };
    use AlarmKind::{LampDark, UvAboveBand, UvBelowBand, UvOverCeiling};
    let (low, high) = (band.low.0 * (1.0 - CLEARLY), band.high.0 * (1.0 + CLEARLY));
    let (dark, over) = (darkness(band) * (1.0 - CLEARLY), band.ceiling.0 * (1.0 + CLEARLY));
    let found = [
        (track.dark, DARK_WITHIN, "no UV", [LampDark, LampDark], f64::MIN..dark),
        (track.below, BELOW_WITHIN, "too little UV", [UvBelowBand, LampDark], f64::MIN..low),
        (track.above, ABOVE_WITHIN, "too much UV", [UvAboveBand, UvOverCeiling], high..f64::MAX),
        (track.over, CEILING_WITHIN, "UV over the ceiling", [UvOverCeiling, UvOverCeiling], over..f64::MAX),
    ];
    let lasted = |since: Since| since.lasted(scene.now).min(scene.now.saturating_sub(track.judged_from));
    let owed =
        found.into_iter().find(|(since, within, _, kinds, _)| lasted(*since) > within + 2 * every && !told(kinds));
    let (since, _, what, [kind, _], range) = owed?;
    let view = scene.core.view(EnclosureIx(at.0))?.probes.get(at.1)?.uv?;
    let level_counts = view.footing != Footing::RelativeOnly || !matches!(kind, UvBelowBand | UvAboveBand);
    let lasted = lasted(since) / 60_000;
    (level_counts && range.contains(&view.uvi?.0))
        .then(|| format!("{} reads {what} for {lasted} min, and nobody is told", probe_name(scene, at)))
}

/// Below this UVI there is no UV at all.
fn darkness(band: UvBand) -> f64 {
    DARK_UVI.min(band.low.0 / 100.0)
}

/// Guard law 8: a lamp over its ceiling for longer than its patience is off.
pub(super) fn over_ceiling(scene: &Scene<'_>, at: LampAt, probes: &[probe::Track]) -> Option<String> {
    let ceiling = scene.settings.enclosures[at.0].lamps[at.1].uv_ceiling;
    let ceiling = ceiling.filter(|ceiling| scene.is_fresh(at.0, ceiling.probe))?;
    let probe = &scene.settings.enclosures[at.0].probes[ceiling.probe.0];
    let track = &probes[ceiling.probe.0];
    let over = track.over.lasted(scene.now).min(scene.now.saturating_sub(track.judged_from));
    let kinds = [AlarmKind::ProbeSilent, AlarmKind::ProbeDoubtful];
    let on = !scene.sight.enclosures[at.0].lamps[at.1].level.is_off();
    if !on || over <= ms(ceiling.patience) + 2 * ms(probe.every) || scene.is_told(at.0, &kinds) {
        return None;
    }
    let uvi = scene.core.view(EnclosureIx(at.0))?.probes.get(ceiling.probe.0)?.uv?.uvi?;
    (uvi.0 > ceiling.ceiling.0 * (1.0 + CLEARLY)).then(|| {
        let over = over / 60_000;
        format!("{} is on, and its probe has read over the ceiling for {over} min", lamp_name(scene, at))
    })
}

/// An override ends when its time is over.
pub(super) fn overridden(scene: &Scene<'_>, at: LampAt, track: &Track) -> Option<String> {
    let seen = scene.sight.lamp(EnclosureIx(at.0), LampIx(at.1));
    let by_hand = matches!(seen.reason, Some(Reason::Override)) && scene.now > track.hand.until + super::TOLD_WITHIN;
    // What was seen last is the reason of the last switch; another one may have taken its place since.
    let reason = by_hand.then(|| scene.core.view(EnclosureIx(at.0))?.lamps.get(at.1).map(|lamp| lamp.reason.clone()));
    (reason.flatten()? == Reason::Override.to_string())
        .then(|| format!("{} is still as somebody set it by hand", lamp_name(scene, at)))
}

//! Draws what the keeper does: overrides and their end, resets, acknowledgements, lamps said to be changed, and meter
//! readings with human error, at moments that suit nobody.

use std::time::Duration;

use super::Draw;
use crate::control::{Act, AlarmKind, MeterReading};
use crate::settings::{CutOffIx, EnclosureIx, LampIx, Measures, Settings};
use crate::units::{Level, Uvi};

/// Acts at most.
const MOST: usize = 8;
/// Shortest and longest override, s; the longest is what the program allows.
const LASTS: (u64, u64) = (60, 24 * 3600);

/// What the keeper does within `safety`, in order of time; nothing in half of all stories.
pub(super) fn draw(draw: &mut Draw, settings: &Settings, safety: Duration) -> Vec<(Duration, Act)> {
    if draw.chance(0.5) {
        return Vec::new();
    }
    let mut acts: Vec<_> = (0..1 + draw.below(MOST)).map(|_| one(draw, settings, safety)).collect();
    acts.sort_by_key(|(at, _)| *at);
    acts
}

fn one(draw: &mut Draw, settings: &Settings, safety: Duration) -> (Duration, Act) {
    let at = Duration::from_secs(draw.between(60.0, safety.as_secs_f64() - 120.0) as u64);
    let enclosure = EnclosureIx(draw.below(settings.enclosures.len()));
    let lamp = LampIx(draw.below(settings.enclosures[enclosure.0].lamps.len()));
    let level = Level::clamped(draw.one(&[0.0, 0.0, 0.3, 0.6, 1.0, 1.0, 1.0]));
    let span = draw.time(LASTS.0, LASTS.1);
    let whole = draw.chance(0.3);
    // Not the kinds that came later: seeds go on drawing what they drew.
    let kind = draw.one(&AlarmKind::ALL[..20]);
    let reading = meter(draw, settings, enclosure);
    let act = match (draw.below(10), reading) {
        (0..=2, _) => Act::Override { enclosure, lamp, level: Some(level), span },
        (3, _) => Act::Override { enclosure, lamp, level: None, span: Duration::ZERO },
        (4 | 5, _) => Act::Reset { enclosure, lamp: (!whole).then_some(lamp) },
        (6, _) if !settings.cut_offs.is_empty() => Act::ResetCutOff { cut_off: CutOffIx(0) },
        (7, Some(reading)) => Act::MeterReading { enclosure, reading },
        (8, Some(_)) => Act::LampChange { enclosure, lamp },
        _ => Act::Acknowledge { enclosure: (!whole).then_some(enclosure), kind: draw.chance(0.3).then_some(kind) },
    };
    (at, act)
}

/// What a person reads off a meter beside the UV probe, or takes it for: held too near or too far, a guess, or with a slip
/// of the pen in the decimal point. All numbers are guesses.
fn meter(draw: &mut Draw, settings: &Settings, EnclosureIx(e): EnclosureIx) -> Option<MeterReading> {
    let uvi = draw.steps(1.5, 7.5, 0.1);
    let slip = draw.one(&[1.0, 1.0, 1.0, 1.0, 1.0, 0.1, 10.0]);
    let guess = draw.chance(0.2);
    let probe = settings.enclosures[e].probes.iter().find(|probe| probe.measures == Measures::Uvi)?;
    Some(MeterReading { spot: probe.spot.clone(), uvi: Uvi((uvi * slip * 100.0).round() / 100.0), alone: None, guess })
}

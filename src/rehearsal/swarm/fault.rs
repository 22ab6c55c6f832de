//! Draws what goes wrong.

use std::time::Duration;

use super::Draw;
use crate::rehearsal::scenario::{Mishap, Timed, classes, mishap_of, needs};
use crate::settings::{CutOffIx, Enclosure, EnclosureIx, LampIx, Measures, ProbeIx, Settings};
use crate::simulator::{Fault, Switch};

/// Shortest and longest fault, s; a guess.
const LASTS: (u64, u64) = (30, 12 * 3600);

/// The classes that may happen: each is on with a chance that is itself drawn.
pub(super) fn classes_on(draw: &mut Draw) -> Vec<&'static str> {
    let share = draw.one(&[0.05, 0.15, 0.4, 0.8]);
    let on: Vec<_> = classes().filter(|_| draw.chance(share)).collect();
    if on.is_empty() { vec!["daemon-dies"] } else { on }
}

/// One fault of one of `on`, within `safety`; none where the site has nothing it could happen to.
pub(super) fn draw(
    draw: &mut Draw,
    on: &[&'static str],
    settings: &Settings,
    safety: Duration,
) -> Option<Timed<Mishap>> {
    let class = draw.one(on);
    // Everything is drawn, needed or not, so that one class shifts nothing of the next fault.
    let at = Duration::from_secs(draw.between(60.0, safety.as_secs_f64() - 120.0) as u64);
    let lasts = draw.time(LASTS.0, LASTS.1);
    let e = EnclosureIx(draw.below(settings.enclosures.len()));
    let enclosure = &settings.enclosures[e.0];
    let lamp = LampIx(draw.below(enclosure.lamps.len()));
    let probe = ProbeIx(draw.below(enclosure.probes.len()));
    let other = ProbeIx(draw.below(enclosure.probes.len()));
    let cut_off = (!settings.cut_offs.is_empty() && draw.chance(0.15)).then_some(CutOffIx(0));
    let (by, share) = amounts(draw, class, enclosure.probes[probe.0].measures);
    let over = draw.time(2, if class == "heat-wave" { 6 * 3600 } else { 90 });
    let (last, apart) = (draw.time(30, 1800), draw.time(300, 7200));
    let (power, uv) = (draw.steps(0.5, 2.0, 0.1), draw.steps(0.5, 2.5, 0.1));
    let says = draw.chance(0.7);
    let has = |part: &str| needs(class).contains(&part);
    let switch = match cut_off {
        Some(cut_off) => Switch::CutOff(cut_off),
        None => Switch::Lamp(e, lamp),
    };
    let (probe, other) = if has("other") { alike(enclosure, probe, other)? } else { (probe, other) };
    let what = mishap_of(class, |parts| {
        parts.enclosure = has("enclosure").then_some(e);
        parts.lamp = has("lamp").then_some((e, lamp));
        parts.probe = has("probe").then_some((e, probe));
        parts.other = has("other").then_some((e, other));
        if has("switch") {
            match switch {
                Switch::Lamp(e, l) => parts.lamp = Some((e, l)),
                Switch::CutOff(c) => parts.cut_off = Some(c),
            }
        }
        parts.by = has("by").then_some(by);
        parts.share = has("share").then_some(share);
        parts.over = has("over").then_some(over);
        parts.last = has("last").then_some(last);
        parts.apart = has("apart").then_some(apart);
        parts.power = has("power").then_some(power);
        parts.uv = has("uv").then_some(uv);
        parts.says = has("says").then_some(says);
    })?;
    if !makes_sense(&what, settings) {
        return None;
    }
    let until = (!what.is_act()).then(|| (at + lasts).min(safety));
    Some(Timed { at, until, what })
}

/// Two probes that measure the same, so that they can change places; none where there are no such two.
fn alike(enclosure: &Enclosure, ProbeIx(one): ProbeIx, ProbeIx(other): ProbeIx) -> Option<(ProbeIx, ProbeIx)> {
    let probes = || enclosure.probes.iter().enumerate();
    let pairs = probes().flat_map(|(a, first)| {
        let same = probes().filter(move |(b, second)| *b != a && second.measures == first.measures);
        same.map(move |(b, _)| (ProbeIx(a), ProbeIx(b)))
    });
    let pairs: Vec<_> = pairs.collect();
    pairs.get((one + other) % pairs.len().max(1)).copied()
}

/// `by` and `share` for a class: guesses at what hardware and weather do.
fn amounts(draw: &mut Draw, class: &str, measures: Measures) -> (f64, f64) {
    let temperature = measures == Measures::Temperature;
    let sign = if draw.chance(0.5) { 1.0 } else { -1.0 };
    let by = match class {
        "room-warms" | "heat-wave" => draw.steps(1.0, 9.0, 0.5) * sign,
        "window-opens" => draw.steps(2.0, 12.0, 0.5),
        "draught" => draw.steps(1.5, 4.0, 0.5),
        "dirt-gathers" => draw.steps(0.01, 0.2, 0.01),
        "lamp-ages-fast" => draw.steps(10.0, 200.0, 10.0),
        "lamp-moves" => draw.steps(0.02, 0.15, 0.01) * sign,
        "lamp-changed" => draw.steps(0.6, 2.2, 0.1),
        "clock-steps" => f64::from(draw.one(&[-7200, -3600, -90, 90, 600, 3600, 86_400])),
        "clock-drifts" => f64::from(draw.one(&[-200, -50, 50, 200])),
        "probe-slow" => draw.steps(1.5, 6.0, 0.5),
        "probe-noisy" => draw.steps(2.0, 20.0, 1.0),
        "probe-coarse" => draw.steps(2.0, 16.0, 2.0),
        "probe-gain" => draw.steps(0.8, 1.25, 0.05),
        "probe-offset" => (if temperature { draw.steps(0.5, 8.0, 0.5) } else { draw.steps(0.1, 2.0, 0.1) }) * sign,
        "probe-drifts" => (if temperature { draw.steps(0.5, 5.0, 0.5) } else { draw.steps(0.1, 1.0, 0.1) }) * sign,
        "probe-warmth" => draw.steps(0.002, 0.02, 0.002) * sign,
        "probe-reads-uva" => draw.steps(0.05, 0.4, 0.05),
        "probe-moves" => draw.steps(0.02, 0.2, 0.01) * sign,
        "probe-spikes" => draw.steps(2.0, 30.0, 1.0),
        _ => draw.steps(0.0, 1.0, 0.1),
    };
    let share = match class {
        "messages-lost" => draw.steps(0.05, 0.6, 0.05),
        "probe-spikes" => draw.steps(0.01, 0.2, 0.01),
        _ => draw.steps(0.05, 0.9, 0.05),
    };
    (by, share)
}

/// Leaves out what no hardware does.
fn makes_sense(what: &Mishap, settings: &Settings) -> bool {
    let probe = |e: EnclosureIx, p: ProbeIx| settings.enclosures[e.0].probes[p.0].measures;
    match what {
        Mishap::Plant(Fault::ProbeMixesUnits(e, p)) => probe(*e, *p) == Measures::Temperature,
        Mishap::Plant(Fault::ProbeReadsUva(e, p, _)) => probe(*e, *p) == Measures::Uvi,
        Mishap::Plant(Fault::ProbesSwap(e, a, b)) => probe(*e, *a) == probe(*e, *b),
        Mishap::Plant(Fault::UvDies(e, l)) => settings.enclosures[e.0].lamps[l.0].fitting.traits().emits.uv,
        _ => true,
    }
}

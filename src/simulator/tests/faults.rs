//! Every class of fault shows while it lasts and leaves nothing behind but physics.

use super::*;

const POWER: ProbeIx = ProbeIx(2);
const COOL: ProbeIx = ProbeIx(3);
const MAINS: Switch = Switch::CutOff(CutOffIx(0));
const OUTPUT: Switch = Switch::Lamp(ONLY, HEAT);

/// The usual enclosure with a contactor above its heat.
pub(super) fn with_cut_off() -> Settings {
    let mut settings = basker();
    let kind = settings.enclosures[0].lamps[0].output.kind.clone();
    let output =
        Output { set: "cut/set".to_owned(), state: Some("cut".to_owned()), state_pointer: None, kind, hold: None };
    settings.cut_offs.push(CutOff { name: "mains".to_owned(), output });
    settings.enclosures[0].lamps[0].cut_off = Some(CutOffIx(0));
    settings
}

/// One of every class, in the order of the classes.
pub(super) fn one_of_each() -> Vec<Fault> {
    let spells = Spells { last: Duration::from_secs(300), apart: Duration::from_secs(300) };
    let quick = Spells { last: Duration::from_secs(1), apart: Duration::from_secs(20) };
    vec![
        Fault::RoomWarms(Kelvin(5.0)),
        Fault::HeatWave(Kelvin(6.0), Duration::from_secs(1800)),
        Fault::WindowOpens(Kelvin(6.0)),
        Fault::PowerFails,
        Fault::Draught(ONLY, 4.0),
        Fault::BrownOut(ONLY),
        Fault::DirtGathers(ONLY, 0.9),
        Fault::UvDies(ONLY, UVB),
        Fault::LampBreaks(ONLY, HEAT),
        Fault::LampFlickers(ONLY, UVB, quick),
        Fault::LampAgesFast(ONLY, UVB, 200.0),
        Fault::WrongLamp(ONLY, HEAT, Strength { power: 2.0, uv: 1.0 }),
        Fault::LampMoves(ONLY, HEAT, Metres(-0.1)),
        Fault::LampIsChanged(ONLY, UVB, 1.2),
        Fault::RelayWelds(OUTPUT),
        Fault::RelayStaysOpen(OUTPUT),
        Fault::RelayIsDeaf(OUTPUT),
        Fault::RelayIsSlow(OUTPUT, Duration::from_secs(20)),
        Fault::RelayLies(OUTPUT),
        Fault::ReportFreezes(OUTPUT),
        Fault::ReportIsLost(OUTPUT),
        Fault::RelayReboots(OUTPUT),
        Fault::RelayBootsSilently(OUTPUT),
        Fault::RelayResumes(OUTPUT),
        Fault::HoldFails(OUTPUT),
        Fault::ProbeIsSilent(ONLY, BASKING),
        Fault::ProbeReboots(ONLY, BASKING),
        Fault::ProbeDropsOut(ONLY, BASKING, 0.5),
        Fault::ProbeIsSlow(ONLY, BASKING, 5.0),
        Fault::ProbeStumbles(ONLY, BASKING, 0.8),
        Fault::ProbeRepeats(ONLY, BASKING, 0.5),
        Fault::ProbeReorders(ONLY, BASKING, 0.5),
        Fault::ProbeRetains(ONLY, BASKING),
        Fault::ProbeGhosts(ONLY, BASKING),
        Fault::ProbeFreezes(ONLY, BASKING),
        Fault::ProbeIsUnplugged(ONLY, BASKING),
        Fault::ProbeMixesUnits(ONLY, BASKING),
        Fault::ProbeIsNoisy(ONLY, BASKING, 10.0),
        Fault::ProbeIsCoarse(ONLY, BASKING, 16.0),
        Fault::ProbeGain(ONLY, UV, 1.3),
        Fault::ProbeOffset(ONLY, BASKING, -3.0),
        Fault::ProbeDrifts(ONLY, BASKING, 24.0),
        Fault::ProbeFeelsWarmth(ONLY, UV, 0.02),
        Fault::ProbeReadsUva(ONLY, UV, 0.3),
        Fault::ProbeSpikes(ONLY, BASKING, Spikes { share: 0.2, by: 15.0 }),
        Fault::ProbeFallsOff(ONLY, UV),
        Fault::ProbeDrowns(ONLY, BASKING),
        Fault::ProbeMoves(ONLY, UV, Metres(0.1)),
        Fault::ProbesSwap(ONLY, BASKING, COOL),
        Fault::AnimalLiesOn(ONLY, UV, spells),
    ]
}

/// What can be seen of a world: what it said in a stretch of time, and what is so at the end of each of its minutes.
#[derive(Debug, Default)]
struct Seen {
    said: Vec<Message>,
    so: Vec<[f64; 6]>,
}

/// The faults in a world that is used: heat on and off every ten minutes and forgotten for a while, UV on all day, the
/// contactor opened now and then, and two reboots. Seen while the fault lasts, and a day later.
fn seen(faults: &[TimedFault]) -> (Seen, Seen) {
    let reboot = |at, switch| TimedFault { at: minutes(at), until: None, fault: Fault::RelayReboots(switch) };
    let usual = [reboot(84, OUTPUT), reboot(97, MAINS)];
    let faults: Vec<TimedFault> = usual.into_iter().chain(faults.iter().copied()).collect();
    let mut told = Told::new(&with_cut_off(), &faults);
    let (mut during, mut after) = (Seen::default(), Seen::default());
    for minute in 0..24 * 60_u64 {
        let heat = if minute % 20 < 10 { "ON" } else { "OFF" };
        if !(108..119).contains(&minute) {
            told.tell("e/heat/set", heat);
        }
        told.tell("e/uvb/set", "ON");
        told.tell("cut/set", if minute % 20 == 4 { "OFF" } else { "ON" });
        told.run(minute + 1);
        let seen = match minute {
            60..120 => &mut during,
            1380.. => &mut after,
            _ => {
                told.said.clear();
                continue;
            }
        };
        seen.said.append(&mut told.said);
        let at = |place| told.world.temperature(ONLY, place).expect("it is there").0;
        let truth = |probe| told.world.truth(ONLY, probe).expect("it is there");
        let power = |lamp| told.world.power(ONLY, lamp).expect("it is there").0;
        seen.so.push([
            at(Region::BaskingSurface),
            at(Region::CoolSide),
            truth(UV),
            truth(POWER),
            power(HEAT),
            f64::from(u8::from(told.world.is_closed(CutOffIx(0)).expect("it is there"))),
        ]);
    }
    (during, after)
}

fn lasting(fault: Fault) -> TimedFault {
    TimedFault { at: minutes(65), until: Some(minutes(120)), fault }
}

#[test]
fn there_is_one_of_each_class() {
    let classes: Vec<&str> = one_of_each().into_iter().map(Fault::class).collect();
    assert_eq!(classes, Fault::CLASSES);
}

#[test]
fn every_fault_shows_while_it_lasts_and_is_over_afterwards() {
    let (healthy, later) = seen(&[]);
    let numbers = |seen: &Seen, topic: &str| -> Vec<f64> {
        let own = seen.said.iter().filter(|message| message.topic() == topic);
        own.map(|message| message.payload().parse().expect("a number")).collect()
    };
    let contactor = [Fault::RelayWelds(MAINS), Fault::RelayStaysOpen(MAINS), Fault::RelayIsDeaf(MAINS)];
    for fault in one_of_each().into_iter().chain(contactor) {
        let (during, after) = seen(&[lasting(fault)]);
        assert!(during.said != healthy.said || during.so != healthy.so, "{fault:?} does nothing");
        // A new lamp is stronger for good, and one that aged fast has aged.
        let uv = match fault {
            Fault::LampIsChanged(..) => 3.0,
            Fault::LampAgesFast(..) => 0.5,
            _ => 0.01,
        };
        for (now, usual) in after.so.iter().zip(&later.so) {
            for (at, near) in [1e-3, 1e-3, uv, 1e-9, 1e-9, 1e-9].into_iter().enumerate() {
                assert!((now[at] - usual[at]).abs() <= near, "{fault:?} leaves a trace: {now:?} {usual:?}");
            }
        }
        for (topic, near) in [("e/basking", 0.3), ("e/uv", uv.max(0.15)), ("e/power", 0.5), ("e/cool", 0.3)] {
            let (now, usual) = (numbers(&after, topic), numbers(&later, topic));
            assert!(now.len().abs_diff(usual.len()) <= 1, "{fault:?}: {} on {topic}", now.len());
            let (mean, expected) = (average(&now), average(&usual));
            assert!((mean - expected).abs() < near, "{fault:?}: {mean} on {topic}, usually {expected}");
        }
        assert!(after.said.iter().all(|message| !message.retained()), "{fault:?}");
        let reports = |seen: &Seen, topic: &str| seen.said.iter().filter(|message| message.topic() == topic).count();
        for topic in ["e/heat", "e/uvb", "cut"] {
            assert_eq!(reports(&after, topic), reports(&later, topic), "{fault:?} on {topic}");
        }
    }
}

fn average(numbers: &[f64]) -> f64 {
    numbers.iter().sum::<f64>() / numbers.len() as f64
}

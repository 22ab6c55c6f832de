//! What befalls an enclosure over its years, what its keeper does about it, and the drive of the core through all that.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use lampwarden::control::{Act, AlarmKind, AlarmNotice, Controller, Effect, Event, MeterReading, OutputRef, Reading};
use lampwarden::settings::{Enclosure, EnclosureIx, LampIx, ProbeIx};
use lampwarden::simulator::Pcg32;
use lampwarden::time::{Moment, Mono};
use lampwarden::units::Uvi;

use super::lamp_swarm::Curve;
use super::plant::{DAY, Eye, Plant, UvLamp};
use super::setup::{Setup, pick, range};
use super::tally::Tally;
use super::verdict::Ledger;

pub const E: EnclosureIx = EnclosureIx(0);
const HOUR: f64 = 3600.0;
/// Something befalls an enclosure so often a year, and a lamp, a probe or the mesh is moved so often; guesses.
const FAULTS_A_YEAR: f64 = 1.2;
const MOVES_A_YEAR: f64 = 0.2;
/// What nobody was told of is found by its keeper after so many days.
const FOUND_AFTER: u64 = 10 * DAY;

/// What may befall, in the order of [`super::tally::FATES`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    Breaks,
    LosesUv,
    RelayOpen,
    SupplyDead,
    Unplugged,
    Freezes,
    ShadedForDays,
    HeatBreaks,
}

impl Fate {
    pub fn is_dark_uv_lamp(self) -> bool {
        matches!(self, Fate::Breaks | Fate::LosesUv | Fate::RelayOpen | Fate::SupplyDead)
    }

    pub fn is_dead_probe(self) -> bool {
        matches!(self, Fate::Unplugged | Fate::Freezes)
    }
}

/// What has befallen, and how that is known so far.
#[derive(Clone, Debug)]
pub struct Fault {
    pub fate: Fate,
    pub lamp: usize,
    /// When it befell.
    pub at: u64,
    /// Seconds since in which the lamp should have been on.
    pub overdue: u64,
    /// Minutes of these until it was told, and its column in the table.
    pub told_after: Option<f64>,
    /// The same until any alarm sent its keeper there.
    pub noticed_after: Option<f64>,
    pub told_as: Option<usize>,
    /// Its keeper knows.
    repair_due: bool,
}

/// What is going to be done, or to happen.
#[derive(Clone, Copy, Debug)]
enum Deed {
    Fault,
    Found,
    Repair,
    Walk,
    Measure,
    Change(usize),
    Move,
    /// A lamp too strong is hung higher, and reset.
    Lower,
}

/// Something that speaks by its own beat: the board with the UV probe, or the temperature probe.
#[derive(Clone, Copy, Debug)]
struct Beat {
    next: u64,
    every: u64,
    of_board: bool,
}

/// Where the probes and lamps stand in the settings.
#[derive(Clone, Debug)]
struct Places {
    uv: ProbeIx,
    light: Option<ProbeIx>,
    power: Vec<Option<ProbeIx>>,
    temperature: Option<ProbeIx>,
    lamps: Vec<LampIx>,
    heat: Option<LampIx>,
}

impl Places {
    fn of(enclosure: &Enclosure, lamps: usize) -> Places {
        let probe = |name: &str| enclosure.probes.iter().position(|probe| probe.name == name).map(ProbeIx);
        let lamp = |name: &str| enclosure.lamps.iter().position(|lamp| lamp.name == name).map(LampIx);
        Places {
            uv: probe("uv").expect("every one has a UV probe"),
            light: probe("lux"),
            power: (0..lamps).map(|ix| probe(&format!("power{ix}"))).collect(),
            temperature: probe("basking"),
            lamps: (0..lamps).map(|ix| lamp(&format!("lamp{ix}")).expect("it was written down")).collect(),
            heat: lamp("heat"),
        }
    }
}

/// One enclosure on its way through the years.
pub struct Course {
    pub setup: Setup,
    pub enclosure: Enclosure,
    pub controller: Controller,
    pub plant: Plant,
    pub fault: Option<Fault>,
    pub ledger: Ledger,
    pub tally: Tally,
    pub now: u64,
    pub seed: u64,
    places: Places,
    end: u64,
    start: DateTime<Utc>,
    beats: Vec<Beat>,
    deeds: BTreeMap<(u64, u64), Deed>,
    number: u64,
    /// Alarms that stand: their subjects and their text.
    pub standing: BTreeMap<AlarmKind, (Vec<String>, String)>,
    generator: Pcg32,
}

/// A curve of any kind, with its number.
fn curve(generator: &mut Pcg32) -> (usize, Curve) {
    let kind = pick(generator, &[(0, 0.3), (1, 0.15), (2, 0.2), (3, 0.2), (4, 0.15)]);
    (kind, Curve::drawn(kind, generator))
}

impl Course {
    pub fn new(seed: u64, years: f64) -> Course {
        let setup = Setup::drawn(seed);
        let settings = setup.settings();
        let enclosure = settings.enclosures[0].clone();
        let mut generator = Pcg32::new(seed, 3);
        let days = TimeDelta::days(i64::from(generator.next_u32() % 365));
        let start = "2027-01-01T00:00:00Z".parse::<DateTime<Utc>>().expect("a time") + days;
        let band = enclosure.care.uv.expect("a zone has one");
        let whole = wanted(&mut generator, band.low.0, band.high.0);
        let first = if setup.lamps == 2 { range(&mut generator, 0.3, 0.7) } else { 1.0 };
        let mut kinds = Vec::new();
        let lamps = [first, 1.0 - first].into_iter().take(setup.lamps).map(|share| {
            let (kind, curve) = curve(&mut generator);
            kinds.push(kind);
            UvLamp::new(curve, share * whole)
        });
        let plant = Plant::new(setup.clone(), lamps.collect(), seed);
        let end = (years * 365.25 * DAY as f64) as u64;
        let ledger = Ledger::new(&enclosure, &settings.site, kinds, start.date_naive(), end / DAY);
        let now = Moment { mono: Mono::START, wall: start };
        let board = Beat { next: 1 + seed % setup.every, every: setup.every, of_board: true };
        let temperature =
            setup.temperature_every().map(|every| Beat { next: 1 + seed % every, every, of_board: false });
        Course {
            places: Places::of(&enclosure, setup.lamps),
            controller: Controller::new(settings, now, &[]).without_states(),
            plant,
            fault: None,
            ledger,
            tally: Tally { enclosures: 1, years, lamp_years: years * setup.lamps as f64, ..Tally::default() },
            now: 0,
            seed,
            end,
            start,
            beats: [Some(board), temperature].into_iter().flatten().collect(),
            deeds: BTreeMap::new(),
            number: 0,
            standing: BTreeMap::new(),
            generator,
            setup,
            enclosure,
        }
    }

    /// Lives through the years.
    pub fn run(mut self) -> Tally {
        self.begin();
        let mut tomorrow = DAY + 600;
        loop {
            let (at, beat) = (0..self.beats.len()).map(|ix| (self.beats[ix].next, ix)).min().expect("the board speaks");
            let deed = self.deeds.first_key_value().map_or(u64::MAX, |(&(at, _), _)| at);
            let tick = self.controller.next_deadline().map_or(u64::MAX, |at| whole_seconds(at.since_start()));
            let next = at.min(deed).min(tick.max(self.now)).min(tomorrow);
            if next > self.end {
                break;
            }
            self.pass(next);
            if next == tick.max(next) && tick <= next {
                self.tell(Event::Tick);
            }
            if next == at {
                self.speak(beat);
            } else if next == deed {
                if let Some((_, deed)) = self.deeds.pop_first() {
                    self.act(deed);
                }
            } else if next == tomorrow {
                tomorrow += DAY;
                self.day();
            }
        }
        self.tally
    }

    fn begin(&mut self) {
        let mut effects = Vec::new();
        for event in [Event::Tick, Event::LinkUp] {
            self.controller.handle(Moment { mono: Mono::START, wall: self.start }, event, &mut effects);
        }
        self.carry_out(effects);
        let gap = self.gap(FAULTS_A_YEAR);
        self.later(gap, Deed::Fault);
        let gap = self.gap(MOVES_A_YEAR);
        self.later(gap, Deed::Move);
        let first = range(&mut self.generator, 0.3, 3.0) * DAY as f64;
        self.later(first as u64, Deed::Walk);
    }

    /// Time until something that happens so often a year.
    fn gap(&mut self, a_year: f64) -> u64 {
        (-libm::log(1.0 - self.generator.unit()) / a_year * 365.25 * DAY as f64) as u64
    }

    fn later(&mut self, seconds: u64, deed: Deed) {
        self.number += 1;
        self.deeds.insert((self.now + seconds.max(1), self.number), deed);
    }

    fn hours_later(&mut self, from: f64, to: f64, deed: Deed) {
        let hours = range(&mut self.generator, from, to);
        self.later((hours * HOUR) as u64, deed);
    }

    fn chance(&mut self, of: f64) -> bool {
        self.generator.unit() < of
    }

    fn pass(&mut self, to: u64) {
        if let Some(fault) = &mut self.fault {
            let told = match fault.fate {
                Fate::HeatBreaks => self.plant.heat_told,
                Fate::SupplyDead => self.plant.heat_told || self.plant.lamps.iter().any(|lamp| lamp.told),
                _ => self.plant.lamps[fault.lamp].told,
            };
            fault.overdue += if told { to - self.now } else { 0 };
        }
        self.plant.pass(to);
        self.now = to;
    }

    /// Whether every UV lamp has been told on for half an hour, and nothing is wrong that a person sees at once.
    fn is_lit(&self) -> bool {
        let warm = |lamp: &UvLamp| lamp.told && self.now - lamp.told_at > 1800 && !lamp.broken && !lamp.open;
        self.plant.supply && self.plant.lamps.iter().all(warm)
    }

    fn speak(&mut self, beat: usize) {
        let Beat { every, of_board, .. } = self.beats[beat];
        // By its own clock the board sleeps at night, when there is nothing to see, and wakes once an hour.
        let asleep = of_board && self.ledger.is_night(self.now) && self.ledger.is_night(self.now + 3600);
        self.beats[beat].next += if asleep { every.max(3600) } else { every };
        if !of_board {
            let (ix, value) = (self.places.temperature, self.plant.read_temperature());
            self.say(ix, value);
            return;
        }
        let value = self.plant.read_uv();
        self.say(Some(self.places.uv), value);
        if self.places.light.is_some() {
            let value = self.plant.read_light();
            self.say(self.places.light, value);
        }
        for lamp in 0..self.places.power.len() {
            if self.places.power[lamp].is_some() {
                let value = self.plant.read_power(lamp);
                self.say(self.places.power[lamp], value);
            }
        }
    }

    fn say(&mut self, probe: Option<ProbeIx>, value: f64) {
        let Some(probe) = probe else { return };
        let reading = Reading { value: Ok(value), taken: None, retained: false };
        self.tell(Event::Reading { enclosure: E, probe, reading });
    }

    fn tell(&mut self, event: Event) {
        let mut effects = Vec::new();
        self.controller.handle_in_step(Mono::from_secs(self.now), event, &mut effects);
        if !effects.is_empty() {
            self.carry_out(effects);
        }
    }

    fn carry_out(&mut self, effects: Vec<Effect>) {
        let mut answers = Vec::new();
        for effect in effects {
            match effect {
                Effect::Command(command) => {
                    let (output, level) = (command.output, command.permit.level());
                    answers.push(Event::Delivered { output, ticket: command.ticket });
                    if let OutputRef::Lamp(_, lamp) = output
                        && self.switch(lamp, !level.is_off())
                    {
                        answers.push(Event::Report { output, level: Ok(level), retained: false });
                    }
                }
                Effect::Alarm(notice) => self.alarm(notice),
                _ => {}
            }
        }
        answers.into_iter().for_each(|answer| self.tell(answer));
    }

    /// A relay is told this; whether it has news to report. At the start it says what it does.
    fn switch(&mut self, lamp: LampIx, on: bool) -> bool {
        if self.places.heat == Some(lamp) {
            return std::mem::replace(&mut self.plant.heat_told, on) != on || self.now == 0;
        }
        let Some(place) = self.places.lamps.iter().position(|&known| known == lamp) else { return false };
        let lamp = &mut self.plant.lamps[place];
        let news = lamp.told != on;
        if news {
            (lamp.told, lamp.told_at) = (on, self.now);
        }
        news || self.now == 0
    }

    fn alarm(&mut self, notice: AlarmNotice) {
        let (before, text) = self.standing.remove(&notice.kind).unwrap_or_default();
        if !notice.state.is_active() {
            return;
        }
        let news = self.news(&notice, &before, &text);
        self.standing.insert(notice.kind, (notice.subjects.clone(), notice.text.clone()));
        self.note_cause(&notice);
        for subject in news {
            self.raised(notice.kind, &subject, &notice.text);
            self.react(notice.kind);
        }
    }

    /// What the keeper does on hearing an alarm.
    fn react(&mut self, kind: AlarmKind) {
        use AlarmKind as K;
        match kind {
            K::LampDark | K::ProbeDoubtful | K::HeatWeak | K::UvBelowBand if self.fault.is_some() => {
                if let Some(fault) = self.fault.as_mut().filter(|fault| !fault.repair_due) {
                    fault.repair_due = true;
                    self.hours_later(3.0, 48.0, Deed::Repair);
                }
            }
            K::UvBelowBand => {
                let weakest = self.weakest();
                self.hours_later(24.0, 240.0, Deed::Change(weakest));
            }
            K::UvFading if self.chance(0.25) => {
                let weakest = self.weakest();
                self.hours_later(24.0, 600.0, Deed::Change(weakest));
            }
            K::UvOverCeiling => self.hours_later(1.0, 24.0, Deed::Lower),
            K::UvAboveBand => self.hours_later(4.0, 96.0, Deed::Lower),
            K::CalibrationDue | K::WalkDue if self.chance(0.8) => self.hours_later(24.0, 240.0, Deed::Measure),
            _ => {}
        }
    }

    /// The lamp that has lost most.
    fn weakest(&self) -> usize {
        let left = |lamp: &UvLamp| lamp.curve.left(lamp.hours);
        let lamps = &self.plant.lamps;
        (0..lamps.len()).min_by(|&a, &b| left(&lamps[a]).total_cmp(&left(&lamps[b]))).unwrap_or(0)
    }

    fn act(&mut self, deed: Deed) {
        match deed {
            Deed::Fault => self.befall(),
            Deed::Found if self.fault.as_ref().is_some_and(|fault| !fault.repair_due) => self.repair(),
            Deed::Found => {}
            Deed::Repair => self.repair(),
            Deed::Walk => {
                let next = self.setup.keeper.walks * DAY as f64 * range(&mut self.generator, 0.8, 1.2);
                self.later(next as u64, Deed::Walk);
                if self.chance(self.setup.keeper.walks_indeed) {
                    self.measure();
                }
            }
            Deed::Measure => self.measure(),
            Deed::Change(lamp) => self.change_if_weak(lamp),
            Deed::Move => self.shift(),
            Deed::Lower => self.lower(),
        }
    }

    fn befall(&mut self) {
        if self.fault.is_some() || self.ledger.is_busy(self.now) {
            return self.hours_later(24.0, 72.0, Deed::Fault);
        }
        let heat = if self.setup.heat { 0.2 } else { 0.0 };
        let fate = pick(
            &mut self.generator,
            &[
                (Fate::Breaks, 0.3),
                (Fate::LosesUv, 0.12),
                (Fate::RelayOpen, 0.12),
                (Fate::SupplyDead, 0.1),
                (Fate::Unplugged, 0.12),
                (Fate::Freezes, 0.1),
                (Fate::ShadedForDays, 0.12),
                (Fate::HeatBreaks, heat),
            ],
        );
        let lamp = self.generator.next_u32() as usize % self.setup.lamps;
        match fate {
            Fate::Breaks => self.plant.lamps[lamp].broken = true,
            Fate::LosesUv => self.plant.lamps[lamp].no_uv = true,
            Fate::RelayOpen => self.plant.lamps[lamp].open = true,
            Fate::SupplyDead => self.plant.supply = false,
            Fate::Unplugged => self.plant.eye = Eye::Unplugged,
            Fate::Freezes => self.plant.freeze(),
            Fate::ShadedForDays => self.plant.shade = range(&mut self.generator, 0.03, 0.4),
            Fate::HeatBreaks => self.plant.heat_broken = true,
        }
        self.fault = Some(Fault {
            fate,
            lamp,
            at: self.now,
            overdue: 0,
            told_after: None,
            noticed_after: None,
            told_as: None,
            repair_due: false,
        });
        self.ledger.disturbed(self.now, 1.0);
        self.later(FOUND_AFTER, Deed::Found);
    }

    fn repair(&mut self) {
        let Some(fault) = self.fault.take() else { return };
        self.tell_fault(&fault);
        (self.plant.supply, self.plant.heat_broken, self.plant.eye, self.plant.shade) = (true, false, Eye::Sees, 1.0);
        self.plant.lamps[fault.lamp].open = false;
        self.ledger.disturbed(self.now, 1.0);
        self.ledger.mended(self.now);
        match fault.fate {
            Fate::Breaks | Fate::LosesUv => self.change(fault.lamp),
            Fate::HeatBreaks => self.log_change(self.places.heat),
            _ => {}
        }
        let gap = self.gap(FAULTS_A_YEAR);
        self.later(gap, Deed::Fault);
    }

    fn log_change(&mut self, lamp: Option<LampIx>) {
        if let Some(lamp) = lamp.filter(|_| self.generator.unit() < self.setup.keeper.logs) {
            self.tell(Event::Act(Act::LampChange { enclosure: E, lamp }));
        }
    }

    /// Lamps are changed because the UV is low by the meter, or soon will be.
    fn change_if_weak(&mut self, lamp: usize) {
        let band = self.enclosure.care.uv.expect("a zone has one");
        let fading = self.standing.contains_key(&AlarmKind::UvFading);
        let weak = self.plant.uvi_when_lit() < 1.1 * band.low.0;
        if self.fault.is_none() && (weak || fading) {
            self.change(lamp);
        }
    }

    /// Another lamp is fitted, and hung where it gives what it should; a few far too strong.
    fn change(&mut self, lamp: usize) {
        let band = self.enclosure.care.uv.expect("a zone has one");
        let whole = wanted(&mut self.generator, band.low.0, band.high.0);
        let others: f64 = (0..self.setup.lamps).filter(|&at| at != lamp).map(|at| self.plant.lamps[at].full()).sum();
        let strong = if self.chance(0.03) { range(&mut self.generator, 1.6, 2.5) } else { 1.0 };
        let (kind, curve) = curve(&mut self.generator);
        let before = self.plant.uvi_when_lit();
        // The distance makes good what was moved; a probe sees no two kinds of lamp alike.
        let strength = ((whole / self.plant.moved - others).max(0.2 * whole)) * strong;
        self.plant.lamps[lamp].change(curve, strength);
        self.plant.gain = (self.plant.gain * libm::exp(0.08 * self.generator.normal())).clamp(0.5, 2.0);
        self.ledger.fitted(self.now, lamp, kind);
        self.ledger.disturbed(self.now, libm::log(self.plant.uvi_when_lit() / before).abs());
        self.log_change(self.places.lamps.get(lamp).copied());
        if self.chance(0.85) {
            self.hours_later(2.0, 96.0, Deed::Measure);
        }
    }

    /// Something is moved that should not be.
    fn shift(&mut self) {
        let gap = self.gap(MOVES_A_YEAR);
        self.later(gap, Deed::Move);
        if self.fault.is_some() {
            return;
        }
        let size = range(&mut self.generator, 0.12, 0.4);
        let factor = if self.chance(0.7) { 1.0 - size } else { 1.0 + size };
        self.plant.moved *= factor;
        self.ledger.moved(self.now, factor);
    }

    fn lower(&mut self) {
        let band = self.enclosure.care.uv.expect("a zone has one");
        let (lit, wanted) = (self.yard() * self.plant.uvi_when_lit(), 0.8 * band.high.0);
        if lit > band.high.0 / 1.2 {
            self.plant.moved *= wanted / lit;
            self.ledger.disturbed(self.now, libm::log(lit / wanted));
            self.hours_later(3.0, 24.0, Deed::Measure);
        }
        self.tell(Event::Act(Act::Reset { enclosure: E, lamp: None }));
    }

    /// A round with the hand-held meter: the basking spot, and a retreat.
    fn measure(&mut self) {
        let Some(meter) = self.setup.keeper.meter else { return };
        // One waits for the lamps, and mostly for the animal to be elsewhere.
        if !self.is_lit() || (self.plant.animal_lies_there() && self.chance(0.9)) {
            return self.hours_later(1.0, 3.0, Deed::Measure);
        }
        let shows = self.plant.uvi() * meter * (1.0 + 0.05 * self.generator.normal());
        let slip = self.chance(self.setup.keeper.slips);
        let slipped = if slip { shows * pick(&mut self.generator, &[(10.0, 0.5), (0.1, 0.5)]) } else { shows };
        self.ledger.measured(self.now, slip || self.plant.animal_lies_there() || self.fault.is_some());
        for (spot, uvi) in [("basking", slipped), ("retreat", 0.1)] {
            let uvi = Uvi(libm::round(10.0 * uvi) / 10.0);
            let reading = MeterReading { spot: spot.into(), uvi, alone: None, guess: false };
            self.tell(Event::Act(Act::MeterReading { enclosure: E, reading }));
        }
    }
}

/// Rounded up.
fn whole_seconds(span: Duration) -> u64 {
    span.as_secs() + u64::from(span.subsec_nanos() > 0)
}

/// What a keeper hangs the lamp for: well inside the band.
fn wanted(generator: &mut Pcg32, low: f64, high: f64) -> f64 {
    range(generator, 1.25 * low, (2.2 * low).min(0.85 * high))
}

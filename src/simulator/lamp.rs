//! One lamp as a physical thing: what it draws and gives, when it strikes, how it ages and how it fails.

use crate::settings::Fitting;

use super::condition::LampCondition;

/// How a lamp's UV fades over its burn hours.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ageing {
    /// Share of UV lost early, on top of the steady decay.
    pub early_share: f64,
    /// Time constant of the early loss, burn hours.
    pub early_hours: f64,
    /// Steady exponential decay per burn hour.
    pub per_hour: f64,
}

impl Default for Ageing {
    fn default() -> Ageing {
        Ageing {
            // The sharpest fall comes in the first 50–100 h (IST Magazine, "How do I maximize lamp life?"); its depth
            // is a guess, and the time constant a third of 100 h.
            early_share: 0.08,
            early_hours: 33.0,
            // UVB down 66 % after 4850 h: Heikkilä et al. 2009, Polymer Testing 28(1):57–65; −ln(0.34)/4850.
            per_hour: 2.2243e-4,
        }
    }
}

impl Ageing {
    /// Share of a new lamp's UV that is left after `burnt` hours.
    pub fn left(self, burnt: f64) -> f64 {
        let early = self.early_share * (1.0 - libm::exp(-burnt / self.early_hours));
        (1.0 - early) * libm::exp(-self.per_hour * burnt)
    }
}

/// Decay of UVA per burn hour: down 40 % after 4850 h, the same source; −ln(0.60)/4850.
const UVA_PER_HOUR: f64 = 1.0533e-4;

/// Parts of a lamp's UV, each of which dies away by itself: as it will be when warm, without and with what it loses
/// early, and what both lack while it is not.
pub(super) const UV_PARTS: usize = 4;

/// Whether the lamp burns.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Arc {
    /// Dark since then; none: cold from the start.
    Out(Option<u64>),
    /// Has voltage and is too hot to strike: dark since `since`, strikes at `strikes`.
    Hot {
        /// When it went out, ms.
        since: u64,
        /// When it will strike, ms.
        strikes: u64,
    },
    /// Burning.
    Burning,
}

/// A lamp in its fitting. Moments are milliseconds since the world began and never run backwards.
#[derive(Clone, Debug)]
pub(super) struct LampPlant {
    /// What kind it is.
    fitting: Fitting,
    /// Power at full level, W.
    watts: f64,
    /// Time constant with which output comes and goes, ms.
    lag: f64,
    /// How long it must cool before it strikes, ms.
    restrike: u64,
    /// How it fades.
    ageing: Ageing,
    /// Level its supply gives, 0..=1.
    supply: f64,
    /// Whether it burns.
    arc: Arc,
    /// Share of its settled output that its temperature allows, at `settled`.
    warmth: f64,
    /// Burn hours at `settled`.
    burnt: f64,
    /// Burn hours that it has aged beyond those, at `settled`.
    worn: f64,
    /// Moment of `warmth`, `burnt` and `worn`.
    settled: u64,
    /// Its UV when new, as a multiple of what its kind should have.
    strength: f64,
    /// What is wrong with it.
    condition: LampCondition,
}

impl LampPlant {
    /// A cold lamp with `burnt` hours behind it that settles within `warm_up` ms and must cool `restrike` ms.
    pub fn new(fitting: Fitting, watts: f64, warm_up: u64, restrike: u64, ageing: Ageing, burnt: f64) -> LampPlant {
        // Settled is 95 %: three time constants.
        let lag = (warm_up as f64 / 3.0).max(1.0);
        LampPlant {
            fitting,
            watts,
            lag,
            restrike,
            ageing,
            supply: 0.0,
            arc: Arc::Out(None),
            warmth: 0.0,
            burnt,
            worn: 0.0,
            settled: 0,
            strength: 1.0,
            condition: LampCondition::default(),
        }
    }

    /// What its temperature allows at `now`. Of a lamp whose output does not rise with it nobody asks.
    fn warmth_at(&self, now: u64) -> f64 {
        let goal = if self.arc == Arc::Burning { 1.0 } else { 0.0 };
        if !self.emits_uv() {
            return goal;
        }
        let passed = now.saturating_sub(self.settled) as f64;
        goal + (self.warmth - goal) * libm::exp(-passed / self.lag)
    }

    /// Hours it has burnt between `settled` and `now`.
    fn since(&self, now: u64) -> f64 {
        if self.arc == Arc::Burning { now.saturating_sub(self.settled) as f64 / 3.6e6 } else { 0.0 }
    }

    /// Burn hours at `now`.
    pub fn burnt(&self, now: u64) -> f64 {
        self.burnt + self.since(now)
    }

    /// Burn hours it looks like at `now`.
    fn age(&self, now: u64) -> f64 {
        self.burnt + self.worn + self.condition.ageing * self.since(now)
    }

    /// Brings all that runs on to `now`, before something changes.
    fn settle(&mut self, now: u64) {
        let since = self.since(now);
        self.warmth = self.warmth_at(now);
        self.burnt += since;
        self.worn += (self.condition.ageing - 1.0) * since;
        self.settled = now;
    }

    /// Its supply gives `level` from `now` on; whether that is another one.
    pub fn supply(&mut self, now: u64, level: f64) -> bool {
        let changes = level != self.supply;
        if changes {
            self.settle(now);
            self.supply = level;
            self.decide(now);
        }
        changes
    }

    /// Its condition is this from `now` on.
    pub fn suffer(&mut self, now: u64, condition: LampCondition) {
        self.settle(now);
        self.condition = condition;
        self.decide(now);
    }

    /// A new lamp takes its place, cold, with this multiple of the UV its kind should have.
    pub fn change(&mut self, now: u64, strength: f64) {
        self.settle(now);
        (self.warmth, self.burnt, self.worn, self.strength) = (0.0, 0.0, 0.0, strength.max(0.0));
        self.arc = Arc::Out(None);
        self.decide(now);
    }

    /// How much further off it hangs than it should, m.
    pub fn further(&self) -> f64 {
        self.condition.further
    }

    /// Strikes where the time has come; whether it did.
    pub fn pass(&mut self, now: u64) -> bool {
        let strikes = self.strikes().is_some_and(|at| at <= now);
        if strikes {
            self.settle(now);
            self.arc = Arc::Burning;
        }
        strikes
    }

    /// When it will strike, where it is waiting to.
    pub fn strikes(&self) -> Option<u64> {
        match self.arc {
            Arc::Hot { strikes, .. } => Some(strikes),
            _ => None,
        }
    }

    /// What the arc does now that supply or health have changed.
    fn decide(&mut self, now: u64) {
        let fed = self.supply > 0.0 && !self.condition.broken;
        self.arc = match self.arc {
            Arc::Burning if !fed => Arc::Out(Some(now)),
            Arc::Hot { since, .. } if !fed => Arc::Out(Some(since)),
            Arc::Out(Some(since)) if fed && now < since + self.restrike => {
                Arc::Hot { since, strikes: since + self.restrike }
            }
            Arc::Out(_) if fed => Arc::Burning,
            other => other,
        };
    }

    /// Electrical power in watts, all of which ends as heat. It holds still between events. A lamp too hot to strike
    /// draws next to nothing (common practice, no source).
    pub fn power(&self) -> f64 {
        if self.arc == Arc::Burning { self.watts * self.condition.strength.power * self.supply } else { 0.0 }
    }

    /// UV as a share of what it gave when new and warm.
    pub fn uv(&self, now: u64) -> f64 {
        if self.condition.uv_dead || !self.shines_uv() {
            return 0.0;
        }
        self.supply * self.warmth_at(now) * self.build() * self.ageing.left(self.age(now))
    }

    /// The UV at `now` taken apart, for whoever follows it: the sum of these.
    pub fn uv_parts(&self, now: u64) -> [f64; UV_PARTS] {
        if self.condition.uv_dead || !self.shines_uv() {
            return [0.0; UV_PARTS];
        }
        let Ageing { early_share, early_hours, per_hour } = self.ageing;
        let age = self.age(now);
        let steady = self.supply * self.build() * libm::exp(-per_hour * age);
        let (late, early) = (steady * (1.0 - early_share), steady * early_share * libm::exp(-age / early_hours));
        let lacks = self.warmth_at(now) - 1.0;
        [late, early, late * lacks, early * lacks]
    }

    /// What is left of each of these after `millis` of burning.
    pub fn uv_decays(&self, millis: u64) -> [f64; UV_PARTS] {
        let hours = self.condition.ageing * millis as f64 / 3.6e6;
        let late = libm::exp(-self.ageing.per_hour * hours);
        let early = late * libm::exp(-hours / self.ageing.early_hours);
        let cold = libm::exp(-(millis as f64) / self.lag);
        [late, early, late * cold, early * cold]
    }

    /// How many hours it ages in one.
    pub fn ages(&self) -> f64 {
        self.condition.ageing
    }

    /// UVA in the same measure. It fades more slowly and outlives a phosphor that has lost its UVB.
    pub fn uva(&self, now: u64) -> f64 {
        if !self.shines_uv() {
            return 0.0;
        }
        self.supply * self.warmth_at(now) * self.build() * libm::exp(-UVA_PER_HOUR * self.age(now))
    }

    /// Whether UV of any kind comes out.
    fn shines_uv(&self) -> bool {
        self.arc == Arc::Burning && self.emits_uv()
    }

    /// Whether it is of a kind that gives UV.
    pub fn emits_uv(&self) -> bool {
        self.fitting.traits().emits.uv
    }

    /// How strong it was built, as a multiple of the right lamp.
    fn build(&self) -> f64 {
        self.strength * self.condition.strength.uv
    }

    /// Visible light as a share of full. Discharge lamps rise with their warmth, the others at once.
    pub fn light(&self, now: u64) -> f64 {
        let emits = self.fitting.traits().emits;
        if !emits.light || self.arc != Arc::Burning {
            return 0.0;
        }
        self.supply * if emits.uv { self.warmth_at(now) } else { 1.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE: u64 = 60_000;

    fn mercury() -> LampPlant {
        let ageing = Ageing { early_share: 0.0, ..Ageing::default() };
        LampPlant::new(Fitting::MercuryVapour, 160.0, 15 * MINUTE, 15 * MINUTE, ageing, 0.0)
    }

    #[test]
    fn mercury_vapour_does_not_strike_hot() {
        let mut lamp = mercury();
        lamp.supply(0, 1.0);
        assert_eq!(lamp.power(), 160.0, "a cold lamp strikes at once");
        lamp.supply(60 * MINUTE, 0.0);
        lamp.supply(61 * MINUTE, 1.0);
        lamp.pass(70 * MINUTE);
        assert_eq!((lamp.power(), lamp.uv(70 * MINUTE)), (0.0, 0.0));
        assert_eq!(lamp.strikes(), Some(75 * MINUTE), "counted from when it went out");
        lamp.pass(75 * MINUTE);
        assert_eq!(lamp.power(), 160.0);
        assert!(lamp.uv(76 * MINUTE) < lamp.uv(90 * MINUTE));
    }

    #[test]
    fn an_interrupted_wait_goes_on_cooling() {
        let mut lamp = mercury();
        lamp.supply(0, 1.0);
        lamp.supply(60 * MINUTE, 0.0);
        lamp.supply(61 * MINUTE, 1.0);
        lamp.supply(62 * MINUTE, 0.0);
        lamp.supply(76 * MINUTE, 1.0);
        assert_eq!(lamp.power(), 160.0);
    }

    #[test]
    fn a_lamp_whose_uv_died_glows_and_draws_as_before() {
        let mut lamp = mercury();
        lamp.supply(0, 1.0);
        let (power, light, uv) = (lamp.power(), lamp.light(60 * MINUTE), lamp.uv(60 * MINUTE));
        lamp.suffer(60 * MINUTE, LampCondition { uv_dead: true, ..LampCondition::default() });
        assert_eq!((lamp.power(), lamp.light(60 * MINUTE), lamp.uv(60 * MINUTE)), (power, light, 0.0));
        assert!(uv > 0.9 && lamp.uva(60 * MINUTE) > 0.9, "UVA stays");
        lamp.suffer(60 * MINUTE, LampCondition::default());
        assert_eq!(lamp.uv(60 * MINUTE), uv);
    }

    #[test]
    fn uv_takes_its_time_and_light_of_a_filament_does_not() {
        let mut tube = LampPlant::new(Fitting::FluorescentUvb, 24.0, 10 * MINUTE, 0, Ageing::default(), 0.0);
        tube.supply(0, 1.0);
        assert!(tube.uv(MINUTE) < 0.4 * tube.uv(10 * MINUTE));
        // Settled means 95 %, three time constants: 1 − e⁻³ = 0.9502.
        assert!((tube.light(10 * MINUTE) - 0.9502).abs() < 1e-4);
        let mut halogen = LampPlant::new(Fitting::Halogen, 75.0, MINUTE, 0, Ageing::default(), 0.0);
        halogen.supply(0, 0.5);
        assert_eq!((halogen.light(1), halogen.uv(MINUTE), halogen.power()), (0.5, 0.0, 37.5));
    }

    #[test]
    fn uv_fades_as_the_published_lamps_did() {
        // UVB −66 % after 4850 h: Heikkilä et al. 2009, Polymer Testing 28(1):57–65. 70 % left after 1603 h, 50 % after
        // 3116 h follow from the single exponential.
        let steady = Ageing { early_share: 0.0, ..Ageing::default() };
        for (hours, left) in [(0.0, 1.0), (4850.0, 0.34), (1603.5, 0.70), (3116.3, 0.50)] {
            assert!((steady.left(hours) - left).abs() < 1e-3, "{hours} h");
        }
        // Sharpest fall in the first 50–100 h: IST Magazine.
        let whole = Ageing::default();
        assert!(whole.left(0.0) - whole.left(100.0) > 2.0 * (whole.left(100.0) - whole.left(200.0)));
    }

    #[test]
    fn parts_of_uv_add_up_and_die_away_as_the_whole_does() {
        let mut lamp = LampPlant::new(Fitting::FluorescentUvb, 24.0, 10 * MINUTE, 0, Ageing::default(), 20.0);
        lamp.supply(0, 0.7);
        lamp.suffer(1000, LampCondition { ageing: 3.0, ..LampCondition::default() });
        for (from, millis) in [(2000, 59_500), (30_000, 10_000), (40 * MINUTE, 15 * MINUTE), (60 * MINUTE, 30)] {
            let (parts, decays) = (lamp.uv_parts(from), lamp.uv_decays(millis));
            assert!((parts.iter().sum::<f64>() - lamp.uv(from)).abs() < 1e-14);
            let later: f64 = parts.iter().zip(decays).map(|(part, decay)| part * decay).sum();
            assert!((later - lamp.uv(from + millis)).abs() < 1e-14, "{from} {millis}");
        }
    }

    #[test]
    fn burn_hours_count_while_it_burns() {
        let mut lamp = mercury();
        lamp.supply(0, 1.0);
        lamp.supply(90 * MINUTE, 0.0);
        lamp.supply(91 * MINUTE, 1.0);
        assert_eq!(lamp.burnt(100 * MINUTE), 1.5, "waiting to strike is not burning");
        lamp.suffer(120 * MINUTE, LampCondition { broken: true, ..LampCondition::default() });
        assert_eq!((lamp.power(), lamp.light(121 * MINUTE)), (0.0, 0.0));
    }

    #[test]
    fn uva_outlasts_uvb_as_published() {
        // After 4850 h UVB is down 66 % and UVA 40 %: Heikkilä et al. 2009, Polymer Testing 28(1):57–65.
        let mut lamp = mercury();
        lamp.supply(0, 1.0);
        let at = 4850 * 60 * MINUTE;
        assert!((lamp.uv(at) - 0.34).abs() < 1e-3 && (lamp.uva(at) - 0.60).abs() < 1e-3);
    }

    #[test]
    fn fast_ageing_counts_only_while_it_lasts() {
        let mut lamp = mercury();
        lamp.supply(0, 1.0);
        lamp.suffer(0, LampCondition { ageing: 48.5, ..LampCondition::default() });
        let hours = |h: u64| h * 60 * MINUTE;
        // A hundred hours count as 4850: −66 %, the same source.
        assert!((lamp.uv(hours(100)) - 0.34).abs() < 1e-3);
        lamp.suffer(hours(100), LampCondition::default());
        let (then, later) = (lamp.uv(hours(100)), lamp.uv(hours(200)));
        assert!((later / then - libm::exp(-0.022_243)).abs() < 1e-6, "then as any lamp");
        assert_eq!(lamp.burnt(hours(200)), 200.0);
    }

    #[test]
    fn a_wrong_lamp_draws_and_gives_its_own_and_a_new_one_starts_at_zero_hours() {
        let mut lamp = mercury();
        lamp.supply(0, 1.0);
        let right = lamp.uv(60 * MINUTE);
        let strength = crate::simulator::Strength { power: 0.5, uv: 2.0 };
        lamp.suffer(60 * MINUTE, LampCondition { strength, ..LampCondition::default() });
        assert_eq!((lamp.power(), lamp.uv(60 * MINUTE)), (80.0, 2.0 * right));
        lamp.suffer(60 * MINUTE, LampCondition::default());
        lamp.change(60 * MINUTE, 1.5);
        assert_eq!((lamp.burnt(60 * MINUTE), lamp.uv(60 * MINUTE), lamp.power()), (0.0, 0.0, 160.0), "cold, struck");
        let (warm, hour) = (lamp.uv(180 * MINUTE), libm::exp(-2.0 * 2.2243e-4));
        assert!((warm - 1.5 * hour).abs() < 1e-6, "{warm}");
    }
}

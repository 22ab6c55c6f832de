//! One lamp as a physical thing: what it draws and gives, when it strikes, how it ages and how it fails.

use crate::settings::Fitting;

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
            // The sharpest fall comes in the first 50–100 h (IST Magazine, "How do I maximize lamp life?"); its depth is
            // a guess, and the time constant a third of 100 h.
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
    /// Moment of `warmth` and `burnt`.
    settled: u64,
    /// Its UV has gone, while it glows and draws power as before.
    uv_dead: bool,
    /// It is broken: nothing comes out and nothing goes in.
    broken: bool,
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
            settled: 0,
            uv_dead: false,
            broken: false,
        }
    }

    /// What its temperature allows at `now`.
    fn warmth_at(&self, now: u64) -> f64 {
        let goal = if self.arc == Arc::Burning { 1.0 } else { 0.0 };
        let passed = now.saturating_sub(self.settled) as f64;
        goal + (self.warmth - goal) * libm::exp(-passed / self.lag)
    }

    /// Burn hours at `now`.
    pub fn burnt(&self, now: u64) -> f64 {
        let passed = now.saturating_sub(self.settled) as f64 / 3.6e6;
        self.burnt + if self.arc == Arc::Burning { passed } else { 0.0 }
    }

    /// Brings `warmth` and `burnt` to `now`, before the arc changes.
    fn settle(&mut self, now: u64) {
        (self.warmth, self.burnt, self.settled) = (self.warmth_at(now), self.burnt(now), now);
    }

    /// Its supply gives `level` from `now` on.
    pub fn supply(&mut self, now: u64, level: f64) {
        self.settle(now);
        self.supply = level;
        self.decide(now);
    }

    /// Breaks it, or puts a whole one in its place.
    pub fn set_broken(&mut self, now: u64, broken: bool) {
        self.settle(now);
        self.broken = broken;
        self.decide(now);
    }

    /// Takes its UV away, or gives it back, while all else stays as it is.
    pub fn set_uv_dead(&mut self, dead: bool) {
        self.uv_dead = dead;
    }

    /// Strikes where the time has come.
    pub fn pass(&mut self, now: u64) {
        if self.strikes().is_some_and(|at| at <= now) {
            self.settle(now);
            self.arc = Arc::Burning;
        }
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
        let fed = self.supply > 0.0 && !self.broken;
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
        if self.arc == Arc::Burning { self.watts * self.supply } else { 0.0 }
    }

    /// UV as a share of what it gave when new and warm.
    pub fn uv(&self, now: u64) -> f64 {
        if !self.fitting.traits().emits.uv || self.uv_dead || self.arc != Arc::Burning {
            return 0.0;
        }
        self.supply * self.warmth_at(now) * self.ageing.left(self.burnt(now))
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
        lamp.set_uv_dead(true);
        assert_eq!((lamp.power(), lamp.light(60 * MINUTE), lamp.uv(60 * MINUTE)), (power, light, 0.0));
        assert!(uv > 0.9);
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
    fn burn_hours_count_while_it_burns() {
        let mut lamp = mercury();
        lamp.supply(0, 1.0);
        lamp.supply(90 * MINUTE, 0.0);
        lamp.supply(91 * MINUTE, 1.0);
        assert_eq!(lamp.burnt(100 * MINUTE), 1.5, "waiting to strike is not burning");
        lamp.set_broken(120 * MINUTE, true);
        assert_eq!((lamp.power(), lamp.light(121 * MINUTE)), (0.0, 0.0));
    }
}

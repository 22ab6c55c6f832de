//! What a diagnosis says for itself: odds in words, the evidence, and the whole of its reckoning.

use std::time::Duration;

use crate::time::spoken;
use crate::units::{Lux, Uvi, Watts};

use super::chain::{CAUSES, STATES};
use super::{Cause, Diagnosis, ERROR, Peers, SHADED_TOO_LONG, Sign, Told};

impl Cause {
    /// In a few words that follow "most likely".
    pub const fn words(self) -> &'static str {
        match self {
            Cause::Well => "nothing is wrong",
            Cause::LampDark => "the lamp is dark",
            Cause::NoUv => "the lamp glows and gives no UV",
            Cause::Shaded => "something lies between lamp and probe",
            Cause::ProbeDead => "the probe is dead",
            Cause::RelayOpen => "its relay has not closed",
            Cause::SupplyDead => "no power arrives",
            Cause::OtherDark => "another lamp there is dark",
        }
    }
}

/// Odds in words, from their logarithm.
pub fn odds_in_words(log_odds: f64) -> String {
    let odds = libm::exp(log_odds);
    match odds {
        odds if odds >= 100.0 => "nearly certain".to_owned(),
        odds if odds >= 9.5 => format!("very likely, about {:.0} to 1", libm::round(odds / 5.0).max(2.0) * 5.0),
        odds if odds >= 1.5 => format!("likely, about {odds:.0} to 1"),
        odds if odds >= 0.6 => "about even odds".to_owned(),
        _ => "the likeliest of several".to_owned(),
    }
}

impl Diagnosis {
    /// The evidence of the last minutes, a clause each.
    pub fn signs(&self) -> Vec<String> {
        let mut signs = Vec::new();
        if let (Some(name), Some(seen)) = (&self.kit.uv, self.uv.seen()) {
            signs.push(match self.uv.level() {
                _ if seen.abs() < 3.0 * self.uv.scatter() && self.uv.level().is_none() => {
                    format!("probe {name} sees no UV")
                }
                Some(level) if seen < 0.03 * level || seen.abs() < 2.0 * self.uv.scatter() => {
                    format!("probe {name} sees no UV where it saw {}", Uvi(level))
                }
                Some(level) => format!("probe {name} sees a UV index of {} where it saw {}", Uvi(seen), Uvi(level)),
                None => format!("probe {name} sees a UV index of {}", Uvi(seen)),
            });
        }
        if let (Some(name), Some(seen)) = (&self.kit.light, self.light.seen()) {
            let usual = self.light.level().map(|level| format!(" where it saw {}", Lux(level)));
            signs.push(format!("probe {name} sees {} of its light{}", Lux(seen.max(0.0)), usual.unwrap_or_default()));
        }
        if let (Some(rated), Some(seen)) = (self.kit.rated, self.draw.seen()) {
            signs.push(format!("it draws {} of {rated}", Watts(seen)));
        }
        if let (Some(spot), Some(rise)) = (&self.kit.warms, self.rise()) {
            signs.push(format!(
                "{spot} has risen by {:.1} K where it rises by {:.1} K within {}",
                rise.rose.0,
                rise.usual.0,
                spoken(rise.after)
            ));
        }
        signs
    }

    /// What the temperature says now.
    fn rise(&self) -> Option<super::warmth::Rise> {
        let (at, since) = (self.at?, self.since?);
        self.warmth.rise(at.since(since)).filter(|_| self.told == Told::Full)
    }

    /// Why it has come to what it has: the readings, the beliefs and the thresholds, a line each.
    pub fn why(&self, peers: &Peers) -> Vec<String> {
        let mut lines = vec![match (self.told, self.at.zip(self.since)) {
            (Told::Full, Some((at, since))) => format!("fully on for {}", spoken(at.since(since))),
            (Told::Full, None) => "fully on".to_owned(),
            (Told::Partly, _) => "on in part, or by some accounts alone: not judged".to_owned(),
            (Told::Off, _) => "off: not judged".to_owned(),
        }];
        lines.extend(self.signs());
        if self.kit.uv.is_some() {
            let level = self.uv.level().map_or("not learnt yet".to_owned(), |level| Uvi(level).to_string());
            lines.push(format!(
                "UV when well: {level}; in the dark the probe reads {:.3} ± {:.3}",
                self.uv.dark_mean(),
                self.uv.scatter()
            ));
            lines.push(format!(
                "share of shade that this probe cannot tell from darkness: {:.0} %",
                self.hidden * 100.0
            ));
        }
        lines.push(match self.kit.reports {
            true => "its relay reports on".to_owned(),
            false => "its relay reports nothing".to_owned(),
        });
        for (name, tally) in [("relay", peers.relay), ("supply", peers.supply)] {
            if tally.lit + tally.dark > 0 {
                lines.push(format!("others on the same {name}: {} lit, {} dark", tally.lit, tally.dark));
            }
        }
        lines.push(self.beliefs_in_words(peers));
        let odds = (1.0 - ERROR) / ERROR;
        lines.push(format!("told from odds of {odds:.0} to 1 for a fault on, and taken back at 1 to {odds:.0}"));
        if self.shaded > Duration::ZERO {
            lines.push(format!("shaded for {}, told after {}", spoken(self.shaded), spoken(SHADED_TOO_LONG)));
        }
        lines
    }

    /// The probability of each cause.
    fn beliefs_in_words(&self, peers: &Peers) -> String {
        let of = self.posterior(peers);
        let mut shares: Vec<(Cause, f64)> = Vec::with_capacity(STATES);
        for (cause, share) in CAUSES.into_iter().zip(of) {
            match shares.iter_mut().find(|(known, _)| *known == cause) {
                Some((_, sum)) => *sum += share,
                None => shares.push((cause, share)),
            }
        }
        let words = shares.into_iter().map(|(cause, share)| format!("{} {:.2} %", cause.words(), share * 100.0));
        words.collect::<Vec<_>>().join(", ")
    }
}

impl Sign {
    /// In a word.
    pub const fn word(self) -> &'static str {
        match self {
            Sign::Lit => "lit",
            Sign::Dark => "dark",
            Sign::None => "unknown",
        }
    }
}

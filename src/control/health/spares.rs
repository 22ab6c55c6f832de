//! Spare lamps in stock against the changes that forecasts see coming, over the whole site.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::settings::{EnclosureIx, Fitting, Lamp, LampIx, Spare};

/// A kind of lamp: its fitting and its watts, rounded to a tenth, where they are known.
pub type Kind = (Fitting, Option<u32>);

/// Spares of one line of the configuration that lamp changes have taken since they were counted there.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TakenRecord {
    /// The fitting's word.
    pub fitting: String,
    /// Its power, W; none: not given.
    pub watts: Option<f64>,
    /// How many there were by the configuration. Another number there is a new count, and nothing is taken from it yet.
    pub counted: u32,
    /// How many were taken.
    pub taken: u32,
}

impl TakenRecord {
    fn is_of(&self, spare: &Spare) -> bool {
        let watts = spare.power.map(|power| power.0);
        self.fitting == spare.fitting.traits().word && self.watts == watts && self.counted == spare.count
    }
}

/// Lamps that will need a spare soon, by kind, and spares that were taken. A change of one forecast costs the same however many
/// lamps there are.
#[derive(Clone, Debug, Default)]
pub struct Demand {
    due: BTreeMap<Kind, BTreeSet<(EnclosureIx, LampIx)>>,
    taken: Vec<TakenRecord>,
    /// Something has changed since it was last asked.
    news: bool,
}

/// A kind as a person reads it.
pub fn words((fitting, watts): Kind) -> String {
    let title = fitting.traits().title;
    watts.map_or_else(|| title.to_owned(), |watts| format!("{title}, {} W", f64::from(watts) / 10.0))
}

/// The kind of a lamp.
pub fn kind(lamp: &Lamp) -> Kind {
    (lamp.fitting, lamp.power.map(|power| (power.0 * 10.0).round() as u32))
}

/// Whether a spare fits in the place of a lamp of `kind`: where watts are not known on either side, the fitting decides.
fn fits(spare: &Spare, (fitting, watts): Kind) -> bool {
    let spare_watts = spare.power.map(|power| (power.0 * 10.0).round() as u32);
    spare.fitting == fitting && (spare_watts.is_none() || watts.is_none() || spare_watts == watts)
}

impl Demand {
    /// Lamp `lamp` will need a spare of this kind soon, or will not.
    pub fn set(&mut self, lamp: (EnclosureIx, LampIx), kind: Kind, is_due: bool) {
        if is_due {
            self.news |= self.due.entry(kind).or_default().insert(lamp);
        } else if let Some(lamps) = self.due.get_mut(&kind)
            && lamps.remove(&lamp)
        {
            self.news = true;
            if lamps.is_empty() {
                self.due.remove(&kind);
            }
        }
    }

    /// Nothing is due.
    pub fn clear(&mut self) {
        self.due.clear();
        self.news = true;
    }

    /// A lamp of this kind was fitted: where one is in stock, it came from there. What must be put on file, where that is so.
    pub fn take(&mut self, kind: Kind, stock: &[Spare]) -> Option<Vec<TakenRecord>> {
        let spare = stock.iter().find(|spare| fits(spare, kind) && self.left(spare) > 0)?;
        self.taken.retain(|known| stock.iter().any(|spare| known.is_of(spare)));
        match self.taken.iter_mut().find(|known| known.is_of(spare)) {
            Some(known) => known.taken = known.taken.saturating_add(1),
            None => self.taken.push(TakenRecord {
                fitting: spare.fitting.traits().word.to_owned(),
                watts: spare.power.map(|power| power.0),
                counted: spare.count,
                taken: 1,
            }),
        }
        self.news = true;
        Some(self.taken.clone())
    }

    /// How many are left of a line of the configuration.
    pub fn left(&self, spare: &Spare) -> u32 {
        let taken = self.taken.iter().find(|known| known.is_of(spare)).map_or(0, |known| known.taken);
        spare.count.saturating_sub(taken)
    }

    /// Takes up what was on file.
    pub fn restore(&mut self, taken: &[TakenRecord]) {
        self.taken = taken.to_vec();
        self.news = true;
    }

    /// Whether something has changed that nobody has taken note of.
    pub fn has_news(&self) -> bool {
        self.news
    }

    /// Whether something has changed since this was last asked.
    pub fn take_news(&mut self) -> bool {
        std::mem::take(&mut self.news)
    }

    /// Kinds of which more will be needed than are in stock: how many, of how many. Empty where no spares are kept at all.
    pub fn short(&self, stock: &[Spare]) -> Vec<(Kind, usize, usize)> {
        if stock.is_empty() {
            return Vec::new();
        }
        let short = self.due.iter().map(|(&kind, lamps)| {
            let have = stock.iter().filter(|spare| fits(spare, kind)).map(|spare| self.left(spare) as usize).sum();
            (kind, lamps.len(), have)
        });
        short.filter(|(_, due, have)| due > have).collect()
    }

    /// Which lamps of a kind are due.
    pub fn lamps(&self, kind: Kind) -> impl Iterator<Item = (EnclosureIx, LampIx)> {
        self.due.get(&kind).into_iter().flatten().copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Watts;

    #[test]
    fn a_spare_is_due_when_more_lamps_will_need_one_than_are_in_stock() {
        let tube = (Fitting::FluorescentUvb, Some(240));
        let stock = |count| vec![Spare { fitting: Fitting::FluorescentUvb, power: Some(Watts(24.0)), count }];
        let mut demand = Demand::default();
        let lamp = |ix| (EnclosureIx(ix), LampIx(0));
        demand.set(lamp(0), tube, true);
        demand.set(lamp(1), tube, true);
        demand.set(lamp(1), tube, true);
        assert_eq!(demand.short(&stock(1)), [(tube, 2, 1)]);
        assert!(demand.short(&stock(2)).is_empty() && demand.short(&[]).is_empty());
        demand.set(lamp(0), tube, false);
        assert!(demand.short(&stock(1)).is_empty());
        assert_eq!(demand.lamps(tube).collect::<Vec<_>>(), [lamp(1)]);
        let compact = (Fitting::CompactUvb, None);
        demand.set(lamp(2), compact, true);
        assert_eq!(demand.short(&stock(1)), [(compact, 1, 0)], "a tube is no compact lamp");
        demand.clear();
        assert!(demand.short(&stock(0)).is_empty());
    }

    #[test]
    fn a_lamp_that_is_fitted_comes_out_of_the_stock_until_that_is_counted_anew() {
        let spare = |count| Spare { fitting: Fitting::FluorescentUvb, power: Some(Watts(24.0)), count };
        let tube = (Fitting::FluorescentUvb, Some(240));
        let mut demand = Demand::default();
        demand.set((EnclosureIx(0), LampIx(0)), tube, true);
        assert!(demand.short(&[spare(1)]).is_empty());
        let filed = demand.take(tube, &[spare(1)]).expect("one is there");
        assert_eq!(demand.short(&[spare(1)]), [(tube, 1, 0)]);
        assert_eq!(demand.take(tube, &[spare(1)]), None, "none is left: it was bought");
        assert_eq!(demand.take((Fitting::CompactUvb, None), &[spare(1)]), None, "a compact lamp is no tube");
        let mut again = Demand::default();
        again.restore(&filed);
        assert_eq!((again.left(&spare(1)), again.left(&spare(2))), (0, 2), "two are a new count");
    }

    #[test]
    fn watts_that_nobody_gave_decide_nothing() {
        let any = Spare { fitting: Fitting::FluorescentUvb, power: None, count: 1 };
        let some = Spare { power: Some(Watts(24.0)), ..any };
        for (spare, watts, fit) in [(any, Some(240), true), (some, None, true), (some, Some(390), false)] {
            assert_eq!(fits(&spare, (Fitting::FluorescentUvb, watts)), fit);
        }
    }
}

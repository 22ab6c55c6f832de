//! Spare lamps in stock against the changes that forecasts see coming, over the whole site.

use std::collections::{BTreeMap, BTreeSet};

use crate::settings::{EnclosureIx, Fitting, Lamp, LampIx, Spare};

/// A kind of lamp: its fitting and its watts, rounded to a tenth, where they are known.
pub type Kind = (Fitting, Option<u32>);

/// Lamps that will need a spare soon, by kind. A change of one forecast costs the same however many lamps there are.
#[derive(Clone, Debug, Default)]
pub struct Demand {
    due: BTreeMap<Kind, BTreeSet<(EnclosureIx, LampIx)>>,
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
            let have = stock.iter().filter(|spare| fits(spare, kind)).map(|spare| spare.count as usize).sum();
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
    fn watts_that_nobody_gave_decide_nothing() {
        let any = Spare { fitting: Fitting::FluorescentUvb, power: None, count: 1 };
        let some = Spare { power: Some(Watts(24.0)), ..any };
        for (spare, watts, fit) in [(any, Some(240), true), (some, None, true), (some, Some(390), false)] {
            assert_eq!(fits(&spare, (Fitting::FluorescentUvb, watts)), fit);
        }
    }
}

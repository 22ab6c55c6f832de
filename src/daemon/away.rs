//! The checklist before the keeper leaves, as far as the program can fill it in.

use chrono::NaiveDate;
use serde_json::{Value, json};

use crate::control::{AlarmKind, Quality};
use crate::settings::EnclosureIx;

use super::{Daemon, digest};

/// A channel that has not been tried for so many days should be; a guess.
const TRIED_WITHIN_DAYS: i64 = 7;

impl Daemon {
    /// The answer to [`Question::Away`](crate::message::desk::Question::Away): a list of points, each with whether it is
    /// well and what there is to say.
    pub(super) fn away(&self) -> String {
        let settings = self.controller.settings();
        let Some(away) = &settings.telling.away else {
            return json!({ "error": "there is no [away] in the configuration: say `from` and `to` there first" })
                .to_string();
        };
        let mut points = vec![self.probes(), self.alarms_point(), self.within(away.to), self.spares()];
        points.extend(self.channels());
        points.push(point(
            !away.neighbours.is_empty(),
            if away.neighbours.is_empty() {
                "nobody is named in `neighbours`: who looks after the animals?".to_owned()
            } else {
                format!("told at once of what is critical or high: {}", away.neighbours.join(", "))
            },
        ));
        let told = |id: &str| away.instructions.iter().any(|(of, _)| of == id);
        let untold: Vec<_> = settings.enclosures.iter().map(|it| it.id.as_str()).filter(|id| !told(id)).collect();
        points.push(point(
            untold.is_empty(),
            match untold.len() {
                0 => "there are instructions for every enclosure".to_owned(),
                count => format!("no instructions for {count} of {}: {}", settings.enclosures.len(), some(&untold)),
            },
        ));
        json!({ "away": { "from": away.from.to_string(), "to": away.to.to_string(), "points": points } }).to_string()
    }

    fn probes(&self) -> Value {
        let settings = self.controller.settings();
        let mut unheard = Vec::new();
        let mut count = 0;
        for (ix, enclosure) in settings.enclosures.iter().enumerate() {
            let Some(view) = self.controller.view(EnclosureIx(ix)) else { continue };
            for (probe, seen) in enclosure.probes.iter().zip(&view.probes) {
                count += 1;
                if seen.quality != Quality::Good {
                    unheard.push(format!("{} of {} ({})", probe.name, enclosure.title, seen.quality.word()));
                }
            }
        }
        point(
            unheard.is_empty(),
            match unheard.len() {
                0 => format!("every probe is heard, {count} of them"),
                silent => format!("{silent} of {count} probes are not as they should be: {}", some(&unheard)),
            },
        )
    }

    fn alarms_point(&self) -> Value {
        let standing: Vec<_> = self.telling.notifier.standing().map(|told| told.key.to_string()).collect();
        point(
            standing.is_empty(),
            match standing.len() {
                0 => "no alarm stands".to_owned(),
                count => format!("{count} alarms stand: {}", some(&standing)),
            },
        )
    }

    /// What falls due before the keeper is back.
    fn within(&self, back: NaiveDate) -> Value {
        let settings = self.controller.settings();
        let all =
            (0..settings.enclosures.len()).flat_map(|ix| digest::due(&self.controller, settings, EnclosureIx(ix)));
        let mut due: Vec<_> = all.filter_map(|(by, what)| by.filter(|by| *by <= back).map(|by| (by, what))).collect();
        due.sort();
        let lines: Vec<_> = due.iter().map(|(by, what)| format!("{what} by {}", by.format("%-d %b"))).collect();
        point(
            lines.is_empty(),
            match lines.len() {
                0 => "nothing falls due before you are back, as far as can be forecast".to_owned(),
                _ => format!("due before you are back: {}", some(&lines)),
            },
        )
    }

    fn spares(&self) -> Value {
        let short = self.telling.notifier.standing().find(|told| told.key.kind == AlarmKind::SpareDue);
        match (short, self.controller.spares_left()) {
            (Some(told), _) => point(false, told.text.to_owned()),
            (None, 0) => point(false, "no spare lamps are in stock".to_owned()),
            (None, count) => point(true, format!("{count} spare lamps are in stock")),
        }
    }

    /// When something last arrived by each channel.
    fn channels(&self) -> Vec<Value> {
        let settings = self.controller.settings();
        let (now, zone) = (self.clock.now().wall, settings.site.timezone);
        let ways = settings.telling.contacts.iter().flat_map(|contact| {
            contact.channels.iter().map(|channel| (contact.name.clone(), channel.word().to_owned()))
        });
        let told = ways.map(|way| {
            let last = self.telling.last_sent.get(&way);
            let (contact, channel) = &way;
            match last {
                None => point(false, format!("{channel} to {contact}: nothing has ever arrived; try it")),
                Some(at) => {
                    let when = at.with_timezone(&zone).format("%-d %b %Y");
                    let is_recent = (now - *at).num_days() < TRIED_WITHIN_DAYS;
                    point(is_recent, format!("{channel} to {contact}: something last arrived on {when}"))
                }
            }
        });
        let told: Vec<_> = told.collect();
        if told.is_empty() {
            vec![point(false, "nobody would be told of anything: there is no [[contact]]".to_owned())]
        } else {
            told
        }
    }
}

fn point(well: bool, text: String) -> Value {
    json!({ "well": well, "text": text })
}

/// The first few of a list.
fn some<T: AsRef<str>>(list: &[T]) -> String {
    const SHOWN: usize = 10;
    let shown: Vec<_> = list.iter().take(SHOWN).map(AsRef::as_ref).collect();
    let more = list.len().saturating_sub(SHOWN);
    if more > 0 { format!("{} and {more} more", shown.join(", ")) } else { shown.join(", ") }
}

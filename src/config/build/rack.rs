//! Racks: one description, stamped out over its bays.

use std::collections::BTreeMap;

use super::super::fields::{Fields, NamedFields, Node, Put, Value};
use super::super::finding::{At, Draft};
use super::super::keys::ENCLOSURE;
use super::{Bench, collect};
use crate::settings::Enclosure;

/// Most bays of one rack; a slip of the pen above that. Our choice.
const BAYS_MAX: u64 = 10_000;

impl Bench<'_, '_> {
    /// Adds an enclosure for each bay of a rack.
    pub(super) fn rack(&mut self, fields: &Fields, all: &mut Option<Vec<Enclosure>>) {
        fields.report_missing_here(self.sink);
        let bays = self.bays(fields);
        let (Some(rack), Some(bays)) = (fields.text("id"), bays) else {
            *all = None;
            self.uses_known = false;
            return;
        };
        let overrides: BTreeMap<&str, &NamedFields> = fields.named("bay").into_iter().collect();
        for (name, named) in &overrides {
            if !bays.iter().any(|bay| bay.value == *name) {
                let name = Put { at: named.key, value: (*name).to_owned() };
                self.unknown("bay", &name, bays.iter().map(|bay| bay.value.as_str()));
            }
        }
        for bay in bays {
            let own = overrides.get(bay.value.as_str()).map(|named| named.fields.as_ref());
            let own = match own {
                Some(None) => {
                    *all = None;
                    continue;
                }
                Some(Some(own)) => Some(own),
                None => None,
            };
            if own.is_some_and(|own| own.switch("absent")) {
                continue;
            }
            let enclosure = stamped_out(fields, &rack.value, &bay, own);
            self.bay = Some((rack.value.clone(), bay.value));
            enclosure.report_missing(self.sink);
            let enclosure = self.enclosure(&enclosure);
            collect(all, enclosure);
        }
        self.bay = None;
    }

    /// The names of the bays.
    fn bays(&mut self, fields: &Fields) -> Option<Vec<Put<String>>> {
        let node = fields.node("bays")?;
        let bays: Vec<Put<String>> = match &node.value {
            Value::Text(range) => match bay_range(range) {
                Ok(names) => names.into_iter().map(|value| Put { at: node.at, value }).collect(),
                Err((wrong, right)) => {
                    self.sink.error(node.at, wrong, right);
                    return None;
                }
            },
            Value::List(list) => {
                let named = |node: &Node| match &node.value {
                    Value::Text(name) => Some(Put { at: node.at, value: name.clone() }),
                    _ => None,
                };
                list.iter().map(named).collect::<Option<_>>()?
            }
            _ => return None,
        };
        if bays.is_empty() {
            self.sink.error(node.at, "the rack has no bays", "name them, such as \"01..24\"");
            return None;
        }
        let mut seen: BTreeMap<&str, At> = BTreeMap::new();
        for bay in &bays {
            if let Some(first) = seen.insert(&bay.value, bay.at) {
                let draft = Draft::error(bay.at, format!("the bay `{}` stands twice", bay.value), "name each bay once");
                self.sink.push(draft.also(first, "first here"));
                return None;
            }
        }
        Some(bays)
    }
}

/// The enclosure in one bay, `own` being what is different in it.
fn stamped_out(rack: &Fields, rack_id: &str, bay: &Put<String>, own: Option<&Fields>) -> Fields {
    let mut enclosure = Fields::new(rack.at, &ENCLOSURE);
    for key in ["title", "care", "season_shift", "in_service", "probes", "lamps"] {
        if let Some(node) = rack.node(key) {
            enclosure.put(key, node.clone());
        }
    }
    if let Some(own) = own {
        enclosure.override_with(own);
    }
    // The rack has been told already that it names no care sheet.
    enclosure.put_meant("care", rack.at);
    enclosure.put("id", Node { at: bay.at, value: Value::Text(format!("{rack_id}-{}", bay.value)) });
    enclosure
}

/// The names of a range such as `01..24`, as wide as its first one; or what is wrong and what would be right.
fn bay_range(range: &str) -> Result<Vec<String>, (String, &'static str)> {
    const FORM: &str = "write the first and the last bay, such as \"01..24\", or a list of names";
    let number =
        |text: &str| text.bytes().all(|byte| byte.is_ascii_digit()).then(|| text.parse::<u64>().ok()).flatten();
    let parts = range.split_once("..").map(|(first, last)| (first, number(first), number(last)));
    let Some((text, Some(first), Some(last))) = parts else {
        return Err((format!("`bays` is \"{range}\", which is no range"), FORM));
    };
    if first > last {
        return Err((format!("`bays` runs from {first} down to {last}"), FORM));
    }
    if last - first >= BAYS_MAX {
        return Err((format!("`bays` names more than {BAYS_MAX} bays"), "split the rack"));
    }
    Ok((first..=last).map(|bay| format!("{bay:0width$}", width = text.len())).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_keep_their_leading_zeros() {
        let check = |range, expected: &[&str]| {
            assert_eq!(
                bay_range(range).as_deref(),
                Ok(&expected.iter().map(|it| it.to_string()).collect::<Vec<_>>()[..])
            )
        };
        check("01..03", &["01", "02", "03"]);
        check("8..11", &["8", "9", "10", "11"]);
        check("7..7", &["7"]);
        check("099..101", &["099", "100", "101"]);
    }

    #[test]
    fn other_ranges_are_refused() {
        for range in [
            "",
            "..",
            "1..",
            "..4",
            "3..1",
            "a..c",
            "1...3",
            "1..=3",
            "-1..3",
            "+1..3",
            "1..20000",
            "99999999999999999999..1",
        ] {
            assert!(bay_range(range).is_err(), "{range}");
        }
    }
}

//! From fields of the right kind to settings, with every check that looks at more than one value.

mod care;
mod circuit;
mod enclosure;
mod heat;
mod lamp;
mod output;
mod photoperiod;
mod probe;
mod rack;
mod season;
mod site;
mod telling;
mod topics;

use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

use super::fields::{Fields, Put};
use super::finding::{At, Draft, Sink, nearest};
use crate::settings::{CutOff, CutOffIx, Enclosure, Fitting, Settings, Spare};
use crate::units::Watts;

use care::Sheet;
use circuit::KnownCircuit;
use topics::Topics;

/// Ids an enclosure may not have: they stand at its place in the daemon's own topics.
const RESERVED_IDS: [&str; 4] = ["site", "status", "alarms", "do"];

/// Builds the settings; none where something was wrong, which the sink then knows.
pub(super) fn settings(root: &Fields, sink: &mut Sink) -> Option<Settings> {
    root.report_missing(sink);
    let site = root.table("site").and_then(site::site);
    let broker = root.table("broker").and_then(|fields| site::broker(fields, sink));
    let mut bench = Bench {
        sink,
        sheets: BTreeMap::new(),
        shipped: BTreeMap::new(),
        sheets_used: BTreeSet::new(),
        cut_offs: BTreeMap::new(),
        circuits: BTreeMap::new(),
        topics: Topics::default(),
        ids: BTreeMap::new(),
        bay: None,
        uses_known: true,
    };
    let cut_offs = bench.cut_offs(root);
    let circuits = bench.circuits(root);
    bench.sheets(root);
    let enclosures = bench.housings(root);
    bench.report_unused();
    let tariff = circuit::tariff(root);
    let spares = spares(root, bench.sink);
    let telling = telling::telling(root, enclosures.as_deref(), site.as_ref(), bench.sink);
    let settings = Settings {
        site: site?,
        broker: broker?,
        cut_offs: cut_offs?,
        circuits: circuits?,
        tariff: tariff?,
        enclosures: enclosures?,
        spares: spares?,
        telling: telling?,
    };
    bench.report_loads(&settings);
    Some(settings)
}

/// Spare lamps; every check on one looks at one value and has been made.
fn spares(root: &Fields, sink: &mut Sink) -> Option<Vec<Spare>> {
    let mut all = Some(Vec::new());
    for fields in root.many("spare") {
        fields.report_missing(sink);
        let spare = || {
            Some(Spare {
                fitting: Fitting::from_word(&fields.text("fitting")?.value)?,
                power: fields.number("watts").map(|watts| Watts(watts.value)),
                count: u32::try_from(fields.whole("count")?.value).ok()?,
            })
        };
        collect(&mut all, spare());
    }
    all
}

/// What the parts of a configuration know of each other while it is built.
struct Bench<'b, 's> {
    sink: &'b mut Sink<'s>,
    /// The keeper's own care sheets by name.
    sheets: BTreeMap<String, Rc<Sheet>>,
    /// Care sheets that come with the program, by the place that names each.
    shipped: BTreeMap<At, Rc<Sheet>>,
    sheets_used: BTreeSet<String>,
    cut_offs: BTreeMap<String, KnownCutOff>,
    circuits: BTreeMap<String, KnownCircuit>,
    topics: Topics,
    /// Ids of enclosures with where each stands.
    ids: BTreeMap<String, At>,
    /// The rack and bay that is being stamped out.
    bay: Option<(String, String)>,
    /// Whether it is known which care sheets, cut-offs and circuits are used: not, once a name was wrong or a rack unreadable.
    uses_known: bool,
}

/// A contactor that lamps can name.
struct KnownCutOff {
    ix: CutOffIx,
    key: At,
    used: bool,
}

impl Bench<'_, '_> {
    fn cut_offs(&mut self, root: &Fields) -> Option<Vec<CutOff>> {
        let mut all = Some(Vec::new());
        for (index, (name, named)) in root.named("cut_off").into_iter().enumerate() {
            let known = KnownCutOff { ix: CutOffIx(index), key: named.key, used: false };
            self.cut_offs.insert(name.to_owned(), known);
            let relay = named.fields.as_ref().and_then(|fields| fields.table("relay"));
            let output = relay.and_then(|relay| self.output(relay, &format!("cut-off `{name}`")));
            collect(&mut all, output.map(|output| CutOff { name: name.to_owned(), output }));
        }
        all
    }

    /// Enclosures and racks in the order of the files.
    fn housings(&mut self, root: &Fields) -> Option<Vec<Enclosure>> {
        let enclosures = root.many("enclosure").iter().map(|fields| (fields, false));
        let racks = root.many("rack").iter().map(|fields| (fields, true));
        let mut housings: Vec<_> = enclosures.chain(racks).collect();
        housings.sort_by_key(|(fields, _)| fields.at);
        if housings.is_empty() && !root.has("enclosure") && !root.has("rack") {
            let wrong = "there is no enclosure and no rack: nothing is looked after";
            let right = "add [[enclosure]] with `id`, `care`, probes and lamps";
            self.sink.push(Draft::warning(root.at, wrong, right).absence());
        }
        let mut all = Some(Vec::new());
        for (fields, is_rack) in housings {
            if is_rack {
                self.rack(fields, &mut all);
            } else {
                fields.report_missing(self.sink);
                let enclosure = self.enclosure(fields);
                collect(&mut all, enclosure);
            }
        }
        all.map(fitted)
    }

    fn report_unused(&mut self) {
        if !self.uses_known {
            return;
        }
        for (name, sheet) in self.sheets.iter().filter(|(name, _)| !self.sheets_used.contains(*name)) {
            let wrong = format!("no enclosure uses the care sheet `{name}`");
            let right = format!("name it where it belongs, `care = \"{name}\"`, or leave it out");
            self.sink.push(Draft::warning(sheet.key, wrong, right).absence());
        }
        for (name, cut_off) in self.cut_offs.iter().filter(|(_, cut_off)| !cut_off.used) {
            let wrong = format!("no lamp is under the cut-off `{name}`");
            let right = format!("add `cut_off = \"{name}\"` to each lamp it can switch off, or leave it out");
            self.sink.push(Draft::warning(cut_off.key, wrong, right).absence());
        }
        for (name, circuit) in self.circuits.iter().filter(|(_, circuit)| !circuit.used) {
            let wrong = format!("no lamp draws from the circuit `{name}`");
            let right = format!("add `circuit = \"{name}\"` to each lamp that does, or leave it out");
            self.sink.push(Draft::warning(circuit.key, wrong, right).absence());
        }
    }

    /// Reports a reference to something that is not there.
    fn unknown<'n>(&mut self, what: &str, reference: &Put<String>, known: impl Iterator<Item = &'n str> + Clone) {
        let near = nearest(&reference.value, known.clone());
        let right = match near {
            Some(near) => format!("did you mean `{near}`?"),
            None => match listed(known) {
                Some(list) => format!("known: {list}"),
                None => format!("there is none yet: add one called `{}`", reference.value),
            },
        };
        let draft = Draft::error(reference.at, format!("there is no {what} `{}`", reference.value), right);
        self.sink.push(draft.nearest(near).absence());
    }

    /// Fills `{rack}` and `{bay}` into a JSON Pointer, where `~` is written `~0` (RFC 6901).
    fn filled_pointer(&mut self, pointer: Put<String>) -> String {
        let names = self.bay.clone();
        if let Some((rack, bay)) = &mut self.bay {
            (*rack, *bay) = (rack.replace('~', "~0"), bay.replace('~', "~0"));
        }
        let filled = self.filled(pointer).value;
        self.bay = names;
        filled
    }

    /// Fills `{rack}` and `{bay}` into a text.
    fn filled(&mut self, text: Put<String>) -> Put<String> {
        let value = match &self.bay {
            Some((rack, bay)) => text.value.replace("{rack}", rack).replace("{bay}", bay),
            None => text.value.clone(),
        };
        for word in placeholders(&text.value) {
            let known = matches!(word, "rack" | "bay");
            if known && self.bay.is_none() {
                let wrong = format!("`{{{word}}}` stands outside a rack");
                self.sink.error(text.at, wrong, "write the name itself; only a [[rack]] fills it in");
            } else if !known {
                let wrong = format!("`{{{word}}}` is no placeholder here");
                self.sink.error(text.at, wrong, "only `{rack}` and `{bay}` are filled in, and only in a [[rack]]");
            }
        }
        Put { at: text.at, value }
    }
}

/// Adds `item` to `all`, which is lost once one item is.
fn collect<T>(all: &mut Option<Vec<T>>, item: Option<T>) {
    match (all.as_mut(), item) {
        (Some(list), Some(item)) => list.push(item),
        _ => *all = None,
    }
}

/// As large as what is in it: settings stay for as long as the daemon runs, and half of a grown list is room.
fn fitted<T>(mut list: Vec<T>) -> Vec<T> {
    list.shrink_to_fit();
    list
}

/// The first names of a list that could be long; none where there is none.
fn listed<'n>(names: impl Iterator<Item = &'n str>) -> Option<String> {
    const SHOWN_MAX: usize = 12;
    let mut names: Vec<_> = names.take(SHOWN_MAX + 1).map(|name| format!("`{name}`")).collect();
    if names.len() > SHOWN_MAX {
        names[SHOWN_MAX] = "…".to_owned();
    }
    (!names.is_empty()).then(|| names.join(", "))
}

/// The words that stand in braces: lower-case letters and `_` alone, so that JSON is left alone.
fn placeholders(text: &str) -> impl Iterator<Item = &str> {
    text.split('{').skip(1).filter_map(|rest| {
        let (word, _) = rest.split_once('}')?;
        (!word.is_empty() && word.chars().all(|c| c.is_ascii_lowercase() || c == '_')).then_some(word)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn placeholders_are_words_in_braces_and_json_is_not() {
        let check = |text, expected: &[&str]| assert_eq!(placeholders(text).collect::<Vec<_>>(), expected, "{text}");
        check("rack/{rack}/{bay}", &["rack", "bay"]);
        check(r#"{"on": true, "for": {hold}}"#, &["hold"]);
        check(r#"{"a": {}}"#, &[]);
        check("{", &[]);
        check("}{", &[]);
        check("{{level}}", &["level"]);
    }
}

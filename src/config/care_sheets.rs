//! The care sheets that come with the program: the files of `config/care/`.
//!
//! `care = "…"` and `based_on = "…"` find them by the names of their files. A keeper's own sheet of the same name wins,
//! without a word: he has said what he wants. Own sheets build on these alone and not on each other, so that a sheet is
//! never further than two files away.

use super::fields::Fields;
use super::finding::{At, Sink, Source, nearest};
use super::keys::{BASED_ON, CARE};
use super::shape;

/// Where a person reads what there is.
pub(super) const LISTED: &str = "config/care/README.md lists those that come with the program";

/// Before the common names in the head of a sheet.
const COMMON_NAMES: &str = "# Common names: ";

/// A care sheet that comes with the program.
#[derive(Debug)]
pub struct CareSheet {
    /// What a configuration calls it: the name of its file, without the ending.
    pub name: &'static str,
    /// Its text: the keys of one `[care.<name>]` section, each number with its source beside it.
    pub text: &'static str,
}

/// The sheets of these names, out of `config/care/`.
macro_rules! sheets {
    ($($name:literal,)*) => {
        &[$(CareSheet { name: $name, text: include_str!(concat!("../../config/care/", $name, ".toml")) },)*]
    };
}

/// Every care sheet that comes with the program, by name. `tests/care.rs` compares the list with the folder.
pub static CARE_SHEETS: &[CareSheet] = sheets![
    "anolis-carolinensis",
    "antaresia-childreni",
    "basiliscus-plumifrons",
    "boa-constrictor",
    "calumma-brevicorne",
    "chamaeleo-calyptratus",
    "chelodina-longicollis",
    "chelonoidis-carbonarius",
    "chrysemys-picta",
    "correlophus-ciliatus",
    "cyclura-cornuta",
    "dipsosaurus-dorsalis",
    "emydura-macquarii",
    "eublepharis-macularius",
    "furcifer-pardalis",
    "iguana-iguana",
    "intellagama-lesueurii",
    "lampropeltis-getula",
    "lampropeltis-triangulum",
    "morelia-spilota-spilota",
    "morelia-spilota-variegata",
    "pantherophis-guttatus",
    "phelsuma",
    "phrynosoma-cornutum",
    "physignathus-cocincinus",
    "pogona-vitticeps",
    "python-bivittatus",
    "python-regius",
    "salvator-merianae",
    "stigmochelys-pardalis",
    "terrapene-ornata",
    "testudo-graeca",
    "testudo-hermanni",
    "testudo-horsfieldii",
    "testudo-marginata",
    "thamnophis-sirtalis",
    "tiliqua-scincoides",
    "uromastyx",
    "varanus-exanthematicus",
];

impl CareSheet {
    /// What people call the species.
    pub fn common_names(&self) -> impl Iterator<Item = &'static str> {
        let line = self.text.lines().find_map(|line| line.strip_prefix(COMMON_NAMES));
        line.into_iter().flat_map(|names| names.split(", "))
    }

    /// Its fields, every one of them at `at`, where a keeper named it: what his own keys make of them is told there.
    pub(super) fn fields(&self, at: At) -> Fields {
        // Whatever could be found in it is found by the tests: the text is part of the program.
        let sources = [Source { name: self.name.to_owned(), text: self.text.to_owned() }];
        let mut fields = shape::read(&CARE, 0, self.text, &mut Sink::new(&sources));
        fields.move_to(at);
        fields
    }
}

/// The sheet called `name`.
pub(super) fn find(name: &str) -> Option<&'static CareSheet> {
    CARE_SHEETS.iter().find(|sheet| sheet.name == name)
}

/// The sheet whose name, or else one of whose common names, is nearest to `word`.
pub(super) fn near(word: &str) -> Option<&'static str> {
    let named = nearest(word, CARE_SHEETS.iter().map(|sheet| sheet.name));
    named.or_else(|| {
        let spoken = word.replace(['-', '_'], " ");
        let common = nearest(&spoken, CARE_SHEETS.iter().flat_map(CareSheet::common_names))?;
        CARE_SHEETS.iter().find(|sheet| sheet.common_names().any(|name| name == common)).map(|sheet| sheet.name)
    })
}

/// What would be right instead of `word`, which names no sheet.
pub(super) fn advice(near: Option<&str>) -> String {
    match near {
        Some(near) => format!("did you mean `{near}`? {LISTED}"),
        None => LISTED.to_owned(),
    }
}

/// Fills up every own care sheet that is based on one of these.
pub(super) fn fill_up(root: &mut Fields) {
    for named in root.named_mut("care") {
        let Some(own) = &mut named.fields else { continue };
        if !own.has(BASED_ON) {
            continue;
        }
        let base = own.text(BASED_ON).and_then(|name| Some(find(&name.value)?.fields(name.at)));
        match base {
            Some(base) => rest(own, base),
            // A finding has said why; of a sheet whose base is not known nothing can be said.
            None => named.fields = None,
        }
    }
}

/// Lets `own` rest on `base`: what it does not say is taken over, down to the single key.
fn rest(own: &mut Fields, mut base: Fields) {
    for (own_key, other) in [("uv_zone", "basking_uvi"), ("basking_uvi", "uv_zone")] {
        if own.has(own_key) {
            base.remove(other);
        }
    }
    own.fill_up(base);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sheet_is_read_without_a_finding_and_lacks_nothing() {
        for sheet in CARE_SHEETS {
            let sources = [Source { name: sheet.name.to_owned(), text: sheet.text.to_owned() }];
            let mut sink = Sink::new(&sources);
            let fields = shape::read(&CARE, 0, sheet.text, &mut sink);
            fields.report_missing(&mut sink);
            assert_eq!(sink.finish(), [], "{}", sheet.name);
            assert!(!fields.has(BASED_ON), "{} is based on another", sheet.name);
            assert!(sheet.common_names().next().is_some(), "{} has no common name", sheet.name);
        }
    }

    #[test]
    fn a_sheet_is_found_by_its_name_and_a_near_one_by_what_people_say() {
        assert!(find("python-regius").is_some() && find("Python-regius").is_none());
        let check = |word, expected| assert_eq!(near(word), expected, "{word}");
        check("pogona-viticeps", Some("pogona-vitticeps"));
        check("leopard-gecko", Some("eublepharis-macularius"));
        check("royal_python", Some("python-regius"));
        check("my-own-thing", None);
    }
}

//! Where something stands in the files, for those who tell a keeper what to change.

use super::fields::{Fields, Names, Value};
use super::finding::{At, Sink, Source, line_and_column};
use super::keys::ROOT;
use super::shape;

/// Finds places in a configuration.
pub struct Locator<'a> {
    sources: &'a [Source],
    root: Option<Fields>,
}

impl<'a> Locator<'a> {
    /// Reads the files once more; what is wrong with them is told elsewhere.
    pub fn new(sources: &'a [Source]) -> Locator<'a> {
        let mut sink = Sink::new(sources);
        let mut root: Option<Fields> = None;
        for (index, source) in sources.iter().enumerate() {
            let fields = shape::read(&ROOT, index, &source.text, &mut sink);
            match &mut root {
                None => root = Some(fields),
                Some(root) => root.join_file(fields, &mut sink),
            }
        }
        Locator { sources, root }
    }

    /// File and line of what `path` leads to in the enclosure called `id`, such as `["probes", "basking", "topic"]`; of as
    /// much of it as is written. What the bays of a rack share stands in the rack, unless a bay says otherwise.
    pub fn find(&self, id: &str, path: &[&str]) -> Option<(&'a str, usize)> {
        let root = self.root.as_ref()?;
        let is_called = |fields: &&Fields| fields.text("id").is_some_and(|put| put.value == id);
        let at = match root.many("enclosure").iter().find(is_called) {
            Some(enclosure) => deepest(enclosure, path).0,
            None => {
                let bay_of =
                    |rack: &'_ Fields| Some(id.strip_prefix(&rack.text("id")?.value)?.strip_prefix('-')?.to_owned());
                let (rack, bay) = root.many("rack").iter().find_map(|rack| Some((rack, bay_of(rack)?)))?;
                let bays = rack.named("bay");
                let own = bays.iter().find(|(name, _)| *name == bay).and_then(|(_, named)| named.fields.as_ref());
                let shared = deepest(rack, path);
                own.map(|own| deepest(own, path)).filter(|(_, depth)| *depth >= path.len()).unwrap_or(shared).0
            }
        };
        let source = self.sources.get(at.source)?;
        Some((&source.name, line_and_column(&source.text, at.start).0))
    }
}

/// The place of as much of `path` as there is below `fields`, and how much that was.
fn deepest(fields: &Fields, path: &[&str]) -> (At, usize) {
    let Some((key, rest)) = path.split_first() else { return (fields.at, 0) };
    let Some(node) = fields.node(key) else { return (fields.at, 0) };
    let below = match (&node.value, rest.split_first()) {
        (Value::Table(inner), Some(_)) => Some((deepest(inner, rest), 1)),
        (Value::Named(names), Some((name, rest))) => named(names, name, rest).map(|found| (found, 2)),
        _ => None,
    };
    match below {
        Some(((at, depth), above)) => (at, depth + above),
        None => (node.at, 1),
    }
}

fn named(names: &Names, name: &str, rest: &[&str]) -> Option<(At, usize)> {
    let named = names.get(name)?;
    Some(match &named.fields {
        Some(fields) if !rest.is_empty() => match deepest(fields, rest) {
            // What is not written belongs to the name.
            (_, 0) => (named.key, 0),
            found => found,
        },
        _ => (named.key, 0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_found_in_enclosures_racks_and_bays() {
        let text = "[[enclosure]]\nid = \"e1\"\n[enclosure.probes.basking]\nmeasures = \"temperature\"\ntopic = \"a\"\n\
                    [enclosure.lamps.heat]\nrelay = { set = \"b\" }\n\
                    [[rack]]\nid = \"r1\"\nbays = \"01..04\"\n[rack.probes.basking]\ntopic = \"c\"\nevery = \"30s\"\n\
                    [rack.bay.02.probes.basking]\ntopic = \"d\"\n";
        let sources = [
            Source { name: "a.toml".to_owned(), text: String::new() },
            Source { name: "b.toml".to_owned(), text: text.to_owned() },
        ];
        let locator = Locator::new(&sources);
        let check = |id: &str, path: &[&str], line: Option<usize>| {
            assert_eq!(locator.find(id, path), line.map(|line| ("b.toml", line)), "{id} {path:?}");
        };
        check("e1", &["probes", "basking", "topic"], Some(5));
        check("e1", &["probes", "basking", "stale"], Some(3));
        check("e1", &["lamps", "heat", "relay", "set"], Some(7));
        check("e1", &["lamps", "heat", "relay", "on"], Some(7));
        check("r1-01", &["probes", "basking", "topic"], Some(12));
        check("r1-02", &["probes", "basking", "topic"], Some(15));
        check("r1-02", &["probes", "basking", "every"], Some(13));
        check("e2", &["probes"], None);
    }
}

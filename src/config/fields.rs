//! A configuration whose every value has the kind its key asks for, each with the place it came from.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::NaiveTime;

use super::finding::{At, Draft, Sink};
use super::keys::{Key, Kind, Need, Plain, Section};

/// A value and where it stands.
#[derive(Clone, Debug)]
pub(crate) struct Node {
    /// Where it stands.
    pub at: At,
    /// What it is.
    pub value: Value,
}

/// A value of the kind its key asks for.
#[derive(Clone, Debug)]
pub(crate) enum Value {
    /// It was of no use, and a finding says why; whoever meets it stays silent.
    Bad,
    /// `true` or `false`.
    Switch(bool),
    /// Text, also words of a fixed choice.
    Text(String),
    /// A number, never NaN or infinite.
    Number(f64),
    /// A whole number.
    Whole(i64),
    /// A duration.
    Span(Duration),
    /// A time of day.
    Time(NaiveTime),
    /// A list.
    List(Vec<Node>),
    /// A table.
    Table(Fields),
    /// Tables by name.
    Named(Names),
    /// A list of tables.
    Many(Vec<Fields>),
}

/// Tables by name.
pub(crate) type Names = BTreeMap<String, NamedFields>;

/// A table and the name it goes by.
#[derive(Clone, Debug)]
pub(crate) struct NamedFields {
    /// Where the name stands.
    pub key: At,
    /// The table; none where it was no table.
    pub fields: Option<Fields>,
}

/// A table that holds known keys only.
#[derive(Clone, Debug)]
pub(crate) struct Fields {
    /// Where it stands: its header, or its braces.
    pub at: At,
    /// What it is.
    pub section: &'static Section,
    entries: BTreeMap<&'static str, Node>,
}

/// A value with its place.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Put<T> {
    /// Where it stands.
    pub at: At,
    /// What it is.
    pub value: T,
}

impl Node {
    fn move_to(&mut self, at: At) {
        self.at = at;
        match &mut self.value {
            Value::List(list) => list.iter_mut().for_each(|node| node.move_to(at)),
            Value::Table(fields) => fields.move_to(at),
            Value::Many(many) => many.iter_mut().for_each(|fields| fields.move_to(at)),
            Value::Named(names) => names.values_mut().for_each(|named| {
                named.key = at;
                named.fields.iter_mut().for_each(|fields| fields.move_to(at));
            }),
            Value::Bad | Value::Switch(_) | Value::Text(_) | Value::Number(_) => {}
            Value::Whole(_) | Value::Span(_) | Value::Time(_) => {}
        }
    }
}

impl Fields {
    /// An empty table.
    pub fn new(at: At, section: &'static Section) -> Fields {
        Fields { at, section, entries: BTreeMap::new() }
    }

    /// Sets `key`.
    pub fn put(&mut self, key: &'static str, node: Node) {
        self.entries.insert(key, node);
    }

    /// Marks `key` as meant, if nothing is known of it, so that it is not called missing as well.
    pub fn put_meant(&mut self, key: &'static str, at: At) {
        self.entries.entry(key).or_insert(Node { at, value: Value::Bad });
    }

    /// Takes over every entry of `other`, whose section has the same keys; tables are joined key by key.
    pub fn override_with(&mut self, other: &Fields) {
        for (key, node) in &other.entries {
            match (self.entries.get_mut(key).map(|own| &mut own.value), &node.value) {
                (Some(Value::Table(own)), Value::Table(new)) => own.override_with(new),
                (Some(Value::Named(own)), Value::Named(new)) => override_names(own, new),
                _ => self.put(key, node.clone()),
            }
        }
    }

    /// Takes over every entry of `base` that this table lacks; tables of one kind are filled up key by key.
    pub fn fill_up(&mut self, base: Fields) {
        for (key, node) in base.entries {
            match (self.entries.get_mut(key).map(|own| &mut own.value), node.value) {
                (None, value) => self.put(key, Node { at: node.at, value }),
                (Some(Value::Table(own)), Value::Table(base)) if own.section.name == base.section.name => {
                    own.fill_up(base);
                }
                _ => {}
            }
        }
    }

    /// Forgets `key`.
    pub fn remove(&mut self, key: &str) {
        self.entries.remove(key);
    }

    /// Lets the table and all that is in it stand at `at`.
    pub fn move_to(&mut self, at: At) {
        self.at = at;
        self.entries.values_mut().for_each(|node| node.move_to(at));
    }

    /// What stands under `key`.
    pub fn node(&self, key: &str) -> Option<&Node> {
        self.entries.get(key)
    }

    /// Whether the configuration says something for `key`, however wrong.
    pub fn has(&self, key: &str) -> bool {
        self.entries.contains_key(key)
    }

    /// Where `key` stands; the whole table where it does not.
    pub fn place(&self, key: &str) -> At {
        self.entries.get(key).map_or(self.at, |node| node.at)
    }

    fn default(&self, key: &str) -> Option<Plain> {
        let known = self.section.key(key);
        debug_assert!(known.is_some(), "`{key}` is no key of {}", self.section.name);
        match known?.need {
            Need::Default(plain, _) => Some(plain),
            Need::Required | Need::Absent(_) => None,
        }
    }

    /// What the configuration says for `key`; where it says nothing, the default. None where it has neither, or said
    /// something of no use.
    fn get<T>(
        &self,
        key: &str,
        read: impl Fn(&Value) -> Option<T>,
        plain: impl Fn(Plain) -> Option<T>,
    ) -> Option<Put<T>> {
        let value = match self.entries.get(key) {
            Some(node) => read(&node.value),
            None => self.default(key).and_then(plain),
        };
        value.map(|value| Put { at: self.place(key), value })
    }

    /// A number.
    pub fn number(&self, key: &str) -> Option<Put<f64>> {
        let read = |value: &Value| if let Value::Number(number) = value { Some(*number) } else { None };
        self.get(key, read, |plain| if let Plain::Number(number) = plain { Some(number) } else { None })
    }

    /// A duration.
    pub fn span(&self, key: &str) -> Option<Put<Duration>> {
        let read = |value: &Value| if let Value::Span(span) = value { Some(*span) } else { None };
        let plain = |plain| if let Plain::Seconds(seconds) = plain { Some(Duration::from_secs(seconds)) } else { None };
        self.get(key, read, plain)
    }

    /// A text or word.
    pub fn text(&self, key: &str) -> Option<Put<String>> {
        let read = |value: &Value| if let Value::Text(text) = value { Some(text.clone()) } else { None };
        self.get(key, read, |plain| if let Plain::Text(text) = plain { Some(text.to_owned()) } else { None })
    }

    /// A switch; false where it was of no use.
    pub fn switch(&self, key: &str) -> bool {
        let read = |value: &Value| if let Value::Switch(switch) = value { Some(*switch) } else { None };
        let plain = |plain| if let Plain::Switch(switch) = plain { Some(switch) } else { None };
        self.get(key, read, plain).is_some_and(|put| put.value)
    }

    /// A time of day.
    pub fn time(&self, key: &str) -> Option<Put<NaiveTime>> {
        let read = |value: &Value| if let Value::Time(time) = value { Some(*time) } else { None };
        let plain = |plain| if let Plain::Time(h, m) = plain { NaiveTime::from_hms_opt(h, m, 0) } else { None };
        self.get(key, read, plain)
    }

    /// A whole number.
    pub fn whole(&self, key: &str) -> Option<Put<i64>> {
        let plain = |plain| if let Plain::Whole(whole) = plain { Some(whole) } else { None };
        self.get(key, |value| if let Value::Whole(whole) = value { Some(*whole) } else { None }, plain)
    }

    /// A list; its bad members are still in it.
    pub fn list(&self, key: &str) -> Option<&[Node]> {
        if let Value::List(list) = &self.entries.get(key)?.value { Some(list) } else { None }
    }

    /// A table.
    pub fn table(&self, key: &str) -> Option<&Fields> {
        if let Value::Table(fields) = &self.entries.get(key)?.value { Some(fields) } else { None }
    }

    /// Tables by name, in the order of the file.
    pub fn named(&self, key: &str) -> Vec<(&str, &NamedFields)> {
        let mut all: Vec<_> = match self.entries.get(key).map(|node| &node.value) {
            Some(Value::Named(names)) => names.iter().map(|(name, named)| (name.as_str(), named)).collect(),
            _ => Vec::new(),
        };
        all.sort_by_key(|(_, named)| named.key);
        all
    }

    /// Tables by name, to be changed.
    pub fn named_mut(&mut self, key: &str) -> impl Iterator<Item = &mut NamedFields> {
        let names = match self.entries.get_mut(key).map(|node| &mut node.value) {
            Some(Value::Named(names)) => Some(names.values_mut()),
            _ => None,
        };
        names.into_iter().flatten()
    }

    /// A list of tables.
    pub fn many(&self, key: &str) -> &[Fields] {
        match self.entries.get(key).map(|node| &node.value) {
            Some(Value::Many(many)) => many,
            _ => &[],
        }
    }

    /// Joins one more file of the same configuration: lists of tables grow, everything else may stand once.
    pub fn join_file(&mut self, other: Fields, sink: &mut Sink) {
        for (key, node) in other.entries {
            match (self.entries.get_mut(key).map(|own| (own.at, &mut own.value)), node.value) {
                (Some((_, Value::Many(own))), Value::Many(new)) => own.extend(new),
                (Some((_, Value::Named(own))), Value::Named(new)) => join_names(key, own, new, sink),
                (Some((first, Value::Table(_))), Value::Table(_)) => {
                    let wrong = format!("[{key}] stands twice");
                    let right = format!("keep one [{key}] over all files");
                    sink.push(Draft::error(node.at, wrong, right).also(first, "first here"));
                }
                (_, value) => self.put(key, Node { at: node.at, value }),
            }
        }
    }

    /// Reports every required key that is missing, here and below.
    pub fn report_missing(&self, sink: &mut Sink) {
        self.report_missing_here(sink);
        for node in self.entries.values() {
            match &node.value {
                Value::Table(fields) => fields.report_missing(sink),
                Value::Named(names) => {
                    names.values().filter_map(|named| named.fields.as_ref()).for_each(|it| it.report_missing(sink));
                }
                // Each stands for itself; a rack is looked at bay by bay.
                _ => {}
            }
        }
    }

    /// Reports every required key that is missing in this very table.
    pub fn report_missing_here(&self, sink: &mut Sink) {
        for key in self.section.keys {
            if matches!(key.need, Need::Required) && !self.has(key.name) {
                sink.push(missing(self, key));
            }
        }
    }
}

fn missing(fields: &Fields, key: &Key) -> Draft {
    let wrong = format!("{} has no `{}`", fields.section.name, key.name);
    let right = match (&key.kind, key.example) {
        (Kind::Variants(tag, of), _) => {
            let words: Vec<_> = of.iter().map(|(word, _)| format!("\"{word}\"")).collect();
            format!("add `{} = {{ {tag} = … }}`, with one of {}: {}", key.name, words.join(", "), lower(key.doc))
        }
        (_, "") => format!("add `{}`: {}", key.name, lower(key.doc)),
        (_, example) => format!("add it, such as `{} = {example}`: {}", key.name, lower(key.doc)),
    };
    Draft::error(fields.at, wrong, right).absence()
}

/// A sentence as the second half of another.
fn lower(sentence: &str) -> String {
    let sentence = sentence.trim_end_matches('.');
    let mut chars = sentence.chars();
    match (chars.next(), chars.clone().next()) {
        (Some(first), Some(second)) if !second.is_uppercase() => first.to_lowercase().chain(chars).collect(),
        _ => sentence.to_owned(),
    }
}

fn override_names(own: &mut Names, new: &Names) {
    for (name, named) in new {
        match (own.get_mut(name).and_then(|own| own.fields.as_mut()), &named.fields) {
            (Some(own), Some(new)) => own.override_with(new),
            _ => {
                own.insert(name.clone(), named.clone());
            }
        }
    }
}

fn join_names(key: &str, own: &mut Names, new: Names, sink: &mut Sink) {
    for (name, named) in new {
        if let Some(first) = own.get(&name) {
            let wrong = format!("[{key}.{name}] stands twice");
            let right = "give one of them another name".to_owned();
            sink.push(Draft::error(named.key, wrong, right).also(first.key, "first here"));
        } else {
            own.insert(name, named);
        }
    }
}

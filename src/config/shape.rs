//! From TOML to [`Fields`] by the table of keys: unknown keys, wrong kinds and values out of range are found here.

use std::time::Duration;

use chrono::NaiveTime;
use toml::Spanned;
use toml::de::{DeFloat, DeInteger, DeString, DeTable, DeValue};

use super::fields::{Fields, NamedFields, Names, Node, Value};
use super::finding::{At, Draft, Sink, nearest};
use super::keys::{Bounds, Key, Kind, Rule, Section, span_text};
use super::rules;
use crate::time::parse_span;

/// A key with its table's entry, as the parser gives it.
type Entry<'a, 'i> = (&'a Spanned<DeString<'i>>, &'a Spanned<DeValue<'i>>);

/// Reads source number `source`, whose text is `text`, as a table of `root`.
pub(crate) fn read(root: &'static Section, source: usize, text: &str, sink: &mut Sink) -> Fields {
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in errors {
        let span = error.span().unwrap_or(0..0);
        let at = At { source, start: span.start, end: span.end };
        sink.syntax(syntax_error(at, error.message(), sink.excerpt(at)));
    }
    let at = At { source, start: 0, end: 0 };
    Reader { root, source, sink }.table(root, at, table.get_ref())
}

fn syntax_error(at: At, message: &str, excerpt: &str) -> Draft {
    let (wrong, right) = match message.split_once(", expected ") {
        Some((wrong, expected)) => (wrong, format!("expected here: {expected}")),
        None => (message, String::new()),
    };
    let right = if wrong.starts_with("string values must be quoted") {
        format!("write it in quotes: \"{excerpt}\"")
    } else if wrong.starts_with("duplicate key") {
        "keep one of them".to_owned()
    } else if right.is_empty() {
        "see the TOML specification at https://toml.io".to_owned()
    } else {
        right
    };
    Draft::error(at, format!("this is not TOML: {wrong}"), right)
}

struct Reader<'r, 's> {
    /// The table of keys everything stands in.
    root: &'static Section,
    source: usize,
    sink: &'r mut Sink<'s>,
}

impl Reader<'_, '_> {
    fn at<T>(&self, spanned: &Spanned<T>) -> At {
        let span = spanned.span();
        At { source: self.source, start: span.start, end: span.end }
    }

    fn table(&mut self, section: &'static Section, at: At, table: &DeTable) -> Fields {
        let mut fields = Fields::new(at, section);
        let mut unknown = Vec::new();
        for entry in table.iter() {
            match section.key(entry.0.get_ref()) {
                Some(key) => {
                    let node = self.node(&key.kind, key.name, entry.1);
                    fields.put(key.name, node);
                }
                None => unknown.push(entry),
            }
        }
        unknown.into_iter().for_each(|entry| self.unknown_key(section, entry, &mut fields));
        fields
    }

    /// Reports an unknown key; what it was meant for is more likely a key that is not there yet.
    fn unknown_key(&mut self, section: &'static Section, (key, _): Entry, fields: &mut Fields) {
        let (name, at) = (key.get_ref().as_ref(), self.at(key));
        let names = section.keys.iter().map(|key| key.name);
        let near = nearest(name, names.clone().filter(|key| !fields.has(key))).or_else(|| nearest(name, names));
        let right = match near {
            Some(near) => format!("did you mean `{near}`?"),
            None => match elsewhere(name, self.root, 0) {
                Some(home) => format!("`{name}` belongs to {home}; {}", known_keys(section)),
                None => known_keys(section),
            },
        };
        let wrong = format!("`{name}` is no key of {}", section.name);
        self.sink.push(Draft::error(at, wrong, right).nearest(near));
        if let Some(meant) = near.and_then(|near| section.key(near)) {
            fields.put_meant(meant.name, at);
        }
    }

    /// Reads `value`, which stands under `key`, as `kind`.
    fn node(&mut self, kind: &'static Kind, key: &str, value: &Spanned<DeValue>) -> Node {
        let at = self.at(value);
        let read = if self.sink.is_broken(at) { None } else { self.value(kind, key, at, value.get_ref()) };
        Node { at, value: read.unwrap_or(Value::Bad) }
    }

    fn value(&mut self, kind: &'static Kind, key: &str, at: At, value: &DeValue) -> Option<Value> {
        match (kind, value) {
            (Kind::Switch, DeValue::Boolean(switch)) => Some(Value::Switch(*switch)),
            (Kind::Text(rule), DeValue::String(text)) => self.text(*rule, key, at, text).map(Value::Text),
            (Kind::Word(words), DeValue::String(text)) => self.word(words, key, at, text).map(Value::Text),
            (Kind::Span(least, most), DeValue::String(text)) => {
                self.span(*least, *most, key, at, text).map(Value::Span)
            }
            (Kind::Time, DeValue::String(text)) => self.time(key, at, text).map(Value::Time),
            (Kind::Number(bounds), DeValue::Float(float)) => self.number(bounds, key, at, float_of(float)),
            (Kind::Number(bounds), DeValue::Integer(integer)) => {
                self.number(bounds, key, at, float_of_integer(integer))
            }
            (Kind::Whole(least, most), DeValue::Integer(integer)) => self.whole(*least, *most, key, at, integer),
            (Kind::List(of, least, most), DeValue::Array(array)) => {
                let list: Vec<_> = array.iter().map(|member| self.node(of, key, member)).collect();
                if (*least..=*most).contains(&list.len()) {
                    return Some(Value::List(list));
                }
                let wrong = format!("`{key}` holds {} values", list.len());
                let right = if least == most { format!("exactly {least}") } else { format!("{least} to {most}") };
                self.sink.error(at, wrong, format!("write {right} of them"));
                None
            }
            (Kind::Bays, DeValue::String(text)) => Some(Value::Text(text.to_string())),
            (Kind::Bays, DeValue::Array(array)) => {
                const NAME: Kind = Kind::Text(Rule::Name);
                Some(Value::List(array.iter().map(|member| self.node(&NAME, key, member)).collect()))
            }
            (Kind::Table(section), DeValue::Table(table)) => Some(Value::Table(self.table(section, at, table))),
            (Kind::Named(section), DeValue::Table(table)) => Some(Value::Named(self.named(section, table))),
            (Kind::Variants(tag, of), DeValue::Table(table)) => self.variant(tag, of, at, table).map(Value::Table),
            (Kind::Many(section), DeValue::Array(array)) => Some(Value::Many(self.many(section, key, array.iter()))),
            _ => {
                self.wrong_kind(kind, key, at, value);
                None
            }
        }
    }

    fn named(&mut self, section: &'static Section, table: &DeTable) -> Names {
        let mut names = Names::new();
        for (name, value) in table.iter() {
            let key = self.at(name);
            let _ = self.text(Rule::Name, "the name", key, name.get_ref());
            let fields = match value.get_ref() {
                DeValue::Table(table) => Some(self.table(section, self.at(value), table)),
                other => {
                    let wrong = format!("`{}` is {}, where {} is wanted", name.get_ref(), article(other), section.name);
                    let near = nearest(name.get_ref(), section.keys.iter().map(|key| key.name));
                    let right = "write a table for each by its name, with its keys below it".to_owned();
                    self.sink.push(Draft::error(self.at(value), wrong, right).nearest(near));
                    None
                }
            };
            names.insert(name.get_ref().to_string(), NamedFields { key, fields });
        }
        names
    }

    fn many<'a, 'i: 'a>(
        &mut self,
        section: &'static Section,
        key: &str,
        members: impl Iterator<Item = &'a Spanned<DeValue<'i>>>,
    ) -> Vec<Fields> {
        let mut many = Vec::new();
        for member in members {
            match member.get_ref() {
                DeValue::Table(table) => many.push(self.table(section, self.at(member), table)),
                other => {
                    let wrong = format!("`{key}` holds {}", article(other));
                    self.sink.error(self.at(member), wrong, format!("write [[{key}]] and its keys below it"));
                }
            }
        }
        many
    }

    fn variant(
        &mut self,
        tag: &str,
        of: &'static [(&'static str, &'static Section)],
        at: At,
        table: &DeTable,
    ) -> Option<Fields> {
        let words: Vec<_> = of.iter().map(|(word, _)| *word).collect();
        let choices = choices(&words);
        let Some(value) = table.get(tag) else {
            self.sink
                .push(Draft::error(at, format!("`{tag}` is missing"), format!("add `{tag}`: {choices}")).absence());
            return None;
        };
        let word = self.at(value);
        let DeValue::String(text) = value.get_ref() else {
            self.sink.error(word, format!("`{tag}` is {}", article(value.get_ref())), choices);
            return None;
        };
        match of.iter().find(|(word, _)| *word == text.as_ref()) {
            Some((_, section)) => Some(self.table(section, at, table)),
            None => {
                self.unknown_word(&words, tag, word, text);
                None
            }
        }
    }

    fn text(&mut self, rule: Rule, key: &str, at: At, text: &str) -> Option<String> {
        match rules::check(rule, key, text) {
            Ok(()) => Some(text.to_owned()),
            Err(broken) => {
                self.sink.push(Draft::error(at, broken.wrong, broken.right).nearest(broken.nearest));
                None
            }
        }
    }

    fn word(&mut self, words: &[&'static str], key: &str, at: At, text: &str) -> Option<String> {
        if words.contains(&text) {
            return Some(text.to_owned());
        }
        self.unknown_word(words, key, at, text);
        None
    }

    fn unknown_word(&mut self, words: &[&'static str], key: &str, at: At, text: &str) {
        let near = nearest(text, words.iter().copied());
        let right = match near {
            Some(near) => format!("did you mean \"{near}\"? {}", choices(words)),
            None => choices(words),
        };
        self.sink.push(Draft::error(at, format!("`{key}` cannot be \"{text}\""), right).nearest(near));
    }

    fn span(&mut self, least: u64, most: u64, key: &str, at: At, text: &str) -> Option<Duration> {
        let Some(seconds) = parse_span(text).map(|span| span.as_secs()) else {
            let wrong = format!("`{key}` is \"{text}\", which is no duration");
            self.sink.error(
                at,
                wrong,
                "write days, hours, minutes and seconds in that order, such as \"30s\" or \"1h30m\"",
            );
            return None;
        };
        let limit = |seconds| format!("\"{}\"", span_text(Duration::from_secs(seconds)));
        let right = if seconds < least {
            format!("at least {}", limit(least))
        } else if seconds > most {
            format!("at most {}", limit(most))
        } else {
            return Some(Duration::from_secs(seconds));
        };
        self.sink.error(at, format!("`{key}` is {text}, out of range"), right);
        None
    }

    fn time(&mut self, key: &str, at: At, text: &str) -> Option<NaiveTime> {
        let time = parse_time(text);
        if time.is_none() {
            let wrong = format!("`{key}` is \"{text}\", which is no time of day");
            self.sink.error(at, wrong, "write hours and minutes, \"00:00\" to \"23:59\", such as \"07:30\"");
        }
        time
    }

    fn number(&mut self, bounds: &Bounds, key: &str, at: At, number: Option<f64>) -> Option<Value> {
        let excerpt = self.sink.excerpt(at);
        let Some(number) = number.filter(|number| number.is_finite()) else {
            self.sink.error(at, format!("`{key}` is {excerpt}, which is no number to work with"), range(bounds));
            return None;
        };
        let low = if bounds.above { number > bounds.least } else { number >= bounds.least };
        if low && number <= bounds.most {
            return Some(Value::Number(number));
        }
        self.sink.error(at, format!("`{key}` is {excerpt}, out of range"), range(bounds));
        None
    }

    fn whole(&mut self, least: i64, most: i64, key: &str, at: At, integer: &DeInteger) -> Option<Value> {
        let whole = i64::from_str_radix(integer.as_str(), integer.radix()).ok();
        if let Some(whole) = whole.filter(|whole| (least..=most).contains(whole)) {
            return Some(Value::Whole(whole));
        }
        self.sink.error(
            at,
            format!("`{key}` is {integer}, out of range"),
            format!("a whole number, {least} to {most}"),
        );
        None
    }

    fn wrong_kind(&mut self, kind: &Kind, key: &str, at: At, value: &DeValue) {
        let excerpt = self.sink.excerpt(at);
        let right = match (kind, value) {
            (Kind::Span(..), DeValue::Integer(_)) => format!("say of what, such as \"{excerpt}s\" or \"{excerpt}m\""),
            (Kind::Time, DeValue::Datetime(_)) => {
                format!("write it in quotes: \"{}\"", excerpt.get(..5).unwrap_or("13:00"))
            }
            (Kind::Word(words), DeValue::Integer(_) | DeValue::Float(_)) if words.contains(&excerpt) => {
                format!("write it in quotes: \"{excerpt}\"")
            }
            _ => wanted(kind, key),
        };
        self.sink.error(at, format!("`{key}` is {}", article(value)), right);
    }
}

/// A float as a number; none where it is too large.
fn float_of(float: &DeFloat) -> Option<f64> {
    float.as_str().parse().ok()
}

fn float_of_integer(integer: &DeInteger) -> Option<f64> {
    i64::from_str_radix(integer.as_str(), integer.radix()).ok().map(|whole| whole as f64)
}

/// A value's kind with its article.
fn article(value: &DeValue) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// What a key of this kind wants.
fn wanted(kind: &Kind, key: &str) -> String {
    match kind {
        Kind::Switch => "write true or false".to_owned(),
        Kind::Text(_) => "write a text in quotes".to_owned(),
        Kind::Number(bounds) => format!("write {}", range(bounds)),
        Kind::Whole(least, most) => format!("write a whole number, {least} to {most}"),
        Kind::Span(..) => "write a duration in quotes, such as \"30s\" or \"1h30m\"".to_owned(),
        Kind::Time => "write a time of day in quotes, such as \"07:30\"".to_owned(),
        Kind::Word(words) => choices(words),
        Kind::List(of, least, most) if least == most => {
            format!("write a list of {least}; of each: {}", wanted(of, key))
        }
        Kind::List(of, ..) => format!("write a list; of each: {}", wanted(of, key)),
        Kind::Bays => "write a range such as \"01..24\" or a list of names".to_owned(),
        Kind::Table(section) => format!("make it a table, with {}", known_keys(section)),
        Kind::Variants(tag, of) => {
            let words: Vec<_> = of.iter().map(|(word, _)| *word).collect();
            format!("make it a table with `{tag}`: {}", choices(&words))
        }
        Kind::Named(section) => format!("write a table for each by its name: {}", section.name),
        Kind::Many(_) => format!("write [[{key}]] and its keys below it"),
    }
}

/// A range as a person reads it.
fn range(bounds: &Bounds) -> String {
    let unit = if bounds.unit.is_empty() { String::new() } else { format!(" {}", bounds.unit) };
    let Bounds { least, most, above, .. } = bounds;
    if *above {
        format!("a number above {least} and up to {most}{unit}")
    } else {
        format!("a number from {least} to {most}{unit}")
    }
}

fn choices(words: &[&str]) -> String {
    let quoted: Vec<_> = words.iter().map(|word| format!("\"{word}\"")).collect();
    format!("one of {}", quoted.join(", "))
}

fn known_keys(section: &Section) -> String {
    let names: Vec<_> = section.keys.iter().map(|key| format!("`{}`", key.name)).collect();
    format!("the keys of {} are {}", section.name, names.join(", "))
}

/// The sections a key leads to.
fn below(key: &'static Key) -> Vec<&'static Section> {
    match &key.kind {
        Kind::Table(section) | Kind::Named(section) | Kind::Many(section) => vec![section],
        Kind::Variants(_, of) => of.iter().map(|(_, section)| *section).collect(),
        _ => Vec::new(),
    }
}

/// The first section below `from` that has a key called `name`; the tables nest no deeper than five.
fn elsewhere(name: &str, from: &'static Section, depth: usize) -> Option<&'static str> {
    if depth > 5 {
        return None;
    }
    if from.key(name).is_some() {
        return Some(from.name);
    }
    from.keys.iter().flat_map(below).find_map(|section| elsewhere(name, section, depth + 1))
}

/// A time of day `HH:MM`.
fn parse_time(text: &str) -> Option<NaiveTime> {
    let two = |part: &str| {
        let digits = part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
        digits.then(|| part.parse::<u8>().ok()).flatten()
    };
    let (hours, minutes) = text.split_once(':')?;
    NaiveTime::from_hms_opt(two(hours)?.into(), two(minutes)?.into(), 0)
}

#[cfg(test)]
mod tests {
    use super::super::keys::{Need, ROOT};
    use super::*;

    /// Every section once.
    fn sections() -> Vec<&'static Section> {
        let mut all: Vec<&'static Section> = vec![&ROOT];
        let mut next = 0;
        while let Some(section) = all.get(next) {
            let below = section.keys.iter().flat_map(below).filter(|found| !all.iter().any(|it| it.name == found.name));
            let below: Vec<_> = below.collect();
            all.extend(below);
            next += 1;
        }
        all
    }

    #[test]
    fn every_default_and_example_fits_its_own_key() {
        let check = |key: &'static Key, toml: &str| {
            let text = format!("it = {toml}");
            let sources = [super::super::Source { name: String::new(), text: text.clone() }];
            let mut sink = Sink::new(&sources);
            let table = DeTable::parse(&text).unwrap_or_else(|error| panic!("`{}`: {error}", key.name)).into_inner();
            Reader { root: &ROOT, source: 0, sink: &mut sink }.node(&key.kind, key.name, &table["it"]);
            assert_eq!(sink.finish(), [], "`{}`", key.name);
        };
        for section in sections() {
            assert!(section.doc.ends_with('.'), "{}", section.name);
            for key in section.keys {
                assert!(key.doc.ends_with('.') || key.doc.ends_with('…'), "`{}` of {}", key.name, section.name);
                if let Need::Default(plain, source) = &key.need {
                    assert!(!source.is_empty());
                    check(key, &plain.toml());
                }
                if below(key).is_empty() {
                    check(key, key.example);
                }
            }
        }
    }

    #[test]
    fn durations_are_written_as_they_are_read() {
        for text in ["0s", "30s", "1m", "1h30m", "1d", "1d1s"] {
            assert_eq!(span_text(parse_span(text).expect("these are durations")), text);
        }
    }

    #[test]
    fn times_of_day_have_two_digits_each() {
        let check = |text, expected: Option<(u32, u32)>| {
            assert_eq!(parse_time(text), expected.and_then(|(h, m)| NaiveTime::from_hms_opt(h, m, 0)), "{text}");
        };
        check("00:00", Some((0, 0)));
        check("23:59", Some((23, 59)));
        for wrong in ["24:00", "7:30", "07:60", "07:3", "0730", "+7:30", "07:30:00", "", ":"] {
            check(wrong, None);
        }
    }
}

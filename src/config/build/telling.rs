//! Who is told of what: contacts, plans, digest, absence.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::super::fields::{Fields, Put, Value};
use super::super::finding::{At, Draft, Sink, nearest};
use super::{listed, placeholders};
use crate::settings::{
    Address, Away, Channel, Contact, Digest, Enclosure, Heartbeat, Hours, MailServer, Plan, Plans, Security,
    ServerIdentity, Site, Telling, Web, Webhook, Weekly,
};

/// Places in the body of a webhook.
const PLACES: [&str; 8] = ["subject", "text", "priority", "sort", "site", "contact", "id", "link"];

/// Everything about telling people; none where something is wrong. `enclosures` and `site` are none where they are of no
/// use themselves.
pub(super) fn telling(
    root: &Fields,
    enclosures: Option<&[Enclosure]>,
    site: Option<&Site>,
    sink: &mut Sink,
) -> Option<Telling> {
    let mut desk = Desk { sink, names: BTreeMap::new() };
    let contacts = desk.contacts(root, site);
    let away = desk.part(root, "away", |desk, fields| desk.away(fields, enclosures));
    let neighbours = away.as_ref().and_then(Option::as_ref).map_or(&[][..], |away| &away.neighbours);
    let plans = desk.plans(root.table("alarms"), neighbours);
    let digest = match (root.table("digest"), &away) {
        (Some(fields), _) => desk.digest(fields, neighbours, true).map(Some),
        // While the keeper is away there is one whatever was said.
        (None, Some(Some(_))) => {
            desk.digest(&Fields::new(root.at, &super::super::keys::DIGEST), neighbours, false).map(Some)
        }
        (None, _) => Some(None),
    };
    let mail = desk.part(root, "mail", |desk, fields| desk.mail_server(fields));
    let heartbeats = desk.heartbeats(root);
    let web = desk.part(root, "web", |desk, fields| desk.web(fields));
    desk.check_mail(root);
    Some(Telling {
        contacts: contacts?,
        plans: plans?,
        mail: mail?,
        heartbeats: heartbeats?,
        digest: digest?,
        away: away?,
        web: web?,
    })
}

/// What is known while contacts and plans are read.
struct Desk<'d, 's> {
    sink: &'d mut Sink<'s>,
    /// Every contact's name with where it stands.
    names: BTreeMap<String, At>,
}

impl Desk<'_, '_> {
    /// A table that may be left out. The outer option is lost where it is of no use.
    fn part<T>(
        &mut self,
        root: &Fields,
        key: &str,
        read: impl FnOnce(&mut Self, &Fields) -> Option<T>,
    ) -> Option<Option<T>> {
        match root.table(key) {
            Some(fields) => read(self, fields).map(Some),
            None if root.has(key) => None,
            None => Some(None),
        }
    }

    fn web(&mut self, fields: &Fields) -> Option<Web> {
        for (one, other) in [("certificate_file", "key_file"), ("key_file", "certificate_file")] {
            if fields.has(one) && !fields.has(other) {
                let wrong = format!("there is a `{one}` and no `{other}`");
                self.sink.error(fields.place(one), wrong, format!("add `{other}`, or leave both out"));
                return None;
            }
        }
        let file = |key| fields.text(key).map(|text| PathBuf::from(text.value));
        let identity = |(certificate_file, key_file)| ServerIdentity { certificate_file, key_file };
        let public_url = fields.text("public_url").map(|url| url.value.trim_end_matches('/').to_owned());
        if public_url.is_none() && fields.has("public_url") {
            return None;
        }
        Some(Web {
            listen: fields.text("listen")?.value.parse().ok()?,
            public_url,
            pages: fields.switch("pages"),
            tls: file("certificate_file").zip(file("key_file")).map(identity),
        })
    }

    fn contacts(&mut self, root: &Fields, site: Option<&Site>) -> Option<Vec<Contact>> {
        let mut all = Some(Vec::new());
        for fields in root.many("contact") {
            fields.report_missing(self.sink);
            let contact = self.contact(fields, site);
            super::collect(&mut all, contact);
        }
        all
    }

    fn contact(&mut self, fields: &Fields, site: Option<&Site>) -> Option<Contact> {
        let name = fields.text("name")?;
        if let Some(first) = self.names.get(&name.value) {
            let wrong = format!("there are two contacts called `{}`", name.value);
            let draft = Draft::error(name.at, wrong, "give one of them another name").also(*first, "first here");
            self.sink.push(draft);
            return None;
        }
        self.names.insert(name.value.clone(), name.at);
        let timezone = match fields.text("timezone") {
            Some(zone) => zone.value.parse().ok()?,
            None if fields.has("timezone") => return None,
            None => site?.timezone,
        };
        let hours = self.part(fields, "hours", |desk, hours| {
            let hours = Hours { from: hours.time("from")?.value, to: hours.time("to")?.value };
            if hours.from == hours.to {
                let wrong = "these hours begin and end at the same time";
                desk.sink.error(fields.place("hours"), wrong, "leave `hours` out where they may always be disturbed");
                return None;
            }
            Some(hours)
        });
        let channels = self.channels(fields);
        Some(Contact { name: name.value, timezone, hours: hours?, channels: channels? })
    }

    fn channels(&mut self, fields: &Fields) -> Option<Vec<Channel>> {
        let ways = [
            self.part(fields, "mail", |_, mail| Some(Channel::Mail { to: mail.text("to")?.value })),
            self.part(fields, "webhook", |desk, webhook| desk.webhook(webhook).map(Channel::Webhook)),
            self.part(fields, "mqtt", |_, mqtt| Some(Channel::Mqtt { topic: mqtt.text("topic")?.value })),
            self.part(fields, "command", |_, command| {
                let run = command.list("run")?.iter().map(|node| match &node.value {
                    Value::Text(text) => Some(text.clone()),
                    _ => None,
                });
                Some(Channel::Command { run: run.collect::<Option<_>>()?, within: command.span("within")?.value })
            }),
        ];
        let ways: Option<Vec<_>> = ways.into_iter().collect();
        let channels: Vec<_> = ways?.into_iter().flatten().collect();
        if channels.is_empty() {
            let wrong = "this contact cannot be reached";
            let right = "add at least one of `mail`, `webhook`, `mqtt` and `command`";
            self.sink.push(Draft::error(fields.at, wrong, right).absence());
            return None;
        }
        Some(channels)
    }

    fn webhook(&mut self, fields: &Fields) -> Option<Webhook> {
        let url = self.address(fields)?;
        if let Some(body) = fields.text("body") {
            self.check_body(&body)?;
        } else if fields.has("body") {
            return None;
        }
        let file = |key| fields.text(key).map(|text| PathBuf::from(text.value));
        let body = fields.text("body").map(|body| body.value);
        Some(Webhook { url, body, headers_file: file("headers_file"), ca_file: file("ca_file") })
    }

    fn check_body(&mut self, body: &Put<String>) -> Option<()> {
        if let Some(place) = placeholders(&body.value).find(|place| !PLACES.contains(place)) {
            let wrong = format!("`body` holds `{{{place}}}`, which is no place that is filled in");
            let near = nearest(place, PLACES);
            let right = match near {
                Some(near) => format!("did you mean `{{{near}}}`?"),
                None => format!("there are {}", PLACES.map(|place| format!("{{{place}}}")).join(", ")),
            };
            self.sink.push(Draft::error(body.at, wrong, right).nearest(near));
            return None;
        }
        if let Err(why) = serde_json::from_str::<serde_json::Value>(&body.value) {
            let right = "write JSON, with places inside its texts: '{\"title\": \"{subject}\"}'";
            self.sink.error(body.at, format!("`body` is no JSON: {why}"), right);
            return None;
        }
        Some(())
    }

    fn address(&mut self, fields: &Fields) -> Option<Address> {
        match (fields.has("url"), fields.has("url_file")) {
            (true, false) => fields.text("url").map(|url| Address::Plain(url.value)),
            (false, true) => fields.text("url_file").map(|file| Address::File(PathBuf::from(file.value))),
            (both, _) => {
                let wrong =
                    if both { "there are both `url` and `url_file`" } else { "there is neither `url` nor `url_file`" };
                let draft = Draft::error(fields.at, wrong, "give one of them");
                self.sink.push(if both { draft } else { draft.absence() });
                None
            }
        }
    }

    /// Names of contacts under `key`; each must be known.
    fn names(&mut self, fields: &Fields, key: &str) -> Option<Vec<String>> {
        let mut all = Some(Vec::new());
        for node in fields.list(key)? {
            let Value::Text(name) = &node.value else { return None };
            if self.names.contains_key(name) {
                super::collect(&mut all, Some(name.clone()));
                continue;
            }
            let known = || self.names.keys().map(String::as_str);
            let near = nearest(name, known());
            let right = match (near, listed(known())) {
                (Some(near), _) => format!("did you mean `{near}`?"),
                (None, Some(list)) => format!("known: {list}"),
                (None, None) => format!("there is none yet: add [[contact]] with `name = \"{name}\"`"),
            };
            let draft = Draft::error(node.at, format!("there is no contact `{name}`"), right).nearest(near).absence();
            self.sink.push(draft);
            all = None;
        }
        all
    }

    /// As [`Desk::names`]; where the key is left out, everybody but `except`.
    fn names_or_all(&mut self, fields: &Fields, key: &str, except: &[String]) -> Option<Vec<String>> {
        if fields.has(key) {
            return self.names(fields, key);
        }
        Some(self.names.keys().filter(|name| !except.contains(name)).cloned().collect())
    }

    fn plans(&mut self, fields: Option<&Fields>, neighbours: &[String]) -> Option<Plans> {
        let empty = Fields::new(At::default(), &super::super::keys::ALARMS);
        let fields = fields.unwrap_or(&empty);
        let critical = self.plan(fields, "critical", true, neighbours);
        let high = self.plan(fields, "high", true, neighbours);
        let medium = self.plan(fields, "medium", true, neighbours);
        let low = self.plan(fields, "low", false, neighbours);
        Some(Plans { critical: critical?, high: high?, medium: medium?, low: low? })
    }

    fn plan(&mut self, alarms: &Fields, word: &str, to_all: bool, neighbours: &[String]) -> Option<Plan> {
        let section = match alarms.section.key(word).map(|key| &key.kind) {
            Some(super::super::keys::Kind::Table(section)) => *section,
            _ => return None,
        };
        let empty = Fields::new(alarms.at, section);
        let fields = match alarms.table(word) {
            Some(fields) => fields,
            None if alarms.has(word) => return None,
            None => &empty,
        };
        let first = match (fields.has("first"), to_all) {
            (false, false) => Some(Vec::new()),
            _ => self.names_or_all(fields, "first", neighbours),
        };
        let then = if fields.has("then") { self.names(fields, "then") } else { Some(Vec::new()) };
        let repeat = fields.span("repeat")?.value;
        let plan = Plan {
            first: first?,
            then: then?,
            after: fields.span("after")?.value,
            repeat: Some(repeat).filter(|repeat| !repeat.is_zero()),
        };
        if word == "critical" && plan.first.is_empty() && !self.names.is_empty() {
            let wrong = "nobody hears of a critical alarm at once";
            self.sink.warning(fields.place("first"), wrong, "name at least one contact, or leave `first` out for all");
        }
        Some(plan)
    }

    fn digest(&mut self, fields: &Fields, neighbours: &[String], daily: bool) -> Option<Digest> {
        let to = self.names_or_all(fields, "to", neighbours);
        let at = fields.time("at")?.value;
        let weekly = match (fields.text("weekly"), fields.time("weekly_at")) {
            (Some(day), own) => {
                let day = day.value.parse().ok()?;
                Some(Weekly { day, at: own.map_or(at, |own| own.value) })
            }
            (None, _) if fields.has("weekly") => return None,
            (None, Some(own)) => {
                let wrong = "`weekly_at` has no effect: there is no digest of the week";
                self.sink.warning(own.at, wrong, "say the day, `weekly = \"sunday\"`, or leave it out");
                None
            }
            (None, None) => None,
        };
        Some(Digest { at, to: to?, daily: daily && fields.switch("daily"), weekly })
    }

    fn away(&mut self, fields: &Fields, enclosures: Option<&[Enclosure]>) -> Option<Away> {
        let neighbours = if fields.has("neighbours") { self.names(fields, "neighbours") } else { Some(Vec::new()) };
        let date = |key: &str| fields.text(key).and_then(|date| date.value.parse().ok());
        let (from, to) = (date("from")?, date("to")?);
        if from > to {
            let wrong = "the absence ends before it begins";
            self.sink.error(fields.place("to"), wrong, "let `to` be the last day, on or after `from`");
            return None;
        }
        let mut instructions = Some(Vec::new());
        for instruction in fields.many("instructions") {
            instruction.report_missing(self.sink);
            let one = self.instruction(instruction, enclosures);
            super::collect(&mut instructions, one);
        }
        Some(Away { from, to, neighbours: neighbours?, instructions: instructions? })
    }

    fn instruction(&mut self, fields: &Fields, enclosures: Option<&[Enclosure]>) -> Option<(String, String)> {
        let (enclosure, text) = (fields.text("enclosure")?, fields.text("text")?);
        let ids = || enclosures.into_iter().flatten().map(|enclosure| enclosure.id.as_str());
        if enclosures.is_some() && !ids().any(|id| id == enclosure.value) {
            let near = nearest(&enclosure.value, ids());
            let right = near
                .map_or_else(|| "name the enclosure by its id".to_owned(), |near| format!("did you mean `{near}`?"));
            let wrong = format!("there is no enclosure `{}`", enclosure.value);
            self.sink.push(Draft::error(enclosure.at, wrong, right).nearest(near).absence());
            return None;
        }
        Some((enclosure.value, text.value))
    }

    fn mail_server(&mut self, fields: &Fields) -> Option<MailServer> {
        let (security, port) = match fields.text("security")?.value.as_str() {
            "tls" => (Security::Tls, 465),
            "none" => (Security::Clear, 25),
            _ => (Security::StartTls, 587),
        };
        let port = match fields.whole("port") {
            Some(port) => u16::try_from(port.value).ok()?,
            None if fields.has("port") => return None,
            None => port,
        };
        if fields.has("username") != fields.has("password_file") {
            let key = if fields.has("username") { "username" } else { "password_file" };
            let wrong = "`username` and `password_file` belong together";
            self.sink.error(fields.place(key), wrong, "give both, or neither");
            return None;
        }
        let file = |key| fields.text(key).map(|text| PathBuf::from(text.value));
        let host = fields.text("host")?;
        let username = fields.text("username");
        let is_near = matches!(host.value.as_str(), "localhost" | "127.0.0.1" | "::1");
        if security == Security::Clear && username.is_some() && !is_near {
            let wrong = "the password would go over the network in the clear";
            self.sink.error(fields.place("security"), wrong, "use \"starttls\" or \"tls\"");
            return None;
        }
        Some(MailServer {
            host: host.value,
            port,
            security,
            from: fields.text("from")?.value,
            username: username.map(|name| name.value),
            password_file: file("password_file"),
            ca_file: file("ca_file"),
        })
    }

    /// Whoever has a mail address needs a server.
    fn check_mail(&mut self, root: &Fields) {
        if root.has("mail") {
            return;
        }
        if let Some(contact) = root.many("contact").iter().find(|contact| contact.has("mail")) {
            let wrong = "there is a mail address and no mail server";
            self.sink.push(Draft::error(contact.place("mail"), wrong, "add [mail] with `host` and `from`").absence());
        }
    }

    fn heartbeats(&mut self, root: &Fields) -> Option<Vec<Heartbeat>> {
        let mut all = Some(Vec::new());
        for fields in root.many("heartbeat") {
            let url = self.address(fields);
            let ca_file = fields.text("ca_file").map(|text| PathBuf::from(text.value));
            let heartbeat =
                url.zip(fields.span("every")).map(|(url, every)| Heartbeat { url, every: every.value, ca_file });
            super::collect(&mut all, heartbeat);
        }
        all
    }
}

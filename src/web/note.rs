//! Pages for whoever comes by a link: a heading, what there is to say, and at most one button. No scripts.

use maud::{DOCTYPE, html};

/// One page.
#[derive(Debug, Default)]
pub(super) struct Page {
    title: &'static str,
    list: Vec<String>,
    text: &'static str,
    button: Option<&'static str>,
}

impl Page {
    pub(super) fn html(&self, style: &str) -> String {
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    title { (self.title) " – Lampwarden" }
                    meta name="viewport" content="width=device-width";
                    link rel="stylesheet" href=(style);
                }
                body class="bare" {
                    main {
                        h1 { (self.title) }
                        @if !self.list.is_empty() { ul { @for item in &self.list { li { (item) } } } }
                        p { (self.text) }
                        // To the very address of the page.
                        @if let Some(words) = self.button { form method="post" { button { (words) } } }
                    }
                }
            }
        };
        page.into_string()
    }
}

const SEE_TO_IT: &str = "Acknowledging ends the reminders and changes nothing else: no lamp, no guard. Whoever acknowledges \
                         sees to it.";

pub(super) fn standing(alarms: &[String]) -> Page {
    Page {
        title: "Alarms that stand",
        list: alarms.to_vec(),
        text: SEE_TO_IT,
        button: Some("I have seen this and see to it"),
    }
}

pub(super) fn acknowledged(alarms: &[String]) -> Page {
    Page {
        title: "Acknowledged",
        list: alarms.to_vec(),
        text: "Nobody is reminded of these any more. Please see to them now.",
        button: None,
    }
}

pub(super) fn used() -> Page {
    let text =
        "This link has acknowledged its alarms before, and works once. What has happened since is in newer messages.";
    Page { title: "This link was used", text, ..Page::default() }
}

pub(super) fn over() -> Page {
    let text = "None of the alarms in that message stands unacknowledged any more: they have returned to normal, were \
                acknowledged, or were raised again since and told in a newer message.";
    Page { title: "Nothing to acknowledge", text, ..Page::default() }
}

pub(super) fn forged() -> Page {
    Page { title: "Not a link of ours", text: "See whether all of it was copied.", ..Page::default() }
}

pub(super) fn expired() -> Page {
    Page {
        title: "This link is too old",
        text: "Links work for two weeks. Look for a newer message.",
        ..Page::default()
    }
}

pub(super) fn ended() -> Page {
    Page { title: "This link has ended", text: "Ask whoever gave it to you for another.", ..Page::default() }
}

pub(super) fn nothing() -> Page {
    Page { title: "Nothing here", text: "There is no such page.", ..Page::default() }
}

pub(super) fn too_many() -> Page {
    Page { title: "Too many at once", text: "Please try again in a minute.", ..Page::default() }
}

pub(super) fn busy() -> Page {
    Page { title: "No answer", text: "The program is busy. Please try again in a minute.", ..Page::default() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_an_alarm_says_cannot_become_markup_and_only_what_stands_has_a_button() {
        let html = standing(&["<script>alert(1)</script>".to_owned()]).html("https://x/style.css");
        assert!(html.contains("&lt;script&gt;") && !html.contains("<script"), "{html}");
        assert!(html.contains("<form method=\"post\">"));
        for page in [acknowledged(&[]), used(), over(), forged(), expired(), nothing(), too_many(), busy()] {
            assert!(!page.html("x").contains("<form"), "{page:?}");
        }
    }
}

//! The frame of every page: head, rooms to go to, what is set by hand, and the caution.

use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use maud::{DOCTYPE, Markup, html};

use super::guest::Visit;
use super::people::Role;
use super::{vendor, words};

/// Rooms in the order of a keeper's day.
const ROOMS: [(&str, &str); 6] = [
    ("/", "Site"),
    ("/alarms", "Alarms"),
    ("/walk", "Walk"),
    ("/lamps", "Lamps"),
    ("/almanac", "Almanac"),
    ("/records", "Records"),
];

/// Beside heat, UV and mains, wherever they are touched.
const CAUTION: &str = "Software is the second line of safety. Every heating circuit needs an independent thermal \
                                  cut-out and a residual-current device, wired by a licensed electrician to the local code. \
                                  Lamps burn skin and eyes, and stay hot after they are switched off: unplug before you reach \
                                  in. What an animal needs, and an animal that looks or behaves unwell, is for a veterinarian.";

/// A page of its own script, or none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Script {
    /// Nothing changes by itself.
    None,
    /// It is shown anew as things change.
    Live,
    /// The same, and its course can be read closely.
    Course,
    /// The walk, which goes on without a network.
    Walk,
}

fn head(title: &str, script: Script) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light dark";
            title { (title) " – Lampwarden" }
            link rel="stylesheet" href="/style.css";
            link rel="icon" href="/icon.svg" type="image/svg+xml";
            @match script {
                Script::None => {}
                Script::Live => { script src="/live.js" defer {} }
                Script::Course => {
                    link rel="stylesheet" href=(vendor::UPLOT_STYLE.path);
                    script src="/live.js" defer {}
                    script src=(vendor::UPLOT.path) defer {}
                    script src="/course.js" defer {}
                }
                Script::Walk => { script src="/walk.js" defer {} }
            }
        }
    }
}

/// A whole page.
pub(super) fn page(visit: &Visit, title: &str, script: Script, content: &Markup) -> Markup {
    let here = visit.path.as_str();
    let standing = visit.glance.alarms.values().filter(|notice| notice.state.is_active()).count();
    let current = |room: &str| {
        (here == room || (room != "/" && here.starts_with(room)) || (room == "/" && here.starts_with("/e/")))
            .then_some("page")
    };
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(title, script))
            body data-now=(words::stamp(visit.now, visit.zone())) data-token=(visit.guest.token) {
                a class="skip" href="#main" { "Skip to the content" }
                header {
                    p class="site" { a href="/" { (visit.settings.site.name) } }
                    p class="clock" { (words::moment(visit.now, visit.now, visit.zone())) " " span { "at the site" } }
                    nav aria-label="Rooms" {
                        ul {
                            @for (room, name) in ROOMS {
                                li {
                                    a href=(room) aria-current=[current(room)] {
                                        (name)
                                        @if room == "/alarms" && standing > 0 { " " span class="count" { (standing) } }
                                    }
                                }
                            }
                            @if visit.guest.role >= Role::Manage {
                                li { a href="/settings" aria-current=[current("/settings")] { "Settings" } }
                            }
                        }
                    }
                    (who(visit))
                }
                (by_hand(visit))
                @if !visit.glance.connected {
                    p class="strip look" role="status" {
                        (words::Mark::Look.shape())
                        " No connection to the broker: what stands here is how things were last heard."
                    }
                }
                main id="main" tabindex="-1" { (content) }
                footer { p { (CAUTION) } p { "Lampwarden " (env!("CARGO_PKG_VERSION")) } }
            }
        }
    }
}

fn who(visit: &Visit) -> Markup {
    html! {
        div class="who" {
            @match &visit.guest.name {
                Some(name) => {
                    span { (name) " (" (visit.guest.role.word()) ")" }
                    form method="post" action="/logout" {
                        input type="hidden" name="token" value=(visit.guest.token);
                        button class="plain" { "Log out" }
                    }
                }
                None => {
                    span { "on this machine, without a login (" (visit.guest.role.word()) ")" }
                }
            }
        }
    }
}

/// What is set by hand, wherever somebody looks.
fn by_hand(visit: &Visit) -> Markup {
    let enclosures = visit.settings.enclosures.iter().zip(&visit.glance.enclosures);
    let mut set = Vec::new();
    for (enclosure, view) in enclosures {
        let Some(view) = view else { continue };
        for (lamp, state) in enclosure.lamps.iter().zip(&view.lamps) {
            if let Some(told) = words::by_hand(&lamp.name, state, visit.now, visit.zone()) {
                set.push((enclosure, told));
            }
        }
    }
    html! {
        @if !set.is_empty() {
            section class="strip hand" aria-label="Set by hand" {
                h2 { "Set by hand" }
                ul { @for (enclosure, told) in set { li { a href={ "/e/" (enclosure.id) } { (enclosure.title) } ": " (told) } } }
            }
        }
    }
}

/// A page that says one thing.
pub(super) fn notice(visit: Option<&Visit>, status: StatusCode, title: &str, text: &str) -> Response {
    let content = html! {
        h1 { (title) }
        p { (text) }
        p { a href="/" { "To the site" } }
    };
    let page = match visit {
        Some(visit) => page(visit, title, Script::None, &content),
        None => bare(title, &content),
    };
    (status, page).into_response()
}

/// A page for somebody who has not come in.
pub(super) fn bare(title: &str, content: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(title, Script::None))
            body class="bare" { main id="main" { (content) } footer { p { (CAUTION) } } }
        }
    }
}

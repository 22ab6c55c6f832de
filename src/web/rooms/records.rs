//! The records: the journal's tables and the vet's page, to take away.

use std::io::{self, BufWriter, Write};

use axum::body::{Body, Bytes};
use axum::extract::Query;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use chrono::{NaiveDate, TimeDelta};
use futures_util::stream;
use maud::html;
use serde::Deserialize;
use tokio::sync::mpsc;

use crate::export::table::{Asked, Sink, What};
use crate::export::{lines, parquet, spreadsheet, vet};
use crate::journal::read::{Reader, Resolution, Whose, Window, begin_of};
use crate::web::frame::{self, Script};
use crate::web::guest::Visit;

/// Formats with their media types and the ends of their files' names.
const FORMATS: [(&str, &str, &str); 3] = [
    ("csv", "text/csv; charset=utf-8", "CSV, for a spreadsheet"),
    ("jsonl", "application/jsonl", "JSON Lines"),
    ("parquet", "application/vnd.apache.parquet", "Parquet"),
];

/// Pieces of a download that wait for the guest, and the bytes of one: a year of a site needs no more memory than that.
const PIECES: usize = 4;
const PIECE: usize = 64 * 1024;

pub(super) async fn show(visit: Visit) -> Response {
    let today = visit.now.with_timezone(&visit.zone()).date_naive();
    let month = today - TimeDelta::days(30);
    let enclosures = || {
        html! { @for enclosure in &visit.settings.enclosures { option value=(enclosure.id) { (enclosure.title) } } }
    };
    let content = html! {
        h1 { "Records" }
        section {
            h2 { "Tables" }
            p { "What the journal holds, for a spreadsheet or another program. Columns are those of " code { "lampwarden history" } "." }
            form method="get" action="/records/history" class="stack" {
                label for="what" { "Table" }
                select id="what" name="what" { @for (_, word, tells) in What::ALL { option value=(word) { (word) ": " (tells) } } }
                label for="enclosure" { "Of" }
                select id="enclosure" name="enclosure" { option value="" { "the whole site" } (enclosures()) }
                label for="from" { "From the date" }
                input id="from" name="from" type="date" value=(month) required;
                label for="to" { "Up to the date, which belongs to it" }
                input id="to" name="to" type="date" value=(today) required;
                label for="resolution" { "Readings by the" }
                select id="resolution" name="resolution" {
                    option value="hour" { "hour" } option value="day" { "day" } option value="minute" { "minute (five weeks)" }
                }
                label for="format" { "As" }
                select id="format" name="format" { @for (end, _, name) in FORMATS { option value=(end) { (name) } } }
                button { "Download" }
            }
        }
        section {
            h2 { "For a veterinarian" }
            p { "Ninety days of one animal's light, heat and UV, in plain words, on a page that prints. It is no diagnosis." }
            form method="get" action="/records/report" class="stack" {
                label for="whose" { "Of" }
                select id="whose" name="enclosure" { (enclosures()) }
                button { "Download the page" }
            }
        }
        p class="soft" { "A copy of the whole journal: " code { "lampwarden history --backup" } "." }
    };
    frame::page(&visit, "Records", Script::None, &content).into_response()
}

#[derive(Deserialize)]
pub(super) struct Wanted {
    what: String,
    #[serde(default)]
    enclosure: String,
    from: NaiveDate,
    to: NaiveDate,
    #[serde(default)]
    resolution: String,
    #[serde(default)]
    format: String,
}

/// Hands what is written on, piece by piece, and waits while the guest is slow.
struct Pieces(mpsc::Sender<Bytes>);

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        // The guest may have gone.
        self.0.blocking_send(Bytes::copy_from_slice(bytes)).map_err(|_| io::ErrorKind::BrokenPipe)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

pub(super) async fn history(visit: Visit, Query(wanted): Query<Wanted>) -> Response {
    let refuse = |text: &str| frame::notice(Some(&visit), StatusCode::UNPROCESSABLE_ENTITY, "Not written", text);
    let Some(what) = What::from_word(&wanted.what) else { return refuse("There is no such table.") };
    let Some((end, kind, _)) = FORMATS.into_iter().find(|(end, ..)| *end == wanted.format) else {
        return refuse("There is no such format.");
    };
    let Some(journal) = visit.house.journal() else { return refuse("There is no journal.") };
    let zone = visit.zone();
    let Some(after) = wanted.to.succ_opt().filter(|after| *after > wanted.from) else {
        return refuse("It ends before it begins.");
    };
    let window = Window { from: begin_of(wanted.from, zone), until: begin_of(after, zone) };
    let resolution = match wanted.resolution.as_str() {
        "minute" => Resolution::Minute,
        "day" => Resolution::Day,
        _ => Resolution::Hour,
    };
    let reader = match tokio::task::spawn_blocking(move || Reader::open(&journal)).await {
        Ok(Ok(reader)) => reader,
        Ok(Err(why)) => return refuse(&why.to_string()),
        Err(_) => return refuse("The journal could not be read."),
    };
    let (send, pieces) = mpsc::channel(PIECES);
    let columns = what.columns();
    let enclosure = wanted.enclosure;
    tokio::task::spawn_blocking(move || {
        let out = BufWriter::with_capacity(PIECE, Pieces(send));
        let sink: io::Result<Box<dyn Sink>> = match end {
            "csv" => spreadsheet::Spreadsheet::new(out, columns, zone).map(|sink| Box::new(sink) as Box<dyn Sink>),
            "jsonl" => Ok(Box::new(lines::Lines::new(out, columns, zone))),
            _ => parquet::Parquet::new(out, columns).map(|sink| Box::new(sink) as Box<dyn Sink>),
        };
        let whose = Whose { enclosure: Some(enclosure.as_str()).filter(|id| !id.is_empty()), probe: None };
        let asked = Asked { what, whose, window, resolution, zone };
        let Ok(mut sink) = sink else { return };
        match asked.tell(&reader, sink.as_mut()) {
            Ok(_) => _ = sink.end(),
            // The download breaks off, which a browser shows.
            Err(why) => tracing::warn!("a download has ended early: {why}"),
        }
    });
    let body = stream::unfold(pieces, async |mut pieces| {
        let piece = pieces.recv().await?;
        Some((Ok::<_, io::Error>(piece), pieces))
    });
    let name = format!("attachment; filename=\"{}-{}-{}.{end}\"", wanted.what, wanted.from, wanted.to);
    ([(header::CONTENT_TYPE, kind.to_owned()), (header::CONTENT_DISPOSITION, name)], Body::from_stream(Box::pin(body)))
        .into_response()
}

#[derive(Deserialize)]
pub(super) struct Whom {
    enclosure: String,
}

pub(super) async fn report(visit: Visit, Query(Whom { enclosure: id }): Query<Whom>) -> Response {
    let refuse = |text: &str| frame::notice(Some(&visit), StatusCode::UNPROCESSABLE_ENTITY, "Not written", text);
    let Some((ix, _)) = visit.enclosure(&id) else { return super::no_enclosure(&visit) };
    let Some(journal) = visit.house.journal() else { return refuse("There is no journal.") };
    let (settings, now) = (visit.settings.clone(), visit.now);
    let written = tokio::task::spawn_blocking(move || {
        let reader = Reader::open(&journal).map_err(|why| why.to_string())?;
        vet::page(&settings, &settings.enclosures[ix], &reader, 90, None, now)
    });
    match written.await {
        // The page has its styles in itself, which no page of ours may: it is taken away and opened elsewhere.
        Ok(Ok(page)) => {
            let name = format!("attachment; filename=\"{}-{}.html\"", super::walk::in_path(&id), now.date_naive());
            let kind = "text/html; charset=utf-8".to_owned();
            ([(header::CONTENT_TYPE, kind), (header::CONTENT_DISPOSITION, name)], page).into_response()
        }
        Ok(Err(why)) => refuse(&why),
        Err(_) => refuse("The journal could not be read."),
    }
}

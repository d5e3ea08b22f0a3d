//! What is answered at which address. Reading is GET; only a POST changes anything.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{DefaultBodyLimit, Extension, Form, Path, Query, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::http::{HeaderValue, StatusCode};
use axum::middleware;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::{Router, get, post};
use futures::Stream;
use futures::stream::unfold;
use serde::Deserialize;

use super::feed::{Busy, Drawings, Keeper, Watcher};
use super::history::History;
use super::page::{self, Visitor};
use super::{api, assets, metrics, night, note};
use crate::edge::web::gate::{Gate, Pass, guard};
use crate::engine::columns::Units;
use crate::units::time::Elapsed;

/// Pages that may watch at once; further ones are told to come again.
const WATCHERS_MAX: usize = 64;
/// Longest note, with the form around it (bytes).
const NOTE_BYTES_MAX: usize = 16 * 1024;
/// Points of a plot at the most; the page asks for what its screen shows.
const POINTS_MAX: usize = 8_000;
/// Silence after which a watcher is sent a sign of life, so that a dead one is noticed on either
/// side.
const SIGN_OF_LIFE: Duration = Duration::from_secs(5);

const JSON: HeaderValue = HeaderValue::from_static("application/json");
const JSON_LINES: HeaderValue = HeaderValue::from_static("application/jsonl");
const METRICS: HeaderValue =
    HeaderValue::from_static("application/openmetrics-text; version=1.0.0; charset=utf-8");

/// All routes, behind the gate.
pub fn router(keeper: Keeper, gate: Gate) -> Router {
    Router::new()
        .route("/", get(now))
        .route("/night", get(the_night))
        .route("/events", get(events))
        .route("/note", post(take_note).layer(DefaultBodyLimit::max(NOTE_BYTES_MAX)))
        .route("/api/plot", get(plot))
        .route("/api/{list}", get(list))
        .route("/metrics", get(all_metrics))
        .route("/health", get(health))
        .route("/assets/{name}", get(asset))
        .layer(middleware::from_fn_with_state(Arc::new(gate), guard))
        .with_state(keeper)
}

/// What may stand behind the `?`.
#[derive(Debug, Deserialize)]
struct Asked {
    units: Option<String>,
    from: Option<f64>,
    to: Option<f64>,
    points: Option<usize>,
    /// `start`: since the last start.
    since: Option<String>,
    /// The run to show.
    run: Option<u32>,
}

impl Asked {
    fn units(&self, keeper: &Keeper) -> Units {
        let asked = self.units.as_deref().and_then(Units::from_word);
        asked.unwrap_or(keeper.now().units())
    }

    fn stretch(&self) -> (Elapsed, Elapsed) {
        let moment = |seconds: f64| Elapsed::from_ms((seconds.clamp(0.0, 1e10) * 1_000.0) as u64);
        let from = self.from.map_or(Elapsed::ZERO, moment);
        (from, self.to.map_or(Elapsed::from_ms(u64::MAX / 2), moment))
    }
}

impl IntoResponse for Busy {
    fn into_response(self) -> Response {
        let say = "too much is asked at once; ask again in a second\n";
        (StatusCode::SERVICE_UNAVAILABLE, say).into_response()
    }
}

async fn now(
    State(keeper): State<Keeper>,
    Query(asked): Query<Asked>,
    Extension(pass): Extension<Pass>,
) -> Html<String> {
    let units = asked.units(&keeper);
    let visitor = Visitor { units, may_write: pass == Pass::Holder };
    let drawings = keeper.now();
    let drawing = drawings.of(units);
    Html(page::now(&drawing.scene, &drawing.view, drawing.structure(), visitor).into_string())
}

async fn the_night(
    State(keeper): State<Keeper>,
    Query(asked): Query<Asked>,
) -> Result<Html<String>, Busy> {
    let units = asked.units(&keeper);
    let page = keeper.ask(move |history| night::page(history, units, asked.run)).await?;
    Ok(Html(page.into_string()))
}

async fn events(State(keeper): State<Keeper>, Query(asked): Query<Asked>) -> Response {
    let units = asked.units(&keeper);
    let Some(watcher) = keeper.watch(WATCHERS_MAX) else { return Busy.into_response() };
    let alive = KeepAlive::new().interval(SIGN_OF_LIFE);
    let alive = alive.event(Event::default().event("alive").data("1"));
    let mut answer = Sse::new(changes(watcher, units)).keep_alive(alive).into_response();
    answer.headers_mut().insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    answer
}

/// What changes on the page, for as long as somebody takes it.
fn changes(watcher: Watcher, units: Units) -> impl Stream<Item = Result<Event, Infallible>> {
    unfold((watcher, None::<Arc<Drawings>>), move |(mut watcher, before)| async move {
        let drawings = watcher.next().await?;
        let change = drawings.of(units).change(before.as_ref().map(|before| before.of(units)));
        let event = Event::default().data(change.to_string());
        Some((Ok(event), (watcher, Some(drawings))))
    })
}

async fn plot(State(keeper): State<Keeper>, Query(asked): Query<Asked>) -> Result<Response, Busy> {
    let units = asked.units(&keeper);
    let (from, to) = asked.stretch();
    let points = asked.points.unwrap_or(1_000).clamp(2, POINTS_MAX);
    let since_start = asked.since.is_some_and(|since| since == "start");
    let answer = move |history: &History| {
        let from = if since_start { history.last_start() } else { from };
        api::plot(history, (from, to), points, units)
    };
    let text = keeper.ask(answer).await?;
    Ok(([(CONTENT_TYPE, JSON)], text).into_response())
}

async fn list(State(keeper): State<Keeper>, Path(name): Path<String>) -> Result<Response, Busy> {
    let answer = keeper.ask(move |history| api::list(history, &name)).await?;
    Ok(match answer {
        Some(lines) => ([(CONTENT_TYPE, JSON_LINES)], lines).into_response(),
        None => {
            let say = format!("no such list; use one of {}\n", api::LISTS.join(", "));
            (StatusCode::NOT_FOUND, say).into_response()
        }
    })
}

async fn all_metrics(State(keeper): State<Keeper>) -> Result<Response, Busy> {
    let watchers = keeper.watchers();
    let text = keeper.ask(move |history| metrics::text(history, watchers)).await?;
    Ok(match text {
        Ok(text) => ([(CONTENT_TYPE, METRICS)], text).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    })
}

/// `ok` while inputs are recorded and the keeper answers.
async fn health(State(keeper): State<Keeper>) -> Result<Response, Busy> {
    let lost = keeper.ask(|history| history.journal.not_recording.clone()).await?;
    Ok(match lost {
        None => "ok\n".into_response(),
        Some(lost) => (StatusCode::SERVICE_UNAVAILABLE, format!("{lost}\n")).into_response(),
    })
}

async fn asset(Path(name): Path<String>) -> Response {
    match assets::asset(&name) {
        Some((text, kind)) => {
            let kept = HeaderValue::from_static("no-cache");
            ([(CONTENT_TYPE, HeaderValue::from_static(kind)), (CACHE_CONTROL, kept)], text)
                .into_response()
        }
        None => StatusCode::NOT_FOUND.into_response(),
    }
}

async fn take_note(
    State(keeper): State<Keeper>,
    Query(asked): Query<Asked>,
    Form(written): Form<note::Written>,
) -> Result<Response, Busy> {
    let units = asked.units(&keeper);
    let said = keeper.ask(move |history| note::leave(history, &written)).await?;
    let drawings = keeper.now();
    let status = if said.is_ok() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    let page = page::noted(&drawings.of(units).scene, units, &said);
    Ok((status, Html(page.into_string())).into_response())
}

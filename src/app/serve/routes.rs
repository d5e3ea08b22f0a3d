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
use crate::app::picture::pressure_enthalpy as picture;
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
        .route("/picture/pressure-enthalpy.svg", get(pressure_enthalpy))
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

/// The circuit on pressure and enthalpy, as the run that is asked for settled.
async fn pressure_enthalpy(
    State(keeper): State<Keeper>,
    Query(asked): Query<Asked>,
) -> Result<Response, Busy> {
    let units = asked.units(&keeper);
    let picture = move |history: &History| {
        let set = history.set_of(asked.run?)?;
        picture::pressure_enthalpy(&history.diagram(set).ok()?, units).ok()
    };
    Ok(match keeper.ask(picture).await? {
        Some(svg) => {
            ([(CONTENT_TYPE, HeaderValue::from_static("image/svg+xml"))], svg).into_response()
        }
        None => StatusCode::NOT_FOUND.into_response(),
    })
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
    Ok(if let Some(lines) = answer {
        ([(CONTENT_TYPE, JSON_LINES)], lines).into_response()
    } else {
        let say = format!("no such list; use one of {}\n", api::LISTS.join(", "));
        (StatusCode::NOT_FOUND, say).into_response()
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

#[cfg(test)]
mod tests {
    use std::io::{Read as _, Write as _};
    use std::net::{SocketAddr, TcpStream};
    use std::thread;

    use jiff::tz::TimeZone;

    use super::*;
    use crate::app::serve::feed::{self, Feed};
    use crate::app::serve::history::Source;
    use crate::edge::journal::Status;
    use crate::edge::web::gate::Token;
    use crate::edge::web::{Bound, Limits, Server};
    use crate::engine::job::Job;
    use crate::engine::output::{Event as Told, Output};
    use crate::engine::profile::Profiles;
    use crate::engine::session::Session;

    /// How often a test looks for what should happen at once, 10 ms apart.
    const LOOKS: usize = 1_000;

    /// A page that is served to tests.
    struct Bench {
        address: SocketAddr,
        token: String,
        feed: Feed,
        keeper: Keeper,
        session: Session,
        _server: Server,
    }

    /// A page at this machine's own address, which its gate takes for `listen`'s.
    fn bench(listen: [u8; 4], limits: Limits) -> Bench {
        let interval = Duration::from_secs(1);
        let site = "<script>alert(1)</script>";
        let history = History::new(site, Units::Us, Source::Live, interval, TimeZone::UTC);
        let session = Session::new(Job::default(), Profiles::default(), None);
        let (feed, keeper, _) = feed::start(history, &session.snapshot(), true).unwrap();
        let bound = Bound::to(SocketAddr::from(([127, 0, 0, 1], 0)), limits).unwrap();
        let address = bound.address().unwrap();
        let token = Token::random().unwrap();
        let shown = token.text().to_owned();
        let gate = Gate::new(token, SocketAddr::from((listen, address.port())), Vec::new());
        let server = bound.serve(router(keeper.clone(), gate)).unwrap();
        Bench { address, token: shown, feed, keeper, session, _server: server }
    }

    fn local() -> Bench {
        bench([127, 0, 0, 1], Limits::default())
    }

    impl Bench {
        /// What is answered to a request with these further lines and this body.
        fn ask(&self, line: &str, headers: &[&str], body: &str) -> String {
            let host = format!("Host: {}", self.address);
            self.ask_as(&host, line, headers, body)
        }

        fn ask_as(&self, host: &str, line: &str, headers: &[&str], body: &str) -> String {
            let mut stream = TcpStream::connect(self.address).unwrap();
            let mut text = format!("{line} HTTP/1.1\r\n{host}\r\nConnection: close\r\n");
            for header in headers {
                text = format!("{text}{header}\r\n");
            }
            if !body.is_empty() {
                let form = "application/x-www-form-urlencoded";
                let length = body.len();
                text = format!("{text}Content-Type: {form}\r\nContent-Length: {length}\r\n");
            }
            // The server may answer, and close, before it has read all of a body that is too long.
            let _ = stream.write_all(format!("{text}\r\n{body}").as_bytes());
            let mut answer = Vec::new();
            let _ = stream.read_to_end(&mut answer);
            String::from_utf8_lossy(&answer).into_owned()
        }

        fn get(&self, path: &str) -> String {
            self.ask(&format!("GET {path}"), &[], "")
        }

        fn bearer(&self) -> String {
            format!("Authorization: Bearer {}", self.token)
        }

        /// A picture that differs from the one before, so that every watcher is sent something.
        fn change(&mut self, number: u64) {
            let event = Told {
                at: Elapsed::from_secs(number),
                event: "note".to_owned(),
                subject: String::new(),
                detail: "x".repeat(200),
            };
            self.feed.take(&self.session, &Output::Event(Box::new(event)));
            let mut snapshot = self.session.snapshot();
            snapshot.at = Elapsed::from_secs(number);
            self.feed.show(number * 1_000_000, || (snapshot, Status::default()));
        }
    }

    #[track_caller]
    fn check(answer: &str, status: u16) {
        let start = format!("HTTP/1.1 {status} ");
        assert!(answer.starts_with(&start), "not {status}: {answer}");
    }

    #[test]
    fn the_page_and_what_belongs_to_it_are_there() {
        let bench = local();
        for path in ["/", "/?units=si", "/night", "/night?run=3", "/health", "/metrics"] {
            check(&bench.get(path), 200);
        }
        for name in ["page.css", "page.js", "plots.js", "night.js", "theme.js", "uplot.min.js"] {
            check(&bench.get(&format!("/assets/{name}")), 200);
        }
        for list in api::LISTS {
            let answer = bench.get(&format!("/api/{list}"));
            check(&answer, 200);
            assert!(answer.contains("content-type: application/jsonl"), "{answer}");
        }
        check(&bench.get("/api/plot?points=10"), 200);
        check(&bench.get("/api/nothing"), 404);
    }

    #[test]
    fn every_answer_forbids_what_this_server_did_not_send() {
        let bench = local();
        let wrong = bench.ask_as("Host: evil.example", "GET /", &[], "");
        let door = bench.get("/?token=wrong");
        for answer in [bench.get("/"), bench.get("/no"), bench.get("/assets/page.js"), wrong, door]
        {
            let policy = answer.lines().find(|line| line.starts_with("content-security-policy:"));
            let policy = policy.unwrap_or_else(|| panic!("no policy: {answer}"));
            assert!(policy.contains("default-src 'none'"), "{policy}");
            assert!(!policy.contains("unsafe"), "{policy}");
            assert!(answer.contains("x-content-type-options: nosniff"), "{answer}");
            assert!(answer.contains("referrer-policy: no-referrer"), "{answer}");
        }
    }

    #[test]
    fn what_comes_from_a_job_is_text() {
        let page = local().get("/");
        assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"), "{page}");
        assert!(!page.contains("<script>"), "{page}");
        assert!(!page.contains(" style="), "{page}");
    }

    #[test]
    fn another_host_s_name_is_refused() {
        let bench = local();
        for host in ["evil.example", "evil.example:8095", "127.0.0.1", ""] {
            check(&bench.ask_as(&format!("Host: {host}"), "GET /", &[], ""), 421);
        }
    }

    #[test]
    fn in_the_local_network_all_need_the_token() {
        let bench = bench([0, 0, 0, 0], Limits::default());
        for path in ["/", "/night", "/events", "/api/summary", "/metrics", "/assets/page.js"] {
            check(&bench.get(path), 401);
        }
        check(&bench.get("/?token="), 403);
        check(&bench.get(&format!("/?token={}0", bench.token)), 403);
        let answer = bench.get(&format!("/?token={}", bench.token));
        check(&answer, 200);
        let cookie = answer.lines().find_map(|line| line.strip_prefix("set-cookie: ")).unwrap();
        assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
        let cookie = format!("Cookie: {}", cookie.split(';').next().unwrap());
        check(&bench.ask("GET /", &[&cookie], ""), 200);
        check(&bench.ask("GET /api/summary", &[&bench.bearer()], ""), 200);
    }

    #[test]
    fn writing_needs_the_token_and_a_post_from_this_page() {
        let mut bench = local();
        let folder = tempfile::tempdir().unwrap();
        bench.feed.folder(folder.path().to_owned());
        let waiting = || crate::edge::spool::waiting(folder.path()).len();
        let bearer = bench.bearer();
        check(&bench.ask("POST /note", &[], "text=grey"), 403);
        check(&bench.ask("POST /note", &[&bearer, "Origin: http://evil.example"], "text=a"), 403);
        check(&bench.ask("GET /note?text=grey", &[&bearer], ""), 405);
        check(&bench.ask("PUT /note", &[&bearer], "text=grey"), 405);
        check(&bench.ask("DELETE /", &[&bearer], ""), 405);
        check(&bench.ask("POST /note", &[&bearer], "text=+"), 422);
        check(&bench.ask("POST /note", &[&bearer], "text=a&at=suction-line%3D118"), 422);
        assert_eq!(waiting(), 0);
        let own = format!("Origin: http://{}", bench.address);
        check(&bench.ask("POST /note", &[&bearer, &own], "text=filter+was+grey"), 200);
        check(&bench.ask("POST /note", &[&bearer], "at=return-air.wet-bulb%3D66F&text="), 200);
        assert_eq!(waiting(), 2);
    }

    #[test]
    fn where_nothing_is_recorded_no_note_is_taken() {
        let bench = local();
        check(&bench.ask("POST /note", &[&bench.bearer()], "text=grey"), 422);
    }

    #[test]
    fn no_file_is_read_for_anybody() {
        let bench = local();
        for path in [
            "/session.toml",
            "/assets/../Cargo.toml",
            "/assets/%2e%2e%2fCargo.toml",
            "/assets/..%2f..%2f..%2fetc%2fpasswd",
            "/api/../../etc/passwd",
            "//etc/passwd",
        ] {
            check(&bench.get(path), 404);
        }
    }

    #[test]
    fn sizes_have_limits() {
        let bench = local();
        let long = "x".repeat(40_000);
        check(&bench.ask("POST /note", &[&bench.bearer()], &format!("text={long}")), 413);
        check(&bench.ask("GET /", &[&format!("X-Long: {long}")], ""), 431);
        let all = bench.get("/api/plot?points=99999999999&from=-5&to=1e300");
        check(&all, 200);
    }

    #[test]
    fn who_says_nothing_is_not_waited_for() {
        let limits = Limits { head_wait: Duration::from_millis(100), ..Limits::default() };
        let bench = bench([127, 0, 0, 1], limits);
        let mut stream = TcpStream::connect(bench.address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
        stream.write_all(b"GET / HTTP/1.1\r\nHost:").unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        assert!(!answer.starts_with(b"HTTP/1.1 200"), "{}", String::from_utf8_lossy(&answer));
    }

    #[test]
    fn a_watcher_that_never_reads_is_cut_off_and_others_go_on() {
        let stall = Duration::from_millis(300);
        let limits = Limits { stall, send_buffer: 4_096, ..Limits::default() };
        let mut bench = bench([127, 0, 0, 1], limits);
        let watch = |bench: &Bench| {
            let mut stream = TcpStream::connect(bench.address).unwrap();
            let head = format!("GET /events HTTP/1.1\r\nHost: {}\r\n\r\n", bench.address);
            stream.write_all(head.as_bytes()).unwrap();
            stream
        };
        let deaf = watch(&bench);
        let mut reader = watch(&bench);
        let heard = thread::spawn(move || {
            let (mut all, mut part) = (0, [0; 4_096]);
            while let Ok(n @ 1..) = reader.read(&mut part) {
                all += n;
            }
            all
        });
        for _ in 0..LOOKS {
            if bench.keeper.watchers() == 2 {
                break;
            }
            thread::sleep(Duration::from_millis(10));
        }
        assert_eq!(bench.keeper.watchers(), 2);
        let mut number = 0;
        for _ in 0..LOOKS {
            if bench.keeper.watchers() < 2 {
                break;
            }
            for _ in 0..200 {
                number += 1;
                bench.change(number);
            }
            thread::sleep(Duration::from_millis(10));
        }
        assert_eq!(bench.keeper.watchers(), 1, "the one that does not read is still waited for");
        drop(deaf);
        drop(bench);
        assert!(heard.join().unwrap() > 10_000);
    }

    #[test]
    fn so_many_may_watch_and_no_more() {
        let bench = local();
        let watchers: Vec<_> = (0..3).map(|_| bench.keeper.watch(3)).collect();
        assert!(watchers.iter().all(Option::is_some));
        assert!(bench.keeper.watch(3).is_none());
        drop(watchers);
        assert!(bench.keeper.watch(3).is_some());
    }
}

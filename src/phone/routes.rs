//! What the page can ask for.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::{Extension, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::from_fn_with_state;
use axum::response::{IntoResponse as _, Json, Response};
use axum::routing::{get, post};
use http_body_util::{BodyExt as _, Limited};
use hyper::body::Body as _;
use serde::Deserialize;
use serde_json::json;
use tokio::time::{Instant, timeout};

use super::answer::{AnswerError, Given};
use super::door::{Device, Door, Entry};
use super::gate::{self, Ends};
use super::ledger::{Ledger, Outcome};
use super::live::Streams;
use super::page::{self, Front};
use super::places::Rate;
use crate::witness::desk::Seat;

/// What the terminal says of who answered.
const BY: &str = "phone";

/// The largest body that is read, bytes.
const BODY: usize = 4096;

/// How long a body may take to come.
const BODY_TIME: Duration = Duration::from_secs(5);

/// How long a browser keeps the cookie, seconds: over supper and the next weekend.
const COOKIE_AGE: u32 = 14 * 24 * 3600;

/// What all requests share.
#[derive(Debug)]
pub(super) struct App {
    pub(super) seat: Seat,
    pub(super) door: Arc<Door>,
    pub(super) cookie: String,
    pub(super) front: Front,
    pub(super) streams: Streams,
    /// Requests of each phone that is let in.
    pub(super) rate: Rate<Device>,
    /// Keys tried from each address.
    tries: Rate<IpAddr>,
    ledger: Ledger,
    drawings: Bytes,
}

impl App {
    pub(super) fn new(seat: Seat, door: Arc<Door>, port: u16) -> Self {
        Self {
            ledger: Ledger::new(seat.clone()),
            streams: Streams::new(seat.clone()),
            seat,
            door,
            // Cookies do not tell ports apart.
            cookie: format!("throwproof-{port}"),
            front: page::front(),
            rate: Rate::new(60, 20),
            tries: Rate::new(20, 2),
            drawings: page::drawings().into(),
        }
    }
}

/// All routes, behind the checks of [`gate`].
pub(super) fn router(app: Arc<App>) -> Router {
    let mut router = Router::new()
        .route("/enter", post(enter))
        .route("/scene", get(scene))
        .route("/events", get(events))
        .route("/answer", post(answer))
        .route("/stop", post(stop))
        .route("/drawings.json", get(drawings));
    for file in &page::FILES {
        router = router.route(file.path, get(move || async move { serve(file) }));
    }
    let checked = router
        .fallback(async || StatusCode::NOT_FOUND)
        .with_state(Arc::clone(&app));
    // Around all of it: a layer of the router itself would have `Allow` added to what it says,
    // and tell which paths there are.
    Router::new()
        .fallback_service(checked)
        .layer(from_fn_with_state(app, gate::check))
}

fn serve(file: &'static page::File) -> Response {
    ([(header::CONTENT_TYPE, file.kind)], file.bytes).into_response()
}

async fn drawings(State(app): State<Arc<App>>) -> Response {
    (
        [(header::CONTENT_TYPE, "application/json")],
        app.drawings.clone(),
    )
        .into_response()
}

async fn scene(State(app): State<Arc<App>>) -> Response {
    Json(app.seat.scene()).into_response()
}

/// The stream of scenes; `tab` tells the tabs of a phone apart.
async fn events(
    State(app): State<Arc<App>>,
    Extension(device): Extension<Device>,
    request: Request,
) -> Response {
    let query = request.uri().query().unwrap_or_default();
    let tab = query.strip_prefix("tab=").unwrap_or_default();
    match app.streams.open(device, tab) {
        Some(stream) => stream.into_response(),
        None => StatusCode::SERVICE_UNAVAILABLE.into_response(),
    }
}

/// The body of a request, which is JSON and short.
async fn body(headers: &HeaderMap, body: Body) -> Result<Bytes, StatusCode> {
    let kind = headers.get(header::CONTENT_TYPE).map(HeaderValue::as_bytes);
    if !kind.is_some_and(|kind| kind.starts_with(b"application/json")) {
        return Err(StatusCode::UNSUPPORTED_MEDIA_TYPE);
    }
    if body.size_hint().lower() > BODY as u64 {
        return Err(StatusCode::PAYLOAD_TOO_LARGE);
    }
    match timeout(BODY_TIME, Limited::new(body, BODY).collect()).await {
        Ok(Ok(whole)) => Ok(whole.to_bytes()),
        Ok(Err(error)) if error.is::<http_body_util::LengthLimitError>() => {
            Err(StatusCode::PAYLOAD_TOO_LARGE)
        }
        Ok(Err(_)) => Err(StatusCode::BAD_REQUEST),
        Err(_) => Err(StatusCode::REQUEST_TIMEOUT),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Key {
    key: String,
}

/// Lets in who has the key. Whoever has not gets the same 401 for all that may be wrong.
async fn enter(
    State(app): State<Arc<App>>,
    Extension(ends): Extension<Ends>,
    request: Request,
) -> Response {
    let (from, now) = (ends.peer.ip().to_canonical(), Instant::now());
    if !app.tries.allows(from, now) {
        return StatusCode::TOO_MANY_REQUESTS.into_response();
    }
    let (parts, content) = request.into_parts();
    let Ok(content) = body(&parts.headers, content).await else {
        return StatusCode::UNAUTHORIZED.into_response();
    };
    // What is no key at all is a wrong one.
    let key = serde_json::from_slice::<Key>(&content).map_or(String::new(), |given| given.key);
    match app.door.enter(&key, from, now) {
        Entry::Welcome(token) => {
            let cookie = format!(
                "{}={token}; HttpOnly; SameSite=Strict; Path=/; Max-Age={COOKIE_AGE}",
                app.cookie
            );
            (StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie)]).into_response()
        }
        Entry::Wrong => StatusCode::UNAUTHORIZED.into_response(),
        Entry::TooMany => StatusCode::TOO_MANY_REQUESTS.into_response(),
    }
}

/// Hands in an answer and says what became of it.
async fn answer(State(app): State<Arc<App>>, request: Request) -> Response {
    let (parts, content) = request.into_parts();
    let content = match body(&parts.headers, content).await {
        Ok(content) => content,
        Err(status) => return status.into_response(),
    };
    let given = match Given::parse(&content) {
        Ok(given) => given,
        Err(AnswerError::Form(_)) => return told(StatusCode::BAD_REQUEST, "not-understood"),
        Err(AnswerError::TooLong(_) | AnswerError::Empty) => {
            return told(StatusCode::UNPROCESSABLE_ENTITY, "does-not-fit");
        }
    };
    match app.ledger.hand_in(given, BY).await {
        Outcome::Taken => told(StatusCode::OK, "taken"),
        Outcome::Answered(answered) => {
            let said = json!({"status": "answered", "answered": answered});
            (StatusCode::CONFLICT, Json(said)).into_response()
        }
        Outcome::Withdrawn => told(StatusCode::CONFLICT, "withdrawn"),
        Outcome::Restarted => told(StatusCode::CONFLICT, "restarted"),
        Outcome::DoesNotFit => told(StatusCode::UNPROCESSABLE_ENTITY, "does-not-fit"),
        Outcome::Unknown => told(StatusCode::SERVICE_UNAVAILABLE, "unknown"),
    }
}

/// Ends the run, also while nothing is asked.
async fn stop(State(app): State<Arc<App>>) -> Response {
    if app.seat.stop() {
        told(StatusCode::OK, "taken")
    } else {
        told(StatusCode::CONFLICT, "not-understood")
    }
}

fn told(status: StatusCode, word: &str) -> Response {
    (status, Json(json!({"status": word}))).into_response()
}
